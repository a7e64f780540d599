"""Design of experiments for subcritical-water extraction."""
