"""Spectral half of the photograph generator: fluids, lights and cameras, by colour-science.

Nothing here may import from the package under test. Fluids are invented: dye bands of Gaussian
shape on the exponential tail that hydrocarbons show towards the blue. Lights and the observer are
the CIE's, taken from colour-science; one camera's sensor curves are measured ones shipped there,
the others are invented. Nothing is tuned to the reader.
"""

from __future__ import annotations

import warnings
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

with warnings.catch_warnings():
    warnings.simplefilter("ignore")  # optional plotting packages that it does without
    import colour

Array = NDArray[np.float64]

SHAPE = colour.SpectralShape(390, 730, 5)
WAVELENGTHS: Array = np.arange(390.0, 731.0, 5.0)

LIGHTS = {
    "daylight": ("D55", "D65", "D75"),
    "tungsten": ("A",),
    "led": ("LED-B1", "LED-B3", "LED-B5"),
    "fluorescent": ("FL2", "FL7", "FL11"),
}
CAMERAS = ("observer", "measured", "broad", "narrow")


def band(centre: float, width: float) -> Array:
    """Gaussian band over the wavelengths, height 1."""
    return np.exp(-0.5 * ((WAVELENGTHS - centre) / width) ** 2)


def tail(height: float, decay: float) -> Array:
    """Exponential tail towards the blue, with its value at 550 nm."""
    return height * np.exp(-(WAVELENGTHS - 550.0) / decay)


@dataclass(frozen=True)
class Fluids:
    """Absorbance spectra of the unused and of the old fluid over the full bore of a vial."""

    kind: str
    new: Array
    old: Array

    def mixed(self, shares: Array) -> Array:
        """Absorbance of each mix, shape (n, wavelengths)."""
        return np.outer(1 - shares, self.new) + np.outer(shares, self.old)


def fluids(rng: np.random.Generator, kind: str, darkness: float) -> Fluids:
    """An invented fluid, unused and old.

    Parameters
    ----------
    rng : numpy.random.Generator
        Draws the details.
    kind : str
        "red", "amber", "green", "blue" or "clear".
    darkness : float
        Absorbance at 550 nm that age has added.
    """
    depth = rng.uniform(0.4, 1.2)
    base = tail(rng.uniform(0.01, 0.05) * depth, rng.uniform(38, 65))
    dyes = {
        "red": 0.5 * band(rng.uniform(508, 528), rng.uniform(28, 40)) + 0.15 * band(552, 20),
        "green": 0.25 * band(rng.uniform(630, 650), 30) + 0.12 * band(430, 30),
        "blue": 0.3 * band(rng.uniform(595, 630), 38),
    }
    strength = {"amber": 1.3, "clear": 0.15, "red": 1.0, "green": 0.5, "blue": 0.3}
    new = depth * dyes.get(kind, np.zeros_like(WAVELENGTHS)) + strength[kind] * base
    new = new + rng.uniform(0.0, 0.02)
    old = rng.uniform(0.4, 1.0) * new + tail(darkness, rng.uniform(55, 120))
    return Fluids(kind, new, old)


@lru_cache(maxsize=32)
def light(name: str) -> Array:
    """Relative power of a CIE illuminant, its maximum 1."""
    values = colour.SDS_ILLUMINANTS[name].copy().align(SHAPE).values
    return np.asarray(values / values.max(), dtype=np.float64)


@lru_cache(maxsize=1)
def _observer() -> Array:
    cmfs = colour.MSDS_CMFS["CIE 1931 2 Degree Standard Observer"]
    return np.asarray(cmfs.copy().align(SHAPE).values, dtype=np.float64)


@lru_cache(maxsize=8)
def _sensor(name: str) -> Array:
    if name == "measured":
        first = next(iter(colour.MSDS_CAMERA_SENSITIVITIES.values()))
        return np.asarray(first.copy().align(SHAPE).values, dtype=np.float64)
    if name == "broad":
        return np.stack([band(598, 38), band(532, 44), band(462, 33)], axis=1)
    return np.stack([band(606, 26), band(540, 32), band(452, 24)], axis=1)


def _ideal(name: str) -> Array:
    """Observer, adapted to the light by the Bradford transform, as linear sRGB weights."""
    power, cmfs = light(name), _observer()
    white = power @ cmfs
    adaptation = colour.adaptation.matrix_chromatic_adaptation_VonKries(
        white / white[1], np.array([0.95047, 1.0, 1.08883]), transform="Bradford"
    )
    to_srgb = np.asarray(colour.RGB_COLOURSPACES["sRGB"].matrix_XYZ_to_RGB)
    weights = power[:, None] * cmfs @ (to_srgb @ adaptation).T
    return np.asarray(weights / weights.sum(axis=0), dtype=np.float64)


@lru_cache(maxsize=64)
def camera(sensor: str, light_name: str) -> Array:
    """Weights that turn a transmittance spectrum into the camera's linear sRGB, white being 1.

    The sensor's own channels are balanced on white and then mixed by the 3 x 3 matrix that brings
    300 smooth random surfaces closest to what the observer sees, as camera makers do. The matrix
    has negative entries, which breaks Beer-Lambert channel by channel.
    """
    if sensor == "observer":
        return _ideal(light_name)
    weights = light(light_name)[:, None] * _sensor(sensor)
    weights = weights / weights.sum(axis=0)
    rng = np.random.default_rng(300)
    bumps = np.stack([band(c, 40) for c in np.linspace(400, 700, 7)])
    surfaces = 1 / (1 + np.exp(-1.2 * rng.normal(size=(300, 7)) @ bumps))
    matrix = np.linalg.lstsq(surfaces @ weights, surfaces @ _ideal(light_name), rcond=None)[0]
    mixed = weights @ (matrix / matrix.sum(axis=0))
    return np.asarray(mixed, dtype=np.float64)


def linear_rgb(absorbances: Array, weights: Array) -> Array:
    """Linear camera values, white being 1, of absorbance spectra of shape (..., wavelengths)."""
    return np.asarray(10.0**-absorbances @ weights)
