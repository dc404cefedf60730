"""Job events in the words of the trade."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

from sumpwright.display import Display
from sumpwright.planning.methods import METHODS
from sumpwright.planning.step_texts import title_of
from sumpwright.planning.steps import TAKEN
from sumpwright.records.chain import Event

Words = Callable[[Mapping[str, Any], Display], str]
Say = Callable[[Event], str]


def describe(event: Event, display: Display | None = None) -> str:
    """Return one short line that says what an entry records.

    Parameters
    ----------
    event : Event
        An entry of a job's log.
    display : Display, optional
        Units and money to show; metric if left out.

    Examples
    --------
    >>> from sumpwright.records.chain import seal, unstamp
    >>> at = unstamp("2025-03-01T09:30:00Z")
    >>> fill = seal("id", "job", 1, at, "Ines", "filled",
    ...             {"volume": 0.0043, "fluid": "Cable Green 7", "lot": "L12"}, "")
    >>> describe(fill)
    'filled 4.30 L of Cable Green 7, lot L12'
    >>> describe(fill, Display("us"))
    'filled 4.54 US qt of Cable Green 7, lot L12'
    """
    words = _WORDS.get(event.kind)
    if words is None:
        return event.kind
    return words(event.body, display or Display())


def describe_among(
    event: Event,
    log: Mapping[str, Event],
    display: Display | None = None,
    say: Say | None = None,
) -> str:
    """Return `describe`, and for an entry that takes back or answers another, which one.

    Parameters
    ----------
    event : Event
    log : mapping of str to Event
        The entries of its job by id.
    display : Display, optional
    say : callable, optional
        How the other entry is put into words; as `describe` does if left out.

    Examples
    --------
    >>> from sumpwright.records.chain import seal, unstamp
    >>> at = unstamp("2025-03-01T09:30:00Z")
    >>> fill = seal("f", "job", 1, at, "Ines", "filled", {"volume": 0.0043, "fluid": "Oil 7"}, "")
    >>> undo = seal("u", "job", 2, at, "Ines", "reversed", {"event": "f"}, "")
    >>> redo = seal("r", "job", 3, at, "Ines", "reversed", {"event": "u"}, "")
    >>> log = {event.id: event for event in (fill, undo, redo)}
    >>> describe_among(undo, log)
    'undid: filled 4.30 L of Oil 7'
    >>> describe_among(redo, log, Display("us"))
    'in force again: filled 4.54 US qt of Oil 7'
    """
    if event.kind == "acknowledged" and event.body["signal"] in log:
        return f"answered: {log[event.body['signal']].body['instruction']}"
    if event.kind != "reversed":
        return describe(event, display)
    verb, target = "undid", log.get(event.body["event"])
    # Undoing an undo, and so on: each one turns it round.
    while target is not None and target.kind == "reversed":
        verb = "undid" if verb == "in force again" else "in force again"
        target = log.get(target.body["event"])
    if target is None:
        return "undid an entry" if verb == "undid" else "brought an entry back"
    words = say(target) if say else describe_among(target, log, display)
    return f"{verb}: {words}"


def _parts(*parts: str | None) -> str:
    return ", ".join(part for part in parts if part)


def _opened(body: Mapping[str, Any], show: Display) -> str:
    method = next((m.title for m in METHODS if m.name == body["method"]), body["method"])
    return (
        f"opened on the {body['system']}: {method[:1].lower()}{method[1:]}, target "
        f"{show.share(body['target'])} fresh"
    )


def _drained(body: Mapping[str, Any], show: Display) -> str:
    return _parts(
        f"drained {show.volume(body['volume'])}",
        f"at {show.temperature(body['temperature'])}" if "temperature" in body else None,
        "leaned" if body.get("leaned") else None,
    )


def _put_in(verb: str) -> Words:
    def words(body: Mapping[str, Any], show: Display) -> str:
        return _parts(
            f"{verb} {show.volume(body['volume'])} of {body['fluid']}",
            f"lot {body['lot']}" if body.get("lot") else None,
            f"for {show.money(body['price'])}" if body.get("price") else None,
        )

    return words


def _discharged(body: Mapping[str, Any], show: Display) -> str:
    seconds = body.get("seconds")
    return _parts(
        f"discharged {show.volume(body['volume'])} through the cooler line",
        f"in {seconds:.0f} s" if seconds else None,
    )


def _purged(body: Mapping[str, Any], show: Display) -> str:
    return _parts(
        f"pushed {show.share(body['share'])} of the cooler loop out with air",
        f"{show.volume(body['volume'])} caught" if "volume" in body else None,
    )


def _worked(body: Mapping[str, Any], _show: Display) -> str:
    sweeps = body["sweeps"]
    return f"worked the selector through {sweeps} {'sweep' if sweeps == 1 else 'sweeps'}"


def _drove(body: Mapping[str, Any], show: Display) -> str:
    return _parts(
        f"drove {show.distance(body['distance'])}" if "distance" in body else "drove",
        f"for {show.duration(body['seconds'])}" if "seconds" in body else None,
    )


def _circulated(body: Mapping[str, Any], show: Display) -> str:
    return f"circulated {show.volume(body['volume'])}"


def _lost(body: Mapping[str, Any], show: Display) -> str:
    if body.get("step") == "level":
        return f"ran out at the level opening: {show.volume(body['volume'])}"
    if body.get("step") == "recheck":
        return f"ran out at the look after the drive: {show.volume(body['volume'])}"
    return f"run out or spilt: {show.volume(body['volume'])}"


def _quantity(what: str, value: float, unit: str, show: Display) -> str:
    if unit == "K":
        return show.temperature_fine(value)
    if what == "odometer":
        return show.distance(value)
    if what == "hours":
        return f"{value / 3600:.1f} h"
    if unit == "Pa":
        return show.pressure(value)
    by_unit: dict[str, Callable[[float], str]] = {
        "m": show.length,
        "m3": show.volume,
        "m3/s": show.flow,
        "N.m": show.torque,
    }
    if unit in by_unit:
        return by_unit[unit](value)
    return f"{value:g} {unit}".strip()


def _read(body: Mapping[str, Any], show: Display) -> str:
    what = body["what"]
    return f"read {what}: {_quantity(what, body['value'], body['unit'], show)}"


def _tightened(body: Mapping[str, Any], show: Display) -> str:
    target, found, setting = (body.get(k) for k in ("target", "as_found", "wrench_set"))
    return _parts(
        f"tightened the {body['plug']} plug to {show.torque(body['torque'])}"
        if not body["plug"].endswith("plug")
        else f"tightened the {body['plug']} to {show.torque(body['torque'])}",
        f"target {show.torque(target)}" if target else None,
        f"found at {show.torque(found)}" if found else None,
        f"wrench set to {show.torque(setting)}" if setting else None,
        "new seal" if body.get("new_seal") else None,
        "marked" if body.get("marked") else None,
    )


def _sampled(body: Mapping[str, Any], show: Display) -> str:
    old, error = body.get("old_share"), body.get("standard_error")
    measured = None
    if old is not None:
        measured = f"{show.share(old)} old" + (f" ± {show.share(error)}" if error else "")
    of = f"after cycle {body['cycle']}" if body["cycle"] else "of the fluid before"
    if body.get("step") == "sample.new":
        of = "of the new fluid"
    if body.get("taken_from"):
        of += f", from {TAKEN[body['taken_from']]}"
    return _parts(f"sample {body['vial']} {of}", measured, body.get("note") or None)


def _did(body: Mapping[str, Any], _show: Display) -> str:
    return f"done: {title_of(body['step'])}"


def _overrode(body: Mapping[str, Any], _show: Display) -> str:
    names = "; ".join(title_of(step) for step in (body["step"], *body.get("also", ())))
    return f"went past: {names} ({body['reason']})"


def _decided(body: Mapping[str, Any], _show: Display) -> str:
    cycles = body["cycles"]
    return f"decided on {cycles} {'cycle' if cycles == 1 else 'cycles'} in all"


def _adopted(body: Mapping[str, Any], _show: Display) -> str:
    return f"took over the kept steps “{body['name']}”"


def _photographed(body: Mapping[str, Any], _show: Display) -> str:
    caption = body.get("caption")
    return f"photograph: {caption}" if caption else "photograph"


def _logged(body: Mapping[str, Any], show: Display) -> str:
    count = f"{body['readings']:,}".replace(",", " ")
    return _parts(
        f"log of the {body['what']}: {count} readings in {show.duration(body['seconds'])}",
        f"{show.temperature(body['lowest'])} to {show.temperature(body['highest'])}",
        body.get("source") or None,
    )


def _noted(body: Mapping[str, Any], _show: Display) -> str:
    return f"note: {body['text']}"


def _reversed(_body: Mapping[str, Any], _show: Display) -> str:
    return "undid an entry"


def _signal(body: Mapping[str, Any], _show: Display) -> str:
    return f"called the {body['to']}: {body['instruction']}"


def _acknowledged(body: Mapping[str, Any], _show: Display) -> str:
    step = body.get("step")
    return f"answered: {title_of(step)}" if step else "answered a call"


def _closed(body: Mapping[str, Any], show: Display) -> str:
    return _parts(
        "closed",
        f"odometer {show.distance(body['odometer'])}" if "odometer" in body else None,
        f"hours {body['hours'] / 3600:.1f} h" if "hours" in body else None,
        body.get("summary") or None,
    )


_WORDS: dict[str, Words] = {
    "opened": _opened,
    "drained": _drained,
    "filled": _put_in("filled"),
    "discharged": _discharged,
    "exchanged": _put_in("exchanged for"),
    "purged": _purged,
    "worked": _worked,
    "drove": _drove,
    "circulated": _circulated,
    "lost": _lost,
    "read": _read,
    "tightened": _tightened,
    "sampled": _sampled,
    "did": _did,
    "overrode": _overrode,
    "decided": _decided,
    "adopted": _adopted,
    "photographed": _photographed,
    "logged": _logged,
    "noted": _noted,
    "reversed": _reversed,
    "signal": _signal,
    "acknowledged": _acknowledged,
    "closed": _closed,
}
