"""The job card: one page, with every caution that the steps carry."""

from __future__ import annotations

import io
import re
from dataclasses import replace
from functools import cache

import pytest
from pypdf import PdfReader

from sumpwright.display import Display
from sumpwright.paper.card import card_pdf, card_view, groups
from sumpwright.planning.draws import draw
from sumpwright.planning.machine import Machine, Offer, Plug, Sheet, WetSystem
from sumpwright.planning.methods import METHODS
from sumpwright.planning.outcome import Wish
from sumpwright.planning.plan import Plan, make_plan
from sumpwright.planning.steps_of_job import steps_for
from unit.paper import jobs

HAVE = ("lean", "air", "second-pump")


@cache
def plan_by(sheet: Sheet, method: str, target: float) -> Plan:
    system = sheet.machine.systems[0]
    wish = Wish(target, have=HAVE, methods=(method,) if method else None)
    return make_plan(system, sheet.offers, wish, draws=draw(system, 256))


def planned(sheet: Sheet, method: str = "", target: float = 0.9) -> Plan:
    return plan_by(sheet, method, target)


def text_of(pdf: bytes) -> str:
    text = "\n".join(page.extract_text() for page in PdfReader(io.BytesIO(pdf)).pages)
    return re.sub(r"\s+", " ", text.replace("\u200b", ""))


def axle() -> Sheet:
    system = WetSystem(
        "rear axle",
        "axle",
        jobs.one(2.0e-3),
        drain=jobs.one(1.8e-3),
        fluid="Hill Oil",
        plugs=(Plug("drain", jobs.one(30.0)), Plug("fill", jobs.one(30.0), "O-ring", "24 mm hex")),
    )
    return Sheet(Machine("Van 1", (system,)), offers=(Offer("Hill Oil", "Yard store", 1e-3, 9.0),))


def test_one_page_for_a_drain() -> None:
    for sheet, target, paper in (
        (axle(), 0.85, "a4"),
        (axle(), 0.85, "us-letter"),
        (jobs.carrier(), 0.9, "a4"),
    ):
        plan = planned(sheet, "drain-and-refill", target)
        pdf = card_pdf(plan, sheet, paper=paper, at=jobs.PRINTED)  # type: ignore[arg-type]
        assert len(PdfReader(io.BytesIO(pdf)).pages) == 1


@pytest.mark.parametrize("method", [m.name for m in METHODS])
def test_every_caution_is_on_the_card(method: str) -> None:
    sheet, display = jobs.carrier(), Display("us" if "purge" in method else "metric")
    plan = planned(sheet, method)
    pdf = card_pdf(plan, sheet, display, at=jobs.PRINTED)
    assert len(PdfReader(io.BytesIO(pdf)).pages) <= 2
    text = text_of(pdf)
    steps = steps_for(plan.system, plan.chosen.method, plan)
    cautions = {step.caution.say(display) for step in steps if step.caution is not None}
    assert len(cautions) > 12
    for caution in cautions:
        assert caution in text, caution


def test_the_heads_of_the_torques_stand_beside_one_another() -> None:
    sheet = jobs.carrier()
    found: dict[str, tuple[float, float]] = {}

    def note(text: str, cm: list[float], _tm: list[float], _font: object, size: float) -> None:
        found.setdefault(text.strip(), (cm[4], size))

    pdf = card_pdf(planned(sheet), sheet, Display("us"), at=jobs.PRINTED)
    for page in PdfReader(io.BytesIO(pdf)).pages:
        page.extract_text(visitor_text=note)
    (left, size), (right, _) = found["tightened"], found["new seal"]
    # As wide as the word is set in this type, and the room on both sides of a line.
    assert right - left > 0.47 * size * len("tightened") + 6


def test_a_card_with_decimal_commas() -> None:
    sheet = jobs.carrier()
    text = text_of(card_pdf(planned(sheet), sheet, Display("us"), comma=True, at=jobs.PRINTED))
    assert re.search(r"Never run past [0-9]+,[0-9]+ US qt", text)
    assert not re.search(r"[0-9]\.[0-9]", text)


def test_card_carries_numbers_to_act_on() -> None:
    sheet = jobs.carrier()
    plan = planned(sheet, "line-discharge")
    text = text_of(card_pdf(plan, sheet, Display(currency="EUR"), at=jobs.PRINTED))
    for said in (
        "Mark on the bottle 3.30 L",
        "Never run past 3.30 L",
        "38 °C and 46 °C",
        "Torque wrench",
        "drain 27.0",
        "fill 50.0–55.0",
        "level 31.0",
        "service manual goes first",
        "Invented data",
        "EUR",
        f"cycles {plan.point.cycles}",
    ):
        assert said in text, said


def test_unknown_torque_is_left_to_the_manual() -> None:
    sheet = axle()
    system = replace(sheet.machine.systems[0], plugs=())
    sheet = replace(sheet, machine=Machine("Van 1", (system,)))
    view = card_view(planned(sheet, target=0.85), sheet, Display())
    assert view["torques"] == [{"plug": "drain", "value": ""}, {"plug": "fill", "value": ""}]


def engine() -> Sheet:
    system = WetSystem("engine", "engine", jobs.one(3.2e-3), drain=jobs.one(2.9e-3))
    return Sheet(Machine("Generator 1", (system,)))


CASES = [(jobs.carrier(), method.name) for method in METHODS] + [(engine(), "drain-and-refill")]


@pytest.mark.parametrize(("sheet", "method"), CASES)
@pytest.mark.parametrize("cycles", [1, 2, 4])
def test_groups_lose_no_act(sheet: Sheet, method: str, cycles: int) -> None:
    plan = planned(sheet, method)
    steps = steps_for(plan.system, plan.chosen.method, plan, cycles)
    line = plan.chosen.method.line
    shown = {s.id.partition(".")[0] for _, rows in groups(steps, cycles, line) for s in rows}
    # Samples have a column, and what every start needs has a box of its own.
    assert {s.id.partition(".")[0] for s in steps} - shown <= {"sample", "check", "ready"}


def test_hostile_names() -> None:
    sheet = jobs.hostile()[0].body["sheet"]
    from sumpwright.records.snapshot import sheet_from_plain

    read = sheet_from_plain(sheet)
    pdf = card_pdf(planned(read, "drain-and-refill"), read, at=jobs.PRINTED)
    assert "#strike[x]" in text_of(pdf).replace(" ", "")


def test_same_plan_same_bytes() -> None:
    sheet = axle()
    first, second = (
        card_pdf(planned(sheet, target=0.85), sheet, at=jobs.PRINTED) for _ in range(2)
    )
    assert first == second
