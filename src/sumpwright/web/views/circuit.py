"""A wet system as a circuit: its compartments, what they hold, and who says so."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from sumpwright.errors import Complaint
from sumpwright.physics.circuit import Array
from sumpwright.planning.draws import Assumption, Draws
from sumpwright.planning.machine import Plug, Source, Span, WetSystem
from sumpwright.web.views.show import Show
from sumpwright.web.views.system_form import NUMBERS, Number
from sumpwright.web.views.typed import count_text
from sumpwright.worded import joined

MARKS = {
    "measured": "●",
    "manual": "■",
    "sheet": "◇",
    "assumed": "△",
    "worked out": "＝",
}
"""A shape for each origin, so that colour is not needed to tell them apart."""
WORDS = {
    "measured": "measured",
    "manual": "service manual",
    "sheet": "origin not said",
    "assumed": "assumed",
    "worked out": "worked out",
}
_IN_LITRES = 1e-3


@dataclass(frozen=True)
class Told:
    """A number with where it came from.

    Parameters
    ----------
    key, label : str
    text : str
        The number in the device's units.
    origin : str
        One of `MARKS`.
    note : str
        Page of the manual, or a remark.
    """

    key: str
    label: str
    text: str
    origin: str
    note: str = ""

    @property
    def mark(self) -> str:
        """Shape of the origin."""
        return MARKS[self.origin]

    @property
    def words(self) -> str:
        """Origin in words, with its page or remark."""
        words = WORDS[self.origin]
        return f"{words}, {self.note}" if self.note else words


@dataclass(frozen=True)
class Drawing:
    """What the figure of a circuit shows.

    Parameters
    ----------
    drained : float
        Height of what a drain brings out, as a share of the sump.
    tanks : int
        Into how many boxes the upper works are divided.
    has_loop : bool
        Whether there is a cooler loop.
    has_upper : bool
        Whether anything stands above the sump.
    """

    capacity: Told
    drain: Told
    sump: Told
    upper: Told
    loop: Told
    drained: float
    tanks: int
    has_loop: bool
    has_upper: bool
    words: str


@dataclass(frozen=True)
class SystemView:
    """A wet system as its page shows it; ``place`` counts from 1.

    ``trouble`` says why there is no drawing, where the numbers do not fit together.
    """

    place: int
    system: WetSystem
    drawing: Drawing | None
    numbers: tuple[Told, ...]
    window: Told | None
    plugs: tuple[PlugView, ...]
    trouble: str = ""


@dataclass(frozen=True)
class PlugView:
    """A plug with its torque in words."""

    plug: Plug
    torque: Told | None


def system_view(
    system: WetSystem, place: int, draws_of: Callable[[WetSystem], Draws], show: Show
) -> SystemView:
    """Return a wet system as its page shows it.

    Parameters
    ----------
    system : WetSystem
    place : int
        From 1.
    draws_of : callable
        Gives the draws of the system, for what is assumed and what follows from it.
    show : Show
    """
    trouble, draws = "", None
    assumed: dict[str, Assumption] = {}
    try:
        draws = draws_of(system)
        assumed = {a.name: a for a in draws.assumptions} | draws.method_assumptions
    except Complaint as complaint:
        trouble = joined("; ", complaint.what, complaint.do)
    numbers = tuple(
        told
        for number in NUMBERS
        for told in [_told(number, getattr(system, number.key), assumed.get(number.key), show)]
        if told is not None
    )
    by_key = {told.key: told for told in numbers}
    return SystemView(
        place,
        system,
        _drawing(draws, by_key, show) if draws is not None else None,
        numbers,
        _window(system, show),
        tuple(PlugView(plug, _torque(plug, show)) for plug in system.plugs),
        trouble,
    )


def _told(number: Number, span: Span | None, assumed: Assumption | None, show: Show) -> Told | None:
    if span is not None:
        text = _ends(number, span.low, span.high, show)
        return Told(number.key, number.label, text, span.origin, span.note)
    if assumed is None:
        return None
    scale = _IN_LITRES if assumed.unit == "L" else 1.0
    text = _ends(number, assumed.low * scale, assumed.high * scale, show)
    return Told(number.key, number.label, text, "assumed", "usual for its kind")


def _ends(number: Number, low: float, high: float, show: Show) -> str:
    if number.key == "tanks":
        return count_text(low, high)
    if number.dimension == "volume":
        return show.volumes(low, high)
    first, last = (show.quantity(end, number.dimension) for end in (low, high))
    if first == last:
        return first
    head, _, unit = first.rpartition(" ")
    return f"{head}–{last}" if last.endswith(f" {unit}") else f"{first}–{last}"


def _window(system: WetSystem, show: Show) -> Told | None:
    if system.window is None:
        return None
    source = next((s for s in system.sources if s.key == "window"), Source("window", "sheet"))
    low, high = (show.temperature(end) for end in system.window)
    return Told("window", "Window", f"{low} to {high}", source.origin, source.note)


def _torque(plug: Plug, show: Show) -> Told | None:
    if plug.torque is None:
        return None
    low, high = show.torque(plug.torque.low), show.torque(plug.torque.high)
    text = low if low == high else f"{low} to {high}"
    return Told("torque", "Torque", text, plug.torque.origin, plug.torque.note)


def _drawing(draws: Draws, told: dict[str, Told], show: Show) -> Drawing:
    body = draws.circuit
    upper = Told("upper", "Upper works", _range(body.upper, show), "worked out", "the rest")
    has_loop = bool(np.max(body.loop) > 0)
    has_upper = bool(np.max(body.upper) > 1e-6)
    drained = float(np.median(draws.drain / body.sump))
    parts = [f"Capacity {told['capacity'].text}", f"sump {told['sump'].text}"]
    parts.append(f"of which the drain brings out {told['drain'].text}")
    if has_upper:
        parts.append(f"upper works {upper.text}")
    if has_loop:
        parts.append(f"cooler loop {told['cooler_loop'].text}")
    return Drawing(
        capacity=told["capacity"],
        drain=told["drain"],
        sump=told["sump"],
        upper=upper,
        loop=told["cooler_loop"],
        drained=min(1.0, max(0.05, drained)),
        tanks=int(np.median(body.tanks)),
        has_loop=has_loop,
        has_upper=has_upper,
        words=", ".join(parts) + ".",
    )


def _range(values: Array, show: Show) -> str:
    low, high = np.quantile(values, [0.05, 0.95])
    return show.volumes(float(low), float(high))
