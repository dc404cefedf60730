"""A bound on the oldest fluid: the reasons of what is due, and policies in the long run."""

from __future__ import annotations

from datetime import date, timedelta

import numpy as np
import pytest

from sumpwright.errors import Complaint
from sumpwright.planning.clock import YEAR, seconds
from sumpwright.planning.due import Limit, Meter, Rule, clock
from sumpwright.planning.ledger import Happening, Ledger, Point, keep
from sumpwright.planning.odometer import forecast
from sumpwright.planning.policy import Method, longest_interval, policies
from sumpwright.planning.schedule import system_due
from sumpwright.planning.track import Reading, make_track

NOW = date(2025, 6, 1)
LIMIT = 6e7
SHARES = (0.25, 0.4, 0.6, 0.93, 1.0)
TAILS = (0.05, 0.216, 0.3, 0.6, 0.75)
GAPS = np.array([0.7e7, 1e7, 1.5e7, 2e7, 2.5e7, 3e7, 4e7, 6e7, 9e7])


def _reasons(tail: float | None, upto: float, *kinds: Limit) -> list[str]:
    book = keep(
        0.009,
        [
            Happening(date(2019, 6, 1), "filled", distance=0.0),
            Happening(date(2022, 6, 1), "changed", 0.0036, distance=3e7),
        ],
    )
    readings = [Reading(seconds(NOW) - k * YEAR / 12, upto - k * 2e7 / 12, True) for k in range(25)]
    track = make_track(readings, now=NOW)
    rules = [Rule("replace", kinds or (Limit("distance", LIMIT),), tail)]
    meters = {"distance": Meter(track, forecast(track))}
    [item] = system_due("Carrier 2", "gearbox", rules, book, None, meters, NOW)
    return [str(reason) for reason in item.reasons]


def test_the_reasons_are_those_of_the_rule_that_counts() -> None:
    by_mean = _reasons(None, 5e7)
    assert by_mean[0].startswith("60 000 km: at about 38 000 km now, reached about ")
    assert any("counted by mean age the interval began again at 18 000 km" in r for r in by_mean)
    strict = _reasons(0.3, 5e7)
    assert strict[0].startswith(
        "60 000 km for all but 30 % of the fluid: the oldest of it is about 50 000 km old now, "
        "reached about "
    )
    assert any(
        "the sheet lets 30 % be older than the limit: counted by the oldest of the rest, the "
        "interval began again at 30 000 km (the mean age was 18 000 km)" in r
        for r in strict
    )
    # 60 % went in at 0 km: where 65 % may be older, only the fluid of the change counts.
    loose = _reasons(0.65, 5e7)
    assert "the oldest of it is about 20 000 km old now" in loose[0]
    assert any("the interval began again at zero" in r for r in loose)
    assert not any("by mean age" in r for r in (*strict, *loose))


def test_every_kind_of_answer_says_for_how_much_of_the_fluid_the_limit_is() -> None:
    assert _reasons(0.3, 8e7)[0].startswith(
        "60 000 km for all but 30 % of the fluid: passed on about 2024-05-31"
    )
    assert _reasons(0.3, 8e7)[0].endswith("the oldest of it is 80 000 km old now")
    [by_date] = [r for r in _reasons(0.3, 5e7, Limit("date", 8 * YEAR)) if "8 years" in r]
    assert by_date.startswith(
        "8 years for all but 30 % of the fluid: the oldest of it is of 2019-06-01, so until 2027-"
    )
    assert "8 years for all of the fluid: " in _reasons(0.0, 5e7, Limit("date", 8 * YEAR))[0]


def _settled(share: float, gap: float) -> Ledger:
    history = [
        Happening(
            date(2000, 1, 1) + timedelta(days=9 * k), "changed", share=share, distance=gap * k
        )
        for k in range(1, 121)
    ]
    return keep(0.009, history, start=Point(seconds(date(2000, 1, 1)), 0.0))


@pytest.mark.parametrize("share", SHARES)
def test_what_keeps_to_the_tail_is_what_the_books_do_in_the_long_run(share: float) -> None:
    """A policy keeps to the limit when the books never make it due before its next service."""
    for gap in GAPS:
        book = _settled(share, float(gap))
        before = Point(distance=float(gap) * 121)
        older = book.share_older(LIMIT + 1e-3, before, "distance")
        for tail in TAILS:
            table = policies([Method("m", share, 0.001, 1.0)], [gap], LIMIT, 2e7, tail=tail)
            due_at = clock(book, tail).distance + LIMIT
            assert bool(table.within[0, 0]) == (due_at >= before.distance - 1e-3)
            assert table.overdue_peak[0, 0] == pytest.approx(older, abs=1e-6)


@pytest.mark.parametrize(("share", "gap"), [(0.4, 2e7), (0.4, 2.5e7), (0.6, 1.5e7), (0.25, 7e6)])
def test_the_share_older_than_the_limit_against_drops(share: float, gap: float) -> None:
    """Drops that each service takes out by chance, none of the ledger's arithmetic used."""
    rng = np.random.default_rng(11)
    born = np.zeros(200_000)
    for k in range(1, 60):
        born[rng.random(born.size) < share] = k * gap
    drops = float(np.mean(60 * gap - born > LIMIT + 1e-3))
    table = policies([Method("m", share, 0.001, 1.0)], [gap], LIMIT, 2e7, tail=0.3)
    # Five standard deviations of a share of 200 000 drops are 0.6 points at most.
    assert table.overdue_peak[0, 0] == pytest.approx(drops, abs=0.006)


@pytest.mark.parametrize("share", SHARES)
@pytest.mark.parametrize("tail", TAILS)
def test_the_longest_interval_is_the_longest_that_keeps_to_the_limit(
    share: float, tail: float
) -> None:
    longest = longest_interval(share, LIMIT, tail)
    method = [Method("m", share, 0.001, 1.0)]
    at, above = policies(
        method, [longest, longest * 1.001], LIMIT, 2e7, tail=tail
    ).within[0]  # fmt: skip
    assert at
    assert not above
    by_mean = policies(method, [share * LIMIT, share * LIMIT * 1.001], LIMIT, 2e7).within[0]
    assert by_mean.tolist() == [True, False]


def test_the_tail_decides_which_policies_are_best() -> None:
    methods = [Method("half", 0.5, 0.0045, 60.0), Method("whole", 0.95, 0.012, 200.0)]
    by_mean = policies(methods, GAPS, LIMIT, 2e7)
    by_tail = policies(methods, GAPS, LIMIT, 2e7, tail=0.1)
    assert by_mean.within[0].tolist() != by_tail.within[0].tolist()
    # Half every 30 000 km keeps the mean age, and a quarter of the fluid is older.
    at = GAPS.tolist().index(3e7)
    assert by_mean.within[0, at]
    assert by_tail.overdue_peak[0, at] == pytest.approx(0.25)
    assert not by_tail.within[0, at]
    with pytest.raises(Complaint, match="allowed to be older"):
        policies(methods, GAPS, LIMIT, 2e7, tail=1.0)
