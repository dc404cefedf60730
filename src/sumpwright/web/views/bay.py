"""What the bay and the seat screen are given to work with, also without network."""

from __future__ import annotations

from collections.abc import Sequence
from functools import cache
from typing import TYPE_CHECKING, Any

from sumpwright.planning.job_step import Step
from sumpwright.records.chain import Event, stamp
from sumpwright.records.content import most_above
from sumpwright.records.standing import JobStanding
from sumpwright.records.state import RANGE_TOLERANCE, TORQUE_TOLERANCE, JobState
from sumpwright.unit_words import Dimension, affine, units_of
from sumpwright.web.views.asks import FORMS, READINGS, ask_json
from sumpwright.web.views.job_words import Words
from sumpwright.web.views.typed import COUNTED
from sumpwright.web.views.working import Run

if TYPE_CHECKING:
    from sumpwright.web.security import Visitor
    from sumpwright.web.views.show import Show

_TYPED: tuple[Dimension, ...] = ("volume", "temperature", "torque", "length", "distance", "time")
_PLACES = {"volume": 2, "temperature": 1, "torque": 1, "length": 0, "distance": 0, "time": 1}


def event_data(event: Event, words: Words) -> dict[str, Any]:
    """Return an entry as the screens take it; the sheet in the opening is left out."""
    return {
        "id": event.id,
        "seq": event.seq,
        "at": stamp(event.at),
        "by": event.by,
        "kind": event.kind,
        "body": {} if event.kind == "opened" else dict(event.body),
        "text": words.say(event),
    }


def standing_data(standing: JobStanding, show: Show) -> dict[str, Any]:
    """Return where a job stands, as the bay screen shows it."""
    state, course, advice = standing.state, standing.course, standing.advice
    fresh = course.fresh_quantiles.to_json()
    return {
        "length": state.length,
        "cycles": state.cycles,
        "fresh": fresh,
        "fresh_text": show.share(fresh["p50"]),
        "band_text": f"{show.share(fresh['p05']).removesuffix(' %')}–{show.share(fresh['p95'])}",
        "target_text": show.share(standing.wish.target),
        "sure_text": show.share(advice.probability),
        "go_on": advice.go_on,
        "advice": show.text(standing.counsel),
        "refill": advice.refill,
        "flags": [show.text(flag) for flag in standing.flags_in(show.display)],
        "left_out": [
            {"what": show.text(doubt.brief), "todo": show.text(doubt.do)}
            for doubt in standing.belief.doubts
        ],
    }


def units_data(show: Show) -> dict[str, dict[str, Any]]:
    """Return how typed numbers become SI: value in SI = (value typed - shift) / scale.

    ``comma`` and ``counted`` say when digits can mean two numbers, as `sure` asks.
    ``words`` has the same for every unit that may be written after the number. ``twofold``
    holds the words that a device with metric units has to ask about: US or imperial.

    Examples
    --------
    >>> from sumpwright.display import Display
    >>> from sumpwright.web.views.show import Show
    >>> made = units_data(Show(Display()))["temperature"]
    >>> {key: made[key] for key in ("label", "scale", "shift", "places")}
    {'label': '°C', 'scale': 1.0, 'shift': -273.15, 'places': 1}
    """
    out: dict[str, dict[str, Any]] = {}
    for dimension in _TYPED:
        shift = show.display.number(0.0, dimension)
        out[dimension] = {
            "label": show.unit(dimension),
            "scale": float(f"{show.display.number(1.0, dimension) - shift:.12g}"),
            "shift": float(f"{shift:.12g}"),
            "places": 2 if show.us and dimension == "length" else _PLACES[dimension],
            "comma": show.comma,
            "counted": dimension in COUNTED,
            "words": words_data(dimension),
            "twofold": {},
        }
        if not show.us:
            twofold = twofold_data(dimension)
            out[dimension]["twofold"] = twofold
            out[dimension]["words"] = {
                word: known for word, known in words_data(dimension).items() if word not in twofold
            }
    return out


@cache
def words_data(dimension: Dimension) -> dict[str, tuple[float, float]]:
    """Return factor and offset to SI of every unit that a number may be written with.

    Examples
    --------
    >>> words_data("length")["in"]
    (0.0254, 0.0)
    """
    out: dict[str, tuple[float, float]] = {}
    for spelling, unit in units_of(dimension).items():
        factor, offset = affine(unit.pint, dimension)
        out[spelling] = (float(factor), float(offset))
    return out


@cache
def twofold_data(dimension: Dimension) -> dict[str, dict[str, tuple[str | float, ...]]]:
    """Return the words that mean one unit in the US and another in imperial measure.

    Examples
    --------
    >>> twofold_data("volume")["qt"]["nouns"], twofold_data("volume")["qt"]["clear"]
    (('US quarts', 'an imperial quart'), ('US qt', 'imp qt'))
    """
    return {
        spelling: {
            "nouns": unit.nouns,
            "factors": tuple(float(affine(e, dimension)[0]) for e in (unit.pint, unit.rival)),
            "clear": unit.clear,
        }
        for spelling, unit in units_of(dimension).items()
        if unit.nouns
    }


def step_data(step: Step, show: Show) -> dict[str, Any]:
    """Return a step in the device's units and decimal sign."""
    data = step.to_json(show.display)
    for key in ("title", "instruction", "caution"):
        if data[key]:
            data[key] = show.text(data[key])
    for hold in data["holds"]:
        hold["why"] = show.text(hold["why"])
    return data


def steps_data(run: Run, show: Show) -> dict[str, Any]:
    """Return the steps for every number of cycles, each different step once.

    Returns
    -------
    dict
        ``steps``, and ``orders``: for each number of cycles the places in ``steps``.
    """
    places: dict[Step, int] = {}
    for steps in run.orders.values():
        for step in steps:
            places.setdefault(step, len(places))
    return {
        "steps": [step_data(step, show) for step in places],
        "orders": {
            str(count): [places[step] for step in steps] for count, steps in run.orders.items()
        },
    }


def limits_data(state: JobState) -> dict[str, float | None]:
    """Return the most that the system and its sump hold [m³], for what can have come out."""
    system = state.system
    return {
        "capacity": system.capacity.high if system else None,
        "sump": system.sump.high if system and system.sump else None,
        "above": most_above(system) if system else None,
    }


def seals_data(state: JobState) -> dict[str, str]:
    """Return the seal of each plug that has one, by the plug's name in small letters."""
    plugs = state.system.plugs if state.system else ()
    return {plug.name.strip().casefold(): plug.seal for plug in plugs if plug.seal}


def bay_data(
    state: JobState, events: Sequence[Event], run: Run, visitor: Visitor, show: Show
) -> dict[str, Any]:
    """Return all that the bay screen needs to go on without network.

    Parameters
    ----------
    state : JobState
    events : sequence of Event
        The whole log.
    run : Run
    visitor : Visitor
    show : Show
    """
    assert state.sheet is not None
    words = Words(run.steps, events, show)
    return {
        "job": state.job,
        "machine": state.sheet.machine.name,
        "system": state.system_name,
        "method": run.method.title,
        "line": run.method.line,
        "fluid": (state.system.fluid if state.system else "") or "new fluid",
        "plugs": [plug.name for plug in (state.system.plugs if state.system else ())],
        "by": visitor.by,
        "role": visitor.role,
        "may_work": visitor.may("work"),
        "comma": show.comma,
        "units": units_data(show),
        "planned": run.cycles,
        "loop": run.loop,
        "mark": run.mark,
        "safe": run.safe,
        "limits": limits_data(state),
        "tolerance": [TORQUE_TOLERANCE, RANGE_TOLERANCE],
        "asked": state.system.fluid if state.system else "",
        "torques": {
            plug.name.strip().casefold(): [plug.torque.low, plug.torque.high]
            for plug in (state.system.plugs if state.system else ())
            if plug.torque
        },
        "seals": seals_data(state),
        "trouble": show.told(run.trouble.what) if run.trouble else "",
        **steps_data(run, show),
        "forms": {
            form.kind: {
                "title": form.title,
                "button": form.button,
                "asks": [ask_json(ask, show) for ask in form.asks],
            }
            for form in FORMS.values()
        },
        "readings": {
            name: {"label": label, "dimension": dimension, "unit": unit}
            for name, (label, dimension, unit) in READINGS.items()
        },
        "events": [event_data(event, words) for event in events],
    }


def seat_data(
    state: JobState, events: Sequence[Event], run: Run, visitor: Visitor, show: Show
) -> dict[str, Any]:
    """Return what the seat screen needs: the calls so far, and which steps turn the engine."""
    assert state.sheet is not None
    words = Words(run.steps, events, show)
    turns = {s.id: s.turns for steps in run.orders.values() for s in steps if s.turns}
    return {
        "job": state.job,
        "machine": state.sheet.machine.name,
        "system": state.system_name,
        "by": visitor.by,
        "may_answer": visitor.may("seat"),
        "turns": turns,
        "events": [
            event_data(event, words)
            for event in events
            if event.kind in ("signal", "acknowledged", "reversed", "closed")
            or event.body.get("step") in turns
        ],
        "length": state.length,
    }
