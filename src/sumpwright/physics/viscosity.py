"""Viscosity of oils: with temperature, as an index, as a grade, and of blends.

Kinematic viscosities are in m²/s. The standards count in mm²/s, and their equations are
not free of units, so the conversion is done here and nowhere else.

None of this needs a density.

References
----------
ASTM D341, *Viscosity-temperature equations and charts for liquid petroleum or hydrocarbon
products* (Ubbelohde–Walther, with the terms for low viscosities). ASTM D2270 and ISO 2909,
viscosity index. ISO 3448, viscosity grades. ASTM D7152, viscosity of a blend.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from sumpwright.physics.checks import Array, positive, share

__all__ = [
    "ISO_GRADES",
    "ViscosityLine",
    "blend_viscosity",
    "iso_grade",
    "share_from_viscosity",
    "temperature_at",
    "two_point_line",
    "viscosity_at",
    "viscosity_index",
]

MM2 = 1e6
"""Square millimetres in a square metre."""

SCOPE = (0.21e-6, 2e7 * 1e-6)
"""Kinematic viscosities [m²/s] that the equation of ASTM D341 is given for."""

T40 = 313.15
T100 = 373.15

ISO_GRADES: dict[int, float] = {
    2: 2.2e-6,
    3: 3.2e-6,
    5: 4.6e-6,
    7: 6.8e-6,
    10: 10e-6,
    15: 15e-6,
    22: 22e-6,
    32: 32e-6,
    46: 46e-6,
    68: 68e-6,
    100: 100e-6,
    150: 150e-6,
    220: 220e-6,
    320: 320e-6,
    460: 460e-6,
    680: 680e-6,
    1000: 1000e-6,
    1500: 1500e-6,
    2200: 2200e-6,
    3200: 3200e-6,
}
"""Mid-point viscosity at 40 °C [m²/s] of each grade of ISO 3448; limits are ±10 %."""


@dataclass(frozen=True)
class ViscosityLine:
    """The line ``log₁₀ log₁₀ Z = a − b log₁₀ T`` of one oil, or of many.

    Parameters
    ----------
    a : ndarray of float
        Intercept, any shape.
    b : ndarray of float
        Slope, same shape, above zero.
    """

    a: Array
    b: Array


def _in_scope(name: str, nu: ArrayLike) -> Array:
    value = positive(name, nu)
    if np.any((value < SCOPE[0]) | (value > SCOPE[1])):
        raise ValueError(f"{name} must lie between 0.21 and 20 000 000 mm²/s (ASTM D341)")
    return value


def _z(nu: Array) -> Array:
    v = nu * MM2
    out: Array = v + 0.7 + np.exp(-1.47 - 1.84 * v - 0.51 * v * v)
    return out


def _nu_from_z(z: Array) -> Array:
    # Z rises with the viscosity everywhere (its slope is never below 0.57), so Newton's
    # method settles from the standard's own approximate inverse, Z − 0.7.
    v = np.maximum(z - 0.7, 0.0)
    for _ in range(30):
        low = np.exp(-1.47 - 1.84 * v - 0.51 * v * v)
        step = (v + 0.7 + low - z) / (1.0 - (1.84 + 1.02 * v) * low)
        v = np.maximum(v - step, 0.0)
        if np.all(np.abs(step) <= 1e-15 * (1.0 + v)):
            break
    return v / MM2


def two_point_line(
    temperature_1: ArrayLike,
    viscosity_1: ArrayLike,
    temperature_2: ArrayLike,
    viscosity_2: ArrayLike,
) -> ViscosityLine:
    """Line of an oil through its viscosities at two temperatures.

    Solves ``log₁₀ log₁₀ Z = a − b log₁₀ T`` for a and b, with
    ``Z = ν + 0.7 + exp(−1.47 − 1.84 ν − 0.51 ν²)`` and ν in mm²/s. The last term only
    matters below 2 mm²/s.

    Parameters
    ----------
    temperature_1, temperature_2 : array_like
        Temperatures [K], different, in either order.
    viscosity_1, viscosity_2 : array_like
        Kinematic viscosities at them [m²/s]. All arguments broadcast.

    Returns
    -------
    ViscosityLine
        The line, broadcast shape.

    Raises
    ------
    ValueError
        If an argument is not finite or not above zero, a viscosity is outside of the
        standard's range, the temperatures are equal, or the oil would get thicker as it
        warms.

    References
    ----------
    ASTM D341.

    Examples
    --------
    >>> line = two_point_line(313.15, 29.6e-6, 373.15, 6.0e-6)
    >>> round(float(line.a), 3), round(float(line.b), 3)
    (8.486, 3.332)
    """
    t1 = positive("temperature", temperature_1)
    t2 = positive("temperature", temperature_2)
    w1 = np.log10(np.log10(_z(_in_scope("viscosity", viscosity_1))))
    w2 = np.log10(np.log10(_z(_in_scope("viscosity", viscosity_2))))
    if np.any(t1 == t2):
        raise ValueError("the two temperatures must differ")
    b = (w1 - w2) / (np.log10(t2) - np.log10(t1))
    if np.any(b <= 0):
        raise ValueError("the viscosity must fall as the oil warms: are the two exchanged?")
    return ViscosityLine(a=np.asarray(w1 + b * np.log10(t1)), b=np.asarray(b))


def viscosity_at(line: ViscosityLine, temperature: ArrayLike) -> Array:
    """Kinematic viscosity of an oil at a temperature.

    Inverts ``log₁₀ log₁₀ Z = a − b log₁₀ T`` for ν; exact for the two points that the
    line was drawn through.

    Parameters
    ----------
    line : ViscosityLine
        Line of the oil.
    temperature : array_like
        Temperature [K]. Broadcasts with the line. The standard warns against going below
        the cloud point or above the initial boiling point. Between its two points a line
        is good to a few per cent; 35 K below the colder one it overstates a handbook's
        engine oil by four tenths.

    Returns
    -------
    ndarray of float
        Kinematic viscosity [m²/s], broadcast shape.

    Raises
    ------
    ValueError
        If a temperature is not finite or not above zero, or so far out that the equation
        gives no viscosity.

    References
    ----------
    ASTM D341.

    Examples
    --------
    >>> line = two_point_line(313.15, 29.6e-6, 373.15, 6.0e-6)
    >>> round(float(viscosity_at(line, 273.15)) * 1e6)
    216
    """
    t = positive("temperature", temperature)
    with np.errstate(over="ignore"):
        z = 10.0 ** (10.0 ** (line.a - line.b * np.log10(t)))
    if not np.all(np.isfinite(z)) or np.any(z < _z(np.asarray(SCOPE[0])) - 1e-9):
        raise ValueError("the temperature must stay where the oil is a liquid (ASTM D341)")
    return _nu_from_z(np.asarray(z))


def temperature_at(line: ViscosityLine, viscosity: ArrayLike) -> Array:
    """Temperature at which an oil has a viscosity, the inverse of `viscosity_at`.

    Implements ``T = 10^((a − log₁₀ log₁₀ Z)/b)``.

    Parameters
    ----------
    line : ViscosityLine
        Line of the oil.
    viscosity : array_like
        Kinematic viscosity [m²/s]. Broadcasts with the line.

    Returns
    -------
    ndarray of float
        Temperature [K], broadcast shape.

    Raises
    ------
    ValueError
        If a viscosity is not finite or outside of the standard's range.

    References
    ----------
    ASTM D341.

    Examples
    --------
    >>> line = two_point_line(313.15, 29.6e-6, 373.15, 6.0e-6)
    >>> round(float(temperature_at(line, 100e-6)) - 273.15, 1)
    12.9
    """
    w = np.log10(np.log10(_z(_in_scope("viscosity", viscosity))))
    out: Array = 10.0 ** ((line.a - w) / line.b)
    return out


def viscosity_index(viscosity_40: ArrayLike, viscosity_100: ArrayLike) -> Array:
    """Viscosity index from the viscosities at 40 and 100 °C.

    Up to 100, ``VI = 100 (L − U)/(L − H)``; above, ``VI = 100 + (10^N − 1)/0.00715`` with
    ``N = log₁₀(H/U)/log₁₀ Y``. U and Y are the viscosities at 40 and 100 °C, L and H the
    standard's reference oils with the same Y.

    Parameters
    ----------
    viscosity_40, viscosity_100 : array_like
        Kinematic viscosities [m²/s]. They broadcast.

    Returns
    -------
    ndarray of float
        Viscosity index, broadcast shape, not rounded; the standard reports whole numbers.

    Raises
    ------
    ValueError
        If a viscosity is not finite or not above zero, below 2 mm²/s at 100 °C, where the
        index is not defined, or not lower at 100 °C than at 40 °C.

    References
    ----------
    ASTM D2270; ISO 2909. Computed by the library chemicals.

    Examples
    --------
    >>> round(float(viscosity_index(73.30e-6, 8.86e-6)))
    92
    """
    cold = positive("the viscosity at 40 °C", viscosity_40)
    hot = positive("the viscosity at 100 °C", viscosity_100)
    if np.any(hot < 2e-6):
        raise ValueError("the viscosity at 100 °C must be at least 2 mm²/s for an index (D2270)")
    if np.any(hot >= cold):
        raise ValueError("the viscosity must be lower at 100 °C than at 40 °C")
    # Imported here because it takes longer than the rest of the program's start.
    from chemicals.viscosity import viscosity_index as of_two

    cold, hot = np.broadcast_arrays(cold, hot)
    index = [of_two(u, y) for u, y in zip(cold.ravel(), hot.ravel(), strict=True)]
    return np.asarray(index, dtype=np.float64).reshape(cold.shape)


def iso_grade(viscosity_40: float) -> int | None:
    """ISO viscosity grade of an industrial oil.

    A grade reaches 10 % to either side of its mid-point viscosity at 40 °C; between
    grades there are gaps.

    Parameters
    ----------
    viscosity_40 : float
        Kinematic viscosity at 40 °C [m²/s].

    Returns
    -------
    int or None
        Number of the grade, or None if the viscosity falls into a gap or off the ends.

    Raises
    ------
    ValueError
        If the viscosity is not finite or not above zero.

    References
    ----------
    ISO 3448, *Industrial liquid lubricants — ISO viscosity classification*.

    Examples
    --------
    >>> iso_grade(45e-6), iso_grade(38e-6)
    (46, None)
    """
    nu = float(positive("the viscosity at 40 °C", viscosity_40))
    for grade, middle in ISO_GRADES.items():
        # The nudge keeps the limits themselves, which are part of the grade, inside.
        if abs(nu - middle) <= 0.1 * middle * (1.0 + 1e-9):
            return grade
    return None


def blend_viscosity(viscosities: ArrayLike, shares: ArrayLike) -> Array:
    """Viscosity of a blend from those of its parts at the same temperature.

    Implements ``W = Σ share · W_i`` with ``W = log₁₀ log₁₀ Z`` and Z as in ASTM D341.

    Parameters
    ----------
    viscosities : array_like, shape (..., n)
        Kinematic viscosities of the parts [m²/s].
    shares : array_like, shape (..., n)
        Shares by volume; they add up to 1 along the last axis.

    Returns
    -------
    ndarray of float, shape (...)
        Kinematic viscosity of the blend [m²/s].

    Raises
    ------
    ValueError
        If the shapes disagree, a share leaves [0, 1], the shares do not add up to 1, or a
        viscosity is outside of the standard's range.

    References
    ----------
    ASTM D7152, ASTM blending method (volume shares, one temperature). The standard warns
    that oils with viscosity-index improvers may part from it.

    Examples
    --------
    >>> round(float(blend_viscosity([29.6e-6, 46.0e-6], [0.5, 0.5])) * 1e6, 1)
    36.7
    """
    nu = _in_scope("viscosity", viscosities)
    part = share("the share of a fluid", shares)
    if nu.ndim == 0 or part.ndim == 0 or nu.shape[-1] == 0 or nu.shape[-1] != part.shape[-1]:
        raise ValueError("a blend must have one share for each viscosity")
    if np.any(np.abs(part.sum(axis=-1) - 1.0) > 1e-6):
        raise ValueError("the shares of a blend must add up to 1")
    part = part / part.sum(axis=-1, keepdims=True)
    w = np.sum(part * np.log10(np.log10(_z(nu))), axis=-1)
    return _nu_from_z(np.asarray(10.0 ** (10.0**w)))


def share_from_viscosity(
    viscosity: ArrayLike, viscosity_first: ArrayLike, viscosity_second: ArrayLike
) -> Array:
    """Share of the second of two fluids in a blend, from the blend's viscosity.

    Implements ``share = (W − W₁)/(W₂ − W₁)``, the inverse of `blend_viscosity`. The
    closer the two fluids, the less it tells: an error of 1 % in the viscosity of the
    blend is worth a share of about ``0.01/ln(ν₂/ν₁)``.

    Parameters
    ----------
    viscosity : array_like
        Kinematic viscosity of the blend [m²/s].
    viscosity_first, viscosity_second : array_like
        Kinematic viscosities of the two fluids, same temperature [m²/s]. All broadcast.

    Returns
    -------
    ndarray of float
        Share by volume, broadcast shape. Below 0 or above 1 if the blend's viscosity is
        not between those of the fluids, which tells that something else is at work.

    Raises
    ------
    ValueError
        If a viscosity is outside of the standard's range or the two fluids are equally
        viscous.

    References
    ----------
    ASTM D7152, inverse ASTM blending method.

    Examples
    --------
    >>> round(float(share_from_viscosity(36.7e-6, 29.6e-6, 46.0e-6)), 2)
    0.5
    """
    w = np.log10(np.log10(_z(_in_scope("viscosity", viscosity))))
    w1 = np.log10(np.log10(_z(_in_scope("viscosity", viscosity_first))))
    w2 = np.log10(np.log10(_z(_in_scope("viscosity", viscosity_second))))
    if np.any(w1 == w2):
        raise ValueError("the two fluids must differ in viscosity")
    out: Array = (w - w1) / (w2 - w1)
    return out
