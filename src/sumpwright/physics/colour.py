"""Colour of a photographed fluid: sRGB to light, light to absorbance, and colour difference.

Every function takes and gives plain numpy arrays whose last axis is red, green, blue (or L*, a*,
b*). "Light" is linear: twice the number is twice the photons. "Transmittance" is the light of a
sample divided by the light of the white card behind it, and has no unit.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import ArrayLike, NDArray

__all__ = [
    "BLACK",
    "TOLD_APART",
    "XYZ_TO_SRGB",
    "absorbance",
    "colour_difference",
    "lab",
    "luminance",
    "srgb_decode",
    "srgb_encode",
    "told_apart",
]

Array = NDArray[np.float64]

BLACK = 1e-4
"""Transmittance below which a sample gives no light that a photograph can measure."""

TOLD_APART = 2.0
"""Colour difference from which two vials are said to differ (common practice, no source)."""

# IEC 61966-2-1:1999, linear sRGB to CIE XYZ for the D65 white.
_SRGB_TO_XYZ: Array = np.array(
    [[0.4124, 0.3576, 0.1805], [0.2126, 0.7152, 0.0722], [0.0193, 0.1192, 0.9505]]
)
XYZ_TO_SRGB: Array = np.asarray(np.linalg.inv(_SRGB_TO_XYZ), dtype=np.float64)
"""CIE XYZ to linear sRGB, IEC 61966-2-1:1999."""


def srgb_decode(values: ArrayLike) -> Array:
    """Turn sRGB values into linear light.

    ``c / 12.92`` up to 0.04045 and ``((c + 0.055) / 1.055) ** 2.4`` above.

    Parameters
    ----------
    values : array_like
        Encoded values; an unsigned integer array is scaled by the maximum of its type, anything
        else is taken as 0 to 1. Any shape.

    Returns
    -------
    numpy.ndarray
        Linear light, 0 to 1, of the same shape.

    References
    ----------
    IEC 61966-2-1:1999, *Default RGB colour space: sRGB*.

    Examples
    --------
    >>> srgb_decode(np.array([0, 128, 255], dtype=np.uint8)).round(4).tolist()
    [0.0, 0.2159, 1.0]
    """
    raw = np.asarray(values)
    if np.issubdtype(raw.dtype, np.unsignedinteger):
        encoded = raw.astype(np.float64) / np.iinfo(raw.dtype).max
    else:
        encoded = raw.astype(np.float64)
    bent = ((np.maximum(encoded, 0.04045) + 0.055) / 1.055) ** 2.4
    return np.asarray(np.where(encoded <= 0.04045, encoded / 12.92, bent))


def srgb_encode(light: ArrayLike) -> Array:
    """Turn linear light into sRGB values between 0 and 1: the inverse of `srgb_decode`.

    Parameters
    ----------
    light : array_like
        Linear light; what lies outside 0 to 1 is clipped, as a screen would.

    Returns
    -------
    numpy.ndarray
        Encoded values, 0 to 1, of the same shape.

    References
    ----------
    IEC 61966-2-1:1999, *Default RGB colour space: sRGB*.

    Examples
    --------
    >>> srgb_encode(srgb_decode([0.02, 0.5, 1.0])).round(6).tolist()
    [0.02, 0.5, 1.0]
    """
    linear = np.clip(np.asarray(light, dtype=np.float64), 0.0, 1.0)
    bent = 1.055 * np.maximum(linear, 0.0031308) ** (1 / 2.4) - 0.055
    return np.asarray(np.where(linear <= 0.0031308, 12.92 * linear, bent))


def luminance(light: ArrayLike) -> Array:
    """Relative luminance Y of linear sRGB light.

    Parameters
    ----------
    light : array_like, shape (..., 3)
        Linear light.

    Returns
    -------
    numpy.ndarray, shape (...)
        0.2126 R + 0.7152 G + 0.0722 B.

    References
    ----------
    IEC 61966-2-1:1999.

    Examples
    --------
    >>> float(luminance([1.0, 1.0, 1.0]))
    1.0
    """
    return np.asarray(np.asarray(light, dtype=np.float64) @ _SRGB_TO_XYZ[1])


def absorbance(light: ArrayLike, white: ArrayLike = 1.0) -> Array:
    """Absorbance of a sample against the white behind it.

    ``A = -log10(light / white)``. It may be a little below zero where a camera's colour matrix
    makes a coloured fluid brighter than the card in one channel.

    Parameters
    ----------
    light : array_like
        Linear light through the sample; below `BLACK` times the white it counts as `BLACK`.
    white : array_like
        Linear light of the card at the same place; broadcast against `light`.

    Returns
    -------
    numpy.ndarray
        Decadic absorbance, no unit.

    Raises
    ------
    ValueError
        If the white is not above zero everywhere.

    References
    ----------
    Beer-Lambert law; IUPAC *Gold Book*, "absorbance" (A00028).

    Examples
    --------
    >>> absorbance([0.45, 0.09, 0.009], 0.9).round(4).tolist()
    [0.301, 1.0, 2.0]
    """
    reference = np.asarray(white, dtype=np.float64)
    if not np.all(reference > 0):
        raise ValueError("the white reference must be above zero")
    return -np.log10(np.maximum(np.asarray(light, dtype=np.float64) / reference, BLACK))


def lab(transmittance: ArrayLike) -> Array:
    """CIE L*a*b* of a sample with the white card as the white.

    Dividing by the card first makes the card L* = 100, a* = b* = 0 under any light, so that two
    photographs can be compared.

    Parameters
    ----------
    transmittance : array_like, shape (..., 3)
        Linear light divided by the light of the card.

    Returns
    -------
    numpy.ndarray, shape (..., 3)
        L*, a*, b*.

    References
    ----------
    ISO/CIE 11664-4:2019; IEC 61966-2-1:1999 for the matrix.

    Examples
    --------
    >>> lab([[1.0, 1.0, 1.0], [0.2, 0.2, 0.2]]).round(2).tolist()
    [[100.0, 0.0, 0.0], [51.84, 0.0, 0.0]]
    """
    linear = np.maximum(np.asarray(transmittance, dtype=np.float64), 0.0)
    relative = linear @ _SRGB_TO_XYZ.T / _SRGB_TO_XYZ.sum(axis=1)
    bent = np.where(
        relative > (6 / 29) ** 3, np.cbrt(relative), relative * (29 / 6) ** 2 / 3 + 4 / 29
    )
    x, y, z = bent[..., 0], bent[..., 1], bent[..., 2]
    return np.stack([116 * y - 16, 500 * (x - y), 200 * (y - z)], axis=-1)


def colour_difference(first: ArrayLike, second: ArrayLike) -> Array:
    """CIEDE2000 colour difference between L*a*b* colours.

    Parameters
    ----------
    first, second : array_like, shape (..., 3)
        L*, a*, b*; broadcast against each other.

    Returns
    -------
    numpy.ndarray, shape (...)
        The difference with all three weights 1.

    References
    ----------
    G. Sharma, W. Wu and E. N. Dalal, "The CIEDE2000 color-difference formula", *Color Research and
    Application* 30 (2005) 21-30, doi:10.1002/col.20070. Computed by scikit-image.

    Examples
    --------
    >>> round(float(colour_difference([50.0, 2.6772, -79.7751], [50.0, 0.0, -82.7485])), 4)
    2.0425
    """
    from skimage import color  # slow to import; most callers never need it

    formula: Callable[[Array, Array], Array] = color.deltaE_ciede2000
    one, two = np.broadcast_arrays(
        np.asarray(first, dtype=np.float64), np.asarray(second, dtype=np.float64)
    )
    return np.asarray(formula(one, two), dtype=np.float64)


def told_apart(difference: ArrayLike, threshold: float = TOLD_APART) -> NDArray[np.bool_]:
    """Whether two colours differ by at least the threshold.

    Parameters
    ----------
    difference : array_like
        CIEDE2000 differences.
    threshold : float
        The smallest difference that counts. The user sets it.

    Returns
    -------
    numpy.ndarray of bool
        True where the colours can be told apart.

    Raises
    ------
    ValueError
        If the threshold is not above zero.

    Examples
    --------
    >>> told_apart([0.6, 2.0, 9.0]).tolist()
    [False, True, True]
    """
    if not threshold > 0:
        raise ValueError("the threshold must be above zero")
    return np.asarray(np.asarray(difference, dtype=np.float64) >= threshold)
