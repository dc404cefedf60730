"""The running account of a job's log: what each kind of entry changes."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from typing import Any

from sumpwright.planning.engine import EngineTrack
from sumpwright.planning.machine import Sheet, Span, WetSystem
from sumpwright.planning.openings import (
    Opening,
    closed_at,
    due_again,
    opened_at,
    opened_by,
    tightening_closes,
)
from sumpwright.planning.said import Value, said
from sumpwright.planning.steps import FluidStep, Taken
from sumpwright.records.chain import Event
from sumpwright.records.content import most_by_sheet
from sumpwright.records.snapshot import sheet_from_plain
from sumpwright.records.state import (
    Batch,
    Flag,
    Photograph,
    Reading,
    Sample,
    Torque,
    batch_label,
    find_plug,
    other_fluid,
    torque_tolerance,
)

ROUNDING = 1.0 + 1e-9
"""Sums of volumes are compared with this slack, for the rounding of binary fractions alone."""


COMPLETING = frozenset(
    {
        "drained",
        "filled",
        "discharged",
        "exchanged",
        "purged",
        "worked",
        "drove",
        "circulated",
        "lost",
        "read",
        "tightened",
        "sampled",
        "did",
        "decided",
        "acknowledged",
    }
)
"""Kinds of entry that complete the step at which they are made."""


TRIAL = "outlet"
"""Step at which what the short run brought is entered: with its refill it is no cycle."""

LEVEL = "level"
"""Step at which the level is set; what is missing or too much counts anew from there."""

SECOND_LOOK = "recheck"
"""Step at which it is looked at after the drive: what runs out there sets it once more."""

USUAL_TEMPERATURE = (223.0, 473.0)
"""Working fluids are read between these [K], hot ones included; common practice, no source."""


_RELEASING = frozenset({"drain", "discharge", "exchange", "purge"})
_MIXING = frozenset({"drive", "circulate", "work"})
_MOVING = frozenset({"drained", "filled", "discharged", "exchanged", "purged"})


class Tally:
    """The running account of the events in force."""

    def __init__(self) -> None:
        self.opening: Event | None = None
        self.sheet: Sheet | None = None
        self.system: WetSystem | None = None
        self.closing: Event | None = None
        self.effective: list[Event] = []
        self.out: dict[str, float] = {}
        self.put_in: dict[str, float] = {}
        self.lost = 0.0
        self.net = 0.0
        self.steps: list[FluidStep] = []
        self.batches: dict[str, Batch] = {}
        self.readings: dict[str, list[Reading]] = {}
        self.torques: dict[str, list[Torque]] = {}
        self.samples: list[Sample] = []
        self.photographs: list[Photograph] = []
        self.notes: list[Event] = []
        self.done: dict[str, None] = {}
        self.overridden: dict[str, str] = {}
        self.signals: dict[str, Event] = {}
        self.calls: dict[str, str] = {}
        self.withdrawn: frozenset[str] = frozenset()
        self.engine = EngineTrack()
        self.ran = False
        self.settled = 0.0
        self.level_set = False
        self.opened: dict[Opening, None] = {}
        self.released = False
        self.stopped = False
        self.cycles = 0
        self.flags: list[Flag] = []

    def copy(self) -> Tally:
        twin = Tally()
        for name, value in vars(self).items():
            setattr(twin, name, value.copy() if isinstance(value, list | dict) else value)
        twin.readings = {what: rows.copy() for what, rows in self.readings.items()}
        twin.torques = {plug: rows.copy() for plug, rows in self.torques.items()}
        twin.engine = replace(self.engine)
        return twin

    def apply(self, event: Event) -> None:
        self.effective.append(event)
        effect = _EFFECTS.get(event.kind)
        if effect is not None:
            effect(self, event, event.body)
        step = event.body.get("step")
        if event.kind in COMPLETING and step:
            self.complete(event, step)
        self.open_and_close(event, step if event.kind in COMPLETING and step else "")
        if self.engine.state == "running":
            self.ran = True
        elif event.kind in _MOVING:
            self.ran = False

    def complete(self, event: Event, step: str) -> None:
        self.done[step] = None
        self.settle(lambda called: called == step)
        if event.kind != "acknowledged":
            self.engine.done(step)
        if step == LEVEL or (step == SECOND_LOOK and event.kind == "lost"):
            self.settled += self.net
            self.net = 0.0
            self.level_set = True
            self.steps.append(FluidStep("level", event_id=event.id))

    def open_and_close(self, event: Event, step: str) -> None:
        """Take note of what an entry shows to be open, and of what it closes."""
        opened = dict.fromkeys((*opened_at(step, self.system), *opened_by(event.kind)))
        for opening in opened:
            passed = (*self.done, *self.overridden)
            self.again(due_again(opening, step, passed, self.system))
            self.opened[opening] = None
        closed = set(closed_at(step, self.system))
        if event.kind == "tightened":
            closed.update(tightening_closes(event.body["plug"], self.system))
        elif event.kind == "overrode":
            for left_out in (event.body["step"], *event.body.get("also", ())):
                closed.update(closed_at(left_out, self.system))
            closed.discard("line")
        for opening in closed:
            self.opened.pop(opening, None)

    def settle(self, meant: Callable[[str], bool]) -> None:
        """Take back the calls for steps that need none any more."""
        for id, call in list(self.signals.items()):
            if call.body.get("step") and meant(call.body["step"]):
                del self.signals[id]

    def again(self, steps: Sequence[str]) -> None:
        """Make steps due again, with whatever was passed over at them."""
        for step in steps:
            self.done.pop(step, None)
        for passed in list(self.overridden):
            if passed.partition("/")[0] in steps:
                del self.overridden[passed]
        self.settle(lambda called: called in steps)

    def flag(self, event: Event, text: str, **values: Value) -> None:
        if not values:
            # What was typed may be quoted here, and a brace in it is no gap.
            text = text.replace("{", "{{").replace("}", "}}")
        self.flags.append(Flag(event.id, said(text, **values)))

    def take(self, kind: str, event: Event, volume: float) -> None:
        self.out[kind] = self.out.get(kind, 0.0) + volume
        self.net -= volume
        if not is_trial(event):
            self.released = True
            self.stopped = False

    def add(self, kind: str, body: Any) -> str:
        volume = body["volume"]
        self.put_in[kind] = self.put_in.get(kind, 0.0) + volume
        self.net += volume
        lot = body.get("lot") or ""
        label = batch_label(body["fluid"], lot)
        old = self.batches.get(label)
        price = body.get("price") or 0.0
        self.batches[label] = Batch(
            label,
            body["fluid"],
            lot,
            volume + (old.volume if old else 0.0),
            price + (old.price if old else 0.0),
        )
        if self.released:
            self.cycles += 1
            self.released = False
        return label

    def check_content(self, event: Event) -> None:
        body = event.body
        most = most_by_sheet(self.system, event.kind, self.net, bool(body.get("leaned")))
        if most is not None and body["volume"] > most * ROUNDING:
            self.flag(event, "more came out than the sheet says was in it")


Effect = Callable[[Tally, Event, Any], None]


def is_trial(event: Event) -> bool:
    """Whether an entry is of the short run that proves the outlet."""
    return event.body.get("step") == TRIAL


def _opened(tally: Tally, event: Event, body: Any) -> None:
    tally.opening = event
    tally.sheet = sheet_from_plain(body["sheet"])
    wanted = body["system"].casefold()
    for system in tally.sheet.machine.systems:
        if system.name.casefold() == wanted:
            tally.system = system


def _drained(tally: Tally, event: Event, body: Any) -> None:
    volume = body["volume"]
    tally.check_content(event)
    tally.steps.append(FluidStep("drain", volume, event_id=event.id))
    tally.take("drained", event, volume)


def _discharged(tally: Tally, event: Event, body: Any) -> None:
    volume = body["volume"]
    system = tally.system
    if system and system.sump and system.pickup_reserve:
        safe = system.sump.low + tally.net - system.pickup_reserve.high
        if volume > safe * ROUNDING:
            tally.flag(
                event, "went into the pick-up reserve: the pump may have drawn air, check the level"
            )
    tally.check_content(event)
    tally.steps.append(FluidStep("discharge", volume, event_id=event.id, trial=is_trial(event)))
    tally.take("discharged", event, volume)


def _filled(tally: Tally, event: Event, body: Any) -> None:
    label = tally.add("filled", body)
    _check_fluid(tally, event, body)
    tally.steps.append(FluidStep("fill", body["volume"], batch=label, event_id=event.id))


def _check_fluid(tally: Tally, event: Event, body: Any) -> None:
    asked = tally.system.fluid if tally.system else ""
    if other_fluid(asked, body.get("fluid", "")):
        tally.flag(event, f"{body['fluid']} went in where the sheet asks for {asked}")


def _exchanged(tally: Tally, event: Event, body: Any) -> None:
    volume = body["volume"]
    tally.out["exchanged"] = tally.out.get("exchanged", 0.0) + volume
    tally.net -= volume
    tally.released, tally.stopped = True, False
    label = tally.add("exchanged", body)
    _check_fluid(tally, event, body)
    tally.steps.append(FluidStep("exchange", volume, batch=label, event_id=event.id))


def _purged(tally: Tally, event: Event, body: Any) -> None:
    volume = body.get("volume")
    if volume is None:
        loop = tally.system.cooler_loop if tally.system else None
        volume = body["share"] * loop.mid if loop else 0.0
    tally.steps.append(FluidStep("purge", volume, share=body["share"], event_id=event.id))
    tally.take("purged", event, volume)


def _worked(tally: Tally, event: Event, body: Any) -> None:
    tally.steps.append(FluidStep("work", sweeps=body["sweeps"], event_id=event.id))


def _drove(tally: Tally, event: Event, _body: Any) -> None:
    tally.steps.append(FluidStep("drive", event_id=event.id))


def _circulated(tally: Tally, event: Event, body: Any) -> None:
    tally.steps.append(FluidStep("circulate", body["volume"], event_id=event.id))


def _lost(tally: Tally, event: Event, body: Any) -> None:
    volume = body["volume"]
    tally.check_content(event)
    tally.lost += volume
    tally.net -= volume
    tally.steps.append(FluidStep("lose", volume, event_id=event.id))


def _read(tally: Tally, event: Event, body: Any) -> None:
    what, value = body["what"], float(body["value"])
    earlier = tally.readings.setdefault(what, [])
    if what == "temperature" and not USUAL_TEMPERATURE[0] <= value <= USUAL_TEMPERATURE[1]:
        tally.flag(event, "a temperature that working fluid does not have: check the reading")
    if what in ("odometer", "hours") and earlier and value < earlier[-1].value:
        tally.flag(event, f"the {what} reads less than before in this job: check the reading")
    earlier.append(Reading(event.at, value, body["unit"], event.by, event.id))


def distance_off(torque: float, target: Span) -> float:
    """Return the relative distance of a torque from the nearest end of its range.

    Examples
    --------
    >>> distance_off(27.0, Span(25.0, 30.0))
    0.0
    >>> distance_off(36.0, Span(25.0, 30.0))
    0.2
    """
    nearest = min(max(torque, target.low), target.high)
    return (torque - nearest) / nearest


def _tightened(tally: Tally, event: Event, body: Any) -> None:
    torque = float(body["torque"])
    own = body.get("target")
    plug = find_plug(tally.system, body["plug"])
    target = Span(own, own, "measured") if own else plug.torque if plug else None
    off = distance_off(torque, target) if target else None
    name = plug.name if plug else body["plug"]
    entry = Torque(name, torque, target, off, event.at, event.by, event)
    tally.torques.setdefault(name, []).append(entry)
    if off is not None and abs(off) > torque_tolerance(target):
        tally.flag(
            event,
            f"the torque lies {100 * abs(off):.0f} % "
            f"{'above' if off > 0 else 'below'} what is given",
        )
    arm, reach, setting = (body.get(k) for k in ("wrench_length", "extension", "wrench_set"))
    if arm and reach and setting:
        applied = setting * (arm + reach) / arm
        if abs(applied - torque) > 0.05 * torque:
            tally.flag(
                event,
                "with this extension the wrench setting gives {applied:torque}, "
                "not {torque:torque}",
                applied=applied,
                torque=torque,
            )


def _sampled(tally: Tally, event: Event, body: Any) -> None:
    sample = Sample(
        body["vial"],
        body["cycle"],
        body.get("note", ""),
        body.get("old_share"),
        body.get("standard_error"),
        body.get("attachment", ""),
        event.at,
        event.id,
        len(tally.steps),
        body.get("method", ""),
        body.get("told_from_new"),
        body.get("taken_from") or _taken_from(tally),
        tally.ran,
    )
    if sample.old_share is None and not sample.method:
        tally.samples.append(sample)
        return
    # A vial is measured later than it was filled, and may be measured again: it stands for the
    # fluid of the moment when it was filled, and counts once.
    for place, taken in enumerate(tally.samples):
        if (taken.vial, taken.cycle) == (sample.vial, sample.cycle):
            tally.samples[place] = replace(
                sample,
                note=sample.note or taken.note,
                after=taken.after,
                taken_from=body.get("taken_from") or taken.taken_from,
                ran=taken.ran,
            )
            return
    tally.samples.append(sample)


def _taken_from(tally: Tally) -> Taken:
    """What a sample is of that does not say: of the sump once what came out was followed by mixing.

    Right after a refill the vessel with what came out still stands there, and the sump
    holds a mixture that stands for nothing.
    """
    refilled = False
    for step in reversed(tally.steps):
        if step.kind in _RELEASING:
            return "sump" if refilled and tally.ran else "out"
        if step.kind in _MIXING:
            return "sump"
        refilled = refilled or step.kind == "fill"
    return "out"


def _overrode(tally: Tally, _event: Event, body: Any) -> None:
    for step in (body["step"], *body.get("also", ())):
        tally.overridden[step] = body["reason"]


def _decided(tally: Tally, _event: Event, body: Any) -> None:
    tally.stopped = body["cycles"] <= tally.cycles


def _photographed(tally: Tally, event: Event, body: Any) -> None:
    picture = Photograph(body["attachment"], body.get("caption", ""), event.at, event.by, event.id)
    for place, known in enumerate(tally.photographs):
        if known.attachment == picture.attachment:
            # One picture, under what was said of it last.
            tally.photographs[place] = replace(picture, caption=picture.caption or known.caption)
            return
    tally.photographs.append(picture)


def _noted(tally: Tally, event: Event, _body: Any) -> None:
    tally.notes.append(event)


def _signal(tally: Tally, event: Event, body: Any) -> None:
    turns = str(body.get("turns") or "")
    tally.calls[event.id] = turns
    if event.id not in tally.withdrawn:
        tally.signals[event.id] = event
        tally.engine.called(turns, str(body.get("step") or ""))


def _acknowledged(tally: Tally, _event: Event, body: Any) -> None:
    tally.signals.pop(body["signal"], None)
    turns = tally.calls.get(body["signal"], "")
    tally.again(tally.engine.answered(turns, body.get("step") or ""))


def _closed(tally: Tally, event: Event, body: Any) -> None:
    tally.closing = event
    for what, name in (("odometer", "odometer"), ("hours", "running hours")):
        seen = tally.readings.get(what)
        if seen and body.get(what) is not None and body[what] < seen[-1].value:
            verb = "is" if what == "odometer" else "are"
            tally.flag(event, f"the closing {name} {verb} less than one read before: check both")


_EFFECTS: dict[str, Effect] = {
    "opened": _opened,
    "drained": _drained,
    "filled": _filled,
    "discharged": _discharged,
    "exchanged": _exchanged,
    "purged": _purged,
    "worked": _worked,
    "drove": _drove,
    "circulated": _circulated,
    "lost": _lost,
    "read": _read,
    "tightened": _tightened,
    "sampled": _sampled,
    "overrode": _overrode,
    "decided": _decided,
    "photographed": _photographed,
    "noted": _noted,
    "signal": _signal,
    "acknowledged": _acknowledged,
    "closed": _closed,
}
