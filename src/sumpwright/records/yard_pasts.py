"""The machines of a yard with their pasts, as the rows of a file name them."""

from __future__ import annotations

import difflib
from collections.abc import Sequence

from sumpwright.errors import Complaint
from sumpwright.planning.ledger import Happening
from sumpwright.planning.reports import Report
from sumpwright.planning.track import Meter, Reading
from sumpwright.records.books import Past, happening_of
from sumpwright.records.machines import KeptMachine, find_system, name_key
from sumpwright.records.told import ToldReport, ToldService

LEAST_SAME = 0.5


class Yard:
    """The machines of a yard with their pasts, found by any spelling of their names."""

    def __init__(self, pasts: Sequence[Past]) -> None:
        self.pasts = {name_key(past.machine.name): past for past in pasts}

    @property
    def readings(self) -> dict[tuple[str, Meter], list[Reading]]:
        """Every reading kept as such, by machine and meter."""
        found: dict[tuple[str, Meter], list[Reading]] = {}
        for past in self.pasts.values():
            for kept in past.readings:
                meter: Meter = "distance" if kept.what == "odometer" else "hours"
                mine = found.setdefault((past.machine.name, meter), [])
                mine.append(Reading(kept.at, kept.value, kept.sure))
        return found

    @property
    def services(self) -> dict[tuple[str, str], list[Happening]]:
        """Every told service that moved fluid, by machine and system."""
        found: dict[tuple[str, str], list[Happening]] = {}
        for past in self.pasts.values():
            for entry in past.of(ToldService):
                if entry.told.done != "inspected":
                    mine = found.setdefault((past.machine.name, entry.told.system), [])
                    mine.append(happening_of(entry))
        return found

    @property
    def reports(self) -> dict[tuple[str, str], list[Report]]:
        """Every told report, by machine and system."""
        found: dict[tuple[str, str], list[Report]] = {}
        for past in self.pasts.values():
            for entry in past.of(ToldReport):
                told = entry.told
                report = Report(
                    entry.at,
                    sample=told.sample,
                    elements=told.elements,
                    viscosity_40=told.viscosity_40,
                    viscosity_100=told.viscosity_100,
                )
                found.setdefault((past.machine.name, told.system), []).append(report)
        return found

    @property
    def capacities(self) -> dict[tuple[str, str], float]:
        """Capacity of every system, m³."""
        return {
            (past.machine.name, system.name): system.capacity.mid
            for past in self.pasts.values()
            for system in past.machine.sheet.machine.systems
        }

    def machine(self, name: str) -> KeptMachine:
        """Return a machine by its name in any spelling.

        Raises
        ------
        Complaint
            With the nearest name.
        """
        past = self.pasts.get(name_key(name))
        if past is not None:
            return past.machine
        names = [known.machine.name for known in self.pasts.values()]
        close = difflib.get_close_matches(name, names, n=1, cutoff=LEAST_SAME)
        do = f"did you mean '{close[0]}'?" if close else "import the machines first"
        raise Complaint(f"no machine is called '{name}'", do)

    def system(self, machine: str, name: str) -> tuple[KeptMachine, str]:
        """Return a machine and the name of one of its systems; the only one where none is said."""
        kept = self.machine(machine)
        return kept, find_system(kept.sheet, name or None).name
