"""``sumpwright job``: open, look at, and finish jobs."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from sumpwright.cli.common import (
    DbOption,
    JsonFlag,
    UsFlag,
    check_writable,
    display,
    print_json,
    say,
    table,
    write_out,
    yard,
)
from sumpwright.cli.doubting import Reason, over_doubts
from sumpwright.cli.parsing import Entry, quantity
from sumpwright.cli.plan import (
    CONFIDENCE,
    TARGET,
    Confidence,
    Have,
    Target,
    Worth,
    band,
    cycles_in_words,
    read_wish,
)
from sumpwright.errors import Complaint

if TYPE_CHECKING:
    from sumpwright.display import Display
    from sumpwright.records.chain import Event
    from sumpwright.records.closing import Ended
    from sumpwright.records.machines import KeptMachine
    from sumpwright.records.state import JobState
    from sumpwright.records.store import Store

app = typer.Typer(
    help="Carry out a job. Start it, log what happens, see where it stands, close it.",
    no_args_is_help=True,
)

JobOption = Annotated[
    str | None,
    typer.Option(
        "--job",
        help="Id of the job, its beginning or end, or the machine of an open one; "
        "the one open job if left out.",
        envvar="SUMPWRIGHT_JOB",
    ),
]
By = Annotated[str, typer.Option("--by", help="Who does it.", envvar="SUMPWRIGHT_BY")]


def find_job(store: Store, job: str | None, *, closed: bool = False) -> str:
    """Return the id of the job meant: the named one, or the only open one.

    With ``closed``, the last one that was closed will do where none is open.

    Raises
    ------
    Complaint
        When there is no such job, or more than one could be meant.
    """
    if job:
        return _named_job(store, job)
    known = store.jobs.all(open=True)
    if len(known) == 1:
        return known[0].id
    if known:
        names = ", ".join(f"'{j.machine_name}' {j.system} {j.id[-6:]}" for j in known[:5])
        raise Complaint(
            f"{len(known)} jobs are open: {names}",
            "name the machine, or the end of the job's id, with --job",
        )
    last = store.jobs.all()[:1]
    if closed and last:
        return last[0].id
    raise Complaint(
        "no job is open",
        "start one with 'sumpwright job start MACHINE'"
        + (", or name a closed one with --job" if last else ""),
    )


def _named_job(store: Store, job: str) -> str:
    try:
        return store.jobs.get(job).id
    except Complaint as none:
        of_machine = [
            j
            for j in store.jobs.all(open=True)
            if j.machine_name.casefold() == job.strip().casefold()
        ]
        if len(of_machine) == 1:
            return of_machine[0].id
        if of_machine:
            ends = ", ".join(f"{j.system} {j.id[-6:]}" for j in of_machine)
            raise Complaint(
                f"{len(of_machine)} jobs are open on {of_machine[0].machine_name}: {ends}",
                "name one by the end of its id",
            ) from None
        do = none.do.replace("the list of jobs", "'sumpwright job list'")
        raise Complaint(none.what, do, field="job") from None


@app.command("start", cls=Entry)
def start(
    machine: Annotated[str, typer.Argument(help="A machine of the yard.")],
    system: Annotated[
        str | None, typer.Option("--system", help="Which wet system, if there are several.")
    ] = None,
    method: Annotated[
        str | None, typer.Option("--method", help="How; the recommended method if left out.")
    ] = None,
    target: Target = TARGET,
    confidence: Confidence = CONFIDENCE,
    worth: Worth = None,
    have: Have = None,
    second: Annotated[
        str,
        typer.Option(
            "--second", metavar="REASON", help="Why, although one is open on the same fluid."
        ),
    ] = "",
    by: By = "",
    json_out: JsonFlag = False,
    us: UsFlag = False,
    db: DbOption = None,
) -> None:
    """Start a job on a machine of the yard.

    It keeps the machine's sheet as it stands now.
    """
    from sumpwright.planning.plan import make_plan
    from sumpwright.planning.report import plan_summary
    from sumpwright.records.second import refuse_second

    wish = read_wish(target, confidence, worth, have, [method] if method else None)
    with yard(db) as store:
        kept = _machine(store, machine)
        chosen = kept.system(system)
        remark = refuse_second(store, kept.id, chosen.name, second)
        plan = make_plan(chosen, kept.sheet.offers, wish, kept.sheet.spare)
        summary = plan_summary(plan)
        job = store.jobs.start(
            kept.id,
            chosen.name,
            method=plan.chosen.method.name,
            target=wish.target,
            confidence=wish.confidence,
            worth_per_point=wish.worth_per_point,
            planned=summary,
            by=by,
        )
        if remark:
            store.jobs.append(job.id, "noted", {"text": remark}, by=by)
        data = {"job": job.id, "machine": kept.name, "system": chosen.name, **summary}
    if json_out:
        print_json(data)
        return
    show = display(us, kept.sheet.currency)
    say(f"Job {job.id} on {kept.name}, {chosen.name}.")
    say(f"{plan.chosen.method.title}: {cycles_in_words(summary, show)}. {plan.reason}")
    if plan.chosen.method.line:
        say(
            f"Never discharge more than {show.volume(plan.safe)} at once: past that the pump may "
            "draw air."
        )
    say("First: see that the fill plug comes loose, before the drain is opened.")
    out = show.volume(plan.chosen.points[0].new_fluid)
    say(f"Then log each thing as you do it, such as: sumpwright job drain {out}")
    say("All steps with their cautions: sumpwright job steps")


def _machine(store: Store, name: str) -> KeptMachine:
    if name.casefold().endswith(".toml"):
        raise Complaint(
            f"'{name}' is a machine sheet, and a machine of the yard is wanted here",
            f"add it with 'sumpwright machine add {name}', then name the machine",
        )
    return store.machines.get(name)


@app.command("list")
def list_jobs(
    machine: Annotated[str | None, typer.Option("--machine", help="Only this machine.")] = None,
    json_out: JsonFlag = False,
    db: DbOption = None,
) -> None:
    """List the jobs, the newest first."""
    with yard(db) as store:
        jobs = store.jobs.all(machine=machine)
    if json_out:
        print_json(
            [
                {
                    "job": j.id,
                    "machine": j.machine_name,
                    "system": j.system,
                    "method": j.method,
                    "opened": j.opened_at.isoformat(),
                    "closed": None if j.closed_at is None else j.closed_at.isoformat(),
                    "events": j.length,
                }
                for j in jobs
            ]
        )
        return
    if not jobs:
        say("No jobs yet: start one with 'sumpwright job start MACHINE'.")
        return
    table(
        ["job", "machine", "system", "method", "opened", "state", "events>"],
        [
            [
                j.id,
                j.machine_name,
                j.system,
                j.method,
                f"{j.opened_at:%Y-%m-%d %H:%M}Z",
                "open" if j.open else "closed",
                str(j.length),
            ]
            for j in jobs
        ],
    )


def standing_data(state: JobState, events: list[Event] | None = None) -> dict[str, Any]:
    """Where a job stands as plain data, with the events just added."""
    from sumpwright.records.standing import job_standing

    data = job_standing(state).to_json()
    if events is not None:
        data["events"] = [e.plain() for e in events]
    return data


def job_display(state: JobState, us: bool) -> Display:
    """Return the units to show a job in, with the money of its sheet."""
    return display(us, state.sheet.currency if state.sheet else "")


def tell_standing(data: dict[str, Any], show: Display) -> None:
    """Print the balance, the state of the fluid and the advice."""
    b, f = data["balance"], data["fresh"]

    def litres(value: float) -> str:
        return show.volume(value * 1e-3)

    lost = f", lost {litres(b['lost_l'])}" if b["lost_l"] else ""
    net = b["net_l"]
    level = "at the level of the start"
    if abs(net) >= 0.005:
        level = f"{litres(abs(net))} {'above' if net > 0 else 'below'} the level of the start"
    say(f"Balance: out {litres(b['out_l'])}, in {litres(b['in_l'])}{lost}; {level}.")
    sure, target = show.share(data["probability"]), show.share(data["target"])
    say(f"Fluid: {band(f, show)} fresh; {sure} sure of at least {target}.")
    if data["samples"]["sentence"]:
        say(data["samples"]["sentence"])
    if data["open"]:
        say(f"Advice: {data['advice']['sentence']}")
    for flag in data["flags"]:
        say(f"Look at: {flag}")


@app.command("show")
def show_job(
    job: JobOption = None,
    json_out: JsonFlag = False,
    us: UsFlag = False,
    db: DbOption = None,
) -> None:
    """Show a job: its log, its balance and the state of the fluid."""
    with yard(db) as store:
        found = find_job(store, job, closed=True)
        kept = store.jobs.get(found)
        events = store.jobs.events(found)
        state = store.jobs.state(found)
    data = standing_data(state)
    if json_out:
        print_json({**data, "log": [e.plain() for e in events]})
        return
    show = job_display(state, us)
    say(f"Job {found} on {kept.machine_name}, {kept.system}: {'open' if kept.open else 'closed'}")
    say()
    _tell_log(events, state, show)
    say()
    tell_standing(data, show)


def _tell_log(events: list[Event], state: JobState, show: Display) -> None:
    from sumpwright.records.wording import describe_among

    by_id = {e.id: e for e in events}

    def what(event: Event) -> str:
        target = by_id.get(event.body["event"]) if event.kind == "reversed" else None
        number = f" ({target.seq})" if target is not None else ""
        return f"{describe_among(event, by_id, show)}{number}"

    zone = f"{events[-1].at.astimezone():%Z}"
    table(
        ["no>", f"time ({zone})", "what", "by", ""],
        [
            [
                str(e.seq),
                f"{e.at.astimezone():%Y-%m-%d %H:%M}",
                what(e),
                e.by,
                "undone" if e.id in state.reversed else "",
            ]
            for e in events
        ],
    )


@app.command("advise")
def advise_job(
    job: JobOption = None,
    json_out: JsonFlag = False,
    us: UsFlag = False,
    db: DbOption = None,
) -> None:
    """Say whether another cycle is worth it."""
    with yard(db) as store:
        state = store.jobs.state(find_job(store, job))
    data = standing_data(state)
    if json_out:
        print_json(data)
        return
    tell_standing(data, job_display(state, us))


@app.command("undo")
def undo(
    event: Annotated[
        str | None, typer.Argument(help="Number or id of the entry; the last one if left out.")
    ] = None,
    redo: Annotated[bool, typer.Option("--redo", help="Bring back what was undone last.")] = False,
    job: JobOption = None,
    by: By = "",
    json_out: JsonFlag = False,
    us: UsFlag = False,
    db: DbOption = None,
) -> None:
    """Take back an entry by a reversing one: nothing is erased."""
    from sumpwright.records.wording import describe_among

    with yard(db) as store:
        found = find_job(store, job)
        events = store.jobs.events(found)
        by_id = {e.id: e for e in events}
        if redo:
            if event is not None:
                raise Complaint("both an entry and --redo are given", "give one of the two")
            added = store.jobs.redo(found, by=by)
        else:
            added = store.jobs.undo(found, _event_id(event, events), by=by)
    data = standing_data(added.state, [added.event])
    if json_out:
        print_json(data)
        return
    show = job_display(added.state, us)
    target = by_id[added.event.body["event"]]
    verb, hint = "Undone", " ('job undo --redo' brings it back)"
    if target.kind == "reversed":
        verb, hint = "In force again", ""
        target = by_id[target.body["event"]]
    say(f"{verb}: {target.seq}. {describe_among(target, by_id, show)}{hint}.")
    tell_standing(data, show)


def _event_id(text: str | None, events: list[Event]) -> str | None:
    if text is None:
        return None
    if text.isdigit() and len(text) < 8:
        number = int(text)
        for event in events:
            if event.seq == number:
                return event.id
        raise Complaint(
            f"the job has no entry {number}", f"it has entries 1 to {len(events)}", field="event"
        )
    return text


Pdf = Annotated[Path | None, typer.Option("--pdf", help="Write the service record here.")]
JsonFile = Annotated[
    Path | None, typer.Option("--json-file", help="Write the job with its log as JSON here.")
]
Letter = Annotated[bool, typer.Option("--letter", help="US letter instead of A4.")]


@app.command("record")
def record(
    job: JobOption = None,
    pdf: Pdf = None,
    out: JsonFile = None,
    letter: Letter = False,
    json_out: JsonFlag = False,
    us: UsFlag = False,
    db: DbOption = None,
) -> None:
    """Write the record of a job.

    PDF for people, JSON that can be verified.
    """
    if pdf is None and out is None:
        raise Complaint("no file is named", "give --pdf FILE, --json-file FILE or both")
    check_writable(pdf)
    check_writable(out)
    with yard(db) as store:
        found = find_job(store, job, closed=True)
        problems = _write_record(store, found, pdf, out, us=us, letter=letter)
    if json_out:
        print_json({"job": found, "problems": problems, **_files(pdf, out)})
    else:
        _tell_files(pdf, out)
    _not_sound(found, problems)


def _write_record(
    store: Store,
    job: str,
    pdf: Path | None,
    out: Path | None,
    *,
    us: bool,
    letter: bool,
) -> list[str]:
    """Write the record, marked where its log is not sound, and return what is wrong with it."""
    problems = [str(problem) for problem in store.jobs.verify(job)] if pdf or out else []
    if pdf is not None:
        from sumpwright.link.kept import drawn_logs
        from sumpwright.paper.record import record_pdf
        from sumpwright.records.standing import job_standing

        state = store.jobs.state(job)
        pictures = {p.attachment: store.attachments.data(p.attachment) for p in state.photographs}
        content = record_pdf(
            job_standing(state),
            store.jobs.events(job),
            job_display(state, us),
            paper="us-letter" if letter else "a4",
            photographs=pictures,
            logs=drawn_logs(store, state),
            problems=problems,
        )
        write_out(pdf, content)
    if out is not None:
        from sumpwright.records.export import export_record
        from sumpwright.remote.store import RemoteStore

        if isinstance(store, RemoteStore):
            write_out(out, store.record(job))
        else:
            export_record(store, job, out)
    return problems


def _not_sound(job: str, problems: list[str]) -> None:
    if problems:
        raise Complaint(
            f"NOT SOUND: the log was altered or damaged ({problems[0]}), as the record shows",
            f"trust it no further, and look at 'sumpwright verify {job[-6:]}'",
        )


def _files(pdf: Path | None, out: Path | None) -> dict[str, str | None]:
    return {
        "pdf": None if pdf is None else str(pdf),
        "json_file": None if out is None else str(out),
    }


def _tell_files(pdf: Path | None, out: Path | None) -> None:
    if pdf is not None:
        say(f"Record: {pdf}")
    if out is not None:
        say(f"Record (JSON): {out}")


def _ended(state: JobState) -> Ended:
    """Return what the job leaves undone; nothing is known where few of its steps were ticked."""
    from sumpwright.cli.steps import passed_steps, steps_of
    from sumpwright.records.closing import Ended, ended

    if not state.done or state.system is None:
        return Ended((), (), False)
    steps = steps_of(state)
    end = ended(steps, state, passed_steps(steps, state))
    required = sum(not step.optional for step in steps)
    # A shell keeps entries by their verbs, and a tick here and there leads no job.
    return end if 2 * len(end.left) <= required else Ended((), (), False)


@app.command("close", cls=Entry)
def close(
    odometer: Annotated[
        str | None, quantity("--odometer", "Reading at the end, such as 84210 km.")
    ] = None,
    hours: Annotated[
        str | None, quantity("--hours", "Hour meter at the end, such as '2140.5 h'.")
    ] = None,
    summary: Annotated[str | None, typer.Option("--summary", help="One sentence.")] = None,
    reason: Reason = "",
    pdf: Pdf = None,
    out: JsonFile = None,
    letter: Letter = False,
    job: JobOption = None,
    by: By = "",
    json_out: JsonFlag = False,
    us: UsFlag = False,
    db: DbOption = None,
) -> None:
    """Close a job, and write its record if files are named."""
    from sumpwright.records.jobs import NewEvent
    from sumpwright.records.open_plugs import untightened_words
    from sumpwright.units import parse_quantity

    body: dict[str, Any] = {}
    if odometer is not None:
        body["odometer"] = parse_quantity(odometer, "distance", "--odometer")
    if hours is not None:
        body["hours"] = parse_quantity(hours, "time", "--hours")
    if summary is not None:
        body["summary"] = summary
    check_writable(pdf)
    check_writable(out)
    with yard(db) as store:
        found = find_job(store, job)
        over = over_doubts(store, found, "closed", body, reason, us)
        end = _ended(store.jobs.state(found))
        over += end.reasoned(reason, [str(step.title) for step in end.unsafe])
        body |= end.body
        entries = [*over, ("closed", body)]
        kept = store.jobs.append_all(found, [NewEvent(k, b, by) for k, b in entries])
        added = kept[-1]
        try:
            problems = _write_record(store, found, pdf, out, us=us, letter=letter)
        except Complaint as complaint:
            raise Complaint(
                f"{complaint.what} (the job itself is closed)",
                f"{complaint.do}; then write it with 'sumpwright job record --job {found[-6:]}'",
                complaint.where,
            ) from complaint
    data = standing_data(added.state, [each.event for each in kept])
    if json_out:
        print_json({**data, "problems": problems, **_files(pdf, out)})
        _not_sound(found, problems)
        return
    say(f"Job {found} is closed.")
    show = job_display(added.state, us)
    tell_standing(data, show)
    for line in untightened_words(added.state, show):
        say(f"Look at: {line}")
    _tell_files(pdf, out)
    _not_sound(found, problems)
    if pdf is None:
        say(f"To hand it over: sumpwright job record --job {found[-6:]} --pdf record.pdf")
