"""The one palette of pages and figures: paper, ink, water, ember and straw, light and dark.

The surface ramp runs in seven steps, even in OKLab, from raised paper to deep water.
"""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType

__all__ = ["DARK", "LIGHT", "RAMP", "css_variables"]

RAMP = ("ramp-1", "ramp-2", "ramp-3", "ramp-4", "ramp-5", "ramp-6", "ramp-7")

LIGHT: Mapping[str, str] = MappingProxyType(
    {
        "paper": "#FBFAF6",
        "raised": "#F1EEE6",
        "ink": "#1C2A30",
        "soft-ink": "#55666D",
        "water": "#0F5C6B",
        "ember": "#B4481E",
        "straw": "#A9822B",
        "rule": "#D9D4C7",
        "ramp-1": "#F1EEE6",
        "ramp-2": "#CCD4D1",
        "ramp-3": "#A8BBBC",
        "ramp-4": "#85A3A7",
        "ramp-5": "#628B93",
        "ramp-6": "#3E737F",
        "ramp-7": "#0F5C6B",
    }
)

DARK: Mapping[str, str] = MappingProxyType(
    {
        "paper": "#12191C",
        "raised": "#1B2529",
        "ink": "#E8E6DF",
        "soft-ink": "#A4B0B2",
        "water": "#6FBFCC",
        "ember": "#F08A5D",
        "straw": "#DDBB6A",
        "rule": "#344247",
        "ramp-1": "#1B2529",
        "ramp-2": "#283C41",
        "ramp-3": "#36545A",
        "ramp-4": "#436D75",
        "ramp-5": "#528791",
        "ramp-6": "#60A3AE",
        "ramp-7": "#6FBFCC",
    }
)


def css_variables(colours: Mapping[str, str]) -> str:
    """Return the declarations of a palette as CSS variables."""
    return "".join(f"--{role}:{value};" for role, value in colours.items())
