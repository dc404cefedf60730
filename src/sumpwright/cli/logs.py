"""``sumpwright job logs``: the temperature logs that a job keeps, and what they age the fluid."""

from __future__ import annotations

from typing import Annotated

import typer

from sumpwright.cli.common import DbOption, JsonFlag, UsFlag, print_json, say, table, yard
from sumpwright.cli.job import By, JobOption, app, find_job, job_display


@app.command("logs")
def logs(
    count: Annotated[
        bool,
        typer.Option("--count", help="Count those that are not yet, towards the thermal age."),
    ] = False,
    job: JobOption = None,
    by: By = "",
    json_out: JsonFlag = False,
    us: UsFlag = False,
    db: DbOption = None,
) -> None:
    """The temperature logs kept with a job.

    A log heard from the machine while its level was set is counted towards the thermal age of its
    fluid by itself; a recording that was played is counted with --count, once.
    """
    from sumpwright.link.kept import count_log, logged, uncounted

    with yard(db) as store:
        state = store.jobs.state(find_job(store, job, closed=True))
        added = uncounted(store, state) if count else []
        for name in added:
            count_log(store, state, name, by)
        waiting = uncounted(store, state)
    rows = [(event, event.body["attachment"]) for event in logged(state)]
    if json_out:
        data = [{**e.body, "at": e.plain()["at"], "counted": n not in waiting} for e, n in rows]
        print_json({"job": state.job, "logs": data, "added": len(added)})
        return
    if not rows:
        say("This job keeps no temperature log: the level screen keeps what it watches.")
        return
    show = job_display(state, us)
    table(
        ["log", "readings>", "lasts>", "lowest>", "highest>", "thermal age"],
        [
            [
                name[:12],
                str(e.body["readings"]),
                show.duration(e.body["seconds"]),
                show.temperature(e.body["lowest"]),
                show.temperature(e.body["highest"]),
                "not counted" if name in waiting else "counted",
            ]
            for e, name in rows
        ],
    )
    if added:
        say(f"Counted now: {len(added)}.")
    elif waiting:
        say("Count them with --count.")
