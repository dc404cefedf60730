"""What is due as a calendar: a feed to subscribe to, or a file, by RFC 5545."""

from __future__ import annotations

import json
from collections.abc import Sequence
from datetime import UTC, date, datetime, timedelta
from uuid import UUID, uuid5

from icalendar import Alarm, Calendar, Event

from sumpwright import __version__
from sumpwright.display import Display
from sumpwright.planning.due import DueItem

_SPACE = UUID("6f0d2b6e-31a5-4a53-9b0c-5f2c1f0f7f3a")
"""Name space of our event ids; a constant, so that an id never changes."""
CONTENT_TYPE = "text/calendar; charset=utf-8"
DO = {"inspect": "inspect the fluid", "replace": "change the fluid"}


def event_id(item: DueItem) -> str:
    """Stable id of a due item: the same machine, system and action keep their event.

    Examples
    --------
    >>> from sumpwright.planning.due import Dates
    >>> item = DueItem("Van 1", "gearbox", "replace", Dates(None, None, None), "", ())
    >>> event_id(item) == event_id(item)
    True
    """
    name = json.dumps([item.machine, item.system, item.action], ensure_ascii=False)
    return str(uuid5(_SPACE, name))


def calendar(
    items: Sequence[DueItem],
    now: datetime,
    name: str = "What is due",
    alarm_days: Sequence[int] = (14,),
    display: Display | None = None,
) -> bytes:
    """Write due items as a calendar of all-day events.

    An event stands on the likely day; what is overdue stands on today, so that it is
    seen. Items that never come due are left out.

    Parameters
    ----------
    items : sequence of DueItem
    now : datetime
        With its time zone.
    name : str
        Name of the calendar.
    alarm_days : sequence of int
        Reminders, days before.
    display : Display, optional
        Units of the reasons.

    Returns
    -------
    bytes
        UTF-8 text/calendar.

    Raises
    ------
    ValueError
        For a time without its zone.

    Examples
    --------
    >>> calendar([], datetime(2025, 6, 1, tzinfo=UTC)).decode().splitlines()[0]
    'BEGIN:VCALENDAR'
    """
    if now.tzinfo is None:
        raise ValueError("a time of day needs its time zone")
    book = Calendar()
    book.add("prodid", f"-//Sumpwright//{__version__}//EN")
    book.add("version", "2.0")
    book.add("calscale", "GREGORIAN")
    book.add("method", "PUBLISH")
    book.add("name", name)
    book.add("x-wr-calname", name)
    book.add("refresh-interval", timedelta(days=1), parameters={"VALUE": "DURATION"})
    used: set[str] = set()
    for item in items:
        uid = event_id(item)
        if item.due.likely is not None and uid not in used:
            used.add(uid)
            book.add_component(_event(item, uid, now, alarm_days, display))
    return bytes(book.to_ical())


def _event(
    item: DueItem, uid: str, now: datetime, alarm_days: Sequence[int], display: Display | None
) -> Event:
    likely, today = item.due.likely, now.astimezone(UTC).date()
    assert likely is not None
    late = item.overdue(today)
    on = max(likely, today)
    title = f"{item.machine}, {item.system}: {DO[item.action]}"
    event = Event()
    event.add("uid", uid)
    event.add("dtstamp", now.astimezone(UTC).replace(microsecond=0))
    event.add("dtstart", on)
    event.add("dtend", on + timedelta(days=1))
    event.add("summary", f"{title} (overdue since {likely.isoformat()})" if late else title)
    event.add("description", _description(item, display))
    event.add("categories", [item.action])
    event.add("transp", "TRANSPARENT")
    for days in sorted(set(alarm_days)):
        alarm = Alarm()
        alarm.add("action", "DISPLAY")
        alarm.add("description", title)
        alarm.add("trigger", timedelta(days=-days))
        event.add_component(alarm)
    return event


def _description(item: DueItem, display: Display | None) -> str:
    def iso(when: date | None) -> str:
        return when.isoformat() if when else "not in sight"

    head = (
        f"Likely {iso(item.due.likely)}, between {iso(item.due.early)} and {iso(item.due.late)}; "
        f"first limit: {item.limit}."
    )
    return "\n".join([head, *(f"- {reason.say(display)}" for reason in item.reasons)])
