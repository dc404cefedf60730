"""Used-oil reports: wear by mass balance, limits, trends, wrong fluids, effect on due."""

from __future__ import annotations

import math
import re
from dataclasses import replace
from datetime import date, timedelta
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sumpwright.errors import Complaint
from sumpwright.planning.cleanliness import code_of, read_code
from sumpwright.planning.clock import seconds
from sumpwright.planning.laboratory import ASSUMED_BOUNDS, Bound, Context, assess, robust_z
from sumpwright.planning.ledger import Happening, Ledger, Point, keep
from sumpwright.planning.machine import Fluid
from sumpwright.planning.odometer import forecast
from sumpwright.planning.reports import Report, computed_index
from sumpwright.planning.track import Reading, make_track
from sumpwright.planning.wear import Wear, wear_between, wear_of_late, wear_since_new

NOW = date(2025, 6, 1)
GREEN = Fluid("Cable Green 7", 846.0, 29.6e-6, 6.0e-6)
CAPACITY = 0.009


def _forward(
    book: Ledger, wear: float, new: float, start: Point, end: Point, first: float
) -> float:
    """Concentration at the end, simulated event by event from the books."""
    volume = CAPACITY
    mass, here = first * volume, start.distance
    for step in book.steps:
        if not start.time <= step.point.time < end.time:
            continue
        mass += wear * CAPACITY * (step.point.distance - here)
        here = step.point.distance
        before, after = step.before.sum(), step.after.sum()
        fresh = step.after[len(step.before) :].sum()
        mass = mass * (after - fresh) / before + new * fresh
        volume = after
    mass += wear * CAPACITY * (end.distance - here)
    return mass / volume


@settings(deadline=None, max_examples=200)
@given(
    st.lists(
        st.tuples(st.sampled_from(["changed", "topped up", "lost"]), st.floats(0.01, 0.8)),
        max_size=6,
    ),
    st.floats(1e-8, 1e-4),
    st.floats(0.0, 5.0),
    st.floats(0.0, 100.0),
)
def test_wear_comes_back_from_simulated_samples(
    happenings: list[tuple[str, float]], wear: float, new: float, first: float
) -> None:
    history = [Happening(date(2020, 1, 1), "filled", distance=0.0)]
    level = 1.0
    for k, (what, share) in enumerate(happenings):
        if what == "lost":
            level -= share * level * 0.5
            volume = share * (level / (1 - 0.5 * share)) * 0.5 * CAPACITY
        else:
            level = 1.0 if what == "changed" else min(1.0, level + share)
            volume = share * CAPACITY
        when = date(2020, 2, 1) + timedelta(days=60 * k)
        history.append(Happening(when, what, volume, distance=1e6 * (k + 1)))  # type: ignore[arg-type]
    book = keep(CAPACITY, history)
    start = Point(seconds(date(2020, 1, 15)), 5e5)
    end = Point(seconds(date(2022, 1, 1)), 2e7)
    last = _forward(book, wear, new, start, end, first)
    found = wear_between(book, start, end, first, last, new)
    assert found is not None
    assert found.per_unit == pytest.approx(wear, rel=1e-6)


def test_uncorrected_wear_is_misled_by_new_fluid() -> None:
    history = [
        Happening(date(2020, 1, 1), "filled", distance=0.0),
        Happening(date(2021, 1, 1), "changed", 0.0045, distance=2e7),
        Happening(date(2022, 1, 1), "topped up", 0.0009, distance=4e7),
    ]
    book = keep(CAPACITY, history)
    start, end = Point(seconds(date(2020, 7, 1)), 1e7), Point(seconds(date(2023, 1, 1)), 5e7)
    truth = 2e-6
    last = _forward(book, truth, 0.0, start, end, 20.0)
    found = wear_between(book, start, end, 20.0, last)
    assert found is not None
    assert found.per_unit == pytest.approx(truth)
    assert found.uncorrected < 0.7 * truth
    assert found.kept == pytest.approx(0.45)
    # kg per m: 2e-6 mg/kg per m in 7.6 kg of fluid.
    assert found.mass_rate(846.0, CAPACITY) == pytest.approx(2e-12 * 846 * CAPACITY)


def test_sample_and_service_of_one_day_come_in_that_order() -> None:
    """The sample of the drained fluid is not diluted by the fill of the same day."""
    history = [
        Happening(date(2020, 1, 1), "filled", distance=0.0),
        Happening(date(2021, 1, 1), "changed", 0.0045, distance=2e7),
    ]
    book = keep(CAPACITY, history)
    sample = Point(seconds(date(2021, 1, 1)), 2e7)
    first = wear_since_new(book, sample, 40.0)
    assert first is not None
    assert first.per_unit == pytest.approx(2e-6)
    later = wear_between(book, sample, Point(seconds(date(2022, 1, 1)), 4e7), 40.0, 60.0)
    assert later is not None
    assert later.per_unit == pytest.approx((60.0 - 20.0) / 2e7)


def test_wear_of_unknown_past_or_use_is_not_invented() -> None:
    book = keep(CAPACITY, [Happening(date(2021, 1, 1), "changed", 0.0045)])
    assert wear_since_new(book, Point(seconds(NOW), 2e7), 40.0) is None
    a, b = Point(seconds(date(2020, 1, 1)), 1e7), Point(seconds(NOW), 2e7)
    # The change between the samples has no odometer reading.
    assert wear_between(book, a, b, 10.0, 20.0) is None
    assert wear_between(book, b, a, 10.0, 20.0) is None
    assert wear_between(book, Point(0.0), b, 10.0, 20.0) is None


def _history(rates: list[float], step: float = 1e7) -> tuple[list[Report], Ledger]:
    """Samples every 10 000 km whose iron rises by the given mg/kg."""
    book = keep(CAPACITY, [Happening(date(2020, 1, 1), "filled", distance=0.0)])
    iron = np.cumsum(rates)
    reports = [
        Report(
            date(2020, 1, 1) + timedelta(days=180 * (k + 1)),
            distance=step * (k + 1),
            elements={"Fe": float(value)},
            sample=f"S{k}",
        )
        for k, value in enumerate(iron)
    ]
    return reports, book


def test_a_jump_in_wear_is_flagged_against_the_machines_own_history() -> None:
    steady, book = _history([10.0, 11.0, 9.0, 10.0, 10.5, 10.0])
    quiet = assess(steady, Context(NOW, book=book, bounds=()))
    assert not quiet.findings
    assert not quiet.conditions
    jump, book = _history([10.0, 11.0, 9.0, 10.0, 10.5, 30.0])
    seen = assess(jump, Context(NOW, book=book, bounds=()))
    [finding] = seen.findings
    assert (finding.level, finding.name, finding.index) == ("caution", "Fe", 5)
    assert "3.00 mg/kg per 1000 km" in str(finding.says)
    assert [c.action for c in seen.conditions] == ["inspect"]
    assert [row.wear.per_unit * 1e6 for row in seen.wear][-1] == pytest.approx(3.0)


def test_a_dilution_is_no_drop_in_wear() -> None:
    """Half the fluid is changed: raw iron falls, corrected wear goes on as before."""
    history = [
        Happening(date(2020, 1, 1), "filled", distance=0.0),
        Happening(date(2021, 6, 1), "changed", 0.0045, distance=2.5e7),
    ]
    book = keep(CAPACITY, history)
    raw = [10.0, 20.0, (25.0 * 0.5) + 5.0, 27.5]
    reports = [
        Report(
            date(2020, 1, 1) + timedelta(days=250 * (k + 1)), distance=1e7 * (k + 1),
            elements={"Fe": v},
        )
        for k, v in enumerate(raw)
    ]  # fmt: skip
    seen = assess(reports, Context(NOW, book=book, bounds=()))
    np.testing.assert_allclose([r.wear.per_unit for r in seen.wear], 1e-6, rtol=1e-9)


def test_limits_act_and_caution_with_effect_on_due() -> None:
    bounds = (
        Bound("Fe", (None, 100.0), (None, 150.0), origin="laboratory"),
        Bound("water", (None, 0.0005), (None, 0.002)),
    )
    report = Report(date(2025, 5, 1), elements={"Fe": 180.0}, water=0.001)
    seen = assess([report], Context(NOW, bounds=bounds))
    assert [(f.level, f.name) for f in seen.findings] == [("act", "Fe"), ("caution", "water")]
    replace, inspect = seen.conditions
    assert replace.action == "replace"
    assert replace.likely == seconds(date(2025, 5, 1))
    assert len(replace.reasons) == 1
    assert inspect.action == "inspect"
    assert len(inspect.reasons) == 2
    assert "0.1 % on 2025-05-01" in str(inspect.reasons[1])


@pytest.mark.parametrize(
    ("change", "level"),
    [(0.0, ""), (0.095, ""), (0.105, "caution"), (0.195, "caution"), (0.205, "act")],
)
@pytest.mark.parametrize("name", ["viscosity_40", "viscosity_100"])
@pytest.mark.parametrize("sign", [-1, 1])
def test_assumed_bounds_of_viscosity(change: float, level: str, name: str, sign: int) -> None:
    value = {"viscosity_40": 29.6e-6, "viscosity_100": 6.0e-6}[name] * (1 + sign * change)
    report = Report(date(2025, 5, 1), **{name: value})  # type: ignore[arg-type]
    seen = assess([report], Context(NOW, (GREEN,)))
    assert [f.level for f in seen.findings if f.name == name] == ([level] if level else [])


@pytest.mark.parametrize(
    ("water", "level"),
    [(0.0, ""), (0.00049, ""), (0.00051, "caution"), (0.0019, "caution"), (0.0021, "act")],
)
def test_assumed_bounds_of_water(water: float, level: str) -> None:
    seen = assess([Report(date(2025, 5, 1), water=water)], Context(NOW))
    assert [f.level for f in seen.findings] == ([level] if level else [])


def test_the_manual_names_the_bounds_that_are_assumed() -> None:
    text = (Path(__file__).parents[3] / "docs" / "when.md").read_text(encoding="utf-8")
    told = re.search(
        r"viscosity (\S+) % \(caution\) and (\S+) % \(act\) from new fluid and water of (\S+) % "
        r"and (\S+) % are used",
        " ".join(text.split()),
    )
    assert told
    caution, act, water, much = (float(number) / 100 for number in told.groups())
    bounds = {bound.name: (bound.caution, bound.act) for bound in ASSUMED_BOUNDS}
    assert bounds == {
        "viscosity_40": ((-caution, caution), (-act, act)),
        "viscosity_100": ((-caution, caution), (-act, act)),
        "water": ((None, water), (None, much)),
    }


def test_water_just_above_its_bound_is_told_apart_from_it() -> None:
    seen = assess([Report(date(2026, 10, 1), water=0.0006)], Context(date(2026, 11, 1)))
    assert str(seen.findings[0].says) == (
        "water: 0.06 % on 2026-10-01, above 0.05 % (common practice, no source)"
    )


def test_fluid_put_in_since_the_sample_is_counted() -> None:
    bound = Bound("Fe", act=(None, 150.0))
    report = Report(date(2025, 3, 1), distance=8e7, elements={"Fe": 180.0})
    drained = [
        Happening(date(2019, 1, 1), "filled", distance=0.0),
        Happening(date(2025, 4, 1), "changed", 0.0045, distance=8.2e7),
    ]
    seen = assess([report], Context(NOW, bounds=(bound,), book=keep(CAPACITY, drained)))
    assert not seen.conditions
    assert {f.level for f in seen.findings} == {"note"}
    assert "about 90.0 mg/kg" in str(seen.findings[1].says)
    little = [drained[0], Happening(date(2025, 4, 1), "topped up", 0.0005, distance=8.2e7)]
    still = assess([report], Context(NOW, bounds=(bound,), book=keep(CAPACITY, little)))
    assert still.conditions[0].action == "replace"


def test_relative_limits_need_the_new_fluid() -> None:
    thick = Report(date(2025, 5, 1), viscosity_40=37e-6)
    known = assess([thick], Context(NOW, fluids=(GREEN,)))
    [finding] = known.findings
    assert finding.level == "act"
    assert "new fluid has 29.6 mm²/s" in str(finding.says)
    assert "no source" in str(finding.says)
    assert not assess([thick], Context(NOW)).findings


def test_the_day_an_element_will_reach_its_limit() -> None:
    reports, book = _history([20.0, 20.0, 20.0])
    last = reports[-1]
    readings = [Reading(date(2020, 1, 1) + timedelta(days=18 * k), 1e6 * k) for k in range(31)]
    ahead = forecast(make_track(readings))
    bound = Bound("Fe", act=(None, 100.0))
    seen = assess(reports, Context(NOW, book=book, bounds=(bound,), forecast=ahead))
    [condition] = seen.conditions
    # 60 mg/kg at 30 000 km, 2 mg/kg per 1000 km: 100 at 50 000 km, 360 days after the sample.
    assert condition.action == "replace"
    assert (condition.likely - seconds(last.when)) / 86400 == pytest.approx(360, abs=4)
    assert condition.early < condition.likely < condition.late
    changed = keep(
        CAPACITY,
        [
            Happening(date(2020, 1, 1), "filled", distance=0.0),
            Happening(last.when, "changed", 0.0045, distance=last.distance),
        ],
    )
    later = assess(reports, Context(NOW, book=changed, bounds=(bound,), forecast=ahead))
    # Half of it was changed on that day: from 30, not from 60, to 100.
    assert (later.conditions[0].likely - seconds(last.when)) / 86400 == pytest.approx(630, abs=6)


def test_a_report_on_another_fluid_is_kept_out_and_explained() -> None:
    wrong = Report(
        date(2025, 5, 1), viscosity_40=68e-6, viscosity_100=8.7e-6, elements={"Fe": 900.0}
    )
    right = Report(date(2025, 2, 1), viscosity_40=27.9e-6, elements={"Fe": 30.0})
    bound = Bound("Fe", act=(None, 150.0))
    seen = assess([wrong, right], Context(NOW, fluids=(GREEN,), bounds=(bound,)))
    [kept_out] = seen.kept_out
    assert (kept_out.index, kept_out.name) == (0, "wrong fluid")
    assert "ISO VG 68" in str(kept_out.says)
    assert not seen.conditions
    assert [i for i, _ in seen.used] == [1]
    mixed = Context(NOW, fluids=(GREEN, Fluid("Rope Amber 3", viscosity_40=60e-6)))
    assert not assess([wrong], mixed).kept_out


def test_one_viscosity_off_is_a_question_not_another_fluid() -> None:
    odd = Report(date(2025, 5, 1), viscosity_40=68e-6, viscosity_100=6.0e-6)
    seen = assess([odd], Context(NOW, fluids=(GREEN,), bounds=()))
    assert not seen.kept_out
    assert any("check both" in str(f.says) for f in seen.findings)


def test_a_report_that_names_another_fluid_is_kept_out_until_it_is_confirmed() -> None:
    bound = Bound("Fe", act=(None, 150.0))
    context = Context(NOW, fluids=(GREEN,), bounds=(bound,))
    other = Report(
        date(2025, 5, 1), fluid="Rope Amber 3", viscosity_40=29e-6, elements={"Fe": 300.0}
    )
    seen = assess([other], context)
    [kept_out] = seen.kept_out
    assert kept_out.name == "wrong fluid"
    assert "names Rope Amber 3; this system holds Cable Green 7" in str(kept_out.says)
    assert "confirm" in str(kept_out.says)
    assert not seen.used
    assert not seen.conditions
    sure = assess([replace(other, sure=True)], context)
    assert not sure.kept_out
    assert {c.action for c in sure.conditions} == {"replace", "inspect"}
    assert any("names Rope Amber 3" in str(f.says) for f in sure.findings)


@pytest.mark.parametrize("name", ["cable green7", "Cable-Green 7", "Cable Green 7, used", ""])
def test_one_fluid_may_be_written_in_several_ways(name: str) -> None:
    same = Report(date(2025, 5, 1), fluid=name, viscosity_40=29e-6)
    assert not assess([same], Context(NOW, fluids=(GREEN,), bounds=())).findings


def test_a_viscosity_of_another_fluid_counts_once_it_is_confirmed() -> None:
    thick = Report(date(2025, 5, 1), viscosity_40=68e-6, viscosity_100=8.7e-6, sure=True)
    seen = assess([thick], Context(NOW, fluids=(GREEN,), bounds=()))
    assert [i for i, _ in seen.used] == [0]
    assert "confirmed" in str(seen.findings[0].says)


def test_a_slip_of_the_laboratory_asks_for_no_look_at_the_machine() -> None:
    index = Report(date(2025, 5, 1), viscosity_40=29.6e-6, viscosity_100=6.0e-6, index=190)
    particles = Report(date(2025, 5, 1), particles="18/16/13", counts=(9000.0, 600.0, 70.0))
    for report in (index, particles):
        seen = assess([report], Context(NOW, fluids=(GREEN,)))
        assert [f.level for f in seen.findings] == ["caution"]
        assert not seen.conditions


def test_exchanged_viscosities_are_called_so_and_not_used() -> None:
    swapped = Report(
        date(2025, 5, 1), viscosity_40=6.0e-6, viscosity_100=29.6e-6, elements={"Fe": 20.0}
    )
    seen = assess([swapped], Context(NOW, fluids=(GREEN,)))
    [finding] = seen.findings
    assert "probably exchanged" in str(finding.says)
    assert finding.level == "caution"
    assert not seen.conditions
    assert [i for i, _ in seen.used] == [0]


def test_wear_of_two_samples_close_together_sets_no_date() -> None:
    ahead = forecast(
        make_track([Reading(date(2020, 1, 1) + timedelta(days=18 * k), 1e6 * k) for k in range(31)])
    )
    bound = Bound("Fe", act=(None, 100.0))
    reports, book = _history([20.0, 20.0, 20.0])
    last = reports[-1]
    assert last.distance is not None
    again = Report(
        date.fromordinal(last.when.toordinal() + 1),  # type: ignore[union-attr]
        last.distance + 5e4,
        elements={"Fe": last.elements["Fe"] + 3.0},
    )
    before = assess(reports, Context(NOW, book=book, bounds=(bound,), forecast=ahead))
    after = assess([*reports, again], Context(NOW, book=book, bounds=(bound,), forecast=ahead))
    # 3 mg/kg more after 50 km is scatter: alone it would be 60 mg/kg per 1000 km.
    moved = (after.conditions[0].likely - before.conditions[0].likely) / 86400
    assert -60 < moved < 0
    pair = assess([last, again], Context(NOW, book=book, bounds=(bound,), forecast=ahead))
    assert len(pair.wear) == 2
    lone = [w.wear for w in pair.wear if w.first is not None]
    assert wear_of_late(lone, 63.0) is None


def test_wear_that_begins_makes_the_early_date_early() -> None:
    steady = [Wear(2e-6, 2e-6, 1e7, 1.0)] * 4
    worn = [*steady[:3], Wear(8e-6, 8e-6, 1e7, 1.0)]
    calm, begun = wear_of_late(steady, 80.0), wear_of_late(worn, 140.0)
    assert calm is not None
    assert begun is not None
    assert calm[1] == pytest.approx(2e-6)
    assert begun[2] == pytest.approx(8e-6)
    assert begun[0] < begun[1] < begun[2]


def test_iron_that_seems_to_fall_is_explained() -> None:
    reports, book = _history([20.0, 20.0])
    last = reports[-1]
    assert last.distance is not None

    def then(iron: float, further: float) -> list[str]:
        day = date.fromordinal(last.when.toordinal() + 30)  # type: ignore[union-attr]
        fell = Report(day, last.distance + further, elements={"Fe": iron})
        seen = assess([*reports, fell], Context(NOW, book=book, bounds=()))
        assert not seen.conditions
        return [str(f.says) for f in seen.findings]

    iron = last.elements["Fe"]
    assert any("within the laboratory's own scatter" in says for says in then(iron - 1.0, 1e6))
    assert any("may be missing in the books" in says for says in then(iron * 0.4, 1e7))
    assert not then(iron + 1.0, 1e6)


def test_index_is_checked_against_the_viscosities() -> None:
    # ASTM D2270's own example: 73.30 and 8.86 mm²/s give 92.
    right = Report(date(2025, 5, 1), viscosity_40=73.30e-6, viscosity_100=8.86e-6, index=92)
    assert round(computed_index(right) or 0) == 92
    assert not assess([right], Context(NOW, bounds=())).findings
    wrong = Report(date(2025, 5, 1), viscosity_40=73.30e-6, viscosity_100=8.86e-6, index=129)
    [finding] = assess([wrong], Context(NOW, bounds=())).findings
    assert "129" in str(finding.says)
    assert "92" in str(finding.says)
    swapped = Report(date(2025, 5, 1), viscosity_40=8.86e-6, viscosity_100=73.30e-6, index=92)
    assert "exchanged" in str(assess([swapped], Context(NOW, bounds=())).findings[0].says)
    assert computed_index(swapped) is None


def test_future_duplicates_and_nonsense_are_kept_out() -> None:
    good = Report(date(2025, 5, 1), sample="A1", elements={"Fe": 10.0})
    reports = [
        good,
        Report(date(2025, 5, 1), sample="A1", elements={"Fe": 12.0}),
        Report(date(2025, 5, 1), elements={"Fe": 10.0}),
        Report(date(2026, 5, 1), elements={"Fe": 10.0}),
        Report(date(2025, 4, 1), elements={"Fe": -1.0}),
        Report(date(2025, 4, 1), water=3.0),
        Report(date(2025, 4, 1), viscosity_40=math.nan),
    ]
    seen = assess(reports, Context(NOW, bounds=()))
    assert {(f.index, f.name) for f in seen.kept_out} == {
        (1, "duplicate"), (2, "duplicate"), (3, "date"), (4, "Fe"), (5, "water"),
        (6, "viscosity_40"),
    }  # fmt: skip
    assert [r for _, r in seen.used] == [good]


def test_cleanliness_against_what_is_wanted() -> None:
    dirty = Report(date(2025, 5, 1), particles="20/18/15")
    seen = assess([dirty], Context(NOW, bounds=(), clean="18/16/13"))
    assert seen.findings[0].level == "act"
    near = Report(date(2025, 5, 1), particles="19/16/13")
    assert assess([near], Context(NOW, bounds=(), clean="18/16/13")).findings[0].level == "caution"
    clean = Report(date(2025, 5, 1), particles="18/15/12")
    assert not assess([clean], Context(NOW, bounds=(), clean="18/16/13")).findings


def test_code_and_counts_that_disagree() -> None:
    both = Report(date(2025, 5, 1), particles="18/16/13", counts=(4000.0, 500.0, 60.0))
    [finding] = assess([both], Context(NOW, bounds=())).findings
    assert "19/16/13" in str(finding.says)
    bad = Report(date(2025, 5, 1), particles="13/16/18")
    assert "rises" in str(assess([bad], Context(NOW, bounds=())).findings[0].says)


@settings(deadline=None, max_examples=100)
@given(st.lists(st.floats(0.0, 1e4), min_size=4, max_size=30), st.floats(0.1, 10.0))
def test_robust_z_does_not_depend_on_the_unit(history: list[float], unit: float) -> None:
    value = history[0] + 7.0
    first = robust_z(history, value)
    second = robust_z(np.array(history) * unit, value * unit)
    assert second == pytest.approx(first, rel=1e-6, abs=1e-6)


def test_robust_z_bears_a_spoilt_history() -> None:
    clean = [10.0, 11.0, 9.0, 10.0, 12.0, 8.0, 10.0]
    spoilt = [*clean[:-1], 500.0]
    assert robust_z(spoilt, 20.0) > 3
    assert np.std(spoilt) > 100
    assert math.isnan(robust_z([1.0, 2.0, 3.0], 5.0))
    assert robust_z([0.0] * 5, 0.0) == 0.0
    assert robust_z([0.0] * 5, 1.0) == math.inf


@settings(deadline=None, max_examples=200)
@given(st.lists(st.floats(0.0, 3e6), min_size=3, max_size=3))
def test_a_written_code_reads_back(counts: list[float]) -> None:
    fine, middle, coarse = sorted(counts, reverse=True)
    code = code_of((fine, middle, coarse))
    assert str(read_code(str(code))) == str(code)


@pytest.mark.parametrize(
    "text", ["", "18/16", "18", "18/16/13/10", "29/16/13", "a/b/c", "-/-/-", "18/16/x", "18-16-13"]
)
def test_codes_that_cannot_be(text: str) -> None:
    if text == "18/16":
        assert str(read_code(text)) == "-/18/16"
        return
    with pytest.raises(Complaint):
        read_code(text)


@pytest.mark.parametrize("counts", [(1.0, 2.0, 0.0), (1.0, 1.0, 2.0), (-1.0, 0.0, 0.0)])
def test_counts_that_cannot_be(counts: tuple[float, float, float]) -> None:
    with pytest.raises(Complaint):
        code_of(counts)
