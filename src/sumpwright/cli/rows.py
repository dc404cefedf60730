"""``sumpwright job samples``: a photographed row of a job's vials."""

from __future__ import annotations

from typing import Annotated

import typer

from sumpwright.cli.common import DbOption, JsonFlag, UsFlag, print_json, say, warn, yard
from sumpwright.cli.job import (
    By,
    JobOption,
    app,
    find_job,
    job_display,
    standing_data,
    tell_standing,
)
from sumpwright.cli.parsing import TakenFrom, place_in
from sumpwright.errors import Complaint
from sumpwright.samples.command import (
    USUAL_SHARES,
    DilutionPhoto,
    DilutionShares,
    OldEnd,
    RowPhoto,
)


@app.command("samples")
def samples(
    photo: RowPhoto,
    old: OldEnd,
    vials: Annotated[
        str,
        typer.Option(
            "--vials",
            metavar="LABEL,…",
            help="Labels between the ends, left to right; - is none of this job.",
        ),
    ] = "",
    dilution: DilutionPhoto = None,
    dilution_shares: DilutionShares = USUAL_SHARES,
    taken_from: TakenFrom = "",
    sure: Annotated[
        bool,
        typer.Option("--sure", help="Keep a row whose order or ends look wrong, as it stands."),
    ] = False,
    job: JobOption = None,
    by: By = "",
    json_out: JsonFlag = False,
    us: UsFlag = False,
    db: DbOption = None,
) -> None:
    """A photographed row of the job's samples.

    Keeps the photograph, without the place and the device that cameras write into it, and
    the share of old fluid in each sample. With --from all of them are said to be taken from
    there; without it each stays as it was noted. The same row again adds nothing.
    """
    from sumpwright.records.wording import describe
    from sumpwright.samples.command import shares_in
    from sumpwright.samples.keeping import Dilution, confirmed, keep_copy, keep_row, labels_for
    from sumpwright.samples.photograph import load
    from sumpwright.samples.reading import calibrate, read_row

    place = place_in(taken_from)
    with yard(db) as store:
        wanted = find_job(store, job)
        calibration, mixed = None, None
        if dilution is not None:
            mixed, shares = load(dilution), shares_in(dilution_shares)
            calibration = calibrate(mixed, shares)
        picture = load(photo)
        reading = read_row(picture, old, calibration=calibration)
        labels = [label for label in vials.split(",") if label.strip()]
        try:
            labels_for(store.jobs.state(wanted), reading, labels)
            confirmed(reading, sure)
            row = None
            if mixed is not None:
                row = Dilution(keep_copy(store, mixed, by), tuple(shares))
            added = keep_row(
                store, wanted, picture, reading, labels, by, dilution=row, place=place, sure=sure
            )
        except Complaint as complaint:
            where = {"vials": "--vials", "sure": "--sure"}.get(complaint.field, complaint.where)
            raise Complaint(complaint.what, complaint.do, where, complaint.field) from None
        state = added[-1].state if added else store.jobs.state(wanted)
    data = standing_data(state, [one.event for one in added])
    warn(reading.warnings)
    if json_out:
        print_json(data)
        return
    show = job_display(state, us)
    if not added:
        say("This row is kept already; nothing was added.")
    for one in added:
        say(f"{one.event.seq}. {describe(one.event, show)}.")
    tell_standing(data, show)
