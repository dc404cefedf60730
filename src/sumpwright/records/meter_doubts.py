"""What the rows of a file would do to the meters of a machine, before they are kept."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import date
from typing import Any

from sumpwright.display import Display
from sumpwright.records.books import Doubt, Past, doubts_of
from sumpwright.records.readings import KeptReading
from sumpwright.records.tables import Fault
from sumpwright.records.told import Entry


def meter_doubts(
    past: Past,
    readings: Sequence[KeptReading],
    told: Sequence[Entry[Any]],
    lines: Mapping[str, int],
    now: date,
    show: Display,
) -> list[Fault]:
    """Name the readings that would be kept out: those of the rows, and those of the yard.

    Parameters
    ----------
    past : Past
        What the yard has of the machine.
    readings, told : sequence
        What the rows would add to it; readings stand in told services and reports as well.
    lines : mapping of str to int
        On which line each of them stands, by id.
    now : date
    show : Display

    Returns
    -------
    list of Fault
        What falls on a reading of the yard is told on the first of the lines.
    """
    added = replace(past, readings=(*past.readings, *readings), told=(*past.told, *told))
    doubts = doubts_of(added, now)
    own = [d for d in doubts if d.seen.id in lines]
    faults = [Fault(lines[d.seen.id], "", _words(d, lines, show)) for d in own]
    if len(own) == len(doubts):
        return faults
    before = {(d.seen.source, d.seen.id, d.meter) for d in doubts_of(past, now)}
    for doubt in doubts:
        seen = doubt.seen
        if seen.id in lines or (seen.source, seen.id, doubt.meter) in before:
            continue
        what = f"with this file, {_words(doubt, lines, show)} ({seen.source} {seen.id[-6:]})"
        faults.append(Fault(min(lines.values()), "", what))
    return faults


def _words(doubt: Doubt, lines: Mapping[str, int], show: Display) -> str:
    why = doubt.why.why.say(show)
    other = doubt.against
    if other is None or other.id not in lines or other.id == doubt.seen.id:
        return why
    return f"{why}; the other one is on line {lines[other.id]}"
