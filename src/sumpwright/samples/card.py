"""The white card: where it is and how the light falls on it."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from sumpwright.errors import Complaint

__all__ = ["Card", "agree", "describe", "find_card", "fit_light"]

Light = NDArray[np.float32]
Mask = NDArray[np.bool_]

FLOOR = 2e-4
"""Linear light below which an 8-bit picture holds nothing; keeps logarithms finite."""


@dataclass(frozen=True)
class Card:
    """The light that falls on the card, and which pixels are card.

    Parameters
    ----------
    coefficients : numpy.ndarray, shape (terms, 3)
        Decadic logarithm of the light per channel as a polynomial of the place.
    mask : numpy.ndarray of bool, shape (h, w)
        Pixels that look like bare card.
    roughness : float
        Standard deviation of a card pixel about the fitted light, in decades.
    unevenness : float
        Standard deviation of what is left of the light's unevenness over patches the size of a
        vial, in decades.
    burnt : float
        Share of the card whose light is beyond the top of the scale in some channel.
    """

    coefficients: NDArray[np.float64]
    mask: Mask
    roughness: float
    unevenness: float
    burnt: float

    def log_light(self, x: NDArray[np.float64], y: NDArray[np.float64]) -> NDArray[np.float64]:
        """Logarithm of the light at places given in units of the picture's width and height."""
        order = _ORDERS[len(self.coefficients)]
        return _terms(x, y, order) @ self.coefficients

    def log_map(self, height: int, width: int) -> Light:
        """Logarithm of the light over a whole picture, shape (height, width, 3)."""
        return _map(self.coefficients, height, width)


# Order of the polynomial and how far a pixel may be from it to be card, in decades, turn by turn.
_TURNS = (
    (1, 0.12),
    (1, 0.08),
    (1, 0.06),
    (2, 0.05),
    (2, 0.04),
    (2, 0.035),
    (2, 0.025),
    (2, 0.025),
)
_ORDERS = {1: 0, 3: 1, 6: 2, 10: 3}


def _terms(x: NDArray[np.float64], y: NDArray[np.float64], order: int) -> NDArray[np.float64]:
    u, v = 2.0 * x - 1.0, 2.0 * y - 1.0
    return np.stack(
        [u**i * v**j for total in range(order + 1) for j in range(total + 1) for i in (total - j,)],
        axis=-1,
    )


def _map(coefficients: NDArray[np.float64], height: int, width: int) -> Light:
    order = _ORDERS[len(coefficients)]
    square = np.zeros((3, order + 1, order + 1))
    powers = [(t - j, j) for t in range(order + 1) for j in range(t + 1)]
    for (i, j), c in zip(powers, coefficients, strict=True):
        square[:, j, i] = c
    exponents = np.arange(order + 1)[:, None]
    u = (2.0 * (np.arange(width) + 0.5) / width - 1.0) ** exponents
    v = (2.0 * (np.arange(height) + 0.5) / height - 1.0) ** exponents
    out = np.empty((height, width, 3), np.float32)
    for channel in range(3):
        # Row by row of powers: a threaded matrix product of this shape is far slower when the
        # cores are busy.
        plane = np.zeros((height, width), np.float32)
        for j in range(order + 1):
            along = (square[channel, j] @ u).astype(np.float32)
            plane += v[j].astype(np.float32)[:, None] * along
        out[:, :, channel] = plane
    return out


def fit_light(
    log_light: Light,
    mask: Mask,
    order: int,
    before: NDArray[np.float64] | None = None,
    most: int = 12_000,
) -> NDArray[np.float64]:
    """Fit a polynomial to the logarithm of the light over the masked pixels.

    Parameters
    ----------
    log_light : numpy.ndarray, shape (h, w, 3)
        Decadic logarithm of the linear light.
    mask : numpy.ndarray of bool, shape (h, w)
        Pixels to fit.
    order : int
        Order of the polynomial, 0 to 3.
    before : numpy.ndarray, optional
        An earlier fit: pixels below it count a quarter, because what stands before the card can
        only take light away.
    most : int
        Pixels used at most, evenly taken.

    Returns
    -------
    numpy.ndarray, shape (terms, 3)
        Coefficients; terms beyond the first order are held back a little (ridge), so that a small
        card does not make the light run away at the edge of the picture.
    """
    rows, columns = np.nonzero(mask)
    step = max(1, len(rows) // most)
    rows, columns = rows[::step], columns[::step]
    height, width = mask.shape
    terms = _terms((columns + 0.5) / width, (rows + 0.5) / height, order)
    values = log_light[rows, columns].astype(np.float64)
    ridge = np.array([0.0 if t < 2 else 1e-4 for t in range(order + 1) for _ in range(t + 1)])
    held = np.diag(ridge * len(rows) + 1e-9)
    if before is None:
        return np.asarray(np.linalg.solve(terms.T @ terms + held, terms.T @ values))
    earlier = _terms((columns + 0.5) / width, (rows + 0.5) / height, _ORDERS[len(before)])
    out = np.empty((terms.shape[1], 3))
    for channel in range(3):
        below = values[:, channel] < earlier @ before[:, channel]
        weighted = terms * np.where(below, 0.25, 1.0)[:, None]
        out[:, channel] = np.linalg.solve(
            weighted.T @ terms + held, weighted.T @ values[:, channel]
        )
    return out


def find_card(light: Light, name: str = "") -> Card:
    """Find the white card and the light on it.

    The brightest even part of the picture starts as the card; a polynomial is fitted to the
    logarithm of its light and the card grows or shrinks to the pixels that agree, in turns.

    Parameters
    ----------
    light : numpy.ndarray, shape (h, w, 3)
        Linear light, 0 to 1.
    name : str
        File name for complaints.

    Returns
    -------
    Card
        The light and the pixels of the card.

    Raises
    ------
    Complaint
        If the picture is too dark, or no even white area is found.
    """
    small = _reduced(light)
    level = small.mean(axis=2)
    top = float(np.percentile(level, 97))
    if top < 0.015:
        raise Complaint(
            "the picture is too dark", "light the white card and take it again", name, "photo"
        )
    log_light = np.log10(np.maximum(small, FLOOR))
    mask: Mask = level > 0.72 * top
    coefficients = fit_light(log_light, mask, 0)
    for order, width in _TURNS:
        coefficients = fit_light(log_light, mask, order, coefficients if width > 0.03 else None)
        grown = agree(log_light, coefficients, width)
        if grown.mean() < 0.04:
            raise Complaint(
                "no white card is found behind the vials",
                "stand the vials on or before a plain white card that fills most of the picture",
                name,
                "photo",
            )
        mask = grown
    log_light = np.log10(np.maximum(cv2.blur(light, (3, 3)), FLOOR))
    return describe(light, log_light, agree(log_light, coefficients, 0.03), coefficients)


def _reduced(light: Light, longest: int = 320) -> Light:
    """A smaller picture, for the turns in which only the broad light matters."""
    height, width = light.shape[:2]
    scale = min(1.0, longest / max(height, width))
    size = max(1, round(width * scale)), max(1, round(height * scale))
    return np.asarray(cv2.resize(light, size, interpolation=cv2.INTER_AREA), dtype=np.float32)


def agree(log_light: Light, coefficients: NDArray[np.float64], width: float) -> Mask:
    """Pixels whose three channels are all within a width of the fitted light.

    Parameters
    ----------
    log_light : numpy.ndarray, shape (h, w, 3)
        Decadic logarithm of the linear light.
    coefficients : numpy.ndarray, shape (terms, 3)
        From `fit_light`.
    width : float
        In decades.

    Returns
    -------
    numpy.ndarray of bool, shape (h, w)
        True where the pixel agrees.
    """
    away = np.abs(log_light - _map(coefficients, *log_light.shape[:2]))
    return np.asarray(np.maximum(np.maximum(away[..., 0], away[..., 1]), away[..., 2]) < width)


def describe(light: Light, log_light: Light, mask: Mask, coefficients: NDArray[np.float64]) -> Card:
    """Measure how well the fitted light describes the card.

    Parameters
    ----------
    light, log_light : numpy.ndarray, shape (h, w, 3)
        Linear light and its decadic logarithm.
    mask : numpy.ndarray of bool, shape (h, w)
        Pixels of the card.
    coefficients : numpy.ndarray, shape (terms, 3)
        From `fit_light`.

    Returns
    -------
    Card
        The light with its errors.
    """
    left = log_light - _map(coefficients, *mask.shape)
    thin = np.zeros_like(mask)
    thin[::3, ::3] = mask[::3, ::3]
    roughness = float(1.4826 * np.median(np.abs(left[thin]))) if thin.any() else 0.0
    block = max(4, min(mask.shape) // 24)
    weight = cv2.blur(mask.astype(np.float32), (block, block))
    masked = left * mask[:, :, None]
    means = cv2.blur(masked, (block, block))[::block, ::block]
    full = weight[::block, ::block] > 0.6
    patches = means[full] / weight[::block, ::block][full][:, None]
    unevenness = float(1.4826 * np.median(np.abs(patches))) if len(patches) else roughness
    burnt = float((light[thin] > 0.985).mean(axis=0).max()) if thin.any() else 0.0
    return Card(coefficients, mask, roughness, unevenness, burnt)
