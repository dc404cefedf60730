"""What is due: every limit side by side, the first wins, and the reasons are there."""

from __future__ import annotations

import json
import math
from datetime import date, timedelta

import pytest

from sumpwright.display import Display
from sumpwright.errors import Complaint
from sumpwright.planning.clock import YEAR, seconds
from sumpwright.planning.due import (
    Condition,
    Dates,
    DueItem,
    Limit,
    Meter,
    Rule,
    Service,
    clock,
    due,
)
from sumpwright.planning.ledger import Happening, Point, keep
from sumpwright.planning.odometer import forecast
from sumpwright.planning.said import said
from sumpwright.planning.schedule import system_due, yard
from sumpwright.planning.track import Reading, make_track
from sumpwright.planning.use import Drive, TemperatureLog, thermal_age

NOW = date(2025, 6, 1)


def _meter(per_year: float = 20e6, years: int = 3, upto: float = 120e6) -> Meter:
    """Read monthly, even use, last reading ``upto`` today."""
    readings = [
        Reading(NOW - timedelta(days=30 * k), upto - per_year * 30 * k / 365.2425)
        for k in range(12 * years)
    ]
    track = make_track(readings, now=NOW)
    return Meter(track, forecast(track))


def _item(rule: Rule, since: Point, meter: Meter | None = None, **more: object) -> DueItem:
    meters = {"distance": meter or _meter()}
    return due("Carrier 2", "gearbox", rule, since, meters, NOW, **more)  # type: ignore[arg-type]


def test_the_first_limit_wins_and_all_are_shown() -> None:
    rule = Rule("replace", (Limit("distance", 60e6), Limit("date", 4 * YEAR)))
    by_distance = _item(rule, Point(seconds(date(2023, 1, 1)), 75e6))
    assert by_distance.limit == "distance"
    assert [row.kind for row in by_distance.limits] == ["distance", "date"]
    # 15 000 km to go at 20 000 km a year: three quarters of a year.
    likely = by_distance.due.likely
    assert likely is not None
    assert abs((likely - NOW).days - 274) <= 3
    by_date = _item(rule, Point(seconds(date(2021, 9, 1)), 75e6))
    assert by_date.limit == "date"
    assert by_date.due.likely == date(2025, 9, 1)
    assert by_date.due.early == by_date.due.late == by_date.due.likely


def test_combined_dates_take_the_earlier_end_of_every_limit() -> None:
    rule = Rule("replace", (Limit("distance", 60e6), Limit("date", 4 * YEAR)))
    item = _item(rule, Point(seconds(date(2022, 4, 1)), 75e6))
    rows = {row.kind: row for row in item.limits}
    assert item.due.late is not None
    assert rows["date"].late < rows["distance"].late
    assert seconds(item.due.late) <= rows["date"].late
    assert item.due.early is not None
    assert abs(seconds(item.due.early) - rows["distance"].early) < 86400


def test_severe_service_uses_its_own_limit_and_says_why() -> None:
    rule = Rule("replace", (Limit("distance", 60e6, 30e6), Limit("date", 4 * YEAR)))
    why = (said("severe service: 60 % of the distance was driven with a trailer"),)
    since = Point(seconds(date(2024, 1, 1)), 100e6)
    normal, severe = _item(rule, since), _item(rule, since, service=Service("severe", why))
    assert severe.service == "severe"
    assert severe.due.likely is not None
    assert normal.due.likely is not None
    assert severe.due.likely < normal.due.likely
    lines = [str(r) for r in severe.reasons]
    assert any("trailer" in line for line in lines)
    assert any("no date limit for severe service" in line for line in lines)
    assert severe.limits[0].limit == 30e6


def test_a_partial_change_does_not_reset_the_clock() -> None:
    rules = [Rule("replace", (Limit("distance", 60e6),))]
    history = [
        Happening(date(2019, 6, 1), "filled", distance=0.0),
        Happening(date(2022, 6, 1), "changed", 0.0036, distance=60e6),
    ]
    book = keep(0.009, history)
    assert clock(book).distance == pytest.approx(24e6)
    meters = {"distance": _meter(upto=80e6)}
    [item] = system_due("Carrier 2", "gearbox", rules, book, None, meters, NOW)
    # 80 − 24 = 56 of 60: 4 000 km to go, and not the 40 000 km of a full change.
    assert item.limits[0].age == pytest.approx(56e6, rel=1e-3)
    assert any("replaced 40 %" in str(r) for r in item.reasons)
    full = keep(0.009, [history[0], Happening(date(2022, 6, 1), "filled", distance=60e6)])
    [later] = system_due("Carrier 2", "gearbox", rules, full, None, meters, NOW)
    assert later.due.likely is not None
    assert item.due.likely is not None
    assert (later.due.likely - item.due.likely).days > 500


def test_tail_rule_bounds_the_oldest_fluid() -> None:
    history = [
        Happening(date(2019, 6, 1), "filled", distance=0.0),
        Happening(date(2022, 6, 1), "changed", 0.0036, distance=60e6),
    ]
    book = keep(0.009, history)
    meters = {"distance": _meter(upto=80e6)}
    # 60 % of the fluid went in at 0 km.
    for tail, overdue in ((0.5, True), (0.65, False)):
        rules = [Rule("replace", (Limit("distance", 60e6),), tail)]
        [item] = system_due("Carrier 2", "gearbox", rules, book, None, meters, NOW)
        assert item.overdue(NOW) is overdue
        older = book.share_older(60e6, Point(distance=80e6), "distance")
        assert (older > tail) is overdue


def test_a_limit_already_passed_is_dated_from_the_readings() -> None:
    item = _item(Rule("replace", (Limit("distance", 60e6),)), Point(distance=50e6))
    likely = item.due.likely
    assert likely is not None
    # 110 000 km was half a year ago.
    assert abs((NOW - likely).days - 183) <= 2
    assert item.overdue(NOW)
    assert "passed on about" in str(item.reasons[0])


def test_what_is_missing_is_said_and_nothing_is_invented() -> None:
    rule = Rule("replace", (Limit("distance", 60e6), Limit("hours", 3600.0 * 500), Limit("date")))
    item = due("Van 1", "gearbox", rule, Point(distance=1e6), {}, NOW)
    assert item.due == Dates(None, None, None)
    assert item.limit == ""
    lines = [str(r) for r in item.reasons]
    assert any("read the odometer at least twice" in line for line in lines)
    assert any("hour meter at the last service is not known" in line for line in lines)
    assert any("no date limit is given" in line for line in lines)
    assert not any(row.known for row in item.limits)


def test_condition_makes_it_due_whatever_the_intervals_say() -> None:
    rule = Rule("replace", (Limit("distance", 60e6),))
    sampled = seconds(date(2025, 5, 20))
    bad = Condition("replace", sampled, sampled, seconds(NOW), (said("iron: 180 mg/kg"),))
    other = Condition("inspect", sampled, sampled, sampled, (said("look at it"),))
    item = _item(rule, Point(distance=110e6), conditions=[bad, other])
    assert item.limit == "condition"
    assert item.due.likely == date(2025, 5, 20)
    lines = [str(r) for r in item.reasons]
    assert "iron: 180 mg/kg" in lines
    assert "look at it" not in lines


def test_inspection_counts_from_the_last_inspection() -> None:
    rules = [
        Rule("inspect", (Limit("date", 1 * YEAR),)),
        Rule("replace", (Limit("date", 6 * YEAR),)),
    ]
    book = keep(0.009, [Happening(date(2022, 6, 1), "filled")])
    looked = Point(seconds(date(2025, 1, 1)))
    inspect, replace = system_due("Van 1", "gearbox", rules, book, looked, {}, NOW)
    assert (inspect.action, inspect.due.likely) == ("inspect", date(2026, 1, 1))
    assert (replace.action, replace.due.likely) == ("replace", date(2028, 6, 1))
    without, _ = system_due("Van 1", "gearbox", rules, book, None, {}, NOW)
    assert without.due.likely == date(2023, 6, 1)


def test_hours_and_thermal_age_have_their_limits_too() -> None:
    """Two hours a day at 20 K over the reference: 8 h of thermal age a day, 3000 h in 375 days."""
    hot = TemperatureLog((0.0, 7200.0), (383.15, 383.15))
    start = date(2024, 1, 1)
    days = (NOW - start).days
    gathered = thermal_age(
        [Drive(start + timedelta(days=k), temperatures=hot) for k in range(days)], 363.15
    )
    running = make_track(
        [Reading(start + timedelta(days=k), 7200.0 * k) for k in range(0, days + 1, 30)],
        meter="hours",
    )
    book = keep(
        0.009,
        [Happening(date(2025, 1, 1), "filled")],
        {"thermal": gathered.track.at, "hours": running.at},
    )
    rule = Rule("replace", (Limit("thermal", 3600.0 * 3000), Limit("hours", 3600.0 * 1000)))
    meters = {
        "thermal": Meter(gathered.track, forecast(gathered.track)),
        "hours": Meter(running, forecast(running)),
    }
    [item] = system_due("Carrier 2", "gearbox", [rule], book, None, meters, NOW)
    assert item.limit == "thermal"
    assert item.due.likely is not None
    assert abs((item.due.likely - date(2025, 1, 1)).days - 375) <= 2
    hours = next(row for row in item.limits if row.kind == "hours")
    assert (hours.likely - seconds(date(2025, 1, 1))) / 86400 == pytest.approx(500, abs=2)
    assert "at the reference temperature" in str(item.reasons[0])


@pytest.mark.parametrize(
    ("months", "limit", "began"),
    [(36, "hours", "500 h"), (9, "date", "6 months")],
)
def test_what_a_change_did_is_told_on_the_scale_of_the_limit_that_wins(
    months: int, limit: str, began: str
) -> None:
    """A loader of 1000 h a year, half of whose fluid was changed after a year."""
    filled, changed = date(2023, 6, 1), date(2024, 6, 1)
    running = make_track(
        [Reading(filled + timedelta(days=k), 3.6e6 * k / 366) for k in range(0, 732, 61)],
        meter="hours",
    )
    driven = make_track([Reading(filled, 1e6), Reading(date(2025, 5, 1), 9e6)])
    book = keep(
        0.009,
        [Happening(filled, "filled"), Happening(changed, "changed", share=0.5)],
        {"hours": running.at, "distance": driven.at},
    )
    rule = Rule("replace", (Limit("date", months * YEAR / 12), Limit("hours", 3600.0 * 2000)))
    meters = {"hours": Meter(running, forecast(running)), "distance": Meter(driven)}
    [item] = system_due("Loader 1", "gearbox", [rule], book, None, meters, NOW)
    assert item.limit == limit
    assert str(item.reasons[-1]) == (
        "the change of 2024-06-01 replaced 50 %: counted by mean age the interval began again at "
        f"{began}, not at zero"
    )


def test_without_a_ledger_the_clock_is_unknown() -> None:
    [item] = system_due(
        "Van 1", "gearbox", [Rule("replace", (Limit("date", YEAR),))], None, None, {}, NOW
    )
    assert item.due.likely is None
    assert "not known" in str(item.reasons[0])


def test_an_old_reading_is_asked_for_again() -> None:
    readings = [Reading(date(2023, 1, 1), 0.0), Reading(date(2024, 6, 1), 3e7)]
    track = make_track(readings, now=NOW)
    meter = Meter(track, forecast(track))
    item = _item(Rule("replace", (Limit("distance", 60e6),)), Point(distance=0.0), meter)
    assert any("read it again" in str(r) for r in item.reasons)


def test_far_dates_are_out_of_sight() -> None:
    item = _item(Rule("replace", (Limit("date", 60 * YEAR),)), Point(seconds(NOW)))
    assert item.due.likely is None
    assert item.limit == ""


def test_json_is_as_agreed() -> None:
    item = _item(Rule("replace", (Limit("distance", 60e6),)), Point(distance=75e6))
    plain = json.loads(json.dumps(item.to_json()))
    assert list(plain) == ["machine", "system", "action", "due", "limit", "reasons"]
    assert list(plain["due"]) == ["early", "likely", "late"]
    assert all(date.fromisoformat(v) for v in plain["due"].values())
    assert "60 000 km" in plain["reasons"][0]
    assert "37 282 mi" in item.to_json(Display("us"))["reasons"][0]


def test_the_yard_is_sorted_by_date_then_certainty() -> None:
    def item(name: str, likely: date | None, late: date | None) -> DueItem:
        return DueItem(name, "gearbox", "replace", Dates(likely, likely, late), "date", ())

    far, soon = date(2026, 1, 1), date(2025, 7, 1)
    items = [
        item("never", None, None),
        item("unsure", soon, None),
        item("sure", soon, soon),
        item("later", far, far),
    ]
    assert [i.machine for i in yard(items)] == ["sure", "unsure", "later", "never"]


def test_what_may_be_overdue_does_not_come_last() -> None:
    past, soon = date(2023, 1, 1), date(2025, 7, 1)
    items = [
        DueItem("known", "gearbox", "replace", Dates(soon, soon, soon), "date", ()),
        DueItem("perhaps", "gearbox", "replace", Dates(past, None, None), "", ()),
        DueItem("nothing known", "gearbox", "replace", Dates(None, None, None), "", ()),
    ]
    assert [i.machine for i in yard(items)] == ["perhaps", "known", "nothing known"]
    assert [i.perhaps_overdue(NOW) for i in items] == [False, True, False]
    assert not items[1].perhaps_overdue(past)
    assert not DueItem("b", "g", "replace", Dates(past, soon, None), "", ()).perhaps_overdue(NOW)


@pytest.mark.parametrize("value", [0.0, -1.0, math.nan, math.inf])
def test_a_limit_must_be_above_zero(value: float) -> None:
    with pytest.raises(Complaint):
        Limit("distance", value)
