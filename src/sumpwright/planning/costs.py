"""What fluids have cost, what they cost now, and what the yard will need next year."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray
from scipy.stats import theilslopes

from sumpwright.errors import Complaint
from sumpwright.planning.clock import YEAR, Moment, day, seconds
from sumpwright.planning.due import DueItem

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Spent:
    """Money spent on a machine.

    ``volume`` in m³ of ``fluid``, zero for consumables and for other work.
    """

    when: Moment
    machine: str
    amount: float
    what: str = ""
    fluid: str = ""
    volume: float = 0.0


@dataclass(frozen=True)
class MachineCost:
    """What one machine has cost in one calendar year; volumes in m³."""

    machine: str
    year: int
    fluid: float
    other: float
    volume: float

    @property
    def total(self) -> float:
        """Fluid and everything else."""
        return self.fluid + self.other


def machine_costs(spent: Sequence[Spent]) -> list[MachineCost]:
    """Sum what was spent by machine and calendar year.

    Parameters
    ----------
    spent : sequence of Spent

    Returns
    -------
    list of MachineCost
        By machine, then by year.

    Raises
    ------
    Complaint
        An amount or volume that is not a number at or above zero.

    Examples
    --------
    >>> from datetime import date
    >>> rows = machine_costs([Spent(date(2025, 3, 1), "Van 1", 80.0, fluid="Cable Green 7",
    ...                             volume=0.008), Spent(date(2025, 3, 1), "Van 1", 3.5)])
    >>> rows[0].year, rows[0].fluid, rows[0].other
    (2025, 80.0, 3.5)
    """
    sums: dict[tuple[str, int], list[float]] = {}
    for entry in spent:
        for name, value in (("amount", entry.amount), ("volume", entry.volume)):
            if not np.isfinite(value) or value < 0:
                raise Complaint(f"the {name} spent on {entry.machine} is below zero", "correct it")
        when = day(seconds(entry.when))
        row = sums.setdefault((entry.machine, when.year if when else 0), [0.0, 0.0, 0.0])
        row[0 if entry.fluid else 1] += entry.amount
        row[2] += entry.volume
    return [MachineCost(*key, *row) for key, row in sorted(sums.items())]


def machine_totals(rows: Sequence[MachineCost]) -> list[MachineCost]:
    """Sum the years of each machine; the year of a total is 0.

    Examples
    --------
    >>> rows = [MachineCost("Van 1", 2024, 80.0, 4.5, 0.008),
    ...         MachineCost("Van 1", 2025, 40.0, 0.0, 0.004)]
    >>> [(row.machine, row.total) for row in machine_totals(rows)]
    [('Van 1', 124.5)]
    """
    return [
        MachineCost(
            machine,
            0,
            sum(row.fluid for row in rows if row.machine == machine),
            sum(row.other for row in rows if row.machine == machine),
            sum(row.volume for row in rows if row.machine == machine),
        )
        for machine in dict.fromkeys(row.machine for row in rows)
    ]


@dataclass(frozen=True)
class Price:
    """A price of a fluid, in money per m³.

    Paid with a fill; or where ``size`` is given asked for a container of so many m³, with
    the carriage of one container in it.
    """

    when: Moment
    fluid: str
    per_volume: float
    seller: str = ""
    size: float = 0.0


@dataclass(frozen=True)
class PriceHistory:
    """Prices of one fluid over time: those that were paid, or those that were asked.

    ``latest``, ``lowest`` and ``highest`` in money per m³; ``change`` is the relative
    change in a year by the median of slopes, NaN with fewer than three prices or less
    than half a year of them. Of prices asked only those of the seller and the size of the
    latest one are compared: a barrel is no bottle that has become cheaper. ``size`` m³ is
    that of the latest, zero where it was paid.
    """

    fluid: str
    times: Array
    prices: Array
    latest: float
    lowest: float
    highest: float
    change: float
    size: float = 0.0

    @property
    def paid(self) -> bool:
        """Whether these prices were paid, not asked."""
        return self.size == 0


def price_histories(prices: Sequence[Price]) -> list[PriceHistory]:
    """Follow the price of each fluid, what was paid apart from what was asked.

    Examples
    --------
    >>> history = price_histories([Price(0.0, "Cable Green 7", 8000.0),
    ...     Price(31556952.0, "Cable Green 7", 8800.0), Price(63113904.0, "Cable Green 7", 9600.0)])
    >>> history[0].latest, round(history[0].change, 3)
    (9600.0, 0.083)
    """
    out = []
    for fluid, asked in sorted({(price.fluid, price.size > 0) for price in prices}):
        mine = [p for p in prices if p.fluid == fluid and (p.size > 0) == asked]
        mine.sort(key=lambda p: seconds(p.when))
        last = mine[-1]
        values = np.array([p.per_volume for p in mine], dtype=np.float64)
        out.append(
            PriceHistory(
                fluid,
                np.array([seconds(p.when) for p in mine]),
                values,
                last.per_volume,
                float(values.min()),
                float(values.max()),
                _change([p for p in mine if (p.seller, p.size) == (last.seller, last.size)]),
                last.size,
            )
        )
    return out


def _change(prices: Sequence[Price]) -> float:
    times = np.array([seconds(p.when) for p in prices])
    if len(times) < 3 or times[-1] - times[0] < YEAR / 2:
        return float("nan")
    slope = float(theilslopes([p.per_volume for p in prices], times - times[0])[0])
    return slope * YEAR / prices[-1].per_volume


@dataclass(frozen=True)
class Coming:
    """A system whose fluid will be changed: ``volume`` m³ of ``fluid`` each time.

    ``gap`` is the usual time from one change to the next, s, if it may come twice in
    the year; ``make_up`` the volume topped up in a year, m³.
    """

    item: DueItem
    fluid: str
    volume: float
    gap: float | None = None
    make_up: float = 0.0


@dataclass(frozen=True)
class Need:
    """Volume of one fluid that the yard will need, m³: at least, likely, at most."""

    fluid: str
    low: float
    likely: float
    high: float
    machines: tuple[str, ...] = field(default=())


def need(coming: Sequence[Coming], now: Moment, ahead: float = float(YEAR)) -> list[Need]:
    """Add up the volume of each fluid needed until a day ahead.

    A change counts when its day falls before the end; ``low`` goes by the late days,
    ``high`` by the early ones, so the true need lies between.

    Parameters
    ----------
    coming : sequence of Coming
    now : date, datetime or float
    ahead : float
        s to look ahead.

    Returns
    -------
    list of Need
        By fluid; the volumes go to `sumpwright.planning.basket.buy`.

    Examples
    --------
    >>> from datetime import date
    >>> from sumpwright.planning.due import Dates, DueItem
    >>> item = DueItem("Van 1", "gearbox", "replace",
    ...                Dates(date(2025, 6, 1), date(2025, 9, 1), date(2026, 4, 1)), "distance", ())
    >>> need([Coming(item, "Cable Green 7", 0.012)], date(2025, 1, 1))[0].likely
    0.012
    """
    start = seconds(now)
    sums: dict[str, list[float]] = {}
    machines: dict[str, dict[str, None]] = {}
    for each in coming:
        if each.item.action != "replace":
            continue
        due = each.item.due
        row = sums.setdefault(each.fluid, [0.0, 0.0, 0.0])
        counts = [
            _count(when, start, ahead, each.gap) for when in (due.late, due.likely, due.early)
        ]
        for k, count in enumerate(counts):
            row[k] += count * each.volume + each.make_up * ahead / YEAR
        if counts[2] or each.make_up:
            machines.setdefault(each.fluid, {})[each.item.machine] = None
    return [
        Need(fluid, row[0], row[1], row[2], tuple(machines.get(fluid, ())))
        for fluid, row in sorted(sums.items())
    ]


def _count(when: Moment | None, start: float, ahead: float, gap: float | None) -> int:
    """Changes that fall before the end; what is overdue is done first of all."""
    if when is None:
        return 0
    first = max(seconds(when), start)
    if first > start + ahead:
        return 0
    return 1 + (int((start + ahead - first) // gap) if gap and gap > 0 else 0)
