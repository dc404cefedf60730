"""Taking an export in: everything in it, or nothing; twice is the same as once."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

from sqlalchemy import select
from sqlalchemy.orm import Session

from sumpwright.errors import Complaint
from sumpwright.planning.machine import Fluid, Offer, Sheet
from sumpwright.records.attachments import check_file, find_attachment, plain_name
from sumpwright.records.bodies import check_body
from sumpwright.records.body_fields import unwelcome
from sumpwright.records.chain import Event, canonical, check_id, events_from_plain, unstamp
from sumpwright.records.export import YARD
from sumpwright.records.fluids import keep_if_newer
from sumpwright.records.logs import load_events, write_events
from sumpwright.records.machines import add_systems, find_by_name, name_key
from sumpwright.records.passing_on import (
    checked_look,
    checked_step_set,
    write_look,
    write_step_set,
)
from sumpwright.records.proof import WHOLE, attachment_bytes, entries, prove_job, read_document
from sumpwright.records.readings import LASTING
from sumpwright.records.schema import (
    AttachmentRow,
    EventRow,
    JobRow,
    MachineRow,
    ReadingRow,
    SheetRow,
    ToldRow,
)
from sumpwright.records.snapshot import sheet_from_plain, sheet_to_plain
from sumpwright.records.state import JobState
from sumpwright.records.telling import row_of
from sumpwright.records.told import Entry, from_plain

if TYPE_CHECKING:
    from sumpwright.records.store import Store


@dataclass(frozen=True)
class Report:
    """What an import did: how many of each thing were new, and how many were known."""

    added: Mapping[str, int] = field(default_factory=dict)
    skipped: Mapping[str, int] = field(default_factory=dict)

    def lines(self) -> list[str]:
        """Return one line per kind of thing.

        Examples
        --------
        >>> Report({"jobs": 2}, {"jobs": 1, "fluids": 3}).lines()
        ['jobs: 2 added, 1 known already', 'fluids: 0 added, 3 known already']
        """
        kinds = dict.fromkeys([*self.added, *self.skipped])
        return [
            f"{kind}: {self.added.get(kind, 0)} added, {self.skipped.get(kind, 0)} known already"
            for kind in kinds
        ]


@dataclass(frozen=True)
class _Job:
    version: int
    events: list[Event]
    state: JobState


def import_yard(store: Store, path: str | Path) -> Report:
    """Take in an export of a yard.

    Everything is checked before anything is written, and written in one transaction.

    Parameters
    ----------
    store : Store
        Where it goes.
    path : str or Path
        A file that :func:`sumpwright.records.export.export_yard` wrote.

    Returns
    -------
    Report
        What was new and what was known already.

    Raises
    ------
    Complaint
        When the file is malformed or of a newer version, a log in it was altered,
        or a machine or job in it went another way here.
    """
    document = read_document(path, YARD)
    try:
        checked = _Checked(document)
        return store.run(checked.write)
    except Complaint as complaint:
        if complaint.where:
            raise
        raise Complaint(
            complaint.what,
            f"{complaint.do}; nothing was imported" if complaint.do else "nothing was imported",
            str(path),
            complaint.field,
        ) from complaint
    except (KeyError, TypeError, AttributeError, ValueError) as error:
        raise Complaint(
            f"the file is incomplete or malformed ({type(error).__name__}: {error})",
            f"{WHOLE}; nothing was imported",
            str(path),
        ) from error


class _Checked:
    """A document whose parts have all been checked and are ready to be written."""

    def __init__(self, document: Mapping[str, Any]) -> None:
        self.machines = [_machine(entry) for entry in entries(document, "machines")]
        self.fluids = [
            (
                Fluid(
                    _short(entry["name"]),
                    _number(entry["density_15"]),
                    _number(entry["viscosity_40"]),
                    _number(entry["viscosity_100"]),
                ),
                unstamp(entry["updated"]),
            )
            for entry in entries(document, "fluids")
        ]
        self.offers = [_offer(entry) for entry in entries(document, "offers")]
        self.readings = [_reading(entry) for entry in entries(document, "readings")]
        self.told = [_told(entry) for entry in entries(document, "told")]
        self.jobs = [_job(entry) for entry in entries(document, "jobs")]
        self.step_sets = [checked_step_set(e) for e in entries(document, "step_sets")]
        self.looks = [checked_look(entry) for entry in entries(document, "looks")]
        self.attachments = [_attachment(entry) for entry in entries(document, "attachments")]

    def write(self, session: Session) -> Report:
        """Write what is new."""
        added: Counter[str] = Counter()
        skipped: Counter[str] = Counter()

        def count(kind: str, new: bool) -> None:
            (added if new else skipped)[kind] += 1

        for machine, sheets in self.machines:
            count("machines", _write_machine(session, machine, sheets))
        for fluid, at in self.fluids:
            count("fluids", keep_if_newer(session, fluid, at))
        for offer, at in self.offers:
            count("offers", keep_if_newer(session, offer, at))
        for attachment in self.attachments:
            new = find_attachment(session, attachment["sha256"]) is None
            count("attachments", new)
            if new:
                session.add(AttachmentRow(**attachment))
                session.flush()
        for job in self.jobs:
            count("jobs", _write_job(session, job))
        for reading in self.readings:
            known = session.get(ReadingRow, reading["id"])
            count("readings", _write_row(session, known, ReadingRow, reading))
        for told in self.told:
            count("told", _write_row(session, session.get(ToldRow, told["id"]), ToldRow, told))
        for kept in self.step_sets:
            count("step sets", write_step_set(session, kept))
        for look in self.looks:
            count("looks", write_look(session, look))
        session.flush()
        return Report(dict(added), dict(skipped))


def _machine(entry: Mapping[str, Any]) -> tuple[dict[str, Any], list[dict[str, Any]]]:
    sheets = [
        {
            "version": kept["version"],
            "at": unstamp(kept["at"]),
            "by": _short(kept["by"]),
            "plain": canonical(sheet_to_plain(sheet_from_plain(kept["sheet"]))).decode(),
            "source": None if kept["source"] is None else _text(kept["source"]),
            "sheet": sheet_from_plain(kept["sheet"]),
        }
        for kept in entries(entry, "sheets")
    ]
    if not sheets or [kept["version"] for kept in sheets] != list(range(1, len(sheets) + 1)):
        raise Complaint(f"the sheets of machine '{entry['name']}' are not complete", WHOLE)
    name = _short(entry["name"])
    return {
        "id": check_id(entry["id"], "machine id"),
        "name": name,
        "name_key": name_key(name),
        "created_at": unstamp(entry["created"]),
        "retired_at": unstamp(entry["retired"]) if entry["retired"] else None,
        "version": len(sheets),
    }, sheets


def _write_machine(
    session: Session, machine: Mapping[str, Any], sheets: list[dict[str, Any]]
) -> bool:
    row = session.get(MachineRow, machine["id"])
    named = find_by_name(session, machine["name"])
    if named is not None and named is not row:
        raise Complaint(
            f"another machine is called {named.name} here",
            "rename one of the two, then import again",
        )
    known: dict[int, SheetRow] = {}
    if row is None:
        session.add(MachineRow(**machine))
        session.flush()
    else:
        query = select(SheetRow).where(SheetRow.machine_id == row.id)
        known = {kept.version: kept for kept in session.scalars(query)}
        for kept in sheets:
            here = known.get(kept["version"])
            if here is not None and here.plain != kept["plain"]:
                raise Complaint(
                    f"the sheet of {row.name} was changed here and in the file (version "
                    f"{kept['version']})",
                    "import into an empty database, or make the sheets agree first",
                )
        if len(sheets) > len(known):
            row.name, row.name_key = machine["name"], machine["name_key"]
            row.version, row.retired_at = machine["version"], machine["retired_at"]
    for kept in sheets:
        if kept["version"] not in known:
            sheet: Sheet = kept["sheet"]
            columns = {key: value for key, value in kept.items() if key != "sheet"}
            session.add(SheetRow(machine_id=machine["id"], **columns))
            session.flush()
            add_systems(session, machine["id"], kept["version"], sheet)
    return len(sheets) > len(known)


def _job(entry: Mapping[str, Any]) -> _Job:
    plain = entries(entry, "events")
    proven = prove_job(entry, plain)
    if proven.problems or proven.state is None:
        first = proven.problems[0] if proven.problems else "it cannot be read"
        more = len(proven.problems) - 1
        raise Complaint(
            f"the log of job {proven.id} is not sound: {first}"
            + (f" (and {more} more)" if more > 0 else ""),
            "use an export that nobody changed",
        )
    check_id(proven.id, "job id")
    events = events_from_plain(plain)
    for event in events:
        check_id(event.id)
        _short(event.by)
    version = entry["sheet_version"]
    if type(version) is not int:
        raise Complaint(f"job {proven.id} names no version of a sheet", WHOLE)
    return _Job(version, events, proven.state)


def _write_job(session: Session, job: _Job) -> bool:
    id = job.state.job
    _need_machine(session, job.state.machine)
    row = session.get(JobRow, id)
    here = load_events(session, id) if row is not None else []
    for mine, theirs in zip(here, job.events, strict=False):
        if mine.hash != theirs.hash:
            raise Complaint(
                f"job {id} went on here and in the file in different ways from entry {mine.seq}",
                "keep one of the two: import into an empty database",
            )
    fresh = job.events[len(here) :]
    if not fresh:
        return False
    for event in fresh:
        known = session.get(EventRow, event.id)
        if known is not None:
            raise Complaint(f"the entry {event.id} belongs to another job here", WHOLE)
    write_events(session, row, id, job.state, fresh, job.version)
    return True


def _need_machine(session: Session, machine: str) -> None:
    if session.get(MachineRow, machine) is None:
        raise Complaint(f"the file names machine {machine} and does not hold it", WHOLE)


def _offer(entry: Mapping[str, Any]) -> tuple[Offer, datetime]:
    stock = entry["stock"]
    price, carriage = _number(entry["price"]), _number(entry["carriage"])
    size = check_body("lost", {"volume": entry["size"]})["volume"]
    if price is None or carriage is None or not (stock is None or type(stock) is int):
        raise Complaint("an offer of the file is incomplete", WHOLE)
    offer = Offer(_short(entry["fluid"]), _short(entry["seller"]), size, price, carriage, stock)
    return offer, unstamp(entry["updated"])


def _write_row(
    session: Session,
    known: ReadingRow | ToldRow | None,
    table: type[ReadingRow | ToldRow],
    row: Mapping[str, Any],
) -> bool:
    """Write a row that is new, or take back one that was taken back in the file."""
    if known is None:
        _need_machine(session, row["machine_id"])
        session.add(table(**row))
        return True
    if row["withdrawn_at"] is None or known.withdrawn_at is not None:
        return False
    known.withdrawn_at = row["withdrawn_at"]
    return True


def _reading(entry: Mapping[str, Any]) -> dict[str, Any]:
    value = check_body("closed", {"odometer": entry["value"]})["odometer"]
    if entry["what"] not in LASTING:
        raise Complaint(f"'{entry['what']}' is not a reading of a machine", WHOLE)
    return {
        "id": check_id(entry["id"], "reading id"),
        "machine_id": check_id(entry["machine"], "machine id"),
        "what": entry["what"],
        "value": value,
        "at": unstamp(entry["at"]),
        "by": _short(entry["by"]),
        "note": _text(entry["note"]),
        "sure": _choice(entry.get("sure", False)),
        "withdrawn_at": _moment(entry.get("withdrawn")),
    }


def _told(entry: Mapping[str, Any]) -> dict[str, Any]:
    return row_of(
        Entry(
            check_id(entry["id"], "id of what was told"),
            check_id(entry["machine"], "machine id"),
            unstamp(entry["at"]),
            _short(entry["by"]),
            _text(entry["note"]),
            from_plain(entry["kind"], entry["body"]),
            unstamp(entry["entered"]),
            _moment(entry["withdrawn"]),
        )
    )


def _moment(text: str | None) -> datetime | None:
    return None if text is None else unstamp(text)


def _choice(value: Any) -> bool:
    if not isinstance(value, bool):
        raise Complaint(f"'{value}' stands where true or false belongs", WHOLE)
    return value


def _attachment(entry: Mapping[str, Any]) -> dict[str, Any]:
    data = attachment_bytes(entry)
    check_file(data, entry["media_type"])
    return {
        "sha256": entry["sha256"],
        "media_type": entry["media_type"],
        "name": plain_name(_text(entry["name"])),
        "size": len(data),
        "at": unstamp(entry["at"]),
        "by": _short(entry["by"]),
        "data": data,
    }


def _number(value: Any) -> float | None:
    if value is None:
        return None
    number: float = check_body("closed", {"odometer": value})["odometer"]
    return number


def _text(text: Any) -> str:
    if not isinstance(text, str):
        raise Complaint(f"'{text}' stands where a text belongs", WHOLE)
    if any(unwelcome(c) for c in text):
        raise Complaint("a text of the file holds a control character", WHOLE)
    return text


def _short(text: Any) -> str:
    if _text(text):
        check_body("did", {"step": text})
    return str(text)
