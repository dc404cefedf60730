"""What the books say for programs, as the shell's ``--json`` gives it."""

from __future__ import annotations

from typing import Annotated, Any, Literal

from fastapi import APIRouter, Query
from starlette.responses import Response

from sumpwright.planning.clock import YEAR, today
from sumpwright.records.books import load, past_of
from sumpwright.records.due import MachineDue, SystemDue, due_for_yard, item_json, machine_due
from sumpwright.records.plain import costs_plain, history_plain, policy_plain, reports_plain
from sumpwright.web.deps import Desk, DeskDep
from sumpwright.web.errors import found
from sumpwright.web.views.show import Show

router = APIRouter(tags=["when"])

Units = Annotated[
    Literal["metric", "us"] | None,
    Query(description="Units of the sentences; those of the device's settings when left out"),
]
System = Annotated[str | None, Query(max_length=200)]
Machine = Annotated[str | None, Query(max_length=200)]


def _show(desk: Desk, units: Literal["metric", "us"] | None, money: str = "") -> Show:
    show = desk.show(money)
    return show if units is None else show.in_units(units)


def _known(desk: Desk, machine: str) -> MachineDue:
    kept = found(lambda: desk.store.machines.get(machine))
    return machine_due(desk.store, kept.id, today())


def _chosen(known: MachineDue, system: str | None) -> list[SystemDue]:
    if system is None:
        return list(known.systems)
    return [found(lambda: known.system(known.past.machine.system(system).name))]


@router.get("/machines/{machine}/due")
def due(machine: str, desk: DeskDep, units: Units = None) -> list[dict[str, Any]]:
    """What is due on a machine, with every limit and every reason."""
    display = _show(desk, units).display
    return [item_json(item, today(), display) for item in _known(desk, machine).items]


@router.get("/machines/{machine}/history")
def history(
    machine: str, desk: DeskDep, system: System = None, units: Units = None
) -> dict[str, Any]:
    """The fluid of a machine by age, after each thing that was done to it."""
    known = _known(desk, machine)
    return history_plain(known, _chosen(known, system), _show(desk, units).display, today())


@router.get("/machines/{machine}/policy")
def policy(
    machine: str,
    desk: DeskDep,
    system: System = None,
    years: Annotated[float, Query(gt=0, le=100)] = 10.0,
    by: Literal["distance", "time", "hours"] | None = None,
    units: Units = None,
) -> dict[str, Any]:
    """Intervals and methods compared in the long run."""
    from sumpwright.records.policies import outlook

    kept = found(lambda: desk.store.machines.get(machine))
    made = outlook(desk.store, kept.id, system, today(), years * YEAR, measure=by)
    return policy_plain(made, _show(desk, units, kept.sheet.currency).display)


@router.get("/machines/{machine}/laboratory")
def laboratory(
    machine: str, desk: DeskDep, system: System = None, units: Units = None
) -> dict[str, Any]:
    """The laboratory's reports on a machine's fluids, what they say, and the wear."""
    known = _known(desk, machine)
    return reports_plain(known, _chosen(known, system), _show(desk, units).display)


@router.get("/costs")
def costs(desk: DeskDep, machine: Machine = None) -> dict[str, Any]:
    """What machines have cost; for the whole yard also next year's fluid as one basket."""
    from sumpwright.records.spending import costs as sum_up
    from sumpwright.records.spending import year_need

    if machine is not None:
        kept = found(lambda: desk.store.machines.get(machine))
        return costs_plain(sum_up(desk.store, [past_of(desk.store, kept.id)]), None)
    return costs_plain(sum_up(desk.store, load(desk.store)), year_need(desk.store, today()))


@router.get(
    "/calendar.ics",
    response_class=Response,
    responses={200: {"content": {"text/calendar": {}}}},
)
def calendar(desk: DeskDep, units: Units = None) -> Response:
    """What is due, as a calendar."""
    from datetime import UTC, datetime

    from sumpwright.records.calendar import CONTENT_TYPE
    from sumpwright.records.calendar import calendar as write

    items = due_for_yard(desk.store, today())
    return Response(
        write(items, datetime.now(UTC), display=_show(desk, units).display),
        media_type=CONTENT_TYPE,
    )
