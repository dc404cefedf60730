"""What the commands that tell of the past share: days, machines, meters, one's own words."""

from __future__ import annotations

from datetime import UTC, date, datetime
from typing import TYPE_CHECKING, Annotated, Any

import typer

from sumpwright.cli.common import warn
from sumpwright.errors import Complaint

if TYPE_CHECKING:
    from sumpwright.records.books import Doubt
    from sumpwright.records.store import Store
    from sumpwright.records.told import Entry
    from sumpwright.unit_words import Dimension

Machine = Annotated[str, typer.Argument(metavar="MACHINE", help="A machine of the yard.")]
SystemOption = Annotated[
    str | None, typer.Option("--system", help="Which wet system, if there are several.")
]
DayOption = Annotated[
    str | None,
    typer.Option("--date", metavar="DAY", help="When, such as 2025-03-31; now if left out."),
]
NoteOption = Annotated[str, typer.Option("--note", help="A remark.")]
By = Annotated[str, typer.Option("--by", help="Who tells it.", envvar="SUMPWRIGHT_BY")]
Sure = Annotated[
    bool, typer.Option("--sure", help="Keep it although it is doubted: it was read twice.")
]
Ident = Annotated[str, typer.Argument(metavar="ID", help="Its id, or the end of it.")]


def moment(text: str | None) -> datetime:
    """Return when something was: a day is kept as its midnight UTC, no day is now.

    Raises
    ------
    Complaint
        No day, or one that has not come yet.
    """
    now = datetime.now(UTC)
    if text is None:
        return now
    from sumpwright.records.cells import read_date
    from sumpwright.records.taking import at_midnight

    try:
        day = read_date(text, None)
    except Complaint as complaint:
        raise Complaint(complaint.what, complaint.do, "--date") from None
    # East of Greenwich a day begins before it does in UTC.
    if day > max(now.date(), datetime.now().astimezone().date()):
        raise Complaint(f"{day.isoformat()} lies in the future", "correct the date", "--date")
    return min(at_midnight(day), now)


def day_of(at: datetime) -> str:
    """Write the day of a moment."""
    return at.date().isoformat()


def today() -> date:
    """Today, as the yard's books count days."""
    return datetime.now(UTC).date()


def quantity_or_none(text: str | None, dimension: Dimension, where: str) -> float | None:
    """Read an option's quantity, warning of what can mean two things."""
    from sumpwright.units import parse_quantity

    warnings: list[str] = []
    value = None if text is None else parse_quantity(text, dimension, where, warnings)
    warn(warnings)
    return value


def positive(value: float | None, text: str | None, where: str) -> float | None:
    """Refuse what cannot be below zero."""
    if value is not None and value < 0:
        raise Complaint(f"{text} is below zero", "correct it", where)
    return value


def share_or_none(text: str | None, where: str, most: float = 1.0) -> float | None:
    """Read an option's share."""
    from sumpwright.units import parse_quantity

    if text is None:
        return None
    value = parse_quantity(text, "share", where)
    if not 0.0 <= value <= most:
        raise Complaint(f"{text} is not a share", "write it from 0 to 1, or as 40 %", where)
    return value


def tell_doubts(doubts: list[Doubt]) -> None:
    """Warn of readings that are kept out of the computation."""
    warn([f"kept out of the computation: {doubt.why.why}" for doubt in doubts])


def entry_json(entry: Entry[Any], machine: str) -> dict[str, Any]:
    """Return something told as plain data, SI."""
    from sumpwright.records.plain import entry_plain

    return entry_plain(entry, machine)


def take_back(store: Store, id: str, kind: str) -> dict[str, Any]:
    """Take something told back, if it is of the kind that is meant.

    Raises
    ------
    Complaint
        When there is no such entry of that kind.
    """
    entry = store.told.find(id)
    if entry.told.kind != kind:
        raise Complaint(
            f"the entry {entry.id[-6:]} is no {kind} but a {entry.told.kind}", "look at the list"
        )
    gone = store.told.withdraw(entry.id)
    return entry_json(gone, store.machines.get(gone.machine).name)
