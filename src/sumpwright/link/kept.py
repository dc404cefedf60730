"""Logs of temperature that a job keeps: drawn with few points, counted towards thermal age once."""

from __future__ import annotations

import hashlib
import uuid
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from sumpwright.errors import Complaint
from sumpwright.link.csvlog import rows
from sumpwright.link.soak import unpack
from sumpwright.link.thin import thin
from sumpwright.planning.use import Histogram, TemperatureLog, bands
from sumpwright.records.told import ToldTemperatures

if TYPE_CHECKING:
    from sumpwright.records.chain import Event
    from sumpwright.records.state import JobState
    from sumpwright.records.store import Store
    from sumpwright.records.told import Entry

Floats = NDArray[np.float64]

DRAWN = 400
"""Stretches of a log of which the drawing keeps the least and the greatest value."""

_NAMES = uuid.UUID("6a3f6e0c-5a0b-5a43-9d0e-2f7c1f0f8c11")


def logged(state: JobState) -> list[Event]:
    """Return the entries of a job that name a log of temperatures.

    Examples
    --------
    >>> from sumpwright.records.state import JobState
    >>> logged(JobState())
    []
    """
    return [e for e in state.effective if e.kind == "logged" and e.body["what"] == "temperature"]


def drawn_logs(store: Store, state: JobState) -> dict[str, tuple[Floats, Floats]]:
    """Return seconds and K of each log of a job by its sha256, as many points as are drawn."""
    found = {}
    for name in dict.fromkeys(event.body["attachment"] for event in logged(state)):
        seconds, kelvin = unpack(store.attachments.data(name))
        if seconds.size:
            found[name] = thin(seconds, kelvin, DRAWN)
    return found


def log_note(sha256: str) -> str:
    """Return the remark by which a log is known among what is told.

    Examples
    --------
    >>> log_note("0123456789abcdef")
    'log 0123456789ab'
    """
    return f"log {sha256[:12]}"


def counted(store: Store, machine: str, system: str, sha256: str) -> Entry[ToldTemperatures] | None:
    """Return what is told of a log, if it is counted towards the thermal age of a system."""
    told = store.told.of(machine, ToldTemperatures, system=system)
    return next((entry for entry in told if entry.note == log_note(sha256)), None)


def count_log(
    store: Store, state: JobState, sha256: str, by: str = ""
) -> Entry[ToldTemperatures] | None:
    """Count a log of a job towards the thermal age of its fluid; twice is the same as once.

    Parameters
    ----------
    store : Store
    state : JobState
        Of the job that keeps the log.
    sha256 : str
        Of the log.
    by : str

    Returns
    -------
    Entry or None
        What is told; ``None`` where the log is counted already.

    Raises
    ------
    Complaint
        When the job has no such log, or it holds no two readings that follow one another.
    """
    if state.system is None or sha256 not in [e.body["attachment"] for e in logged(state)]:
        raise Complaint("the job has no such log", "look at the list of its logs")
    if counted(store, state.machine, state.system.name, sha256) is not None:
        return None
    seconds, kelvin = unpack(store.attachments.data(sha256))
    spent = _bands(seconds, kelvin)
    told = ToldTemperatures(
        system=state.system.name, edges=list(spent.edges), durations=list(spent.durations)
    )
    # Made of the log itself, so that two devices that count it at once make one entry; one that
    # was taken back keeps its id, and counting the log again takes another.
    before = store.told.of(state.machine, ToldTemperatures, system=told.system, withdrawn=True)
    again = sum(entry.note == log_note(sha256) for entry in before)
    id = str(uuid.uuid5(_NAMES, f"{state.machine} {told.system} {sha256} {again}"))
    begins = datetime.fromtimestamp(float(seconds[0]), UTC)
    return store.told.add_many(state.machine, [(told, begins, log_note(sha256))], by=by, ids=[id])[
        0
    ]


def _bands(seconds: Floats, kelvin: Floats) -> Histogram:
    return bands(TemperatureLog(tuple(seconds.tolist()), tuple(kelvin.tolist())))


def uncounted(store: Store, state: JobState) -> list[str]:
    """Return the sha256 of each log of a job that is not counted yet."""
    if state.system is None:
        return []
    told = store.told.of(state.machine, ToldTemperatures, system=state.system.name)
    notes = {entry.note for entry in told}
    names = dict.fromkeys(event.body["attachment"] for event in logged(state))
    return [name for name in names if log_note(name) not in notes]


def file_bands(path: Path) -> tuple[Histogram, str]:
    """Read a recorded log into bands of temperature; readings in doubt are left out.

    Parameters
    ----------
    path : Path
        CSV, or a soak log as `SoakFile` writes it and jobs keep it.

    Returns
    -------
    spent : Histogram
    sha256 : str
        Of the file, by which the same log is known again.

    Raises
    ------
    Complaint
        When it cannot be read, or holds no two readings that follow one another.
    """
    try:
        data = path.read_bytes()
        if path.suffix.lower() == ".soak":
            seconds, kelvin = unpack(data)
        else:
            good = [row for row in rows(path) if not row.doubt]
            seconds = np.array([row.seconds for row in good])
            kelvin = np.array([row.kelvin for row in good])
    except OSError as error:
        raise Complaint(
            f"cannot be read ({error.strerror or error})", "check its name", str(path)
        ) from None
    try:
        return _bands(seconds, kelvin), hashlib.sha256(data).hexdigest()
    except Complaint as complaint:
        raise Complaint(complaint.what, complaint.do, str(path)) from None
