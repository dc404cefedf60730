"""What the meters of a machine showed last, whatever told it."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from sumpwright.planning.clock import seconds, today
from sumpwright.records.books import meters_of, past_of
from sumpwright.records.readings import LASTING
from sumpwright.records.told import ToldMeter

if TYPE_CHECKING:
    from sumpwright.records.state import JobState
    from sumpwright.records.store import Store


def meters_for(store: Store, state: JobState, body: Mapping[str, Any]) -> dict[str, float]:
    """Return what the meters showed last where an entry tells of one; else nothing is read."""
    metered = body.get("what") in LASTING or any(name in body for name in LASTING)
    return last_meters(store, state) if metered else {}


def last_meters(store: Store, state: JobState) -> dict[str, float]:
    """Return what the meters of a job's machine showed last: odometer in m, hours in s.

    The readings of the yard that are believed count, and the machine's sheet; after a meter
    was replaced the new one alone.

    Parameters
    ----------
    store : Store
    state : JobState

    Returns
    -------
    dict
        Only the meters of which something is known.
    """
    past = past_of(store, state.machine)
    meters = meters_of(past, today())
    found: dict[str, float] = {}
    for what, meter in zip(LASTING, (meters.distance, meters.hours), strict=True):
        track, known = meter.track, []
        if track is not None and len(track):
            known.append(float(track.shown[-1]))
        replaced = [entry for entry in past.of(ToldMeter) if entry.told.what == what]
        sheet: float | None = getattr(past.machine.sheet.machine, what)
        if sheet is not None and not replaced:
            known.append(sheet)
        if replaced and (
            track is None or not len(track) or seconds(replaced[-1].at) > track.times[-1]
        ):
            known = [replaced[-1].told.new]
        if known:
            found[what] = max(known)
    return found
