"""Machines, jobs, readings and files of a server, asked for one by one."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import datetime
from typing import TYPE_CHECKING, Any, TypeVar, cast

from sumpwright.display import Display
from sumpwright.errors import Complaint
from sumpwright.planning.machine import Sheet
from sumpwright.records.attachments import Attachment, Attachments, check_file
from sumpwright.records.chain import (
    Event,
    Problem,
    check_id,
    events_from_plain,
    new_id,
    stamp,
    unstamp,
    utc,
)
from sumpwright.records.fold import Folding
from sumpwright.records.jobs import Added, Jobs, NewEvent, checked
from sumpwright.records.logs import KeptJob
from sumpwright.records.machines import KeptMachine, Machines, name_key
from sumpwright.records.readings import KeptReading, Readings
from sumpwright.records.sheet_text import dump_sheet
from sumpwright.records.snapshot import sheet_from_plain
from sumpwright.records.soundness import ProvenJob, prove_log
from sumpwright.records.state import JobState
from sumpwright.records.telling import Telling
from sumpwright.records.told import Entry, Told, from_plain, plain
from sumpwright.remote.wire import Wire, part

if TYPE_CHECKING:
    from sumpwright.remote.store import RemoteStore

T = TypeVar("T", bound=Told)


class RemoteMachines(Machines):
    """The machines of a server."""

    def __init__(self, store: RemoteStore) -> None:
        super().__init__(store)
        self._remote = store

    @property
    def _wire(self) -> Wire:
        return self._remote.wire

    def add(self, sheet: Sheet, *, by: str = "", source: str | None = None) -> KeptMachine:
        """Keep a machine that is not known yet."""
        return self._send("POST", "/machines", sheet, by, source)

    def change(
        self, name: str, sheet: Sheet, *, by: str = "", source: str | None = None
    ) -> KeptMachine:
        """Keep a new version of a machine's sheet."""
        return self._send("PUT", f"/machines/{part(self.get(name).id)}", sheet, by, source)

    def save(self, sheet: Sheet, *, by: str = "", source: str | None = None) -> KeptMachine:
        """Keep a sheet under its machine's name, whether that is known yet or not."""
        known = self._named(sheet.machine.name)
        if known is None:
            return self.add(sheet, by=by, source=source)
        return self._send("PUT", f"/machines/{known}", sheet, by, source)

    def _send(
        self, method: str, path: str, sheet: Sheet, by: str, source: str | None
    ) -> KeptMachine:
        sent = {"toml": source or dump_sheet(sheet), "by": by or None}
        kept = _machine(self._wire.ask(method, path, json=sent))
        self._remote.outdate()
        return kept

    def get(self, name: str, version: int | None = None) -> KeptMachine:
        """Return a machine by name or id, with the newest or a given version of its sheet."""
        books = self._remote.fetched
        if books is not None:
            return books.machines.get(name, version)
        # A name with a slash, or of dots, would be taken for another address.
        named = self._named(name) if "/" in name or not name.strip(". ") else name
        return _machine(
            self._wire.ask("GET", f"/machines/{part(named or name)}", params={"version": version})
        )

    def all(self, *, retired: bool = False) -> list[KeptMachine]:
        """Return the machines by name, each with the newest version of its sheet."""
        return self._remote.books().machines.all(retired=retired)

    def _named(self, name: str) -> str | None:
        briefs = self._wire.ask("GET", "/machines", params={"retired": True})
        key = name_key(name)
        return next((b["id"] for b in briefs if name_key(b["name"]) == key), None)


class RemoteJobs(Jobs):
    """The jobs of a server; their logs are folded here."""

    def __init__(self, store: RemoteStore) -> None:
        super().__init__(store)
        self._remote = store
        self._known: dict[str, Folding] = {}

    @property
    def _wire(self) -> Wire:
        return self._remote.wire

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
        """Open a job on a machine; it keeps the machine's sheet as it stands now."""
        sent = {
            "machine": machine,
            "system": system,
            "method": method,
            "target": target,
            "confidence": confidence,
            "worth_per_point": worth_per_point,
            "planned": None if planned is None else dict(planned),
            "job": check_id(job, "job id") if job else new_id(),
            "event": check_id(event) if event else new_id(),
            "by": by or None,
            "at": stamp(utc(at)) if at else None,
        }
        kept = self._wire.ask("POST", "/jobs", json=sent)
        self._remote.outdate()
        return self.get(kept["id"])

    def append_all(
        self,
        job: str,
        entries: Sequence[NewEvent],
        display: Display | None = None,  # noqa: ARG002
    ) -> list[Added]:
        """Add several entries in their order, all of them or none.

        A complaint speaks in the units that the server knows for this device.
        """
        ready = [checked(entry) for entry in entries]
        ids = [check_id(entry.id) if entry.id else new_id() for entry in ready]
        sent = [
            {
                "id": id,
                "kind": entry.kind,
                "body": dict(entry.body),
                "by": entry.by or None,
                "at": stamp(entry.at) if entry.at else None,
            }
            for id, entry in zip(ids, ready, strict=True)
        ]
        told = self._wire.ask(
            "POST", f"/jobs/{part(job)}/events", json={"events": sent}, params={"standing": False}
        )
        self._remote.outdate()
        state = self.state(job)
        kept = events_from_plain([each["event"] for each in told["added"]])
        return [
            Added(event, bool(each["new"]), state)
            for event, each in zip(kept, told["added"], strict=True)
        ]

    def events(self, job: str, *, after: int = 0) -> list[Event]:
        """Return a job's log, all of it or what comes after a place."""
        books = self._remote.fetched
        if books is not None:
            return books.jobs.events(job, after=after)
        told = self._wire.ask("GET", f"/jobs/{part(job)}/events", params={"after": after})
        return events_from_plain(told["events"])

    def state(self, job: str) -> JobState:
        """Return what a job's log amounts to now."""
        known = self._known.setdefault(job, Folding())
        newer = self.events(job, after=len(known.events))
        known.extend(newer)
        return known.state()

    def prove(self, job: str) -> ProvenJob:
        """Verify a job's log as the server gives it, and take in what the server finds."""
        found = self._wire.ask("GET", f"/jobs/{part(job)}/verify")
        own = tuple(Problem(0, "", f"the server says: {text}") for text in found["problems"])
        try:
            told = self._wire.ask("GET", f"/jobs/{part(job)}/events")
        except Complaint:
            if not own:
                raise
            return ProvenJob(job, "", found["length"], own, None)
        machine = _job(self._wire.ask("GET", f"/jobs/{part(job)}", params={"standing": False}))
        proven = prove_log(
            job,
            machine.machine,
            events_from_plain(told["events"]),
            head=told["head"],
            count=told["length"],
        )
        return proven if proven.problems else replace(proven, problems=own)

    def strays(self) -> list[str]:
        """Return none: a server gives out no entries but those of jobs."""
        return []

    def get(self, job: str) -> KeptJob:
        """Return a job by its id or by the beginning or end of it."""
        books = self._remote.fetched
        if books is not None:
            return books.jobs.get(job)
        wanted = job.strip()
        if not wanted or "/" in wanted or not wanted.strip("."):
            wanted = f"'{wanted}'"
        return _job(self._wire.ask("GET", f"/jobs/{part(wanted)}", params={"standing": False}))

    def all(self, *, machine: str | None = None, open: bool | None = None) -> list[KeptJob]:
        """Return the jobs, the newest first."""
        books = self._remote.fetched
        if books is not None:
            return books.jobs.all(machine=machine, open=open)
        told = self._wire.ask("GET", "/jobs", params={"machine": machine, "open": open})
        return [_job(each) for each in told]


class RemoteReadings(Readings):
    """The readings of a server."""

    def __init__(self, store: RemoteStore) -> None:
        super().__init__(store)
        self._remote = store

    def add_many(
        self,
        machine: str,
        readings: Sequence[tuple[str, float, datetime]],
        *,
        by: str = "",
        note: str = "",
        sure: bool = False,
    ) -> list[KeptReading]:
        """Keep several readings, one after the other."""
        kept = [
            _reading(
                self._remote.wire.ask(
                    "POST",
                    f"/machines/{part(self._remote.machines.get(machine).id)}/readings",
                    json={
                        "what": what,
                        "value": value,
                        "at": stamp(utc(at)),
                        "by": by or None,
                        "note": note,
                        "sure": sure,
                    },
                )
            )
            for what, value, at in readings
        ]
        self._remote.outdate()
        return kept

    def withdraw(self, id: str) -> KeptReading:
        """Take a reading back, named by its id or the end of it."""
        told = self._remote.wire.ask("POST", "/readings/withdraw", json={"id": id})
        self._remote.outdate()
        return _reading(told)


class RemoteTelling(Telling):
    """What is told of the machines of a server."""

    def __init__(self, store: RemoteStore) -> None:
        super().__init__(store)
        self._remote = store

    def add_many(
        self,
        machine: str,
        things: Sequence[tuple[T, datetime, str]],
        *,
        by: str = "",
        ids: Sequence[str] | None = None,
    ) -> list[Entry[T]]:
        """Keep several things (what, when, remark) of a machine, all of them or none."""
        known = self._remote.machines.get(machine)
        sent = [
            {
                "id": check_id(ids[place], "id") if ids else new_id(),
                "kind": told.kind,
                "at": stamp(utc(at)),
                "note": note,
                "body": plain(told),
            }
            for place, (told, at, note) in enumerate(things)
        ]
        kept = self._remote.wire.ask(
            "POST", f"/machines/{known.id}/told", json={"things": sent, "by": by or None}
        )
        self._remote.outdate()
        return [cast(Entry[T], _entry(each)) for each in kept]

    def confirm(self, id: str, *, by: str = "") -> Entry[Told]:
        """Let a report in that was kept out because it looks like another fluid's."""
        told = self._remote.wire.ask("POST", "/told/confirm", json={"id": id, "by": by or None})
        self._remote.outdate()
        return _entry(told)

    def withdraw(self, id: str) -> Entry[Told]:
        """Take something back: it stays in the books and counts no longer."""
        told = self._remote.wire.ask("POST", "/told/withdraw", json={"id": id})
        self._remote.outdate()
        return _entry(told)


class RemoteAttachments(Attachments):
    """The files of a server."""

    def __init__(self, store: RemoteStore) -> None:
        super().__init__(store)
        self._wire = store.wire

    def add(self, data: bytes, media_type: str, *, name: str = "", by: str = "") -> Attachment:
        """Keep a file; the same bytes twice are one file."""
        check_file(data, media_type)
        told = self._wire.ask(
            "POST", "/attachments", content=data, params={"name": name}, media_type=media_type
        )
        return _attachment(told, by)

    def data(self, sha256: str) -> bytes:
        """Return the bytes of a file."""
        return self._wire.file(f"/attachments/{part(sha256)}")


def _attachment(told: Mapping[str, Any], by: str) -> Attachment:
    return Attachment(
        told["sha256"], told["media_type"], told["name"], told["size"], unstamp(told["at"]), by
    )


def _machine(told: Mapping[str, Any]) -> KeptMachine:
    return KeptMachine(
        id=told["id"],
        name=told["name"],
        version=told["version"],
        at=unstamp(told["at"]),
        by=told["by"],
        sheet=sheet_from_plain(told["sheet"]),
        source=None,
        retired=told["retired"],
    )


def _job(told: Mapping[str, Any]) -> KeptJob:
    return KeptJob(
        id=told["id"],
        machine=told["machine"],
        machine_name=told["machine_name"],
        version=told["version"],
        system=told["system"],
        method=told["method"],
        opened_at=unstamp(told["opened"]),
        closed_at=unstamp(told["closed"]) if told["closed"] else None,
        length=told["length"],
        head=told["head"],
    )


def _reading(told: Mapping[str, Any]) -> KeptReading:
    return KeptReading(
        told["id"],
        told["machine"],
        told["what"],
        told["value"],
        unstamp(told["at"]),
        told["by"],
        told["note"],
        told["job"] or "",
        told["sure"],
        unstamp(told["withdrawn"]) if told["withdrawn"] else None,
    )


def _entry(told: Mapping[str, Any]) -> Entry[Told]:
    return Entry(
        told["id"],
        told["machine"],
        unstamp(told["at"]),
        told["by"],
        told["note"],
        from_plain(told["kind"], told["body"]),
        unstamp(told["entered"]),
        unstamp(told["withdrawn"]) if told["withdrawn"] else None,
    )
