"""Thermal age by the meters of a machine: no rate from one log, and all of the running counted."""

from __future__ import annotations

from datetime import date, timedelta

import numpy as np
import pytest

from sumpwright.planning.clock import DAY, YEAR, seconds
from sumpwright.planning.due import Limit, Meter, Rule, due
from sumpwright.planning.ledger import Point
from sumpwright.planning.odometer import forecast
from sumpwright.planning.thermal import heat_of, thermal_meter
from sumpwright.planning.track import Meter as MeterName
from sumpwright.planning.track import Reading, make_track
from sumpwright.planning.use import Drive, TemperatureLog

NOW = date(2026, 11, 1)
REFERENCE = 353.15
HOT = REFERENCE + 20.0
"""20 K above: four seconds a second."""
NO_METER = Meter()


def _log(minutes: float, kelvin: float = HOT) -> TemperatureLog:
    return TemperatureLog((0.0, 60.0 * minutes), (kelvin, kelvin))


def _drive(day: date, km: float | None = 60.0, minutes: float = 60.0, **more: object) -> Drive:
    distance = None if km is None else km * 1e3
    return Drive(day, distance, minutes * 60.0, temperatures=_log(minutes), **more)  # type: ignore[arg-type]


def _meter(per_year: float, name: MeterName = "distance", years: int = 3) -> Meter:
    count = 12 * years
    track = make_track(
        [
            Reading(seconds(NOW) - k * YEAR / 12, (count - k) * per_year / 12, True)
            for k in range(count + 1)
        ],
        now=NOW,
        meter=name,
    )
    return Meter(track, forecast(track, now=NOW))


def _days(count: int, apart: int = 1) -> list[date]:
    return [date(2026, 10, 1) + timedelta(days=apart * k) for k in range(count)]


def test_one_log_gives_no_rate_whatever_the_meters_say() -> None:
    for drives in ([_drive(d) for d in _days(1)], [_drive(d) for d in _days(2)]):
        for odometer in (NO_METER, _meter(1.5e7)):
            meter = thermal_meter(drives, REFERENCE, 10.0, odometer, NO_METER, NOW)
            assert meter.forecast is None
            rule = Rule("replace", (Limit("thermal", 400 * 3600.0),))
            item = due("T", "box", rule, Point(thermal=0.0), {"thermal": meter}, NOW)
            assert item.due.likely is None
            assert "on three drives on different days" in str(item.reasons[0])
    # Several drives of one day are one day's use.
    same = [_drive(_days(1)[0])] * 5
    assert heat_of(same, REFERENCE, 10.0, by_distance=True) is None


def test_the_rate_is_that_of_the_meter_times_the_heat_of_the_drives() -> None:
    drives = [_drive(d) for d in _days(3)]
    odometer = _meter(1.5e7)
    by_distance = thermal_meter(drives, REFERENCE, 10.0, odometer, NO_METER, NOW)
    assert by_distance.forecast is not None
    # 15 000 km a year at 60 km/h are 250 h, four times as old each; not four hours every day.
    assert by_distance.forecast.rate * YEAR == pytest.approx(1000 * 3600.0, rel=1e-6)
    hours = _meter(400 * 3600.0, "hours")
    by_hours = thermal_meter(drives, REFERENCE, 10.0, odometer, hours, NOW)
    assert by_hours.forecast is not None
    assert by_hours.forecast.rate * YEAR == pytest.approx(1600 * 3600.0, rel=1e-6)
    assert any("counts is taken to be as hot" in str(n) for n in by_hours.forecast.notes)
    # What ran before the first log counts as well: three years of it.
    assert by_hours.track is not None
    assert by_hours.track.totals[-1] == pytest.approx(3 * 1600 * 3600.0)


def test_a_log_of_a_part_of_a_drive_stands_for_that_part_of_its_distance() -> None:
    half = [Drive(d, 6e4, 3600.0, temperatures=_log(30.0)) for d in _days(3)]
    whole = [_drive(d) for d in _days(3)]
    found = [heat_of(drives, REFERENCE, 10.0, by_distance=True) for drives in (half, whole)]
    assert found[0] is not None
    assert found[1] is not None
    assert found[0].rate == pytest.approx(found[1].rate)


def test_drives_that_differ_widen_the_dates() -> None:
    rng = np.random.default_rng(5)
    odometer = _meter(1.5e7)
    dates = []
    for spread in (0.0, 12.0):
        drives = [
            Drive(d, 6e4, 3600.0, temperatures=_log(60.0, HOT + spread * rng.standard_normal()))
            for d in _days(6)
        ]
        meter = thermal_meter(drives, REFERENCE, 10.0, odometer, NO_METER, NOW)
        assert meter.forecast is not None
        early, likely, late = meter.forecast.reach(meter.forecast.total + YEAR / 12)
        dates.append((late - early) / (likely - meter.forecast.start))
    assert dates[1] > 1.2 * dates[0]


def test_the_error_of_the_ratio_is_the_spread_of_repeated_sets_of_drives() -> None:
    rng = np.random.default_rng(8)
    ratios, errors = [], []
    for _ in range(400):
        drives = [
            Drive(
                float(k) * DAY,
                km * 1e3,
                temperatures=_log(float(km), HOT + 4.0 * rng.standard_normal()),
            )
            for k, km in enumerate(rng.uniform(20, 90, 12))
        ]
        found = heat_of(drives, REFERENCE, 10.0, by_distance=True)
        assert found is not None
        ratios.append(found.rate)
        errors.append(found.error)
    relative = np.std(ratios, ddof=1) / np.mean(ratios)
    # 400 sets give the spread to 3.5 %; the estimator of a ratio is a little low for 12 drives.
    assert np.sqrt(np.mean(errors)) == pytest.approx(relative, rel=0.15)


def test_without_a_meter_the_logs_count_alone_if_they_span_a_fortnight() -> None:
    close = thermal_meter(
        [_drive(d, None) for d in _days(10)], REFERENCE, 10.0, NO_METER, NO_METER, NOW
    )
    assert close.forecast is None
    wide = thermal_meter(
        [_drive(d, None) for d in _days(10, 3)], REFERENCE, 10.0, NO_METER, NO_METER, NOW
    )
    assert wide.forecast is not None
    assert any("only what was logged counts" in str(note) for note in wide.forecast.notes)
