"""The puddle that a pan keeps when its drain has run dry.

A rectangular pan lies from (0, 0) to (length, width), its floor flat and its walls square
to it. The lip of its drain stands higher than the floor: a raised boss, a weld nut, or the
lower edge of a hole in a side wall. When the drain has run dry the surface passes through
the lip, and everything below it stays.

Which way does leaning help? Towards the wall that the drain is nearest to, so that the
drain's end is the low one: the fluid then leaves the far, raised end. Behind the drain the
puddle gets deeper, so there is a best lean, which is reached when the drain lies below the
middle (centroid) of what is still wet; beyond it the puddle grows again. From a drain in
the middle of the pan no lean gets anything out, and leaning away from the drain's wall
keeps more in.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from sumpwright.physics.checks import Array, finite, not_negative, positive

__all__ = ["Lean", "best_lean", "puddle_volume"]

_GAUSS = 0.5 / np.sqrt(3.0)


@dataclass(frozen=True)
class Lean:
    """The lean of a pan that leaves least in it.

    Parameters
    ----------
    tilt_x, tilt_y : float
        Readings of a level laid along the pan's length and width [rad], positive if the
        far end (x = length, y = width) is the raised one.
    volume : float
        Puddle left [m³].
    flat_volume : float
        Puddle left in the same pan when it stands level [m³].
    """

    tilt_x: float
    tilt_y: float
    volume: float
    flat_volume: float


def _mean_along(u: Array, v: Array) -> Array:
    """Mean of the positive part of a straight line that runs from u to v."""
    top, bottom = np.maximum(u, v), np.minimum(u, v)
    crossing = top * top / np.where(top > bottom, 2.0 * (top - bottom), 1.0)
    above = np.where(bottom >= 0.0, 0.5 * (u + v), crossing)
    return np.where(top <= 0.0, 0.0, above)


def _mean_over(corner: Array, along_x: Array, along_y: Array) -> Array:
    """Mean over the unit square of the positive part of corner + along_x·s + along_y·t.

    Along s the mean is exact. As a function of t it is a polynomial of at most second
    degree between the two places where an edge of the square runs dry, so two Gauss points
    on each of the three pieces are exact too. Unlike the textbook form, the difference of
    the cubes of the corner depths over six times the product of the slopes, this keeps its
    digits when a slope vanishes.
    """
    with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
        roots = [np.clip(-edge / along_y, 0.0, 1.0) for edge in (corner, corner + along_x)]
    inner = np.sort(np.nan_to_num(np.stack(roots)), axis=0)
    cuts = np.concatenate([np.zeros_like(inner[:1]), inner, np.ones_like(inner[:1])])
    total = np.zeros_like(corner)
    for i in range(3):
        middle, span = 0.5 * (cuts[i] + cuts[i + 1]), cuts[i + 1] - cuts[i]
        for node in (-_GAUSS, _GAUSS):
            left = corner + along_y * (middle + node * span)
            total = total + 0.5 * span * _mean_along(left, left + along_x)
    return total


def _gradients(tilt_x: ArrayLike, tilt_y: ArrayLike) -> tuple[Array, Array]:
    """Slopes of the floor against the horizontal, from the readings of a level."""
    up_x = np.sin(finite("a tilt", tilt_x))
    up_y = np.sin(finite("a tilt", tilt_y))
    up_z2 = np.asarray(1.0 - up_x * up_x - up_y * up_y)
    steep = (np.abs(np.asarray(tilt_x)) >= np.pi / 2) | (np.abs(np.asarray(tilt_y)) >= np.pi / 2)
    if np.any(up_z2 <= 1e-6) or np.any(steep):
        raise ValueError("the pan must lean less than upright")
    up_z = np.sqrt(up_z2)
    return up_x / up_z, up_y / up_z


def _place(name: str, position: ArrayLike, size: Array) -> Array:
    where = finite(name, position)
    if np.any((where < 0) | (where > size)):
        raise ValueError(f"{name} must lie within the pan")
    return where


def puddle_volume(
    length: ArrayLike,
    width: ArrayLike,
    drain_x: ArrayLike,
    drain_y: ArrayLike,
    lip_height: ArrayLike,
    tilt_x: ArrayLike = 0.0,
    tilt_y: ArrayLike = 0.0,
) -> Array:
    """Volume that stays in a flat or leaning pan below the lip of its drain.

    Integrates ``max(0, h − g_x (x − x_d) − g_y (y − y_d))`` over the floor, in closed form.
    h is the height of the lip, (x_d, y_d) its place, and (g_x, g_y) the slope of the floor:
    ``g_x = sin θ_x / √(1 − sin²θ_x − sin²θ_y)``, which is tan θ_x for a lean along one
    direction only.

    Parameters
    ----------
    length, width : array_like
        Size of the floor along x and y [m].
    drain_x, drain_y : array_like
        Place of the drain's lip on the floor [m], 0 to `length` and 0 to `width`.
    lip_height : array_like
        Height of the lip above the floor [m].
    tilt_x, tilt_y : array_like
        Readings of a level laid along x and y [rad], positive if the far end (x = length,
        y = width) is the raised one. All arguments broadcast.

    Returns
    -------
    ndarray of float
        Volume [m³], broadcast shape. The walls are taken as high enough to hold it.

    Raises
    ------
    ValueError
        If an argument is not finite, a size is not above zero, the lip's height is
        negative, the drain lies outside of the pan, or the pan stands on edge.

    References
    ----------
    Geometry: the wedge between a plane and a rectangle.

    Examples
    --------
    A drain 3 cm from the end of a pan of 40 by 30 cm, its lip 6 mm high; then with the far
    end raised by 4 degrees:

    >>> import math
    >>> round(float(puddle_volume(0.40, 0.30, 0.03, 0.15, 0.006)) * 1e3, 2)
    0.72
    >>> round(float(puddle_volume(0.40, 0.30, 0.03, 0.15, 0.006, math.radians(4))) * 1e3, 2)
    0.14
    """
    size_x = positive("the length of the pan", length)
    size_y = positive("the width of the pan", width)
    x = _place("the drain", drain_x, size_x)
    y = _place("the drain", drain_y, size_y)
    h = not_negative("the height of the lip", lip_height)
    g_x, g_y = _gradients(tilt_x, tilt_y)
    corner, along_x, along_y, area = np.broadcast_arrays(
        h + g_x * x + g_y * y, -g_x * size_x, -g_y * size_y, size_x * size_y
    )
    return area * _mean_over(corner, along_x, along_y)


def best_lean(
    length: float,
    width: float,
    drain_x: float,
    drain_y: float,
    lip_height: float,
    max_lean: float,
) -> Lean:
    """Lean of a pan, up to a limit, that leaves the smallest puddle.

    The puddle is a convex function of the floor's slope, so its one minimum over all
    slopes up to ``tan(max_lean)`` is found by sequential quadratic programming. Where the
    limit does not bind and the wet floor does not reach the far walls, it lies at
    ``g = h/a`` for a drain at distance a from one wall and in the middle of the other
    direction, and leaves ``2 a h · width``.

    Parameters
    ----------
    length, width : float
        Size of the floor along x and y [m].
    drain_x, drain_y : float
        Place of the drain's lip on the floor [m].
    lip_height : float
        Height of the lip above the floor [m].
    max_lean : float
        Largest lean of the pan out of level, in any direction [rad], 0 to below π/2: what
        the lifting gear and the machine's service manual allow.

    Returns
    -------
    Lean
        The lean and what it leaves; level if no lean helps.

    Raises
    ------
    ValueError
        As `puddle_volume`, or if the limit is negative or upright.

    References
    ----------
    Geometry; the minimum by scipy.optimize.minimize (SLSQP).

    Examples
    --------
    >>> import math
    >>> lean = best_lean(0.40, 0.30, 0.03, 0.15, 0.006, math.radians(5))
    >>> round(math.degrees(lean.tilt_x), 1), round(math.degrees(lean.tilt_y), 1)
    (5.0, 0.0)
    >>> round(lean.flat_volume * 1e3, 2), round(lean.volume * 1e3, 2)
    (0.72, 0.13)
    """
    from scipy.optimize import minimize

    flat = float(puddle_volume(length, width, drain_x, drain_y, lip_height))
    limit = float(not_negative("the largest lean", max_lean))
    if limit >= np.pi / 2 - 1e-3:
        raise ValueError("the largest lean must be less than upright")
    level = Lean(tilt_x=0.0, tilt_y=0.0, volume=flat, flat_volume=flat)
    if limit == 0.0 or flat == 0.0:
        return level
    steepest = float(np.tan(limit))
    size = np.array([float(length), float(width)])
    place = np.array([float(drain_x), float(drain_y)])
    # Raising the end farther from the drain is never worse than raising the nearer one, so
    # only that quarter of the directions is searched.
    sign = np.where(place <= size / 2.0, 1.0, -1.0)

    def tilts(slope: NDArray[np.float64]) -> NDArray[np.float64]:
        g = slope * steepest * sign
        out: NDArray[np.float64] = np.arcsin(g / np.sqrt(1.0 + float(g @ g)))
        return out

    def left(slope: NDArray[np.float64]) -> float:
        volume = puddle_volume(length, width, drain_x, drain_y, lip_height, *tilts(slope))
        return float(volume) / flat

    best, least = np.zeros(2), 1.0
    for start in ([0.05, 0.05], [0.5, 0.5]):
        found = minimize(
            left,
            np.array(start),
            method="SLSQP",
            bounds=[(0.0, 1.0), (0.0, 1.0)],
            constraints={"type": "ineq", "fun": lambda g: 1.0 - g @ g},
            options={"ftol": 1e-13, "maxiter": 200},
        )
        slope = np.clip(found.x, 0.0, 1.0)
        slope = slope / max(1.0, float(np.hypot(*slope)))
        if left(slope) < least - 1e-9:
            best, least = slope, left(slope)
    if least == 1.0:
        return level
    tilt = tilts(best)
    return Lean(float(tilt[0]), float(tilt[1]), least * flat, flat)
