"""Histograms of temperature added up in round bands: no second is lost or moved far."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sumpwright.display import Display
from sumpwright.planning.use import Histogram, TemperatureLog, bands, histogram
from sumpwright.planning.warmth import gather, mean_temperature


@st.composite
def kept(draw: st.DrawFn) -> Histogram:
    low = draw(st.integers(230, 400))
    spent = draw(st.lists(st.floats(0.0, 9e3), min_size=1, max_size=40))
    return Histogram(tuple(float(low + k) for k in range(len(spent) + 1)), tuple(spent))


@settings(deadline=None, max_examples=100)
@given(st.lists(kept(), min_size=1, max_size=4), st.sampled_from(["metric", "us"]))
def test_every_second_stays_within_its_band(logs: list[Histogram], units: str) -> None:
    display = Display("us") if units == "us" else Display()
    found = gather(logs, display)
    total = sum(sum(log.durations) for log in logs)
    if found is None:
        assert total <= 4e-3
        return
    assert sum(found.durations) == pytest.approx(total, abs=4e-3)
    # Up to every edge as much time as in the logs.
    for edge in found.edges:
        below = sum(
            float(np.interp(edge, log.edges, np.concatenate([[0.0], np.cumsum(log.durations)])))
            for log in logs
        )
        own = sum(t for t, top in zip(found.durations, found.edges[1:], strict=True) if top <= edge)
        assert own == pytest.approx(below, abs=1e-4 * total + 5e-3)


def test_it_is_the_histogram_of_the_readings_themselves() -> None:
    times = tuple(60.0 * k for k in range(181))
    temps = tuple(293.0 + 0.5 * k for k in range(181))
    log = TemperatureLog(times, temps)
    found = gather([bands(log)])
    assert found is not None
    assert found.durations == pytest.approx(histogram(log, found.edges).tolist())
    assert mean_temperature(bands(log)) == pytest.approx(338.0, abs=0.01)


def test_a_log_at_a_round_temperature_is_in_one_band() -> None:
    level = TemperatureLog(tuple(60.0 * k for k in range(61)), (373.15,) * 61)
    found = gather([bands(level)])
    assert found is not None
    assert found.durations == (3600.0,)
    assert [Display().temperature(edge) for edge in found.edges] == ["100 °C", "110 °C"]
    assert gather([]) is None
    in_us = gather([bands(level)], Display("us"))
    assert in_us is not None
    assert [Display("us").temperature(edge) for edge in in_us.edges] == ["200 °F", "220 °F"]
