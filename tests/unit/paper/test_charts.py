"""Figures: their data are the numbers of the plan and the job, and they draw."""

from __future__ import annotations

import itertools
import json
import re
from dataclasses import replace
from xml.etree import ElementTree

import numpy as np
import pytest

from sumpwright.display import Display
from sumpwright.paper.charts import (
    line_ends,
    plan_chart,
    plan_rows,
    spec_json,
    spec_of,
    svg,
    worth_showing,
)
from sumpwright.paper.course_chart import course_chart, course_rows, reference_rows, sample_rows
from sumpwright.paper.look import DASHES, LOOKS, PAPER, SHAPES
from sumpwright.planning.draws import draw
from sumpwright.planning.machine import WetSystem
from sumpwright.planning.methods import METHODS
from sumpwright.planning.outcome import Wish
from sumpwright.planning.plan import make_plan
from sumpwright.planning.progress import follow_job
from sumpwright.planning.report import plan_json
from sumpwright.planning.steps import FluidStep
from sumpwright.planning.vessel import VESSEL_ERROR
from unit.paper import jobs

QUART = 0.946352946  # litres in a US liquid quart, NIST SP 811, appendix B.8


@pytest.fixture(scope="module")
def plan() -> dict[str, object]:
    sheet = jobs.carrier()
    system = sheet.machine.systems[0]
    wish = Wish(have=("lean", "air", "second-pump"))
    return plan_json(make_plan(system, sheet.offers, wish, draws=draw(system, 512)), sheet)


def whole(drawn: str) -> ElementTree.Element:
    root = ElementTree.fromstring(drawn)
    assert root.tag == "{http://www.w3.org/2000/svg}svg"
    return root


@pytest.mark.parametrize("capacity", [0.3e-3, 0.6e-3, 2e-3, 4.9e-3, 9.2e-3, 180e-3])
@pytest.mark.parametrize("width", [250, 560])
def test_the_volumes_below_the_figure_of_a_job_stand_apart(capacity: float, width: int) -> None:
    box = WetSystem("axle", "axle", jobs.one(capacity))
    course = follow_job(box, [FluidStep("drain", capacity), FluidStep("fill", capacity, batch="g")])
    drawn = svg(course_chart(course, 0.9, width=width, height=250), comma=True)
    axis = drawn.partition('role-axis-label"')[2].partition("</g>")[0]
    found = re.findall(r'translate\(([0-9.]+),[0-9.]+\)"[^>]*>([0-9,]+)</text>', axis)
    labels = [(float(at), text) for at, text in found]
    assert len(labels) >= 3
    assert "." not in "".join(text for _, text in labels)
    for (left, first), (right, second) in itertools.pairwise(labels):
        # A figure of this type is little more than half as wide as it is high, 12 px.
        assert right - left > 7 * (len(first) + len(second)) / 2 + 6, labels


def test_plan_rows_are_the_numbers_of_the_plan(plan: dict) -> None:
    rows = {(r["method"], r["cycles"]): r for r in plan_rows(plan)}
    assert len(rows) == sum(len(m["points"]) + 1 for m in plan["methods"] if m["points"])
    for method in plan["methods"]:
        for point in method["points"]:
            row = rows[method["method"], point["cycles"]]
            assert row["new"] == pytest.approx(point["new_fluid_l"], abs=1e-9)
            assert {k: row[k] for k in ("p05", "p50", "p95")} == point["fresh"]


def test_plan_figure_in_quarts(plan: dict) -> None:
    metric, us = plan_rows(plan), plan_rows(plan, Display("us"))
    for a, b in zip(metric, us, strict=True):
        assert b["new"] * QUART == pytest.approx(a["new"], rel=1e-9)
    text = svg(plan_chart(plan, Display("us")))
    assert "new fluid used, US qt" in text


def test_figure_keeps_what_matters(plan: dict) -> None:
    every = plan_rows(plan)
    kept = worth_showing(every, plan)
    assert len(kept) < len(every)
    for method in {r["method"] for r in every}:
        own = [r for r in every if r["method"] == method]
        shown = [r for r in kept if r["method"] == method]
        reached = [r for r in own if r["p50"] >= plan["target"]]
        if reached:
            assert reached[0] in shown
    best = plan["recommended"]
    assert (best["method"], best["cycles"]) in {(r["method"], r["cycles"]) for r in kept}


@pytest.mark.parametrize("look", LOOKS.values(), ids=LOOKS)
@pytest.mark.parametrize("width", [320, 640])
def test_plan_figure_draws(plan: dict, look: object, width: int) -> None:
    drawn = svg(plan_chart(plan, look=look, width=width))  # type: ignore[arg-type]
    root = whole(drawn)
    assert root.get("role") == "img"
    assert "Recommended" in (root.get("aria-label") or "")
    assert "target 90 %" in drawn
    assert "recommended" in drawn
    assert "line discharge with selector work" in drawn


def test_colour_is_never_the_only_sign(plan: dict) -> None:
    count = len(METHODS)
    assert len(set(DASHES)) == len(set(SHAPES)) == count
    for look in LOOKS.values():
        assert len(set(look.colours)) == count
    spec = spec_of(plan_chart(plan))
    styles = {
        channel: [
            layer["encoding"][channel]["scale"]["range"]
            for layer in spec["layer"]
            if "field" in layer["encoding"].get(channel, {})
        ]
        for channel in ("color", "strokeDash", "shape")
    }
    for ranges in styles.values():
        assert ranges
        assert len({json.dumps(r) for r in ranges[0]}) == len(plan["methods"])


def luminance(colour: str) -> float:
    """Relative luminance, W3C WCAG 2.2, definition of relative luminance."""
    parts = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
    linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in parts]
    return float(np.dot([0.2126, 0.7152, 0.0722], linear))


def contrast(a: str, b: str) -> float:
    high, low = sorted((luminance(a), luminance(b)), reverse=True)
    return (high + 0.05) / (low + 0.05)


@pytest.mark.parametrize(("name", "ground"), [("light", "#ffffff"), ("dark", "#12191b")])
def test_contrast(name: str, ground: str) -> None:
    # WCAG 2.2: 4.5 to 1 for text (1.4.3), 3 to 1 for lines and marks (1.4.11).
    look = LOOKS[name]
    assert contrast(look.ink, ground) >= 4.5
    assert contrast(look.quiet, ground) >= 4.5
    for colour in (look.accent, *look.colours):
        assert contrast(colour, ground) >= 3.0, colour


def test_names_never_stand_above_another() -> None:
    rng = np.random.default_rng(5)
    for _ in range(50):
        rows = [
            {"label": str(i), "new": 1.0, "p50": float(p)}
            for i, p in enumerate(rng.uniform(0, 1, 6))
        ]
        places = [end["y"] for end in line_ends(rows, 1.0, 340)]
        assert all(a - b >= 16.5 / 340 for a, b in itertools.pairwise(places))


def test_empty_plan_draws() -> None:
    whole(svg(plan_chart({"methods": [], "target": None})))


def test_course_rows_are_the_course() -> None:
    standing = jobs.standing(jobs.full())
    rows = course_rows(standing.course)
    fills = [s for s in standing.course.standings if s.step.batch]
    assert [r["cycle"] for r in rows] == [0, 1, 2, 3, 4]
    assert [r["new"] for r in rows[1:]] == pytest.approx(
        np.cumsum([s.step.volume for s in fills]) * 1e3
    )
    for row, fill in zip(rows[1:], fills, strict=True):
        assert {k: row[k] for k in ("p05", "p50", "p95")} == fill.fresh.to_json()
    assert spec_of(course_chart(standing.course))["datasets"]["course"] == rows


def test_two_pours_are_one_cycle() -> None:
    entries = [
        ("drained", {"volume": 4.0e-3}),
        ("filled", {"volume": 2.0e-3, "fluid": jobs.FLUID}),
        ("filled", {"volume": 2.1e-3, "fluid": jobs.FLUID}),
    ]
    course = jobs.standing(jobs.log(entries, jobs.carrier())).course
    rows = course_rows(course)
    assert [r["cycle"] for r in rows] == [0, 1]
    assert rows[-1]["new"] == pytest.approx(4.1)
    assert rows[-1]["p50"] == course.standings[-1].fresh.p50


def test_samples_stand_where_they_were_taken() -> None:
    standing = jobs.standing(jobs.full())
    rows = sample_rows(standing.course, standing.state.samples)
    assert [r["vial"] for r in rows] == ["0", "1", "2", "3"]
    assert [r["new"] for r in rows] == pytest.approx([0.0, 4.2, 7.4, 10.6])
    assert rows[1]["fresh"] == pytest.approx(0.48)
    # A normal error of 0.03 has a 90 % range of ± 1.645 × 0.03.
    assert rows[1]["high"] - rows[1]["low"] == pytest.approx(2 * 1.645 * 0.03, rel=1e-3)


def test_samples_that_are_left_out_are_hollow_and_named() -> None:
    standing = jobs.standing(jobs.full())
    assert standing.left_out
    doubted = {d.observation.vial for d in standing.belief.doubts}
    samples = standing.state.samples
    rows = sample_rows(standing.course, samples, left_out=standing.left_out)
    assert {r["vial"] for r in rows if not r["counts"]} == doubted
    assert any(r["counts"] for r in rows)
    drawn = svg(course_chart(standing.course, 0.9, samples, look=PAPER, left_out=standing.left_out))
    plain = svg(course_chart(standing.course, 0.9, samples, look=PAPER))
    assert "◇ left out" in drawn
    assert "◆ samples, 90 %" in drawn
    assert "◇ left out" not in plain
    assert drawn.count('fill-opacity="0"') == len(doubted)
    assert 'fill-opacity="0"' not in plain


def test_references() -> None:
    course = jobs.standing(jobs.full()).course
    rows = reference_rows(course, 12.0)
    for row in rows:
        assert 0.0 <= row["mixed"] <= row["bound"] <= 1.0
    inside = [row for row in rows if 0.0 < row["bound"] < 1.0]
    smallest = inside[0]["new"] / inside[0]["bound"] * 1e-3
    assert all(row["new"] == pytest.approx(smallest * 1e3 * row["bound"]) for row in inside)
    below = course.weights[course.draws.circuit.capacity < smallest].sum()
    assert below == pytest.approx(0.05, abs=0.005)
    for row in course_rows(course):
        assert row["p95"] <= min(1.0, row["new"] / (smallest * 1e3)) + 1e-3


@pytest.mark.parametrize("us", [False, True])
def test_a_job_left_low_stays_below_what_no_method_can_be_above(us: bool) -> None:
    sheet = jobs.carrier()
    box = replace(sheet.machine.systems[0], capacity=jobs.one(9.6e-3))
    sheet = replace(sheet, machine=replace(sheet.machine, systems=(box,)))
    entries = [
        ("drained", {"volume": 4.1e-3}),
        ("filled", {"volume": 3.0e-3, "fluid": jobs.FLUID}),
    ]
    course = jobs.standing(jobs.log(entries, sheet)).course
    show = Display("us" if us else "metric")
    rows = course_rows(course, show)
    level = show.number(9.6e-3, "volume")
    assert rows[-1]["p95"] > rows[-1]["new"] / level, "more than there could be at level"
    references = reference_rows(course, level, show)
    at = [row["new"] for row in references]
    bound = [row["bound"] for row in references]
    for row in rows:
        assert row["p95"] <= np.interp(row["new"], at, bound) + 1e-9
    # One vessel in twenty reads so low that what was 9.6 L shows as no more than this.
    as_read = 9.6e-3 / (1 + 1.645 * VESSEL_ERROR)
    assert rows[-1]["least"] == pytest.approx(show.number(as_read - 1.1e-3, "volume"), rel=1e-3)


@pytest.mark.parametrize("name", ["full", "minimal", "hostile"])
def test_course_figure_draws(name: str) -> None:
    standing = jobs.standing(getattr(jobs, name)())
    chart = course_chart(standing.course, 0.9, standing.state.samples, look=PAPER)
    assert "no method can be above" in svg(chart)
    whole(svg(chart))


def test_same_chart_same_bytes(plan: dict) -> None:
    assert spec_json(plan_chart(plan)) == spec_json(plan_chart(plan))
    assert svg(plan_chart(plan)) == svg(plan_chart(plan))


def test_page_text_cannot_close_a_script() -> None:
    entries = [
        ("drained", {"volume": 4.0e-3}),
        ("sampled", {"vial": "</script>", "cycle": 0, "old_share": 0.5}),
    ]
    standing = jobs.standing(jobs.log(entries, jobs.carrier()))
    chart = course_chart(standing.course, 0.9, standing.state.samples)
    text = spec_json(chart)
    assert "</script>" not in text
    assert json.loads(text)["datasets"]["samples"][0]["vial"] == "</script>"
