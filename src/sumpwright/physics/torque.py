"""What to set on a torque wrench that carries an extension.

An extension that sits on the square drive and reaches sideways lengthens the lever: the
fastener then feels more than the wrench shows. A socket extension along the drive's axis
changes nothing, and neither does one that stands at a right angle to the handle.

All lengths are from centre to centre: the wrench from its drive to the middle of the
grip, the extension from the drive to the fastener.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from sumpwright.physics.checks import Array, finite, not_negative, positive

__all__ = ["applied_torque", "tolerance_band", "within_tolerance", "wrench_setting"]


def _lever_ratio(wrench_length: ArrayLike, extension: ArrayLike, angle: ArrayLike) -> Array:
    """Lever with the extension over the lever without it."""
    length = positive("the length of the wrench", wrench_length)
    reach = not_negative("the length of the extension", extension)
    ratio: Array = 1.0 + reach * np.cos(finite("the angle of the extension", angle)) / length
    if np.any(ratio <= 1e-9):
        raise ValueError("the extension reaches back past the grip: the wrench has no lever")
    return ratio


def wrench_setting(
    target: ArrayLike,
    wrench_length: ArrayLike,
    extension: ArrayLike = 0.0,
    angle: ArrayLike = 0.0,
) -> Array:
    """Torque to set on the wrench, so that the fastener gets the target.

    Implements ``set = target · L / (L + E cos φ)``.

    Parameters
    ----------
    target : array_like
        Torque wanted at the fastener [N·m].
    wrench_length : array_like
        Length L of the wrench, drive to middle of grip [m].
    extension : array_like
        Length E of the extension, drive to fastener [m].
    angle : array_like
        Angle φ between extension and wrench [rad]: 0 straight on, π/2 square to the
        handle, beyond that pointing back. All arguments broadcast.

    Returns
    -------
    ndarray of float
        Torque to set [N·m], broadcast shape.

    Raises
    ------
    ValueError
        If an argument is not finite, a torque or the wrench's length is not above zero,
        the extension's length is negative, or no lever is left.

    References
    ----------
    US Navy training manual NAVEDTRA 14315, drive-end extension formula;
    US Army TM 9-254, figures 45 (straight) and 46 (angled extension).

    Examples
    --------
    >>> import math
    >>> round(float(wrench_setting(27.0, 0.45, 0.05)), 2)
    24.3
    >>> round(float(wrench_setting(27.0, 0.45, 0.05, math.pi / 2)), 2)
    27.0
    """
    return positive("the target torque", target) / _lever_ratio(wrench_length, extension, angle)


def applied_torque(
    setting: ArrayLike,
    wrench_length: ArrayLike,
    extension: ArrayLike = 0.0,
    angle: ArrayLike = 0.0,
) -> Array:
    """Torque that reaches the fastener, the inverse of `wrench_setting`.

    Implements ``applied = set · (L + E cos φ) / L``.

    Parameters
    ----------
    setting : array_like
        Torque set on, or read from, the wrench [N·m].
    wrench_length : array_like
        Length L of the wrench, drive to middle of grip [m].
    extension : array_like
        Length E of the extension, drive to fastener [m].
    angle : array_like
        Angle φ between extension and wrench [rad]. All arguments broadcast.

    Returns
    -------
    ndarray of float
        Torque at the fastener [N·m], broadcast shape.

    Raises
    ------
    ValueError
        As `wrench_setting`.

    References
    ----------
    US Army TM 9-254, figures 45 (straight) and 46 (angled extension).

    Examples
    --------
    A wrench set to 27 N·m with a 5 cm extension overtightens the plug:

    >>> round(float(applied_torque(27.0, 0.45, 0.05)), 1)
    30.0
    """
    return positive("the torque set", setting) * _lever_ratio(wrench_length, extension, angle)


def tolerance_band(
    target: ArrayLike, tolerance: ArrayLike, *, relative: bool = False
) -> tuple[Array, Array]:
    """Lowest and highest torque that pass.

    Parameters
    ----------
    target : array_like
        Target torque [N·m].
    tolerance : array_like
        Half width of the band: [N·m], or a share of the target if `relative`.
        Broadcasts with `target`.
    relative : bool
        Whether `tolerance` is a share of the target.

    Returns
    -------
    tuple of ndarray of float
        Lower and upper end of the band [N·m], broadcast shape.

    Raises
    ------
    ValueError
        If an argument is not finite, the target not above zero, the tolerance negative
        or so large that no torque at all would pass.

    References
    ----------
    Definition.

    Examples
    --------
    >>> low, high = tolerance_band(27.0, 0.10, relative=True)
    >>> round(float(low), 1), round(float(high), 1)
    (24.3, 29.7)
    """
    aim = positive("the target torque", target)
    half = not_negative("the tolerance", tolerance)
    if relative:
        half = half * aim
    if np.any(half >= aim):
        raise ValueError("the tolerance is as large as the torque itself")
    return aim - half, aim + half


def within_tolerance(
    applied: ArrayLike, target: ArrayLike, tolerance: ArrayLike, *, relative: bool = False
) -> NDArray[np.bool_]:
    """Tell whether a torque lies in its band, the ends included.

    Parameters
    ----------
    applied : array_like
        Torque at the fastener [N·m].
    target : array_like
        Target torque [N·m].
    tolerance : array_like
        Half width of the band: [N·m], or a share of the target if `relative`. All
        arguments broadcast.
    relative : bool
        Whether `tolerance` is a share of the target.

    Returns
    -------
    ndarray of bool
        True where the torque passes. A difference of one part in 10⁹ is forgiven, so
        that an end of the band reached through a change of units still passes.

    Raises
    ------
    ValueError
        As `tolerance_band`, or if an applied torque is not finite or is negative.

    References
    ----------
    Definition.

    Examples
    --------
    >>> within_tolerance([24.2, 24.3, 29.7, 29.8], 27.0, 0.10, relative=True).tolist()
    [False, True, True, False]
    """
    low, high = tolerance_band(target, tolerance, relative=relative)
    torque = not_negative("the torque applied", applied)
    slack = 1e-9 * (low + high)
    passes: NDArray[np.bool_] = (torque >= low - slack) & (torque <= high + slack)
    return passes
