"""What a good job teaches about its steps, for the next machine of its sort.

The steps themselves, with their cautions and holds, are always made afresh from the
machine: nothing that protects the hand can be kept away by an earlier job.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from sumpwright.planning.job_step import Step, passed_by

TOOLS = ("tool", "calibrated", "wrench_length", "extension")
"""What is kept of a wrench."""


@dataclass(frozen=True)
class KeptSteps:
    """What is kept of a job's steps.

    Parameters
    ----------
    skipped : tuple of str
        Roots of the optional steps that the job left out altogether.
    remarks : mapping
        Remarks that were made at a step, by its root.
    tools : mapping
        The wrench used at a step, by its root: what `TOOLS` names.
    """

    skipped: tuple[str, ...] = ()
    remarks: Mapping[str, str] = field(default_factory=dict)
    tools: Mapping[str, Mapping[str, Any]] = field(default_factory=dict)

    @property
    def empty(self) -> bool:
        """Whether there is nothing to keep."""
        return not (self.skipped or self.remarks or self.tools)

    def to_json(self) -> dict[str, Any]:
        """Return plain values."""
        return {
            "skipped": list(self.skipped),
            "remarks": dict(self.remarks),
            "tools": {root: dict(tools) for root, tools in self.tools.items()},
        }

    @staticmethod
    def from_json(plain: Mapping[str, Any]) -> KeptSteps:
        """Read what `to_json` gave."""
        return KeptSteps(
            tuple(plain.get("skipped", ())),
            dict(plain.get("remarks", {})),
            {root: dict(tools) for root, tools in plain.get("tools", {}).items()},
        )


def root_of(step: str) -> str:
    """Return what the id of a step is called in every cycle.

    Numbered plugs are not cycles, so that each keeps a name of its own.

    Examples
    --------
    >>> root_of("fill-plug.2"), root_of("check.3w"), root_of("sample.new"), root_of("torque.2")
    ('fill-plug', 'check', 'sample.new', 'torque.2')
    """
    name, _, tail = step.partition(".")
    if name == "torque" or not tail[:1].isdigit():
        return step
    return name


def keep_steps(
    steps: Sequence[Step],
    passed: Collection[str],
    remarks: Iterable[tuple[str, str]],
    tools: Iterable[tuple[str, Mapping[str, Any]]],
) -> KeptSteps:
    """Keep what a job teaches about its steps.

    An optional step is left out where the job went past it: one that it never came to
    teaches nothing, nor does one that depends on what is found.

    Parameters
    ----------
    steps : sequence of Step
    passed : collection of str
        Ids of the steps done, and of those passed over with a reason.
    remarks : iterable of (step, text)
        In their order; of several at one step all are kept.
    tools : iterable of (step, body of the entry)

    Returns
    -------
    KeptSteps

    Examples
    --------
    >>> from sumpwright.planning.said import said
    >>> vial = Step("sample.0", said("Vial"), said("Fill a vial."), optional=True)
    >>> close = Step("close", said("Close"), said("Close it."))
    >>> kept = keep_steps([vial, close], ["close"], [("fill-plug.1", "behind the wheel")], [])
    >>> kept.skipped, dict(kept.remarks)
    (('sample',), {'fill-plug': 'behind the wheel'})
    """
    done = {root_of(step) for step in passed}
    gone = passed_by(steps, passed)
    skipped = dict.fromkeys(
        root_of(step.id)
        for step in steps
        if step.id in gone and _may_be_kept_away(step) and root_of(step.id) not in done
    )
    said: dict[str, list[str]] = {}
    for step, text in remarks:
        said.setdefault(root_of(step), []).append(text.strip())
    used = {
        root_of(step): {name: body[name] for name in TOOLS if body.get(name) not in (None, "")}
        for step, body in tools
    }
    return KeptSteps(
        tuple(skipped),
        {root: "\n".join(texts) for root, texts in said.items()},
        {root: kept for root, kept in used.items() if kept},
    )


def skipped_ids(kept: KeptSteps, steps: Iterable[Step]) -> frozenset[str]:
    """Return the ids of the steps that are left out; only optional ones ever are.

    Examples
    --------
    >>> from sumpwright.planning.said import said
    >>> chock = Step("place.1", said("Chock"), said("Chock it."))
    >>> skipped_ids(KeptSteps(("place",)), [chock])
    frozenset()
    """
    return frozenset(
        step.id for step in steps if _may_be_kept_away(step) and root_of(step.id) in kept.skipped
    )


def _may_be_kept_away(step: Step) -> bool:
    # What may turn out to be none is asked for each time: only the machine can answer.
    return step.optional and not step.entry.may_be_none
