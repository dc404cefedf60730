"""The odometer forecast: from nothing to years of readings, and what the interval is worth."""

from __future__ import annotations

import math
from datetime import date, timedelta

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sumpwright.planning.clock import DAY, MONTH, YEAR, day, seconds
from sumpwright.planning.due_many import Changes, ManyLimits, Readings, due_many
from sumpwright.planning.machine import Span
from sumpwright.planning.odometer import Forecast, forecast, roots
from sumpwright.planning.track import Reading, Track, make_track
from unit.planning.yards import fleet

FIRST = date(2022, 1, 1)


def _ahead(*pairs: tuple[float, float], meter: str = "distance") -> Forecast | None:
    readings = [Reading(FIRST + timedelta(days=d), v) for d, v in pairs]
    return forecast(make_track(readings, meter="hours" if meter == "hours" else "distance"))


def test_nothing_one_and_two_readings() -> None:
    assert _ahead() is None
    assert _ahead((0, 1e7)) is None
    two = _ahead((0, 1e7), (100, 1.5e7))
    assert two is not None
    assert two.basis == "two readings"
    early, likely, late = two.reach(2e7)
    assert day(likely) == FIRST + timedelta(days=200)
    # With two readings the rate is nearly unknown: the interval must say so.
    assert (likely - early) / DAY > 25
    assert (late - likely) / DAY > 50
    assert math.isfinite(late)
    assert "seasons of use are not known" in str(two.notes[1])


def test_two_readings_of_one_day_are_no_rate() -> None:
    assert _ahead((0, 1e7), (0, 1.00001e7)) is None


def test_typical_use_stands_in_for_readings() -> None:
    typical = Span(10e6, 20e6, "assumed")
    track = make_track([Reading(FIRST, 5e7)])
    ahead = forecast(track, typical)
    assert ahead is not None
    assert ahead.basis == "assumed"
    assert "assumed" in str(ahead.notes[0])
    early, likely, late = ahead.reach(5e7 + 30e6)
    assert likely - seconds(FIRST) == pytest.approx(2 * YEAR)
    assert early < seconds(FIRST) + 1.6 * YEAR
    assert late > seconds(FIRST) + 2.8 * YEAR
    without = forecast(make_track([]), typical, now=FIRST)
    assert without is not None
    assert without.expected(seconds(FIRST) + YEAR) == pytest.approx(15e6)
    assert forecast(make_track([]), typical) is None


def test_a_machine_that_stands_is_never_due() -> None:
    stands = _ahead((0, 1e7), (100, 1e7), (400, 1e7), (900, 1e7))
    assert stands is not None
    assert stands.rate == 0
    assert stands.reach(2e7) == (math.inf, math.inf, math.inf)
    assert stands.reach(1e7)[1] == stands.start
    assert "has not moved" in str(stands.notes[1])


def test_the_season_is_learnt() -> None:
    """Driven from April to September only: the winter adds nothing, and is not waited out."""
    readings, total = [], 0.0
    for k in range(0, 365 * 3, 7):
        when = FIRST + timedelta(days=k)
        total += 7 * 60e3 if 4 <= when.month <= 9 else 0.0
        readings.append(Reading(when, total))
    until = [r for r in readings if r.when <= date(2024, 9, 30)]
    ahead = forecast(make_track(until))
    assert ahead is not None
    assert ahead.basis == "seasons"
    _, likely, _ = ahead.reach(ahead.total + 30 * 60e3)
    when = day(likely)
    assert when is not None
    assert date(2025, 4, 10) <= when <= date(2025, 5, 20)
    winter = ahead.expected(seconds(date(2025, 3, 1))) - ahead.total
    # A tenth of a year's use at most, where an even spread would give five twelfths.
    assert winter < 0.10 * ahead.rate * YEAR


def test_one_wild_reading_moves_the_rate_little() -> None:
    even = [(30 * k, 1e6 * k) for k in range(10)]
    wild = [(d, v + (5e5 if d == 120 else 0.0)) for d, v in even]
    plain, robust = _ahead(*even), _ahead(*wild)
    assert plain is not None
    assert robust is not None
    assert robust.rate == pytest.approx(plain.rate, rel=0.02)


def test_hours_have_their_own_words() -> None:
    ahead = _ahead((0, 0.0), (200, 3600.0 * 300), meter="hours")
    assert ahead is not None
    assert "hour meter" in str(ahead.notes[0])
    assert " h a year" in str(ahead.notes[0])


forecasts = st.builds(
    Forecast,
    meter=st.just("distance"),
    start=st.floats(0, 2e9),
    total=st.floats(0, 1e9),
    rate=st.floats(0.01, 5.0),
    season=st.lists(st.floats(0.0, 3.0), min_size=12, max_size=12)
    .filter(lambda s: sum(s) > 0.1)
    .map(lambda s: np.array(s) * 12 / sum(s)),
    grain=st.floats(0, 1e6),
    rate_error=st.floats(0, 0.2),
    drift=st.floats(0, 0.3),
    phase_error=st.floats(0, 1e6),
    quantile=st.floats(1.2, 3.0),
    basis=st.just("trend"),
)


@settings(deadline=None, max_examples=300)
@given(forecasts, st.floats(1.0, 2e8))
def test_dates_are_in_order_and_the_likely_one_is_expected(ahead: Forecast, want: float) -> None:
    early, likely, late = ahead.reach(ahead.total + want)
    assert ahead.start <= early <= likely <= late
    assert ahead.expected(likely) == pytest.approx(ahead.total + want, rel=1e-6, abs=1.0)


@settings(deadline=None, max_examples=300)
@given(forecasts, st.floats(1.0, 1e8), st.floats(1.0, 1e8))
def test_a_higher_total_is_reached_later(ahead: Forecast, a: float, b: float) -> None:
    low, high = sorted((a, b))
    first, second = ahead.reach(ahead.total + low), ahead.reach(ahead.total + high)
    assert all(x <= y + 1.0 for x, y in zip(first[:2], second[:2], strict=True))


@settings(deadline=None, max_examples=300)
@given(
    st.floats(1e-3, 1e8),
    st.floats(1.0, 3.0),
    st.one_of(st.just(0.0), st.floats(1e-3, 1e7)),
    st.one_of(st.just(0.0), st.floats(1e-6, 0.5)),
    st.one_of(st.just(0.0), st.floats(1e-3, 1e7)),
)
def test_roots_lie_on_the_edges_of_the_band(
    want: float, q: float, grain: float, relative: float, fixed: float
) -> None:
    def spread(m: float) -> float:
        return math.sqrt(grain * m + relative * m * m + fixed * fixed)

    lower, upper = (float(x) for x in roots(want, q, grain, relative, fixed))
    assert 0 <= lower <= want * (1 + 1e-9)
    if lower > 0:
        assert lower + q * spread(lower) == pytest.approx(want, rel=1e-6, abs=1e-3)
    else:
        assert q * fixed >= want * (1 - 1e-9)
    if math.isfinite(upper):
        assert upper - q * spread(upper) == pytest.approx(want, rel=1e-6, abs=1e-3 + 1e-9 * upper)
    else:
        assert q * q * relative >= 1 - 1e-12


def test_interval_and_dates_tell_one_story() -> None:
    """Where drift is off, the band at the early date just reaches the total."""
    ahead = _ahead(*[(14 * k, 6e5 * k + 2e5 * (k % 3)) for k in range(60)])
    assert ahead is not None
    still = Forecast(**{**vars(ahead), "drift": 0.0, "phase_error": 0.0})
    goal = still.total + 1.5e7
    early, _, late = still.reach(goal)
    assert still.interval(early)[1] == pytest.approx(goal, rel=1e-6)
    assert still.interval(late)[0] == pytest.approx(goal, rel=1e-6)
    low, high = still.interval(still.start)
    assert low <= high


def _coverage(
    habit: str, history: int, gap: float, seed: int, machines: int = 250
) -> tuple[float, float, float]:
    """Share of machines inside their interval, before it and after it, to the day."""
    some = fleet(habit, machines, history, gap, np.random.default_rng(seed))
    count = len(some.want)
    found = due_many(
        count,
        Readings(some.machine, some.time, some.value),
        Changes(np.arange(count), np.zeros(count), np.zeros(count), np.ones(count)),
        ManyLimits(some.want, np.full(count, np.nan)),
        1e12,
    )
    early, _, late = found.distance.T
    before = float(np.mean(some.reached < early - DAY))
    after = float(np.mean(some.reached > late + DAY))
    return 1 - before - after, before, after


@pytest.mark.parametrize("habit", ["commuter", "seasonal", "idle half the year"])
def test_coverage_once_a_year_was_seen(habit: str) -> None:
    """A 90 % interval holds nine dates in ten; binomial slack of three sigma below."""
    cells = [(500, 7.0), (500, 30.0), (800, 30.0), (1200, 30.0), (1200, 75.0)]
    seen = [_coverage(habit, history, gap, 100 + k) for k, (history, gap) in enumerate(cells)]
    covered = float(np.mean([c for c, _, _ in seen]))
    slack = 3 * math.sqrt(0.9 * 0.1 / (250 * len(cells)))
    assert covered >= 0.90 - slack
    # No single cell may hide behind the others.
    assert min(c for c, _, _ in seen) >= 0.85


def test_coverage_of_call_outs() -> None:
    """Rare long trips are the hard case: the interval may be a little short, never much."""
    seen = [_coverage("call-outs", h, 30.0, 200 + h) for h in (500, 800, 1200)]
    assert np.mean([c for c, _, _ in seen]) >= 0.83


def test_coverage_of_a_mixed_yard_with_less_than_a_year() -> None:
    """The season is unknown, so single habits fare unevenly; a mixed yard is held up."""
    mix = {"commuter": 3, "seasonal": 1, "idle half the year": 1, "call-outs": 1}
    seen = [
        _coverage(habit, history, 21.0, 300 + history, 250)[0]
        for habit, weight in mix.items()
        for history in (100, 250)
        for _ in range(weight)
    ]
    assert np.mean(seen) >= 0.87


def test_the_interval_narrows_as_the_readings_grow() -> None:
    def width(history: int) -> float:
        some = fleet("commuter", 100, history, 14.0, np.random.default_rng(history))
        out = []
        for m in range(100):
            mine = some.machine == m
            pairs = zip(some.time[mine], some.value[mine], strict=True)
            ahead = forecast(make_track([Reading(float(t), float(v)) for t, v in pairs]))
            assert ahead is not None
            early, _, late = ahead.reach(ahead.total + 0.5 * ahead.rate * YEAR)
            out.append(late - early)
        return float(np.median(out))

    widths = [width(h) for h in (60, 300, 500, 1200)]
    assert widths == sorted(widths, reverse=True)
    assert widths[-1] < 4 * MONTH


def test_the_rate_is_that_of_the_last_two_years_between_equal_steps() -> None:
    end = seconds(date(2025, 1, 1))

    def track(old_rate: float, twice: bool = False) -> Track:
        """Five years by the month at 10 000 km a year, three of them at another rate before."""
        readings = []
        for k in range(61):
            back = k * YEAR / 12
            total = 1e9 - 1e7 * min(back, 2 * YEAR) / YEAR
            total -= old_rate * max(0.0, back - 2 * YEAR) / YEAR
            readings.append(Reading(end - back, total, True))
            if twice and k == 3:
                readings += [Reading(end - back + j * 3600.0, total, True) for j in range(1, 40)]
        return make_track(readings)

    slow, fast = forecast(track(2e6)), forecast(track(4e7))
    assert slow is not None
    assert fast is not None
    assert slow.rate * YEAR == pytest.approx(1e7, rel=1e-3)
    assert fast.rate == pytest.approx(slow.rate, rel=1e-3)
    # Many readings of one day weigh no more than one.
    crowded = forecast(track(2e6, twice=True))
    assert crowded is not None
    assert crowded.rate == pytest.approx(slow.rate, rel=2e-3)
