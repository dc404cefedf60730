"""The service record of a job, as PDF."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import UTC, datetime, tzinfo
from typing import Any

from sumpwright.display import Display
from sumpwright.paper.charts import svg
from sumpwright.paper.course_chart import course_chart
from sumpwright.paper.log_chart import Logs, log_chart, log_words, window_of
from sumpwright.paper.look import PAPER
from sumpwright.paper.pictures import prepare, vials_on
from sumpwright.paper.record_data import record_json
from sumpwright.paper.record_parts import clock, parts
from sumpwright.paper.typeset import Paper, named, short, typeset
from sumpwright.planning.said import show
from sumpwright.planning.verdict import verdict
from sumpwright.records.chain import Event
from sumpwright.records.standing import JobStanding

DISPOSAL = (
    "Used fluid, rags and filters go to a licensed collector or a collection point, in closed "
    "and labelled vessels, not mixed with other liquids, as local rules ask. Never into a drain, "
    "onto the ground or into household waste."
)

__all__ = ["not_sound", "record_json", "record_pdf"]


def record_pdf(
    standing: JobStanding,
    events: Sequence[Event],
    display: Display | None = None,
    *,
    paper: Paper = "a4",
    at: datetime | None = None,
    zone: tzinfo = UTC,
    photographs: Mapping[str, bytes] | None = None,
    logs: Logs | None = None,
    problems: Sequence[str] = (),
    comma: bool = False,
) -> bytes:
    """Print the service record of a job.

    Parameters
    ----------
    standing : JobStanding
        The job's state with the estimate of its fluid.
    events : sequence of Event
        The whole log, undone entries included.
    display : Display, optional
        Metric or US units, and the money.
    paper : {'a4', 'us-letter'}
    at : datetime, optional
        When it is printed; now, if left out. The same job, display and date give
        the same bytes.
    zone : tzinfo
        Time zone of the times shown.
    photographs : mapping, optional
        Bytes of the photographs by their sha256; those that are missing or cannot
        be read are named without a picture.
    logs : mapping, optional
        Seconds and K of the temperature logs by their sha256, as many points as are to
        be drawn; those that are missing are named without a figure.
    problems : sequence of str
        What verifying the log found; with any, NOT SOUND stands across every sheet.
    comma : bool
        Whether the decimal sign is a comma.

    Returns
    -------
    bytes

    Raises
    ------
    Complaint
        If the paper is not known.
    """
    units = display or Display(
        currency=standing.state.sheet.currency if standing.state.sheet else ""
    )
    made = at or datetime.now(UTC)
    data = record_json(standing, events, made)
    chart = course_chart(
        standing.course,
        standing.state.target,
        standing.state.samples,
        units,
        PAPER,
        width=500,
        height=250,
        left_out=standing.left_out,
    )
    words = verdict(standing.course, standing.state.target, standing.state.confidence or 0.90)
    files, pictures = prepare(
        data["photographs"], photographs or {}, lambda t: clock(t, zone), vials_on(data, units)
    )
    figures, drawn = _logs(data, logs or {}, units, zone, comma)
    files |= figures
    when = made.astimezone(zone)
    head = data["chain"]["head"]
    view = {
        "title": f"Service record: {data['machine']['name']}, {data['system']['name']}",
        "author": ", ".join(data["job"]["people"]),
        "kicker": "Service record",
        "machine": data["machine"]["name"],
        "system": named(data["system"]["name"], data["system"]["kind"]),
        "when": _when(data, zone),
        "stamp": "NOT SOUND" if problems else "",
        "banners": [*not_sound(problems), *_banners(data)],
        "verdict": [sentence.say(units) for sentence in words.sentences],
        "facts": _facts(data, units),
        "summary": data["job"]["summary"],
        "figure": {"alt": chart.to_dict()["description"], "caption": figure_caption(data)},
        "parts": parts(data, events, units, zone),
        "logs": drawn,
        "pictures": pictures,
        "disposal": f"{DISPOSAL} {_handed_over(data)}",
        "proof": _proof(data),
        "footer": f"{short(data['machine']['name'])} · {short(data['system']['name'])} · printed "
        f"{when:%Y-%m-%d %H:%M} {when.tzname()} · {head[:8]}",
    }
    figure = svg(chart, comma) if data["fluid_steps"] else ""
    return typeset(
        "record.typ", view, paper=paper, at=made, figure=figure, comma=comma, files=files
    )


def _logs(
    data: Mapping[str, Any], logs: Logs, units: Display, zone: tzinfo, comma: bool
) -> tuple[dict[str, bytes], list[dict[str, str]]]:
    """Draw the temperature logs; files by name, and what stands with each."""
    files: dict[str, bytes] = {}
    rows = []
    window = window_of(data)
    for number, log in enumerate(data["temperature_logs"], start=1):
        count = f"{log['readings']:,}".replace(",", " ")
        source = f" from {log['source']}" if log["source"] else ""
        caption = f"{count} readings{source}, kept {clock(log['at'], zone)}"
        course = logs.get(log["sha256"])
        if course is None or course[0].size < 2:
            rows.append({"file": "", "alt": "", "caption": f"{caption}; not drawn here."})
            continue
        chart = log_chart(log, *course, window, units, PAPER, width=500, height=130)
        words = log_words(log, *course, window, units)
        name = f"log-{number}.svg"
        files[name] = svg(chart, comma).encode()
        rows.append({"file": name, "alt": words, "caption": f"{words} {caption}."})
    return files, rows


def _when(data: Mapping[str, Any], zone: tzinfo) -> list[str]:
    job = data["job"]
    rows = []
    if job["opened_at"]:
        rows.append(f"begun {clock(job['opened_at'], zone)}")
    rows.append(f"ended {clock(job['closed_at'], zone)}" if job["closed_at"] else "not ended yet")
    if job["people"]:
        people = job["people"]
        more = f" and {len(people) - 4} more" if len(people) > 4 else ""
        rows.append(f"by {', '.join(people[:4])}{more}")
    return rows


_PROBLEMS = 4
"""Problems of a log that a record names one by one."""


def not_sound(problems: Sequence[str]) -> list[str]:
    """Return what a record says of a log that is not sound; nothing for one that is.

    Examples
    --------
    >>> not_sound(["event 2 (a): was altered after it was written"])[1]
    'event 2 (a): was altered after it was written'
    """
    if not problems:
        return []
    more = len(problems) - _PROBLEMS
    return [
        "NOT SOUND: the log of this job was altered or damaged. Trust nothing on this record, and "
        "use a copy that nobody changed.",
        *problems[:_PROBLEMS],
        *([f"and {more} more"] if more > 0 else []),
    ]


def _banners(data: Mapping[str, Any]) -> list[str]:
    rows = []
    if "invented" in data["machine"]["note"].casefold():
        rows.append("Invented data: this machine and this job do not exist.")
    if not data["job"]["closed_at"]:
        rows.append("This job is still open: what follows may change.")
    return rows


def _facts(data: Mapping[str, Any], units: Display) -> list[tuple[str, str]]:
    totals, machine, job = data["totals"], data["machine"], data["job"]
    rows = [
        ("method", job["method_title"]),
        ("cycles", str(job["cycles"])),
        ("new fluid in", units.volume(totals["in_l"] * 1e-3)),
        ("fluid out", units.volume(totals["out_l"] * 1e-3)),
    ]
    if machine["odometer_m"] is not None:
        rows.append(("odometer", show(machine["odometer_m"], "distance", units)))
    if machine["hours_s"] is not None:
        rows.append(("running hours", units.running_hours(machine["hours_s"])))
    if data["system"]["fluid"]:
        rows.append(("fluid of the sheet", data["system"]["fluid"]))
    if totals["lost_l"]:
        rows.append(("run out or spilt", units.volume(totals["lost_l"] * 1e-3)))
    return rows


def figure_caption(data: Mapping[str, Any]) -> str:
    """Say what the figure of a record shows.

    Parameters
    ----------
    data : mapping
        As `sumpwright.paper.record_data.record_json` gives it.

    Examples
    --------
    >>> figure_caption({"samples": []}).rpartition("; ")[2]
    'it is computed from the volumes, not measured.'
    """
    text = (
        "Share of new fluid in the whole system after each cycle (numbered), with the range that "
        "holds nine in ten possible cases; it is computed from the volumes, not measured."
    )
    measured = [s for s in data["samples"] if s["old_share"] is not None]
    if measured:
        text = text.removesuffix("it is computed from the volumes, not measured.")
        text += (
            "it is computed from the volumes and from the samples that count. A sample shows what "
            "is said below of it, which need not be the mixture in the whole system."
        )
    if any(s["left_out"] for s in measured):
        text += " Hollow samples are left out of the estimate; why, is said below."
    return text


def _handed_over(data: Mapping[str, Any]) -> str:
    if "dispose" in data["steps_done"]:
        return "In this job the step was ticked as done."
    return "This job does not record that it was done."


def _proof(data: Mapping[str, Any]) -> dict[str, str]:
    head, count = data["chain"]["head"], data["chain"]["events"]
    groups = [head[i : i + 8] for i in range(0, len(head), 8)]
    return {
        "lead": f"The log of this job holds {count} {'entry' if count == 1 else 'entries'}, each "
        "sealed with the fingerprint of the one before it. The last one has this fingerprint "
        "(SHA-256):",
        "print": " ".join(groups),
        "how": "To check: open the exported job and run “sumpwright verify” on it; every "
        "fingerprint is computed anew, and the last one must be the one printed here. An entry "
        "that was changed, left out or added later gives another.",
    }
