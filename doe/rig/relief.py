"""Rupture disc and relief valve: where they may open, and how near a run may come."""

from __future__ import annotations

from dataclasses import dataclass

from doe.rig.description import Rig


@dataclass(frozen=True, slots=True)
class _Relief:
    """A disc or a valve, in the same words; pressures absolute."""

    name: str
    key: str
    part: str
    marked_bara: float
    lowest_bara: float
    tolerance: float
    ratio: float
    temperature: float
    service_temperature: float | None
    certificate: str


def reliefs(rig: Rig) -> tuple[_Relief, ...]:
    found = []
    if (disc := rig.disc) is not None:
        found.append(
            _Relief(
                "rupture disc",
                "disc.burst_pressure",
                "disc",
                rig.bara(disc.burst_pressure),
                rig.share_of(1 - disc.burst_tolerance, disc.burst_pressure),
                disc.burst_tolerance,
                disc.operating_ratio,
                disc.burst_temperature,
                disc.service_temperature,
                disc.certificate,
            )
        )
    if (valve := rig.valve) is not None:
        found.append(
            _Relief(
                "relief valve",
                "valve.set_pressure",
                "valve",
                rig.bara(valve.set_pressure),
                rig.share_of(1 - valve.set_tolerance, valve.set_pressure),
                valve.set_tolerance,
                valve.operating_ratio,
                valve.temperature_max,
                valve.service_temperature,
                valve.certificate,
            )
        )
    return tuple(found)


def lowest_opening(rig: Rig) -> _Relief:
    return min(reliefs(rig), key=lambda device: device.lowest_bara)


def protecting(rig: Rig) -> _Relief | None:
    """Return what opens at last: in series both have to, in parallel the one marked lower."""
    devices = reliefs(rig)
    if not devices:
        return None
    pick = max if rig.relief_arrangement == "series" else min
    return pick(devices, key=lambda device: device.marked_bara)


def relief_opening_bara(rig: Rig) -> float:
    """Return the lowest pressure [bara] at which a relief of this rig may open."""
    return lowest_opening(rig).lowest_bara


def ratio_bara(rig: Rig, device: _Relief) -> float:
    """Return the highest working pressure [bara] by the device's operating ratio."""
    atmosphere = rig.atmospheric_pressure_bara
    return device.ratio * (device.lowest_bara - atmosphere) + atmosphere
