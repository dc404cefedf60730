"""A photographed row of samples on its way into a job: what was read, and how it is shown."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING

from sumpwright.errors import Complaint
from sumpwright.samples.keeping import (
    NOT_KEPT,
    doubts_of,
    foreign,
    labels_for,
    samples_between,
)
from sumpwright.web.views import asks

if TYPE_CHECKING:
    from sumpwright.physics.mixing import Calibration
    from sumpwright.records.state import JobState
    from sumpwright.records.store import Store
    from sumpwright.samples.keeping import Dilution
    from sumpwright.samples.photograph import Photograph
    from sumpwright.samples.reading import RowReading, VialReading
    from sumpwright.web.deps import Form
    from sumpwright.web.views.show import Show

ENDS = (("left", "at the left"), ("right", "at the right"))
LABELS = {
    "photograph": "Photograph",
    "old": "Old fluid",
    "outlines": "Outlines",
    "vials": "Samples",
    "threshold": "Colour difference",
    "dilution": "Dilution row",
    "shares": "Old shares of the dilution row",
    "taken_from": "Taken from",
    "sure": "Order and ends",
}
PLACES = (("", "each as it was noted"), *asks.PLACES[1:])
MOST_VIALS = 24
STEPS = "100, 75, 50, 25, 0"
"""Old shares of a usual dilution row in percent, from the left."""

_SHA = re.compile(r"[0-9a-f]{64}")

Polygon = list[list[float]]


@dataclass(frozen=True)
class VialRow:
    """One vial as the page shows it."""

    number: int
    points: str
    corners: tuple[tuple[float, float], ...]
    x: float
    y: float
    share: str
    error: str
    between: str
    to_new: str
    previous: str
    label: str
    end: str
    foreign: bool


@dataclass(frozen=True)
class SamplesPage:
    """A photograph with the vials found on it."""

    sha: str
    width: int
    height: int
    old: str
    vials: tuple[VialRow, ...]
    warnings: tuple[str, ...]
    doubtful: bool
    """Whether it is kept only once somebody says that it is right all the same."""
    outlines: str
    choices: tuple[tuple[str, str], ...]
    text: float
    dilution: str
    shares: str


def kept_photograph(store: Store, sha: str) -> Photograph:
    """Return a photograph that was kept for reading.

    Raises
    ------
    Complaint
        If there is none of that name.
    """
    from sumpwright.samples.photograph import load

    if not _SHA.fullmatch(sha):
        raise Complaint("there is no such photograph", "choose one", field="photograph")
    return load(store.attachments.data(sha))


def dilution_of(store: Store, form: Form, by: str) -> dict[str, str]:
    """Take in the photograph of a dilution row where one was sent, and say where it is kept.

    Raises
    ------
    Complaint
        If it cannot be read, or its shares do not fit it.
    """
    from sumpwright.samples.keeping import keep_copy
    from sumpwright.samples.photograph import load

    upload = form.file("dilution")
    if upload is None:
        return {}
    shares = form.text("shares") or STEPS
    try:
        photo = load(upload.file.read())
        _calibrated(photo, shares)
    except Complaint as complaint:
        field = "shares" if complaint.field == "shares" else "dilution"
        raise Complaint(complaint.what, complaint.do, field=field) from None
    return {"dilution": keep_copy(store, photo, by), "shares": shares}


def calibration_of(
    store: Store, typed: Mapping[str, str]
) -> tuple[Calibration | None, Dilution | None]:
    """Read the dilution row that a page names once more; nothing where it names none.

    Raises
    ------
    Complaint
        If there is no such photograph, or its shares do not fit it.
    """
    from sumpwright.samples.command import shares_in
    from sumpwright.samples.keeping import Dilution

    sha, shares = typed.get("dilution", ""), typed.get("shares", "")
    if not sha:
        return None, None
    calibration = _calibrated(kept_photograph(store, sha), shares)
    return calibration, Dilution(sha, tuple(shares_in(shares)))


def _calibrated(photo: Photograph, shares: str) -> Calibration:
    from sumpwright.samples.command import shares_in
    from sumpwright.samples.reading import calibrate

    return calibrate(photo, shares_in(shares))


def read_outlines(text: str) -> list[Polygon] | None:
    """Read outlines: a line for each vial, ``x,y x,y x,y x,y`` in pixels; none when empty.

    Raises
    ------
    Complaint
        If a line is no outline.

    Examples
    --------
    >>> read_outlines("1,2 3,2 3,9 1,9")
    [[[1.0, 2.0], [3.0, 2.0], [3.0, 9.0], [1.0, 9.0]]]
    """
    found: list[Polygon] = []
    for number, line in enumerate(text.split("\n"), start=1):
        if not line.strip():
            continue
        try:
            corners = [[float(n) for n in point.split(",")] for point in line.split()]
        except ValueError:
            corners = []
        if len(corners) < 3 or any(len(corner) != 2 for corner in corners):
            raise Complaint(
                f"line {number} is no outline", "write x,y for each corner", field="outlines"
            )
        found.append(corners)
    if len(found) > MOST_VIALS:
        raise Complaint(
            f"{len(found)} vials are outlined", f"at most {MOST_VIALS} are read", field="outlines"
        )
    return found or None


def samples_page(
    sha: str,
    photo: Photograph,
    reading: RowReading | None,
    state: JobState,
    show: Show,
    old: str,
    typed: Mapping[str, str],
) -> SamplesPage:
    """Return what the page shows of a row; without a reading the photograph alone."""
    width, height = photo.size
    known = tuple(s.vial for s in samples_between(state))
    choices = ((NOT_KEPT, "none of this job"), *((label, f"sample {label}") for label in known))
    rows: tuple[VialRow, ...] = ()
    outlines = typed.get("outlines", "")
    if reading is not None:
        labels = _labels(state, reading, typed)
        rows = tuple(
            _row(k, vial, reading, labels[k], show) for k, vial in enumerate(reading.vials)
        )
        outlines = "\n".join(row.points for row in rows)
    warnings = reading.warnings if reading is not None else ()
    return SamplesPage(
        sha,
        width,
        height,
        old,
        rows,
        warnings,
        reading is not None and bool(doubts_of(reading)),
        outlines,
        choices,
        _size(rows, height),
        typed.get("dilution", ""),
        typed.get("shares", ""),
    )


def chosen_labels(typed: Mapping[str, str], count: int) -> list[str]:
    """Return the labels that were chosen for the vials between the ends, left to right."""
    return [typed.get(f"vial{k + 1}", NOT_KEPT) for k in range(1, count - 1)]


def chosen_place(typed: Mapping[str, str]) -> str:
    """Return where all vials of a row were taken from; empty where each stays as noted.

    Raises
    ------
    Complaint
        If there is no such place.
    """
    place = typed.get("taken_from", "")
    if place not in dict(PLACES):
        raise Complaint("there is no such place", "choose one of the list", field="taken_from")
    return place


def _labels(state: JobState, reading: RowReading, typed: Mapping[str, str]) -> Sequence[str]:
    count = len(reading.vials)
    if "vial2" in typed:
        return ["", *chosen_labels(typed, count), ""]
    try:
        return ["", *labels_for(state, reading), ""]
    except Complaint:
        return ["", *[NOT_KEPT] * (count - 2), ""]


def _row(k: int, vial: VialReading, reading: RowReading, label: str, show: Show) -> VialRow:
    ends = {0: "old" if reading.old == "left" else "new"}
    ends[len(reading.vials) - 1] = "new" if reading.old == "left" else "old"
    end = {"old": "old fluid", "new": "unused fluid"}.get(ends.get(k, ""), "")
    corners = tuple((round(x, 1), round(y, 1)) for x, y in vial.outline)
    previous = ""
    if vial.delta_e_to_previous is not None:
        previous = show.number(vial.delta_e_to_previous, 1)
        previous += "" if vial.told_apart else " (cannot be told apart)"
    return VialRow(
        number=k + 1,
        points=" ".join(f"{x:g},{y:g}" for x, y in corners),
        corners=corners,
        x=round(sum(x for x, _ in corners) / len(corners), 1),
        y=round(max(y for _, y in corners), 1),
        share=show.share(vial.old_share),
        error="" if end else show.share(vial.standard_error),
        between="" if end else f"{show.share(vial.low)} to {show.share(vial.high)}",
        to_new=show.number(vial.delta_e_to_new, 1),
        previous=previous,
        label=label,
        end=end,
        foreign=not end and foreign(vial),
    )


def _size(rows: Sequence[VialRow], height: int) -> float:
    """Height of the letters on the photograph: as large as the vials stand apart."""
    if len(rows) < 2:
        return height / 24
    pitch = min(b.x - a.x for a, b in pairwise(rows))
    return round(max(min(0.34 * pitch, height / 14), height / 60), 1)
