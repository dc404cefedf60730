"""Jobs: a log that only grows, and what it amounts to."""

from __future__ import annotations

import threading
from collections import OrderedDict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any

from sqlalchemy import select
from sqlalchemy.orm import Session

from sumpwright.display import Display
from sumpwright.errors import Complaint
from sumpwright.records.attachments import find_attachment
from sumpwright.records.bodies import check_body
from sumpwright.records.body_fields import unwelcome
from sumpwright.records.chain import (
    Event,
    Problem,
    check_id,
    new_id,
    seal,
    utc,
)
from sumpwright.records.fold import Folding
from sumpwright.records.logs import KeptJob, as_event, find_jobs, load_events, write_events
from sumpwright.records.machines import find_row
from sumpwright.records.rules import check_next
from sumpwright.records.schema import EventRow, JobRow, MachineRow
from sumpwright.records.snapshot import sheet_to_plain
from sumpwright.records.soundness import ProvenJob, beside_the_log, prove_log
from sumpwright.records.state import Flag, JobState

if TYPE_CHECKING:
    from sumpwright.records.store import Store


REMEMBERED = 64
"""Jobs whose logs are held in memory, so that adding to one does not read it all again."""


@dataclass(frozen=True)
class NewEvent:
    """An entry to be added, as a device makes it.

    Parameters
    ----------
    kind, body : str, mapping
        What happened, SI numbers.
    by : str
        Who.
    at : datetime, optional
        When; now, if left out.
    id : str, optional
        UUID made on the device; the same id twice is one entry.
    """

    kind: str
    body: Mapping[str, Any]
    by: str = ""
    at: datetime | None = None
    id: str | None = None


@dataclass(frozen=True)
class Added:
    """An entry in the log: whether it is new there, and the job after it."""

    event: Event
    new: bool
    state: JobState

    @property
    def flags(self) -> tuple[Flag, ...]:
        """What should be looked at in this entry."""
        return tuple(flag for flag in self.state.flags if flag.event == self.event.id)


class Jobs:
    """The jobs of a store."""

    def __init__(self, store: Store) -> None:
        self._store = store
        self._logs: OrderedDict[str, Folding] = OrderedDict()
        self._lock = threading.Lock()

    def start(
        self,
        machine: str,
        system: str | None = None,
        *,
        method: str,
        target: float,
        confidence: float,
        worth_per_point: float | None = None,
        planned: Mapping[str, Any] | None = None,
        by: str = "",
        at: datetime | None = None,
        job: str | None = None,
        event: str | None = None,
    ) -> KeptJob:
        """Open a job on a machine; it keeps the machine's sheet as it stands now.

        Parameters
        ----------
        machine : str
            Name or id.
        system : str, optional
            Wet system; may be left out when there is only one.
        method, target, confidence
            What is planned: shares in [0, 1].
        worth_per_point : float, optional
            What a point of fresh share is worth in the yard's money.
        planned : mapping, optional
            The plan as JSON values, for the record.
        job, event : str, optional
            UUIDs made on the device, so that the same call twice opens one job.

        Raises
        ------
        Complaint
            For an unknown machine or system and for shares outside their range.
        """
        kept = self._store.machines.get(machine)
        body = {
            "machine": kept.id,
            "system": kept.system(system).name,
            "sheet": sheet_to_plain(kept.sheet),
            "method": method,
            "target": target,
            "confidence": confidence,
            "worth_per_point": worth_per_point,
            "planned": None if planned is None else dict(planned),
        }
        entry = NewEvent("opened", body, by, at, event)
        job_id = check_id(job, "job id") if job else new_id()
        self._append(job_id, [entry], kept.version)
        return self.get(job_id)

    def append(
        self,
        job: str,
        kind: str,
        body: Mapping[str, Any],
        *,
        by: str = "",
        at: datetime | None = None,
        id: str | None = None,
    ) -> Added:
        """Add one entry to a job's log.

        Raises
        ------
        Complaint
            When the entry is malformed, cannot be true, comes on a closed job, or
            has the id of an entry with another content. Nothing is then kept.
        """
        return self.append_all(job, [NewEvent(kind, body, by, at, id)])[0]

    def append_all(
        self, job: str, entries: Sequence[NewEvent], display: Display | None = None
    ) -> list[Added]:
        """Add several entries in their order, all of them or none.

        A complaint speaks in the units of ``display``.
        """
        return self._append(job, entries, None, display)

    def _append(
        self,
        job: str,
        entries: Sequence[NewEvent],
        version: int | None,
        display: Display | None = None,
    ) -> list[Added]:
        ready = [checked(entry) for entry in entries]
        # Fixed before the first attempt, so that an attempt made again writes the same entries.
        ids = [check_id(entry.id) if entry.id else new_id() for entry in ready]
        now = datetime.now(UTC)

        def add(session: Session) -> tuple[list[Added], list[Event]]:
            return self._try(session, job, ready, ids, now, version, display)

        added, fresh = self._store.run(add)
        self._remember(job, fresh)
        return added

    def _try(
        self,
        session: Session,
        job: str,
        entries: Sequence[NewEvent],
        ids: Sequence[str],
        now: datetime,
        version: int | None,
        display: Display | None,
    ) -> tuple[list[Added], list[Event]]:
        # A server makes other writers to this job wait here; SQLite has its lock already.
        row = session.get(JobRow, job, with_for_update=True)
        if row is None and version is None:
            raise Complaint(f"there is no job {job}", "look at the list of jobs", field="job")
        log = self._load(session, job)
        added: list[Added] = []
        fresh: list[Event] = []
        for entry, id in zip(entries, ids, strict=True):
            known = _known(session, id, fresh)
            if known is not None:
                _same(known, job, entry)
                added.append(Added(known, False, log.state()))
                continue
            at = entry.at or now
            head = log.events[-1].hash if log.events else ""
            event = seal(id, job, len(log.events) + 1, at, entry.by, entry.kind, entry.body, head)
            self._check_attachment(session, event)
            check_next(log.state(), event, display)
            log.push(event)
            fresh.append(event)
            added.append(Added(event, True, log.state()))
        if fresh:
            write_events(session, row, job, log.state(), fresh, version)
        return added, fresh

    def _check_attachment(self, session: Session, event: Event) -> None:
        wanted = event.body.get("attachment")
        if wanted and find_attachment(session, wanted) is None:
            raise Complaint(
                f"no file {wanted} is kept",
                "add the file first, then the entry",
                field="attachment",
            )

    def undo(
        self,
        job: str,
        event: str | None = None,
        *,
        by: str = "",
        at: datetime | None = None,
        id: str | None = None,
    ) -> Added:
        """Take back an entry; without a name, the last one in force.

        Raises
        ------
        Complaint
            When there is nothing to undo, or it is undone already.
        """
        if event is None:
            last = [e for e in self.state(job).effective if e.kind != "opened"]
            if not last:
                raise Complaint("there is nothing to undo", "add an entry first", field="event")
            event = max(last, key=lambda e: e.seq).id
        return self.append(job, "reversed", {"event": event}, by=by, at=at, id=id)

    def redo(
        self, job: str, *, by: str = "", at: datetime | None = None, id: str | None = None
    ) -> Added:
        """Bring back what was undone last.

        Raises
        ------
        Complaint
            When nothing is undone.
        """
        kinds = {event.id: event.kind for event in self.events(job)}
        undos = [e for e in self.state(job).reversals if kinds[e.body["event"]] != "reversed"]
        if not undos:
            raise Complaint("there is nothing to redo", "undo an entry first", field="event")
        return self.append(job, "reversed", {"event": undos[-1].id}, by=by, at=at, id=id)

    def events(self, job: str, *, after: int = 0) -> list[Event]:
        """Return a job's log, all of it or what comes after a place."""
        with self._store.reading() as session:
            if session.get(JobRow, job) is None:
                raise Complaint(f"there is no job {job}", "look at the list of jobs", field="job")
            return load_events(session, job, after)

    def state(self, job: str) -> JobState:
        """Return what a job's log amounts to now."""
        with self._store.reading() as session:
            if session.get(JobRow, job) is None:
                raise Complaint(f"there is no job {job}", "look at the list of jobs", field="job")
            log = self._load(session, job)
        self._remember(job, log.events)
        return log.state()

    def verify(self, job: str) -> list[Problem]:
        """Check a job's log as the database has it; empty when all is well."""
        return list(self.prove(job).problems)

    def prove(self, job: str) -> ProvenJob:
        """Verify a job's log as the database has it, and what is kept of the job beside it.

        Raises
        ------
        Complaint
            When there is no such job.
        """
        with self._store.reading() as session:
            row = session.get(JobRow, job)
            if row is None:
                raise Complaint(f"there is no job {job}", "look at the list of jobs", field="job")
            try:
                events = load_events(session, job)
            except Complaint as complaint:
                broken = Problem(0, "", complaint.what)
                return ProvenJob(job, "", row.length, (broken,), None)
            proven = prove_log(job, row.machine_id, events, head=row.head, count=row.length)
            problems = list(proven.problems)
            if session.get(MachineRow, row.machine_id) is None:
                text = f"its machine {row.machine_id} is not in the yard"
                problems.append(Problem(0, "", text))
            if proven.state is not None:
                beside = ("system", "method", "opened_at", "closed_at")
                kept = {name: getattr(row, name) for name in beside}
                problems += beside_the_log(proven.state, kept)
        return replace(proven, problems=tuple(problems))

    def strays(self) -> list[str]:
        """Return the ids under which entries are kept without a job."""
        with self._store.reading() as session:
            known = select(JobRow.id)
            query = select(EventRow.job_id).where(EventRow.job_id.not_in(known)).distinct()
            return sorted(session.scalars(query))

    def get(self, job: str) -> KeptJob:
        """Return a job by its id or by the beginning or end of it.

        Raises
        ------
        Complaint
            When there is none, or several.
        """
        wanted = job.strip().lower()
        with self._store.reading() as session:
            rows = find_jobs(session, JobRow.id == wanted)
            if not rows and wanted:
                near = JobRow.id.startswith(wanted, autoescape=True) | JobRow.id.endswith(
                    wanted, autoescape=True
                )
                rows = find_jobs(session, near)
        if len(rows) == 1:
            return rows[0]
        if rows:
            raise Complaint(f"{len(rows)} jobs match '{job}'", "give more of the id", field="job")
        raise Complaint(f"there is no job '{job}'", "look at the list of jobs", field="job")

    def all(self, *, machine: str | None = None, open: bool | None = None) -> list[KeptJob]:
        """Return the jobs, the newest first."""
        with self._store.reading() as session:
            where = []
            if machine is not None:
                where.append(JobRow.machine_id == find_row(session, machine).id)
            if open is not None:
                where.append(JobRow.closed_at.is_(None) if open else JobRow.closed_at.is_not(None))
            return find_jobs(session, *where)

    def closed_on(self, machines: Sequence[str]) -> list[KeptJob]:
        """Return the closed jobs of some hundred machines, named by id, the newest first."""
        with self._store.reading() as session:
            return find_jobs(
                session, JobRow.machine_id.in_(list(machines)), JobRow.closed_at.is_not(None)
            )

    def current(self, machine: str | None = None) -> KeptJob:
        """Return the one job that is open.

        Raises
        ------
        Complaint
            When none is open, or several are.
        """
        jobs = self.all(machine=machine, open=True)
        if len(jobs) == 1:
            return jobs[0]
        if not jobs:
            raise Complaint("no job is open", "start one first", field="job")
        names = ", ".join(f"{job.machine_name} {job.id}" for job in jobs[:5])
        raise Complaint(f"{len(jobs)} jobs are open", f"name one of: {names}", field="job")

    def _load(self, session: Session, job: str) -> Folding:
        """Return the log in a copy of its own: what is remembered, and what came since."""
        with self._lock:
            known = self._logs.get(job)
            log = known.copy() if known else Folding()
        newer = load_events(session, job, len(log.events))
        if newer and newer[0].prev != (log.events[-1].hash if log.events else ""):
            return Folding(load_events(session, job))
        log.extend(newer)
        return log

    def _remember(self, job: str, events: Sequence[Event]) -> None:
        with self._lock:
            known = self._logs.setdefault(job, Folding())
            for event in events:
                if event.seq == len(known.events) + 1:
                    known.push(event)
            self._logs.move_to_end(job)
            while len(self._logs) > REMEMBERED:
                self._logs.popitem(last=False)


def checked(entry: NewEvent) -> NewEvent:
    """Return an entry with its body in order, its time in UTC.

    Raises
    ------
    Complaint
        When it cannot be kept as it is.
    """
    by = entry.by.strip()
    if len(by) > 200 or any(unwelcome(c) for c in by):
        raise Complaint("this name of a person cannot be kept", "shorten it", field="by")
    at = utc(entry.at) if entry.at else None
    return NewEvent(entry.kind, check_body(entry.kind, entry.body), by, at, entry.id)


def _known(session: Session, id: str, fresh: Sequence[Event]) -> Event | None:
    for event in fresh:
        if event.id == id:
            return event
    row = session.get(EventRow, id)
    return as_event(row) if row is not None else None


def _same(known: Event, job: str, entry: NewEvent) -> None:
    """Refuse an id that is used again for something else; a repeated entry is none."""
    told = seal(
        known.id,
        job,
        known.seq,
        entry.at or known.at,
        entry.by,
        entry.kind,
        entry.body,
        known.prev,
    )
    if told.hash != known.hash:
        raise Complaint(
            f"the entry {known.id} is kept already with another content",
            "give each entry an id of its own",
            field="id",
        )
