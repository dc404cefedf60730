"""The dates of many machines from bare columns: where each clock stands, and when it runs out."""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import date

import numpy as np
from numpy.typing import NDArray

from sumpwright.planning.clock import DAY, day, seconds
from sumpwright.planning.due import HORIZON, Dates, DueItem, LimitKind, Rule, ServiceKind
from sumpwright.planning.due_many import (
    Changes,
    Readings,
    births,
    clean_many,
    levels_many,
    reach_many,
)
from sumpwright.planning.many_books import FAINT, first_left, step_shares
from sumpwright.planning.spans import later
from sumpwright.planning.use import judge
from sumpwright.records.books import Shown, happening_of
from sumpwright.records.columns import Bare, BareSystem, Columns

Array = NDArray[np.float64]
MARGIN = 1.0
"""s; a moment so close to midnight may fall on either day by a rounding alone."""
METERS: tuple[Shown, ...] = ("distance", "hours")


@dataclass(frozen=True)
class Clock:
    """Where the clock of one rule was at zero, by kind of limit; NaN where it is not known.

    ``oldest`` is the same if fluid of unknown age is as old as the machine; ``round`` when
    the day is that of one service, so that no mixture rounds it.
    """

    zero: dict[LimitKind, float]
    oldest: dict[LimitKind, float]
    round: bool


@dataclass(frozen=True)
class _Asked:
    """One rule of one system of one machine."""

    system: str
    rule: Rule
    service: ServiceKind
    clock: Clock


def side_by_side(columns: Columns, now: date) -> tuple[list[tuple[int, DueItem]], set[int]]:
    """Work out the dates of all machines at once.

    Parameters
    ----------
    columns : Columns
    now : date

    Returns
    -------
    items : list of (place of the machine, DueItem)
        Without limits and reasons.
    alone : set of int
        Places of machines whose dates these columns do not settle; of these there is no item.
    """
    count, end = len(columns.machines), seconds(now) + DAY - 1e-3
    cleaned = {m: clean_many(count, columns.readings[m], end, m)[0] for m in METERS}
    books = _Books(columns, cleaned)
    alone = columns.apart | books.alone
    asked: list[list[_Asked]] = [[] for _ in range(count)]
    for number, (place, system) in enumerate(books.systems):
        if place in alone:
            continue
        bare = columns.machines[place]
        service = judge(bare.drives, now, declared=bare.service).service.kind
        for rule in system.rules:
            asked[place].append(_Asked(system.name, rule, service, books.clock(number, rule)))
    moments = {m: reach_many(count, cleaned[m], _targets(asked, m)) for m in METERS}
    found = []
    for place, mine in enumerate(asked):
        made = [
            _item(
                columns.machines[place],
                each,
                {m: moments[m][place, k : k + 2] for m in METERS},
                now,
            )
            for k, each in zip(range(0, 2 * len(mine), 2), mine, strict=True)
        ]
        if None in made:
            alone.add(place)
        else:
            found += [(place, item) for item in made if item is not None]
    return found, alone


def _targets(asked: list[list[_Asked]], meter: Shown) -> Array:
    """Totals at which each rule's limit by a meter is reached: by its clock, and at the oldest."""
    most = max((len(mine) for mine in asked), default=0)
    out = np.full((len(asked), 2 * most), np.nan)
    for place, mine in enumerate(asked):
        for k, each in enumerate(mine):
            for limit in each.rule.limits:
                value = limit.value(each.service)
                if limit.kind == meter and value is not None:
                    out[place, 2 * k] = each.clock.zero[meter] + value
                    out[place, 2 * k + 1] = each.clock.oldest.get(meter, math.nan) + value
    return out


class _Books:
    """The ledgers of all systems that have rules, as columns of moments and fresh shares."""

    def __init__(self, columns: Columns, cleaned: dict[Shown, Readings]) -> None:
        self.systems: list[tuple[int, BareSystem]] = []
        self.alone: set[int] = set()
        self._round: list[bool] = []
        self._at_least: list[bool] = []
        since: list[float] = []
        owner: list[int] = []
        moments: list[float] = []
        shares: list[float] = []
        for place, bare in enumerate(columns.machines):
            for system in bare.systems:
                looked = _looked(system)
                if not system.rules:
                    # A look that asked for a change makes an item without any rule.
                    self.alone |= set() if looked is not None else {place}
                    continue
                steps = [e for e in system.services if e.told.done != "inspected"]
                fresh = step_shares(system.capacity, [happening_of(e) for e in steps])
                if fresh is None or looked is None:
                    self.alone.add(place)
                    steps, fresh, looked = [], [], math.nan
                owner += [len(self.systems)] * len(steps)
                moments += [seconds(e.at) for e in steps]
                shares += fresh
                since.append(looked)
                self._round.append(bool(fresh) and fresh[-1] == 1.0)
                opened = not steps or steps[0].told.done != "filled"
                self._at_least.append(opened and first_left(fresh) > FAINT)
                self.systems.append((place, system))
        self._count = len(self.systems)
        self._owner = np.array(owner, dtype=np.intp)
        self._moments = np.array(moments, dtype=np.float64)
        self._shares = np.array(shares, dtype=np.float64)
        machine = np.array([place for place, _ in self.systems], dtype=np.intp)
        count = len(columns.machines)
        at = machine[self._owner]
        self._totals = {m: levels_many(count, cleaned[m], at, self._moments) for m in METERS}
        looks = np.array(since, dtype=np.float64)
        self._since: dict[LimitKind, Array] = {"date": looks}
        for m in METERS:
            self._since[m] = levels_many(count, cleaned[m], machine, looks)
        self._zeros: dict[float | None, dict[LimitKind, Array]] = {}
        self._oldest: dict[float | None, dict[LimitKind, Array]] = {}

    def clock(self, number: int, rule: Rule) -> Clock:
        """Where the clock of a rule of a system was at zero."""
        if rule.action == "inspect":
            return Clock({kind: float(a[number]) for kind, a in self._since.items()}, {}, True)
        if rule.tail not in self._zeros:
            self._zeros[rule.tail] = self._births(rule.tail)
            self._oldest[rule.tail] = self._births_with_the_machine(rule.tail)
        zero: dict[LimitKind, float] = {
            kind: float(a[number]) for kind, a in self._zeros[rule.tail].items()
        }
        oldest: dict[LimitKind, float] = {}
        if self._at_least[number]:
            oldest = {kind: float(a[number]) for kind, a in self._oldest[rule.tail].items()}
        return Clock(zero, oldest, self._round[number])

    def _births(self, tail: float | None) -> dict[LimitKind, Array]:
        found: dict[LimitKind, Array] = {}
        for m in METERS:
            changes = Changes(self._owner, self._moments, self._totals[m], self._shares)
            found["date"], found[m] = births(self._count, changes, tail)
        return found

    def _births_with_the_machine(self, tail: float | None) -> dict[LimitKind, Array]:
        """The same if the first fluid was put in when the meters began."""
        first = np.arange(self._count, dtype=np.intp)
        owner = np.concatenate([first, self._owner])
        order = np.argsort(owner, kind="stable")
        never = np.full(self._count, np.nan)

        def before(value: Array, steps: Array) -> Array:
            return np.asarray(np.concatenate([value, steps])[order], dtype=np.float64)

        found: dict[LimitKind, Array] = {}
        for m in METERS:
            changes = Changes(
                owner[order],
                before(never, self._moments),
                before(np.zeros(self._count), self._totals[m]),
                before(np.ones(self._count), self._shares),
            )
            found[m] = births(self._count, changes, tail)[1]
        return found


def _looked(system: BareSystem) -> float | None:
    """When the clock of an inspection began; ``None`` where the look asked for a change."""
    looks = [e for e in system.services if e.told.done == "inspected"]
    steps = [e for e in system.services if e.told.done != "inspected"]
    changes = [e for e in steps if e.told.done in ("changed", "filled")]
    changed = seconds(changes[-1].at) if changes else None
    if looks and (changed is None or seconds(looks[-1].at) > changed):
        return None if looks[-1].told.verdict == "replace" else seconds(looks[-1].at)
    if changed is not None:
        return changed
    return seconds(steps[-1].at) if steps else math.nan


def _item(bare: Bare, asked: _Asked, moments: dict[Shown, Array], now: date) -> DueItem | None:
    """Make an item of what is known; ``None`` where a rounding could move a day."""
    end = seconds(now) + HORIZON
    rows: list[tuple[float, float, float, LimitKind]] = []
    oldest = math.inf
    for limit in asked.rule.limits:
        value = limit.value(asked.service)
        zero = asked.clock.zero.get(limit.kind, math.nan)
        if value is None:
            continue
        if limit.kind == "date":
            if not math.isnan(zero):
                moment = float(later(zero, value))
                rows.append((moment, moment, moment, "date"))
        else:
            meter: Shown = "distance" if limit.kind == "distance" else "hours"
            soon, about, last = (float(t) for t in moments[meter][0])
            rows.append((about, soon, last, limit.kind))
            oldest = min(oldest, float(moments[meter][1, 0]))
    winner = min(rows, key=lambda row: row[:2], default=None)
    likely = min((row[0] for row in rows), default=math.inf)
    early = min((row[1] for row in rows), default=math.inf)
    late = min((row[2] for row in rows), default=math.inf)
    for moment in (early, likely, late, oldest):
        if moment <= end and not _safe(moment, rows, asked.clock):
            return None
    dates = Dates(*(day(t) if t <= end else None for t in (early, likely, late)))
    if asked.clock.oldest and oldest <= end:
        earliest = day(oldest)
        if earliest is not None and (dates.early is None or earliest < dates.early):
            dates = Dates(earliest, dates.likely, dates.late)
    kind = winner[3] if winner is not None and winner[0] <= end else ""
    return DueItem(
        bare.name, asked.system, asked.rule.action, dates, kind, (), service=asked.service
    )


def _safe(moment: float, rows: list[tuple[float, float, float, LimitKind]], clock: Clock) -> bool:
    """Whether a moment is on one day however it is rounded."""
    if clock.round and any(row[3] == "date" and row[0] == moment for row in rows):
        return True
    return MARGIN < moment % DAY < DAY - MARGIN
