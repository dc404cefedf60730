"""The record of a job as a page, and what verifying a file found."""

from __future__ import annotations

import shutil
import tempfile
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, tzinfo
from pathlib import Path
from typing import IO, TYPE_CHECKING, Any

from sumpwright.errors import Complaint
from sumpwright.planning.verdict import verdict
from sumpwright.records.chain import Event, stamp
from sumpwright.records.proof import Proof, verify_file
from sumpwright.records.standing import JobStanding
from sumpwright.records.wording import describe

if TYPE_CHECKING:
    from sumpwright.records.store import Store
    from sumpwright.web.views.show import Show


@dataclass(frozen=True)
class Cell:
    """One cell of a table."""

    text: str
    strike: bool = False
    number: bool = False


@dataclass(frozen=True)
class Part:
    """One section of a record."""

    title: str
    lead: str
    heads: tuple[Cell, ...]
    rows: tuple[tuple[Cell, ...], ...]
    lines: tuple[str, ...]


@dataclass(frozen=True)
class RecordPage:
    """The record of a job as its page shows it."""

    data: Mapping[str, Any]
    verdict: tuple[str, ...]
    parts: tuple[Part, ...]
    photographs: tuple[tuple[str, str], ...]
    logs: tuple[str, ...]
    drawn: frozenset[str]
    fingerprint: str
    figure: bool
    caption: str


def record_page(standing: JobStanding, events: Sequence[Event], show: Show) -> RecordPage:
    """Return the record of a job, with the same sections as on paper."""
    from sumpwright.paper.pictures import vials_on
    from sumpwright.paper.record import figure_caption
    from sumpwright.paper.record_data import record_json
    from sumpwright.paper.record_parts import parts

    data = record_json(standing, events)
    said = verdict(standing.course, standing.state.target, standing.state.confidence or 0.90)
    head = data["chain"]["head"]
    return RecordPage(
        data=data,
        verdict=tuple(show.say(sentence) for sentence in said.sentences),
        parts=tuple(_part(p, show) for p in parts(data, events, show.display, _zone())),
        photographs=tuple((p["sha256"], p["caption"]) for p in data["photographs"]),
        logs=tuple(dict.fromkeys(log["sha256"] for log in data["temperature_logs"])),
        drawn=frozenset(vials_on(data, show.display)),
        fingerprint=" ".join(head[i : i + 8] for i in range(0, len(head), 8)),
        figure=bool(data["fluid_steps"]),
        caption=show.text(figure_caption(data)),
    )


def _zone() -> tzinfo:
    zone = datetime.now().astimezone().tzinfo
    assert zone is not None
    return zone


def _part(plain: Mapping[str, Any], show: Show) -> Part:
    aligns = plain["aligns"]

    def cell(value: Any, place: int) -> Cell:
        number = aligns[place : place + 1] == "r"
        if isinstance(value, Mapping):
            return Cell(show.text(str(value["text"])), bool(value.get("strike")), number)
        return Cell(show.text(str(value)), False, number)

    return Part(
        plain["title"],
        show.text(plain["lead"]),
        tuple(cell(head, place) for place, head in enumerate(plain["heads"])),
        tuple(tuple(cell(v, n) for n, v in enumerate(row)) for row in plain["rows"]),
        tuple(show.text(line) for line in plain["lines"]),
    )


WIDE, NARROW = (560, 300), (250, 250)


def figure_of(standing: JobStanding, show: Show, dark: bool, narrow: bool) -> str:
    """Return the figure of a job as SVG."""
    from sumpwright.paper.charts import svg
    from sumpwright.paper.course_chart import course_chart
    from sumpwright.paper.look import DARK, LIGHT

    width, height = NARROW if narrow else WIDE
    # Room for the labels in whatever typeface the reader's device has.
    room = {"left": 4, "top": 6, "right": 44, "bottom": 4}
    return svg(
        course_chart(
            standing.course,
            standing.state.target,
            standing.state.samples,
            show.display,
            DARK if dark else LIGHT,
            width,
            height,
            left_out=standing.left_out,
        ).properties(padding=room),
        show.comma,
    )


LOG_WIDE, LOG_NARROW = (560, 170), (250, 190)


def log_figure_of(
    store: Store,
    standing: JobStanding,
    events: Sequence[Event],
    log: str,
    show: Show,
    *,
    dark: bool,
    narrow: bool,
) -> str:
    """Return the figure of a temperature log of a job as SVG.

    Raises
    ------
    Complaint
        When the job has no such log.
    """
    from sumpwright.link.kept import drawn_logs
    from sumpwright.paper.charts import svg
    from sumpwright.paper.log_chart import log_chart, window_of
    from sumpwright.paper.look import DARK, LIGHT
    from sumpwright.paper.record_data import record_json

    data = record_json(standing, events)
    row = next((r for r in data["temperature_logs"] if r["sha256"] == log), None)
    course = drawn_logs(store, standing.state).get(log) if row else None
    if row is None or course is None or course[0].size < 2:
        raise Complaint("the job has no such log", "look at the list of its logs")
    width, height = LOG_NARROW if narrow else LOG_WIDE
    chart = log_chart(
        row, *course, window_of(data), show.display, DARK if dark else LIGHT, width, height
    )
    return svg(
        chart.properties(padding={"left": 4, "top": 6, "right": 14, "bottom": 4}), show.comma
    )


def drawn_photograph(
    store: Store, standing: JobStanding, events: Sequence[Event], sha: str, show: Show
) -> bytes:
    """Return a photograph of a job with the vials that were read on it, as SVG.

    Raises
    ------
    Complaint
        When the job has no such photograph.
    """
    from sumpwright.paper.pictures import upright, vials_on
    from sumpwright.paper.record_data import record_json

    vials = vials_on(record_json(standing, events), show.display).get(sha)
    drawn = upright(store.attachments.data(sha), vials) if vials else None
    if drawn is None:
        raise Complaint("no vial was read on this photograph", "look at the photographs")
    return drawn


@dataclass(frozen=True)
class Found:
    """A job that a verified file holds."""

    id: str
    title: str
    length: int
    fingerprint: str
    sound: bool
    problems: tuple[str, ...]
    last: str


@dataclass(frozen=True)
class Verified:
    """What came of verifying a file."""

    name: str
    sound: bool
    jobs: tuple[Found, ...]
    problems: tuple[str, ...]


def verified(upload: IO[bytes], name: str, show: Show) -> Verified:
    """Verify a record or an export from the file alone.

    Parameters
    ----------
    upload : binary file
    name : str
        What the sender calls it; shown, never used as a path.
    show : Show

    Raises
    ------
    Complaint
        When the file is no such document.
    """
    with tempfile.TemporaryDirectory(prefix="sumpwright-") as folder:
        path = Path(folder) / "record.json"
        with path.open("wb") as kept:
            shutil.copyfileobj(upload, kept)
        proof = verify_file(path)
    return _verified(proof, name, show)


def _verified(proof: Proof, name: str, show: Show) -> Verified:
    jobs = []
    for job in proof.jobs:
        state = job.state
        title, last = f"job {job.id[:40]}", ""
        if state is not None and state.sheet is not None:
            title = f"{state.sheet.machine.name}, {state.system_name}"
        if state is not None and state.effective:
            end = max(state.effective, key=lambda event: event.seq)
            last = (
                f"{show.text(describe(end, show.display))}, {stamp(end.at)[:16].replace('T', ' ')}"
            )
        jobs.append(
            Found(
                job.id,
                title,
                job.length,
                " ".join(job.head[i : i + 8] for i in range(0, len(job.head), 8)),
                not job.problems,
                tuple(str(problem) for problem in job.problems),
                last,
            )
        )
    return Verified(name, proof.sound, tuple(jobs), proof.problems)
