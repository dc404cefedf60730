"""The entries of a job's log, one verb each: ``sumpwright job drain 4.1 L``."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from sumpwright.cli.common import (
    DbOption,
    JsonFlag,
    UsFlag,
    display,
    number,
    print_json,
    say,
    warn,
    whole,
    yard,
)
from sumpwright.cli.doubting import Reason, over_doubts
from sumpwright.cli.job import (
    By,
    JobOption,
    app,
    find_job,
    job_display,
    standing_data,
    tell_standing,
)
from sumpwright.cli.parsing import Entry, TakenFrom, Words, place_in, quantity
from sumpwright.errors import Complaint

if TYPE_CHECKING:
    from sumpwright.unit_words import Dimension

Volume = Annotated[
    list[str], typer.Argument(metavar="VOLUME", help="Volume with its unit, such as 4.1 L.")
]
FluidOption = Annotated[
    str | None, typer.Option("--fluid", help="Name of the fluid; the sheet's if left out.")
]
Lot = Annotated[str | None, typer.Option("--lot", help="Lot or batch number on the container.")]
Price = Annotated[str | None, typer.Option("--price", metavar="MONEY", help="What it cost.")]


def add_entry(
    kind: str,
    body: Mapping[str, Any],
    job: str | None,
    by: str,
    json_out: bool,
    us: bool,
    db: str | None,
    reason: str = "",
) -> None:
    """Add an entry to the job meant, and say where the job stands then.

    What looks like a slip is taken only with a ``reason``, which is kept before it.
    """
    from sumpwright.records.jobs import NewEvent
    from sumpwright.records.wording import describe

    clean = {key: value for key, value in body.items() if value is not None}
    with yard(db) as store:
        found = find_job(store, job)
        over = over_doubts(store, found, kind, clean, reason, us)
        entries = [*over, (kind, clean)]
        made = [NewEvent(k, b, by) for k, b in entries]
        kept = store.jobs.append_all(found, made, display(us, ""))
    added = kept[-1]
    data = standing_data(added.state, [each.event for each in kept])
    if json_out:
        print_json(data)
        return
    show = job_display(added.state, us)
    say(f"{added.event.seq}. {describe(added.event, show)}.")
    tell_standing(data, show)


def _volume(pieces: list[str]) -> float:
    from sumpwright.units import parse_pieces

    warnings: list[str] = []
    value = parse_pieces(pieces, "volume", "volume", warnings)
    warn(warnings)
    return value


def _number(text: str | None, where: str) -> float | None:
    return None if text is None else number(text, where)


def _quantity(text: str | None, dimension: Dimension, where: str) -> float | None:
    from sumpwright.units import parse_quantity

    warnings: list[str] = []
    value = None if text is None else parse_quantity(text, dimension, where, warnings)
    if value is not None and dimension == "share" and not 0.0 <= value <= 1.0:
        raise Complaint(f"{text} is not a share", "write it from 0 to 1, or as 9 %", where)
    warn(warnings)
    return value


def _sheet_fluid(fluid: str | None, job: str | None, db: str | None) -> str:
    if fluid:
        return fluid
    with yard(db) as store:
        system = store.jobs.state(find_job(store, job)).system
    if system is None or not system.fluid:
        raise Complaint(
            "the sheet names no fluid for this system", "give it with --fluid", field="fluid"
        )
    return system.fluid


@app.command("drain", cls=Entry)
def drain(
    volume: Volume,
    leaned: Annotated[
        bool, typer.Option("--leaned", help="The machine was leaned over the plug for more.")
    ] = False,
    temperature: Annotated[
        str | None, quantity("--temperature", "Of the fluid, such as 60 C.")
    ] = None,
    reason: Reason = "",
    job: JobOption = None,
    by: By = "",
    json_out: JsonFlag = False,
    us: UsFlag = False,
    db: DbOption = None,
) -> None:
    """Fluid let out at the drain plug.

    More than was in it by the sheet takes a --reason: it may have been filled too high.
    """
    body = {
        "volume": _volume(volume),
        "leaned": leaned or None,
        "temperature": _quantity(temperature, "temperature", "--temperature"),
    }
    add_entry("drained", body, job, by, json_out, us, db, reason)


@app.command("fill", cls=Entry)
def fill(
    volume: Volume,
    fluid: FluidOption = None,
    lot: Lot = None,
    price: Price = None,
    reason: Reason = "",
    job: JobOption = None,
    by: By = "",
    json_out: JsonFlag = False,
    us: UsFlag = False,
    db: DbOption = None,
) -> None:
    """New fluid put in."""
    body = {
        "volume": _volume(volume),
        "fluid": _sheet_fluid(fluid, job, db),
        "lot": lot,
        "price": _number(price, "--price"),
    }
    add_entry("filled", body, job, by, json_out, us, db, reason)


@app.command("discharge", cls=Entry)
def discharge(
    volume: Volume,
    seconds: Annotated[
        str | None, typer.Option("--seconds", metavar="SECONDS", help="How long it ran.")
    ] = None,
    reason: Reason = "",
    job: JobOption = None,
    by: By = "",
    json_out: JsonFlag = False,
    us: UsFlag = False,
    db: DbOption = None,
) -> None:
    """Fluid pushed out through the open cooler line.

    By the machine's own pump, into the marked bottle. More than the largest safe discharge
    takes a --reason: the pump may have drawn air.
    """
    body = {"volume": _volume(volume), "seconds": _number(seconds, "--seconds")}
    add_entry("discharged", body, job, by, json_out, us, db, reason)


@app.command("exchange", cls=Entry)
def exchange(
    volume: Volume,
    fluid: FluidOption = None,
    lot: Lot = None,
    price: Price = None,
    reason: Reason = "",
    job: JobOption = None,
    by: By = "",
    json_out: JsonFlag = False,
    us: UsFlag = False,
    db: DbOption = None,
) -> None:
    """New fluid pumped in as the old one leaves."""
    body = {
        "volume": _volume(volume),
        "fluid": _sheet_fluid(fluid, job, db),
        "lot": lot,
        "price": _number(price, "--price"),
    }
    add_entry("exchanged", body, job, by, json_out, us, db, reason)


@app.command("purge", cls=Entry)
def purge(
    share: Annotated[
        list[str],
        typer.Argument(metavar="SHARE", help="Share of the loop blown out, such as 60 %."),
    ],
    volume: Annotated[str | None, quantity("--volume", "What was caught, such as 0.3 L.")] = None,
    job: JobOption = None,
    by: By = "",
    json_out: JsonFlag = False,
    us: UsFlag = False,
    db: DbOption = None,
) -> None:
    """The cooler loop blown out with low-pressure air."""
    body = {
        "share": _quantity(" ".join(share), "share", "share"),
        "volume": _quantity(volume, "volume", "--volume"),
    }
    add_entry("purged", body, job, by, json_out, us, db)


@app.command("work", cls=Entry)
def work(
    sweeps: Annotated[
        str, typer.Argument(metavar="N", help="Sweeps of the selector, engine running.")
    ],
    job: JobOption = None,
    by: By = "",
    json_out: JsonFlag = False,
    us: UsFlag = False,
    db: DbOption = None,
) -> None:
    """The selector moved through its positions."""
    add_entry("worked", {"sweeps": whole(sweeps, "sweeps")}, job, by, json_out, us, db)


@app.command("drive", cls=Entry)
def drive(
    distance: Annotated[str | None, quantity("--distance", "How far, such as 12 km.")] = None,
    minutes: Annotated[
        str | None, typer.Option("--minutes", metavar="MINUTES", help="How long.")
    ] = None,
    job: JobOption = None,
    by: By = "",
    json_out: JsonFlag = False,
    us: UsFlag = False,
    db: DbOption = None,
) -> None:
    """A drive, after which everything is mixed."""
    body = {
        "distance": _quantity(distance, "distance", "--distance"),
        "seconds": None if minutes is None else number(minutes, "--minutes") * 60.0,
    }
    add_entry("drove", body, job, by, json_out, us, db)


@app.command("circulate", cls=Entry)
def circulate(
    volume: Volume,
    job: JobOption = None,
    by: By = "",
    json_out: JsonFlag = False,
    us: UsFlag = False,
    db: DbOption = None,
) -> None:
    """Fluid pumped round with the return connected."""
    add_entry("circulated", {"volume": _volume(volume)}, job, by, json_out, us, db)


@app.command("lost", cls=Entry)
def lost(
    volume: Volume,
    reason: Reason = "",
    job: JobOption = None,
    by: By = "",
    json_out: JsonFlag = False,
    us: UsFlag = False,
    db: DbOption = None,
) -> None:
    """Fluid spilt, leaked, or run out at the level port."""
    add_entry("lost", {"volume": _volume(volume)}, job, by, json_out, us, db, reason)


@app.command("reading", cls=Entry)
def reading(
    what: Annotated[
        str, typer.Argument(help="temperature, ambient, odometer, hours, height, pressure …")
    ],
    value: Annotated[
        list[str], typer.Argument(metavar="VALUE", help="Value with its unit, such as 41 C.")
    ],
    reason: Reason = "",
    job: JobOption = None,
    by: By = "",
    json_out: JsonFlag = False,
    us: UsFlag = False,
    db: DbOption = None,
) -> None:
    """A reading: temperature, odometer, height …"""
    from sumpwright.records.entry_text import reading_body

    warnings: list[str] = []
    body = reading_body(what, " ".join(value), warnings)
    warn(warnings)
    add_entry("read", body, job, by, json_out, us, db, reason)


@app.command("tighten", cls=Entry)
def tighten(
    plug: Annotated[str, typer.Argument(help="Name of the plug on the sheet.")],
    torque: Annotated[
        list[str], typer.Argument(metavar="TORQUE", help="Torque applied, such as 27 N.m.")
    ],
    target: Annotated[
        str | None, quantity("--target", "Torque of the manual, if the sheet has none.")
    ] = None,
    as_found: Annotated[str | None, quantity("--as-found", "Torque found on opening.")] = None,
    extension: Annotated[
        str | None, quantity("--extension", "Length of an extension in line with the wrench.")
    ] = None,
    wrench: Annotated[
        str | None, quantity("--wrench-length", "Grip to square drive, with an extension.")
    ] = None,
    tool: Annotated[str | None, typer.Option("--tool", help="Which wrench.")] = None,
    calibrated: Annotated[
        str | None, typer.Option("--calibrated", help="Date of its calibration, YYYY-MM-DD.")
    ] = None,
    new_seal: Annotated[
        bool | None, typer.Option("--new-seal/--old-seal", help="Whether a new seal was fitted.")
    ] = None,
    marked: Annotated[
        bool | None, typer.Option("--marked/--unmarked", help="Whether a paint mark was set.")
    ] = None,
    reason: Reason = "",
    job: JobOption = None,
    by: By = "",
    json_out: JsonFlag = False,
    us: UsFlag = False,
    db: DbOption = None,
) -> None:
    """A plug tightened.

    With an extension in line, the setting of the wrench is worked out.
    """
    from sumpwright.physics.torque import wrench_setting

    body: dict[str, Any] = {
        "plug": plug,
        "torque": _quantity(" ".join(torque), "torque", "torque"),
        "target": _quantity(target, "torque", "--target"),
        "as_found": _quantity(as_found, "torque", "--as-found"),
        "extension": _quantity(extension, "length", "--extension"),
        "wrench_length": _quantity(wrench, "length", "--wrench-length"),
        "tool": tool,
        "calibrated": calibrated,
        "new_seal": new_seal,
        "marked": marked,
    }
    if (body["extension"] is None) != (body["wrench_length"] is None):
        raise Complaint(
            "an extension needs both lengths",
            "give --extension and --wrench-length together",
            field="extension",
        )
    if body["extension"] is not None:
        body["wrench_set"] = float(
            wrench_setting(body["torque"], body["wrench_length"], body["extension"])
        )
    add_entry("tightened", body, job, by, json_out, us, db, reason)


@app.command("sample", cls=Entry)
def sample(
    vial: Annotated[str, typer.Argument(help="Label of the vial.")],
    old_share: Annotated[
        str | None, quantity("--old-share", "Measured share of old fluid, such as 9 %.")
    ] = None,
    error: Annotated[str | None, quantity("--error", "Its standard error, such as 3 %.")] = None,
    note: Annotated[str | None, typer.Option("--note", help="What it looks like.")] = None,
    taken_from: TakenFrom = "",
    job: JobOption = None,
    by: By = "",
    json_out: JsonFlag = False,
    us: UsFlag = False,
    db: DbOption = None,
) -> None:
    """A sample kept in a vial.

    Without --from it is of what came out last; after a drive, the selector worked or the engine
    run since the refill, of the mixture that stands in the sump.
    """
    place = place_in(taken_from)
    with yard(db) as store:
        cycle = store.jobs.state(find_job(store, job)).cycles
    body = {
        "vial": vial,
        "cycle": cycle,
        "note": note,
        "taken_from": place or None,
        "old_share": _quantity(old_share, "share", "--old-share"),
        "standard_error": _quantity(error, "share", "--error"),
    }
    add_entry("sampled", body, job, by, json_out, us, db)


@app.command("photo")
def photo(
    file: Annotated[Path, typer.Argument(help="JPEG, PNG or HEIC.")],
    caption: Annotated[str | None, typer.Option("--caption", help="What it shows.")] = None,
    job: JobOption = None,
    by: By = "",
    json_out: JsonFlag = False,
    us: UsFlag = False,
    db: DbOption = None,
) -> None:
    """A photograph kept with the job.

    Only its pixels are kept: not the place, the time and the device that a camera writes into it.
    """
    import mimetypes

    from sumpwright.records.photographs import keep_file

    try:
        data = file.read_bytes()
    except OSError as error:
        raise Complaint(
            f"cannot read: {error.strerror or error}", "name a photograph", str(file)
        ) from error
    media = mimetypes.guess_type(file.name)[0] or "application/octet-stream"
    with yard(db) as store:
        find_job(store, job)
        try:
            kept = keep_file(store, data, media, file.name, by)
        except Complaint as complaint:
            raise Complaint(complaint.what, complaint.do, str(file)) from None
    add_entry(
        "photographed", {"attachment": kept.sha256, "caption": caption}, job, by, json_out, us, db
    )


@app.command("note", cls=Words)
def note(
    text: Annotated[list[str], typer.Argument(metavar="TEXT", help="The remark.")],
    job: JobOption = None,
    by: By = "",
    json_out: JsonFlag = False,
    us: UsFlag = False,
    db: DbOption = None,
) -> None:
    """A remark."""
    add_entry("noted", {"text": " ".join(text)}, job, by, json_out, us, db)
