"""Use: severe or normal with reasons, histograms and thermal age."""

from __future__ import annotations

from datetime import date, timedelta

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sumpwright.errors import Complaint
from sumpwright.physics import ageing
from sumpwright.planning.clock import DAY, seconds
from sumpwright.planning.odometer import forecast
from sumpwright.planning.use import (
    Bounds,
    Drive,
    Histogram,
    TemperatureLog,
    bands,
    histogram,
    judge,
    thermal_age,
)

NOW = date(2025, 6, 1)


def _drives(count: int = 20, **what: object) -> list[Drive]:
    """Plain drives of 40 km in mild weather, changed by what is given."""
    plain: dict[str, object] = {"distance": 40e3, "duration": 2400.0, "outside": 288.15}
    plain |= {"load": 0.3, "climb": 200.0, "idle": 100.0}
    return [
        Drive(NOW - timedelta(days=10 + k), **(plain | what))  # type: ignore[arg-type]
        for k in range(count)
    ]


def test_mild_use_is_normal_and_every_share_is_shown() -> None:
    use = judge(_drives(), NOW)
    assert use.service.kind == "normal"
    assert use.drives == 20
    assert [name for name, _, _ in use.shares] == [
        "short trips", "trailer", "load", "heat", "cold", "dust", "gradients", "idling",
    ]  # fmt: skip
    assert all(share < bound for _, share, bound in use.shares)


@pytest.mark.parametrize(
    ("what", "word"),
    [
        ({"distance": 3e3, "climb": None}, "shorter than 8 km"),
        ({"trailer": True}, "with a trailer"),
        ({"load": 0.9}, "75 % of full load"),
        ({"outside": 310.15}, "32 °C outside or more"),
        ({"outside": 250.15}, "-18 °C outside or less"),
        ({"dust": True}, "in dust"),
        ({"climb": 1200.0}, "climb 20 m in 1000 m"),
        ({"idle": 1200.0}, "idling"),
    ],
)
def test_each_kind_of_hard_use_alone_is_severe(what: dict[str, object], word: str) -> None:
    use = judge(_drives(**what), NOW)
    assert use.service.kind == "severe"
    assert len(use.service.reasons) == 1
    assert word in str(use.service.reasons[0])


def test_shares_weigh_distance_and_leave_out_what_is_not_known() -> None:
    # A tenth of the drives, but half of the distance, with a trailer.
    long = _drives(2, trailer=True, distance=360e3)
    shares = {n: s for n, s, _ in judge([*_drives(18), *long], NOW).shares}
    assert shares["trailer"] == pytest.approx(0.5)
    unknown = _drives(20, load=None)
    assert "load" not in {n for n, _, _ in judge(unknown, NOW).shares}
    half = [*_drives(10, load=None), *_drives(10, load=0.9)]
    assert {n: s for n, s, _ in judge(half, NOW).shares}["load"] == pytest.approx(1.0)


def test_too_few_drives_assume_normal_and_say_so() -> None:
    use = judge(_drives(5, trailer=True), NOW)
    assert use.service.kind == "normal"
    assert "assumed" in str(use.service.reasons[0])
    assert judge([], NOW).service.kind == "normal"
    old = [Drive(NOW - timedelta(days=800 + k), distance=3e3) for k in range(30)]
    assert judge(old, NOW).drives == 0


def test_the_users_word_goes_before_the_log() -> None:
    declared = judge(_drives(trailer=True), NOW, declared="normal")
    assert declared.service.kind == "normal"
    assert any("trailer" in str(r) for r in declared.service.reasons)
    assert judge(_drives(), NOW, declared="severe").service.kind == "severe"


def test_bounds_are_the_users_to_change() -> None:
    drives = _drives(distance=12e3, climb=None)
    assert judge(drives, NOW).service.kind == "normal"
    stricter = Bounds(short=(15e3, 0.5))
    assert judge(drives, NOW, stricter).service.kind == "severe"


@settings(deadline=None, max_examples=200)
@given(
    st.lists(st.tuples(st.floats(0.0, 600.0), st.floats(250.0, 420.0)), min_size=2, max_size=20),
    st.lists(st.floats(255.0, 415.0), max_size=6, unique=True),
)
def test_histogram_keeps_all_the_time(log: list[tuple[float, float]], inner: list[float]) -> None:
    times = np.cumsum([gap for gap, _ in log])
    temps = tuple(t for _, t in log)
    edges = [249.0, *sorted(inner), 421.0]
    spent = histogram(TemperatureLog(tuple(times), temps), edges)
    assert spent.sum() == pytest.approx(times[-1] - times[0], rel=1e-9, abs=1e-9)
    assert np.all(spent >= 0)


@settings(deadline=None, max_examples=50)
@given(st.lists(st.floats(300.0, 400.0), min_size=2, max_size=10))
def test_fine_histogram_ages_like_the_log(temps: list[float]) -> None:
    """Two ways to the same integral: bands of a twentieth of a kelvin against the exact log."""
    times = tuple(600.0 * k for k in range(len(temps)))
    log = TemperatureLog(times, tuple(temps))
    edges = np.arange(299.0, 401.5, 0.05)
    from_bands = ageing.thermal_age_of_histogram(edges, histogram(log, edges), 363.15)
    from_log = ageing.thermal_age(times, temps, 363.15)
    assert float(from_bands) == pytest.approx(float(from_log), rel=2e-3)


def test_histogram_of_level_and_short_logs() -> None:
    level = TemperatureLog((0.0, 100.0), (300.0, 300.0))
    assert histogram(level, [290.0, 300.0, 310.0]).tolist() == [0.0, 100.0]
    assert histogram(TemperatureLog((5.0,), (300.0,)), [290.0, 310.0]).tolist() == [0.0]
    with pytest.raises(Complaint, match="backwards"):
        histogram(TemperatureLog((1.0, 0.0), (300.0, 300.0)), [290.0, 310.0])


def test_thermal_age_by_day_and_its_forecast() -> None:
    """Two hours a day at 20 K over the reference: eight hours' worth a day, for ever."""
    hot = TemperatureLog((0.0, 7200.0), (383.15, 383.15))
    drives = [Drive(date(2024, 1, 1) + timedelta(days=k), temperatures=hot) for k in range(500)]
    found = thermal_age(drives, 363.15)
    np.testing.assert_allclose(found.per_day, 8 * 3600.0)
    ahead = forecast(found.track)
    assert ahead is not None
    assert ahead.rate * DAY == pytest.approx(8 * 3600.0)
    assert found.track.at(seconds(date(2024, 1, 11))) == pytest.approx(10 * 8 * 3600.0)
    slower = thermal_age(drives, 363.15, step=20.0)
    np.testing.assert_allclose(slower.per_day, 4 * 3600.0)


def test_drives_without_temperatures_are_counted_as_the_others_and_it_is_said() -> None:
    level = Histogram((363.15, 363.15), (3600.0,))
    drives = [Drive(0.0, temperatures=level), Drive(float(DAY), duration=7200.0)]
    found = thermal_age(drives, 363.15)
    assert found.per_day.tolist() == pytest.approx([3600.0, 7200.0])
    assert found.logged == pytest.approx(1 / 3)
    assert "taken to be as hot" in str(found.notes[1])
    none = thermal_age([Drive(0.0, duration=3600.0)], 363.15)
    assert none.per_day.tolist() == [0.0]
    assert "not counted" in str(none.notes[1])
    assert len(thermal_age([], 363.15).track) == 0


def test_a_log_beside_the_drives_counts_for_itself_and_not_for_them() -> None:
    hot, cool = (Histogram((kelvin, kelvin), (3600.0,)) for kelvin in (373.15, 323.15))
    drives = [
        Drive(0.0, duration=3600.0, temperatures=hot),
        Drive(float(DAY), duration=3600.0),
        Drive(2.0 * DAY, temperatures=cool),
    ]
    found = thermal_age(drives, 363.15)
    assert found.per_day.tolist() == pytest.approx([7200.0, 7200.0, 3600.0 / 16])
    assert found.logged == pytest.approx(1 / 2)


def test_a_log_of_days_is_gathered_in_stretches_as_if_at_once() -> None:
    t = np.arange(0.0, 70_000.0)
    kelvin = 340.0 + 20.0 * np.sin(t / 900.0)
    log = TemperatureLog(tuple(t.tolist()), tuple(kelvin.tolist()))
    found = bands(log)
    np.testing.assert_allclose(found.durations, histogram(log, found.edges), rtol=1e-9)
    assert sum(found.durations) == pytest.approx(t[-1])


def test_impossible_temperatures_are_refused() -> None:
    cold = TemperatureLog((0.0, 1.0), (-5.0, 300.0))
    with pytest.raises(Complaint, match="temperature log"):
        thermal_age([Drive(0.0, temperatures=cold)], 363.15)


def test_shares_are_said_to_be_of_what_is_known() -> None:
    def why(*drives: Drive) -> str:
        return " ".join(str(r) for r in judge(drives, NOW).service.reasons)

    plain = [Drive(date(2025, 3, 1 + k), 2e4, 1800.0) for k in range(11)]
    loaded = Drive(date(2025, 3, 12), 6e4, 1800.0, load=0.9)
    assert (
        "100 % of the distance whose load is known (21 % of all of it) was driven at 75 % of "
        "full load or more"
    ) in why(*plain, loaded)
    told = [Drive(date(2025, 3, 1 + k), 2e4, load=0.9 if k < 6 else 0.2) for k in range(12)]
    assert "50 % of the distance was driven at 75 % of full load or more" in why(*told)
    hot = Drive(date(2025, 3, 12), 6e4, 1800.0, outside=308.15)
    assert "whose outside temperature is known (21 % of all of it)" in why(*plain, hot)
    steep = Drive(date(2025, 3, 12), 6e4, 1800.0, climb=3e3)
    assert "whose climb is known (21 % of all of it)" in why(*plain, steep)
    still = Drive(date(2025, 3, 12), 6e4, 1800.0, idle=900.0)
    assert "50 % of the running time of the 1 drives whose" not in why(*plain, still)
    assert "50 % of the running time whose idling is known" in why(*plain, still)
    short = [Drive(date(2025, 3, 1 + k), 3e3 if k < 6 else None, 600.0) for k in range(12)]
    assert "100 % of the drives whose distance is known are shorter than" in why(*short)
