"""Cleanliness codes of fluids: particle counts to scale numbers and back.

References
----------
ISO 4406, *Hydraulic fluid power — Fluids — Method for coding the level of contamination
by solid particles*: three scale numbers for the particles per millilitre of at least 4, 6
and 14 µm(c), each step about a doubling.
"""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from sumpwright.errors import Complaint

UPPER = np.array(
    [
        0.01, 0.02, 0.04, 0.08, 0.16, 0.32, 0.64, 1.3, 2.5, 5, 10, 20, 40, 80, 160, 320, 640,
        1300, 2500, 5000, 10_000, 20_000, 40_000, 80_000, 160_000, 320_000, 640_000,
        1_300_000, 2_500_000,
    ]
)  # fmt: skip
"""Most particles per millilitre of the scale numbers 0 to 28; each includes its end."""
BEYOND = 29
"""Stands for "above 28"."""
FEW = 20
"""Counted particles below which a scale number is marked as uncertain (≥)."""
SIZES = ("4 µm", "6 µm", "14 µm")
Mark = Literal["", "≥", ">", "*", "-"]


def scale_number(per_millilitre: ArrayLike) -> NDArray[np.int_]:
    """Scale number of a count: more than its lower and up to its upper bound.

    Parameters
    ----------
    per_millilitre : array_like
        Particles per millilitre, of at least one size; any shape.

    Returns
    -------
    ndarray of int
        0 to 28, and `BEYOND` for more than 2 500 000.

    Raises
    ------
    ValueError
        For a count that is negative or not finite.

    Examples
    --------
    >>> scale_number([0.01, 80.0, 160.0, 161.0, 3e6]).tolist()
    [0, 13, 14, 15, 29]
    """
    count = np.asarray(per_millilitre, dtype=np.float64)
    if not np.all(np.isfinite(count)) or np.any(count < 0):
        raise ValueError("a particle count must be finite and not negative")
    return np.asarray(np.searchsorted(UPPER, count, side="left"), dtype=np.int_)


@dataclass(frozen=True)
class Scale:
    """One of the three places of a code.

    ``number`` is ``None`` where nothing was counted (``-``) or too much (``*``);
    ``≥`` marks a number from fewer than 20 counted particles, ``>`` one above 28.
    """

    number: int | None
    mark: Mark = ""

    def __str__(self) -> str:
        if self.number is None:
            return self.mark or "-"
        return f"{self.mark}{self.number}"


@dataclass(frozen=True)
class Code:
    """A cleanliness code, coarse to fine as written: 4, 6 and 14 µm(c)."""

    scales: tuple[Scale, Scale, Scale]

    def __str__(self) -> str:
        return "/".join(str(scale) for scale in self.scales)

    def steps_above(self, other: Code) -> int | None:
        """Largest number of steps by which this code lies above another; ``None`` if unknown.

        Examples
        --------
        >>> read_code("19/17/14").steps_above(read_code("18/16/13"))
        1
        """
        steps = [
            a.number - b.number
            for a, b in zip(self.scales, other.scales, strict=True)
            if a.number is not None and b.number is not None
        ]
        return max(steps) if steps else None


def code_of(per_millilitre: Sequence[float], counted: Sequence[int] | None = None) -> Code:
    """Code of the counts at 4, 6 and 14 µm(c).

    Parameters
    ----------
    per_millilitre : sequence of 3 floats
        Particles per millilitre of at least each size; they cannot rise with size.
    counted : sequence of 3 ints, optional
        How many particles were really counted; fewer than 20 gives the mark ≥.

    Returns
    -------
    Code

    Raises
    ------
    Complaint
        Not three counts, a negative one, or more coarse particles than fine ones.

    Examples
    --------
    >>> str(code_of([151.0, 38.7, 0.9], counted=[1510, 387, 9]))
    '14/12/≥7'
    """
    if len(per_millilitre) != 3 or (counted is not None and len(counted) != 3):
        raise Complaint("a cleanliness code needs three counts", "give those at 4, 6 and 14 µm")
    if any(not math.isfinite(n) or n < 0 for n in per_millilitre):
        raise Complaint("a particle count below zero, or not a number", "correct it")
    for k in (1, 2):
        if per_millilitre[k] > per_millilitre[k - 1]:
            raise Complaint(
                f"more particles of {SIZES[k]} and above than of {SIZES[k - 1]} and above",
                "check the order of the counts: each includes the larger ones",
            )
    numbers = scale_number(per_millilitre)
    scales = []
    for k, number in enumerate(int(n) for n in numbers):
        if number == BEYOND:
            scales.append(Scale(28, ">"))
        elif counted is not None and counted[k] < FEW:
            scales.append(Scale(number, "≥"))
        else:
            scales.append(Scale(number))
    return Code((scales[0], scales[1], scales[2]))


_PART = re.compile(r"\s*(?P<mark>≥|>=|>|)\s*(?P<number>\d{1,2})\s*$")


def read_code(text: str) -> Code:
    """Read a written code and refuse one that cannot be.

    Parameters
    ----------
    text : str
        Such as ``18/16/13``, ``-/16/13`` (microscope: two numbers), ``*/15/12`` or
        ``14/12/≥7``; a leading "ISO 4406" is passed over.

    Returns
    -------
    Code

    Raises
    ------
    Complaint
        Not three places, a number above 28, or numbers that rise with size.

    Examples
    --------
    >>> str(read_code("ISO 4406: 18/16/13"))
    '18/16/13'
    >>> read_code("13/16/18")
    Traceback (most recent call last):
    ...
    sumpwright.errors.Complaint: cleanliness code '13/16/18' rises with particle size; the numbers \
stand for 4, 6 and 14 µm in that order
    """
    bare = re.sub(r"^\s*iso\s*4406(\s*[:\-]\s*\d{4}(?=\s))?\s*:?", "", text, flags=re.IGNORECASE)
    parts = bare.strip().split("/")
    if len(parts) == 2:
        # Counted under a microscope: only the two coarser places are there.
        parts = ["-", *parts]
    if len(parts) != 3:
        raise Complaint(f"'{text}' is not a cleanliness code", "write it like 18/16/13")
    scales = tuple(_scale(part, text) for part in parts)
    numbers = [scale.number for scale in scales if scale.number is not None]
    if not numbers:
        raise Complaint(f"cleanliness code '{text}' holds no number", "write it like 18/16/13")
    if any(later > earlier for earlier, later in pairwise(numbers)):
        raise Complaint(
            f"cleanliness code '{text}' rises with particle size",
            "the numbers stand for 4, 6 and 14 µm in that order",
        )
    return Code((scales[0], scales[1], scales[2]))


def _scale(part: str, text: str) -> Scale:
    bare = part.strip()
    if bare in ("-", "–", "—"):
        return Scale(None, "-")
    if bare == "*":
        return Scale(None, "*")
    match = _PART.match(bare)
    if match is None:
        raise Complaint(f"'{text}' is not a cleanliness code", "write it like 18/16/13")
    number = int(match["number"])
    marks: dict[str, Mark] = {"": "", "≥": "≥", ">=": "≥", ">": ">"}
    if number > 28:
        raise Complaint(
            f"cleanliness code '{text}' has a scale number above 28", "the scale ends there"
        )
    return Scale(number, marks[match["mark"]])
