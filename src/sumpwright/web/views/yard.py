"""The yard: every machine, and what stands out about it."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date
from typing import TYPE_CHECKING
from urllib.parse import urlencode

from sumpwright.records.logs import KeptJob
from sumpwright.records.machines import KeptMachine
from sumpwright.records.mark import yard_mark
from sumpwright.web.views.remembered import Remembered
from sumpwright.web.views.show import Show

if TYPE_CHECKING:
    from sumpwright.planning.due import DueItem
    from sumpwright.records.fleet import Ranked, Ranking
    from sumpwright.records.store import Store

PER_PAGE = 50
"""Machines on a page."""
ACTION_WORDS = {"replace": "Change the fluid", "inspect": "Inspect the fluid"}


@dataclass(frozen=True)
class DueLine:
    """What is due next on a machine.

    Parameters
    ----------
    what : str
        Action and wet system.
    when : str
        The likely day, or how long it has passed.
    sure : str
        The band of days in which it falls.
    why : str
        The limit that comes first.
    passed : bool
        Whether the likely day has passed.
    """

    what: str
    when: str
    sure: str
    why: str
    passed: bool = False


@dataclass(frozen=True)
class YardRow:
    """One machine: its wet systems, open jobs, the last closed job, and what is due."""

    machine: KeptMachine
    systems: str
    open_jobs: tuple[KeptJob, ...]
    last_job: KeptJob | None
    due: tuple[DueLine, ...] = ()


@dataclass(frozen=True)
class YardPage:
    """A page of the yard.

    Parameters
    ----------
    rows : tuple of YardRow
    page, pages : int
        Which page it is, from 1.
    first, last, found : int
        Places of its machines among those found.
    machines, overdue : int
        Machines in the yard, and items whose likely day has passed.
    find : str
        What was looked for.
    """

    rows: tuple[YardRow, ...]
    page: int
    pages: int
    first: int
    last: int
    found: int
    machines: int
    overdue: int
    find: str = ""

    def at(self, page: int) -> str:
        """Return the address of another page."""
        find = {"find": self.find} if self.find else {}
        return "/?" + urlencode({**find, "page": page})


class Yard:
    """Works out the yard, what is due included, again only when something has changed."""

    def __init__(self) -> None:
        self._rankings = Remembered["Ranking"](2)
        self._whole = Remembered[dict[str, "list[DueItem]"]](8)

    def ranking(self, store: Store, now: date) -> Ranking:
        """Return everything that is due in order; see `sumpwright.records.fleet.rank`."""
        # Slow to import, and not needed before somebody looks at the yard.
        from sumpwright.records.fleet import rank

        return self._rankings.get((yard_mark(store), now), lambda: rank(store, now))

    def page(self, store: Store, show: Show, now: date, page: int = 1, find: str = "") -> YardPage:
        """Return a page: first machines with an open job, then by what is due first.

        Parameters
        ----------
        store : Store
        show : Show
            Units of the reasons.
        now : date
            Today.
        page : int
            From 1; the last one where there are not so many.
        find : str
            Only machines whose name holds this.
        """
        mark, ranking = yard_mark(store), self.ranking(store, now)
        names = store.machines.names()
        open_jobs = by_machine(store.jobs.all(open=True))
        first: dict[str, Ranked] = {}
        for ranked in ranking.rows:
            first.setdefault(ranked.machine, ranked)
        asked = " ".join(find.split()).casefold()
        ids = [id for id, name in names.items() if asked in name.casefold()]
        ids.sort(
            key=lambda id: (id not in open_jobs, first[id].item.order if id in first else _LAST)
        )
        pages = max(1, -(-len(ids) // PER_PAGE))
        page = min(page, pages)
        skip = (page - 1) * PER_PAGE
        chosen = ids[skip : skip + PER_PAGE]
        due = self._whole.get(
            (mark, now, tuple(chosen)), lambda: _whole(store, ranking, frozenset(chosen))
        )
        last_jobs = by_machine(store.jobs.closed_on(chosen))
        rows = tuple(
            YardRow(
                machine,
                ", ".join(s.name for s in machine.sheet.machine.systems),
                tuple(open_jobs.get(machine.id, ())),
                next(iter(last_jobs.get(machine.id, ())), None),
                tuple(due_line(i, show, now) for i in _shown(due.get(machine.id, []), now)),
            )
            for machine in store.machines.some(chosen)
        )
        return YardPage(
            rows,
            page,
            pages,
            skip + 1 if rows else 0,
            skip + len(rows),
            len(ids),
            len(names),
            ranking.overdue,
            find.strip(),
        )


_LAST = (date.max, date.max, date.max, "", "", "")


def by_machine(jobs: Iterable[KeptJob]) -> dict[str, list[KeptJob]]:
    """Return jobs by their machine, in the order in which they are given."""
    found: dict[str, list[KeptJob]] = {}
    for job in jobs:
        found.setdefault(job.machine, []).append(job)
    return found


def _whole(store: Store, ranking: Ranking, machines: frozenset[str]) -> dict[str, list[DueItem]]:
    from sumpwright.records.fleet import whole

    found: dict[str, list[DueItem]] = {}
    rows = [row for row in ranking.rows if row.machine in machines]
    for row in sorted(whole(store, rows, ranking.now), key=lambda row: row.item.order):
        found.setdefault(row.machine, []).append(row.item)
    return found


def _shown(items: list[DueItem], now: date) -> list[DueItem]:
    """What has passed, else what comes next."""
    return [item for item in items if item.overdue(now)] or items[:1]


def due_line(item: DueItem, show: Show, now: date) -> DueLine:
    """Return a due item in words.

    Examples
    --------
    >>> from sumpwright.display import Display
    >>> from sumpwright.planning.due import Dates, DueItem
    >>> days = Dates(date(2026, 5, 1), date(2026, 6, 1), date(2026, 8, 1))
    >>> item = DueItem("Van 1", "gearbox", "replace", days, "distance", ())
    >>> line = due_line(item, Show(Display()), date(2026, 3, 1))
    >>> line.what, line.when, line.sure
    ('Change the fluid, gearbox', 'in 3 months', '2026-05-01 to 2026-08-01')
    """
    early, likely, late = item.due.early, item.due.likely, item.due.late
    what = f"{ACTION_WORDS[item.action]}, {item.system}"
    why = show.say(item.reasons[0]) if item.reasons else ""
    if likely is None:
        if item.perhaps_overdue(now):
            return DueLine(what, "may be overdue", f"from {early}", why)
        known = any(limit.known for limit in item.limits)
        return DueLine(what, "not in sight" if known else "cannot be told yet", "", why)
    sure = f"{early or likely} to {late}" if late else f"from {early or likely}"
    if early == late:
        sure = f"{likely}"
    elif sum(limit.known for limit in item.limits) > 1:
        # The reason beneath it names the range of one limit alone.
        sure = f"{sure}, all limits together"
    return DueLine(what, _when(likely, now), sure, why, likely < now)


def _when(likely: date, now: date) -> str:
    days = (likely - now).days
    if days == 0:
        return "today"
    size = abs(days)
    if size < 21:
        span = "1 day" if size == 1 else f"{size} days"
    elif size < 75:
        span = f"{round(size / 7)} weeks"
    elif size < 730:
        span = f"{round(size / 30.44)} months"
    else:
        span = f"{size / 365.25:.1f} years".replace(".0 ", " ")
    return f"in {span}" if days > 0 else f"passed {span} ago"
