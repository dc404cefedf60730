"""Whether the engine runs, as calls to the seat, their answers and the steps done tell."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

EngineState = Literal["off", "called", "running", "stopping"]
"""Off; called to start; running; called to stop. Only ``off`` is known to be off."""
Turns = Literal["", "on", "off", "pulse"]

TURNS: dict[str, Turns] = {
    "start": "on",
    "stop": "off",
    "bump": "pulse",
    "drive": "off",
    "test-drive": "off",
    "lean": "off",
    "unlean": "off",
}
"""What a step does to the engine, by the root of its id."""

ANSWERED = frozenset({"start", "stop", "bump"})
"""Roots of the steps that say nothing else than how the engine stands."""


def turns_of(step: str) -> Turns:
    """Return what a step does to the engine.

    Examples
    --------
    >>> turns_of("start.2"), turns_of("drive.1"), turns_of("drain.1")
    ('on', 'off', '')
    """
    return TURNS.get(step.partition(".")[0], "")


def is_answer(step: str) -> bool:
    """Whether a step done says how the engine stands, and nothing else.

    Examples
    --------
    >>> is_answer("stop.2"), is_answer("drive.1")
    (True, False)
    """
    return step.partition(".")[0] in ANSWERED


@dataclass
class EngineTrack:
    """Follows the engine through a job's log.

    Parameters
    ----------
    state : {'off', 'called', 'running', 'stopping'}
    run : str
        Which run it is: ``2`` for that of ``start.2``; empty when none is.

    Examples
    --------
    >>> track = EngineTrack()
    >>> track.done("start.2")
    >>> track.called("off", "")
    >>> track.state, track.answered("off", ""), track.state
    ('stopping', ('check.2', 'ready.2', 'start.2'), 'off')
    """

    state: EngineState = "off"
    run: str = ""

    def called(self, turns: str, step: str) -> None:
        """Take note of a call to the seat."""
        if turns in ("on", "pulse") and self.state != "running":
            self.state = "called"
            self.run = _run(step)
        elif turns == "off" and self.state != "off":
            self.state = "stopping"

    def answered(self, turns: str, step: str) -> tuple[str, ...]:
        """Take note of an answer; return the steps that a stop out of turn makes due again."""
        if turns == "on":
            self.state = "running"
            self.run = _run(step) or self.run
        elif turns in ("off", "pulse"):
            ran, run = self.state != "off", self.run
            self.state, self.run = "off", ""
            if turns == "off" and not step and ran and run:
                return tuple(f"{root}.{run}" for root in ("check", "ready", "start"))
        return ()

    def done(self, step: str) -> None:
        """Take note of a step done."""
        turns = turns_of(step)
        if turns:
            self.answered(turns, step)


def _run(step: str) -> str:
    name, _, key = step.partition(".")
    return key or name
