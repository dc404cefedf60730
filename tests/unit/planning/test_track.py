"""Readings of a meter: what is used, what is kept out, and that nothing is lost."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sumpwright.planning.clock import DAY, seconds
from sumpwright.planning.track import TOP_RATE, Reading, Replacement, Track, make_track

FIRST = date(2023, 1, 1)


def _monthly(*kilometres: float) -> list[Reading]:
    return [Reading(FIRST + timedelta(days=30 * k), km * 1e3) for k, km in enumerate(kilometres)]


def _faults(track: Track) -> list[tuple[int, str]]:
    return [(k.index, k.fault) for k in track.kept_out]


@settings(deadline=None, max_examples=300)
@given(
    st.lists(
        st.tuples(
            st.integers(0, 2000),
            st.one_of(st.floats(0, 5e8), st.sampled_from([float("nan"), -1.0])),
        ),
        max_size=25,
    ),
    st.lists(st.tuples(st.integers(0, 2000), st.floats(0, 5e8)), max_size=2),
)
def test_every_reading_is_used_or_kept_out_with_a_reason(
    given_readings: list[tuple[int, float]], changes: list[tuple[int, float]]
) -> None:
    readings = [Reading(FIRST + timedelta(days=d), v) for d, v in given_readings]
    swaps = [Replacement(FIRST + timedelta(days=d), old=v) for d, v in changes]
    track = make_track(readings, swaps, now=FIRST + timedelta(days=1500))
    assert len(track) + len(track.kept_out) == len(readings)
    assert len({k.index for k in track.kept_out}) == len(track.kept_out)
    assert np.all(np.diff(track.times) >= 0)
    assert np.all(np.diff(track.totals) >= 0)
    for kept in track.kept_out:
        assert readings[kept.index] is kept.reading
        assert str(kept.why)
    if not swaps:
        rise, span = np.diff(track.totals), np.diff(track.times)
        assert np.all(rise <= TOP_RATE["distance"] * (span + DAY) + 1e-6)


def test_a_reading_that_falls_is_kept_out_and_the_rest_used() -> None:
    track = make_track(_monthly(90_000, 91_000, 9_150, 93_000, 94_000))
    # 9 150 km among 92 000: one digit too few fits between the neighbours.
    assert _faults(track) == [(2, "unit")]
    assert "one digit too many" in str(track.kept_out[0].why)
    assert len(track) == 4


def test_a_fall_that_no_slip_explains() -> None:
    track = make_track(_monthly(90_000, 91_000, 70_000, 93_000, 94_000))
    assert _faults(track) == [(2, "falls")]
    assert "replaced" in str(track.kept_out[0].why)


def test_miles_among_kilometres_are_recognised() -> None:
    inside = make_track(_monthly(90_000, 91_000, 92_000 / 1.609344, 93_000))
    assert _faults(inside) == [(2, "unit")]
    assert "miles" in str(inside.kept_out[0].why)
    at_the_end = make_track(_monthly(60_000, 61_000, 62_000, 63_000, 64_000 * 1.609344))
    assert _faults(at_the_end) == [(4, "unit")]
    sure = _monthly(60_000, 61_000, 62_000, 63_000, 64_000 * 1.609344)
    sure[-1] = Reading(sure[-1].when, sure[-1].value, sure=True)
    assert not make_track(sure).kept_out


def test_a_slip_is_named_only_where_its_correction_is_in_line() -> None:
    # Between 20 000 and 80 000 km almost any number fits once it is multiplied.
    wide = make_track(_monthly(18_000, 20_000, 15_000, 80_000, 81_000))
    assert _faults(wide) == [(2, "falls")]
    metres = make_track(_monthly(18_000, 19_000, 20, 21_000, 22_000))
    assert _faults(metres) == [(2, "unit")]
    assert "metres and kilometres" in str(metres.kept_out[0].why)
    # A first or last reading has one neighbour, and divided by 1000 anything lies below it.
    first = make_track(_monthly(24_000, 21_000, 22_000, 23_000))
    assert _faults(first) == [(0, "falls")]
    last = make_track(_monthly(21_000, 22_000, 23_000, 24))
    assert _faults(last) == [(3, "falls")]
    digit = make_track(_monthly(21_000, 22_000, 23_000, 2_400))
    assert _faults(digit) == [(3, "unit")]
    assert "one digit" in str(digit.kept_out[0].why)


def test_both_readings_are_named_where_one_of_two_is_wrong() -> None:
    (out,) = make_track(_monthly(24_000, 23_000, 24_400)).kept_out
    assert (out.fault, {out.index, out.against}) == ("falls", {0, 1})
    assert "24 000 km on 2023-01-01 to 23 000 km on 2023-01-31" in str(out.why)
    # Against two others it is the odd one.
    (odd,) = make_track(_monthly(23_000, 23_500, 17_000, 24_400)).kept_out
    assert (odd.index, odd.against) == (2, None)


def test_a_long_drive_is_no_slip() -> None:
    """A month of four times the usual use is a tour, not miles for kilometres."""
    assert not make_track(_monthly(10_000, 11_000, 12_500, 13_000, 17_000)).kept_out


def test_future_twice_and_nonsense() -> None:
    readings = [
        *_monthly(1_000, 2_000),
        Reading(FIRST, 1e6),
        Reading(date(2031, 1, 1), 9e6),
        Reading(FIRST, -5.0),
        Reading(FIRST, float("inf")),
    ]
    track = make_track(readings, now=date(2023, 6, 1))
    assert _faults(track) == [(2, "twice"), (3, "future"), (4, "number"), (5, "number")]


def test_today_is_not_the_future() -> None:
    at_noon = datetime(2023, 6, 1, 12, tzinfo=UTC)
    track = make_track([Reading(at_noon, 1e6)], now=date(2023, 6, 1))
    assert not track.kept_out
    assert make_track([Reading(at_noon, 1e6)], now=at_noon - timedelta(hours=1)).kept_out


def test_no_machine_drives_that_far_in_a_day() -> None:
    readings = [Reading(FIRST, 0.0), Reading(FIRST + timedelta(days=1), 9e6)]
    track = make_track(readings)
    assert _faults(track) == [(1, "too fast")]


def test_an_hour_meter_cannot_outrun_the_clock() -> None:
    day = FIRST + timedelta(days=10)
    slow = make_track([Reading(FIRST, 0.0), Reading(day, 200 * 3600.0)], meter="hours")
    assert not slow.kept_out
    fast = make_track([Reading(FIRST, 0.0), Reading(day, 400 * 3600.0)], meter="hours")
    assert _faults(fast) == [(1, "too fast")]


def test_replaced_odometer_goes_on_counting() -> None:
    before = _monthly(180_000, 181_000, 182_000)
    change = FIRST + timedelta(days=75)
    after = [
        Reading(FIRST + timedelta(days=90), 0.6e6),
        Reading(FIRST + timedelta(days=120), 1.6e6),
    ]
    track = make_track([*before, *after], [Replacement(change, old=182.4e6, new=0.0)])
    assert not track.kept_out
    np.testing.assert_allclose(track.totals, [180e6, 181e6, 182e6, 183e6, 184e6])
    assert track.total_of(FIRST + timedelta(days=130), 2e6) == pytest.approx(184.4e6)
    assert track.total_of(FIRST, 180e6) == pytest.approx(180e6)


def test_replaced_odometer_read_on_the_same_day_twice() -> None:
    change = FIRST + timedelta(days=60)
    readings = [*_monthly(180_000, 181_000, 182_000), Reading(change, 12.0)]
    readings.append(Reading(FIRST + timedelta(days=90), 1.0e6))
    track = make_track(readings, [Replacement(change, old=182e6, new=12.0)])
    assert not track.kept_out
    assert track.totals[-1] == pytest.approx(182e6 + 1.0e6 - 12.0, rel=1e-12)


def test_odometer_replaced_twice() -> None:
    readings = [
        Reading(FIRST + timedelta(days=d), v)
        for d, v in ((0, 100e6), (30, 101e6), (60, 0.5e6), (90, 1.5e6), (120, 51e6), (150, 52e6))
    ]
    swaps = [
        Replacement(FIRST + timedelta(days=45), old=101.5e6),
        Replacement(FIRST + timedelta(days=105), old=2e6, new=50.5e6),
    ]
    track = make_track(readings, swaps)
    assert not track.kept_out
    np.testing.assert_allclose(np.diff(track.totals), 1e6)
    np.testing.assert_allclose(np.diff(make_track(readings, swaps[::-1]).totals), 1e6)


def test_unknown_last_value_of_a_replaced_odometer_is_said() -> None:
    readings = [*_monthly(180_000, 181_000), Reading(FIRST + timedelta(days=90), 1e6)]
    track = make_track(readings, [Replacement(FIRST + timedelta(days=60))])
    assert "stands in" in str(track.notes[0])
    assert track.totals[-1] == pytest.approx(182e6)


def test_interpolation_stays_within_the_readings() -> None:
    track = make_track(_monthly(1_000, 2_000))
    assert track.at(seconds(FIRST) + 15 * DAY) == pytest.approx(1.5e6)
    assert np.isnan(track.at(seconds(FIRST) - 1))
