"""Jobs as their pages show them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import TYPE_CHECKING, Any

from sumpwright.errors import Complaint
from sumpwright.planning.job_run import may_be_left_out
from sumpwright.planning.job_step import Step
from sumpwright.planning.kept_steps import KeptSteps, keep_steps, skipped_ids
from sumpwright.records.chain import Event
from sumpwright.records.closing import Ended, ended
from sumpwright.records.job_run import adopted_steps, says_engine, to_undo
from sumpwright.records.logs import KeptJob
from sumpwright.records.looks import Look
from sumpwright.records.open_plugs import untightened_words
from sumpwright.records.standing import JobStanding
from sumpwright.records.state import JobState
from sumpwright.records.step_sets import StepSet
from sumpwright.web.views.asks import FORMS, Form
from sumpwright.web.views.bay import standing_data
from sumpwright.web.views.job_words import Words
from sumpwright.web.views.working import Run

if TYPE_CHECKING:
    from sumpwright.records.store import Store
    from sumpwright.web.state import Web
    from sumpwright.web.views.show import Show

_FIXED = frozenset({"opened", "signal", "reversed"})


@dataclass(frozen=True)
class LogRow:
    """One line of a job's log."""

    id: str
    seq: int
    text: str
    at: datetime
    by: str
    undone: bool
    undoable: bool
    closing: bool


@dataclass(frozen=True)
class Situated:
    """A job with all that its pages are made of."""

    kept: KeptJob
    state: JobState
    events: tuple[Event, ...]
    run: Run
    words: Words
    standing: JobStanding | None


def situate(web: Web, job: str, show: Show, *, estimate: bool = True) -> Situated:
    """Return a job with its log, its steps and, where wanted, the estimate of its fluid.

    Raises
    ------
    Complaint
        When there is no such job.
    """
    kept = web.store.jobs.get(job)
    state = web.store.jobs.state(kept.id)
    events = tuple(web.store.jobs.events(kept.id))
    run = web.working.runs.of(state, web.planner)
    words = Words(run.steps, events, show)
    standing = web.standings.of(state) if estimate and state.system is not None else None
    return Situated(kept, state, events, run, words, standing)


@dataclass(frozen=True)
class Next:
    """The step to do now, as a plain form shows it."""

    step: Step
    title: str
    instruction: str
    caution: str
    holds: tuple[tuple[str, str], ...]
    """Condition passed over, and why it holds the step back."""
    firm: bool
    """Whether no reason lets it pass."""
    before: str
    """The step that meets the first hold; empty where none does."""
    remark: str
    form: Form | None
    typed: Mapping[str, str]
    place: int
    steps: int
    expected: str
    may_be_none: bool
    may_be_left_out: bool


def next_step(
    at: Situated, show: Show, skipped: Sequence[str] = (), wanted: str = ""
) -> Next | None:
    """Return the step to do now, or one that was asked for; ``None`` when all are done."""
    from sumpwright.planning.job_step import condition

    adopted = adopted_steps(at.state)
    left_out = (*skipped, *(skipped_ids(adopted, at.run.steps) if adopted else ()))
    step = at.run.step(wanted) if wanted else at.run.next(left_out)
    if step is None:
        return None
    remarks = adopted.remarks if adopted else {}
    form = FORMS.get(step.entry.event)
    return Next(
        step=step,
        title=show.text(step.title.say(show.display)),
        instruction=show.text(step.instruction.say(show.display)),
        caution=show.text(step.caution.say(show.display)) if step.caution else "",
        holds=tuple(
            (condition(step, hold), show.text(hold.why.say(show.display)))
            for hold in at.run.holding(step)
        ),
        firm=any(hold.firm for hold in at.run.holding(step)),
        before=_before(at, step),
        remark=remarks.get(_root(step.id), ""),
        form=form,
        typed=_prefilled(at, step, show, adopted),
        place=at.run.steps.index(step) + 1,
        steps=len(at.run.steps),
        expected=_expected(step, show),
        may_be_none=step.entry.may_be_none,
        may_be_left_out=not step.optional and may_be_left_out(step, at.state.opened),
    )


def _before(at: Situated, step: Step) -> str:
    """Return the step that meets the first hold of a step."""
    steps, passed = at.run.steps, at.run.situation.passed
    for hold in at.run.holding(step):
        if hold.kind == "step":
            return hold.step
        if hold.engine == "off":
            return next(
                (
                    s.id
                    for s in steps
                    if s.turns == "off" and s.engine == "on" and s.id not in passed
                ),
                "",
            )
        if hold.engine == "on":
            place = steps.index(step)
            start = next((s.id for s in reversed(steps[:place]) if s.turns == "on"), "")
            run = start.partition(".")[2]
            leading = (f"check.{run}", f"ready.{run}", start)
            return next((id for id in leading if id not in passed), "")
    return ""


def over_body(first: str, also: Sequence[str], reason: str) -> dict[str, Any]:
    """Return the entry that passes over one or more conditions with one reason."""
    body: dict[str, Any] = {"step": first, "reason": reason}
    return body | {"also": list(also)} if also else body


def _root(step: str) -> str:
    from sumpwright.planning.kept_steps import root_of

    return root_of(step)


def _prefilled(at: Situated, step: Step, show: Show, adopted: KeptSteps | None) -> dict[str, str]:
    """Return what a plain form begins with: what is known, never what is to be measured."""
    entry = step.entry
    typed: dict[str, str] = {}
    if entry.event in ("filled", "exchanged"):
        typed["fluid"] = entry.subject or (at.state.system.fluid if at.state.system else "")
    elif entry.event == "tightened":
        typed["plug"] = entry.subject
        tools = (adopted.tools if adopted else {}).get(_root(step.id), {})
        for name in ("wrench_length", "extension"):
            if name in tools:
                typed[name] = show.length(tools[name])
        typed |= {name: str(tools[name]) for name in ("tool", "calibrated") if name in tools}
    elif entry.event == "sampled":
        typed["vial"] = entry.subject
        typed["taken_from"] = entry.taken_from
    elif entry.event == "worked" and entry.expected:
        typed["sweeps"] = f"{entry.expected.low:.0f}"
    elif entry.event == "read":
        typed["what"] = entry.subject or (entry.choices[0] if entry.choices else "")
    elif entry.event == "drained" and entry.leaned:
        typed["leaned"] = "yes"
    return typed


_EXPECTED = {
    "volume out": "volume",
    "volume in": "volume",
    "exchange": "volume",
    "purge": "volume",
    "temperature": "temperature",
    "torque": "torque",
}


def _expected(step: Step, show: Show) -> str:
    span = step.entry.expected
    if span is None or step.kind not in _EXPECTED:
        return ""
    write = {"volume": show.volume, "temperature": show.temperature, "torque": show.torque}[
        _EXPECTED[step.kind]
    ]
    low, high = write(span.low), write(span.high)
    if low == high:
        return low
    number, _, unit = low.partition(" ")
    return f"{number}–{high}" if high.endswith(unit) else f"{low}–{high}"


@dataclass(frozen=True)
class JobPage:
    """The page of a job."""

    at: Situated
    next: Next | None
    standing: dict[str, Any] | None
    balance: tuple[tuple[str, str], ...]
    log: tuple[LogRow, ...]
    undo: LogRow | None
    looks: tuple[Look, ...]
    adopted: str
    sets: tuple[StepSet, ...]
    photographs: tuple[tuple[str, str], ...]
    undone: str
    """What was undone last and can be brought back; empty when nothing is."""
    kinds: tuple[Form, ...]

    @property
    def set_choices(self) -> list[tuple[str, str]]:
        """The kept steps to choose from."""
        return [(kept.id, kept.name) for kept in self.sets]


def job_page(web: Web, at: Situated, show: Show) -> JobPage:
    """Return the page of a job."""
    state = at.state
    log = log_rows(at)
    last = to_undo(state)
    system = state.system
    return JobPage(
        at=at,
        next=next_step(at, show),
        standing=standing_data(at.standing, show) if at.standing else None,
        balance=balance_rows(state, show),
        log=log,
        undo=next((row for row in log if last and row.id == last.id), None),
        looks=tuple(web.store.looks.of(at.kept.id)),
        adopted=next(
            (e.body["name"] for e in reversed(state.effective) if e.kind == "adopted"), ""
        ),
        sets=tuple(web.store.step_sets.all(system.kind, state.method)) if system else (),
        photographs=tuple((p.attachment, p.caption) for p in state.photographs),
        undone=_undone(at),
        kinds=tuple(FORMS.values()),
    )


def _undone(at: Situated) -> str:
    by_id = {event.id: event for event in at.events}
    found = [by_id[e.body["event"]] for e in at.state.reversals if e.body["event"] in by_id]
    return next((at.words.say(e) for e in reversed(found) if e.kind != "reversed"), "")


def log_rows(at: Situated) -> tuple[LogRow, ...]:
    """Return the lines of a log, the newest first; reversals are shown as what they undid."""
    in_force = {event.id for event in at.state.effective}
    return tuple(
        LogRow(
            event.id,
            event.seq,
            at.words.say(event),
            event.at,
            event.by,
            event.id not in in_force,
            event.id in in_force
            and event.kind not in _FIXED
            and not (event.kind == "acknowledged" and says_engine(at.state, event)),
            event.kind == "closed",
        )
        for event in reversed(at.events)
        if event.kind != "reversed"
    )


def balance_rows(state: JobState, show: Show) -> tuple[tuple[str, str], ...]:
    """Return out, in, lost and the level against the start, in words."""
    balance = state.balance
    net = balance.net
    level = "as at the start"
    if abs(net) >= 5e-6:
        level = f"{show.volume(abs(net))} {'over' if net > 0 else 'missing'}"
    rows = [("Out", show.volume(balance.total_out)), ("In", show.volume(balance.total_in))]
    if balance.lost:
        rows.append(("Run out or spilt", show.volume(balance.lost)))
    return (*rows, ("Level", level))


def lesson(at: Situated) -> KeptSteps:
    """Return what a job teaches about its steps, with what it had taken over itself."""
    state = at.state
    adopted = adopted_steps(state) or KeptSteps()
    made = keep_steps(
        at.run.steps,
        at.run.situation.passed,
        [(e.body["step"], e.body["text"]) for e in state.notes if e.body.get("step")],
        [
            (e.body["step"], e.body)
            for e in state.effective
            if e.kind == "tightened" and e.body.get("step")
        ],
    )
    return KeptSteps(
        made.skipped, {**adopted.remarks, **made.remarks}, {**adopted.tools, **made.tools}
    )


@dataclass(frozen=True)
class Closing:
    """What is asked when a job is closed."""

    at: Situated
    ended: Ended
    left: tuple[str, ...]
    """Titles of the steps that are neither done nor passed over."""
    asked: tuple[str, ...]
    """Titles of those that are not left undone without a reason."""
    turned: tuple[str, ...]
    """Titles of the steps done out of turn."""
    untightened: tuple[str, ...]
    """Plugs that were opened and of which no tightening was entered, in words."""
    level: str
    """What is missing or over against the start; empty when nothing is."""
    lesson: KeptSteps
    taught: tuple[str, ...]


def closing(at: Situated, show: Show) -> Closing:
    """Return what to look at before a job is closed."""
    net = at.state.balance.net
    capacity = at.state.system.capacity.mid if at.state.system else 0.0
    level = ""
    if abs(net) > 0.02 * capacity:
        level = f"{show.volume(abs(net))} {'more' if net > 0 else 'less'} than at the start"
    kept = lesson(at)
    taught = [f"{at.words.title(root)}: {text}" for root, text in kept.remarks.items()]
    if kept.skipped:
        taught.append(f"left out: {', '.join(at.words.title(root) for root in kept.skipped)}")
    taught += [f"{at.words.title(root)}: the wrench" for root in kept.tools]
    end = ended(at.run.steps, at.state, at.run.situation.passed)
    return Closing(
        at,
        end,
        tuple(at.words.title(step.id) for step in end.left),
        tuple(at.words.title(step.id) for step in end.unsafe),
        tuple(at.words.title(step) for step in end.turned),
        tuple(show.text(line) for line in untightened_words(at.state, show.display)),
        level,
        kept,
        tuple(taught),
    )


def look_words(look: Look, show: Show) -> str:
    """Return when a look is due.

    Examples
    --------
    >>> from datetime import UTC
    >>> from sumpwright.display import Display
    >>> from sumpwright.web.views.show import Show
    >>> at = datetime(2025, 3, 1, tzinfo=UTC)
    >>> look = Look("i", "m", "Van", "j", "gearbox", 2e5, 1e8, at, None, "", "")
    >>> look_words(look, Show(Display()))
    'after 200 km, at 100 200 km'
    """
    if look.distance is None:
        return "after the first drive"
    words = f"after {show.distance(look.distance)}"
    return f"{words}, at {show.distance(look.due_at)}" if look.due_at is not None else words


def open_jobs(store: Store) -> tuple[list[KeptJob], list[KeptJob]]:
    """Return the jobs that are open and those that are closed, the newest first."""
    jobs = store.jobs.all()
    return [job for job in jobs if job.open], [job for job in jobs if not job.open]


def whole_number(text: str, name: str, most: int) -> int:
    """Read a whole number of a form.

    Raises
    ------
    Complaint
        When it is none, or out of range.
    """
    if not (text.isascii() and text.isdigit() and 1 <= int(text[:6]) <= most):
        raise Complaint(f"'{text[:20]}' is not a number from 1 to {most}", "write one", field=name)
    return int(text)
