"""One vial across the row, as the finding of vials passes it on."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

__all__ = ["Line", "Map", "Mask", "Span"]

Mask: TypeAlias = NDArray[np.bool_]
Map: TypeAlias = NDArray[np.float32]
Line: TypeAlias = NDArray[np.float64]


@dataclass(frozen=True)
class Span:
    """One vial across the row.

    Parameters
    ----------
    left, right : float
        Its sides, in columns, half-way down the band.
    strength : float
        How far it stands out from the card, in absorbance.
    lean : float
        Columns that the sides move to the right for each row further down.
    sure : bool
        It looks above its fluid as the other vials do.
    """

    left: float
    right: float
    strength: float
    lean: float = 0.0
    sure: bool = False

    @property
    def width(self) -> float:
        return self.right - self.left

    @property
    def centre(self) -> float:
        return (self.left + self.right) / 2
