"""That nothing is left open: whatever is decided, done early, left out or taken back."""

from __future__ import annotations

import random
from collections.abc import Iterator
from functools import cache
from typing import Any

import pytest

from sumpwright.planning.draws import draw
from sumpwright.planning.job_run import in_force, running_steps, upcoming
from sumpwright.planning.job_step import Step, condition, holding
from sumpwright.planning.machine import Machine, Plug, Sheet, WetSystem
from sumpwright.planning.methods import METHODS, Method, applicable
from sumpwright.planning.outcome import Wish
from sumpwright.planning.plan import make_plan
from sumpwright.records.fold import Folding, fold
from sumpwright.records.job_run import decided_cycles, situation_of, to_undo
from sumpwright.records.snapshot import sheet_to_plain
from sumpwright.records.state import JobState
from yardkit import FLUID, OPENED, Log, one

HAVE = ("lean", "air", "second-pump")
MOST = 4


def system(kind: str = "torque-converter automatic", **more: Any) -> WetSystem:
    given: dict[str, Any] = {
        "drain": one(4.1e-3),
        "sump": one(4.8e-3),
        "cooler_loop": one(0.7e-3),
        "pickup_reserve": one(1.5e-3),
        "discharge": one(2e-3),
        "fluid": FLUID,
        "window": (311.15, 319.15),
        "plugs": (Plug("drain", one(27.0)), Plug("level", one(20.0)), Plug("fill", one(50.0))),
        **more,
    }
    return WetSystem("gearbox", kind, one(9.2e-3), **given)


SYSTEMS = {
    "plugs on the sheet": system(),
    "no plug on the sheet": system(plugs=()),
    "a cap": system("hydraulic system", window=None, plugs=(Plug("drain", one(27.0)),)),
    "an axle": system("axle", window=None, plugs=(Plug("Fill and level plug", one(40.0)),)),
}


@cache
def orders(name: str, method: Method) -> dict[int, tuple[Step, ...]]:
    box = SYSTEMS[name]
    wish = Wish(have=HAVE, methods=(method.name,), cycles=3)
    plan = make_plan(box, wish=wish, draws=draw(box, 64))
    return {n: tuple(running_steps(box, method, plan, n)) for n in range(1, MOST + 1)}


def cases() -> Iterator[tuple[str, Method]]:
    for name, box in SYSTEMS.items():
        for method in METHODS:
            if not applicable(method, box, draw(box, 64).safe):
                yield name, method


class Led:
    """A job led in a way that nobody should, and what is really open meanwhile."""

    def __init__(self, name: str, method: Method) -> None:
        self.box, self.orders = SYSTEMS[name], orders(name, method)
        self.log = Log()
        self.log.events.clear()
        sheet = sheet_to_plain(Sheet(Machine("Carrier 2", (self.box,))))
        self.log.add("opened", OPENED | {"sheet": sheet, "method": method.name})
        self.folding = Folding(self.log.events)
        self.acts: dict[str, tuple[str, Step]] = {}

    @property
    def state(self) -> JobState:
        return self.folding.state()

    def steps(self) -> tuple[Step, ...]:
        count = decided_cycles(self.state) or 3
        return in_force(self.orders[count], self.orders[MOST], situation_of(self.state))

    def add(self, kind: str, body: dict[str, Any], step: Step | None = None) -> None:
        event = self.log.add(kind, body)
        self.folding.push(event)
        if step is not None:
            self.acts[event.id] = (kind, step)

    def really_open(self) -> set[str]:
        """What a mechanic would find open, told from the acts alone."""
        found: set[str] = set()
        gone = self.state.reversed
        for id, (kind, step) in self.acts.items():
            if id in gone:
                continue
            root = step.id.partition(".")[0]
            if kind == "overrode":
                if root in ("drain-plug", "torque", "close", "cap", "unlean"):
                    found -= plugs_of(step) | ({"lean"} if root == "unlean" else set())
            elif root in ("drain", "lean"):
                found.add(root)
            elif root == "fill-plug" or kind == "filled":
                found.add("fill")
            elif root == "line-open":
                found.add("line")
            elif root == "level" and (self.box.window or self.box.plugs[-1:] != ()):
                found |= {"level"} if any("level" in plugs_of(s) for s in self.orders[1]) else set()
            elif root == "line-closed":
                found.discard("line")
            elif root == "unlean":
                found.discard("lean")
            found -= plugs_of(step)
            if kind == "exchanged":
                found.add("fill")
        return found

    def do(self, step: Step, rng: random.Random) -> None:
        entry, missing = step.entry, -self.state.volume_change
        body: dict[str, Any] = {"step": step.id}
        if step.turns in ("on", "pulse"):
            found = self.really_open()
            through = step.id == "bump" or step.id.partition(".")[2].rstrip("w").isdigit()
            assert "drain" not in found, f"{step.id} with the drain plug out"
            assert "lean" not in found, f"{step.id} leaned"
            assert through or "line" not in found, f"{step.id} with the line open"
        if step.kind == "drive":
            assert not self.really_open(), f"{step.id} with {self.really_open()} open"
        if step.kind == "volume out" and entry.event != "lost" and not entry.may_be_none:
            volume = 4.1e-3 if entry.event == "drained" else 2e-3
            self.add(entry.event, body | {"volume": volume}, step)
        elif step.kind == "volume in" and missing > 1e-6:
            self.add("filled", body | {"volume": missing, "fluid": FLUID}, step)
        elif step.kind == "exchange":
            self.add("exchanged", body | {"volume": 2e-3, "fluid": FLUID}, step)
        elif step.kind == "temperature":
            self.add("read", body | {"what": "temperature", "value": 315.0, "unit": "K"}, step)
        elif step.kind == "torque":
            self.add("tightened", body | {"plug": entry.subject, "torque": 30.0}, step)
        elif step.kind == "drive":
            self.add("drove", body, step)
        elif step.kind == "decide":
            self.add("decided", body | {"cycles": rng.randint(1, 3)}, step)
        else:
            self.add("did", body, step)


def plugs_of(step: Step) -> set[str]:
    """What is closed by a step, told from what it asks for."""
    root, subject = step.id.partition(".")[0], step.entry.subject.casefold()
    if step.kind == "torque":
        return {role for role in ("drain", "fill", "level") if role in subject}
    return {"fill"} if root in ("close", "cap") else set()


@pytest.mark.parametrize(("name", "method"), list(cases()), ids=lambda v: getattr(v, "name", v))
def test_the_engine_never_runs_and_no_job_ends_with_something_left_open(
    name: str, method: Method
) -> None:
    ended = 0
    for seed in range(14):
        rng = random.Random(f"{name} {method.name} {seed}")
        job = Led(name, method)
        wild = rng.choice([0.1, 0.3, 0.6])
        for _ in range(160):
            steps, situation = job.steps(), situation_of(job.state)
            following = upcoming(steps, situation.passed)
            if following is None:
                assert not job.really_open(), f"all done with {job.really_open()} open"
                ended += 1
            free = [s for s in steps if s.id not in situation.passed]
            free = [s for s in free if not holding(s, situation)]
            act = rng.random()
            if act > wild and following is not None:
                if following in free:
                    job.do(following, rng)
                elif any(h.firm for h in holding(following, situation)):
                    stop = next((s for s in free if s.turns == "off" and s.engine == "on"), None)
                    if stop is not None:
                        job.do(stop, rng)
                    elif situation.engine != "off":
                        call = {"to": "seat", "instruction": "Stop", "turns": "off"}
                        job.add("signal", call)
                        job.add("acknowledged", {"signal": job.log.events[-1].id})
                else:
                    first = holding(following, situation)[0]
                    led = next((s for s in free if s.id == first.step), None)
                    if led is not None:
                        job.do(led, rng)
                    elif first.kind in ("balance", "excess"):
                        missing = -job.state.volume_change
                        kind = "filled" if missing > 0 else "lost"
                        more = {"fluid": FLUID} if missing > 0 else {}
                        job.add(kind, {"volume": abs(missing)} | more, following)
            elif act < wild * 0.15:
                job.add("decided", {"cycles": rng.randint(1, 3)})
            elif act < wild * 0.3:
                last = to_undo(job.state)
                if last is not None and last.kind != "signal":
                    job.add("reversed", {"event": last.id})
            elif act < wild * 0.35 and free:
                step = rng.choice(free)
                job.add("overrode", {"step": step.id, "reason": "why not"}, step)
            elif free:
                job.do(rng.choice(free), rng)
    assert ended


def lead(job: Led, until: str) -> None:
    rng = random.Random(0)
    while (step := upcoming(job.steps(), situation_of(job.state).passed)) is not None:
        if step.id == until:
            return
        assert not holding(step, situation_of(job.state)), step.id
        if step.kind == "decide":
            job.add("decided", {"cycles": 3, "step": step.id}, step)
        else:
            job.do(step, rng)
    raise AssertionError(f"never came to {until}")


def held(job: Led, step: str) -> list[str]:
    situation = situation_of(job.state)
    return [h.opening or h.step or h.kind for h in holding(one_of(job, step), situation)]


def next_id(job: Led) -> str | None:
    step = upcoming(job.steps(), situation_of(job.state).passed)
    return step.id if step else None


def one_of(job: Led, step: str) -> Step:
    return next(s for s in job.steps() if s.id == step)


def test_leaks_are_looked_for_once_everything_is_closed_and_filled() -> None:
    job = Led("plugs on the sheet", METHODS[2])
    lead(job, "drain-plug.1")
    assert held(job, "leak-check") == ["drain", "fill", "balance"]
    assert "drain" in held(job, "test-drive")
    lead(job, "bump")
    assert held(job, "leak-check") == ["line", "fill"]
    assert not held(job, "bump")
    drive = one_of(job, "test-drive")
    firm = {h.opening for h in holding(drive, situation_of(job.state)) if h.firm}
    assert firm == {"line"}
    lead(job, "leak-check")
    assert held(job, "leak-check") == []


def test_the_line_is_closed_whatever_is_decided_once_it_was_opened() -> None:
    job = Led("plugs on the sheet", METHODS[2])
    lead(job, "line-open")
    job.add("did", {"step": "line-open"}, one_of(job, "line-open"))
    job.add("decided", {"cycles": 1})
    assert next_id(job) == "line-closed"
    assert held(job, "start.level")[0] == "line"
    job.add("overrode", {"step": "line-closed", "reason": "later"})
    job.add("overrode", {"step": "start.level/line", "reason": "later"})
    assert held(job, "start.level")[0] == "line"
    assert next_id(job) == "line-closed"
    job.add("did", {"step": "line-closed"})
    assert "line" not in held(job, "start.level")
    assert "line-closed" not in [s.id for s in job.steps()]


def test_the_line_is_opened_after_the_first_refill() -> None:
    job = Led("plugs on the sheet", METHODS[2])
    assert held(job, "line-open") == ["place.1", "protection", "fill.1"]


def test_a_drain_begun_before_it_was_decided_to_stop_is_closed_again() -> None:
    job = Led("plugs on the sheet", METHODS[1])
    lead(job, "sample.1")
    job.add("decided", {"cycles": 1})
    ids = [s.id for s in job.steps()]
    assert {"drain-plug.2", "unlean.2"} <= set(ids)
    assert ids.index("drain-plug.2") < ids.index("start.level")
    assert one_of(job, "start.level").holds[0].step == "drain-plug.2"
    assert {"drain", "lean"} <= set(held(job, "start.level"))


def test_chocks_taken_away_for_a_drive_are_put_back_whatever_is_decided() -> None:
    job = Led("plugs on the sheet", METHODS[0])
    lead(job, "place.3")
    job.add("decided", {"cycles": 2})
    assert "chocks" in held(job, "start.level")
    assert "place.3" in [s.id for s in job.steps()]


def test_a_reason_lets_one_start_pass_and_leaves_the_plug_in_the_job() -> None:
    job = Led("plugs on the sheet", METHODS[0])
    lead(job, "drain-plug.1")
    fill = one_of(job, "fill.1")
    (plug,) = holding(fill, situation_of(job.state))
    job.add("overrode", {"step": condition(fill, plug), "reason": "finger-tight for now"})
    assert held(job, "fill.1") == []
    assert "drain" in held(job, "test-drive")
    assert next_id(job) == "drain-plug.1"


def test_what_is_opened_again_is_closed_and_looked_at_again() -> None:
    job = Led("plugs on the sheet", METHODS[0])
    lead(job, "test-drive")
    job.add("filled", {"volume": 2e-4, "fluid": FLUID})
    job.add("lost", {"volume": 2e-4})
    assert held(job, "test-drive") == ["fill", "leak-check"]
    assert next_id(job) == "torque.3"
    job.add("reversed", {"event": job.log.events[-2].id})
    job.add("reversed", {"event": job.log.events[-2].id})
    assert held(job, "test-drive") == []


def test_entries_of_no_step_open_as_well() -> None:
    log = Log()
    log.add("drained", {"volume": 4.1e-3})
    log.add("discharged", {"volume": 2e-3})
    assert fold(log.events).opened == {"drain", "line"}
    log.add("tightened", {"plug": "Drain ", "torque": 27.0})
    log.add("did", {"step": "line-closed"})
    assert fold(log.events).opened == frozenset()


def test_steps_out_of_turn_leave_those_before_them_on_offer() -> None:
    job = Led("plugs on the sheet", METHODS[2])
    lead(job, "drain.1")
    early = one_of(job, "leak-check")
    job.add("did", {"step": "leak-check"}, early)
    lead(job, "sample.0")
    lead(job, "sample.1")
    lead(job, "top-up")


def test_a_level_plug_that_the_sheet_lacks_is_tightened_to_the_manual() -> None:
    job = Led("no plug on the sheet", METHODS[0])
    step = one_of(job, "torque.level")
    assert "the sheet gives none" in str(step.instruction)
    assert step.entry.expected is None
    lead(job, "torque.level")
    assert "level" in held(job, "leak-check")
