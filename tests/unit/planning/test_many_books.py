"""Books of many systems without their batches: equal to the ledger, or left to it."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sumpwright.errors import Complaint
from sumpwright.planning.clock import DAY
from sumpwright.planning.due import clock
from sumpwright.planning.due_many import (
    Changes,
    Readings,
    births,
    clean_many,
    levels_many,
    reach_many,
)
from sumpwright.planning.ledger import Happening, Ledger, keep
from sumpwright.planning.many_books import FAINT, first_left, step_shares
from sumpwright.planning.odometer import forecast
from sumpwright.planning.track import Reading, make_track

CAPACITY = 0.009

happenings = st.builds(
    Happening,
    when=st.just(0.0),
    what=st.sampled_from(["changed", "changed", "filled", "topped up", "lost"]),
    volume=st.one_of(st.none(), st.floats(1e-4, 0.012)),
    share=st.one_of(st.none(), st.floats(0.0, 0.6)),
    times=st.integers(1, 3),
    way=st.sampled_from(["refill", "exchange"]),
)
histories = st.lists(happenings, min_size=1, max_size=6).map(
    lambda found: [
        Happening(float(k * DAY), h.what, h.volume, h.share, h.times, h.way)
        for k, h in enumerate(found)
    ]
)


def _ledger(history: list[Happening]) -> Ledger | None:
    try:
        return keep(CAPACITY, history)
    except Complaint:
        return None


@settings(max_examples=300, deadline=None)
@given(histories)
def test_shares_are_those_of_the_ledger(history: list[Happening]) -> None:
    book, shares = _ledger(history), step_shares(CAPACITY, history)
    if book is None:
        assert shares is None
        return
    if shares is None:
        # Left to the ledger: a trace that a rounding decides on, nothing left in the system, or a
        # change that is told to have changed nothing.
        idle = any(h.share is not None and h.share < 1e-6 for h in history)
        assert idle or np.any(book.shares < 1e-7) or any(s.after.sum() < 1e-6 for s in book.steps)
        return
    assert shares == pytest.approx([step.share for step in book.steps], abs=1e-9)
    if history[0].what != "filled":
        assert first_left(shares) == pytest.approx(float(book.shares[0]), abs=1e-9)
        assert book.at_least == (first_left(shares) > FAINT)
    changes = Changes(
        np.zeros(len(history), dtype=np.intp),
        np.array([step.point.time for step in book.steps]),
        np.zeros(len(history)),
        np.array(shares),
    )
    assert births(1, changes, None)[0][0] == pytest.approx(clock(book).time, abs=1e-3)


def test_a_tail_is_not_known_while_a_part_of_the_fluid_is_not() -> None:
    changes = Changes(
        np.zeros(2, dtype=np.intp),
        np.array([0.0, 100.0]),
        np.array([math.nan, 5e7]),
        np.array([1.0, 0.6]),
    )
    time, total = births(1, changes, 0.5)
    assert time[0] == 100.0
    assert math.isnan(total[0])
    changes.share[1] = 1.0
    assert births(1, changes, 0.5)[1][0] == 5e7


def test_hour_meters_are_cleaned_by_their_own_rate() -> None:
    times = np.arange(6) * 10.0 * DAY
    # 300 h in ten days cannot be; for an odometer 1 080 000 m would be an easy week.
    value = np.array([0.0, 1e5, 1.18e6, 3e5, 4e5, 5e5])
    given_ = Readings(np.zeros(6, dtype=np.intp), times, value)
    cleaned, doubtful = clean_many(1, given_, 1e9, "hours")
    track = make_track(
        [Reading(float(t), float(v)) for t, v in zip(times, value, strict=True)], (), 1e9, "hours"
    )
    assert cleaned.value.tolist() == track.totals.tolist()
    assert doubtful.tolist() == [0]
    ahead = forecast(track)
    assert ahead is not None
    found = reach_many(1, cleaned, np.array([[9e5, math.nan, 2.5e5]]))[0]
    np.testing.assert_allclose(found[0], ahead.reach(9e5), rtol=0, atol=1e-3)
    assert np.isinf(found[1]).all()
    assert found[2].tolist() == pytest.approx([25 * DAY] * 3)


def test_a_confirmed_reading_stays() -> None:
    times = np.array([0.0, 1.0, 2.0]) * DAY
    leap = Readings(np.zeros(3, np.intp), times, np.array([0.0, 9e7, 9.1e7]))
    sure = Readings(leap.machine, leap.time, leap.value, np.array([False, True, False]))
    assert len(clean_many(1, leap, 1e9)[0].time) < 3
    assert clean_many(1, sure, 1e9)[0].value.tolist() == [0.0, 9e7, 9.1e7]


@settings(max_examples=100, deadline=None)
@given(st.integers(0, 2**32 - 1))
def test_levels_are_those_of_each_track(seed: int) -> None:
    rng = np.random.default_rng(seed)
    number = rng.integers(0, 5, 4)
    who = np.repeat(np.arange(4), number)
    time = np.concatenate([np.sort(rng.integers(0, 50, n)).astype(float) for n in number])
    value = np.concatenate([np.cumsum(rng.uniform(0, 9, n)) for n in number])
    machine, moments = rng.integers(0, 4, 30), rng.integers(-5, 55, 30).astype(float)
    found = levels_many(4, Readings(who, time, value), machine, moments)
    for m, t, level in zip(machine, moments, found, strict=True):
        mine = who == m
        if not mine.any() or not time[mine][0] <= t <= time[mine][-1]:
            assert math.isnan(level)
        else:
            assert level == pytest.approx(float(np.interp(t, time[mine], value[mine])), abs=1e-9)
