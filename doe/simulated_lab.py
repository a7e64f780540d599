"""An invented lab: what a flow-mode extraction would give, computed from a small mechanism.

It plays the lab in the demonstration campaign and in benchmarks of strategies. **Every material
here is invented**: the magnitudes are sensible for the trade, but no number describes a real
feedstock, and nothing computed here may stand in for a run at a rig.

The mechanism, for each solute (the target compound, a by-product):

1. Bound solute sits in the particle in a fast and a slow fraction. Each frees it at a first-order
   rate that follows Arrhenius, whatever the flow [1]_.
2. Freed solute shares itself between the particle's surface and the water beside it, at
   equilibrium: with K in mL/g, a bed of m grams with V mL of water holds V/(V + K m) of it
   dissolved. K falls with temperature (van 't Hoff). Only the dissolved part moves.
3. The water passes the bed as through N equal well-mixed tanks in series. The pump meters cold
   water; hot it takes more room, and leaves the bed sooner.
4. Freed solute is lost at a first-order rate (Arrhenius), dissolved or not; bound solute at a
   share of that rate; collected solute at the rate of the receiver's temperature.
5. At high flow water finds channels: a share of the bed stands still, frees its solute as the rest
   does, and keeps it.

Taken together this is a linear system; it is solved by its matrix exponential, with no time step.

What is simplified: one temperature for the whole bed during the whole run, no heat-up, cool-down
or static time; equilibrium partition without a solubility ceiling, and a pH that nothing changes;
no diffusion profile inside the particle; channels that depend on flow alone; nothing flushed out
at the end, so that what is still in the bed's water is not collected; a by-product formed from a
store of its own, not from what the target loses. Pressure acts through the liquid's density and
nowhere else. Batch mode is not simulated.

Units: °C, min, mL, mL/min, g, mg/g of dry feed, kJ/mol, bara. Shapes: n runs.

References
----------
.. [1] Kubátová, Jansen, Vaudoisot, Hawthorne 2002, J Chromatogr A 975:175-188: two-site and
   partition models (from memory).
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from doe import water
from doe.rig import Conditions

__all__ = [
    "BOUNDARY",
    "CONFLICT",
    "INTERIOR",
    "MATERIALS",
    "PLATEAU",
    "REFERENCE_C",
    "SEVERITY_RIDGE",
    "Bed",
    "Control",
    "MassBalance",
    "Material",
    "Noise",
    "Partition",
    "Rate",
    "Solute",
    "achieved",
    "extraction_curve",
    "mass_balance",
    "play",
    "timed_portions",
    "true_responses",
]

FloatArray = npt.NDArray[np.float64]

REFERENCE_C = 150.0
"""Temperature at which rates and partition are stated [°C]."""

_GAS_CONSTANT = 8.314462618e-3  # kJ/(mol K), CODATA 2018
_ZERO_C_K = 273.15
_PUMP_C = 20.0
_STANDING_MOST = 0.95
_FASTEST = 1e8  # rate × time up to which squaring keeps 8 digits
_TERMS = 18  # of the Taylor series at norm 1: the next term is 1/19! = 8e-18
_AT_ONCE = 10_000  # runs solved together, to bound the memory

# Where each amount stands in the state; the tanks follow.
_FAST, _SLOW, _STAGNANT, _COLLECTED, _LOST_PARTICLE, _LOST_BED, _LOST_RECEIVER = range(7)
_TANKS = 7


def _require_at_least_zero(owner: object, *names: str) -> None:
    for name in names:
        value = getattr(owner, name)
        if not (math.isfinite(value) and value >= 0):
            raise ValueError(f"{name} is {value}: it has to be 0 or more")


# ----------------------------------------------------------------------------- the material


@dataclass(frozen=True, slots=True)
class Rate:
    """A first-order rate: its value at 150 °C [1/min] and its activation energy [kJ/mol]."""

    at_150C_per_min: float
    activation_kJ_mol: float = 0.0

    def __post_init__(self) -> None:
        _require_at_least_zero(self, "at_150C_per_min", "activation_kJ_mol")

    def per_min(self, temperature_C: npt.ArrayLike) -> FloatArray:
        """Return the rate at temperatures, by Arrhenius [1/min], same shape."""
        return self.at_150C_per_min * _arrhenius(temperature_C, self.activation_kJ_mol)


@dataclass(frozen=True, slots=True)
class Partition:
    """Concentration in solid [mg/g] over that in water [mg/mL]: at 150 °C, enthalpy of dissolving.

    Zero means that all that is freed is dissolved; with a positive enthalpy heat helps.
    """

    at_150C_mL_g: float
    enthalpy_kJ_mol: float = 0.0

    def __post_init__(self) -> None:
        _require_at_least_zero(self, "at_150C_mL_g")

    def mL_g(self, temperature_C: npt.ArrayLike) -> FloatArray:
        """Return the partition at temperatures, by van 't Hoff [mL/g], same shape."""
        return self.at_150C_mL_g * _arrhenius(temperature_C, -self.enthalpy_kJ_mol)


@dataclass(frozen=True, slots=True)
class Solute:
    """One compound that is extracted (or formed, and then extracted).

    Parameters
    ----------
    name : str
        Its response is called ``NAME_mg_g``.
    content_mg_g : float
        What exhaustive extraction without loss would give [mg/g dry feed].
    fast_share : float
        Share of the content in the fast fraction [-].
    fast, slow : Rate
        How each fraction is freed; for a by-product, how it is formed.
    partition : Partition
        Between solid and water, once freed.
    loss : Rate
        Degradation of freed solute in the hot bed.
    bound_loss_share : float
        Rate at which bound solute is lost, as a share of `loss` [-].
    receiver_C : float or None
        Temperature of the receiver [°C], at which collected solute goes on being lost at the rate
        `loss` has there; None: it is as hot as the bed. In a cold receiver next to nothing is lost.
    """

    name: str
    content_mg_g: float
    fast: Rate
    slow: Rate = Rate(0.0)
    fast_share: float = 1.0
    partition: Partition = Partition(0.0)
    loss: Rate = Rate(0.0)
    bound_loss_share: float = 0.0
    receiver_C: float | None = 20.0

    def __post_init__(self) -> None:
        _require_at_least_zero(self, "content_mg_g", "fast_share", "bound_loss_share")
        if self.fast_share > 1:
            raise ValueError(f"fast_share is {self.fast_share:g}: allowed is 0 to 1")

    @property
    def column(self) -> str:
        return f"{self.name}_mg_g"


@dataclass(frozen=True, slots=True)
class Bed:
    """The packed bed: its water [mL per g dry feed], tanks in series, and when it channels.

    At `channelling_mL_min_g`, cold flow per gram of bed, 63 % of the bed stands still; at a third
    of it 11 %, and never more than 95 %. Infinite: the bed never channels.
    """

    water_mL_g: float
    tanks: int = 4
    channelling_mL_min_g: float = math.inf

    def __post_init__(self) -> None:
        for name in ("water_mL_g", "channelling_mL_min_g"):
            if not getattr(self, name) > 0:
                raise ValueError(f"{name} is {getattr(self, name)}: it has to be above 0")
        if self.tanks < 1:
            raise ValueError(f"tanks is {self.tanks}: a bed has at least 1")

    def standing_share(self, flow_mL_min: FloatArray, mass_g: FloatArray) -> FloatArray:
        """Return the share of the bed that channels leave standing (n,)."""
        standing = -np.expm1(-((flow_mL_min / mass_g / self.channelling_mL_min_g) ** 2))
        return np.asarray(np.minimum(standing, _STANDING_MOST))


@dataclass(frozen=True, slots=True)
class Material:
    """An invented feedstock: its bed, its solutes (the target first), its character in a line."""

    name: str
    character: str
    bed: Bed
    solutes: tuple[Solute, ...]


# ----------------------------------------------------------------------------- noise-free runs


@dataclass(frozen=True, slots=True)
class MassBalance:
    """Where a solute is when the run ends, as shares of its content (n,); they add up to 1."""

    collected: FloatArray
    left_bound: FloatArray
    left_in_bed: FloatArray
    lost_bound: FloatArray
    lost_in_bed: FloatArray
    lost_in_receiver: FloatArray

    @property
    def released(self) -> FloatArray:
        """Share that left its sites, whatever became of it then."""
        return self.collected + self.left_in_bed + self.lost_in_bed + self.lost_in_receiver


def mass_balance(material: Material, conditions: Conditions) -> dict[str, MassBalance]:
    """Return for each solute, by name, where it is when each run ends.

    Parameters
    ----------
    material : Material
    conditions : Conditions
        Flow mode, with pressure, flow and bed mass; every run liquid.

    Raises
    ------
    ValueError
        Batch mode; pressure, flow or bed mass missing; a flow or time that is negative or not
        finite, a bed mass that is not above zero; a rate × time above 10⁸. Water that is not
        liquid (`WaterError`).
    """
    _check(conditions)
    found = {}
    for solute in material.solutes:
        states = np.concatenate(
            [
                _states(solute, material.bed, part, part.time_min[:, None])[:, 0]
                for part in _parts(conditions)
            ]
        )
        found[solute.name] = MassBalance(
            collected=states[:, _COLLECTED],
            left_bound=states[:, _FAST] + states[:, _SLOW],
            left_in_bed=states[:, _STAGNANT] + states[:, _TANKS:].sum(axis=1),
            lost_bound=states[:, _LOST_PARTICLE],
            lost_in_bed=states[:, _LOST_BED],
            lost_in_receiver=states[:, _LOST_RECEIVER],
        )
    return found


def true_responses(material: Material, conditions: Conditions) -> dict[str, FloatArray]:
    """Return what each run collects of each solute [mg/g dry feed], without noise (n,).

    The keys are the solutes' columns, ``target_mg_g`` and so on. Parameters and errors are those
    of `mass_balance`.
    """
    balances = mass_balance(material, conditions)
    return {s.column: s.content_mg_g * balances[s.name].collected for s in material.solutes}


def extraction_curve(
    material: Material, conditions: Conditions, samples: int
) -> dict[str, FloatArray]:
    """Return what is in the receiver at equally spaced times of each run [mg/g] (n, samples).

    Column j stands for the time (j + 1)/samples of the run; the last is the run's end. Otherwise
    as `true_responses`.
    """
    _check(conditions)
    if samples < 1:
        raise ValueError(f"samples is {samples}: a curve has at least 1")
    shares = np.arange(1, samples + 1) / samples
    return {
        solute.column: solute.content_mg_g
        * np.concatenate(
            [
                _states(solute, material.bed, part, shares * part.time_min[:, None])
                for part in _parts(conditions)
            ]
        )[:, :, _COLLECTED]
        for solute in material.solutes
    }


def timed_portions(
    material: Material, conditions: Conditions, start_min: FloatArray, end_min: FloatArray
) -> dict[str, FloatArray]:
    """Return what leaves the bed between given minutes of each run [mg/g] (n, m), without noise.

    That is what a portion caught cold in these minutes holds: nothing of it is lost in a receiver.
    Otherwise as `true_responses`, whatever the run's time.

    Raises
    ------
    ValueError
        A start below 0 min, or an end before its start; else as `mass_balance`.
    """
    _check(conditions)
    start, end = (np.asarray(minutes, dtype=np.float64) for minutes in (start_min, end_min))
    if start.shape != end.shape or start.ndim != 2 or len(start) != len(conditions.temperature_C):
        raise ValueError("start_min and end_min need a row for each run, as long as each other")
    if not (start >= 0).all() or not (end >= start).all():
        raise ValueError("a portion begins at 0 min or later and ends after it begins")
    both = np.concatenate([start, end], axis=1)
    order = np.argsort(both, axis=1, kind="stable")
    found = {}
    for solute in material.solutes:
        states = _states(solute, material.bed, conditions, np.take_along_axis(both, order, axis=1))
        left = np.empty_like(both)
        gone = states[:, :, _COLLECTED] + states[:, :, _LOST_RECEIVER]
        np.put_along_axis(left, order, gone, axis=1)
        found[solute.column] = solute.content_mg_g * (
            left[:, start.shape[1] :] - left[:, : start.shape[1]]
        )
    return found


# ----------------------------------------------------------------------------- runs as a lab has


@dataclass(frozen=True, slots=True)
class Noise:
    """Scatter of a response: relative SD from run to run and day to day [-], SD at zero [mg/g].

    The defaults are the trade's planning values for a bench rig (3 to 8 % from run to run, common
    practice).
    """

    run_relative_sd: float = 0.04
    floor_sd_mg_g: float = 0.02
    day_relative_sd: float = 0.02

    def __post_init__(self) -> None:
        _require_at_least_zero(self, "run_relative_sd", "floor_sd_mg_g", "day_relative_sd")


@dataclass(frozen=True, slots=True)
class Control:
    """How closely the invented rig keeps its settings: SDs of the achieved mean of a run.

    A deviation is never more than 2.5 SD. Pressure deviates by its own swing, whatever the flow.
    """

    temperature_sd_K: float = 0.8
    pressure_sd_bar: float = 0.6
    flow_relative_sd: float = 0.015
    time_sd_min: float = 0.1
    bed_mass_relative_sd: float = 0.002

    def __post_init__(self) -> None:
        _require_at_least_zero(
            self,
            "temperature_sd_K",
            "pressure_sd_bar",
            "flow_relative_sd",
            "time_sd_min",
            "bed_mass_relative_sd",
        )


def play(
    material: Material,
    conditions: Conditions,
    days: Sequence[object] | npt.NDArray[np.generic],
    noise: Noise | Mapping[str, Noise],
    generator: np.random.Generator,
) -> dict[str, FloatArray]:
    """Return what the invented lab measures for each run [mg/g dry feed] (n,).

    Parameters
    ----------
    material : Material
    conditions : Conditions
        What the rig really did (see `achieved`).
    days : sequence of n
        Day of each run: numbers, dates or labels that can be ordered. Runs of one day share a
        deviation, drawn anew for each response and for each call; play a whole day in one call.
    noise : Noise or mapping of column to Noise
        For all responses, or for each.
    generator : numpy.random.Generator

    Notes
    -----
    measured = true (1 + day)(1 + run) + floor, all three normal, and cut off at zero: a value near
    zero is therefore biased upwards, as it is where a lab writes zero for less than nothing.
    """
    truth = true_responses(material, conditions)
    names, day_of_run = np.unique(np.asarray(days), return_inverse=True)
    runs = len(conditions.temperature_C)
    if day_of_run.shape != (runs,):
        raise ValueError(f"{day_of_run.size} days for {runs} runs: each run needs its day")
    measured = {}
    for column, values in truth.items():
        scatter = noise if isinstance(noise, Noise) else noise[column]
        day = 1 + scatter.day_relative_sd * generator.standard_normal(len(names))
        run = 1 + scatter.run_relative_sd * generator.standard_normal(runs)
        floor = scatter.floor_sd_mg_g * generator.standard_normal(runs)
        measured[column] = np.maximum(values * day[day_of_run] * run + floor, 0.0)
    return measured


def achieved(
    planned: Conditions,
    generator: np.random.Generator,
    control: Control = Control(),
) -> Conditions:
    """Return the settings as the invented rig reaches them; what is None stays None.

    No flow, time or bed mass becomes negative. Temperature and pressure are not kept from boiling:
    that is for the margins of the plan.
    """

    def deviation() -> FloatArray:
        drawn = generator.standard_normal(len(planned.temperature_C))
        return np.asarray(np.clip(drawn, -2.5, 2.5))

    def scaled(values: FloatArray | None, relative_sd: float) -> FloatArray | None:
        share = np.maximum(1 + relative_sd * deviation(), 0.0)
        return None if values is None else values * share

    temperature = planned.temperature_C + control.temperature_sd_K * deviation()
    swing = control.pressure_sd_bar * deviation()
    time = np.maximum(planned.time_min + control.time_sd_min * deviation(), 0.0)
    return replace(
        planned,
        temperature_C=temperature,
        pressure_bara=None if planned.pressure_bara is None else planned.pressure_bara + swing,
        time_min=time,
        flow_mL_min=scaled(planned.flow_mL_min, control.flow_relative_sd),
        bed_mass_g=scaled(planned.bed_mass_g, control.bed_mass_relative_sd),
    )


# ----------------------------------------------------------------------------- kernels


def _arrhenius(temperature_C: npt.ArrayLike, energy_kJ_mol: float) -> FloatArray:
    """Return exp[−(E/R)(1/T − 1/T_ref)]."""
    T = np.asarray(temperature_C, dtype=np.float64) + _ZERO_C_K
    reference = REFERENCE_C + _ZERO_C_K
    return np.asarray(np.exp(-energy_kJ_mol / _GAS_CONSTANT * (1 / T - 1 / reference)))


def _states(solute: Solute, bed: Bed, conditions: Conditions, minutes: FloatArray) -> FloatArray:
    """Return the state at rising minutes (n, m) of each run (n, m, states), shares of content.

    `conditions` have been checked.
    """
    rates = _rate_matrices(solute, bed, conditions)
    lengths = np.diff(minutes, axis=1, prepend=0.0)
    even = minutes.shape[1] and np.allclose(lengths, lengths[:, :1], rtol=1e-12, atol=0.0)
    state = np.zeros((len(rates), rates.shape[1], 1))
    state[:, _FAST] = solute.fast_share
    state[:, _SLOW] = 1 - solute.fast_share
    found = []
    for i, length in enumerate(lengths.T):
        if i == 0 or not even:
            step = _exponentials(rates * length[:, None, None])
        state = step @ state
        found.append(state[:, :, 0])
    return np.stack(found, axis=1)


def _rate_matrices(solute: Solute, bed: Bed, conditions: Conditions) -> FloatArray:
    """Return the matrices M of dx/dt = M x [1/min] (n, states, states); columns add up to zero.

    Bound solute is spread evenly over the bed, and all of it sees one temperature: so one state
    for each fraction serves all tanks.
    """
    T, P = conditions.temperature_C, conditions.pressure_bara
    flow, mass = conditions.flow_mL_min, conditions.bed_mass_g
    assert P is not None
    assert flow is not None
    assert mass is not None
    loss = solute.loss.per_min(T)
    receiver = T if solute.receiver_C is None else np.full_like(T, solute.receiver_C)
    hot = flow * water.liquid_density_kg_m3(_PUMP_C, P) / water.liquid_density_kg_m3(T, P)
    standing = bed.standing_share(flow, mass)
    moving = 1 - standing
    # The whole flow goes through the share of the bed that moves.
    onward = bed.tanks * hot / (moving * mass * (bed.water_mL_g + solute.partition.mL_g(T)))

    size = _TANKS + bed.tanks
    M = np.zeros((len(T), size, size))
    tanks = range(_TANKS, size)
    for site, rate in ((_FAST, solute.fast.per_min(T)), (_SLOW, solute.slow.per_min(T))):
        M[:, _STAGNANT, site] = standing * rate
        M[:, _TANKS:, site] = (moving * rate / bed.tanks)[:, None]
        M[:, _LOST_PARTICLE, site] = solute.bound_loss_share * loss
    M[:, _LOST_BED, _STAGNANT] = loss
    for tank in tanks:
        M[:, _LOST_BED, tank] = loss
        M[:, tank + 1 if tank + 1 < size else _COLLECTED, tank] = onward
    M[:, _LOST_RECEIVER, _COLLECTED] = solute.loss.per_min(receiver)
    diagonal = np.arange(size)
    M[:, diagonal, diagonal] = -M.sum(axis=1)
    return M


def _exponentials(M: FloatArray) -> FloatArray:
    """Return exp(M) of matrices with nothing negative off the diagonal (n, s, s).

    exp(M) = e^(−λ) exp(M + λI) with λ the largest |diagonal|: every term of the series and every
    square then adds up numbers of one sign, so that nothing cancels and nothing turns negative.
    """
    shift = -np.min(np.diagonal(M, axis1=1, axis2=2), axis=1)
    if not shift.max(initial=0.0) <= _FASTEST:
        raise ValueError(f"rate × time reaches {shift.max():.3g}: allowed is up to {_FASTEST:g}")
    squarings = max(0, math.ceil(math.log2(max(float(shift.max(initial=0.0)), 1.0))))
    part = shift[:, None, None] / 2**squarings
    unit = np.eye(M.shape[1])
    positive = M / 2**squarings + part * unit
    term = np.broadcast_to(unit, M.shape)
    total = term.copy()
    for order in range(1, _TERMS + 1):
        term = term @ positive / order
        total += term
    total *= np.exp(-part)
    for _ in range(squarings):
        total = total @ total
    return total


def _parts(conditions: Conditions) -> Iterator[Conditions]:
    """Yield checked conditions, so many runs at a time as memory takes."""
    runs = len(conditions.temperature_C)
    for first in range(0, max(runs, 1), _AT_ONCE):
        rows = slice(first, first + _AT_ONCE)
        yield replace(
            conditions,
            temperature_C=_rows(conditions.temperature_C)[rows],
            time_min=_rows(conditions.time_min)[rows],
            pressure_bara=_rows(conditions.pressure_bara)[rows],
            flow_mL_min=_rows(conditions.flow_mL_min)[rows],
            bed_mass_g=_rows(conditions.bed_mass_g)[rows],
        )


def _rows(values: FloatArray | None) -> FloatArray:
    return np.asarray(values, dtype=np.float64)


# ----------------------------------------------------------------------------- checks


def _check(conditions: Conditions) -> None:
    """Raise ValueError for conditions that are not n liquid flow runs with all they need."""
    if conditions.mode != "flow":
        raise ValueError("the simulated lab knows flow mode only")
    runs = len(conditions.temperature_C)
    for name in ("temperature_C", "time_min", "pressure_bara", "flow_mL_min", "bed_mass_g"):
        values = getattr(conditions, name)
        if values is None:
            raise ValueError(f"{name} is missing: the simulated lab cannot do without it")
        if np.shape(values) != (runs,):
            raise ValueError(f"{name} has shape {np.shape(values)}: expected ({runs},)")
        lowest = -math.inf if name == "temperature_C" else 0.0
        bad = ~(np.isfinite(values) & (np.asarray(values) >= lowest))
        if name == "bed_mass_g":
            bad |= np.asarray(values) == 0
        if bad.any():
            i = int(np.argmax(bad))
            raise ValueError(f"{name}[{i}] is {values[i]}: a run cannot have that")


# ----------------------------------------------------------------------------- invented materials

# Between 160 and 180 °C HMF rose 7-fold from artichoke leaf and 26-fold from lemon peel in 5 min
# (Food Sci Biotechnol 2018, 27:981-986); first order, 165 kJ/mol gives about 7.5-fold.
_BY_PRODUCT = Solute("by_product", 60.0, fast=Rate(2.0e-4, 165.0))

INTERIOR = Material(
    "interior",
    "Invented. A labile pigment, collected warm: its best temperature, flow and time all lie "
    "inside the usual range.",
    Bed(water_mL_g=2.5, channelling_mL_min_g=1.2),
    (
        Solute(
            "target",
            content_mg_g=12.0,
            fast=Rate(0.25, 60.0),
            slow=Rate(0.05, 80.0),
            fast_share=0.75,
            partition=Partition(1.5, 25.0),
            loss=Rate(0.06, 60.0),
            bound_loss_share=0.3,
            receiver_C=95.0,
        ),
        _BY_PRODUCT,
    ),
)

BOUNDARY = Material(
    "boundary",
    "Invented. A sturdy compound, slow to come loose and held by the solid: the hotter, faster "
    "and longer, the better, as far as the rig goes.",
    Bed(water_mL_g=2.5),
    (
        Solute(
            "target",
            content_mg_g=30.0,
            fast=Rate(0.015, 70.0),
            slow=Rate(0.002, 90.0),
            fast_share=0.7,
            partition=Partition(12.0, 30.0),
        ),
        _BY_PRODUCT,
    ),
)

PLATEAU = Material(
    "plateau",
    "Invented. Easily freed and sturdy: once warm enough and long enough, nothing matters much.",
    Bed(water_mL_g=2.0),
    (
        Solute(
            "target",
            content_mg_g=20.0,
            fast=Rate(0.8, 50.0),
            slow=Rate(0.25, 60.0),
            fast_share=0.8,
            partition=Partition(0.4, 15.0),
            loss=Rate(2.0e-4, 100.0),
        ),
        _BY_PRODUCT,
    ),
)

SEVERITY_RIDGE = Material(
    "severity ridge",
    "Invented. Freed and lost with the activation energy behind the severity factor, and kept hot "
    "in the receiver: hotter and shorter gives the same, along a curved ridge.",
    Bed(water_mL_g=0.8),
    (
        Solute(
            "target",
            content_mg_g=15.0,
            fast=Rate(0.06, 106.0),
            loss=Rate(0.015, 106.0),
            receiver_C=None,
        ),
        _BY_PRODUCT,
    ),
)

CONFLICT = Material(
    "conflict",
    "Invented. Heat frees more of the target, and makes far more of the by-product.",
    Bed(water_mL_g=2.5, channelling_mL_min_g=2.5),
    (
        Solute(
            "target",
            content_mg_g=18.0,
            fast=Rate(0.12, 55.0),
            slow=Rate(0.01, 85.0),
            fast_share=0.4,
            partition=Partition(4.0, 25.0),
            loss=Rate(2.0e-3, 100.0),
            bound_loss_share=0.2,
        ),
        replace(_BY_PRODUCT, fast=Rate(1.0e-3, 150.0)),
    ),
)

MATERIALS: Mapping[str, Material] = {
    material.name: material for material in (INTERIOR, BOUNDARY, PLATEAU, SEVERITY_RIDGE, CONFLICT)
}
"""The invented materials by name."""
