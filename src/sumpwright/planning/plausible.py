"""What no machine on Earth can have done: refused wherever it is told."""

from __future__ import annotations

from datetime import date

from sumpwright.errors import Complaint
from sumpwright.planning.said import worded

EARLIEST = date(1900, 1, 1)
"""Before it no fluid of a machine in use was changed; common practice, no source."""
FASTEST = 100.0
"""m/s; the mean of a drive. A machine that is serviced in a yard stays far below it."""
MOST_LOAD = 2.0
"""Of what is permitted. Twice that breaks axles before it ages fluid; common practice,
no source."""
OUTSIDE = (183.15, 333.15)
"""K; a little beyond the coldest and the hottest air that was ever measured near the
ground, −89.2 °C and 56.7 °C (World Meteorological Organization, archive of weather and
climate extremes; from memory)."""


def check_day(day: date) -> date:
    """Return a day on which something can have been done to a machine.

    Raises
    ------
    Complaint
        For a day before 1900.

    Examples
    --------
    >>> check_day(date(2019, 5, 1))
    datetime.date(2019, 5, 1)
    """
    if day < EARLIEST:
        raise Complaint(
            f"{day.isoformat()} is before any machine that is still in use", "correct the year"
        )
    return day


def check_drive(
    distance: float | None = None,
    duration: float | None = None,
    idle: float | None = None,
    load: float | None = None,
    outside: float | None = None,
) -> None:
    """Refuse a drive that cannot have been.

    Parameters
    ----------
    distance, duration, idle : float, optional
        m, s, s at a stand.
    load : float, optional
        Share of what is permitted.
    outside : float, optional
        K.

    Raises
    ------
    Complaint
        With the field that is wrong.

    Examples
    --------
    >>> check_drive(12_000.0, 900.0, load=0.8, outside=268.15)
    >>> check_drive(200_000.0, 600.0)
    Traceback (most recent call last):
    ...
    sumpwright.errors.Complaint: 200 km in 10 min would be 1200 km/h; correct the distance or \
the time
    """
    moving = None if duration is None else duration - (idle or 0.0)
    if distance is not None and moving is not None and distance > FASTEST * moving:
        pace = "would be {pace:bound distance}/h" if moving > 0 else "cannot be"
        raise Complaint(
            worded(
                f"{{d:given distance}} in {moving / 60:.3g} min {pace}",
                d=distance,
                pace=distance / moving * 3600 if moving > 0 else None,
            ),
            "correct the distance or the time",
            field="distance",
        )
    if load is not None and load > MOST_LOAD:
        raise Complaint(
            f"a load of {100 * load:.0f} % of what is permitted cannot be",
            "correct it: 100 % is all that is permitted",
            field="load",
        )
    if outside is not None and not OUTSIDE[0] <= outside <= OUTSIDE[1]:
        raise Complaint(
            worded("no air is at {v:given temperature}", v=outside),
            "correct the temperature outside",
            field="outside",
        )
