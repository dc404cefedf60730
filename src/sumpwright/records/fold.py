"""From a job's log to its state: a pure function, and the same one entry at a time."""

from __future__ import annotations

from collections.abc import Collection, Iterable
from datetime import datetime
from typing import Any

from sumpwright.records.chain import Event
from sumpwright.records.state import (
    Balance,
    JobState,
)
from sumpwright.records.tally import COMPLETING, Tally


def reversed_ids(events: Iterable[Event]) -> frozenset[str]:
    """Return the ids that are out of force.

    A reversal counts only while it is itself in force, so going backwards through
    the log settles every entry in one pass.
    """
    gone: set[str] = set()
    for event in reversed(list(events)):
        if event.kind == "reversed" and event.id not in gone:
            gone.add(event.body["event"])
    return frozenset(gone)


def withdrawn_calls(events: Iterable[Event], gone: Collection[str]) -> frozenset[str]:
    """Return the calls to the seat that were answered, or their step done, by what was undone.

    The seat is not asked again by the old call: who undid its answer calls anew.
    """
    calls: dict[str, list[str]] = {}
    out: set[str] = set()
    for event in events:
        step = event.body.get("step")
        if event.kind == "signal" and step:
            calls.setdefault(str(step), []).append(event.id)
        elif event.id in gone and event.kind in COMPLETING:
            if event.kind == "acknowledged":
                out.add(event.body["signal"])
            elif step:
                out.update(calls.get(step, ()))
    return frozenset(out)


class Folding:
    """A state that is kept up to date entry by entry.

    A reversal makes it count afresh; every other entry costs the same however
    long the log is.

    Examples
    --------
    >>> Folding().state().open
    False
    """

    def __init__(self, events: Iterable[Event] = ()) -> None:
        self.events: list[Event] = list(events)
        self._recount()

    def push(self, event: Event) -> None:
        """Take in the next entry of the log."""
        self.extend((event,))

    def extend(self, events: Iterable[Event]) -> None:
        """Take in several entries."""
        newer = list(events)
        self.events.extend(newer)
        if any(event.kind == "reversed" for event in newer):
            self._recount()
        else:
            for event in newer:
                self._tally.apply(event)

    def copy(self) -> Folding:
        """Return another folding that stands where this one does."""
        twin = Folding.__new__(Folding)
        twin.events = list(self.events)
        twin._gone = self._gone
        twin._reversals = self._reversals
        twin._tally = self._tally.copy()
        return twin

    def _recount(self) -> None:
        self._gone = reversed_ids(self.events)
        self._reversals = tuple(
            e for e in self.events if e.kind == "reversed" and e.id not in self._gone
        )
        self._tally = Tally()
        self._tally.withdrawn = withdrawn_calls(self.events, self._gone)
        for event in self.events:
            if event.kind != "reversed" and event.id not in self._gone:
                self._tally.apply(event)

    def state(self) -> JobState:
        """Return the state as it stands, which later entries do not change."""
        tally = self._tally
        opening, closing = tally.opening, tally.closing
        about: Any = opening.body if opening else {}
        ending: Any = closing.body if closing else {}
        closed_at: datetime | None = closing.at if closing else None
        return JobState(
            job=opening.job if opening else "",
            machine=about.get("machine", ""),
            system_name=about.get("system", ""),
            sheet=tally.sheet,
            system=tally.system,
            method=about.get("method", ""),
            target=about.get("target"),
            confidence=about.get("confidence"),
            worth_per_point=about.get("worth_per_point"),
            planned=about.get("planned"),
            opened_at=opening.at if opening else None,
            opened_by=opening.by if opening else "",
            closed_at=closed_at,
            closing_odometer=ending.get("odometer"),
            closing_hours=ending.get("hours"),
            summary=ending.get("summary", ""),
            effective=tuple(tally.effective),
            balance=Balance(dict(tally.out), dict(tally.put_in), tally.lost, tally.settled),
            fluid_steps=tuple(tally.steps),
            batches=tuple(tally.batches.values()),
            readings={what: tuple(rows) for what, rows in tally.readings.items()},
            torques={plug: tuple(rows) for plug, rows in tally.torques.items()},
            samples=tuple(tally.samples),
            photographs=tuple(tally.photographs),
            notes=tuple(tally.notes),
            done=tuple(tally.done),
            overridden=dict(tally.overridden),
            pending=tuple(tally.signals.values()),
            engine=tally.engine.state,
            stopped=tally.stopped,
            level_set=tally.level_set,
            opened=frozenset(tally.opened),
            cycles=tally.cycles,
            flags=tuple(tally.flags),
            length=len(self.events),
            head=self.events[-1].hash if self.events else "",
            reversed=self._gone,
            reversals=self._reversals,
        )


def fold(events: Iterable[Event]) -> JobState:
    """Return the state that a job's log amounts to.

    Parameters
    ----------
    events : iterable of Event
        The log, in its order.

    Returns
    -------
    JobState
        Machine and system as they stood, balance, fluid steps, readings, torques,
        samples, photographs, steps done, flags.

    Examples
    --------
    >>> fold([]).cycles
    0
    """
    return Folding(events).state()
