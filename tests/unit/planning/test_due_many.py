"""Due for many machines: equal to the rule for one machine, and to a plain pandas loop."""

from __future__ import annotations

import math
from datetime import date

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sumpwright.errors import Complaint
from sumpwright.planning.clock import DAY, MONTH, YEAR
from sumpwright.planning.due import Limit, Meter, Rule, clock, due
from sumpwright.planning.due_many import (
    BLOCK,
    LIMITS,
    Changes,
    ManyDue,
    ManyLimits,
    Readings,
    births,
    due_many,
)
from sumpwright.planning.ledger import Happening, Ledger, Point, keep
from sumpwright.planning.odometer import forecast
from sumpwright.planning.track import Reading, Replacement, make_track
from unit.planning.plain_due import due_frame
from unit.planning.yards import Fleet, fleet

HABITS = ("commuter", "seasonal", "idle half the year", "call-outs")


def _yard(rng: np.random.Generator) -> tuple[Readings, Changes, ManyLimits, float]:
    """A mixed yard: all habits, histories from days to years, none to five services."""
    fleets = [
        fleet(habit, 4, history, gap, rng)
        for habit in HABITS
        for history, gap in ((25, 5.0), (150, 30.0), (420, 14.0), (800, 60.0), (2000, 200.0))
    ]
    who, time, value, count = [], [], [], 0
    for each in fleets:
        who.append(each.machine + count)
        time.append(each.time + 2e8)
        value.append(each.value)
        count += len(each.want)
    machine = np.concatenate(who)
    readings = Readings(machine, np.concatenate(time), np.concatenate(value))
    rows = []
    for m in range(count):
        mine = machine == m
        t, v = readings.time[mine], readings.value[mine]
        for at in np.sort(rng.uniform(t[0], t[-1], rng.integers(0, 6))):
            rows.append((m, at, float(np.interp(at, t, v)), rng.uniform(0.2, 1.0)))
    columns = np.array(rows).T
    changes = Changes(columns[0].astype(np.intp), columns[1], columns[2], columns[3])
    distance = rng.uniform(2e6, 1e8, count)
    distance[rng.random(count) < 0.1] = np.nan
    # Of the periods half are whole months, which go by the calendar, and half are not.
    period = rng.uniform(0.5, 6, count) * YEAR
    period[::2] = np.rint(period[::2] / MONTH) * MONTH
    limits = ManyLimits(distance, period)
    return readings, changes, limits, float(readings.time.max())


@pytest.fixture(scope="module")
def yard() -> tuple[Readings, Changes, ManyLimits, float]:
    return _yard(np.random.default_rng(11))


@pytest.fixture(scope="module")
def found(yard: tuple[Readings, Changes, ManyLimits, float]) -> ManyDue:
    readings, changes, limits, now = yard
    return due_many(len(limits.time), readings, changes, limits, now)


def test_equal_to_the_pandas_loop(
    yard: tuple[Readings, Changes, ManyLimits, float], found: ManyDue
) -> None:
    readings, changes, limits, _ = yard
    assert not len(found.doubtful)
    plain = due_frame(
        pd.DataFrame(vars(readings)),
        pd.DataFrame(vars(changes)),
        pd.DataFrame({"distance": limits.distance, "time": limits.time}),
    )
    for name in ("early", "likely", "late"):
        np.testing.assert_allclose(getattr(found, name), plain[name], rtol=0, atol=1.0)
    np.testing.assert_allclose(
        found.distance, plain[["d_early", "d_likely", "d_late"]], rtol=0, atol=1.0
    )
    # The yard must exercise every way out, or equality says little.
    finite = np.isfinite(found.distance[:, 1])
    assert np.sum(~finite) > 0
    assert np.sum(finite & (found.distance[:, 1] < found.date)) > 5
    assert np.sum(found.distance[:, 0] == found.distance[:, 2]) > 3
    assert {LIMITS[code] for code in found.limit} >= {"distance", "date"}


def test_equal_to_one_machine_at_a_time(
    yard: tuple[Readings, Changes, ManyLimits, float], found: ManyDue
) -> None:
    readings, changes, limits, now = yard
    for m in range(len(limits.time)):
        mine, services = readings.machine == m, changes.machine == m
        track = make_track(
            [
                Reading(float(t), float(v))
                for t, v in zip(readings.time[mine], readings.value[mine], strict=True)
            ],
            now=now,
        )
        book = _book(changes, services)
        given_distance = None if np.isnan(limits.distance[m]) else float(limits.distance[m])
        rule = Rule(
            "replace",
            (Limit("distance", given_distance), Limit("date", float(limits.time[m]))),
        )
        zero = clock(book) if services.any() else Point()
        today = date(1976, 6, 1)
        item = due("m", "s", rule, zero, {"distance": Meter(track, forecast(track))}, today)
        rows = {row.kind: row for row in item.limits}
        single = [getattr(rows["distance"], n) for n in ("early", "likely", "late")]
        np.testing.assert_allclose(found.distance[m], single, rtol=0, atol=1e-3)
        np.testing.assert_allclose(found.date[m], rows["date"].likely, rtol=0, atol=1e-3)
        if item.limit:
            assert item.limit == LIMITS[found.limit[m]]


def _book(changes: Changes, mine: np.ndarray) -> Ledger:
    return keep(
        1.0,
        [
            Happening(float(t), "changed", share=float(f), distance=float(d))
            for t, d, f in zip(
                changes.time[mine], changes.total[mine], changes.share[mine], strict=True
            )
        ],
    )


@settings(max_examples=40, deadline=None)
@given(
    st.lists(st.tuples(st.floats(0, 1e9), st.floats(0.0, 1.0)), min_size=1, max_size=6),
    st.one_of(st.none(), st.floats(0.0, 0.9)),
)
def test_births_equal_the_ledger(services: list[tuple[float, float]], tail: float | None) -> None:
    services = sorted(services)
    total = np.cumsum([1e6] * len(services))
    changes = Changes(
        np.zeros(len(services), dtype=np.intp),
        np.array([s[0] for s in services]),
        total,
        np.array([s[1] for s in services]),
    )
    time, distance = births(1, changes, tail)
    zero = clock(_book(changes, np.ones(len(services), dtype=bool)), tail)
    assert time[0] == pytest.approx(zero.time, rel=1e-9, abs=1e-3)
    assert distance[0] == pytest.approx(zero.distance, rel=1e-9)


def test_contradictory_readings_are_cleaned_as_for_one_machine() -> None:
    day = float(DAY)
    times = np.arange(8) * 50 * day
    sound = np.arange(8) * 2e6 + 1e7
    fell = sound.copy()
    fell[4] = 3e6
    late = times.copy()
    late[7] = 5000 * day
    readings = Readings(
        np.repeat(np.arange(4), 8).astype(np.intp),
        np.concatenate([times, times, late, times]),
        np.concatenate([sound, fell, sound, sound - np.where(np.arange(8) > 3, 1.5e7, 0.0) % 2e7]),
    )
    changes = Changes(np.arange(4), np.zeros(4), np.full(4, 1e7), np.ones(4))
    limits = ManyLimits(np.full(4, 4e7), np.full(4, np.nan))
    now = 400 * day
    swaps = {3: [Replacement(175 * day, old=1.7e7, new=0.0)]}
    found = due_many(4, readings, changes, limits, now, replacements=swaps)
    assert found.doubtful.tolist() == [1, 2]
    for m in range(4):
        mine = readings.machine == m
        pairs = zip(readings.time[mine], readings.value[mine], strict=True)
        track = make_track([Reading(float(t), float(v)) for t, v in pairs], swaps.get(m, ()), now)
        ahead = forecast(track)
        assert ahead is not None
        np.testing.assert_allclose(found.distance[m], ahead.reach(5e7), rtol=0, atol=1e-3)


def test_machines_without_readings_or_services_are_never_due_by_distance() -> None:
    readings = Readings(np.array([2], dtype=np.intp), np.array([0.0]), np.array([5e6]))
    changes = Changes(np.array([1, 2]), np.zeros(2), np.zeros(2), np.ones(2))
    limits = ManyLimits(np.full(4, 6e7), np.full(4, 2.0 * YEAR))
    found = due_many(4, readings, changes, limits, 1.0)
    assert np.isinf(found.distance).all()
    assert found.limit.tolist() == [0, 2, 2, 0]
    nothing = Readings(np.zeros(0, dtype=np.intp), np.zeros(0), np.zeros(0))
    assert due_many(4, nothing, changes, limits, 1.0).limit.tolist() == [0, 2, 2, 0]


def test_blocks_do_not_show() -> None:
    """A machine's result does not depend on where the blocks are cut."""
    some: Fleet = fleet("seasonal", 7, 500, 40.0, np.random.default_rng(3))
    copies = BLOCK // 7 + 3
    count = 7 * copies
    tiled = Readings(
        np.concatenate([some.machine + 7 * k for k in range(copies)]).astype(np.intp),
        np.tile(some.time, copies),
        np.tile(some.value, copies),
    )
    changes = Changes(np.arange(count), np.zeros(count), np.zeros(count), np.ones(count))
    limits = ManyLimits(np.tile(some.want, copies), np.full(count, np.nan))
    found = due_many(count, tiled, changes, limits, 1e12)
    assert count > BLOCK
    first = found.distance[:7]
    np.testing.assert_allclose(found.distance, np.tile(first, (copies, 1)), rtol=0, atol=1e-3)


@pytest.mark.parametrize(
    ("machine", "what"),
    [([0, 2, 1], "sorted"), ([0, 1, 5], "sorted"), ([-1, 0, 1], "sorted"), ([0, 1], "one length")],
)
def test_readings_out_of_order_are_refused(machine: list[int], what: str) -> None:
    readings = Readings(np.array(machine, dtype=np.intp), np.arange(3.0), np.arange(3.0))
    changes = Changes(np.zeros(0, dtype=np.intp), np.zeros(0), np.zeros(0), np.zeros(0))
    with pytest.raises(Complaint, match=what):
        due_many(3, readings, changes, ManyLimits(np.ones(3), np.ones(3)), 1.0)


def test_the_worst_reading_does_not_carry_the_forecast_away() -> None:
    """A typing slip in the middle is kept out; the date stays what it was."""
    times = np.arange(12) * 30.0 * DAY
    value = np.arange(12) * 1.5e6
    slip = value.copy()
    slip[5] *= 10
    readings = Readings(
        np.repeat([0, 1], 12).astype(np.intp), np.tile(times, 2), np.concatenate([value, slip])
    )
    changes = Changes(np.arange(2), np.zeros(2), np.zeros(2), np.ones(2))
    limits = ManyLimits(np.full(2, 4e7), np.full(2, np.nan))
    found = due_many(2, readings, changes, limits, 1e12)
    assert found.doubtful.tolist() == [1]
    assert math.isclose(found.likely[0], found.likely[1], abs_tol=DAY)
