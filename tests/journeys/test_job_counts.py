"""That the screens, without network, count as the server does."""

from __future__ import annotations

import random
from collections.abc import Callable, Iterator
from typing import Any

import pytest

from jobkit import Contexts, Server
from sumpwright.display import Display
from sumpwright.errors import Complaint
from sumpwright.physics.torque import wrench_setting
from sumpwright.planning.engine import EngineState, turns_of
from sumpwright.planning.job_run import learnt_flow
from sumpwright.planning.job_step import Situation, holding
from sumpwright.records.state import RANGE_TOLERANCE, TORQUE_TOLERANCE
from sumpwright.units import parse_quantity
from sumpwright.web.views.asks import with_unit
from sumpwright.web.views.bay import limits_data, seals_data, units_data
from sumpwright.web.views.show import Show
from sumpwright.web.views.typed import read_clear

FLUID = "Cable Green 7"

ENGINE: list[EngineState] = ["off", "called", "running", "stopping"]
STEPS = ("check.2", "ready.2", "start.2", "stop.2", "bump", "outlet", "level", "drain.1", "drive.1")
OPENING = (
    "fill-plug.1",
    "drain.2",
    "drain-plug.1",
    "drain-plug.2",
    "close.1",
    "place.1",
    "place.2",
    "lean.1",
    "unlean.1",
    "line-open",
    "line-closed",
    "torque.2",
    "torque.3",
    "leak-check",
    "recheck",
)


@pytest.fixture
def ask(working: Server, browser_context: Contexts) -> Callable[[str, Any], Any]:
    """Call a function of one of the screens' modules in a real browser."""
    page = browser_context().new_page()
    page.goto(f"{working.address}/help")

    def call(code: str, given: Any) -> Any:
        return page.evaluate(
            f"""async (given) => {{
              const fold = await import('/static/job/fold.js');
              const numbers = await import('/static/job/numbers.js');
              const {{ uuid7 }} = await import('/static/job/uuid7.js');
              return ({code})(given);
            }}""",
            given,
        )

    return call


def logs() -> Iterator[list[tuple[str, dict[str, Any]]]]:
    """Job logs of every kind, undone and brought back."""
    rng = random.Random(7)
    for _ in range(120):
        log: list[tuple[str, dict[str, Any]]] = []
        for n in range(rng.randint(1, 40)):
            volume = rng.choice([0.0041, 0.002, 0.00037, 0.0021])
            id = rng.choice(STEPS + OPENING)
            step = {"step": id} if rng.random() < 0.6 else {}
            turns = rng.choice(["", "on", "off", "pulse"])
            log.append(
                rng.choice(
                    [
                        ("drained", {"volume": volume, **step}),
                        ("filled", {"volume": volume, "fluid": FLUID, **step}),
                        ("discharged", {"volume": volume, "seconds": 41.5, **step}),
                        ("exchanged", {"volume": volume, "fluid": FLUID, **step}),
                        ("purged", {"volume": volume, "share": 0.5, **step}),
                        ("lost", {"volume": volume, **step}),
                        ("read", {"what": "temperature", "value": 300.0 + n, "unit": "K"}),
                        ("noted", {"text": "x", "step": "s.1"}),
                        ("did", {"step": id}),
                        ("did", {"step": id}),
                        ("did", {"step": id}),
                        (
                            "tightened",
                            {"plug": rng.choice(["Drain", "level ", "x"]), "torque": 20.0},
                        ),
                        ("overrode", {"step": id, "also": [f"{id}/most"], "reason": "why"}),
                        ("overrode", {"step": f"{id}/balance", "reason": "why"}),
                        ("decided", {"cycles": rng.randint(1, 8)}),
                        ("signal", {"to": "seat", "instruction": "x", "turns": turns, **step}),
                        ("acknowledged", {"signal": n - rng.randint(1, 4), **step}),
                        ("acknowledged", {"signal": n - rng.randint(1, 4), **step}),
                        ("reversed", {"event": n - rng.randint(1, 4)}),
                    ]
                )
            )
        yield log


def test_the_screen_folds_a_log_as_the_server_does(ask: Callable[[str, Any], Any]) -> None:
    from sumpwright.planning.openings import closed_at, opened_at
    from sumpwright.records.fold import fold
    from sumpwright.records.job_run import decided_cycles, flow_of, situation_of, to_undo
    from yardkit import Log, carrier

    box = carrier().machine.systems[0]
    steps = [
        {"id": id, "opens": opened_at(id, box), "closes": closed_at(id, box)}
        for id in STEPS + OPENING
    ]
    assert {o for s in steps for o in s["closes"]} == {o for s in steps for o in s["opens"]}
    for acts in logs():
        log = Log()
        for kind, body in acts:
            if kind == "reversed":
                place = int(body["event"])
                targets = [e for e in log.events[1:] if e.kind != "opened"]
                if not targets:
                    continue
                body = {"event": targets[place % len(targets)].id}
            if kind == "acknowledged":
                calls = [e for e in log.events if e.kind == "signal"]
                if not calls:
                    continue
                body = {**body, "signal": calls[int(body["signal"]) % len(calls)].id}
            log.add(kind, body)
        state = fold(log.events)
        situation = situation_of(state)
        plain = [
            {**e.plain(), "body": {} if e.kind == "opened" else dict(e.body)} for e in log.events
        ]
        told = ask(
            """({events, turns, steps, plugs}) => {
              const s = fold.fold(events, {loop: 0.0007, turns, steps, plugs});
              return {opened: [...s.opened].sort(), done: s.done, passed: [...s.passed].sort(),
                net: s.net, out: s.out, in: s.in, lost: s.lost, cycles: s.cycles,
                temperature: s.temperature, decided: s.decided,
                engine: s.engine, levelSet: s.levelSet,
                pending: [...s.signals.values()].filter((c) => !c.settled).map((c) => c.event.id),
                undo: s.undo?.id ?? null, seconds: fold.secondsTo(0.0015, s.bottles),
                effective: s.effective.map((e) => e.id)};
            }""",
            {
                "events": plain,
                "turns": {id: turns_of(id) for id in STEPS + OPENING if turns_of(id)},
                "steps": steps,
                "plugs": [plug.name for plug in box.plugs],
            },
        )
        flow = flow_of(state)
        last = to_undo(state)
        assert told["done"] == list(state.done)
        assert told["opened"] == sorted(state.opened)
        assert told["passed"] == sorted(situation.passed)
        assert told["effective"] == [e.id for e in state.effective]
        assert told["net"] == pytest.approx(state.volume_change, abs=1e-12)
        assert told["out"] == pytest.approx(state.balance.total_out, abs=1e-12)
        assert told["in"] == pytest.approx(state.balance.total_in, abs=1e-12)
        assert told["lost"] == pytest.approx(state.balance.lost, abs=1e-12)
        assert told["cycles"] == state.cycles
        assert told["engine"] == state.engine
        assert told["pending"] == [e.id for e in state.pending]
        assert told["levelSet"] == state.level_set
        assert told["temperature"] == situation.temperature
        assert told["decided"] == decided_cycles(state)
        assert told["undo"] == (last.id if last else None)
        if flow is None:
            assert told["seconds"] is None
        else:
            assert told["seconds"] == pytest.approx(flow.seconds_to(0.0015))


def test_the_screen_holds_steps_back_as_the_server_does(ask: Callable[[str, Any], Any]) -> None:
    from sumpwright.planning.job_run import in_force, running_steps, upcoming
    from sumpwright.planning.machine import Span, WetSystem
    from sumpwright.planning.methods import METHODS
    from sumpwright.planning.outcome import Wish
    from sumpwright.planning.plan import make_plan

    box = WetSystem(
        "gearbox",
        "automatic",
        Span(9e-3, 9.6e-3),
        Span(4e-3, 4.1e-3),
        window=(311.15, 319.15),
        fluid=FLUID,
    )
    plan = make_plan(box, (), Wish(methods=("line-discharge",)))
    steps = running_steps(box, METHODS[2], plan, 3)
    shorter = running_steps(box, METHODS[2], plan, 1)
    rng = random.Random(3)
    cases = []
    for _ in range(40):
        passed = {s.id for s in steps if rng.random() < 0.7}
        conditions = ["start.2/balance", "check.3/excess", "work.2/engine", "start.2/engine"]
        for condition in (*conditions, "leak-check/drain", "start.level/line", "start.3/drain"):
            passed |= {condition} if rng.random() < 0.3 else set()
        balance = rng.choice([0.0, -0.0001, -0.001, -0.004, 0.0001, 0.0014])
        engine = rng.choice(ENGINE)
        temperature = rng.choice([None, 290.0, 315.0, 330.0])
        skipped = {s.id for s in steps if s.optional and rng.random() < 0.5}
        opened = {o for o in ("drain", "fill", "level", "line") if rng.random() < 0.4}
        cases.append((passed, balance, temperature, engine, skipped, opened))
    told = ask(
        """({steps, shorter, cases}) => cases.map(([passed, net, temperature, engine, skip, o]) => {
          const state = {passed: new Set(passed), net, temperature, engine, opened: new Set(o)};
          return {
            force: fold.inForce(shorter, steps, state).map(
              (s) => [s.id, s.holds.map((h) => h.step)]),
            held: steps.map((step) => fold.holding(step, state).map((hold) => hold.why)),
            next: fold.upcoming(steps, state.passed, new Set(skip))?.id ?? null,
          };
        })""",
        {
            "steps": [step.to_json() for step in steps],
            "shorter": [step.to_json() for step in shorter],
            "cases": [[sorted(p), b, t, e, sorted(s), sorted(o)] for p, b, t, e, s, o in cases],
        },
    )
    for case, said in zip(cases, told, strict=True):
        passed, balance, temperature, engine, skipped, opened = case
        situation = Situation(frozenset(passed), balance, temperature, engine, frozenset(opened))
        force = in_force(shorter, steps, situation)
        assert said["force"] == [[s.id, [h.step or None for h in s.holds]] for s in force]
        assert said["held"] == [[str(h.why) for h in holding(s, situation)] for s in steps]
        following = upcoming(steps, passed, skipped)
        assert said["next"] == (following.id if following else None)


def test_the_screen_reads_numbers_and_sets_wrenches_as_the_server_does(
    ask: Callable[[str, Any], Any],
) -> None:
    texts = ["4.1", "4,1", "0.07", "12", ".5", "1,234", "7."]
    litres = {"scale": 1000.0, "shift": 0.0, "comma": True}
    told = ask(
        "({texts, unit}) => texts.map((t) => numbers.toSI(t, unit))",
        {"texts": texts, "unit": litres},
    )
    assert told == [parse_quantity(f"{float(t.replace(',', '.'))} L", "volume") for t in texts]
    celsius = {"scale": 1.0, "shift": -273.15}
    assert ask("(unit) => numbers.toSI('41,5', unit)", celsius) == pytest.approx(314.65)
    assert (
        ask("(unit) => ['', 'x', '4.1.2', '-3', '1e5'].map((t) => numbers.toSI(t, unit))", litres)
        == [None] * 5
    )
    assert ask("(args) => numbers.wrenchSetting(...args)", [27.0, 0.45, 0.05]) == pytest.approx(
        float(wrench_setting(27.0, 0.45, 0.05))
    )
    assert ask("(args) => numbers.wrenchSetting(...args)", [27.0, 0.45, None]) is None


def test_the_screen_asks_which_number_is_meant_as_a_plain_form_does(
    ask: Callable[[str, Any], Any],
) -> None:
    texts = ["12.345", "12,345", "12.380,5", "12,380.5", "187 426", "1 234,5", "1.234.567", "1’200"]
    texts += ["0,125", "4,10", "12345", "1.2.3", "1 2 3", "7.", "12.345 ft", "4,125 cm", ",5"]
    for comma in (False, True):
        show = Show(Display(), comma)
        for dimension in ("distance", "length", "volume"):
            told = ask(
                """({texts, unit, comma}) => texts.map((t) =>
                  [numbers.toSI(t, unit), numbers.whyNot(t, unit, comma)])""",
                {"texts": texts, "unit": units_data(show)[dimension], "comma": comma},
            )
            for text, (value, why) in zip(texts, told, strict=True):
                try:
                    want = read_clear(with_unit(text, dimension, show), dimension, show.display)
                except Complaint as complaint:
                    assert value is None, (text, dimension, comma)
                    if "can mean" in complaint.what:
                        said = f"{complaint.what}: {complaint.do}"
                        assert why.replace("‘", "'").replace("’", "'") == said
                else:
                    assert value == pytest.approx(want), (text, dimension, comma)
    miles = units_data(Show(Display("us"), comma=True))["distance"]
    assert ask("(unit) => numbers.shown(19868959, unit, true)", miles) == "12 346 mi"


def test_the_screen_reads_units_as_the_server_does(ask: Callable[[str, Any], Any]) -> None:
    for dimension, texts in (
        ("length", ["12 in", '12"', "30,5 cm", "0.4 m", "1 ft"]),
        ("volume", ["4.1 L", "4,3 US qt", "4100 ml", "1 imp gal"]),
        ("torque", ["27 N·m", "20 lbf ft", "2,7 kgf.m"]),
        ("temperature", ["41 °C", "106 F", "314 K"]),
    ):
        unit = units_data(Show(Display()))[dimension]
        told = ask(
            "({texts, unit}) => texts.map((t) => numbers.toSI(t, unit))",
            {"texts": texts, "unit": unit},
        )
        assert told == pytest.approx([parse_quantity(text, dimension) for text in texts])
    length = units_data(Show(Display()))["length"]
    said = ask(
        "({texts, unit}) => texts.map((t) => numbers.whyNot(t, unit, false))",
        {"texts": ["abc", "-400", "4 kg", "12 in", ""], "unit": length},
    )
    assert [bool(words) for words in said] == [True, True, True, False, False]


def test_the_screen_asks_which_quart_is_meant_as_a_plain_form_does(
    ask: Callable[[str, Any], Any],
) -> None:
    texts = ["4 qt", "4.3quarts", "2 pt", "1.5 gal", "12 fl. oz", "12 fl oz"]
    both = """({texts, unit}) => texts.map((t) =>
      [numbers.toSI(t, unit), numbers.whyNot(t, unit, false)])"""
    metric, us = (units_data(Show(Display(system)))["volume"] for system in ("metric", "us"))
    for text, (value, why) in zip(texts, ask(both, {"texts": texts, "unit": metric}), strict=True):
        with pytest.raises(Complaint) as told:
            read_clear(text, "volume", Display())
        said = f"{told.value.what}: {told.value.do}"
        assert (value, why.replace("‘", "'").replace("’", "'")) == (None, said)
    for text, (value, why) in zip(texts, ask(both, {"texts": texts, "unit": us}), strict=True):
        assert value == pytest.approx(read_clear(text, "volume", Display("us")))
        assert why == ""


def test_the_screen_doubts_what_the_server_doubts(ask: Callable[[str, Any], Any]) -> None:
    from sumpwright.planning.job_run import asked_by, running_steps, upcoming
    from sumpwright.planning.methods import METHODS
    from sumpwright.planning.outcome import Wish
    from sumpwright.planning.plan import make_plan
    from sumpwright.records.content import most_by_sheet, most_possible
    from sumpwright.records.doubts import doubts
    from sumpwright.records.fold import fold
    from sumpwright.records.job_run import situation_of
    from yardkit import Log

    rng = random.Random(11)
    log = Log()
    system = fold(log.events).system
    assert system is not None
    plan = make_plan(system, (), Wish(methods=("line-discharge",)))
    steps = running_steps(system, METHODS[2], plan, 3)
    meters = {"odometer": 1.25e8, "hours": 7.2e6}
    fluids = [system.fluid, f" {system.fluid.upper()}", "Summit 3"]
    log.add("read", {"what": "odometer", "value": 1.2e8, "unit": "m"})
    for step in steps[:60]:
        if rng.random() < 0.8:
            log.add("did", {"step": step.id})
        if rng.random() < 0.2:
            log.add("drained", {"volume": 0.0003})
        state = fold(log.events)
        situation = situation_of(state)
        current = upcoming(steps, situation.passed)
        kind = rng.choice(["drained", "filled", "discharged", "worked", "drove", "lost", "purged"])
        torque = rng.choice([20.0, 23.0, 27.0, 31.0, 31.1, 270.0])
        entries = [
            ("tightened", {"plug": "Drain ", "torque": torque}),
            ("tightened", {"plug": "drain", "torque": torque, "new_seal": True}),
            ("tightened", {"plug": "level", "torque": torque}),
            ("tightened", {"plug": "fill", "torque": torque, "target": 30.0}),
            ("discharged", {"volume": rng.choice([0.001, 0.0033, 0.0034, 0.0049])}),
            ("drained", {"volume": rng.choice([0.001, 0.004, 0.0049])}),
            ("drained", {"volume": rng.choice([0.0049, 0.0093]), "leaned": True}),
            ("lost", {"volume": rng.choice([0.004, 0.0093])}),
            ("filled", {"volume": rng.choice([0.001, 0.004, 0.02]), "fluid": rng.choice(fluids)}),
            ("exchanged", {"volume": 0.002, "fluid": rng.choice(fluids)}),
            ("read", {"what": "odometer", "value": rng.choice([1.1e8, 1.2e8, 1.3e8])}),
            ("read", {"what": "hours", "value": rng.choice([7.1e6, 7.2e6, 7.3e6])}),
        ]
        told = ask(
            """({steps, events, turns, kind, current, entries, given}) => {
              const state = fold.fold(events, {turns, loop: 0.0007, steps, plugs: given.plugs});
              const on = steps.find((s) => s.id === current) ?? null;
              const asked = fold.askedBy(steps, state, on, kind);
              return {
                asked: [asked.step?.id ?? null, asked.completes, asked.held.map((h) => h.why)],
                most: [false, true].map((l) => fold.mostBySheet(kind, state.net, given.limits, l)),
                possible: fold.mostPossible(kind, state.net, given.limits),
                doubts: entries.map(([k, b]) =>
                  fold.doubts(k, b, state, given, 0.0033).map((d) => d.condition)),
              };
            }""",
            {
                "steps": [s.to_json() for s in steps],
                "events": [
                    {**e.plain(), "body": {} if e.kind == "opened" else dict(e.body)}
                    for e in log.events
                ],
                "turns": {s.id: s.turns for s in steps if s.turns},
                "kind": kind,
                "current": current.id if current else None,
                "entries": entries,
                "given": {
                    "limits": limits_data(state),
                    "plugs": [plug.name for plug in system.plugs],
                    "tolerance": [TORQUE_TOLERANCE, RANGE_TOLERANCE],
                    "asked": system.fluid,
                    "torques": {"drain": [27.0, 27.0], "level": [18.0, 22.0]},
                    "seals": seals_data(state),
                    "meters": meters,
                },
            },
        )
        asked = asked_by(steps, situation, current, kind)
        assert told["asked"] == [
            asked.step.id if asked.step else None,
            asked.completes,
            [str(h.why) for h in asked.held],
        ]
        for said, leaned in zip(told["most"], (False, True), strict=True):
            most = most_by_sheet(system, kind, state.volume_change, leaned)
            assert said == (None if most is None else pytest.approx(most, abs=1e-12))
        comes_out = kind in ("drained", "discharged", "lost", "purged")
        possible = most_possible(system, state.volume_change) if comes_out else None
        assert told["possible"] == (None if possible is None else pytest.approx(possible))
        assert told["doubts"] == [
            [d.condition for d in doubts(state, k, b, None, 0.0033, meters)] for k, b in entries
        ]


def test_ids_made_on_a_device_are_uuids_that_sort_by_time(ask: Callable[[str, Any], Any]) -> None:
    from uuid import UUID

    made = ask("() => Array.from({length: 5000}, () => uuid7())", None)
    assert made == sorted(set(made))
    assert {UUID(text).version for text in made} == {7}
    assert learnt_flow([]) is None
