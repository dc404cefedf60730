"""What is due in a large yard: all machines ranked at once, the reasons of those looked at.

Working out a machine with everything that can be said of it takes some milliseconds, and
reading what is kept of it about as long. So the dates of all machines are worked out side by
side from bare columns, by the same rules, and only machines that somebody looks at are worked
out one by one. A machine of which more is kept than those columns tell (a job, a report, logged
temperatures, a replaced meter, books that contradict themselves) is always worked out by itself.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import date
from typing import TYPE_CHECKING

from sumpwright.planning.clock import today
from sumpwright.planning.due import DueItem
from sumpwright.planning.schedule import yard
from sumpwright.records.books import load
from sumpwright.records.columns import read_columns
from sumpwright.records.due import MachineDue, work_out
from sumpwright.records.side_by_side import side_by_side

if TYPE_CHECKING:
    from sumpwright.records.store import Store

SMALL = 64
"""Machines up to which a yard is worked out one by one at once."""
AT_ONCE = 200
"""Machines that are read together when they are worked out one by one."""


@dataclass(frozen=True)
class Ranked:
    """One due item in the order of the yard.

    ``whole`` when the item has its limits and reasons; without them it has its dates, the
    limit that comes first, and the kind of service. ``machine`` is its id.
    """

    machine: str
    item: DueItem
    whole: bool = False


@dataclass(frozen=True)
class Ranking:
    """Everything that is due in the yard, what is likely first comes first.

    Parameters
    ----------
    rows : tuple of Ranked
    now : date
    machines : int
        How many machines are in the yard.
    apart : int
        How many of them were worked out one by one.
    silent : tuple of (machine, system)
        Systems whose sheet has no limits.
    """

    rows: tuple[Ranked, ...]
    now: date
    machines: int
    apart: int
    silent: tuple[tuple[str, str], ...] = ()

    def __len__(self) -> int:
        return len(self.rows)

    @property
    def overdue(self) -> int:
        """How many likely days have passed."""
        return sum(row.item.overdue(self.now) for row in self.rows)


def rank(store: Store, now: date | None = None, small: int = SMALL) -> Ranking:
    """Rank everything that is due in the yard.

    Parameters
    ----------
    store : Store
    now : date, optional
        Today, if left out.
    small : int
        Machines up to which all are worked out one by one, reasons and all.

    Returns
    -------
    Ranking
        The dates are those of `sumpwright.records.due.due_for_yard`.

    Examples
    --------
    >>> import tempfile
    >>> from sumpwright.records.store import Store
    >>> with tempfile.TemporaryDirectory() as folder, Store.open(folder + "/yard.db") as store:
    ...     len(rank(store))
    0
    """
    moment = now or today()
    columns = read_columns(store)
    machines = columns.machines
    alone = set(range(len(machines)))
    rows: list[Ranked] = []
    if len(machines) > small:
        found, alone = side_by_side(columns, moment)
        rows = [Ranked(machines[place].id, item) for place, item in found]
    for worked in one_by_one(store, [machines[place].id for place in sorted(alone)], moment):
        rows += [Ranked(worked.past.machine.id, item, whole=True) for item in worked.items]
    rows.sort(key=lambda row: row.item.order)
    silent = tuple((m.name, s.name) for m in machines for s in m.systems if not s.rules)
    return Ranking(tuple(rows), moment, len(machines), len(alone), silent)


def one_by_one(store: Store, machines: Sequence[str], now: date) -> Iterator[MachineDue]:
    """Work out machines with everything that can be said of them, some at a time.

    Parameters
    ----------
    store : Store
    machines : sequence of str
        Their ids. One that has left the yard meanwhile is passed over.
    now : date
    """
    fluids = store.fluids.all() if machines else []
    for first in range(0, len(machines), AT_ONCE):
        for past in load(store, store.machines.some(machines[first : first + AT_ONCE])):
            yield work_out(past, now, fluids)


def whole(store: Store, rows: Sequence[Ranked], now: date) -> Iterator[Ranked]:
    """Give rows with their limits and reasons, in no particular order.

    Parameters
    ----------
    store : Store
    rows : sequence of Ranked
    now : date
    """
    wanted: dict[str, set[tuple[str, str]]] = {}
    for row in rows:
        if row.whole:
            yield row
        else:
            wanted.setdefault(row.machine, set()).add((row.item.system, row.item.action))
    for worked in one_by_one(store, list(wanted), now):
        id = worked.past.machine.id
        for item in worked.items:
            if (item.system, item.action) in wanted[id]:
                yield Ranked(id, item, whole=True)


def part(store: Store, ranking: Ranking, first: int | None = None, skip: int = 0) -> list[DueItem]:
    """Return a stretch of a ranking with limits and reasons.

    Parameters
    ----------
    store : Store
    ranking : Ranking
    first : int, optional
        How many; all that follow when left out.
    skip : int
        How many are passed over before.
    """
    rows = ranking.rows[skip : None if first is None else skip + first]
    return yard([row.item for row in whole(store, rows, ranking.now)])
