"""Refuse impossible numbers before they reach an equation."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

Array = NDArray[np.float64]


def finite(name: str, value: ArrayLike) -> Array:
    """Return `value` as an array of finite floats.

    Parameters
    ----------
    name : str
        What the value is, for the message.
    value : array_like
        Any shape.

    Returns
    -------
    ndarray of float
        The same values, same shape.

    Raises
    ------
    ValueError
        If a value is not a number, or is infinite.

    Examples
    --------
    >>> finite("a temperature", [293.15, float("nan")])
    Traceback (most recent call last):
    ValueError: a temperature must be a finite number
    """
    try:
        out = np.asarray(value, dtype=np.float64)
    except (TypeError, ValueError):
        raise ValueError(f"{name} must be a finite number") from None
    if not np.all(np.isfinite(out)):
        raise ValueError(f"{name} must be a finite number")
    return out


def positive(name: str, value: ArrayLike) -> Array:
    """Return `value` as an array of finite floats above zero.

    Parameters
    ----------
    name : str
        What the value is, for the message.
    value : array_like
        Any shape.

    Returns
    -------
    ndarray of float
        The same values, same shape.

    Raises
    ------
    ValueError
        If a value is not finite or not above zero.

    Examples
    --------
    >>> positive("density", 846.0)
    array(846.)
    """
    out = finite(name, value)
    if np.any(out <= 0):
        raise ValueError(f"{name} must be above zero")
    return out


def not_negative(name: str, value: ArrayLike) -> Array:
    """Return `value` as an array of finite floats at or above zero.

    Parameters
    ----------
    name : str
        What the value is, for the message.
    value : array_like
        Any shape.

    Returns
    -------
    ndarray of float
        The same values, same shape.

    Raises
    ------
    ValueError
        If a value is not finite or is negative.

    Examples
    --------
    >>> not_negative("a volume", -1e-3)
    Traceback (most recent call last):
    ValueError: a volume must not be negative
    """
    out = finite(name, value)
    if np.any(out < 0):
        raise ValueError(f"{name} must not be negative")
    return out


def share(name: str, value: ArrayLike) -> Array:
    """Return `value` as an array of shares in [0, 1].

    Parameters
    ----------
    name : str
        What the value is, for the message.
    value : array_like
        Any shape.

    Returns
    -------
    ndarray of float
        The same values, same shape.

    Raises
    ------
    ValueError
        If a value is not finite or leaves [0, 1].

    Examples
    --------
    >>> share("the fresh share", 90.0)
    Traceback (most recent call last):
    ValueError: the fresh share must lie between 0 and 1
    """
    out = finite(name, value)
    if np.any((out < 0) | (out > 1)):
        raise ValueError(f"{name} must lie between 0 and 1")
    return out
