"""Which replace limit comes first at a machine's own use, and what a policy does to the others."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sumpwright.planning.clock import YEAR
from sumpwright.planning.due import Limit, Meter, Rule
from sumpwright.planning.ledger import Measure
from sumpwright.planning.odometer import Forecast, forecast
from sumpwright.planning.paces import order_said, paces
from sumpwright.planning.policy import Method, keeps, policies
from sumpwright.planning.track import Reading, make_track

NOW = 1.74e9
ALL = Rule(
    "replace",
    (
        Limit("distance", 6e7, 3e7),
        Limit("date", 2.0 * YEAR),
        Limit("hours", 7.2e6),
        Limit("thermal", 3.6e6),
    ),
)


def _ahead(per_year: float) -> Forecast:
    readings = [
        Reading(NOW - k * YEAR / 12, 1e8 + (24 - k) * per_year / 12, True) for k in range(25)
    ]
    made = forecast(make_track(readings, now=NOW))
    assert made is not None
    return made


def _meters(**per_year: float) -> dict[Measure, Meter]:
    return {kind: Meter(forecast=_ahead(use)) for kind, use in per_year.items()}  # type: ignore[misc]


@pytest.mark.parametrize(
    ("use", "order"),
    [
        # 60 000 km in 20 years, 2000 h in 2.5, 1000 h at the reference temperature in 4.
        ({"distance": 3e6, "hours": 2.88e6, "thermal": 9e5}, "date hours thermal distance"),
        ({"distance": 6e7, "hours": 2.88e6, "thermal": 9e5}, "distance date hours thermal"),
        ({"distance": 3e6, "hours": 1.44e7, "thermal": 9e5}, "hours date thermal distance"),
        ({"distance": 3e6, "hours": 2.88e6, "thermal": 7.2e6}, "thermal date hours distance"),
    ],
)
def test_the_limit_that_takes_least_time_comes_first(use: dict[str, float], order: str) -> None:
    found = paces([ALL], "normal", _meters(**use))
    assert [pace.kind for pace in found] == order.split()
    for pace in found:
        given = 1.0 * YEAR if pace.kind == "date" else use[pace.measure]
        assert pace.per_year == pytest.approx(given, rel=1e-3)
        assert pace.years == pytest.approx(pace.limit / given, rel=1e-3)


def test_severe_service_has_its_own_order() -> None:
    meters = _meters(distance=2.5e7)
    assert paces([ALL], "normal", meters)[0].kind == "date"
    first = paces([ALL], "severe", meters)[0]
    assert (first.kind, first.limit) == ("distance", 3e7)


def test_a_limit_that_cannot_be_compared_is_last_and_says_what_is_missing() -> None:
    severe_only = Rule("replace", (Limit("hours", None, 3.6e6), Limit("thermal", 3.6e6)))
    looks = Rule("inspect", (Limit("distance", 1e7),))
    two = Rule("replace", (Limit("date", 2.0 * YEAR), Limit("distance", 6e7)))
    found = paces([severe_only, looks, two], "normal", {})
    assert [(pace.kind, pace.known) for pace in found] == [
        ("date", True), ("hours", False), ("thermal", False), ("distance", False),
    ]  # fmt: skip
    words = [str(pace.missing) for pace in found]
    assert words[1] == "no hours limit is given for normal service, so none is checked"
    assert "1000 h at the reference temperature is not checked: log the fluid's" in words[2]
    assert "60 000 km is not checked: read the odometer at least twice" in words[3]
    assert order_said(found, found[0]) is None


def test_a_meter_that_stands_still_never_comes_first() -> None:
    still = Meter(forecast=replace(_ahead(2e7), rate=0.0))
    both = Rule("replace", (Limit("distance", 6e7), Limit("date", 40.0 * YEAR)))
    date, distance = paces([both], "normal", {"distance": still})
    assert (date.kind, distance.years) == ("date", math.inf)
    assert "60 000 km is never reached, as its meter stands still" in str(
        order_said([date, distance], date)
    )


def test_the_order_is_said_with_the_use_that_it_rests_on() -> None:
    found = paces([ALL], "normal", _meters(distance=6e7, hours=2.88e6))
    assert str(order_said(found, found[0])) == (
        "of the limits 60 000 km comes first: it takes 12 months at 60 000 km a year, "
        "2 years is later, 2000 h takes 2.5 years at 800 h a year"
    )
    assert str(order_said(found, found[2])).endswith("; what is shown goes by 2000 h")


@settings(deadline=None, max_examples=200)
@given(
    st.lists(st.floats(0.1, 30.0), min_size=2, max_size=4),
    st.floats(0.05, 1.0),
    st.floats(0.05, 40.0),
    st.one_of(st.none(), st.sampled_from([0.1, 0.3, 0.6])),
)
def test_what_keeps_to_the_first_limit_keeps_to_all(
    years: list[float], share: float, gap: float, tail: float | None
) -> None:
    """At an even use the ages on all scales are in proportion, so the first limit settles it."""
    within = [bool(keeps(share, gap, limit, tail)) for limit in years]
    assert all(within) == within[int(np.argmin(years))]


def test_the_table_names_each_further_limit_that_a_policy_breaks() -> None:
    methods = [Method("half", 0.5, 0.004, 60.0), Method("whole", 1.0, 0.012, 190.0)]
    others = [(8e7, None), (3e7, None), (8e7, 0.3)]
    table = policies(methods, [2e7, 4e7], 6e7, 2e7, others=others)
    broken = {(row["method"], row["interval"]): row["breaks"] for row in table.rows()}
    # Mean ages before a service: 40 and 80 Mm by halves, 20 and 40 Mm by whole changes; of
    # the halves every 40 Mm a quarter is older than 80 Mm.
    assert broken == {
        ("half", 2e7): [1], ("half", 4e7): [1], ("whole", 2e7): [], ("whole", 4e7): [1],
    }  # fmt: skip
