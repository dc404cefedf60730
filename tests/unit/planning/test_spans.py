"""Periods by the calendar, against dateutil, and spans that are no whole months."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta

import numpy as np
import pytest
from dateutil.relativedelta import relativedelta
from hypothesis import given, settings
from hypothesis import strategies as st

from sumpwright.planning.clock import DAY, MONTH, YEAR, seconds
from sumpwright.planning.due import Limit, Rule, due
from sumpwright.planning.ledger import Point
from sumpwright.planning.spans import later

MOMENTS = st.datetimes(datetime(1950, 1, 1), datetime(2100, 1, 1)).map(
    lambda when: when.replace(microsecond=0, tzinfo=UTC)
)


@settings(deadline=None, max_examples=300)
@given(st.lists(st.tuples(MOMENTS, st.integers(1, 240)), min_size=1, max_size=8))
def test_whole_months_go_by_the_calendar(cases: list[tuple[datetime, int]]) -> None:
    since = np.array([when.timestamp() for when, _ in cases])
    span = np.array([float(months * MONTH) for _, months in cases])
    expected = [(when + relativedelta(months=months)).timestamp() for when, months in cases]
    np.testing.assert_allclose(later(since, span), expected, rtol=0, atol=1e-3)
    # One at a time it is the same to the bit.
    assert [float(later(a, b)) for a, b in zip(since, span, strict=True)] == list(
        later(since, span)
    )


@given(st.floats(0, 3e9), st.floats(1.0, 40.0 * YEAR))
def test_other_spans_are_so_many_seconds(since: float, span: float) -> None:
    if abs(span - round(span / MONTH) * MONTH) > 1:
        assert float(later(since, span)) == since + span
    assert abs(float(later(since, span)) - since - span) < 3.1 * DAY


def test_what_is_not_known_stays_unknown() -> None:
    found = later([np.nan, 0.0, np.nan], [float(YEAR), np.nan, np.nan])
    assert np.isnan(found).all()


@pytest.mark.parametrize(
    ("since", "months", "until"),
    [
        (date(2025, 2, 28), 6, date(2025, 8, 28)),
        (date(2024, 2, 29), 12, date(2025, 2, 28)),
        (date(2024, 2, 29), 48, date(2028, 2, 29)),
        (date(2022, 1, 1), 48, date(2026, 1, 1)),
        (date(2025, 8, 31), 6, date(2026, 2, 28)),
    ],
)
def test_a_period_ends_on_its_day(since: date, months: int, until: date) -> None:
    rule = Rule("replace", (Limit("date", months * YEAR / 12),))
    item = due("Van 1", "gearbox", rule, Point(seconds(since)), {}, since + timedelta(days=1))
    assert item.due.likely == until
