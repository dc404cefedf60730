"""Writes the steps of a job down one after another."""

from __future__ import annotations

from typing import Any

import numpy as np

from sumpwright.physics.circuit import Array
from sumpwright.planning.engine import turns_of
from sumpwright.planning.job_step import (
    EVENTS,
    Engine,
    Entry,
    EntryKind,
    Hold,
    Phase,
    Step,
    Who,
    engine_hold,
)
from sumpwright.planning.kind_words import words_for
from sumpwright.planning.machine import Plug, Span, WetSystem
from sumpwright.planning.methods import Method
from sumpwright.planning.openings import Opening, closed_at, has_level_plug, opened_at, plug_for
from sumpwright.planning.plan import Plan
from sumpwright.planning.said import Value, said
from sumpwright.planning.step_texts import TEXTS
from sumpwright.planning.steps import Taken

PAUSE = 3.0
"""Seconds in each position of the selector; common practice, no source."""

SLACK = 0.02
"""Share of the capacity by which out and in may differ when the engine is started:
what a measuring jug shows; common practice, no source."""


def spread(values: Array, given: Span | None) -> Span:
    """Return the 5 to 95 % range of draws, with the origin of what was given."""
    low, high = (float(v) for v in np.quantile(values, [0.05, 0.95]))
    return Span(low, high, given.origin if given else "assumed")


_SHUT: dict[Opening, str] = {
    "drain": "tighten the drain plug first",
    "fill": "close the fill opening first",
    "level": "tighten the level plug first",
    "line": "close the line first",
    "lean": "put it level again first",
    "chocks": "set the brake and chock it first",
}


class Bench:
    """The steps written so far, and what they need to know.

    Parameters
    ----------
    system : WetSystem
    method : Method
    plan : Plan
    cycles : int
    """

    def __init__(self, system: WetSystem, method: Method, plan: Plan, cycles: int) -> None:
        self.system, self.method, self.plan, self.cycles = system, method, plan, cycles
        self.words = words_for(system.kind)
        made = next((m for m in plan.methods if m.method.name == method.name), plan.chosen)
        self.mark = made.volume
        self.safe = plan.draws.safe
        self.short = -SLACK * system.capacity.mid
        self.filler = plug_for(system, "fill")
        self.capped = self.filler is None and self.words.opening != "fill plug"
        self.steps: list[Step] = []

    def add(
        self,
        id: str,
        *,
        phase: Phase,
        text: str = "",
        cycle: int = 0,
        kind: EntryKind = "tick",
        event: str = "",
        engine: Engine = "off",
        who: Who = "hand",
        holds: tuple[Hold, ...] = (),
        optional: bool = False,
        gaps: dict[str, Value] | None = None,
        **entry: Any,
    ) -> None:
        """Add a step with the text of its name, or with another one."""
        words = TEXTS[text or id.partition(".")[0]]
        values = {
            "mark": self.mark,
            "safe": self.safe,
            "work": self.words.work,
            "caution": self.words.work_caution,
            "drive": self.words.drive,
            "opening": self.words.opening,
            **(gaps or {}),
        }
        title, instruction, caution = (
            said(part, **{k: v for k, v in values.items() if f"{{{k}:" in part}) for part in words
        )
        self.steps.append(
            Step(
                id=id,
                title=title,
                instruction=instruction,
                caution=caution if words.caution else None,
                entry=Entry(kind, event or EVENTS.get(kind, ""), **entry),
                engine=engine,
                turns=turns_of(id),
                who=who,
                holds=(*holds, *engine_hold(engine)),
                cycle=cycle,
                phase=phase,
                optional=optional,
                opens=opened_at(id, self.system),
                closes=closed_at(id, self.system),
            )
        )

    # Holds

    def after(self, step: str, why: str) -> Hold:
        """Hold a step until another one is done."""
        return Hold("step", said(why), step)

    def filled(self, least: float) -> tuple[Hold, ...]:
        """Hold a step while the level is further from that of the start than may be."""
        short = "fill first what came out: the pump must not draw air"
        over = "let out first what is too much: it foams, and is pressed out at the seals"
        return (
            Hold("balance", said(short), low=min(0.0, least)),
            Hold("excess", said(over), high=-self.short),
        )

    def shut(self, *openings: Opening) -> tuple[Hold, ...]:
        """Hold a step while something stands open; firmly while the line does."""
        return tuple(
            Hold(
                "step",
                said(_SHUT[opening]),
                self._closer(opening),
                firm=opening == "line",
                opening=opening,
            )
            for opening in openings
            if self._opens(opening)
        )

    def _opens(self, opening: Opening) -> bool:
        """Whether a job by this method on this system ever opens it."""
        if opening == "level":
            return has_level_plug(self.system)
        return {
            "line": self.method.line,
            "lean": self.method.leaned,
            "chocks": not self.method.line,
        }.get(opening, True)

    def _closer(self, opening: Opening) -> str:
        """Return the step that closes something at the end of a job."""
        if opening == "line":
            return "line-closed"
        last = 1 if self.method.line else self.cycles
        if opening in ("drain", "lean", "chocks"):
            root = {"drain": "drain-plug", "lean": "unlean", "chocks": "place"}[opening]
            return f"{root}.{last}"
        if opening == "fill" and self.capped:
            return "cap" if self.method.line else f"close.{last}"
        plug = plug_for(self.system, opening)
        number = self.system.plugs.index(plug) + 1 if plug else opening
        return f"torque.{number}"

    # Steps that occur in several places

    def place(self, cycle: int) -> None:
        """Stop it on level ground and chock it."""
        self.add(f"place.{cycle}", cycle=cycle, phase="prepare" if cycle == 1 else "drain")

    def tighten(
        self, id: str, role: str, phase: Phase, cycle: int = 0, plug: Plug | None = None
    ) -> None:
        """Tighten a plug, to the sheet's torque or to that of the manual."""
        found = plug or plug_for(self.system, role)
        name = found.name if found else role
        torque = found.torque if found else None
        self.add(
            id,
            text="tighten" if torque else "tighten unknown",
            phase=phase,
            cycle=cycle,
            kind="torque",
            subject=name,
            expected=torque,
            gaps={
                "plug": name if "plug" in name.casefold() else f"{name} plug",
                "seal": f"a new {found.seal}" if found and found.seal else "a new seal",
                **({"torque": (torque.low, torque.high)} if torque else {}),
            },
        )

    def close(self, id: str, phase: Phase, cycle: int = 0) -> None:
        """Close what the system is filled through: a plug with a torque, or a cap."""
        if self.capped:
            self.add(id, text="cap", phase=phase, cycle=cycle)
        else:
            self.tighten(id, "fill", phase, cycle)

    def sample(
        self,
        number: int,
        text: str,
        phase: Phase,
        cycle: int,
        taken_from: Taken,
        engine: Engine = "off",
    ) -> None:
        """Fill a vial that stands for the fluid after so many cycles."""
        self.add(
            f"sample.{number}",
            text=text,
            phase=phase,
            cycle=cycle,
            kind="sample",
            subject=str(number),
            for_cycle=number,
            taken_from=taken_from,
            engine=engine,
            optional=True,
            gaps={"number": str(number)},
        )

    def clear(self, key: str, phase: Phase, cycle: int, least: float) -> None:
        """Check by hand and acknowledge from the seat that the engine may start."""
        self.add(f"check.{key}", phase=phase, cycle=cycle, holds=self.filled(least))
        self.add(f"ready.{key}", phase=phase, cycle=cycle, kind="acknowledge", who="seat")

    def start_holds(self, key: str, least: float) -> tuple[Hold, ...]:
        """Return what must be so whenever the engine starts."""
        line = self.method.line
        place = "place.1" if line else f"place.{self.cycles}"
        helper = self.after("helper", "agree on the calls with the helper first")
        # Through the line alone the engine runs with the line open.
        shut = self.shut("drain")
        if key == "level":
            shut = self.shut("line", "drain", "lean", "chocks")
            if self.capped and not line:
                shut += self.shut("fill")
        return (
            *shut,
            self.after(place, "chocks and brake first"),
            self.after("exhaust", "lead the exhaust away first"),
            *((helper,) if line and self.cycles > 1 else ()),
            self.after(f"check.{key}", "the hand checks level, hoses and plugs first"),
            self.after(f"ready.{key}", "the seat says first that it is ready"),
            *self.filled(least),
        )

    def start(
        self, key: str, phase: Phase, cycle: int, least: float, holds: tuple[Hold, ...] = ()
    ) -> None:
        """Start the engine."""
        self.add(
            f"start.{key}",
            phase=phase,
            cycle=cycle,
            kind="acknowledge",
            who="seat",
            holds=(*self.start_holds(key, least), *holds),
        )

    def stop(self, key: str, phase: Phase, cycle: int, text: str = "stop") -> None:
        """Stop the engine."""
        self.add(
            f"stop.{key}",
            text=text,
            phase=phase,
            cycle=cycle,
            kind="acknowledge",
            engine="on",
            who="seat",
        )

    def work(self, key: str, phase: Phase, cycle: int, sweeps: int) -> None:
        """Work the selector, or what moves the fluid of another kind of system."""
        self.add(
            f"work.{key}",
            text="work" if sweeps == 1 else "work again",
            phase=phase,
            cycle=cycle,
            kind="work",
            engine="on",
            who="seat",
            expected=Span(float(sweeps), float(sweeps)),
            pause=PAUSE if self.words.selector else 0.0,
            holds=(self.after(f"start.{key}", "start the engine first"),),
            gaps={"sweeps": str(sweeps)},
        )
