"""The steps of a job, with the caution that matters at each."""

from __future__ import annotations

import difflib
from collections import Counter
from typing import TYPE_CHECKING, Annotated

import typer

from sumpwright.cli.common import DbOption, JsonFlag, UsFlag, print_json, say, yard
from sumpwright.cli.entries import add_entry
from sumpwright.cli.job import By, JobOption, app, find_job, job_display
from sumpwright.errors import Complaint

if TYPE_CHECKING:
    from sumpwright.planning.job_step import Step
    from sumpwright.records.state import JobState


def steps_of(state: JobState) -> list[Step]:
    """Return the steps of a job, up to the cycle it is in or was planned to reach."""
    from sumpwright.planning.job_run import in_force
    from sumpwright.planning.outcome import Wish
    from sumpwright.planning.plan import make_plan
    from sumpwright.planning.steps_of_job import steps_for
    from sumpwright.records.job_run import decided_cycles, situation_of
    from sumpwright.records.standing import job_method

    if state.system is None or state.sheet is None:
        raise Complaint("the job has no wet system", "start it on a machine of the yard")
    method = job_method(state)
    wish = Wish(
        state.target or 0.9, state.confidence or 0.9, have=method.needs, methods=(method.name,)
    )
    plan = make_plan(state.system, state.sheet.offers, wish, state.sheet.spare)
    count = decided_cycles(state) or max(plan.point.cycles, state.cycles)
    order, longest = (steps_for(state.system, method, plan, n) for n in (count, state.cycles + 2))
    return list(in_force(order, longest, situation_of(state)))


def passed_steps(steps: list[Step], state: JobState) -> set[str]:
    """Return the steps that the log has passed, by their ids or by what they are kept as."""
    passed = {*state.done, *state.overridden}
    # An entry made with a verb of the shell names no step: it is the next such step.
    entered: Counter[tuple[str, str]] = Counter()
    for event in state.effective:
        if "step" not in event.body:
            subject = str(event.body.get("plug") or event.body.get("what") or "")
            entered[event.kind, subject.casefold()] += 1
    for step in steps:
        named = step.entry.event in ("tightened", "read")
        key = (step.entry.event, step.entry.subject.casefold() if named else "")
        if step.entry.event and entered[key] and step.id not in passed:
            entered[key] -= 1
            passed.add(step.id)
    return passed


@app.command("steps")
def show_steps(
    job: JobOption = None,
    json_out: JsonFlag = False,
    us: UsFlag = False,
    db: DbOption = None,
) -> None:
    """List the steps of a job in their order, each with its caution."""
    with yard(db) as store:
        state = store.jobs.state(find_job(store, job))
    steps = steps_of(state)
    passed = passed_steps(steps, state)
    show = job_display(state, us)
    if json_out:
        print_json([{**step.to_json(show), "done": step.id in passed} for step in steps])
        return
    for step in steps:
        done = "x" if step.id in passed else " "
        optional = " (if wanted)" if step.optional else ""
        say(f"[{done}] {step.id}: {step.title.say(show)}{optional}")
        say(f"    {step.instruction.say(show)}")
        if step.caution is not None:
            say(f"    CAUTION: {step.caution.say(show)}")
    say("Tick one with 'sumpwright job step ID'; volumes and torques are ticked as you log them.")


@app.command("step")
def step(
    name: Annotated[str, typer.Argument(metavar="ID", help="Id of the step, as in 'job steps'.")],
    reason: Annotated[
        str | None,
        typer.Option("--override", help="Why the step was passed without its condition."),
    ] = None,
    job: JobOption = None,
    by: By = "",
    json_out: JsonFlag = False,
    us: UsFlag = False,
    db: DbOption = None,
) -> None:
    """Tick a step, or pass it over for a reason."""
    with yard(db) as store:
        state = store.jobs.state(find_job(store, job))
    known = [s.id for s in steps_of(state)]
    if name not in known:
        near = difflib.get_close_matches(name, known, n=1)
        raise Complaint(
            f"the job has no step '{name}'",
            f"did you mean '{near[0]}'?" if near else "see 'sumpwright job steps'",
        )
    if reason is None:
        add_entry("did", {"step": name}, job, by, json_out, us, db)
    else:
        add_entry("overrode", {"step": name, "reason": reason}, job, by, json_out, us, db)
