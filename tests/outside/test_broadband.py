"""The bend of broad channels against the observer's tables and spectra mixed independently."""

from __future__ import annotations

import warnings

import numpy as np
import pytest

from sumpwright.physics.broadband import GRID, departure, observer
from sumpwright.physics.mixing import old_shares

with warnings.catch_warnings():
    warnings.simplefilter("ignore")  # optional plotting packages that it does without
    import colour

WAVELENGTHS = np.arange(400.0, 701.0, 5.0)
TABLE = colour.MSDS_CMFS["CIE 1931 2 Degree Standard Observer"]


def table() -> np.ndarray:
    """x, y and z of CIE 018:2019 as the library colour-science carries them."""
    return np.array([TABLE[float(w)] for w in WAVELENGTHS]).T


def test_the_observer_is_that_of_the_tables() -> None:
    # The authors of the fit give its greatest error as about 0.02 of the height; here with room.
    np.testing.assert_allclose(observer(WAVELENGTHS), table(), atol=0.04)
    areas = observer(WAVELENGTHS).sum(axis=1) / table().sum(axis=1)
    np.testing.assert_allclose(areas, 1.0, atol=0.01)


def dye(centre: float, width: float, height: float) -> np.ndarray:
    return np.asarray(height * np.exp(-0.5 * ((WAVELENGTHS - centre) / width) ** 2))


def light(absorbances: np.ndarray) -> np.ndarray:
    """Linear sRGB over white of spectra under D65, by the tables and the library's matrix."""
    lamp = np.array([colour.SDS_ILLUMINANTS["D65"][float(w)] for w in WAVELENGTHS])
    weights = np.asarray(colour.RGB_COLOURSPACES["sRGB"].matrix_XYZ_to_RGB) @ table() * lamp
    return np.asarray(10.0**-absorbances @ weights.T / weights.sum(axis=1))


@pytest.mark.parametrize(
    ("new", "old"),
    [
        (dye(430, 60, 0.2), dye(430, 90, 0.9)),
        (dye(520, 50, 0.3), dye(450, 90, 0.8) + dye(520, 50, 0.2)),
        (dye(640, 60, 0.3), dye(450, 100, 0.7) + dye(640, 60, 0.2)),
        (dye(610, 60, 0.4), dye(450, 100, 0.5) + dye(610, 60, 0.1)),
    ],
)
def test_most_of_the_bend_is_foretold_and_makes_better_shares(
    new: np.ndarray, old: np.ndarray
) -> None:
    through = light(GRID[:, None] * old + (1 - GRID[:, None]) * new)[::-1]
    assert through.min() > 0.02
    absorbance = -np.log10(through[::-1])
    straight = (1 - GRID[:, None]) * absorbance[0] + GRID[:, None] * absorbance[-1]
    bent = absorbance - straight
    foretold = departure(through[0], through[-1])
    assert np.abs(bent - foretold).max() < 0.6 * np.abs(bent).max()
    shares = GRID[::-1]
    got = old_shares(through, 0, len(GRID) - 1)
    assert np.sqrt(np.mean((got.share - shares) ** 2)) < 0.015
    assert np.all((got.low <= shares + 1e-9) & (shares - 1e-9 <= got.high))


def test_narrow_channels_are_read_on_the_straight_line() -> None:
    # Beer and Lambert in each channel alone: what a filter of one wavelength shows.
    rng = np.random.default_rng(4)
    shares = np.array([1.0, 0.6, 0.35, 0.2, 0.1, 0.0])
    errors = []
    for _ in range(60):
        new = rng.uniform(0.02, 0.3, 3)
        span = rng.uniform([0.02, 0.1, 0.3], [0.2, 0.6, 1.2])
        through = 10.0 ** -(new + shares[:, None] * span)
        errors.append(old_shares(through, 0, 5).share - shares)
    assert np.sqrt(np.mean(np.square(errors))) < 0.012
