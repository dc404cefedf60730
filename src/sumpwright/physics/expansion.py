"""Thermal expansion of lubricating oils at atmospheric pressure.

The volume correction factor (VCF) of an oil is the volume it would have at the base
temperature over the volume it has now, which is also its density now over its base
density::

    VCF = exp(−α ΔT (1 + 0.8 α ΔT)),   α = K1 / ρ_base,   ΔT = T − T_base

Automatic-transmission, hydraulic, gear and engine oils belong to the lubricating-oil
group. Coolants, brake fluids and other water-miscible fluids do not: nothing here
holds for them.

References
----------
*Manual of Petroleum Measurement Standards*, chapter 11.1, American Petroleum
Institute; adjunct to ASTM D1250 and IP 200 (2004), lubricating-oil group: K0 = K2 = 0,
K1 = 0.34878 (kg/m³, °F, base 60 °F). The metric tables 53D and 54D of the 1980 edition:
K1 = 0.6278 (kg/m³, K, base 15 °C).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from sumpwright.physics.checks import Array, finite, not_negative, positive

__all__ = [
    "BASE_15C",
    "BASE_60F",
    "Base",
    "base_density_from",
    "correction_factor",
    "density_at",
    "expansion_coefficient",
    "expansivity",
    "volume_at",
    "volume_correction_factor",
    "volume_per_kelvin",
    "within_scope",
]


@dataclass(frozen=True)
class Base:
    """The state that a density is quoted at, and the constant that goes with it.

    Parameters
    ----------
    temperature : float
        Base temperature [K].
    k1 : float
        Constant K1 of the lubricating-oil group [kg/m³/K].
    """

    temperature: float
    k1: float


BASE_15C = Base(288.15, 0.6278)
"""15 °C: how densities of oils are quoted nearly everywhere."""

BASE_60F = Base((60.0 + 459.67) / 1.8, 0.34878 * 1.8)
"""60 °F: how densities of oils are quoted in the United States."""

DENSITY_SCOPE = (800.9, 1163.5)
"""Base densities [kg/m³] that the standard's lubricating-oil group covers."""

TEMPERATURE_SCOPE = (223.15, 423.15)
"""Temperatures [K] that the standard covers, −50 to 150 °C."""


def correction_factor(alpha: ArrayLike, delta_t: ArrayLike) -> Array:
    """Volume correction factor for a given expansion coefficient.

    Implements ``VCF = exp(−α ΔT (1 + 0.8 α ΔT))``.

    Parameters
    ----------
    alpha : array_like
        Expansion coefficient at the base temperature [1/K], above zero.
    delta_t : array_like
        Temperature above the base temperature [K]. Broadcasts with `alpha`.

    Returns
    -------
    ndarray of float
        Base volume over actual volume, broadcast shape.

    Raises
    ------
    ValueError
        If an argument is not finite or `alpha` is not above zero.

    References
    ----------
    API MPMS ch. 11.1 (2004), §11.1.3; ASTM D1250.

    Examples
    --------
    >>> round(float(correction_factor(7.42e-4, 25.0)), 5)
    0.98135
    """
    x = positive("the expansion coefficient", alpha) * finite("a temperature difference", delta_t)
    return np.exp(-x * (1.0 + 0.8 * x))


def expansion_coefficient(base_density: ArrayLike, base: Base = BASE_15C) -> Array:
    """Expansion coefficient of a lubricating oil at the base temperature, α = K1/ρ.

    Parameters
    ----------
    base_density : array_like
        Density at the base temperature [kg/m³].
    base : Base
        Base state, 15 °C unless said otherwise.

    Returns
    -------
    ndarray of float
        α [1/K], same shape.

    Raises
    ------
    ValueError
        If a density is not finite or not above zero.

    References
    ----------
    API MPMS ch. 11.1 (2004), lubricating-oil group; ASTM D1250.

    Examples
    --------
    >>> round(float(expansion_coefficient(846.0)) * 1e4, 3)
    7.421
    """
    return base.k1 / positive("density", base_density)


def volume_correction_factor(
    temperature: ArrayLike, base_density: ArrayLike, base: Base = BASE_15C
) -> Array:
    """Base volume of a lubricating oil over its volume at `temperature`.

    Implements ``VCF = exp(−α ΔT (1 + 0.8 α ΔT))`` with ``α = K1/ρ``.

    Parameters
    ----------
    temperature : array_like
        Temperature of the oil [K].
    base_density : array_like
        Density at the base temperature [kg/m³]. Broadcasts with `temperature`.
    base : Base
        Base state, 15 °C unless said otherwise.

    Returns
    -------
    ndarray of float
        VCF, broadcast shape: 1 at the base temperature, below 1 when hotter.

    Raises
    ------
    ValueError
        If an argument is not finite or not above zero.

    References
    ----------
    API MPMS ch. 11.1 (2004), lubricating-oil group; ASTM D1250.

    Examples
    --------
    >>> round(float(volume_correction_factor(353.15, 846.0)), 4)
    0.9511
    """
    t = positive("temperature", temperature)
    return correction_factor(expansion_coefficient(base_density, base), t - base.temperature)


def density_at(temperature: ArrayLike, base_density: ArrayLike, base: Base = BASE_15C) -> Array:
    """Density of a lubricating oil at `temperature`, ``ρ = ρ_base · VCF``.

    Parameters
    ----------
    temperature : array_like
        Temperature of the oil [K].
    base_density : array_like
        Density at the base temperature [kg/m³]. Broadcasts with `temperature`.
    base : Base
        Base state, 15 °C unless said otherwise.

    Returns
    -------
    ndarray of float
        Density [kg/m³], broadcast shape.

    Raises
    ------
    ValueError
        If an argument is not finite or not above zero.

    References
    ----------
    API MPMS ch. 11.1 (2004), lubricating-oil group; ASTM D1250.

    Examples
    --------
    >>> round(float(density_at(353.15, 846.0)), 1)
    804.7
    """
    rho = positive("density", base_density)
    return rho * volume_correction_factor(temperature, rho, base)


def base_density_from(density: ArrayLike, temperature: ArrayLike, base: Base = BASE_15C) -> Array:
    """Density at the base temperature, from a density seen at another temperature.

    Solves ``ρ_base · VCF(T, ρ_base) = ρ`` by Newton's method: the inverse of `density_at`.

    Parameters
    ----------
    density : array_like
        Density seen [kg/m³].
    temperature : array_like
        Temperature it was seen at [K]. Broadcasts with `density`.
    base : Base
        Base state, 15 °C unless said otherwise.

    Returns
    -------
    ndarray of float
        Density at the base temperature [kg/m³], broadcast shape.

    Raises
    ------
    ValueError
        If an argument is not finite or not above zero.

    References
    ----------
    API MPMS ch. 11.1 (2004), §11.1.6.2 (observed to base); ASTM D1250.

    Examples
    --------
    >>> round(float(base_density_from(804.7, 353.15)), 1)
    846.0
    """
    seen = positive("density", density)
    delta = positive("temperature", temperature) - base.temperature
    seen, delta = np.broadcast_arrays(seen, delta)
    rho = np.array(seen)
    for _ in range(50):
        x = base.k1 / rho * delta
        # d(ln ρ + ln VCF)/d ln ρ: never below 0.84, so there is one root and it is found.
        slope = 1.0 + x * (1.0 + 1.6 * x)
        step = (np.log(seen / rho) + x * (1.0 + 0.8 * x)) / slope
        rho = rho * np.exp(np.clip(step, -0.5, 0.5))
        if np.all(np.abs(step) < 1e-14):
            break
    return rho


def volume_at(
    volume: ArrayLike,
    from_temperature: ArrayLike,
    to_temperature: ArrayLike,
    base_density: ArrayLike,
    base: Base = BASE_15C,
) -> Array:
    """Volume of the same oil at another temperature.

    Implements ``V₂ = V₁ · VCF(T₁) / VCF(T₂)``, which is its own inverse with the
    temperatures exchanged.

    Parameters
    ----------
    volume : array_like
        Volume at `from_temperature` [m³].
    from_temperature, to_temperature : array_like
        Temperatures [K].
    base_density : array_like
        Density at the base temperature [kg/m³]. All arguments broadcast.
    base : Base
        Base state, 15 °C unless said otherwise.

    Returns
    -------
    ndarray of float
        Volume at `to_temperature` [m³], broadcast shape. Signed: a difference of
        volumes may be converted too.

    Raises
    ------
    ValueError
        If an argument is not finite, or a temperature or density not above zero.

    References
    ----------
    API MPMS ch. 11.1 (2004), lubricating-oil group; ASTM D1250.

    Examples
    --------
    Nine litres put in at 12 °C stand as 9.18 litres at 38 °C:

    >>> round(float(volume_at(9.0e-3, 285.15, 311.15, 846.0)) * 1e3, 2)
    9.18
    """
    v = finite("volume", volume)
    before = volume_correction_factor(from_temperature, base_density, base)
    return v * before / volume_correction_factor(to_temperature, base_density, base)


def expansivity(temperature: ArrayLike, base_density: ArrayLike, base: Base = BASE_15C) -> Array:
    """Cubic expansivity at `temperature`, ``(dV/dT)/V = α (1 + 1.6 α ΔT)``.

    Parameters
    ----------
    temperature : array_like
        Temperature of the oil [K].
    base_density : array_like
        Density at the base temperature [kg/m³]. Broadcasts with `temperature`.
    base : Base
        Base state, 15 °C unless said otherwise.

    Returns
    -------
    ndarray of float
        Expansivity [1/K], broadcast shape.

    Raises
    ------
    ValueError
        If an argument is not finite or not above zero.

    References
    ----------
    The derivative of the equation of API MPMS ch. 11.1 (2004).

    Examples
    --------
    >>> round(float(expansivity(313.15, 846.0)) * 1e4, 2)
    7.64
    """
    alpha = expansion_coefficient(base_density, base)
    delta = positive("temperature", temperature) - base.temperature
    return alpha * (1.0 + 1.6 * alpha * delta)


def volume_per_kelvin(
    volume: ArrayLike, temperature: ArrayLike, base_density: ArrayLike, base: Base = BASE_15C
) -> Array:
    """Volume gained per kelvin, ``dV/dT = V α (1 + 1.6 α ΔT)``.

    Parameters
    ----------
    volume : array_like
        Volume at `temperature` [m³]: all the fluid that warms, not the sump alone.
    temperature : array_like
        Temperature of the oil [K].
    base_density : array_like
        Density at the base temperature [kg/m³]. All arguments broadcast.
    base : Base
        Base state, 15 °C unless said otherwise.

    Returns
    -------
    ndarray of float
        dV/dT [m³/K], broadcast shape.

    Raises
    ------
    ValueError
        If an argument is not finite, a volume is negative, or a temperature or
        density is not above zero.

    References
    ----------
    The derivative of the equation of API MPMS ch. 11.1 (2004).

    Examples
    --------
    >>> round(float(volume_per_kelvin(9.2e-3, 313.15, 846.0)) * 1e6, 1)
    7.0
    """
    return not_negative("volume", volume) * expansivity(temperature, base_density, base)


def within_scope(base_density: ArrayLike, temperature: ArrayLike) -> bool:
    """Tell whether the standard covers these densities and temperatures.

    Outside of them the equations still answer, but as an extrapolation that the
    reader should be told of.

    Parameters
    ----------
    base_density : array_like
        Densities at the base temperature [kg/m³].
    temperature : array_like
        Temperatures [K].

    Returns
    -------
    bool
        True if every density and every temperature is covered.

    Raises
    ------
    ValueError
        If an argument is not finite or not above zero.

    References
    ----------
    API MPMS ch. 11.1 (2004), limits of the lubricating-oil group: 800.9 to
    1163.5 kg/m³, −50 to 150 °C.

    Examples
    --------
    >>> within_scope(846.0, [263.15, 393.15]), within_scope(1180.0, 293.15)
    (True, False)
    """
    rho = positive("density", base_density)
    t = positive("temperature", temperature)
    inside = (rho >= DENSITY_SCOPE[0]) & (rho <= DENSITY_SCOPE[1])
    covered = (t >= TEMPERATURE_SCOPE[0]) & (t <= TEMPERATURE_SCOPE[1])
    return bool(np.all(inside)) and bool(np.all(covered))
