"""What is entered on the level screen, and what surrounds the reading."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from sumpwright.errors import Complaint
from sumpwright.planning.kind_words import words_for
from sumpwright.planning.level_plan import Basis
from sumpwright.planning.level_port import on_slope
from sumpwright.unit_words import Dimension
from sumpwright.web.views.asks import with_unit
from sumpwright.web.views.level import ASKED, SECOND, Heard, basis_of
from sumpwright.web.views.typed import read_clear

if TYPE_CHECKING:
    from sumpwright.records.state import JobState
    from sumpwright.web.views.show import Show

LABELS = {key: label for key, (_, _, label) in ASKED.items()} | {
    "value": "Temperature of the fluid",
    "volume": "What ran out",
    "reason": "Why it is right all the same",
    "port_side": "Height on the side of the port",
    "other_side": "Height opposite",
    "distance": "Distance between them",
    "name": "Name",
    "place": "Source",
    "kind": "Source",
    "log": "Log",
    "speed": "Times as fast",
    "temperature": "Column of the temperature",
}
_DIMENSIONS: dict[str, Dimension] = {
    "window_low": "temperature",
    "window_high": "temperature",
    "density": "density",
    "lift": "volume",
    "area": "area",
    "offset": "length",
}
_FIELDS = {"window": ("window_low", "window_high")}


@dataclass(frozen=True)
class AskView:
    """Something asked for that the sheet does not say."""

    key: str
    label: str
    unit: str
    why: str


@dataclass(frozen=True)
class LogLink:
    """A log kept with the job."""

    sha256: str
    text: str


@dataclass(frozen=True)
class LevelPage:
    """What stands around the reading."""

    known: Basis
    runs: bool
    lacks: tuple[AskView, ...]
    logs: tuple[LogLink, ...]


def level_page(state: JobState, show: Show) -> LevelPage:
    """Return what stands around the reading of a job."""
    from sumpwright.records.wording import describe

    assert state.system is not None
    known = basis_of(state)
    asks = []
    for lack in known.lacks:
        for key in _FIELDS.get(lack.key, (lack.key,)):
            asks.append(AskView(key, LABELS[key], show.unit(_DIMENSIONS[key]), show.say(lack.why)))
    logs = [
        LogLink(e.body["attachment"], show.text(describe(e, show.display)))
        for e in state.effective
        if e.kind == "logged"
    ]
    return LevelPage(known, words_for(state.system.kind).runs, tuple(asks), tuple(logs))


def _quantity(text: str, dimension: Dimension, field: str, show: Show) -> float:
    try:
        return read_clear(with_unit(text, dimension, show), dimension, show.display)
    except Complaint as complaint:
        raise Complaint(complaint.what, complaint.do, field=field) from None


def reading_of(text: str, state: JobState, show: Show, source: str = "") -> dict[str, Any]:
    """Return a typed temperature as the body of a ``read`` entry.

    Raises
    ------
    Complaint
        When it is no temperature, or none that a machine has.
    """
    from sumpwright.link.plausible import DIRECT, Judge

    if not text.strip():
        raise Complaint("no temperature was typed", "read the thermometer", field="value")
    kelvin = _quantity(text, "temperature", "value", show)
    doubt = Judge(DIRECT).doubt(kelvin, 0.0)
    if doubt:
        raise Complaint(doubt, "read the thermometer again", field="value")
    body = {"what": "temperature", "value": kelvin, "unit": "K"}
    step = _open_step(state, "temperature")
    known = basis_of(state)
    inside = known.window is not None and known.window[0] <= kelvin <= known.window[1]
    return {**body, "step": step} if step and inside and source else body


def _open_step(state: JobState, step: str) -> str:
    """Return a step of the level if it is still to be done; empty where it is not."""
    return "" if step in state.done or step in state.overridden else step


def fitted_entries(
    state: JobState, said: Heard, typed: str, show: Show
) -> list[tuple[str, dict[str, Any]]]:
    """Return what is kept when the plug was fitted: the reading, and what ran out.

    Raises
    ------
    Complaint
        When the volume cannot be read, or there is no reading to keep.
    """
    if said.kelvin is None or said.state == "lost":
        raise Complaint(
            "there is no reading to keep with the level",
            "read the fluid’s temperature first",
            field="value",
        )
    volume = None
    if typed.strip():
        volume = _quantity(typed, "volume", "volume", show)
    reading = {"what": "temperature", "value": said.kelvin, "unit": "K"}
    if _open_step(state, "temperature"):
        reading["step"] = "temperature"
    entries: list[tuple[str, dict[str, Any]]] = [("read", reading)]
    step = fitted_at(state)
    if volume:
        entries.append(("lost", {"volume": volume, "step": step}))
    elif step not in state.done:
        entries.append(("did", {"step": step}))
    return entries


def fitted_at(state: JobState) -> str:
    """Return the step at which a plug fitted now is kept: the second look, after the drive."""
    return SECOND if "level" in state.done and "test-drive" in state.done else "level"


def given_bodies(state: JobState, typed: Mapping[str, str], show: Show) -> list[dict[str, Any]]:
    """Return what was given in place of the sheet as bodies of ``read`` entries.

    Raises
    ------
    Complaint
        For a value that cannot be read, or cannot be.
    """
    from sumpwright.planning.level_plan import basis

    values = {
        key: _quantity(text, _DIMENSIONS[key], key, show)
        for key, text in typed.items()
        if text.strip()
    }
    if not values:
        raise Complaint("nothing was filled in", "fill in what you know", field="density")
    low, high = values.get("window_low"), values.get("window_high")
    if (low is None) != (high is None):
        missing = "window_low" if low is None else "window_high"
        raise Complaint("a window has two ends", "give both temperatures", field=missing)
    window = (low, high) if low is not None and high is not None else None
    assert state.system is not None
    rest = {key: value for key, value in values.items() if not key.startswith("window")}
    try:
        basis(state.system, (), window=window, **rest)
    except Complaint as complaint:
        field = "window_low" if complaint.field == "window" else complaint.field
        raise Complaint(complaint.what, complaint.do, field=field) from None
    return [
        {"what": ASKED[key][0], "value": value, "unit": ASKED[key][1]}
        for key, value in values.items()
    ]


def slope_words(state: JobState, typed: Mapping[str, str], show: Show) -> str:
    """Return what the slope does to the level, from two measured heights.

    Raises
    ------
    Complaint
        When a height is missing or cannot be, or pan and port are not known.
    """
    values = []
    for key in ("port_side", "other_side", "distance"):
        if not typed.get(key, "").strip():
            raise Complaint(f"{LABELS[key].lower()} is missing", "measure it", field=key)
        values.append(_quantity(typed[key], "length", key, show))
    return show.say(on_slope(basis_of(state), *values).sentence)
