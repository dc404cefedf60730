"""The service record as one object: everything that the printed record says."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, datetime
from typing import Any

from sumpwright.planning.machine import Span, WetSystem
from sumpwright.planning.verdict import verdict
from sumpwright.records.chain import Event, stamp
from sumpwright.records.closing import not_done, turned
from sumpwright.records.open_plugs import open_plugs
from sumpwright.records.standing import JobStanding
from sumpwright.records.state import JobState, torque_tolerance
from sumpwright.records.wording import describe, describe_among

FORMAT = "sumpwright-record-1"

_VOLUMES = (
    "capacity",
    "drain",
    "sump",
    "cooler_loop",
    "pickup_reserve",
    "discharge",
    "lean_gain",
)
_PLAIN = ("tanks", "pockets", "purge_share", "sweep_share")
_PLUG_STEPS = frozenset({"level", "recheck"})
_RELEASES = frozenset({"drain", "discharge", "exchange", "purge"})


def record_json(
    standing: JobStanding, events: Sequence[Event], at: datetime | None = None
) -> dict[str, Any]:
    """Return the service record of a job as one object.

    Parameters
    ----------
    standing : JobStanding
        The job's state with the estimate of its fluid.
    events : sequence of Event
        The whole log, undone entries included.
    at : datetime, optional
        When the record is made; now, if left out.

    Returns
    -------
    dict
        ``format``, ``made_at``, ``job``, ``machine``, ``system``, ``verdict``,
        ``fluid_steps`` (each with volumes in and out, balance and fresh share),
        ``totals``, ``readings``, ``torques``, ``not_tightened`` (plugs that
        were opened, with the torque of the sheet), ``samples``, ``steps_done``,
        ``steps_left`` (not done, each with its reason; ``null`` where nobody knows),
        ``steps_out_of_turn``,
        ``temperature_logs``, ``overridden``, ``notes``, ``photographs``, ``undone``,
        ``looked_at`` (flags),
        ``basis`` (each number of the machine with its range, unit and origin),
        ``fluids``, ``composition``, ``chain``. Keys ending in ``_l`` are litres and in
        ``_nm`` newton metres; readings keep their SI value and unit; shares are
        fractions; times are UTC.
    """
    state = standing.state
    made = (at or datetime.now(UTC)).astimezone(UTC)
    said = verdict(standing.course, state.target, state.confidence or 0.90)
    by_id = {event.id: event for event in events}
    left_out = standing.left_out
    note = state.sheet.machine.note if state.sheet else ""
    return {
        "format": FORMAT,
        "made_at": stamp(made),
        "job": {
            "id": state.job,
            "method": state.method,
            "method_title": standing.method.title
            if standing.method.name == state.method
            else state.method,
            "target": state.target,
            "confidence": state.confidence,
            "opened_at": None if state.opened_at is None else stamp(state.opened_at),
            "closed_at": None if state.closed_at is None else stamp(state.closed_at),
            "opened_by": state.opened_by,
            "people": _people(state.effective),
            "cycles": state.cycles,
            "summary": state.summary,
        },
        "machine": {
            "id": state.machine,
            "name": state.sheet.machine.name if state.sheet else state.machine,
            "note": note,
            "odometer_m": _odometer(state),
            "hours_s": _last(state, "hours")
            if state.closing_hours is None
            else state.closing_hours,
        },
        "system": {
            "name": state.system_name,
            "kind": state.system.kind if state.system else "",
            "fluid": state.system.fluid if state.system else "",
        },
        "verdict": {
            "fresh": standing.course.fresh_quantiles.to_json(),
            "sure_of": said.sure_of,
            "confidence": said.confidence,
            "target": said.target,
            "probability": said.probability,
            "reached": said.reached,
            "text": " ".join(str(sentence) for sentence in said.sentences),
        },
        "fluid_steps": _steps(standing, by_id),
        "totals": {
            "out_l": _l(state.balance.total_out),
            "in_l": _l(state.balance.total_in),
            "lost_l": _l(state.balance.lost),
            "net_l": _l(state.balance.net),
        },
        "readings": [
            {
                "what": what,
                "value": reading.value,
                "unit": reading.unit,
                "at": stamp(reading.at),
                "by": reading.by,
            }
            for what, rows in state.readings.items()
            for reading in rows
        ],
        "torques": _torques(state),
        "not_tightened": [
            {"plug": plug.name, "target_nm": [plug.torque.low, plug.torque.high]}
            for plug in open_plugs(state)
            if plug.torque
        ],
        "samples": [
            {
                "vial": sample.vial,
                "cycle": sample.cycle,
                "of_new": by_id[sample.event].body.get("step") == "sample.new",
                "old_share": sample.old_share,
                "standard_error": sample.standard_error,
                "taken_from": sample.taken_from,
                "left_out": left_out[sample.event].sentence if sample.event in left_out else None,
                "note": sample.note,
                "method": sample.method,
                "outline": by_id[sample.event].body.get("outline"),
                "patch": by_id[sample.event].body.get("patch"),
                "photograph": sample.attachment,
                "at": stamp(sample.at),
            }
            for sample in state.samples
        ],
        "temperature_logs": _logs(state),
        "steps_done": list(state.done),
        "steps_left": _left(state),
        "steps_out_of_turn": turned(state),
        "overridden": [
            {
                "step": step,
                "reason": event.body["reason"],
                "at": stamp(event.at),
                "by": event.by,
            }
            for event in state.effective
            if event.kind == "overrode"
            for step in (event.body["step"], *event.body.get("also", ()))
        ],
        "notes": [
            {"text": event.body["text"], "at": stamp(event.at), "by": event.by}
            for event in state.notes
        ],
        "photographs": [
            {
                "sha256": photo.attachment,
                "caption": photo.caption,
                "at": stamp(photo.at),
                "by": photo.by,
            }
            for photo in state.photographs
        ],
        "undone": _undone(state, events),
        "looked_at": [
            {
                "text": flag.text,
                "form": flag.said.text,
                "values": dict(flag.said.values),
                "entry": describe(by_id[flag.event]),
                "event": flag.event,
            }
            for flag in state.flags
            if flag.event in by_id
        ]
        + [
            {
                "text": s.note,
                "form": s.note,
                "values": {},
                "entry": describe(by_id[s.step.event_id]),
                "event": s.step.event_id,
            }
            for s in standing.course.standings
            if s.note and s.step.event_id in by_id
        ],
        "basis": basis(standing),
        "fluids": [
            {
                "label": batch.label,
                "fluid": batch.fluid,
                "lot": batch.lot,
                "volume_l": _l(batch.volume),
                "price": batch.price or None,
            }
            for batch in state.batches
        ],
        "currency": state.sheet.currency if state.sheet else "",
        "composition": standing.course.by_batch,
        "chain": {"events": len(events), "head": events[-1].hash if events else ""},
    }


def _left(state: JobState) -> list[dict[str, str]] | None:
    left = not_done(state)
    return None if left is None else [{"step": s, "reason": why} for s, why in left]


def _l(volume: float) -> float:
    return round(volume * 1e3, 6) + 0.0


def _people(events: Sequence[Event]) -> list[str]:
    return list(dict.fromkeys(event.by for event in events if event.by))


def _last(state: JobState, what: str) -> float | None:
    rows = state.readings.get(what, ())
    return rows[-1].value if rows else None


def _odometer(state: JobState) -> float | None:
    if state.closing_odometer is not None:
        return state.closing_odometer
    read = _last(state, "odometer")
    if read is not None:
        return read
    return state.sheet.machine.odometer if state.sheet else None


def _steps(standing: JobStanding, by_id: dict[str, Event]) -> list[dict[str, Any]]:
    rows: list[dict[str, Any]] = []
    balance, cycle, released = 0.0, 0, False
    for place in standing.course.standings:
        step = place.step
        event = by_id.get(step.event_id)
        out = step.volume if step.kind in _RELEASES else 0.0
        put_in = step.volume if step.batch else 0.0
        lost = step.volume if step.kind == "lose" else 0.0
        if out and not released and not step.trial:
            cycle, released = cycle + 1, True
        balance = 0.0 if step.kind == "level" else balance + put_in - out - lost
        rows.append(
            {
                "kind": step.kind,
                "at": None if event is None else stamp(event.at),
                "by": "" if event is None else event.by,
                "cycle": cycle,
                "out_l": _l(out),
                "in_l": _l(put_in),
                "lost_l": _l(lost),
                "round_l": _l(step.volume) if step.kind == "circulate" else 0.0,
                "balance_l": _l(balance),
                "fluid": step.batch,
                "sweeps": step.sweeps,
                "share": step.share,
                "leaned": bool(event and event.body.get("leaned")),
                "measured": not (event and step.kind == "purge" and "volume" not in event.body),
                "fresh": place.fresh.to_json(),
            }
        )
        if put_in:
            released = False
    return rows


def _torques(state: JobState) -> list[dict[str, Any]]:
    rows: list[dict[str, Any]] = []
    for entries in state.torques.values():
        for entry in entries:
            body, plug = entry.event.body, state.plug(entry.plug)
            target = entry.target
            rows.append(
                {
                    "plug": entry.plug,
                    "torque_nm": entry.torque,
                    "target_nm": None if target is None else [target.low, target.high],
                    "tolerance": torque_tolerance(target),
                    "off": entry.off,
                    "within": entry.within,
                    "as_found_nm": body.get("as_found"),
                    "wrench_set_nm": body.get("wrench_set"),
                    "tool": body.get("tool", ""),
                    "calibrated": body.get("calibrated"),
                    "seal": plug.seal if plug else "",
                    "new_seal": body.get("new_seal"),
                    "marked": body.get("marked"),
                    "at": stamp(entry.at),
                    "by": entry.by,
                }
            )
    return rows


def _logs(state: JobState) -> list[dict[str, Any]]:
    """Logs of temperature, each with the moment at which the plug of the level was fitted."""
    events = state.effective
    done = [e for e in events if e.kind in ("did", "lost") and e.body.get("step") in _PLUG_STEPS]
    fitted = [e for e in done if e.body["step"] == "level"]
    moment = fitted[-1].at.timestamp() if fitted else None
    rows = []
    for event in events:
        if event.kind != "logged" or event.body["what"] != "temperature":
            continue
        # Fitting the plug ends the log, and both are put into the job's log at one stroke,
        # which gives them one time.
        ended = any(e.at == event.at and e.seq > event.seq for e in done)
        rows.append(
            {
                "sha256": event.body["attachment"],
                "source": event.body.get("source", ""),
                "readings": event.body["readings"],
                "lowest_k": event.body["lowest"],
                "highest_k": event.body["highest"],
                "seconds": event.body["seconds"],
                "fitted": moment,
                "at_its_end": ended,
                "at": stamp(event.at),
                "by": event.by,
            }
        )
    return rows


def _undone(state: JobState, events: Sequence[Event]) -> list[dict[str, Any]]:
    undoing = {event.body["event"]: event for event in state.reversals}
    by_id = {event.id: event for event in events}
    return [
        {
            "seq": event.seq,
            "text": describe_among(event, by_id),
            "kind": event.kind,
            "body": dict(event.body),
            "at": stamp(event.at),
            "by": event.by,
            "undone_at": stamp(undoing[event.id].at) if event.id in undoing else None,
            "undone_by": undoing[event.id].by if event.id in undoing else "",
        }
        for event in events
        if event.id in state.reversed and event.kind != "reversed"
    ]


def basis(standing: JobStanding) -> list[dict[str, Any]]:
    """Return each number of the system with its range, its unit and where it came from."""
    system = standing.state.system
    rows: list[dict[str, Any]] = []
    for name in (*_VOLUMES, *_PLAIN):
        span: Span | None = getattr(system, name, None) if system else None
        if span is not None:
            scale, unit = (1e3, "L") if name in _VOLUMES else (1.0, "")
            rows.append(
                {
                    "name": name,
                    "range": [round(span.low * scale, 9), round(span.high * scale, 9)],
                    "unit": unit,
                    "origin": span.origin,
                    "note": span.note,
                }
            )
    draws = standing.course.draws
    used = {**draws.method_assumptions}
    own = [used[name] for name in standing.method.uses if name in used]
    for guess in (*draws.assumptions, *own):
        rows.append({**guess.to_json(), "origin": "assumed", "note": guess.origin})
    if system is not None:
        rows += _window(system)
    return rows


def _window(system: WetSystem) -> list[dict[str, Any]]:
    if system.window is None:
        return []
    source = next((s for s in system.sources if s.key == "window"), None)
    return [
        {
            "name": "window",
            "range": list(system.window),
            "unit": "K",
            "origin": source.origin if source else "sheet",
            "note": source.note if source else "",
        }
    ]
