"""Laboratory reports looked at before they are kept: which of them would not count, and why."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

from sumpwright.planning.machine import Fluid, WetSystem
from sumpwright.planning.reports import Finding, screen
from sumpwright.planning.said import Said, said
from sumpwright.records.books import Past, meters_of
from sumpwright.records.due import fluids_by_name, held_fluids, report_of
from sumpwright.records.told import Entry, ToldReport

WRONG_FLUID = "wrong fluid"


@dataclass(frozen=True)
class Remark:
    """What is wrong with a new report; ``wrong_fluid`` when a confirmation lets it in."""

    place: int
    says: tuple[Said, ...]
    wrong_fluid: bool


def remarks(
    past: Past,
    system: WetSystem,
    new: Sequence[Entry[ToldReport]],
    fluids: Sequence[Fluid],
    now: date,
) -> list[Remark]:
    """Say what keeps new reports out, or looks like a slip in them.

    Parameters
    ----------
    past : Past
        Of the machine, without them.
    system : WetSystem
        That all of them are about.
    new : sequence of Entry
    fluids : sequence of Fluid
        What the yard knows of fluids.
    now : date

    Returns
    -------
    list of Remark
        With the places in ``new``. Of a report that is kept out it is said that what it
        tells of the meters counts all the same.
    """
    meters = meters_of(past, now).of(system)
    known = [e for e in past.of(ToldReport, system.name) if not e.told.of_new]
    used = [(place, e) for place, e in enumerate(new) if not e.told.of_new]
    reports = [report_of(entry, meters) for entry in (*known, *(e for _, e in used))]
    _, findings = screen(reports, held_fluids(past, system, fluids_by_name(past, fluids)), now)
    out = []
    for place, finding in _of_new(findings, len(known)):
        where, entry = used[place]
        says = [finding.says]
        out_now = finding.level == "kept out"
        shown = entry.told.odometer is not None or entry.told.hours is not None
        if out_now and shown:
            text = "the report is kept and does not count; what it says of the meters does"
            says.append(said(text))
        elif out_now:
            says.append(said("the report is kept and does not count"))
        out.append(Remark(where, tuple(says), out_now and finding.name == WRONG_FLUID))
    return out


def _of_new(findings: Sequence[Finding], known: int) -> list[tuple[int, Finding]]:
    """Return what is said of reports after the first ``known``, with their places after them."""
    return [
        (finding.index - known, finding)
        for finding in findings
        if finding.index >= known and (finding.level == "kept out" or finding.slip)
    ]
