from __future__ import annotations

from typing import Any, get_args

import pytest

from sumpwright.display import Display
from sumpwright.records.bodies import Kind, check_body
from sumpwright.records.wording import describe, describe_among
from yardkit import FLUID, OPENED, Log

CASES: list[tuple[str, dict[str, Any], str, str | None]] = [
    (
        "opened",
        OPENED,
        "opened on the gearbox: drain and refill, with a drive between, target 90 % fresh",
        None,
    ),
    (
        "drained",
        {"volume": 0.0041, "temperature": 318.15, "leaned": True},
        "drained 4.10 L, at 45 °C, leaned",
        "drained 4.33 US qt, at 113 °F, leaned",
    ),
    (
        "filled",
        {"volume": 0.0043, "fluid": FLUID, "price": 49.0},
        "filled 4.30 L of Cable Green 7, for 49.00 Kr",
        None,
    ),
    (
        "discharged",
        {"volume": 0.0019, "seconds": 41.2},
        "discharged 1.90 L through the cooler line, in 41 s",
        None,
    ),
    ("exchanged", {"volume": 0.009, "fluid": FLUID}, "exchanged for 9.00 L of Cable Green 7", None),
    ("purged", {"share": 0.5}, "pushed 50 % of the cooler loop out with air", None),
    ("worked", {"sweeps": 1}, "worked the selector through 1 sweep", None),
    ("drove", {"distance": 9000.0, "seconds": 1200.0}, "drove 9 km, for 20 min", None),
    ("drove", {}, "drove", None),
    ("circulated", {"volume": 0.001}, "circulated 1.00 L", None),
    ("lost", {"volume": 5e-5}, "run out or spilt: 50 mL", None),
    ("lost", {"volume": 5e-5, "step": "level"}, "ran out at the level opening: 50 mL", None),
    (
        "sampled",
        {"vial": "new", "cycle": 0, "step": "sample.new"},
        "sample new of the new fluid",
        None,
    ),
    ("sampled", {"vial": "0", "cycle": 0}, "sample 0 of the fluid before", None),
    ("did", {"step": "check.2w"}, "done: Clear to start", None),
    (
        "read",
        {"what": "temperature", "value": 314.65, "unit": "K"},
        "read temperature: 41.5 °C",
        None,
    ),
    ("read", {"what": "odometer", "value": 1.2e8, "unit": "m"}, "read odometer: 120000 km", None),
    ("read", {"what": "hours", "value": 7200.0, "unit": "s"}, "read hours: 2.0 h", None),
    ("read", {"what": "height", "value": 0.012, "unit": "m"}, "read height: 12 mm", None),
    ("read", {"what": "colour", "value": 3.5, "unit": "ASTM"}, "read colour: 3.5 ASTM", None),
    (
        "tightened",
        {"plug": "drain", "torque": 27.0, "target": 27.0, "new_seal": True, "marked": True},
        "tightened the drain plug to 27.0 N·m, target 27.0 N·m, new seal, marked",
        "tightened the drain plug to 19.9 lbf·ft, target 19.9 lbf·ft, new seal, marked",
    ),
    (
        "tightened",
        {"plug": "fill plug", "torque": 39.0},
        "tightened the fill plug to 39.0 N·m",
        None,
    ),
    (
        "sampled",
        {"vial": "B", "cycle": 2, "old_share": 0.31, "standard_error": 0.02, "note": "clear"},
        "sample B after cycle 2, 31 % old ± 2.0 %, clear",
        None,
    ),
    ("did", {"step": "stands set"}, "done: stands set", None),
    ("overrode", {"step": "visor", "reason": "goggles"}, "went past: visor (goggles)", None),
    ("decided", {"cycles": 1, "step": "decide.1"}, "decided on 1 cycle in all", None),
    ("adopted", {"name": "Vans"}, "took over the kept steps “Vans”", None),
    ("photographed", {"attachment": "0" * 64}, "photograph", None),
    (
        "logged",
        {
            "attachment": "0" * 64,
            "what": "temperature",
            "readings": 1234,
            "lowest": 285.15,
            "highest": 315.15,
            "seconds": 1800.0,
            "source": "gearbox",
        },
        "log of the temperature: 1 234 readings in 30 min, 12 °C to 42 °C, gearbox",
        None,
    ),
    ("noted", {"text": "cold"}, "note: cold", None),
    ("reversed", {"event": "01890a5d-ac96-774b-bcce-b302099a8057"}, "undid an entry", None),
    ("signal", {"to": "seat", "instruction": "start"}, "called the seat: start", None),
    (
        "acknowledged",
        {"signal": "01890a5d-ac96-774b-bcce-b302099a8057"},
        "answered a call",
        None,
    ),
    ("closed", {"odometer": 1.3e8, "summary": "well"}, "closed, odometer 130000 km, well", None),
]


@pytest.mark.parametrize(("kind", "body", "metric", "us"), CASES)
def test_an_entry_in_words(kind: str, body: dict[str, Any], metric: str, us: str | None) -> None:
    event = Log().add(kind, check_body(kind, body))
    assert describe(event, Display(currency="Kr")) == metric
    if us is not None:
        assert describe(event, Display("us")) == us


def test_every_kind_has_its_words() -> None:
    assert {case[0] for case in CASES} == set(get_args(Kind))
    assert describe(Log().add("weighed", {"mass": 3.0})) == "weighed"


def test_an_undo_says_what_it_undid_however_often_it_is_turned_round() -> None:
    log = Log()
    entry = log.add("drained", {"volume": 0.0041})
    says = []
    for _ in range(4):
        entry = log.add("reversed", {"event": entry.id})
        says.append(describe_among(entry, {e.id: e for e in log.events}, Display("us")))
    assert says == ["undid: drained 4.33 US qt", "in force again: drained 4.33 US qt"] * 2


def test_an_answer_says_to_which_call() -> None:
    log = Log()
    call = log.add("signal", {"to": "seat", "instruction": "Start"})
    answer = log.add("acknowledged", {"signal": call.id})
    undo = log.add("reversed", {"event": answer.id})
    by_id = {e.id: e for e in log.events}
    assert describe_among(answer, by_id) == "answered: Start"
    assert describe_among(undo, by_id) == "undid: answered: Start"
    assert describe_among(undo, {}) == "undid an entry"
