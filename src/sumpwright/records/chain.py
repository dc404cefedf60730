"""Job events as a chain: each carries the hash of the one before it."""

from __future__ import annotations

import hashlib
import json
import uuid
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any

import rfc8785
import uuid6

from sumpwright.errors import Complaint

LARGEST_BODY = 512_000
"""Bytes of canonical JSON that one event may carry; photographs are kept beside the log."""


@dataclass(frozen=True, slots=True)
class Event:
    """One entry of a job's log.

    Parameters
    ----------
    id : str
        UUID made on the device that wrote it.
    job : str
        The job's id.
    seq : int
        Place in the log, from 1.
    at : datetime
        When, aware, UTC.
    by : str
        Who.
    kind : str
        One of :data:`sumpwright.records.bodies.BODIES`.
    body : mapping
        Plain JSON values, SI numbers.
    prev, hash : str
        Hash of the entry before (empty for the first) and of this one.
    """

    id: str
    job: str
    seq: int
    at: datetime
    by: str
    kind: str
    body: Mapping[str, Any]
    prev: str
    hash: str

    def plain(self) -> dict[str, Any]:
        """Return the entry as JSON values, the time as :func:`stamp` writes it."""
        return {
            "id": self.id,
            "job": self.job,
            "seq": self.seq,
            "at": stamp(self.at),
            "by": self.by,
            "kind": self.kind,
            "body": dict(self.body),
            "prev": self.prev,
            "hash": self.hash,
        }


@dataclass(frozen=True, slots=True)
class Problem:
    """Something wrong with a log: where, and what."""

    seq: int
    event: str
    text: str

    def __str__(self) -> str:
        return f"event {self.seq} ({self.event}): {self.text}"


def new_id() -> str:
    """Return a fresh UUID version 7 (RFC 9562): sorted by time, made without asking anyone."""
    return str(uuid6.uuid7())


def check_id(text: str, what: str = "event id") -> str:
    """Return a UUID in its usual spelling.

    Raises
    ------
    Complaint
        When the text is not a UUID.

    Examples
    --------
    >>> check_id("01890A5D-AC96-774B-BCCE-B302099A8057")
    '01890a5d-ac96-774b-bcce-b302099a8057'
    """
    try:
        return str(uuid.UUID(text))
    except (ValueError, AttributeError, TypeError):
        raise Complaint(
            f"'{text}' is not a UUID", f"give the {what} as a UUID", field="id"
        ) from None


def utc(at: datetime) -> datetime:
    """Return an aware time in UTC.

    Raises
    ------
    Complaint
        When the time names no zone.
    """
    if at.tzinfo is None:
        raise Complaint(f"the time {at.isoformat()} names no zone", "add the zone, for example Z")
    return at.astimezone(UTC)


def stamp(at: datetime) -> str:
    """Write a time in the one form that hashes are taken over.

    Examples
    --------
    >>> stamp(datetime(2025, 3, 1, 9, 30, tzinfo=UTC))
    '2025-03-01T09:30:00.000000Z'
    """
    return utc(at).replace(tzinfo=None).isoformat(timespec="microseconds") + "Z"


def unstamp(text: str) -> datetime:
    """Read a time with its zone.

    Raises
    ------
    Complaint
        When it is not an ISO 8601 time or names no zone.

    Examples
    --------
    >>> unstamp("2025-03-01T10:30:00+01:00")
    datetime.datetime(2025, 3, 1, 9, 30, tzinfo=datetime.timezone.utc)
    """
    try:
        at = datetime.fromisoformat(text)
    except (ValueError, TypeError):
        raise Complaint(f"'{text}' is not a time", "write it as 2025-03-01T09:30:00Z") from None
    return utc(at)


def canonical(value: Any) -> bytes:
    """Return the one JSON spelling of a value (RFC 8785).

    Raises
    ------
    Complaint
        When the value holds what JSON cannot carry exactly.

    References
    ----------
    RFC 8785, JSON Canonicalization Scheme.

    Examples
    --------
    >>> canonical({"b": 1.0, "a": 0.0041})
    b'{"a":0.0041,"b":1}'
    """
    try:
        return bytes(rfc8785.dumps(value))
    except (rfc8785.CanonicalizationError, UnicodeEncodeError, RecursionError) as error:
        raise Complaint(f"the entry cannot be kept: {error}", "use plain JSON values") from None


def body_text(body: Mapping[str, Any]) -> str:
    """Return the canonical text of a body.

    Raises
    ------
    Complaint
        When it is too large.
    """
    raw = canonical(dict(body))
    if len(raw) > LARGEST_BODY:
        raise Complaint(
            f"the entry holds {len(raw) // 1000} kB", f"keep it under {LARGEST_BODY // 1000} kB"
        )
    return raw.decode()


def digest(event: Event) -> str:
    """Return the sha256 of an entry over everything in it but the hash itself.

    Examples
    --------
    >>> e = seal("01890a5d-ac96-774b-bcce-b302099a8057", "j", 1, unstamp("2025-03-01T09:30:00Z"),
    ...          "Ines", "noted", {"text": "cold"}, "")
    >>> digest(e) == e.hash
    True
    """
    plain = event.plain()
    del plain["hash"]
    return hashlib.sha256(canonical(plain)).hexdigest()


def seal(
    id: str,
    job: str,
    seq: int,
    at: datetime,
    by: str,
    kind: str,
    body: Mapping[str, Any],
    prev: str,
) -> Event:
    """Make an entry and its hash; the body is brought to the values that its text reads back as."""
    kept = json.loads(body_text(body))
    bare = Event(id, job, seq, utc(at), by, kind, kept, prev, "")
    return Event(id, job, seq, bare.at, by, kind, kept, prev, digest(bare))


def event_from_plain(plain: Mapping[str, Any]) -> Event:
    """Read an entry from a file.

    Raises
    ------
    Complaint
        When a key is missing or of another type.
    """
    try:
        event = Event(
            id=plain["id"],
            job=plain["job"],
            seq=plain["seq"],
            at=unstamp(plain["at"]),
            by=plain["by"],
            kind=plain["kind"],
            body=plain["body"],
            prev=plain["prev"],
            hash=plain["hash"],
        )
    except (KeyError, TypeError) as error:
        raise Complaint(
            f"an event of the file is incomplete ({error})", "use a file that was written whole"
        ) from None
    texts = (event.id, event.job, event.by, event.kind, event.prev, event.hash)
    if (
        not all(isinstance(t, str) for t in texts)
        or type(event.seq) is not int
        or not isinstance(event.body, dict)
    ):
        raise Complaint(
            f"event {plain.get('id')} of the file is malformed", "use a file that was written whole"
        )
    return event


def verify_chain(
    events: Sequence[Event], *, head: str | None = None, count: int | None = None
) -> list[Problem]:
    """Check a job's log: nothing altered, missing, doubled or moved.

    A chain alone cannot show that its *end* was cut off, or that all of it was
    written anew; that takes a hash noted elsewhere, such as on the printed record.

    Parameters
    ----------
    events : sequence of Event
        The log in the order in which it is kept.
    head : str, optional
        Hash that the last event should have.
    count : int, optional
        How many events there should be.

    Returns
    -------
    list of Problem
        Empty when all is well.

    Examples
    --------
    >>> at = unstamp("2025-03-01T09:30:00Z")
    >>> first = seal(new_id(), "j", 1, at, "Ines", "noted", {"text": "cold"}, "")
    >>> second = seal(new_id(), "j", 2, at, "Ines", "noted", {"text": "warm"}, first.hash)
    >>> verify_chain([first, second])
    []
    >>> [p.text for p in verify_chain([second])]
    ['comes after a gap: 1 missing before it', 'does not follow the event before it']
    """
    problems: list[Problem] = []
    seen: set[str] = set()
    prev = ""
    for place, event in enumerate(events, start=1):

        def note(text: str, event: Event = event) -> None:
            problems.append(Problem(event.seq, event.id, text))

        expected = events[place - 2].seq + 1 if place > 1 else 1
        gap = event.seq - expected
        if gap > 0:
            note(f"comes after a gap: {gap} missing before it")
        elif gap < 0:
            note("stands out of order")
        if event.id in seen:
            note("is there twice")
        seen.add(event.id)
        if event.job != events[0].job:
            note("belongs to another job")
        if event.prev != prev:
            note("does not follow the event before it")
        try:
            sound = digest(event) == event.hash
        except Complaint:
            sound = False
        if not sound:
            note("was altered after it was written")
        prev = event.hash
    last = events[-1] if events else None
    if count is not None and count != len(events):
        problems.append(
            Problem(
                last.seq if last else 0,
                last.id if last else "",
                f"{len(events)} events are here where {count} were written",
            )
        )
    if head is not None and head != prev:
        problems.append(
            Problem(
                last.seq if last else 0,
                last.id if last else "",
                "is not the last event that was written",
            )
        )
    return problems


def events_from_plain(plain: Iterable[Mapping[str, Any]]) -> list[Event]:
    """Read a log from a file; see :func:`event_from_plain`."""
    return [event_from_plain(entry) for entry in plain]
