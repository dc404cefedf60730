"""When a limit of thermal age is reached: the heat of logged drives times the meter.

A few logs say how hot the machine runs, not how much. So the thermal age of a drive is
taken per running hour, or per distance, and a meter tells how many of them there are. The
days on which somebody happened to log are no measure of use, and two of them in a row
would make a machine of an hour's log run day and night.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date

import numpy as np

from sumpwright.planning.clock import DAY, seconds
from sumpwright.planning.due import Meter
from sumpwright.planning.odometer import Forecast, forecast
from sumpwright.planning.said import Said, said
from sumpwright.planning.track import NAMES
from sumpwright.planning.use import (
    Drive,
    ThermalAge,
    age_of_drive,
    is_drive,
    running_of,
    thermal_age,
)

LEAST_DAYS = 3
"""Days with a logged drive from which a rate is taken; common practice, no source."""
LEAST_SPAN = 14.0 * DAY
"""s that the logs must span before they tell a rate by themselves; no source."""


@dataclass(frozen=True)
class Heat:
    """Thermal age per unit of a meter: s per s of running, or s per m.

    ``error`` is the variance of the rate, relative, from how much the drives differ.
    """

    rate: float
    error: float
    drives: int
    age: float
    amount: float


def heat_of(
    drives: Sequence[Drive], reference: float, step: float, by_distance: bool
) -> Heat | None:
    """Return the thermal age per running time or per distance of logged drives.

    Parameters
    ----------
    drives : sequence of Drive
        Those with temperatures count.
    reference, step : float
        As for `sumpwright.planning.use.thermal_age`, K.
    by_distance : bool
        Per metre, or per second with the engine running.

    Returns
    -------
    Heat or None
        ``None`` when fewer than three days have a logged drive: one log is no habit.

    References
    ----------
    W. G. Cochran, *Sampling Techniques*, 3rd ed. (1977), ch. 6: the variance of a ratio.

    Examples
    --------
    >>> from sumpwright.planning.use import TemperatureLog
    >>> hot = TemperatureLog((0.0, 3600.0), (373.15, 373.15))
    >>> logged = [Drive(k * 86400.0, 6e4, temperatures=hot) for k in range(3)]
    >>> found = heat_of(logged, 363.15, 10.0, by_distance=True)
    >>> round(found.rate * 6e4), found.error
    (7200, 0.0)
    >>> heat_of(logged[:2], 363.15, 10.0, by_distance=True) is None
    True
    """
    rows = []
    for drive in drives:
        amount = _logged_distance(drive) if by_distance else running_of(drive)
        age = age_of_drive(drive, reference, step) if is_drive(drive) else None
        if age is not None and amount is not None and amount > 0:
            rows.append((math.floor(seconds(drive.when) / DAY), age, amount))
    if len({day for day, _, _ in rows}) < LEAST_DAYS:
        return None
    ages, amounts = np.array([r[1] for r in rows]), np.array([r[2] for r in rows])
    age, amount = float(ages.sum()), float(amounts.sum())
    rate, n = age / amount, len(rows)
    if rate <= 0:
        return None
    squares = float(np.sum((ages - rate * amounts) ** 2))
    return Heat(rate, n / (n - 1) * squares / age**2, n, age, amount)


def _logged_distance(drive: Drive) -> float | None:
    """Distance over which the temperatures of a drive were logged."""
    if drive.distance is None or not drive.duration:
        return drive.distance
    return drive.distance * min(1.0, running_of(drive) / drive.duration)


def thermal_meter(
    drives: Sequence[Drive],
    reference: float,
    step: float,
    distance: Meter,
    hours: Meter,
    now: date,
) -> Meter:
    """Make the thermal age of a fluid into a meter that can be forecast.

    Parameters
    ----------
    drives : sequence of Drive
        With the temperatures of this fluid where they were logged; logs of no drive as well.
    reference, step : float
        K.
    distance, hours : Meter
        Of the machine. Running hours go first, then the odometer.
    now : date

    Returns
    -------
    Meter
        By a meter of the machine where it has a forecast and three days have a logged
        drive. Otherwise the thermal age that was logged, with a forecast only if the logs
        span a fortnight.
    """
    age = thermal_age(drives, reference, step)
    for meter in (hours, distance):
        by_distance = meter is distance
        heat = heat_of(drives, reference, step, by_distance)
        ahead, track = meter.forecast, meter.track
        if heat is None or ahead is None or ahead.rate <= 0 or track is None or not len(track):
            continue
        scaled = replace(track, totals=track.totals * heat.rate, notes=())
        notes = (*ahead.notes, _by_meter(heat, ahead), age.notes[0])
        return Meter(
            scaled,
            replace(
                ahead,
                total=ahead.total * heat.rate,
                rate=ahead.rate * heat.rate,
                grain=ahead.grain * heat.rate,
                phase_error=ahead.phase_error * heat.rate,
                rate_error=ahead.rate_error + heat.error,
                notes=notes,
            ),
        )
    return Meter(age.track, _by_logs(age, now))


def _by_meter(heat: Heat, ahead: Forecast) -> Said:
    kind = "distance" if ahead.meter == "distance" else "hours"
    return said(
        f"{{drives:text}} logged drives of {{amount:{kind}}} in all gave {{age:thermal}}; "
        f"all that the {NAMES[ahead.meter]} counts is taken to be as hot",
        drives=str(heat.drives),
        amount=heat.amount,
        age=heat.age,
    )


def _by_logs(age: ThermalAge, now: date) -> Forecast | None:
    times = age.track.times
    if len(age.days) < LEAST_DAYS or times[-1] - times[0] < LEAST_SPAN:
        return None
    ahead = forecast(age.track, now=now)
    if ahead is None:
        return None
    text = "only what was logged counts, from {day:date} on; with a meter that is read, all of "
    text += "the running would"
    first = said(text, day=float(times[0]))
    return replace(ahead, notes=(*ahead.notes, *age.notes, first))
