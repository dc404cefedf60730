"""A whole log of temperatures, of whatever length, drawn and counted."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from sumpwright.errors import Complaint
from sumpwright.web.views.level import basis_of
from sumpwright.web.views.level_curve import LogFigure, log_figure

if TYPE_CHECKING:
    from sumpwright.records.state import JobState
    from sumpwright.records.store import Store
    from sumpwright.web.views.show import Show


@dataclass(frozen=True)
class LogView:
    """A log as its page shows it."""

    sha256: str
    title: str
    begins: datetime
    readings: int
    figure: LogFigure
    lowest: str
    highest: str
    lasts: str
    size: str
    age: str
    told: bool


def log_view(store: Store, state: JobState, sha256: str, show: Show) -> LogView:
    """Return a log of a job.

    Raises
    ------
    Complaint
        When the job has no such log.
    """
    from sumpwright.link.kept import counted, logged
    from sumpwright.link.soak import unpack

    entry = next((e for e in logged(state) if e.body["attachment"] == sha256), None)
    if entry is None or state.system is None:
        raise Complaint("the job has no such log", "look at the list of its logs")
    data = store.attachments.data(sha256)
    seconds, kelvin = unpack(data)
    return LogView(
        sha256=sha256,
        title=entry.body.get("source") or "temperature",
        begins=datetime.fromtimestamp(float(seconds[0]), UTC),
        readings=int(seconds.size),
        figure=log_figure(seconds, kelvin, basis_of(state).window, show),
        lowest=show.temperature(float(kelvin.min())),
        highest=show.temperature(float(kelvin.max())),
        lasts=show.duration(float(seconds[-1] - seconds[0])),
        size=f"{len(data) / 1024:.0f} kB" if len(data) > 4096 else f"{len(data)} bytes",
        age=_age(state, seconds, kelvin, show),
        told=counted(store, state.machine, state.system.name, sha256) is not None,
    )


def _age(
    state: JobState, seconds: NDArray[np.float64], kelvin: NDArray[np.float64], show: Show
) -> str:
    """Return the thermal age that the log brings, where the sheet says how it is counted."""
    from sumpwright.physics import ageing
    from sumpwright.planning.use import TemperatureLog, bands

    system = state.system
    if system is None or system.thermal_reference is None or seconds.size < 2:
        return ""
    try:
        spent = bands(TemperatureLog(tuple(seconds.tolist()), tuple(kelvin.tolist())))
    except Complaint:
        return ""
    step = system.thermal_step or ageing.DOUBLING_STEP
    age = float(
        ageing.thermal_age_of_histogram(
            spent.edges, spent.durations, system.thermal_reference, step
        )
    )
    return f"{show.duration(age)} at {show.temperature(system.thermal_reference)}"
