"""What a job leaves undone when it is closed, and what was done out of turn."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any

from sumpwright.errors import Complaint
from sumpwright.planning.job_run import left_undone, out_of_turn
from sumpwright.planning.job_step import Step
from sumpwright.planning.openings import CLOSE_LINE, LEAK_CHECK
from sumpwright.records.state import JobState

_WANTED = ("level", LEAK_CHECK, CLOSE_LINE)
"""What is not left undone without a reason, besides the tightening of plugs."""


@dataclass(frozen=True)
class Ended:
    """The steps of a job as it is closed.

    Parameters
    ----------
    left : tuple of Step
        Neither done nor passed over with a reason, nor optional.
    turned : tuple of str
        Ids of the steps done out of turn.
    led : bool
        Whether the job was led step by step: in one whose entries alone were made,
        nothing is known of the steps.
    """

    left: tuple[Step, ...]
    turned: tuple[str, ...]
    led: bool

    @property
    def unsafe(self) -> tuple[Step, ...]:
        """Those of the steps left for which a reason is asked."""
        if not self.led:
            return ()
        return tuple(step for step in self.left if step.kind == "torque" or step.id in _WANTED)

    @property
    def body(self) -> dict[str, Any]:
        """What the entry that closes the job keeps of them."""
        if not self.led:
            return {}
        return {"left": [step.id for step in self.left], "out_of_turn": list(self.turned)}

    def reasoned(self, reason: str, say: Iterable[str]) -> list[tuple[str, dict[str, Any]]]:
        """Return the entry that keeps the reason for what is left undone.

        Raises
        ------
        Complaint
            When a reason is asked for and none is given.
        """
        if not self.left or not self.led:
            return []
        if not reason.strip():
            if self.unsafe:
                raise Complaint(
                    f"not done: {'; '.join(dict.fromkeys(say))}",
                    "do it first, or say why not",
                    field="reason",
                )
            return []
        first, *also = (step.id for step in self.left)
        body: dict[str, Any] = {"step": first, "reason": reason.strip()}
        return [("overrode", body | {"also": also} if also else body)]


def ended(steps: Sequence[Step], state: JobState, passed: Iterable[str]) -> Ended:
    """Return what a job would leave undone if it were closed now.

    Parameters
    ----------
    steps : sequence of Step
    state : JobState
    passed : iterable of str
        Ids of the steps done, and of those passed over with a reason.

    Examples
    --------
    >>> ended([], JobState(), []).led
    False
    """
    return Ended(
        tuple(left_undone(steps, frozenset(passed))),
        tuple(out_of_turn(steps, state.done)),
        bool(state.done),
    )


def not_done(state: JobState) -> list[tuple[str, str]] | None:
    """Return the steps that a closed job left undone, each with the reason where one was given.

    ``None`` where nothing is known: the job is open, or its steps were never ticked. Where
    whoever closed it did not say, the level and the look for leaks are told from the log.

    Examples
    --------
    >>> not_done(JobState()) is None
    True
    """
    closing = next((e for e in reversed(state.effective) if e.kind == "closed"), None)
    if closing is None:
        return None
    left = closing.body.get("left")
    if left is None:
        if not state.done:
            return None
        known = {*state.done, *state.overridden}
        left = [step for step in ("level", LEAK_CHECK) if step not in known]
    return [(step, state.overridden.get(step, "")) for step in left]


def turned(state: JobState) -> list[str]:
    """Return the steps that a closed job did out of turn, as was said when it was closed.

    Examples
    --------
    >>> turned(JobState())
    []
    """
    closing = next((e for e in reversed(state.effective) if e.kind == "closed"), None)
    return list(closing.body.get("out_of_turn", ())) if closing else []
