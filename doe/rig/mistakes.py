"""Mistakes in a `[rig]` section that span several keys."""

from __future__ import annotations

import itertools
from collections.abc import Iterator
from datetime import date, timedelta

import numpy as np

from doe.errors import Problem, Where
from doe.rig.boiling import (
    above_set_bar,
    boils_C,
    bubble_points_reach,
    minimum_pressure_bara,
    water_boils_C,
)
from doe.rig.description import ROUNDING, BatchKind, Headspace, Mode, Rig
from doe.rig.relief import protecting, ratio_bara, reliefs
from doe.rig.verdicts import rounded_down, rounded_up


def problems(rig: Rig, mode: Mode, batch_kind: BatchKind | None) -> tuple[Problem, ...]:
    """Return all that is wrong with a rig for the mode it is to run in; keys start with ``rig.``.

    Parameters
    ----------
    rig
        A section of which each key is readable by itself.
    mode, batch_kind
        What the campaign asks of it.
    """
    if mode == "batch" and batch_kind is None:
        return (
            _problem(
                "no-batch-kind",
                "batch_kind",
                "batch mode needs batch_kind: the two kinds build up pressure in different ways.",
                'Write batch_kind = "liquid-full" or batch_kind = "headspace".',
            ),
        )
    found = [
        *_confirmation_problems(rig),
        *_missing_parts(rig, mode, batch_kind),
        *_pairs_problems(rig),
        *_range_problems(rig),
        *_relief_problems(rig),
        *_co_solvent_problems(rig, mode),
    ]
    if batch_kind != "headspace" or (rig.headspace and rig.headspace.pad_pressure is not None):
        found += _margin_problems(rig)
    if batch_kind == "liquid-full":
        found += _liquid_full_problems(rig)
    if batch_kind == "headspace" and rig.headspace is not None:
        found += _headspace_problems(rig, rig.headspace)
    if not found and batch_kind != "headspace":
        found += _burst_problems(rig)
    return tuple(found)


def _problem(code: str, key: str, what: str, remedy: str = "") -> Problem:
    return Problem(code, what, Where(key=f"rig.{key}"), remedy)


def _confirmation_problems(rig: Rig) -> Iterator[Problem]:
    """A confirmation is a name and a date that has been; half of one confirms nothing."""
    by, on = rig.limits_confirmed_by.strip(), rig.limits_confirmed_on.strip()
    remedy = "Write the day on which they were compared with the rig's documents, as 2026-01-31."
    if on:
        try:
            day = date.fromisoformat(on)
        except ValueError:
            what = f"limits_confirmed_on is “{on}”, which is no date."
            yield _problem("bad-date", "limits_confirmed_on", what, remedy)
            return
        if day > date.today() + timedelta(days=1):  # somebody's clock may be a day ahead
            what = f"limits_confirmed_on is {on}, a day that has not been."
            yield _problem("future-date", "limits_confirmed_on", what, remedy)
    if bool(by) != bool(on):
        key, there = ("on", "by") if by else ("by", "on")
        what = f"limits_confirmed_{there} is filled in and limits_confirmed_{key} is not."
        both = "Fill in both, name and date; or neither, for planning practice only."
        yield _problem("half-confirmed", f"limits_confirmed_{key}", what, both)


_NEEDED: dict[str, tuple[str, ...]] = {
    "flow": ("pump", "pressure_pulsation", "bed_pressure_drop", "flush_time"),
    "liquid-full": ("pump", "pressure_pulsation", "temperature_swing", "heat_up_outlet"),
    "headspace": ("headspace",),
}
_AS_IN = {
    "pressure_pulsation": 'Write it as pressure_pulsation = "1 bar".',
    "bed_pressure_drop": 'Write it as bed_pressure_drop = "1 bar", at the highest flow.',
    "flush_time": 'Write it as flush_time = "10 min".',
    "temperature_swing": "Write how far it swings, lowest to highest, while the outlet "
    'is shut, as temperature_swing = "0.6 K".',
    "heat_up_outlet": 'Write heat_up_outlet = "open" if water can leave while it heats up; with '
    '"shut" it cannot be run.',
    "headspace": 'Add [rig.headspace] with cold_water (as "180 mL"), solids_volume (as "10 mL") '
    'and pad_pressure (as "5 barg", or "none" for air).',
}
NEEDED_OR_NONE: dict[str, tuple[str, ...]] = {
    "flow": ("regulator", "cooler", "collector", "feed_bottle"),
    "liquid-full": ("regulator", "cooler", "collector", "feed_bottle"),
    "headspace": ("collector",),
}
DIFFERENCE_MOST_K = 100.0
"""Beyond it a difference was surely written as a temperature in kelvin (our rule)."""
UNCHECKED = {
    "regulator": "nothing holds the pressure while water leaves, so no water may be above boiling "
    "at the atmosphere's pressure",
    "cooler": "water leaves as hot as it is, so none may be above boiling at the atmosphere's "
    "pressure",
    "collector": "filling, drains and overflow were not checked",
    "feed_bottle": "nothing shows that the pump never draws air",
}


_WHY_PART = {
    ("liquid-full", "regulator"): "It holds the pressure while water leaves on heating up. ",
    ("liquid-full", "cooler"): "What leaves on heating up is hot. ",
}


def _missing_parts(rig: Rig, mode: Mode, kind: BatchKind | None) -> Iterator[Problem]:
    use = kind or mode
    for key in _NEEDED[use]:
        if getattr(rig, key) is None:
            what = f"{key} is missing: {use} mode needs it."
            yield _problem("missing-key", key, what, _AS_IN.get(key, "Add it."))
    for key in NEEDED_OR_NONE[use]:
        if key not in rig.model_fields_set:
            yield _problem(
                "missing-part",
                key,
                f"[rig.{key}] is missing: {use} mode needs it.",
                f'{_WHY_PART.get((use, key), "")}Describe it, or write {key} = "none" under [rig] '
                "if there is truly none.",
            )
    if rig.heat_up_rate is None and rig.vessel.heat_capacity is None:
        yield _problem(
            "missing-key",
            "heat_up_rate",
            "heat_up_rate is missing, and without the vessel's heat_capacity it cannot be worked "
            "out from the heater's power.",
            'Write it as measured, as in heat_up_rate = "4 K/min".',
        )
    if use != "headspace" and rig.vessel.void_fraction is None:
        yield _problem(
            "missing-key",
            "vessel.void_fraction",
            "void_fraction is missing: without it the water in the vessel is not known.",
            'Write it as void_fraction = "45 %".',
        )
    if rig.disc is None and rig.valve is None:
        yield _problem(
            "no-relief",
            "disc",
            "neither a rupture disc nor a relief valve is described.",
            "Add [rig.disc] or [rig.valve] with the figures of its certificate: "
            "a rig without relief is not planned for.",
        )


def _pairs_problems(rig: Rig) -> Iterator[Problem]:
    rating = rig.vessel.rating
    if not rating:
        yield _problem(
            "no-rating",
            "vessel.rating",
            "rating is empty.",
            "Copy the pairs of temperature and pressure from the vessel's documents.",
        )
    for (cooler, at_cooler), (hotter, at_hotter) in itertools.pairwise(rating):
        if hotter <= cooler:
            yield _problem(
                "rating-order",
                "vessel.rating",
                f"{hotter:g} °C comes after {cooler:g} °C.",
                "List each temperature once, from low to high.",
            )
        elif rig.bara(at_hotter) > rig.bara(at_cooler) + ROUNDING:
            yield _problem(
                "rating-rises",
                "vessel.rating",
                f"the rated pressure rises from {cooler:g} to {hotter:g} °C.",
                "Metal does not grow stronger with heat: compare with the vessel's documents.",
            )
    if rating and min(rig.gauge(pressure) for _, pressure in rating) <= 0:
        yield _problem(
            "rating-below-atmosphere",
            "vessel.rating",
            "a rated pressure is not above the atmosphere's.",
            'Check whether it is gauge or absolute: write "barg" or "bara".',
        )


def _allowances_K(rig: Rig) -> dict[str, float]:
    """Return by key what the hottest wall may be above set, and has to be below boiling [K]."""
    return {
        "temperature_overshoot": rig.temperature_overshoot,
        "temperature_sensor_error": rig.temperature_sensor_error,
        "liquid_subcooling": rig.liquid_subcooling,
        "heater.wall_excess": rig.heater.wall_excess,
    }


def _range_problems(rig: Rig) -> Iterator[Problem]:
    """Yield what makes a single part impossible."""
    if not 0.5 <= rig.atmospheric_pressure_bara <= 1.1:
        yield _problem(
            "atmosphere",
            "atmospheric_pressure",
            f"{rig.atmospheric_pressure_bara:g} bar absolute is no atmosphere; "
            "expected is 0.5 to 1.1.",
            "Give the site's pressure as measured there, not corrected to sea level.",
        )
    empty = {
        "vessel": ("volume", "pressure_share", "void_fraction", "bed_voidage"),
        "collector": ("volume", "fill_share"),
        "feed_bottle": ("volume",),
        "heater": ("efficiency", "use_share"),
        "headspace": ("cold_water",),
        "pump": ("flow_max",),
        "regulator": ("flow_max",),
    }
    for part, keys in empty.items():
        for key in keys:
            if getattr(getattr(rig, part), key, None) == 0:
                yield _problem("zero", f"{part}.{key}", f"{key} is zero.", "Give its true value.")
    if rig.vessel.bed_voidage >= 1:
        yield _empty_range("vessel.bed_voidage", "bed_voidage leaves no particles in the bed")
    cold = {"start_temperature": rig.start_temperature}
    if rig.feed_bottle is not None:
        cold["feed_bottle.temperature"] = rig.feed_bottle.temperature
    if rig.cooler is not None:
        cold["cooler.coolant_temperature"] = rig.cooler.coolant_temperature
    for key, temperature in cold.items():
        if not 0 <= temperature < 95:
            yield _problem(
                "cold-water",
                key,
                f"{temperature:g} °C is not a temperature of cold water.",
                "It must lie between 0 and 95 °C.",
            )
    differences = {**_allowances_K(rig), "temperature_swing": rig.temperature_swing or 0.0}
    for key, kelvin in differences.items():
        if kelvin > DIFFERENCE_MOST_K:
            yield _problem(
                "no-difference",
                key,
                f"{kelvin:g} K is no difference of temperatures at a rig; allowed is up to "
                f"{DIFFERENCE_MOST_K:g} K.",
                'Write the difference, not a temperature in kelvin: "2 K".',
            )
    if rig.pump is not None and rig.pump.flow_min >= rig.pump.flow_max:
        yield _empty_range("pump.flow_min", "flow_min is not below flow_max")
    regulator = rig.regulator
    if regulator and rig.bara(regulator.pressure_min) >= rig.bara(regulator.pressure_max):
        yield _empty_range("regulator.pressure_min", "pressure_min is not below pressure_max")
    for name, part_ in (("pump", rig.pump), ("regulator", regulator)):
        if part_ is not None and part_.usable_low >= part_.usable_high:
            yield _empty_range(f"{name}.usable_low", "usable_low is not below usable_high")
    if (pump := rig.pump) is not None and pump.flow_min < pump.flow_max:
        least, most = pump.usable_mL_min()
        if least >= most and pump.usable_low < pump.usable_high:
            yield _empty_range(
                "pump.flow_min",
                f"nothing is left between the pump's least usable flow, {least:g} mL/min (the "
                f"larger of flow_min and usable_low of flow_max), and {most:g} mL/min (usable_high "
                "of flow_max)",
            )
    if rig.feed_bottle is not None and rig.feed_bottle.heel >= rig.feed_bottle.volume:
        yield _empty_range("feed_bottle.heel", "heel leaves nothing of volume to pump")
    if rig.cooler is not None:
        boiling = _let_down_boils_C(rig)
        if not rig.cooler.coolant_temperature < rig.cooler.outlet_max < boiling:
            yield _empty_range(
                "cooler.outlet_max",
                f"outlet_max {rig.cooler.outlet_max:g} °C must lie between the coolant's "
                f"{rig.cooler.coolant_temperature:g} °C and boiling at {boiling:.0f} °C",
            )


def _let_down_boils_C(rig: Rig) -> float:
    """Return where what leaves the cooler boils at the atmosphere's pressure [°C].

    A mixture counts as far as its bubble points reach down; else `notices` says that they do not.
    """
    atmosphere = np.asarray(rig.atmospheric_pressure_bara)
    pure = float(water_boils_C(atmosphere))
    if rig.co_solvent is None or not bubble_points_reach(rig, rig.atmospheric_pressure_bara):
        return pure
    return min(pure, float(boils_C(rig, atmosphere)))


def _empty_range(key: str, what: str) -> Problem:
    return _problem("empty-range", key, f"{what}.", "Correct one of them.")


def _margin_problems(rig: Rig) -> Iterator[Problem]:
    """A run just at boiling is no run."""
    if rig.liquid_margin == 0 and rig.liquid_subcooling == 0:
        yield _problem(
            "no-margin",
            "liquid_margin",
            "liquid_margin and liquid_subcooling are both 0: nothing would keep the water off "
            "boiling.",
            "Common practice is 5 bar and 10 K; leave both keys out to get them.",
        )


def _relief_problems(rig: Rig) -> Iterator[Problem]:
    devices = reliefs(rig)
    if len(devices) > 1 and rig.relief_arrangement is None:
        yield _problem(
            "relief-arrangement",
            "relief_arrangement",
            "there are a disc and a valve, and how they stand to each other is not said: in "
            "parallel the one that opens lower protects the vessel, in series both have to open.",
            'Write relief_arrangement = "parallel" or "series".',
        )
    last = protecting(rig)
    strongest = max((rig.bara(pressure) for _, pressure in rig.vessel.rating), default=0.0)
    for device in devices:
        if device.marked_bara <= rig.atmospheric_pressure_bara:
            yield _problem(
                "relief-below-atmosphere",
                device.key,
                f"the {device.name} would open at the atmosphere's pressure.",
                'Check whether it is gauge or absolute: write "barg" or "bara".',
            )
        if device.tolerance >= 1 or device.ratio <= 0:
            yield _problem(
                "relief-shares",
                device.key,
                f"the {device.name}'s tolerance must be below 100 % and its operating ratio "
                "above 0 %.",
                "Copy them from its certificate.",
            )
        too_high = last is not None and device.part == last.part and device.marked_bara > strongest
        if too_high and strongest > rig.atmospheric_pressure_bara:
            marked, most = rig.shown(np.array([device.marked_bara, strongest])).tolist()
            yield _problem(
                "relief-above-rating",
                device.key,
                f"the {device.name} is marked {rounded_up(marked)} {rig.shown_unit}, above the "
                f"vessel's highest rated pressure, {rounded_down(most)} {rig.shown_unit}: it does "
                "not protect this vessel.",
                "Compare both with their documents, or fit a relief with a lower marked pressure.",
            )
        service = device.service_temperature
        if service is not None and service > device.temperature:
            yield _problem(
                "relief-too-hot",
                device.key,
                f"the {device.name} gets up to {service:g} °C, and its certificate holds at "
                f"{device.temperature:g} °C.",
                "Ask its maker for the figures at the higher temperature; they are never "
                "estimated here.",
            )


def _co_solvent_problems(rig: Rig, mode: Mode) -> Iterator[Problem]:
    mixture = rig.co_solvent
    if mixture is None:
        return
    points = mixture.bubble_points
    key = "co_solvent.bubble_points"
    if len(points) < 2:
        yield _problem(
            "no-bubble-points",
            key,
            f"with {mixture.name} in the water the boiling curve of pure water is not safe: the "
            "mixture boils at a higher pressure.",
            "Give bubble points of this mixture (temperature and pressure) over the whole range "
            "up to the hottest point, and their source.",
        )
    for (cooler, low), (hotter, high) in itertools.pairwise(points):
        if hotter <= cooler or rig.bara(high) <= rig.bara(low):
            yield _problem(
                "bubble-points-order",
                key,
                f"from {cooler:g} to {hotter:g} °C the bubble points do not rise.",
                "List them from low to high.",
            )
    if points and not mixture.source:
        yield _problem(
            "bubble-points-source",
            "co_solvent.source",
            "the source of the bubble points is missing.",
            "Name the document, or who measured them.",
        )
    if mode == "batch":
        yield _problem(
            "co-solvent-in-batch",
            "co_solvent",
            f"how far water with {mixture.name} swells on heating is not known here, so neither "
            "cold fill nor the pressure of a shut vessel can be checked.",
            "Run batches in water alone, or have the mixture assessed apart from this tool.",
        )


def _liquid_full_problems(rig: Rig) -> Iterator[Problem]:
    if rig.heat_up_outlet == "shut":
        yield _problem(
            "heated-shut",
            "heat_up_outlet",
            "a vessel full of water must not be heated with its outlet shut: one degree raises "
            "the pressure by about 5 to 17 bar, and the pump cannot take water out.",
            "Heat up with the outlet open and shut it once the temperature is steady.",
        )


def _headspace_problems(rig: Rig, headspace: Headspace) -> Iterator[Problem]:
    free = rig.vessel.volume - headspace.solids_volume
    if headspace.cold_water >= free:
        yield _problem(
            "no-headspace",
            "headspace.cold_water",
            f"{headspace.cold_water:g} mL of water and {headspace.solids_volume:g} mL of solids "
            f"leave no gas space in {rig.vessel.volume:g} mL.",
            "Fill in less water.",
        )
    if headspace.vapour_share <= 0 or headspace.vapour_share >= 1:
        yield _problem(
            "vapour-share",
            "headspace.vapour_share",
            "vapour_share must lie between 0 and 100 %: at 0 the vessel is full of water.",
            'Write vapour_share = "10 %".',
        )
    if not 0 <= headspace.closing_temperature < 95:
        yield _problem(
            "closing-temperature",
            "headspace.closing_temperature",
            f"{headspace.closing_temperature:g} °C is not a temperature to fill and close at.",
            "It must lie between 0 and 95 °C.",
        )


def _burst_problems(rig: Rig) -> Iterator[Problem]:
    """Yield a problem if relief leaves no pressure that keeps water of 100 °C liquid."""
    lowest = float(minimum_pressure_bara(rig, 100.0))
    for device in reliefs(rig):
        most = ratio_bara(rig, device) - above_set_bar(rig)
        if np.isinf(lowest):
            allowances = _allowances_K(rig)
            largest = max(allowances, key=lambda key: allowances[key])
            yield _problem(
                "allowances-too-large",
                largest,
                f"with {allowances[largest]:g} K here and the other allowances no pressure is "
                "known that surely keeps water of 100 °C liquid.",
                "Give each as it is at this rig: how much hotter, in K.",
            )
            return
        if most < lowest:
            opening, most_, lowest_ = (
                float(rig.shown(np.asarray(p))) for p in (device.lowest_bara, most, lowest)
            )
            yield _problem(
                "burst-too-low",
                device.key,
                f"the {device.name} may open from {rounded_down(opening)} {rig.shown_unit}, "
                f"which with its operating ratio and the allowances lets the rig be set to at most "
                f"{rounded_down(most_)} {rig.shown_unit}; keeping water of 100 °C liquid takes "
                f"{rounded_up(lowest_)}.",
                "Compare it with the certificate: it is below, or too near, any working pressure.",
            )
