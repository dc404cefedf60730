"""How broad channels bend the straight mixing line of absorbances.

Beer-Lambert holds at each wavelength. A channel sums over many of them, and the matrix behind it
subtracts one channel from another, so the absorbance of a mix departs from the mix of the
absorbances. By how much depends on the spectra, which a photograph does not give; but the smoothest
spectra that show the colours of the two ends tell most of it.
"""

from __future__ import annotations

from functools import cache

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.optimize import least_squares

from sumpwright.physics.colour import XYZ_TO_SRGB, Array

__all__ = ["GRID", "departure", "observer", "sensitivity"]

GRID: Array = np.linspace(0.0, 1.0, 21)
"""Old shares at which a departure is given."""

_WAVELENGTHS: Array = np.arange(400.0, 701.0, 10.0)
_KNOTS: Array = np.array([440.0, 500.0, 560.0, 620.0])
_FLOOR = 0.02
_SMOOTH = 0.02
_DAYLIGHT = 6504.0


def observer(wavelengths: ArrayLike) -> Array:
    """Colour matching functions of the CIE 1931 2° standard observer, by a sum of lobes.

    Parameters
    ----------
    wavelengths : array_like, shape (n,)
        Wavelengths [nm].

    Returns
    -------
    numpy.ndarray, shape (3, n)
        x, y and z.

    References
    ----------
    C. Wyman, P.-P. Sloan, P. Shirley, "Simple analytic approximations to the CIE XYZ color matching
    functions", *J. Computer Graphics Techniques* 2(2) (2013) 1-11, the multi-lobe fit.

    Examples
    --------
    >>> observer([555.0]).round(2).tolist()
    [[0.52], [1.0], [0.01]]
    """
    at = np.asarray(wavelengths, dtype=np.float64)

    def lobe(height: float, centre: float, below: float, above: float) -> Array:
        width = np.where(at < centre, below, above)
        return np.asarray(height * np.exp(-0.5 * ((at - centre) / width) ** 2))

    return np.stack(
        [
            lobe(1.056, 599.8, 37.9, 31.0)
            + lobe(0.362, 442.0, 16.0, 26.7)
            + lobe(-0.065, 501.1, 20.4, 26.2),
            lobe(0.821, 568.8, 46.9, 40.5) + lobe(0.286, 530.9, 16.3, 31.1),
            lobe(1.217, 437.0, 11.8, 36.0) + lobe(0.681, 459.0, 26.0, 13.8),
        ]
    )


@cache
def sensitivity() -> Array:
    """Weight of each wavelength in linear sRGB under daylight, white being 1 in each channel.

    Returns
    -------
    numpy.ndarray, shape (3, n)
        Partly negative: the matrix from XYZ to sRGB subtracts.

    Examples
    --------
    >>> sensitivity().sum(axis=1).round(9).tolist()
    [1.0, 1.0, 1.0]
    """
    metre = _WAVELENGTHS * 1e-9
    daylight = 1.0 / (metre**5 * (np.exp(1.438777e-2 / (metre * _DAYLIGHT)) - 1.0))
    weight = XYZ_TO_SRGB @ observer(_WAVELENGTHS) * daylight
    return np.asarray(weight / weight.sum(axis=1, keepdims=True))


@cache
def _basis() -> Array:
    return np.stack([np.interp(_WAVELENGTHS, _KNOTS, row) for row in np.eye(len(_KNOTS))])


def _spectrum(transmittance: Array, use: NDArray[np.bool_]) -> Array:
    """Heights at the knots of the smoothest absorbance that shows three transmittances."""
    basis, weights = _basis(), sensitivity()
    target = -np.log10(np.maximum(transmittance, _FLOOR))
    trust = np.where(use, 1.0, 0.1)
    size = len(_KNOTS)
    rough = _SMOOTH * np.diff(np.eye(size), 2, axis=0)
    small = 0.1 * _SMOOTH * np.eye(size)

    def residual(heights: Array) -> Array:
        light = weights @ 10.0 ** -(heights @ basis)
        miss = -np.log10(np.maximum(light, _FLOOR)) - target
        return np.concatenate([trust * miss, rough @ heights, small @ heights])

    def slope(heights: Array) -> Array:
        through = 10.0 ** -(heights @ basis)
        light = weights @ through
        rise = (weights * through) @ basis.T / np.maximum(light, _FLOOR)[:, None]
        rise[light <= _FLOOR] = 0.0
        return np.concatenate([trust[:, None] * rise, rough, small])

    begin = np.interp(np.linspace(0.0, 2.0, size), [0.0, 1.0, 2.0], target[::-1])
    found = least_squares(residual, np.clip(begin, 1e-3, 5.0), jac=slope, bounds=(-0.05, 6.0))
    return np.asarray(found.x)


def departure(old: ArrayLike, new: ArrayLike, channels: ArrayLike | None = None) -> Array:
    """Departure of a mix's absorbance from the straight line between the two fluids.

    The smoothest absorbance spectra a(λ) are sought whose light Σ s(λ) 10^(-a(λ)) is that of the
    two fluids; they are mixed wavelength by wavelength, and the light of the mix is summed again.

    Parameters
    ----------
    old, new : array_like, shape (3,)
        Transmittance of the two fluids.
    channels : array_like of bool, shape (3,), optional
        Channels in which both can be read; the others count little.

    Returns
    -------
    numpy.ndarray, shape (21, 3)
        Absorbance of the mix less that on the straight line, at the old shares `GRID`.

    Examples
    --------
    >>> bent = departure([0.70, 0.40, 0.10], [0.95, 0.80, 0.60])
    >>> bool(np.all(bent[[0, -1]] == 0)), bool(np.abs(bent).max() < 0.1)
    (True, True)
    """
    use = np.ones(3, dtype=bool) if channels is None else np.asarray(channels, dtype=bool)
    ends = [_spectrum(np.asarray(t, dtype=np.float64), use) for t in (new, old)]
    heights = (1.0 - GRID)[:, None] * ends[0] + GRID[:, None] * ends[1]
    light = 10.0 ** -(heights @ _basis()) @ sensitivity().T
    mixed = -np.log10(np.maximum(light, 1e-4))
    out: Array = mixed - (1.0 - GRID)[:, None] * mixed[0] - GRID[:, None] * mixed[-1]
    out[[0, -1]] = 0.0
    return out
