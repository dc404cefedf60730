"""The figure of a temperature log: the fluid against time, the window, the plug fitted."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sumpwright.display import Display
from sumpwright.paper.look import LIGHT, Look, configured

Row = dict[str, Any]
Floats = NDArray[np.float64]
Logs = Mapping[str, tuple[Floats, Floats]]

_LONG = 3.0 * 3600.0
_NEAR = 300.0
"""Seconds after its last reading up to which the plug is shown at the end of a log."""


def fitted_at(log: Mapping[str, Any], seconds: Floats) -> float | None:
    """Return when the plug was fitted, on the axis of a log; None when not during it.

    Parameters
    ----------
    log : mapping
        As `sumpwright.paper.record_data.record_json` gives it: ``fitted`` is the moment
        in s since 1970, and ``at_its_end`` whether the plug was what ended the log.
    seconds : ndarray, shape (n,)

    Examples
    --------
    >>> t = np.array([100.0, 160.0])
    >>> fitted_at({"fitted": 130.0, "at_its_end": False}, t)
    130.0
    >>> fitted_at({"fitted": 130.0, "at_its_end": True}, t)
    160.0
    >>> fitted_at({"fitted": 9e8, "at_its_end": False}, t) is None
    True
    """
    first, last = float(seconds[0]), float(seconds[-1])
    # A recording keeps its own time, which the clock of the job may cross at any place.
    if log["at_its_end"]:
        return last
    moment = log["fitted"]
    if moment is not None and first <= moment <= last + _NEAR:
        return min(float(moment), last)
    return None


def log_chart(
    log: Mapping[str, Any],
    seconds: Floats,
    kelvin: Floats,
    window: tuple[float, float] | None,
    display: Display | None = None,
    look: Look = LIGHT,
    width: int = 560,
    height: int = 170,
) -> Any:
    """Chart a log of temperatures against time, the window shaded.

    Parameters
    ----------
    log : mapping
        Its entry, as `fitted_at` takes it.
    seconds, kelvin : ndarray, shape (n,)
        As many points as are to be drawn, K.
    window : tuple of float, optional
        K.
    display : Display, optional
        Unit of temperature; metric if left out.
    look : Look
    width, height : int
        Size of the plot [px].

    Returns
    -------
    altair.LayerChart

    Examples
    --------
    >>> t = np.arange(0.0, 600.0, 10.0)
    >>> entry = {"fitted": None, "at_its_end": True}
    >>> chart = log_chart(entry, t, 290.0 + t / 20.0, (311.15, 319.15))
    >>> [row["at"] for row in chart.to_dict()["datasets"]["plug"]]
    [9.833333333333334]
    """
    import altair as alt

    show = display or Display()
    per, unit = (3600.0, "h") if seconds[-1] - seconds[0] > _LONG else (60.0, "min")

    def degrees(value: float) -> float:
        return show.number(value, "temperature")

    def since(moment: float) -> float:
        return float((moment - seconds[0]) / per)

    course = [
        {"at": since(t), "value": degrees(k)}
        for t, k in zip(seconds.tolist(), kelvin.tolist(), strict=True)
    ]
    end = max(since(float(seconds[-1])), 1.0 / per)
    edges = [degrees(edge) for edge in window or ()]
    values = [row["value"] for row in course] + edges
    room = max(0.06 * (max(values) - min(values)), 1.0)
    span = [min(values) - room, max(values) + room]
    plug = _plug_rows(log, seconds, kelvin, since, show)
    band = [{"low": edges[0], "high": edges[1], "from": 0.0, "to": end}] if edges else []
    names = [{"at": 0.0, "value": edges[1], "text": "window"}] if edges else []
    x = alt.X(
        "at:Q",
        title=f"time since the first reading, {unit}",
        scale=alt.Scale(domain=[0, end], nice=False),
    )
    y = alt.Y(
        "value:Q",
        title=f"fluid, {show.unit('temperature')}",
        scale=alt.Scale(domain=span, nice=False, zero=False),
        axis=alt.Axis(tickCount=5),
    )
    layers = [
        alt.Chart(alt.NamedData("band"))
        .mark_rect(opacity=0.18, color=look.colours[5])
        .encode(x=alt.X("from:Q"), x2="to:Q", y=alt.Y("low:Q"), y2="high:Q"),
        alt.Chart(alt.NamedData("course"))
        .mark_line(strokeWidth=1.8, color=look.accent)
        .encode(x=x, y=y),
        alt.Chart(alt.NamedData("plug"))
        .mark_rule(strokeWidth=1.4, strokeDash=[4, 3], color=look.ink)
        .encode(x="at:Q"),
        alt.Chart(alt.NamedData("plug"))
        .mark_point(shape="diamond", size=80, filled=True, opacity=1, color=look.colours[2])
        .encode(x="at:Q", y="value:Q"),
        alt.Chart(alt.NamedData("plug"))
        .mark_text(align="right", baseline="bottom", dx=-6, color=look.ink)
        .encode(x="at:Q", y=alt.datum(span[0]), text="text:N"),
        alt.Chart(alt.NamedData("names"))
        .mark_text(align="left", baseline="top", dx=5, dy=3, color=look.ink)
        .encode(x="at:Q", y="value:Q", text="text:N"),
    ]
    chart = alt.layer(*layers).properties(
        width=width,
        height=height,
        datasets={"band": band, "course": course, "plug": plug, "names": names},
        description=log_words(log, seconds, kelvin, window, show),
    )
    return configured(chart, look)


def _plug_rows(
    log: Mapping[str, Any],
    seconds: Floats,
    kelvin: Floats,
    since: Callable[[float], float],
    show: Display,
) -> list[Row]:
    moment = fitted_at(log, seconds)
    if moment is None:
        return []
    value = float(np.interp(moment, seconds, kelvin))
    return [
        {
            "at": since(moment),
            "value": show.number(value, "temperature"),
            "text": f"plug fitted, {show.temperature_fine(value)}",
        }
    ]


def log_words(
    log: Mapping[str, Any],
    seconds: Floats,
    kelvin: Floats,
    window: tuple[float, float] | None,
    show: Display,
) -> str:
    """Say in words what the figure shows.

    Examples
    --------
    >>> t = np.array([0.0, 600.0])
    >>> log_words({"fitted": None, "at_its_end": False}, t, 300.0 + t / 60, None, Display())
    'Fluid from 26.9 °C to 36.9 °C within 10 min.'
    """
    first, last = (show.temperature_fine(float(kelvin[place])) for place in (0, -1))
    text = f"Fluid from {first} to {last} within {show.duration(float(seconds[-1] - seconds[0]))}"
    if window is not None:
        low, high = (show.temperature(edge) for edge in window)
        text += f"; window {low} to {high}, shaded"
    moment = fitted_at(log, seconds)
    if moment is not None:
        after = show.duration(moment - float(seconds[0]))
        at = show.temperature_fine(float(np.interp(moment, seconds, kelvin)))
        text += f"; plug fitted after {after} at {at}"
    return f"{text}."


def window_of(data: Mapping[str, Any]) -> tuple[float, float] | None:
    """Return the window of a record in K: the one given for the job, or that of the sheet.

    Parameters
    ----------
    data : mapping
        As `sumpwright.paper.record_data.record_json` gives it.

    Examples
    --------
    >>> row = {"name": "window", "range": [311.15, 319.15]}
    >>> window_of({"basis": [row], "readings": []})
    (311.15, 319.15)
    """
    given = {row["what"]: float(row["value"]) for row in data["readings"]}
    low, high = given.get("window opens"), given.get("window closes")
    if low is not None and high is not None and low < high:
        return low, high
    found = next((row["range"] for row in data["basis"] if row["name"] == "window"), None)
    return None if found is None else (float(found[0]), float(found[1]))
