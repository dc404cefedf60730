"""The judge lets no lone value through and follows what persists."""

from __future__ import annotations

from hypothesis import given, settings
from hypothesis import strategies as st

from sumpwright.link.plausible import DIRECT, Judge, Limits

warmups = st.lists(st.floats(-0.5, 1.5), min_size=5, max_size=60)


@given(warmups, st.data())
@settings(max_examples=300)
def test_a_lone_outlier_never_passes_and_costs_no_good_reading(
    steps: list[float], data: st.DataObject
) -> None:
    judge = Judge()
    limits = judge.limits
    spike_at = data.draw(st.integers(2, len(steps) - 1))
    kelvin = 300.0
    for index, step in enumerate(steps):
        kelvin += step
        if index == spike_at:
            off = data.draw(st.floats(limits.reach(0.5) + 2.0, 150.0)) * data.draw(
                st.sampled_from([-1, 1])
            )
            assert judge.doubt(kelvin + off, 0.5 * index - 0.25)
        doubt = judge.doubt(kelvin, 0.5 * index)
        assert bool(doubt) is (index < limits.first - 1)


@given(st.floats(20.0, 100.0), st.integers(2, 6))
def test_a_new_level_is_taken_when_it_persists(jump: float, needed: int) -> None:
    judge = Judge(Limits(jump=needed))
    for second in range(3):
        judge.doubt(300.0, float(second))
    heard = [judge.doubt(300.0 + jump, 3.0 + 0.1 * n) for n in range(needed + 2)]
    assert all(heard[: needed - 1])
    assert not any(heard[needed - 1 :])


@given(st.floats(allow_nan=True, allow_infinity=True))
def test_nothing_outside_the_range_passes(kelvin: float) -> None:
    judge = Judge(DIRECT)
    inside = 213.15 - 1e-9 <= kelvin <= 523.15 + 1e-9
    assert bool(judge.doubt(kelvin, 0.0)) is not inside


def test_two_corrupted_values_that_disagree_do_not_start_a_curve() -> None:
    judge = Judge()
    assert judge.doubt(300.0, 0.0)
    assert judge.doubt(400.0, 0.5)
    assert judge.doubt(300.0, 1.0)
    assert not judge.doubt(300.1, 1.5)


def test_a_long_gap_allows_a_large_change() -> None:
    judge = Judge()
    judge.doubt(300.0, 0.0)
    judge.doubt(300.0, 1.0)
    assert not judge.doubt(330.0, 61.0)
