"""Properties of liquid water and its saturation line: the only room that knows the steam tables.

Arrays in, arrays out: arguments broadcast against each other, and what comes back is a float64
array of the broadcast shape (of shape ``()`` for scalars). Temperatures are in °C, pressures in
bar absolute. Phase, density and caloric properties all come from one formulation, IAPWS-IF97
(region 1 for the liquid, region 4 for saturation, region 2 for saturated vapour) [1]_; transport
and solvent properties are taken at the IF97 density.

Validity: 0 to 350 °C, from the saturation pressure to 1000 bara. IF97 region 1 goes no further
than 350 °C; nearer the critical point liquid properties become steep and formulations differ.
Whatever is not a number, lies outside, or is not liquid is refused with `WaterError`. Two edges:

* 0 °C is taken as liquid although it lies 0.01 K below the triple point, as IF97 does.
* Water at its saturation pressure is liquid. A pressure below it by no more than one part in 10⁹
  (rounding) counts as saturated.

Notes
-----
The tables are called once per element: a call takes about 0.1 µs, so that 100,000 settings cost
some 20 ms, no more than the same polynomials written out in numpy. What was found last is
remembered, bit by bit of the arguments.

References
----------
.. [1] IAPWS R7-97(2012), Industrial Formulation 1997 for the Thermodynamic Properties of Water
   and Steam.
.. [2] IAPWS R12-08, Formulation 2008 for the Viscosity of Ordinary Water Substance.
.. [3] IAPWS R8-97, Static Dielectric Constant of Ordinary Water Substance.
.. [4] IAPWS R11-24, Ionization Constant of H2O.
.. [5] IAPWS R1-76(2014), Surface Tension of Ordinary Water Substance.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import lru_cache
from itertools import repeat
from typing import TypeAlias

import numpy as np
import numpy.typing as npt
import seuif97

__all__ = [
    "ATMOSPHERIC_PRESSURE_BARA",
    "WATER_PRESSURE_MAX_BARA",
    "WATER_TEMPERATURE_MAX_C",
    "WATER_TEMPERATURE_MIN_C",
    "WaterError",
    "flash_fraction",
    "ion_product_pKw",
    "liquid_density_kg_m3",
    "liquid_enthalpy_kJ_kg",
    "liquid_heat_capacity_kJ_kgK",
    "liquid_viscosity_mPas",
    "max_cold_fill_fraction",
    "pressure_after_heating_bara",
    "relative_permittivity",
    "saturated_liquid_density_kg_m3",
    "saturated_vapour_density_kg_m3",
    "saturation_pressure_bara",
    "saturation_temperature_C",
    "surface_tension_mN_m",
    "temperature_at_pressure_C",
    "thermal_pressure_coefficient_bar_K",
]

Array: TypeAlias = npt.NDArray[np.float64]

WATER_TEMPERATURE_MIN_C = 0.0
WATER_TEMPERATURE_MAX_C = 350.0
WATER_PRESSURE_MAX_BARA = 1000.0
ATMOSPHERIC_PRESSURE_BARA = 1.01325

_BAR_PER_MPA = 10.0
_SATURATION_SLACK = 1e-9
_DENSITY_SLACK = 1e-11  # rounding only: less than a millionth of a bar

# What the steam tables call each property.
_PRESSURE, _TEMPERATURE, _DENSITY, _ENTHALPY, _HEAT_CAPACITY = 0, 1, 2, 4, 8
_EXPANSION, _COMPRESSIBILITY, _PRESSURE_COEFFICIENT = 17, 18, 21
_VISCOSITY, _SURFACE_TENSION, _PERMITTIVITY = 24, 29, 30
_LIQUID, _VAPOUR = 0.0, 1.0
_TABLE_FAILURE = -999.0  # the tables answer −1000 or less where they have no value


class WaterError(ValueError):
    """A state that water cannot have here: which argument, which element, its value, what may be.

    Attributes
    ----------
    quantity : str
        Name of the argument, with its unit.
    index : tuple of int
        Place of the first offending element in the broadcast arguments; empty for scalars.
    value : float
        What was given there.
    allowed : str
        What would have been accepted, or why this is not.
    """

    def __init__(self, quantity: str, index: tuple[int, ...], value: float, allowed: str) -> None:
        super().__init__(quantity, index, value, allowed)
        self.quantity = quantity
        self.index = index
        self.value = value
        self.allowed = allowed

    def __str__(self) -> str:
        place = f"[{', '.join(map(str, self.index))}]" if self.index else ""
        return f"{self.quantity}{place} is {self.value:.9g}: {self.allowed}."


# ---------------------------------------------------------------------------------- saturation


def saturation_pressure_bara(temperature_C: npt.ArrayLike) -> Array:
    """Return the pressure at which water boils.

    Parameters
    ----------
    temperature_C : array_like
        Temperature [°C], 0 to 350.

    Returns
    -------
    ndarray
        Saturation pressure [bara], shape of `temperature_C`.

    Raises
    ------
    WaterError
        Not a number, or outside 0 to 350 °C.

    Notes
    -----
    IF97 region 4, Eq. 30: a quadratic in the fourth root of pressure; valid 0 to 373.946 °C [1]_.

    References
    ----------
    .. [1] IAPWS R7-97(2012), section 8.1, Table 35.
    """
    return _saturation_pressure(_checked_temperature(temperature_C))


def saturation_temperature_C(pressure_bara: npt.ArrayLike) -> Array:
    """Return the temperature at which water boils.

    Parameters
    ----------
    pressure_bara : array_like
        Pressure [bara], 0.006112 to 165.29 (saturation at 0 and at 350 °C).

    Returns
    -------
    ndarray
        Saturation temperature [°C], shape of `pressure_bara`.

    Raises
    ------
    WaterError
        Not a number, or outside the saturation pressures of 0 to 350 °C.

    Notes
    -----
    IF97 region 4, Eq. 31: the same quadratic solved for temperature, hence the exact inverse of
    `saturation_pressure_bara` [1]_.

    References
    ----------
    .. [1] IAPWS R7-97(2012), section 8.2, Table 36.
    """
    return _saturation_temperature(_checked_saturation_pressure("pressure_bara", pressure_bara))


def saturated_liquid_density_kg_m3(temperature_C: npt.ArrayLike) -> Array:
    """Return the density of liquid at its saturation pressure.

    Parameters
    ----------
    temperature_C : array_like
        Temperature [°C], 0 to 350.

    Returns
    -------
    ndarray
        Density of saturated liquid [kg/m³], shape of `temperature_C`.

    Raises
    ------
    WaterError
        Not a number, or outside 0 to 350 °C.

    Notes
    -----
    IF97 region 1 at the pressure of region 4 [1]_.

    References
    ----------
    .. [1] IAPWS R7-97(2012), sections 5.1 and 8.1.
    """
    return _saturated(_checked_temperature(temperature_C), _LIQUID, _DENSITY)


def saturated_vapour_density_kg_m3(temperature_C: npt.ArrayLike) -> Array:
    """Return the density of vapour at its saturation pressure.

    Parameters
    ----------
    temperature_C : array_like
        Temperature [°C], 0 to 350.

    Returns
    -------
    ndarray
        Density of saturated vapour [kg/m³], shape of `temperature_C`.

    Raises
    ------
    WaterError
        Not a number, or outside 0 to 350 °C.

    Notes
    -----
    IF97 region 2 at the pressure of region 4 [1]_.

    References
    ----------
    .. [1] IAPWS R7-97(2012), sections 6.1 and 8.1.
    """
    return _saturated(_checked_temperature(temperature_C), _VAPOUR, _DENSITY)


def surface_tension_mN_m(temperature_C: npt.ArrayLike) -> Array:
    """Return the surface tension of water against its vapour.

    Parameters
    ----------
    temperature_C : array_like
        Temperature [°C], 0 to 350.

    Returns
    -------
    ndarray
        Surface tension [mN/m], shape of `temperature_C`.

    Raises
    ------
    WaterError
        Not a number, or outside 0 to 350 °C.

    Notes
    -----
    σ = 235.8 τ^1.256 (1 − 0.625 τ) mN/m with τ = 1 − T/647.096 K; valid along the saturation line
    from 0.01 to 373.946 °C [1]_.

    References
    ----------
    .. [1] IAPWS R1-76(2014), Eq. 1, Table 1.
    """
    T = _checked_temperature(temperature_C)
    return np.asarray(1e3 * _saturated(T, _LIQUID, _SURFACE_TENSION))


# -------------------------------------------------------------------------------------- liquid


def liquid_density_kg_m3(temperature_C: npt.ArrayLike, pressure_bara: npt.ArrayLike) -> Array:
    """Return the density of liquid water.

    Parameters
    ----------
    temperature_C : array_like
        Temperature [°C], 0 to 350.
    pressure_bara : array_like
        Pressure [bara], from saturation to 1000.

    Returns
    -------
    ndarray
        Density [kg/m³], broadcast shape.

    Raises
    ------
    WaterError
        Not a number, outside the range, or not liquid.

    Notes
    -----
    IF97 region 1: v = (∂g/∂p)_T of Eq. 7 [1]_.

    References
    ----------
    .. [1] IAPWS R7-97(2012), section 5.1, Tables 3 and 5.
    """
    return _liquid(*_checked_liquid(temperature_C, pressure_bara), _DENSITY)


def liquid_enthalpy_kJ_kg(temperature_C: npt.ArrayLike, pressure_bara: npt.ArrayLike) -> Array:
    """Return the specific enthalpy of liquid water.

    Parameters
    ----------
    temperature_C : array_like
        Temperature [°C], 0 to 350.
    pressure_bara : array_like
        Pressure [bara], from saturation to 1000.

    Returns
    -------
    ndarray
        Specific enthalpy [kJ/kg], broadcast shape. Its zero is all but that of the saturated
        liquid at the triple point (0.000612 kJ/kg there); only differences mean anything.

    Raises
    ------
    WaterError
        Not a number, outside the range, or not liquid.

    Notes
    -----
    IF97 region 1: h = g − T (∂g/∂T)_p of Eq. 7 [1]_.

    References
    ----------
    .. [1] IAPWS R7-97(2012), section 5.1, Tables 3 and 5.
    """
    return _liquid(*_checked_liquid(temperature_C, pressure_bara), _ENTHALPY)


def liquid_heat_capacity_kJ_kgK(
    temperature_C: npt.ArrayLike, pressure_bara: npt.ArrayLike
) -> Array:
    """Return the isobaric heat capacity of liquid water.

    Parameters
    ----------
    temperature_C : array_like
        Temperature [°C], 0 to 350.
    pressure_bara : array_like
        Pressure [bara], from saturation to 1000.

    Returns
    -------
    ndarray
        Specific heat capacity at constant pressure [kJ/(kg K)], broadcast shape.

    Raises
    ------
    WaterError
        Not a number, outside the range, or not liquid.

    Notes
    -----
    IF97 region 1: c_p = −T (∂²g/∂T²)_p of Eq. 7 [1]_.

    References
    ----------
    .. [1] IAPWS R7-97(2012), section 5.1, Tables 3 and 5.
    """
    return _liquid(*_checked_liquid(temperature_C, pressure_bara), _HEAT_CAPACITY)


def liquid_viscosity_mPas(temperature_C: npt.ArrayLike, pressure_bara: npt.ArrayLike) -> Array:
    """Return the dynamic viscosity of liquid water.

    Parameters
    ----------
    temperature_C : array_like
        Temperature [°C], 0 to 350.
    pressure_bara : array_like
        Pressure [bara], from saturation to 1000.

    Returns
    -------
    ndarray
        Dynamic viscosity [mPa s], broadcast shape.

    Raises
    ------
    WaterError
        Not a number, outside the range, or not liquid.

    Notes
    -----
    Eq. 10 at the IF97 density, without the critical enhancement (μ₂ = 1, as the release lays down
    for industrial use); the release covers this whole region [1]_.

    References
    ----------
    .. [1] IAPWS R12-08, Eq. 10 and its recommendation for industrial use, Table 4.
    """
    T, P = _checked_liquid(temperature_C, pressure_bara)
    return np.asarray(1e3 * _liquid(T, P, _VISCOSITY))


def relative_permittivity(temperature_C: npt.ArrayLike, pressure_bara: npt.ArrayLike) -> Array:
    """Return the static relative permittivity (dielectric constant) of liquid water.

    Parameters
    ----------
    temperature_C : array_like
        Temperature [°C], 0 to 350.
    pressure_bara : array_like
        Pressure [bara], from saturation to 1000.

    Returns
    -------
    ndarray
        Relative permittivity [-], broadcast shape.

    Raises
    ------
    WaterError
        Not a number, outside the range, or not liquid.

    Notes
    -----
    Correlation of the Harris–Alder g-factor in density and temperature, at the IF97 density; the
    release (238 to 873 K, to hundreds of MPa) covers this whole region [1]_.

    References
    ----------
    .. [1] IAPWS R8-97, section 2, Table 4.
    """
    return _liquid(*_checked_liquid(temperature_C, pressure_bara), _PERMITTIVITY)


def ion_product_pKw(temperature_C: npt.ArrayLike, pressure_bara: npt.ArrayLike) -> Array:
    """Return the negative decimal logarithm of the ion product of liquid water.

    Parameters
    ----------
    temperature_C : array_like
        Temperature [°C], 0 to 350.
    pressure_bara : array_like
        Pressure [bara], from saturation to 1000.

    Returns
    -------
    ndarray
        pKw [-] on the molality scale, broadcast shape. Neutral water has pH = pKw/2.

    Raises
    ------
    WaterError
        Not a number, outside the range, or not liquid.

    Notes
    -----
    The release's equation at the IF97 density ρ (in g/cm³), T in K:
    pKw = −2n [log₁₀(1 + Q) − Q/(Q + 1) ρ (β₀ + β₁/T + β₂ρ)] + pKw,gas + 2 log₁₀(M/1000),
    Q = ρ exp(α₀ + α₁/T + α₂ ρ^⅔/T²), pKw,gas = γ₀ + γ₁/T + γ₂/T² + γ₃/T³, n = 6,
    M = 18.015268 g/mol. The release covers this whole region [1]_.

    References
    ----------
    .. [1] IAPWS R11-24, Tables 1 to 3.
    """
    T, P = _checked_liquid(temperature_C, pressure_bara)
    return _ion_product(T + 273.15, 1e-3 * _liquid(T, P, _DENSITY))


# --------------------------------------------------------------------- liquid in a closed volume


def thermal_pressure_coefficient_bar_K(
    temperature_C: npt.ArrayLike, pressure_bara: npt.ArrayLike
) -> Array:
    """Return how fast the pressure of liquid rises on heating at constant density.

    Parameters
    ----------
    temperature_C : array_like
        Temperature [°C], 0 to 350.
    pressure_bara : array_like
        Pressure [bara], from saturation to 1000.

    Returns
    -------
    ndarray
        (∂p/∂T) at constant density [bar/K], broadcast shape. Negative below the temperature of
        greatest density (4 °C at 1 bara).

    Raises
    ------
    WaterError
        Not a number, outside the range, or not liquid.

    Notes
    -----
    Isobaric expansion over isothermal compressibility, both from IF97 region 1 [1]_. It is the
    slope in a rigid volume; a real vessel, its tubing and any gas in it give way a little, so the
    true rise is smaller. For more than 1 K use `pressure_after_heating_bara`.

    References
    ----------
    .. [1] IAPWS R7-97(2012), section 5.1, Table 3.
    """
    T, P = _checked_liquid(temperature_C, pressure_bara)
    return np.asarray(_BAR_PER_MPA * _liquid(T, P, _PRESSURE_COEFFICIENT))


def pressure_after_heating_bara(
    temperature_before_C: npt.ArrayLike,
    pressure_before_bara: npt.ArrayLike,
    temperature_after_C: npt.ArrayLike,
) -> Array:
    """Return the pressure of a rigid closed volume full of liquid after its temperature changed.

    Parameters
    ----------
    temperature_before_C : array_like
        Temperature when the volume was shut [°C], 0 to 350.
    pressure_before_bara : array_like
        Pressure when the volume was shut [bara], from saturation to 1000.
    temperature_after_C : array_like
        Temperature afterwards [°C], 0 to 350.

    Returns
    -------
    ndarray
        Pressure afterwards [bara], broadcast shape.

    Raises
    ------
    WaterError
        Not a number or outside the range; not liquid when shut; above 1000 bara afterwards (the
        text says at which temperature 1000 bara is reached); or no longer full of liquid, because
        the water contracted down to its saturation pressure.

    Notes
    -----
    Solves ρ(T₁, P₁) = ρ(T₀, P₀) with IF97 region 1 [1]_. Rigid walls, no gas: an upper bound for
    a real vessel.

    References
    ----------
    .. [1] IAPWS R7-97(2012), section 5.1.
    """
    T0, P0, T1 = np.broadcast_arrays(
        _floats(temperature_before_C), _floats(pressure_before_bara), _floats(temperature_after_C)
    )
    T0, P0 = _checked_liquid(T0, P0, "temperature_before_C", "pressure_before_bara")
    T1 = _checked_temperature(T1, "temperature_after_C")
    density = _liquid(T0, P0, _DENSITY)

    def parted(place: tuple[int, ...]) -> str:
        return (
            f"closed at {T0[place]:.6g} °C and {P0[place]:.6g} bara, the water would no longer "
            "fill the volume as liquid there"
        )

    def beyond(place: tuple[int, ...]) -> str:
        ceiling = np.asarray(WATER_PRESSURE_MAX_BARA)
        limit = _temperature_at_density(T0[place], P0[place], ceiling, density[place])
        return (
            f"closed at {T0[place]:.6g} °C and {P0[place]:.6g} bara, the water reaches "
            f"{WATER_PRESSURE_MAX_BARA:g} bara at {limit:.6g} °C, and pressures are allowed up to "
            "that"
        )

    loosest = _saturated(T1, _LIQUID, _DENSITY) * (1 - _DENSITY_SLACK)
    densest = _liquid(T1, np.full_like(T1, WATER_PRESSURE_MAX_BARA), _DENSITY)
    _refuse("temperature_after_C", T1, density < loosest, parted)
    _refuse("temperature_after_C", T1, density > densest * (1 + _DENSITY_SLACK), beyond)
    slope = _BAR_PER_MPA * _liquid(T0, P0, _PRESSURE_COEFFICIENT)
    return _pressure_at_density(T1, density, P0 + slope * (T1 - T0))


def temperature_at_pressure_C(
    temperature_before_C: npt.ArrayLike,
    pressure_before_bara: npt.ArrayLike,
    pressure_after_bara: npt.ArrayLike,
) -> Array:
    """Return the temperature at which a rigid closed volume full of liquid reaches a pressure.

    Parameters
    ----------
    temperature_before_C : array_like
        Temperature when the volume was shut [°C], 0 to 350.
    pressure_before_bara : array_like
        Pressure when the volume was shut [bara], from saturation to 1000.
    pressure_after_bara : array_like
        Pressure to be reached by heating [bara], from `pressure_before_bara` to 1000.

    Returns
    -------
    ndarray
        Temperature at which it is reached [°C], broadcast shape; the difference from
        `temperature_before_C` is the heating that, say, a relief's opening pressure leaves.

    Raises
    ------
    WaterError
        Not a number or outside the range; not liquid when shut; a pressure below the one when
        shut; or one not reached up to 350 °C (the text says what is).

    Notes
    -----
    Solves ρ(T₁, P₁) = ρ(T₀, P₀) for T₁ ≥ T₀ with IF97 region 1 [1]_: the inverse of
    `pressure_after_heating_bara`. Rigid walls, no gas: a real vessel reaches the pressure later.

    References
    ----------
    .. [1] IAPWS R7-97(2012), section 5.1.
    """
    T0, P0, P1 = np.broadcast_arrays(
        _floats(temperature_before_C), _floats(pressure_before_bara), _floats(pressure_after_bara)
    )
    T0, P0 = _checked_liquid(T0, P0, "temperature_before_C", "pressure_before_bara")
    _refuse(
        "pressure_after_bara",
        P1,
        _outside(P1, P0, WATER_PRESSURE_MAX_BARA),
        lambda place: (
            f"heating takes the pressure from {P0[place]:.6g} bara (when shut) up to "
            f"{WATER_PRESSURE_MAX_BARA:g} bara"
        ),
    )
    density = _liquid(T0, P0, _DENSITY)

    def unreached(place: tuple[int, ...]) -> str:
        hottest = np.asarray(WATER_TEMPERATURE_MAX_C)
        limit = _pressure_at_density(hottest, density[place], P1[place])
        return (
            f"closed at {T0[place]:.6g} °C and {P0[place]:.6g} bara, the water reaches "
            f"{limit:.6g} bara at {WATER_TEMPERATURE_MAX_C:g} °C, and temperatures are allowed up "
            "to that"
        )

    loosest = _liquid(_hottest_liquid(P1), P1, _DENSITY) * (1 - _DENSITY_SLACK)
    _refuse("pressure_after_bara", P1, density < loosest, unreached)
    return _temperature_at_density(T0, P0, P1, density)


# ----------------------------------------------------------------------- let-down and cold fill


def flash_fraction(
    temperature_C: npt.ArrayLike,
    pressure_bara: npt.ArrayLike,
    outlet_bara: npt.ArrayLike = ATMOSPHERIC_PRESSURE_BARA,
) -> Array:
    """Return the mass share of hot liquid that turns to steam when it is let down.

    Parameters
    ----------
    temperature_C : array_like
        Temperature before the let-down [°C], 0 to 350.
    pressure_bara : array_like
        Pressure before the let-down [bara], from saturation to 1000.
    outlet_bara : array_like
        Pressure behind the let-down [bara], from 0.006112 to 165.29 and not above
        `pressure_bara`; one standard atmosphere unless given.

    Returns
    -------
    ndarray
        Mass of steam per mass of liquid [-], broadcast shape; 0 where nothing flashes.

    Raises
    ------
    WaterError
        Not a number, outside the range, not liquid, or an outlet pressure above the inlet's.

    Notes
    -----
    Isenthalpic: x = (h(T, P) − h′)/(h″ − h′) with h′, h″ of saturated liquid and vapour at the
    outlet; IF97 regions 1, 2 and 4 [1]_.

    References
    ----------
    .. [1] IAPWS R7-97(2012), sections 5.1, 6.1 and 8.
    """
    T, P, outlet = np.broadcast_arrays(
        _floats(temperature_C), _floats(pressure_bara), _floats(outlet_bara)
    )
    T, P = _checked_liquid(T, P)
    _refuse(
        "outlet_bara",
        outlet,
        outlet > P,
        lambda place: f"it may not exceed the pressure let down, {P[place]:.6g} bara",
    )
    outlet_MPa = _checked_saturation_pressure("outlet_bara", outlet) / _BAR_PER_MPA
    liquid = _table(seuif97.px, outlet_MPa, _LIQUID, _ENTHALPY)
    vapour = _table(seuif97.px, outlet_MPa, _VAPOUR, _ENTHALPY)
    share = (_liquid(T, P, _ENTHALPY) - liquid) / (vapour - liquid)
    return np.asarray(np.maximum(share, 0.0))


def max_cold_fill_fraction(
    temperature_hot_C: npt.ArrayLike,
    vapour_share: npt.ArrayLike = 0.1,
    temperature_cold_C: npt.ArrayLike = 20.0,
) -> Array:
    """Return the most of a closed vessel that may be filled cold so that vapour space is left hot.

    Parameters
    ----------
    temperature_hot_C : array_like
        Highest temperature the vessel will see [°C], from `temperature_cold_C` to 350.
    vapour_share : array_like
        Share of the free volume that must remain vapour at that temperature [-], from 0 to below 1.
    temperature_cold_C : array_like
        Temperature at filling [°C], 0 to 99.97 (liquid at one standard atmosphere).

    Returns
    -------
    ndarray
        Volume of cold liquid over free volume (vessel less solids and fittings) [-].

    Raises
    ------
    WaterError
        Not a number, outside the range, or hot colder than cold.

    Notes
    -----
    Mass is conserved in a rigid vessel: [(1 − s) ρ′(T_hot) + s ρ″(T_hot)]/ρ(T_cold, 1.01325 bara)
    with vapour share s; the vapour and air above the cold liquid are neglected. IF97 regions 1, 2
    and 4 [1]_.

    References
    ----------
    .. [1] IAPWS R7-97(2012), sections 5.1, 6.1 and 8.1.
    """
    hot, share, cold = np.broadcast_arrays(
        _floats(temperature_hot_C), _floats(vapour_share), _floats(temperature_cold_C)
    )
    _checked_temperature(hot, "temperature_hot_C")
    boiling = _saturation_temperature(np.asarray(ATMOSPHERIC_PRESSURE_BARA))
    _refuse(
        "temperature_cold_C",
        cold,
        _outside(cold, WATER_TEMPERATURE_MIN_C, boiling),
        lambda _: f"allowed is {WATER_TEMPERATURE_MIN_C:g} to {boiling:.4g} °C, liquid at 1 atm",
    )
    _refuse("vapour_share", share, ~((share >= 0) & (share < 1)), lambda _: "allowed is 0 to < 1")
    _refuse(
        "temperature_hot_C",
        hot,
        hot < cold,
        lambda place: f"it may not lie below the filling temperature, {cold[place]:.6g} °C",
    )
    liquid = _saturated(hot, _LIQUID, _DENSITY)
    vapour = _saturated(hot, _VAPOUR, _DENSITY)
    filled = _liquid(cold, np.full_like(cold, ATMOSPHERIC_PRESSURE_BARA), _DENSITY)
    return np.asarray(((1 - share) * liquid + share * vapour) / filled)


# ------------------------------------------------------------------------------------- kernels


def _ion_product(T_K: Array, density_g_cm3: Array) -> Array:
    """Return pKw from temperature [K] and density [g/cm³] by the equation of IAPWS R11-24."""
    rho = density_g_cm3
    Q = rho * np.exp(-0.702132 + 8681.05 / T_K - 24145.1 / T_K**2 * np.cbrt(rho) ** 2)
    hydration = Q / (Q + 1) * rho * (0.813876 - 51.4471 / T_K - 0.469920 * rho)
    gas = 0.6141500 + 4.825133e4 / T_K - 6.770793e4 / T_K**2 + 1.010210e7 / T_K**3
    molality = 2 * np.log10(18.015268e-3)
    return np.asarray(-12 * (np.log10(1 + Q) - hydration) + gas + molality)


def _pressure_at_density(T: Array, density: Array, start: Array) -> Array:
    """Return the pressure [bara] at which liquid of temperature T [°C] has the density given."""

    def excess(P: Array) -> tuple[Array, Array]:
        reached = _liquid(T, P, _DENSITY)
        return reached - density, reached * _liquid(T, P, _COMPRESSIBILITY) / _BAR_PER_MPA

    ceiling = np.full_like(density, WATER_PRESSURE_MAX_BARA)
    return _root(excess, _saturation_pressure(T), ceiling, start)


def _temperature_at_density(T0: Array, P0: Array, P1: Array, density: Array) -> Array:
    """Return the temperature [°C], not below T0, at which liquid at P1 has the density given."""

    def deficit(T: Array) -> tuple[Array, Array]:
        reached = _liquid(T, P1, _DENSITY)
        return density - reached, reached * _liquid(T, P1, _EXPANSION)

    # Near the greatest density the slope vanishes: 1 bar/K keeps the first guess at hand.
    slope = np.maximum(_BAR_PER_MPA * _liquid(T0, P0, _PRESSURE_COEFFICIENT), 1.0)
    hottest = np.maximum(_hottest_liquid(P1), T0)
    return _root(deficit, T0, hottest, T0 + (P1 - P0) / slope)


def _root(
    value_and_slope: Callable[[Array], tuple[Array, Array]], low: Array, high: Array, start: Array
) -> Array:
    """Return the zero between bounds of a function that is negative below it and positive above.

    Newton's method, with bisection for every element whose step would leave its bracket.
    """
    x = np.clip(start, low, high)
    for _ in range(100):
        value, slope = value_and_slope(x)
        low = np.where(value <= 0, x, low)
        high = np.where(value >= 0, x, high)
        with np.errstate(divide="ignore", invalid="ignore"):
            step = x - value / slope
        closer = np.where((step > low) & (step < high), step, (low + high) / 2)
        if (np.abs(closer - x) <= 1e-11 * (1 + np.abs(x))).all():
            return np.asarray(closer)
        x = closer
    raise RuntimeError("the density equation was not solved in 100 steps")  # pragma: no cover


def _hottest_liquid(P: Array) -> Array:
    """Return the highest temperature [°C] at which water is liquid at P [bara], up to 350 °C."""
    highest = _saturation_pressure(np.asarray(WATER_TEMPERATURE_MAX_C))
    boiling = _saturation_temperature(np.minimum(P, highest))
    return np.asarray(np.where(highest < P, WATER_TEMPERATURE_MAX_C, boiling))


def _saturation_pressure(T: Array) -> Array:
    return np.asarray(_BAR_PER_MPA * _saturated(T, _LIQUID, _PRESSURE))


def _saturation_temperature(P: Array) -> Array:
    T = _table(seuif97.px, P / _BAR_PER_MPA, _LIQUID, _TEMPERATURE)
    return np.asarray(np.clip(T, WATER_TEMPERATURE_MIN_C, WATER_TEMPERATURE_MAX_C))


def _saturated(T: Array, vapour_quality: float, property_id: int) -> Array:
    return _table(seuif97.tx, T, vapour_quality, property_id)


def _liquid(T: Array, P: Array, property_id: int) -> Array:
    """Return a property of liquid, on the liquid side of saturation even where P falls on it."""
    boiling = _saturated(T, _LIQUID, _PRESSURE)
    return _table(seuif97.pt, np.maximum(P / _BAR_PER_MPA, boiling), T, property_id)


def _table(
    look_up: Callable[[float, float, int], float],
    first: Array,
    second: Array | float,
    property_id: int,
) -> Array:
    """Return the property at each element of two broadcast arguments."""
    if isinstance(second, np.ndarray) and first.shape != second.shape:
        first, second = np.broadcast_arrays(first, second)
    other = second if isinstance(second, float) else second.tobytes()
    find = _remembered if first.size <= _REMEMBERED_MOST else _looked_up
    return find(look_up, first.tobytes(), other, property_id).reshape(first.shape).copy()


def _looked_up(
    look_up: Callable[[float, float, int], float],
    first: bytes,
    second: bytes | float,
    property_id: int,
) -> Array:
    """Return the property (n,) at n pairs of arguments, given as the bytes of their arrays."""
    a = np.frombuffer(first).tolist()
    b = repeat(second) if isinstance(second, float) else np.frombuffer(second).tolist()
    values = np.fromiter(map(look_up, a, b, repeat(property_id)), np.float64, len(a))
    if not (values > _TABLE_FAILURE).all():  # pragma: no cover - every state is checked before
        raise RuntimeError(f"the steam tables have no value for property {property_id}")
    return values


_REMEMBERED_MOST = 4096
_remembered = lru_cache(maxsize=128)(_looked_up)
"""One verdict on a rig asks for the same property of the same states up to twenty times."""


# -------------------------------------------------------------------------------------- checks


def _floats(values: npt.ArrayLike) -> Array:
    return np.asarray(values, dtype=np.float64)


def _outside(values: Array, lowest: Array | float, highest: Array | float) -> npt.NDArray[np.bool_]:
    """Return where values are not between the bounds; NaN never is."""
    return ~np.asarray((lowest <= values) & (values <= highest))


def _refuse(
    quantity: str,
    values: Array,
    wrong: npt.NDArray[np.bool_],
    allowed: Callable[[tuple[int, ...]], str],
) -> None:
    """Raise `WaterError` for the first element marked wrong, if there is one."""
    if wrong.any():
        place = tuple(int(i) for i in np.argwhere(wrong)[0])
        raise WaterError(quantity, place, float(values[place]), allowed(place))


def _checked_temperature(values: npt.ArrayLike, quantity: str = "temperature_C") -> Array:
    T = _floats(values)
    _refuse(
        quantity,
        T,
        _outside(T, WATER_TEMPERATURE_MIN_C, WATER_TEMPERATURE_MAX_C),
        lambda _: f"allowed is {WATER_TEMPERATURE_MIN_C:g} to {WATER_TEMPERATURE_MAX_C:g} °C",
    )
    return T


def _checked_saturation_pressure(quantity: str, values: npt.ArrayLike) -> Array:
    P = _floats(values)
    ends = np.array([WATER_TEMPERATURE_MIN_C, WATER_TEMPERATURE_MAX_C])
    lowest, highest = _saturation_pressure(ends)
    _refuse(
        quantity,
        P,
        _outside(P, lowest * (1 - _SATURATION_SLACK), highest * (1 + _SATURATION_SLACK)),
        lambda _: (
            f"allowed is {lowest:.7g} to {highest:.7g} bara, where water boils at "
            f"{WATER_TEMPERATURE_MIN_C:g} and at {WATER_TEMPERATURE_MAX_C:g} °C"
        ),
    )
    return np.clip(P, lowest, highest)


def _checked_liquid(
    temperature: npt.ArrayLike,
    pressure: npt.ArrayLike,
    temperature_name: str = "temperature_C",
    pressure_name: str = "pressure_bara",
) -> tuple[Array, Array]:
    """Return temperature and pressure, broadcast, with every state seen to be liquid."""
    T, P = np.broadcast_arrays(_floats(temperature), _floats(pressure))
    _checked_temperature(T, temperature_name)
    boiling = _saturation_pressure(T)
    _refuse(
        pressure_name,
        P,
        _outside(P, boiling * (1 - _SATURATION_SLACK), WATER_PRESSURE_MAX_BARA),
        lambda place: (
            f"at {T[place]:.6g} °C water is liquid from {boiling[place]:.7g} bara, where it "
            f"boils, and allowed up to {WATER_PRESSURE_MAX_BARA:g} bara"
        ),
    )
    return T, P
