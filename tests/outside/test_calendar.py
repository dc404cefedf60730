"""The calendar read back by a second parser, and against the rules of RFC 5545.

Source: RFC 5545, *Internet Calendaring and Scheduling Core Object Specification*: 3.1 (lines
of at most 75 octets, ended by CRLF), 3.3.11 (escaping), 3.6 (VERSION and PRODID once), 3.6.1
(UID, DTSTAMP; an all-day event by DTSTART of type DATE, DTEND exclusive), 3.6.6 (VALARM).
The second parser is the PyPI library vobject.
"""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta

import pytest
import vobject
from hypothesis import given, settings
from hypothesis import strategies as st

from sumpwright.planning.due import Dates, DueItem
from sumpwright.planning.said import said
from sumpwright.records.calendar import calendar, event_id

NOW = datetime(2025, 6, 1, 9, 30, tzinfo=UTC)
NASTY = 'Carrier 2; "north", slope\\line\nthe second — ünïcödé 🚡 ' + "long " * 30


def _item(
    machine: str = "Carrier 2", likely: date | None = date(2025, 9, 1), action: str = "replace"
) -> DueItem:
    dates = Dates(date(2025, 8, 1), likely, None)
    reasons = (said("{limit:distance}: reached soon", limit=6e7), said(NASTY.replace("{", "")))
    return DueItem(machine, "gearbox", action, dates, "distance", reasons)  # type: ignore[arg-type]


def _parse(data: bytes) -> list[vobject.base.Component]:
    parsed = vobject.readOne(data.decode())
    parsed.validate(raiseException=True)
    return list(parsed.contents.get("vevent", []))


def test_second_parser_reads_the_same_events() -> None:
    items = [_item(), _item("Van 1", date(2026, 1, 5), "inspect"), _item(NASTY)]
    events = _parse(calendar(items, NOW, alarm_days=(14, 1)))
    assert len(events) == 3
    for item, event in zip(items, events, strict=True):
        assert event.uid.value == event_id(item)
        assert event.dtstart.value == item.due.likely
        assert event.dtend.value == item.due.likely + timedelta(days=1)  # type: ignore[operator]
        assert event.dtstamp.value == NOW
        assert event.summary.value.startswith(f"{item.machine}, gearbox: ")
        assert "60 000 km: reached soon" in event.description.value
        assert NASTY.strip() in event.description.value
        triggers = [alarm.trigger.value for alarm in event.valarm_list]
        assert triggers == [timedelta(days=-1), timedelta(days=-14)] or triggers == [
            timedelta(days=-14),
            timedelta(days=-1),
        ]
        assert {alarm.action.value for alarm in event.valarm_list} == {"DISPLAY"}


def test_lines_are_folded_and_ended_as_the_standard_says() -> None:
    data = calendar([_item(NASTY)], NOW)
    assert data.endswith(b"END:VCALENDAR\r\n")
    lines = data.split(b"\r\n")
    assert all(len(line) <= 75 for line in lines)
    assert b"\n" not in data.replace(b"\r\n", b"")
    assert lines[0] == b"BEGIN:VCALENDAR"
    for name in (b"VERSION:2.0", b"METHOD:PUBLISH"):
        assert lines.count(name) == 1
    assert sum(line.startswith(b"PRODID:") for line in lines) == 1
    assert any(line == b"DTSTART;VALUE=DATE:20250901" for line in lines)


def test_ids_stay_and_tell_items_apart() -> None:
    moved = _item(likely=date(2026, 2, 2))
    assert event_id(moved) == event_id(_item())
    assert len({event_id(_item(action=a)) for a in ("inspect", "replace")}) == 2
    one = DueItem("a", "b c", "replace", Dates(None, None, None), "", ())
    other = DueItem("a b", "c", "replace", Dates(None, None, None), "", ())
    assert event_id(one) != event_id(other)


def test_overdue_stands_on_today_and_the_unknown_is_left_out() -> None:
    [event] = _parse(calendar([_item(likely=date(2025, 3, 1)), _item("Van 9", None)], NOW))
    assert event.dtstart.value == NOW.date()
    assert "overdue since 2025-03-01" in event.summary.value


def test_the_same_item_twice_is_one_event() -> None:
    assert len(_parse(calendar([_item(), _item()], NOW))) == 1


def test_a_time_without_its_zone_is_refused() -> None:
    with pytest.raises(ValueError, match="time zone"):
        calendar([], datetime(2025, 6, 1))


@settings(deadline=None, max_examples=60)
@given(
    st.text(
        st.characters(exclude_categories=("Cs", "Cc"), exclude_characters="\u2028\u2029\x85"),
        min_size=1,
        max_size=60,
    ),
    st.dates(date(2025, 6, 1), date(2099, 1, 1)),
)
def test_any_name_comes_through(name: str, likely: date) -> None:
    [event] = _parse(calendar([_item(name, likely)], NOW))
    assert event.summary.value == f"{name}, gearbox: change the fluid"
    assert event.dtstart.value == likely
