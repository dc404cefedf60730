"""What is asked of a plan, and the pieces it is made of."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from sumpwright.errors import Complaint
from sumpwright.physics.circuit import Array
from sumpwright.planning.basket import Basket
from sumpwright.planning.draws import Assumption
from sumpwright.planning.methods import EQUIPMENT, METHODS, Method
from sumpwright.planning.said import Said

CYCLES = 8
LONGEST = 60
FLAT_POINTS = 2.0
"""Gain of a cycle, in points of fresh share, below which the curve counts as flat."""


def percent(share: float) -> str:
    """Write a share that the user gave, with all the digits that count.

    Examples
    --------
    >>> percent(0.9), percent(0.999)
    ('90 %', '99.9 %')
    """
    return f"{100 * share:.4g} %"


def points(gain: float) -> str:
    """Write a gain of fresh share in points, never rounded over the bound that it misses.

    Examples
    --------
    >>> points(0.0171), points(0.0198), points(0.02), points(-1e-17)
    ('1.7', '1.98', '2.0', '0.0')
    >>> points(0.019999)
    'just under 2'
    """
    value = gain * 100
    if not value < FLAT_POINTS <= round(value, 1):
        return f"{round(value, 1) + 0.0:.1f}"
    return f"{value:.2f}" if round(value, 2) < FLAT_POINTS else f"just under {FLAT_POINTS:g}"


def chance(probability: float) -> str:
    """Write a computed probability, which is certain only where nothing is left open.

    Examples
    --------
    >>> chance(0.9), chance(0.9954), chance(1.0), chance(0.002), chance(0.0)
    ('90 %', '>99 %', '100 %', '<1 %', '0 %')
    """
    if 0.99 < probability < 1.0:
        return ">99 %"
    if 0.0 < probability < 0.01:
        return "<1 %"
    return f"{100 * probability:.0f} %"


@dataclass(frozen=True)
class Wish:
    """What the user asks of a plan.

    Parameters
    ----------
    target : float
        Fresh share to reach, in (0, 1).
    confidence : float
        Probability with which it shall be reached, in (0, 1).
    cycles : int
        Cycles shown for each method.
    worth_per_point : float or None
        What one more point of fresh share is worth to the user, in money.
    have : tuple of str
        Equipment at hand: any of ``lean``, ``air``, ``second-pump``.
    methods : tuple of str or None
        Methods to consider; all when None.

    Raises
    ------
    Complaint
        If a number leaves its range or a name is not known.

    Examples
    --------
    >>> Wish().target
    0.9
    """

    target: float = 0.90
    confidence: float = 0.90
    cycles: int = CYCLES
    worth_per_point: float | None = None
    have: tuple[str, ...] = ()
    methods: tuple[str, ...] | None = None

    def __post_init__(self) -> None:
        for name in ("target", "confidence"):
            value = getattr(self, name)
            if not (np.isfinite(value) and 0.0 < value < 1.0):
                raise Complaint(
                    f"{name} is {value:g}",
                    "give a share between 0 and 1, such as 0.90",
                    field=name,
                )
        if not 1 <= self.cycles <= LONGEST:
            raise Complaint(
                f"{self.cycles} cycles", f"give a number from 1 to {LONGEST}", field="cycles"
            )
        worth = self.worth_per_point
        if worth is not None and not (np.isfinite(worth) and worth > 0):
            raise Complaint(
                f"a price per point of {worth:g}",
                "give an amount of money above zero",
                field="worth_per_point",
            )
        for thing in self.have:
            if thing not in EQUIPMENT:
                raise Complaint(
                    f"equipment '{thing}' is not known",
                    f"choose from {', '.join(EQUIPMENT)}",
                    field="have",
                )
        known = [m.name for m in METHODS]
        for name in self.methods or ():
            if name not in known:
                raise Complaint(
                    f"method '{name}' is not known",
                    f"choose from {', '.join(known)}",
                    field="method",
                )


@dataclass(frozen=True)
class Quantiles:
    """5, 50 and 95 % quantiles of a share."""

    p05: float
    p50: float
    p95: float

    @staticmethod
    def of(values: Array, weights: Array | None = None) -> Quantiles:
        """Quantiles of draws, weighted or not.

        Examples
        --------
        >>> Quantiles.of(np.array([0.5]))
        Quantiles(p05=0.5, p50=0.5, p95=0.5)
        """
        if weights is None:
            values = np.sort(values)
            at = np.arange(len(values)) / max(len(values) - 1, 1)
        else:
            values, weights = values[weights > 0], weights[weights > 0]
            order = np.argsort(values)
            values, weights = values[order], weights[order]
            at = np.cumsum(weights)
            at = (at - 0.5 * weights) / at[-1]
        if values[0] == values[-1]:
            value = float(values[0])
            return Quantiles(value, value, value)
        low, mid, high = np.interp([0.05, 0.5, 0.95], at, values)
        return Quantiles(float(low), float(mid), float(high))

    def to_json(self) -> dict[str, float]:
        """Return the quantiles as plain data."""
        return {"p05": self.p05, "p50": self.p50, "p95": self.p95}


@dataclass(frozen=True)
class Point:
    """A method after a number of cycles; volumes in m³, gain in fresh share per m³."""

    cycles: int
    fresh: Quantiles
    probability: float
    new_fluid: float
    new_fluid_high: float
    waste: float
    gain: float
    gain_per_volume: float
    minutes: float
    basket: Basket | None
    bound: float
    efficiency: float
    largest_release: float
    best: bool = False

    @property
    def cost(self) -> float | None:
        """Money for the fluid; None when nobody offers it."""
        return None if self.basket is None else self.basket.total


@dataclass(frozen=True)
class FlatPoint:
    """Where the next cycle stops being worth it."""

    method: str
    cycles: int
    new_fluid: float
    next_gain: float
    next_cost: float | None
    says: Said

    @property
    def reason(self) -> str:
        """Why it is flat from here on."""
        return self.says.say()


@dataclass(frozen=True)
class MethodPlan:
    """A method with its points, or the reason why it cannot be used."""

    method: Method
    points: tuple[Point, ...]
    volume: float
    assumptions: tuple[Assumption, ...]
    missing: tuple[str, ...]
    flat_point: FlatPoint | None
    unusable: str = ""

    @property
    def eligible(self) -> bool:
        """Whether it may be recommended."""
        return not self.unusable and not self.missing
