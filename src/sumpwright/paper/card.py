"""The job card: a sheet for the wing of the machine, to be filled in by pencil."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from datetime import UTC, datetime, tzinfo
from typing import Any

from sumpwright.display import Display
from sumpwright.paper.typeset import Paper, fitted, named, short
from sumpwright.planning.job_step import Step
from sumpwright.planning.kit import kit
from sumpwright.planning.machine import Sheet
from sumpwright.planning.outcome import Point
from sumpwright.planning.plan import Plan
from sumpwright.planning.steps_of_job import steps_for

SIZES = (10.4, 10.0, 9.6, 9.2, 8.8, 8.4, 8.0)
"""Type sizes [pt] tried until the card fits its page; smaller could not be read."""

_ROWS = 10
_LATER = 1
_FIRST_HEAD = "Every start of the engine"


def card_pdf(
    plan: Plan,
    sheet: Sheet,
    display: Display | None = None,
    *,
    cycles: int | None = None,
    paper: Paper = "a4",
    at: datetime | None = None,
    zone: tzinfo = UTC,
    comma: bool = False,
) -> bytes:
    """Print the job card of a plan's recommended method.

    One page where everything fits at a size that can be read; else the back of the
    sheet as well, in larger type.

    Parameters
    ----------
    plan : Plan
    sheet : Sheet
        Gives the machine, the vessels at hand and the money.
    display : Display, optional
        Metric or US units, and the money.
    cycles : int, optional
        As many as the plan recommends, if left out.
    paper : {'a4', 'us-letter'}
    at : datetime, optional
        When it is printed; now, if left out. The same plan, display and date give
        the same bytes.
    zone : tzinfo
        Time zone of the date shown.
    comma : bool
        Whether the decimal sign is a comma.

    Returns
    -------
    bytes

    Raises
    ------
    Complaint
        If the paper is not known, or the cycles are out of range.
    """
    made = at or datetime.now(UTC)
    units = display or Display(currency=sheet.currency)
    view = card_view(plan, sheet, units, cycles)
    when = made.astimezone(zone)
    printed = f"printed {when:%Y-%m-%d %H:%M} {when.tzname()}"
    view["footer"] = f"{short(view['machine'])} · {short(view['system'])} · {printed}"
    return fitted("card.typ", view, SIZES, paper=paper, at=made, comma=comma)


def card_view(
    plan: Plan, sheet: Sheet, units: Display, cycles: int | None = None
) -> dict[str, Any]:
    """Return what a job card says, written out for people.

    Parameters
    ----------
    plan : Plan
    sheet : Sheet
    units : Display
    cycles : int, optional

    Returns
    -------
    dict
        Plain texts, as the template lays them out.

    Examples
    --------
    >>> from sumpwright.planning.machine import Machine, Span, WetSystem
    >>> from sumpwright.planning.plan import make_plan
    >>> axle = WetSystem("rear axle", "axle", Span(2e-3, 2e-3), Span(1.8e-3, 1.8e-3))
    >>> view = card_view(make_plan(axle), Sheet(Machine("Van 1", (axle,))), Display())
    >>> [group["title"] for group in view["groups"]][:2]
    ['Before you begin', 'Drain and fill']
    """
    system, method, best = plan.system, plan.chosen.method, plan.point
    count = best.cycles if cycles is None else cycles
    steps = steps_for(system, method, plan, count)
    invented = "invented" in sheet.machine.note.casefold()
    return {
        "title": f"Job card: {sheet.machine.name}, {system.name}",
        "machine": sheet.machine.name,
        "system": named(system.name, system.kind),
        "method": method.title,
        "banners": ["Invented data: this machine does not exist."] if invented else [],
        "facts": _facts(plan, best, count, units),
        "limits": _limits(plan, units) if method.line and count > 1 else [],
        "kit": [
            item.what.say(units)
            for item in kit(system, method, count, best.new_fluid_high, plan.catch_vessel)
        ],
        "basket": _basket(best, units),
        "starts": _starts(steps, units),
        "groups": [
            {"title": title, "steps": _lines(chosen, units)}
            for title, chosen in groups(steps, count, method.line)
            if chosen
        ],
        "torques": _torques(steps, units),
        "rows": [str(n) for n in range(1, min(count, _ROWS) + 1)]
        + [""] * min(_LATER, max(0, _ROWS - count)),
        "units": {
            "volume": units.unit("volume"),
            "torque": units.unit("torque"),
            "temperature": units.unit("temperature"),
        },
    }


def _facts(plan: Plan, best: Point, count: int, units: Display) -> list[list[str]]:
    fresh, fluid = best.fresh, plan.system.fluid
    rows = [
        ["cycles", str(count)],
        ["new fluid", units.volume(best.new_fluid) + (f" of {fluid}" if fluid else "")],
    ]
    if count == best.cycles:
        rows += [
            ["fresh then", units.band(fresh.p05, fresh.p50, fresh.p95)],
            ["takes about", units.duration(best.minutes * 60)],
        ]
    helpers = plan.chosen.method.helpers
    rows.append(["people", "one" if not helpers else "two: one at the machine, one in the seat"])
    if plan.system.window is not None:
        low, high = plan.system.window
        rows.append(["level between", f"{units.temperature(low)} and {units.temperature(high)}"])
    return rows


def _limits(plan: Plan, units: Display) -> list[list[str]]:
    return [
        ["Mark on the bottle", units.volume(plan.chosen.volume)],
        ["Never run past", units.volume(plan.safe)],
    ]


def _basket(best: Point, units: Display) -> list[str]:
    if best.basket is None:
        return []
    rows = [
        f"{line.count} × {units.volume(line.offer.size)} {line.offer.fluid}, "
        f"{line.offer.seller}: {units.money(line.price)}"
        for line in best.basket.lines
    ]
    if best.basket.carriage:
        rows.append(f"carriage: {units.money(best.basket.carriage)}")
    return [*rows, f"in all {units.money(best.basket.total)}"]


def _named(*names: str) -> Callable[[Step], bool]:
    return lambda step: step.id.partition(".")[0] in names


def groups(steps: Sequence[Step], count: int, line: bool) -> list[tuple[str, list[Step]]]:
    """Fold the steps of a job into what a sheet can hold: each repeated act once.

    Samples, and the checks before a start, have a place of their own on the card.

    Parameters
    ----------
    steps : sequence of Step
    count : int
        Cycles.
    line : bool
        Whether the later cycles go through the cooler line.

    Returns
    -------
    list of (str, list of Step)
    """
    away = _named("sample", "check", "ready")
    kept = [
        step for step in steps if not away(step) or step.id == "sample.new" or _drives_next(step)
    ]

    def those(phase: str, *cycles: int) -> list[Step]:
        return [step for step in kept if step.phase == phase and step.cycle in cycles]

    # A plug is closed for a drive only, a cap after every filling.
    every = {"close"} if any(step.id == f"close.{count}" for step in kept) else set()
    between = _named(*({"close", "check", "drive"} - every))
    first = [step for step in those("drain", 0, 1) if not between(step)]
    out = [("Before you begin", those("prepare", 0, 1))]
    if line or count == 1:
        out.append(("Drain and fill", first))
    else:
        again = [step for step in those("drain", 1) if between(step)]
        out.append((f"Drain and fill: each of the {count} cycles", first))
        out.append(("After each cycle but the last", [*again, *_named_in(kept, "place.2")]))
    if line and count > 1:
        opening = those("line", 0)
        each = those("line", 2)
        title = "Cycle 2" if count == 2 else f"Cycles 2 to {count}, each"
        out.append(("Open the line", [s for s in opening if s.id != "line-closed"]))
        out.append((title, each))
        out.append(("When the last one is done", _named_in(kept, "line-closed")))
    out.append(("Level", those("level", 0)))
    out.append(("At the end", those("finish", 0)))
    return out


def _drives_next(step: Step) -> bool:
    """Tell the check before a drive from those before a start, which stand in the box."""
    return step.phase == "drain" and step.id.startswith("check.")


def _named_in(steps: Sequence[Step], id: str) -> list[Step]:
    return [step for step in steps if step.id == id]


def _starts(steps: Sequence[Step], units: Display) -> list[str]:
    """Say once what every start of the engine needs."""
    start = next((s for s in steps if s.turns == "on"), None)
    if start is None:
        return []
    wanted = {f"{name}.{start.id.partition('.')[2]}" for name in ("check", "ready", "start")}
    chosen = [step for step in steps if step.id in wanted]
    rows = [f"{_WHO[step.who]}: {step.instruction.say(units)}" for step in chosen]
    return [*rows, " ".join(s.caution.say(units) for s in chosen if s.caution is not None)]


_WHO = {"hand": "Hand", "seat": "Seat"}


def _lines(steps: Sequence[Step], units: Display) -> list[dict[str, Any]]:
    """Write steps out, plugs that are tightened one after another as one."""
    rows: list[dict[str, Any]] = []
    run: list[Step] = []
    for step in [*steps, None]:
        if step is not None and step.kind == "torque":
            run.append(step)
            continue
        if run:
            rows.append(_line(run[0], units) if len(run) == 1 else _tighten(run, units))
            run = []
        if step is not None:
            rows.append(_line(step, units))
    return rows


def _tighten(steps: Sequence[Step], units: Display) -> dict[str, Any]:
    names = [step.entry.subject for step in steps]
    caution = steps[0].caution
    return {
        "title": f"Tighten: {', '.join(names)}",
        "text": "Clean the threads, fit each plug with a new seal, and tighten it to its value.",
        "caution": "" if caution is None else caution.say(units),
        "blank": "",
    }


def _line(step: Step, units: Display) -> dict[str, Any]:
    if step.id == "place.2":
        return _plain(step, units, "As before you began: level, brake, chocks, key out.", "", "")
    if step.turns == "on":
        return _plain(step, units, f"With all that stands under “{_FIRST_HEAD}”.", "", "")
    caution = "" if step.caution is None else step.caution.say(units)
    return _plain(step, units, step.instruction.say(units), caution, _blank(step, units))


def _plain(step: Step, units: Display, text: str, caution: str, blank: str) -> dict[str, Any]:
    title = step.title.say(units)
    return {
        "title": f"{title} (seat)" if step.who == "seat" and step.turns != "" else title,
        "text": text,
        "caution": caution,
        "blank": blank,
    }


def _blank(step: Step, units: Display) -> str:
    """Return the unit of a value to be written beside a step that occurs once."""
    if step.cycle or (step.optional and step.kind != "reading"):
        return ""
    if step.kind in ("volume out", "volume in"):
        return units.unit("volume")
    if step.kind == "temperature":
        return units.unit("temperature")
    if step.kind == "reading":
        return f"{units.unit('distance')} or h"
    return ""


def _torques(steps: Sequence[Step], units: Display) -> list[dict[str, str]]:
    rows: dict[str, dict[str, str]] = {}
    for step in steps:
        if step.kind != "torque" or step.entry.subject in rows:
            continue
        span = step.entry.expected
        value = ""
        if span is not None:
            value = "–".join(
                dict.fromkeys(units.torque(v).partition(" ")[0] for v in (span.low, span.high))
            )
        rows[step.entry.subject] = {"plug": step.entry.subject, "value": value}
    return list(rows.values())
