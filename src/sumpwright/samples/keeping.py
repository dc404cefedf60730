"""A photographed row put into the log of the job that its vials come from."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from sumpwright.errors import Complaint
from sumpwright.records.jobs import NewEvent
from sumpwright.samples.judging import MISFIT
from sumpwright.samples.photograph import Photograph
from sumpwright.samples.reading import RowReading, VialReading

if TYPE_CHECKING:
    from sumpwright.records.jobs import Added
    from sumpwright.records.state import JobState, Sample
    from sumpwright.records.store import Store

__all__ = [
    "Dilution",
    "entries_of",
    "keep_copy",
    "keep_row",
    "labels_for",
    "method_of",
    "samples_between",
]

NOT_KEPT = "-"
"""Stands for a vial in the row that the job shall not keep."""

_COPY = 2400

_NUMBER = re.compile(r"[Vv]ial (\d+)")
_ASKED = (
    "are they in order?",
    "is the row the other way round?",
    "is older in colour than the old fluid at the end of the row.",
    "is cleaner in colour than the unused fluid.",
    "outline the vials by hand.",
)
"""How the warnings end with which a row is not kept unasked."""


def samples_between(state: JobState) -> tuple[Sample, ...]:
    """Samples of a job that stand between the old and the unused fluid, in the order of taking.

    Examples
    --------
    >>> from sumpwright.records.state import JobState
    >>> samples_between(JobState())
    ()
    """
    return tuple(s for s in state.samples if s.cycle > 0)


def labels_for(state: JobState, reading: RowReading, given: Sequence[str] = ()) -> tuple[str, ...]:
    """Label of each vial between the ends of the row, from left to right.

    Parameters
    ----------
    state : JobState
        Of the job.
    reading : RowReading
        The row.
    given : sequence of str
        Labels as the user says them; by default the job's samples in the order of taking, the
        first nearest to the old end.

    Returns
    -------
    tuple of str
        "-" for a vial that is not to be kept.

    Raises
    ------
    Complaint
        If their number is not that of the vials, or the job has no such vial.
    """
    known = [s.vial for s in samples_between(state)]
    count = len(reading.vials) - 2
    told = f"the job has the samples {', '.join(known)}" if known else "the job has no sample yet"
    if given:
        labels = [label.strip() for label in given]
    else:
        labels = known if reading.old == "left" else known[::-1]
    if len(labels) != count:
        raise Complaint(
            f"between the ends of the row {_vials(count)}, and {_named(len(labels))}; {told}",
            f"name each from left to right, '{NOT_KEPT}' for one that is not of this job",
            field="vials",
        )
    named = [label for label in labels if label != NOT_KEPT]
    for label in named:
        if label not in known:
            raise Complaint(
                f"this job has no sample '{label}' from a cycle; {told}",
                "note the sample first, at the cycle at which it was taken",
                field="vials",
            )
    if len(set(named)) < len(named):
        raise Complaint("a vial is named twice", "name each once", field="vials")
    if not named:
        raise Complaint("no vial of this job is in the row", "name at least one", field="vials")
    return tuple(labels)


def _vials(count: int) -> str:
    return "stands 1 vial" if count == 1 else f"stand {count} vials"


def _named(count: int) -> str:
    return "1 is named" if count == 1 else f"{count} are named"


def doubts_of(reading: RowReading) -> tuple[str, ...]:
    """Warnings of a row that is perhaps in another order, or the other way round.

    Parameters
    ----------
    reading : RowReading
        The row.

    Returns
    -------
    tuple of str
        Such a row is kept only once somebody has said that it is right all the same.
    """
    # A vial that is no mix gets no share, so that its place in the order does not matter.
    strange = {k for k, vial in enumerate(reading.vials, start=1) if foreign(vial)}
    return tuple(
        warning
        for warning in reading.warnings
        if warning.endswith(_ASKED) and strange.isdisjoint(map(int, _NUMBER.findall(warning)))
    )


def confirmed(reading: RowReading, sure: bool) -> None:
    """Refuse a doubtful row that nobody has confirmed.

    Raises
    ------
    Complaint
        Names what is doubtful.
    """
    doubts = doubts_of(reading)
    if doubts and not sure:
        raise Complaint(
            "before this is kept: " + " ".join(doubts).removesuffix("."),
            "look at the row, then put it right or say that it is right all the same",
            field="sure",
        )


def method_of(reading: RowReading) -> str:
    """How the shares of a row were computed, in one sentence.

    Parameters
    ----------
    reading : RowReading
        The row.

    Returns
    -------
    str
        For the log and the record.
    """
    row = "by a dilution row (PCHIP)" if reading.calibrated else "by Beer-Lambert mixing"
    return (
        f"colour in a photograph, {row} between the old fluid at the {reading.old} and the unused"
        f" fluid, channels {', '.join(reading.channels)}, weighted least squares"
    )


def entries_of(
    state: JobState,
    reading: RowReading,
    labels: Sequence[str],
    attachment: str,
    scale: float,
    place: str = "",
) -> list[NewEvent]:
    """Entries for the log: the photograph, and each vial of the job with its share.

    A vial that is no mix of the two ends is kept with that remark and without a share, so that it
    does not enter the estimate.

    Parameters
    ----------
    state : JobState
        Of the job.
    reading : RowReading
        The row.
    labels : sequence of str
        From `labels_for`.
    attachment : str
        sha256 of the kept copy of the photograph.
    scale : float
        Pixels of the copy for a pixel of the photograph.
    place : str
        Where all of them were taken from, see `sumpwright.planning.steps.Taken`; each stays as
        it was noted when left out.

    Returns
    -------
    list of NewEvent
        Not yet in the log.
    """
    cycles = {s.vial: s.cycle for s in samples_between(state)}
    caption = f"Row of samples, old fluid at the {reading.old}"
    doubts = doubts_of(reading)
    if doubts:
        caption += f"; kept as it stands, although: {' '.join(doubts)}"
    entries = [NewEvent("photographed", {"attachment": attachment, "caption": caption})]
    for label, vial in zip(labels, reading.vials[1:-1], strict=True):
        if label == NOT_KEPT:
            continue
        body: dict[str, Any] = {
            "vial": label,
            "cycle": cycles[label],
            "attachment": attachment,
            "outline": [[max(0.0, round(c * scale, 1)) for c in corner] for corner in vial.outline],
            "patch": [round(max(t, 0.0), 5) for t in vial.transmittance],
            "told_from_new": vial.delta_e_to_new >= reading.threshold,
            "method": method_of(reading),
        }
        if place:
            body["taken_from"] = place
        if foreign(vial):
            body["note"] = "no mix of the two end fluids, so no share: dirt, another fluid, water?"
        else:
            body["old_share"] = round(vial.old_share, 5)
            body["standard_error"] = round(max(vial.standard_error, 1e-4), 5)
        entries.append(NewEvent("sampled", body))
    return entries


@dataclass(frozen=True)
class Dilution:
    """A dilution row that was kept: sha256 of its photograph, and its old shares from the left."""

    attachment: str
    shares: tuple[float, ...]

    def entry(self) -> NewEvent:
        """Entry for the log.

        Examples
        --------
        >>> Dilution("ab", (1.0, 0.5, 0.0)).entry().body["caption"]
        'Dilution row for the samples, from the left 100, 50, 0 % old'
        """
        shares = ", ".join(f"{100 * share:g}" for share in self.shares)
        caption = f"Dilution row for the samples, from the left {shares} % old"
        return NewEvent("photographed", {"attachment": self.attachment, "caption": caption})


def foreign(vial: VialReading) -> bool:
    """Whether a vial is no mix of the two ends of its row."""
    return vial.misfit > MISFIT


def keep_row(
    store: Store,
    job: str,
    photo: Photograph,
    reading: RowReading,
    labels: Sequence[str] = (),
    by: str = "",
    copy: str = "",
    dilution: Dilution | None = None,
    place: str = "",
    sure: bool = False,
) -> list[Added]:
    """Keep a row with the job: a copy of the photograph without EXIF, and what each vial says.

    Parameters
    ----------
    store : Store
        The records.
    job : str
        Id of the job.
    photo : Photograph
        The photograph that was read.
    reading : RowReading
        What it says.
    labels : sequence of str
        As for `labels_for`.
    by : str
        Who.
    copy : str
        sha256 of the photograph where it is kept already, as it was read; a copy without EXIF is
        made by default.
    dilution : Dilution, optional
        The dilution row that calibrated the reading, kept with it.
    place : str
        As for `entries_of`.
    sure : bool
        Whether a row whose order or ends look wrong is kept all the same.

    Returns
    -------
    list of Added
        The new entries; none where all of it is kept already.

    Raises
    ------
    Complaint
        If the vials cannot be assigned, the row is doubtful and not confirmed, or the job takes
        no entry.
    """
    state = store.jobs.state(job)
    named = labels_for(state, reading, labels)
    confirmed(reading, sure)
    scale = 1.0
    if not copy:
        copy = keep_copy(store, photo, by)
        scale = min(1.0, _COPY / max(photo.size))
    entries = [
        *([] if dilution is None else [dilution.entry()]),
        *entries_of(state, reading, named, copy, scale, place),
    ]
    added = [NewEvent(e.kind, e.body, by) for e in entries if not _kept(state, e)]
    return store.jobs.append_all(job, added) if added else []


def _kept(state: JobState, entry: NewEvent) -> bool:
    """Whether a log says already what an entry would say."""
    body = entry.body
    if entry.kind == "photographed":
        return any(
            (p.attachment, p.caption) == (body["attachment"], body["caption"])
            for p in state.photographs
        )
    said = next(
        (
            event.body
            for event in reversed(state.effective)
            if event.kind == "sampled"
            and (event.body["vial"], event.body["cycle"]) == (body["vial"], body["cycle"])
        ),
        {},
    )
    both = body.keys() | (said.keys() - {"step", "taken_from"})
    return all(said.get(key) == body.get(key) for key in both)


def keep_copy(store: Store, photo: Photograph, by: str = "") -> str:
    """Keep a copy of a photograph with nothing in it but the picture; return its sha256.

    Parameters
    ----------
    store : Store
        The records.
    photo : Photograph
        The photograph.
    by : str
        Who.

    Returns
    -------
    str
        Name of the attachment.
    """
    name = "row of samples.jpg"
    return store.attachments.add(photo.kept(_COPY), "image/jpeg", name=name, by=by).sha256
