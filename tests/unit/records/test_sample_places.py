"""What a sample is a sample of: as its entry says, or as what happened last tells."""

from __future__ import annotations

from typing import Any

import pytest

from sumpwright.planning.belief import predicted
from sumpwright.planning.draws import draw
from sumpwright.planning.job_step import Step
from sumpwright.planning.machine import Machine, Plug, Sheet, Span, WetSystem
from sumpwright.planning.methods import METHODS, applicable
from sumpwright.planning.outcome import Wish
from sumpwright.planning.plan import make_plan
from sumpwright.planning.steps_of_job import steps_for
from sumpwright.records.fold import fold
from sumpwright.records.standing import job_standing, observations, observed
from sumpwright.records.state import Sample
from unit.paper import jobs as printed

Entry = tuple[str, dict[str, Any]]

OUT: Entry = ("drained", {"volume": 4.1e-3})
IN: Entry = ("filled", {"volume": 4.1e-3, "fluid": printed.FLUID})
BOTTLE: Entry = ("discharged", {"volume": 2e-3})
DRIVE: Entry = ("drove", {})
WORK: Entry = ("worked", {"sweeps": 3})
START: Entry = ("did", {"step": "start.level"})
STOP: Entry = ("did", {"step": "stop.level"})
VIAL: Entry = ("sampled", {"vial": "A", "cycle": 1})


def only_sample(*entries: Entry) -> Sample:
    (sample,) = fold(printed.log(entries, printed.carrier())).samples
    return sample


@pytest.mark.parametrize(
    ("before", "place", "ran"),
    [
        ((), "out", False),
        ((OUT,), "out", False),
        # The vessel with what came out still stands there; the sump is no mixture yet.
        ((OUT, IN), "out", False),
        ((OUT, IN, DRIVE), "sump", False),
        ((OUT, IN, WORK), "sump", False),
        ((OUT, IN, START), "sump", True),
        ((OUT, IN, START, STOP), "sump", True),
        ((OUT, IN, DRIVE, OUT), "out", False),
        ((OUT, IN, WORK, BOTTLE), "out", False),
        ((OUT, IN, START, STOP, BOTTLE), "out", False),
        # Entered before the stop was: still of the bottle.
        ((OUT, IN, START, BOTTLE), "out", True),
        ((OUT, IN, START, ("lost", {"volume": 1e-4})), "sump", True),
    ],
)
def test_without_a_word_what_happened_last_decides(
    before: tuple[Entry, ...], place: str, ran: bool
) -> None:
    sample = only_sample(*before, VIAL)
    assert (sample.taken_from, sample.ran) == (place, ran)


@pytest.mark.parametrize("place", ["out", "stream", "sump"])
def test_what_the_entry_says_goes_first_and_stays_when_measured_later(place: str) -> None:
    said = ("sampled", {**VIAL[1], "taken_from": place})
    assert only_sample(OUT, IN, said).taken_from == place
    later = {**VIAL[1], "old_share": 0.5, "standard_error": 0.03, "method": "colour"}
    measured = only_sample(OUT, IN, START, said, STOP, OUT, IN, DRIVE, ("sampled", later))
    assert (measured.taken_from, measured.after, measured.ran) == (place, 2, True)
    assert observed(measured, 0.5).ran
    corrected = only_sample(OUT, said, ("sampled", {**later, "taken_from": "stream"}))
    assert (corrected.taken_from, corrected.after) == ("stream", 1)


def test_the_same_photograph_twice_is_one() -> None:
    rows = [
        ("photographed", {"attachment": "ab", "caption": "old fluid at the left"}),
        ("photographed", {"attachment": "cd"}),
        ("photographed", {"attachment": "ab", "caption": "old fluid at the right"}),
    ]
    state = fold(printed.log(rows, printed.carrier()))
    assert [(p.attachment, p.caption) for p in state.photographs] == [
        ("ab", "old fluid at the right"),
        ("cd", ""),
    ]


# The program's own steps


def systems() -> list[WetSystem]:
    one = Span
    gearbox = WetSystem(
        "gearbox",
        "torque-converter automatic",
        one(9.2e-3, 9.2e-3),
        one(4.1e-3, 4.1e-3),
        sump=one(4.8e-3, 4.8e-3),
        cooler_loop=one(0.7e-3, 0.7e-3),
        pickup_reserve=one(1.5e-3, 1.5e-3),
        fluid=printed.FLUID,
        plugs=(Plug("drain", one(27.0, 27.0)), Plug("fill", one(50.0, 50.0))),
    )
    others = [
        WetSystem(kind, kind, one(6e-3, 6e-3), one(4e-3, 4e-3), fluid=printed.FLUID)
        for kind in ("axle", "engine", "power steering", "hydraulic system", "other")
    ]
    return [gearbox, *others]


def taken(step: Step, net: float) -> Entry:
    """What a hand that finds everything as expected enters at a step."""
    entry, here = step.entry, {"step": step.id}
    amount = entry.expected.mid if entry.expected else 0.1e-3
    if entry.kind == "volume out":
        return (entry.event, {"volume": amount, **here})
    if entry.kind == "volume in" and net < 0:
        return ("filled", {"volume": -net, "fluid": printed.FLUID, **here})
    if entry.kind == "exchange":
        return ("exchanged", {"volume": amount, "fluid": printed.FLUID, **here})
    if entry.kind == "purge":
        return ("purged", {"share": 0.5, "volume": 0.3e-3, **here})
    if entry.kind == "work":
        return ("worked", {"sweeps": 3, **here})
    if entry.kind == "drive":
        return ("drove", here)
    if entry.kind == "sample":
        assert entry.taken_from in ("out", "sump") or step.id == "sample.new"
        return ("sampled", {"vial": entry.subject, "cycle": entry.for_cycle, **here})
    return ("did", here)


@pytest.mark.parametrize("system", systems(), ids=lambda s: s.kind)
def test_every_sample_that_a_step_asks_for_counts(system: WetSystem) -> None:
    wish = Wish(have=("lean", "air", "second-pump"), cycles=3)
    draws = draw(system, 64)
    plan = make_plan(system, wish=wish, draws=draws)
    sheet = Sheet(Machine("Carrier 2", (system,)))
    for method in METHODS:
        if applicable(method, system, draws.safe):
            continue
        steps = steps_for(system, method, plan, 3)
        entries: list[Entry] = []
        for step in steps:
            net = fold(printed.log(entries, sheet)).volume_change if step.entry.evens else 0.0
            entries.append(taken(step, net))
        state = fold(printed.log(entries, sheet, method=method.name))
        vials = [s.entry for s in steps if s.kind == "sample"]
        assert [vial.subject for vial in vials] == ["new", "0", "1", "2", "3"]
        asked = {vial.subject: vial.taken_from for vial in vials[1:]}
        # The log alone tells what the step says, so that logs without the word mean the same.
        assert {s.vial: s.taken_from for s in state.samples if s.vial != "new"} == asked

        course = job_standing(state, draws=draws).course
        measured: list[Entry] = []
        samples = {s.vial: s for s in state.samples}
        for kind, body in entries:
            if kind == "sampled" and body["vial"] in asked:
                model = predicted(course, observed(samples[body["vial"]], 0.5))
                assert model is not None
                share = float(course.weights @ model)
                body = {**body, "old_share": min(share, 1.0), "standard_error": 0.02}
            measured.append((kind, body))
        standing = job_standing(fold(printed.log(measured, sheet, method=method.name)), draws=draws)
        assert standing.left_out == {}, method.name
        assert len(standing.belief.used) == 4
        shares = [o.old_share for o in observations(standing.state)]
        assert shares == sorted(shares, reverse=True), method.name
