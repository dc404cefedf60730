"""Whether a job's log is sound: its chain, its contents, and what is kept of it beside it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from sumpwright.errors import Complaint
from sumpwright.records.bodies import parse_body
from sumpwright.records.chain import Event, Problem, verify_chain
from sumpwright.records.fold import fold
from sumpwright.records.state import JobState


@dataclass(frozen=True)
class ProvenJob:
    """A job whose log was looked through: its state as far as it can be read, and what is wrong."""

    id: str
    head: str
    length: int
    problems: tuple[Problem, ...]
    state: JobState | None


def prove_log(
    job: str, machine: object, events: Sequence[Event], *, head: str, count: int
) -> ProvenJob:
    """Verify one job's log: chain, end, contents.

    Parameters
    ----------
    job : str
        Id of the job that the log is kept under.
    machine : object
        Id of the machine that the job is kept under.
    events : sequence of Event
        The log in the order in which it is kept.
    head, count
        Hash of the last entry that was written, and how many there were.

    Returns
    -------
    ProvenJob
    """
    problems = verify_chain(events, head=head, count=count)
    problems += _contents(job, machine, events)
    state = None
    if not problems:
        try:
            state = fold(events)
        except Complaint as complaint:
            problems.append(Problem(0, "", str(complaint)))
    last = events[-1].hash if events else ""
    return ProvenJob(job, last, len(events), tuple(problems), state)


def _contents(job: str, machine: object, events: Sequence[Event]) -> list[Problem]:
    problems = []
    if not events or events[0].kind != "opened":
        first = events[0].id if events else ""
        problems.append(Problem(1, first, "a log begins with the opening of the job"))
    elif events[0].body.get("machine") != machine:
        problems.append(Problem(1, events[0].id, "was opened on another machine"))
    if events and events[0].job != job:
        problems.append(Problem(1, events[0].id, "belongs to another job"))
    for event in events:
        try:
            parse_body(event.kind, event.body)
        except Complaint as complaint:
            problems.append(Problem(event.seq, event.id, complaint.what))
    return problems


def beside_the_log(state: JobState, kept: Mapping[str, object]) -> list[Problem]:
    """Say where what is kept of a job beside its log differs from what the log says.

    Parameters
    ----------
    state : JobState
    kept : mapping
        Some of ``system``, ``method``, ``opened_at`` and ``closed_at``, as kept.

    Returns
    -------
    list of Problem

    Examples
    --------
    >>> [p.text for p in beside_the_log(JobState(method="line-discharge"), {"method": "other"})]
    ['the method kept beside the log is another than in it']
    """
    told = {
        "system": state.system_name,
        "method": state.method,
        "opened_at": state.opened_at,
        "closed_at": state.closed_at,
    }
    return [
        Problem(0, "", f"the {_NAMES[name]} kept beside the log is another than in it")
        for name, value in kept.items()
        if told[name] != value
    ]


_NAMES = {
    "system": "system",
    "method": "method",
    "opened_at": "time of opening",
    "closed_at": "time of closing",
}
