"""Entries that a device sends: all of them kept, or all up to the first that cannot be."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from sumpwright.display import Display
from sumpwright.errors import Complaint
from sumpwright.records.jobs import Added, NewEvent
from sumpwright.records.store import Store


@dataclass(frozen=True)
class Appended:
    """What was kept, and the complaint about the entry that stopped the rest."""

    added: tuple[Added, ...]
    refused: Complaint | None = None


def append_in_order(
    store: Store, job: str, entries: Sequence[NewEvent], display: Display | None = None
) -> Appended:
    """Keep entries in their order.

    A device that was without network sends its queue in one go. Should one entry be
    refused, those before it are kept, and the complaint names its place, so that the
    device can ask its user about that one and send the rest again.

    Parameters
    ----------
    store : Store
    job : str
    entries : sequence of NewEvent
    display : Display, optional
        Units in which the complaint speaks.

    Returns
    -------
    Appended
    """
    try:
        return Appended(tuple(store.jobs.append_all(job, entries, display)))
    except Complaint as first:
        if len(entries) == 1:
            return Appended((), _placed(first, 0))
    added: list[Added] = []
    for place, entry in enumerate(entries):
        try:
            added += store.jobs.append_all(job, [entry], display)
        except Complaint as complaint:
            return Appended(tuple(added), _placed(complaint, place))
    return Appended(tuple(added))


def _placed(complaint: Complaint, place: int) -> Complaint:
    return Complaint(complaint.what, complaint.do, f"events[{place}]", complaint.field)


def may_send(rights_work: bool, kinds: Sequence[str]) -> bool:
    """Whether a device may keep entries of these kinds: a seat only acknowledges.

    Examples
    --------
    >>> may_send(False, ["acknowledged"]), may_send(False, ["acknowledged", "drained"])
    (True, False)
    """
    return rights_work or all(kind == "acknowledged" for kind in kinds)
