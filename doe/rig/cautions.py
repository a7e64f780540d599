"""What anyone at the rig should read first."""

from __future__ import annotations

CAUTIONS: tuple[str, ...] = (
    "Hot water under pressure turns to steam where it leaks, and scalds. Stay behind the shield; "
    "wear face protection and gloves that stand heat.",
    "A rupture disc or relief valve can throw out hot water and solids without warning. Lead its "
    "outlet to a safe place, keep clear of it, and never block or isolate it.",
    "Neither tighten nor loosen a fitting under pressure. Open only what is cool and shown by a "
    "second means to be without pressure: a blocked frit can hold pressure behind it.",
    "Never heat a part that is full of water and shut at both ends: one degree raises its pressure "
    "by about 5 to 17 bar.",
    "Before work on the rig, isolate and lock heaters, pump and water supply. Heaters must switch "
    "off when the flow stops.",
    "Write down the temperature, pressure and flow at which the run is stopped before it starts. "
    "Do not leave a hot run alone unless that has been assessed.",
    "Alcohol, acid or any other addition needs its own assessment of fire, vapour and corrosion "
    "before it goes in.",
    "Pressure equipment law applies to water above about 110 °C as it does to gases: in the EU "
    "directive 2014/68/EU, in Great Britain PSSR 2000, elsewhere local codes. A competent person "
    "decides what it asks of this rig.",
    "These figures help to plan. The rig's own documents, the competent person and local codes "
    "come first.",
)
"""What anyone at the rig should read first, in every report and on every sheet."""
