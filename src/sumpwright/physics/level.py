"""Level at a port: what warmth and slope do to it.

A sealed gearbox is level when, inside a window of temperature, its fluid just stands at
the lip of a port. Three volumes follow from the expansion of the fluid: what must be in
cold so that fluid still stands at the port when the window opens, what runs out of the
open port while the window lasts, and the error of a port closed at another temperature.

All the fluid expands, wherever it is; all of the difference shows in the sump. Volumes
named `level_volume` are therefore the whole content of the machine when it is level. The
case grows too, by about a tenth as much as the fluid if it is of aluminium; that is left
out, so that the volumes here are a little large.

A positive error means too much fluid in the machine, a negative one too little.

References
----------
Expansion: API MPMS ch. 11.1 (2004), lubricating-oil group; ASTM D1250. Slope: the
geometry of a level surface between walls that stand square to the floor.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from sumpwright.physics.checks import Array, finite, not_negative, positive
from sumpwright.physics.expansion import BASE_15C, Base, density_at, volume_at

__all__ = [
    "LevelError",
    "fill_volume",
    "level_change",
    "overfill_needed",
    "run_out",
    "slope_error",
    "slope_from_heights",
    "wrong_temperature_error",
]


@dataclass(frozen=True)
class LevelError:
    """How far a level is off.

    Parameters
    ----------
    volume : ndarray of float
        Fluid too much (+) or too little (−) [m³].
    height : ndarray of float
        The same as a height of the surface at the middle of the sump [m].
    """

    volume: Array
    height: Array


def level_change(
    level_volume: ArrayLike,
    from_temperature: ArrayLike,
    to_temperature: ArrayLike,
    base_density: ArrayLike,
    base: Base = BASE_15C,
) -> Array:
    """Volume by which a machine that is level at one temperature is off at another.

    Implements ``ΔV = V (VCF(T₁)/VCF(T₂) − 1)``.

    Parameters
    ----------
    level_volume : array_like
        Whole content of the machine when it is level [m³].
    from_temperature : array_like
        Temperature at which it is level [K].
    to_temperature : array_like
        Temperature at which the difference is asked for and measured [K].
    base_density : array_like
        Density at the base temperature [kg/m³]. All arguments broadcast.
    base : Base
        Base state of the density, 15 °C unless said otherwise.

    Returns
    -------
    ndarray of float
        Volume above (+) or below (−) level [m³], broadcast shape.

    Raises
    ------
    ValueError
        If an argument is not finite, or a volume, temperature or density not above zero.

    References
    ----------
    API MPMS ch. 11.1 (2004), lubricating-oil group; ASTM D1250.

    Examples
    --------
    >>> round(float(level_change(9.2e-3, 293.15, 318.15, 846.0)) * 1e3, 3)
    0.176
    """
    v = positive("the content of the machine", level_volume)
    return volume_at(v, from_temperature, to_temperature, base_density, base) - v


def fill_volume(
    level_volume: ArrayLike,
    fill_temperature: ArrayLike,
    open_temperature: ArrayLike,
    base_density: ArrayLike,
    *,
    margin: ArrayLike = 0.0,
    base: Base = BASE_15C,
) -> Array:
    """Content at filling, so that fluid stands at the port when the window opens.

    Implements ``V_fill = (V_level + margin) · VCF(T_open)/VCF(T_fill)``.

    Parameters
    ----------
    level_volume : array_like
        Whole content of the machine when it is level [m³].
    fill_temperature : array_like
        Temperature of the fluid when it is measured in [K].
    open_temperature : array_like
        Temperature at which the window opens [K].
    base_density : array_like
        Density at the base temperature [kg/m³].
    margin : array_like
        Volume that shall stand above level when the window opens [m³], to run out. All
        arguments broadcast.
    base : Base
        Base state of the density, 15 °C unless said otherwise.

    Returns
    -------
    ndarray of float
        Volume, measured at the fill temperature [m³], broadcast shape.

    Raises
    ------
    ValueError
        If an argument is not finite, a volume, temperature or density is not above zero,
        or the margin is negative.

    References
    ----------
    API MPMS ch. 11.1 (2004), lubricating-oil group; ASTM D1250.

    Examples
    --------
    >>> round(float(fill_volume(9.2e-3, 285.15, 311.15, 846.0)) * 1e3, 3)
    9.022
    """
    v = positive("the content of the machine", level_volume)
    wanted = v + not_negative("the margin", margin)
    return volume_at(wanted, open_temperature, fill_temperature, base_density, base)


def overfill_needed(
    level_volume: ArrayLike,
    fill_temperature: ArrayLike,
    open_temperature: ArrayLike,
    base_density: ArrayLike,
    *,
    margin: ArrayLike = 0.0,
    base: Base = BASE_15C,
) -> Array:
    """Volume to fill above the port, so that fluid stands there when the window opens.

    Implements ``V_fill − V_level`` with `fill_volume`.

    Fluid that is colder than the window grows into it: the answer is then negative, and
    a machine filled to the port in the cold has more than enough. Only fluid that is
    hotter than the window, and shrinks into it, needs an overfill of its own. Whatever
    the pump carries up into the works when the engine starts comes on top.

    Parameters
    ----------
    level_volume : array_like
        Whole content of the machine when it is level [m³].
    fill_temperature : array_like
        Temperature of the fluid at filling [K].
    open_temperature : array_like
        Temperature at which the window opens [K].
    base_density : array_like
        Density at the base temperature [kg/m³].
    margin : array_like
        Volume that shall stand above level when the window opens [m³]. All arguments
        broadcast.
    base : Base
        Base state of the density, 15 °C unless said otherwise.

    Returns
    -------
    ndarray of float
        Volume above the port at the fill temperature [m³], broadcast shape; negative if
        the surface may stand below the port by that much.

    Raises
    ------
    ValueError
        As `fill_volume`.

    References
    ----------
    API MPMS ch. 11.1 (2004), lubricating-oil group; ASTM D1250.

    Examples
    --------
    Filled at 12 °C for a window from 38 °C, and at 80 °C for the same window:

    >>> needed = overfill_needed(9.2e-3, [285.15, 353.15], 311.15, 846.0)
    >>> [round(float(x) * 1e3, 2) for x in needed]
    [-0.18, 0.31]
    """
    filled = fill_volume(
        level_volume, fill_temperature, open_temperature, base_density, margin=margin, base=base
    )
    return filled - finite("the content of the machine", level_volume)


def run_out(
    level_volume: ArrayLike,
    open_temperature: ArrayLike,
    close_temperature: ArrayLike,
    base_density: ArrayLike,
    *,
    collected_temperature: ArrayLike | None = None,
    base: Base = BASE_15C,
) -> Array:
    """Volume that runs out of the port between opening and closing it.

    Fluid stands at the lip at the opening temperature, and whatever grows beyond it
    leaves: ``V (ρ(T_open) − ρ(T_close)) / ρ(T_collected)``. A margin that stood above the
    lip at opening runs out besides.

    Parameters
    ----------
    level_volume : array_like
        Whole content of the machine when it is level [m³].
    open_temperature, close_temperature : array_like
        Temperatures at which the port is opened and closed [K].
    base_density : array_like
        Density at the base temperature [kg/m³]. All arguments broadcast.
    collected_temperature : array_like, optional
        Temperature at which the catch is measured [K]; that of closing if left out.
    base : Base
        Base state of the density, 15 °C unless said otherwise.

    Returns
    -------
    ndarray of float
        Volume caught [m³], broadcast shape; zero if the fluid cools meanwhile, for then
        none runs out and the level falls.

    Raises
    ------
    ValueError
        If an argument is not finite, or a volume, temperature or density not above zero.

    References
    ----------
    API MPMS ch. 11.1 (2004), lubricating-oil group; ASTM D1250.

    Examples
    --------
    >>> round(float(run_out(9.2e-3, 311.15, 319.15, 846.0)) * 1e3, 3)
    0.057
    """
    v = positive("the content of the machine", level_volume)
    measured = close_temperature if collected_temperature is None else collected_temperature
    opened = density_at(open_temperature, base_density, base)
    closed = density_at(close_temperature, base_density, base)
    caught = v * (opened - closed) / density_at(measured, base_density, base)
    return np.maximum(caught, 0.0)


def wrong_temperature_error(
    level_volume: ArrayLike,
    closed_temperature: ArrayLike,
    right_temperature: ArrayLike,
    base_density: ArrayLike,
    surface_area: ArrayLike,
    base: Base = BASE_15C,
) -> LevelError:
    """Error of a level whose port was closed at the wrong temperature.

    The machine was level at the temperature of closing; at the right one it holds
    ``V (VCF(T_closed)/VCF(T_right) − 1)`` too much. Closed too hot, it is short; closed
    too cold, it is overfull.

    Parameters
    ----------
    level_volume : array_like
        Whole content of the machine when it is level [m³].
    closed_temperature : array_like
        Temperature at which the port was closed [K].
    right_temperature : array_like
        Temperature at which it should have been [K].
    base_density : array_like
        Density at the base temperature [kg/m³].
    surface_area : array_like
        Area of the sump's surface at the height of the port [m²]. All arguments
        broadcast.
    base : Base
        Base state of the density, 15 °C unless said otherwise.

    Returns
    -------
    LevelError
        Volume and height at the right temperature, broadcast shape.

    Raises
    ------
    ValueError
        If an argument is not finite or not above zero.

    References
    ----------
    API MPMS ch. 11.1 (2004), lubricating-oil group; ASTM D1250.

    Examples
    --------
    >>> error = wrong_temperature_error(9.2e-3, 343.15, 315.15, 846.0, 0.12)
    >>> round(float(error.volume) * 1e3, 2), round(float(error.height) * 1e3, 1)
    (-0.2, -1.7)
    """
    area = positive("the area of the sump's surface", surface_area)
    volume = level_change(level_volume, closed_temperature, right_temperature, base_density, base)
    volume, height = np.broadcast_arrays(volume, volume / area)
    return LevelError(volume=volume, height=height)


def slope_error(port_offset: ArrayLike, slope: ArrayLike, surface_area: ArrayLike) -> LevelError:
    """Error of a level set on a slope.

    On a slope the surface stays horizontal and the sump tilts beneath it. At the port's
    lip it is right; at the middle of the sump it is off by the rise of the floor from
    there to the port: ``ΔV = A · x · tan θ``. With the port on the uphill side the
    machine is overfilled, on the downhill side it is short. Slopes along two directions
    add up.

    Parameters
    ----------
    port_offset : array_like
        Distance x of the port from the centroid of the sump's surface, along the
        machine's floor and positive towards the uphill side [m].
    slope : array_like
        Slope θ of the machine along that direction [rad], above −π/2 and below π/2.
    surface_area : array_like
        Area A of the sump's surface at the height of the port [m²]. All arguments
        broadcast.

    Returns
    -------
    LevelError
        Volume and height at the centroid, broadcast shape. Exact as long as the surface
        meets neither the floor nor the roof of the sump.

    Raises
    ------
    ValueError
        If an argument is not finite, the area is not above zero, or the slope is
        vertical.

    References
    ----------
    A plane over a prism: its volume is the area times its height at the centroid.

    Examples
    --------
    A port 18 cm uphill of the middle of the pan, on a floor that rises by one degree:

    >>> import math
    >>> error = slope_error(0.18, math.radians(1.0), 0.12)
    >>> round(float(error.volume) * 1e3, 2), round(float(error.height) * 1e3, 1)
    (0.38, 3.1)
    """
    theta = finite("the slope", slope)
    if np.any(np.abs(theta) >= np.pi / 2):
        raise ValueError("the slope must be less than vertical")
    area = positive("the area of the sump's surface", surface_area)
    rise = finite("the offset of the port", port_offset) * np.tan(theta)
    volume, height = np.broadcast_arrays(area * rise, rise)
    return LevelError(volume=volume, height=height)


def slope_from_heights(height_1: ArrayLike, height_2: ArrayLike, distance: ArrayLike) -> Array:
    """Slope of a machine from the heights of two of its points.

    Implements ``θ = asin((h₂ − h₁)/d)``.

    Parameters
    ----------
    height_1, height_2 : array_like
        Heights of two points that stand equally high on a level machine, such as two
        jacking points, above anything level [m].
    distance : array_like
        Distance between the points, measured along the machine [m]. All arguments
        broadcast.

    Returns
    -------
    ndarray of float
        Slope [rad], positive if the second point is the higher one.

    Raises
    ------
    ValueError
        If an argument is not finite, the distance is not above zero, or the heights
        differ by more than the distance.

    References
    ----------
    Trigonometry.

    Examples
    --------
    >>> import math
    >>> round(math.degrees(float(slope_from_heights(0.210, 0.252, 2.4))), 2)
    1.0
    """
    rise = finite("a height", height_2) - finite("a height", height_1)
    ratio = rise / positive("the distance", distance)
    if np.any(np.abs(ratio) >= 1.0):
        raise ValueError("the heights must differ by less than the distance between them")
    return np.arcsin(ratio)
