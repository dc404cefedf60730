"""The age ledger: nothing appears, nothing vanishes, and the long run comes out as derived."""

from __future__ import annotations

import math
from datetime import date, timedelta

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sumpwright.errors import Complaint
from sumpwright.physics import ageing
from sumpwright.planning.clock import YEAR, seconds
from sumpwright.planning.fluid_history import bars, effect, last_change
from sumpwright.planning.ledger import Happening, Ledger, Point, fresh_share, keep

CAPACITY = 0.009
START = date(2010, 1, 1)

_shares = st.floats(0.0, 1.0)


@st.composite
def histories(draw: st.DrawFn) -> list[Happening]:
    """Any history that the ledger accepts: changes, top-ups and leaks in any order."""
    out: list[Happening] = []
    level, distance = CAPACITY, 0.0
    for k in range(draw(st.integers(0, 12))):
        when = START + timedelta(days=100 * (k + 1))
        distance += draw(st.floats(0.0, 5e7))
        what = draw(st.sampled_from(["changed", "by share", "exchanged", "topped up", "lost"]))
        if what == "lost":
            volume = draw(st.floats(1e-6, 0.9)) * level
            level -= volume
            out.append(Happening(when, "lost", volume, distance=distance))
            continue
        if what == "topped up":
            volume = draw(st.floats(1e-6, 1.0)) * CAPACITY
            level = min(CAPACITY, level + volume)
            out.append(Happening(when, "topped up", volume, distance=distance))
            continue
        level = CAPACITY
        if what == "by share":
            share = draw(_shares)
            out.append(Happening(when, "changed", share=share or 0.5, distance=distance))
        elif what == "exchanged":
            volume = draw(st.floats(1e-6, 3.0)) * CAPACITY
            out.append(Happening(when, "changed", volume, way="exchange", distance=distance))
        else:
            times = draw(st.integers(1, 4))
            volume = draw(st.floats(1e-6, 1.0)) * CAPACITY * times
            out.append(Happening(when, "changed", volume, times=times, distance=distance))
    return out


def _book(history: list[Happening]) -> Ledger:
    return keep(CAPACITY, history, start=Point(seconds(START), 0.0))


@settings(deadline=None, max_examples=200)
@given(histories())
def test_every_batch_is_conserved(history: list[Happening]) -> None:
    """What was put in of a batch is what left plus what is there, batch by batch."""
    book = _book(history)
    left = np.zeros(len(book.batches))
    for step in book.steps:
        released = step.released
        assert np.all(released >= -1e-18)
        left[: len(released)] += released
    put_in = np.array([batch.put_in for batch in book.batches])
    np.testing.assert_allclose(left + book.volumes, put_in, rtol=1e-12, atol=1e-18)


@settings(deadline=None, max_examples=200)
@given(histories())
def test_shares_and_level(history: list[Happening]) -> None:
    book = _book(history)
    assert math.isclose(book.shares.sum(), 1.0, rel_tol=1e-12)
    assert np.all(book.volumes >= 0)
    for step in book.steps:
        total = step.after.sum()
        assert total <= CAPACITY * (1 + 1e-9)
        if step.happening.what == "changed":
            assert math.isclose(total, CAPACITY, rel_tol=1e-12)
        if step.happening.what == "lost":
            # A leak takes mixed fluid: it changes the level and no share.
            np.testing.assert_allclose(
                step.after / total, step.before / step.before.sum(), rtol=1e-9, atol=1e-15
            )


@settings(deadline=None, max_examples=200)
@given(histories(), st.floats(0.0, 1.0), st.floats(0.0, 4e8))
def test_ages_are_consistent(history: list[Happening], part: float, limit: float) -> None:
    book = _book(history)
    last = history[-1].distance if history else 0.0
    now = Point(seconds(START) + 20 * YEAR, (last or 0.0) + 1e7)
    ages = book.ages(now, "distance")
    mean = book.mean_age(now, "distance")
    assert ages[book.shares > 0].min() - 1e-3 <= mean <= ages[book.shares > 0].max() + 1e-3
    older = book.share_older(limit, now, "distance")
    assert 0.0 <= older <= 1.0 + 1e-12
    # Quantile and tail are two readings of one distribution.
    edge = book.age_quantile(part, now, "distance")
    assert book.share_older(edge + 1.0, now, "distance") <= 1 - part + 1e-9
    # Markov: no more than mean/limit of the fluid can be older than the limit.
    if limit > 0:
        assert older <= mean / limit + 1e-9


@settings(deadline=None, max_examples=100)
@given(histories(), st.floats(0.01, 1.0))
def test_a_change_makes_the_fluid_younger_by_its_share(
    history: list[Happening], share: float
) -> None:
    """Mean age after = (1 − f) × mean age before, whatever came earlier."""
    when = START + timedelta(days=5000)
    last = (history[-1].distance if history else 0.0) or 0.0
    book = _book([*history, Happening(when, "changed", share=share, distance=last + 1e6)])
    done = effect(book, -1)
    missing = 1 - book.steps[-1].before.sum() / CAPACITY
    if missing < share:
        assert done.mean_after == pytest.approx((1 - share) * done.mean_before, rel=1e-9, abs=1e-3)
    assert done.mean_after <= done.mean_before + 1e-3


@pytest.mark.parametrize("share", [0.25, 0.42, 0.9])
def test_mean_age_before_the_kth_service_tends_to_interval_over_share(share: float) -> None:
    """Derivation: just before service k a share f(1−f)^j of the fluid has age (j+1)Δ, so the
    mean is Δ Σ (j+1) f (1−f)^j = Δ/f, by the derivative of the geometric series."""
    gap, services = 6e7, 60
    j = np.arange(200_000)
    series = gap * np.sum((j + 1) * share * (1 - share) ** j)
    assert series == pytest.approx(gap / share, rel=1e-9)
    history = [
        Happening(START + timedelta(days=300 * k), "changed", share=share, distance=gap * k)
        for k in range(1, services + 1)
    ]
    book = _book(history)
    before = [effect(book, k).mean_before for k in range(services)]
    assert before[-1] == pytest.approx(gap / share, rel=1e-6)
    np.testing.assert_allclose(before, ageing.ages_before_service(share, gap, services), rtol=1e-9)


@pytest.mark.parametrize(("share", "limit"), [(0.4, 6e7), (0.4, 9.1e7), (0.7, 2.5e7)])
def test_renewal_against_a_ledger_run_for_long(share: float, limit: float) -> None:
    """The closed forms of the long run are what the books show between two late services."""
    gap, services = 4e7, 80
    history = [
        Happening(START + timedelta(days=200 * k), "changed", share=share, distance=gap * k)
        for k in range(1, services + 1)
    ]
    book = _book(history)
    within = (np.arange(2000) + 0.5) / 2000 * gap + gap * services
    older = [book.share_older(limit, Point(distance=float(x)), "distance") for x in within]
    mean = [book.mean_age(Point(distance=float(x)), "distance") for x in within]
    settled = ageing.renewal(share, gap, limit)
    assert np.mean(older) == pytest.approx(float(settled.overdue), abs=2e-3)
    assert np.max(older) == pytest.approx(float(settled.overdue_before), abs=1e-9)
    assert np.mean(mean) == pytest.approx(float(settled.mean), rel=1e-6)


def test_perfect_mixing() -> None:
    whole = Happening(START, volume=CAPACITY)
    assert fresh_share(CAPACITY, CAPACITY, whole) == 1.0
    twice = Happening(START, volume=CAPACITY, times=2)
    assert fresh_share(CAPACITY, CAPACITY, twice) == pytest.approx(1 - (1 - 0.5) ** 2)
    exchange = Happening(START, volume=CAPACITY, way="exchange")
    assert fresh_share(CAPACITY, CAPACITY, exchange) == pytest.approx(1 - math.exp(-1))


@pytest.mark.parametrize(
    ("happening", "field"),
    [
        (Happening(START, "changed", -0.001), "volume"),
        (Happening(START, "changed", math.nan), "volume"),
        (Happening(START, "changed", 0.010), "volume"),
        (Happening(START, "changed", 0.004, share=1.5), "share"),
        (Happening(START, "changed", 0.002, share=0.9), "share"),
        (Happening(START, "changed"), "volume"),
        (Happening(START, "topped up", 0.012), "volume"),
        (Happening(START, "lost", 0.010), "volume"),
        (Happening(START, "filled", 0.050), "volume"),
        (Happening(START, "changed", 0.004, times=0), "times"),
    ],
)
def test_what_cannot_be_is_refused(happening: Happening, field: str) -> None:
    with pytest.raises(Complaint) as refused:
        keep(CAPACITY, [happening])
    assert refused.value.field == field
    assert refused.value.do


def test_an_odometer_that_falls_between_services_is_refused() -> None:
    history = [
        Happening(date(2020, 1, 1), "changed", 0.004, distance=8e7),
        Happening(date(2021, 1, 1), "changed", 0.004, distance=7e7),
    ]
    with pytest.raises(Complaint, match="2021-01-01"):
        keep(CAPACITY, history)


def test_unknown_past_is_a_lower_bound_and_is_said() -> None:
    book = keep(CAPACITY, [Happening(date(2020, 1, 1), "changed", 0.0036, distance=8e7)])
    assert book.at_least
    # The first fluid counts from the first thing known of it.
    assert book.mean_age(Point(distance=9e7), "distance") == pytest.approx(1e7)
    renewed = keep(
        CAPACITY,
        [
            Happening(date(2020, 1, 1), "changed", 0.0036),
            Happening(date(2021, 1, 1), "filled"),
        ],
    )
    assert not renewed.at_least


def test_a_leak_then_a_change_makes_up_what_was_missing() -> None:
    history = [
        Happening(date(2020, 1, 1), "lost", 0.002),
        Happening(date(2020, 2, 1), "changed", 0.0045),
    ]
    book = keep(CAPACITY, history, start=Point(seconds(START)))
    assert book.volumes.sum() == pytest.approx(CAPACITY)
    assert "2.00 L was missing" in str(book.steps[-1].notes[0])


def test_a_top_up_of_a_full_system_tells_of_a_loss() -> None:
    book = keep(CAPACITY, [Happening(date(2020, 1, 1), "topped up", 0.0009)])
    assert book.shares.tolist() == pytest.approx([0.9, 0.1])
    assert "must have been lost" in str(book.steps[0].notes[0])
    assert book.steps[0].released.tolist() == pytest.approx([0.0009, 0.0])


def test_totals_that_are_not_given_come_from_the_meters() -> None:
    def odometer(moment: float) -> float:
        return (moment - seconds(START)) * 1.0

    book = keep(CAPACITY, [Happening(date(2011, 1, 1), "changed", 0.0045)], {"distance": odometer})
    assert book.births("distance")[-1] == pytest.approx(365 * 86400.0)


def test_bars_of_every_moment_sum_to_one_with_the_oldest_first() -> None:
    history = [
        Happening(date(2015, 1, 1), "filled", distance=0.0, fluid="Cable Green 7"),
        Happening(date(2020, 1, 1), "changed", 0.0036, distance=8e7, fluid="Cable Green 7"),
        Happening(date(2021, 1, 1), "topped up", 0.0005, distance=9e7, fluid="Rope Amber 3"),
    ]
    book = keep(CAPACITY, history)
    pieces = bars(book, Point(seconds(date(2022, 1, 1)), 1e8), "distance", bands=(3e7, 6e7))
    moments: dict[tuple[float, str], float] = {}
    for piece in pieces:
        key = (piece.moment, piece.stage)
        moments[key] = moments.get(key, 0.0) + piece.share
    assert len(moments) == 6
    assert all(total == pytest.approx(1.0) for total in moments.values())
    today = [p for p in pieces if p.stage == "now"]
    assert [p.age_class for p in today] == [2, 0, 0]
    assert [p.born for p in today] == sorted(p.born for p in today)
    assert today[-1].fluid == "Rope Amber 3"


def test_what_a_service_did_falls_back_to_time_without_odometer() -> None:
    history = [
        Happening(date(2016, 1, 1), "filled"),
        Happening(date(2020, 1, 1), "changed", 0.0036),
    ]
    done = effect(keep(CAPACITY, history), -1, "distance", limit=6e7)
    assert done.mean_before == pytest.approx(4 * YEAR, rel=1e-3)
    assert math.isnan(done.older_after)
    assert "4 years to 2.4 years" in str(done.says[1])


def test_last_change_passes_over_top_ups_and_leaks() -> None:
    history = [
        Happening(date(2015, 1, 1), "filled"),
        Happening(date(2016, 1, 1), "changed", 0.0036),
        Happening(date(2017, 1, 1), "topped up", 0.0001),
        Happening(date(2018, 1, 1), "lost", 0.0001),
    ]
    assert last_change(keep(CAPACITY, history)) == 1
    assert last_change(keep(CAPACITY, [])) is None
