"""The steps of a job at the machine, in order, for every method.

The bay screen shows them one by one, the printed card all at once. A step counts
as done once its id is kept in the log (`did`), together with what was entered;
passing one over with a reason (`overrode`) counts for the holds as well. Where
nobody sits in the seat, the hand does the seat's steps.

The order and the cautions are common practice, no source; the machine's service
manual, local rules and licensed practice go first, and the first step says so.
"""

from __future__ import annotations

from sumpwright.errors import Complaint
from sumpwright.planning.job_step import (
    Engine,
    Entry,
    Hold,
    Phase,
    Situation,
    Step,
    holding,
    next_step,
)
from sumpwright.planning.line_steps import close_line, line_cycle, open_line
from sumpwright.planning.machine import Span, WetSystem
from sumpwright.planning.methods import Method, applicable
from sumpwright.planning.openings import has_level_plug, plug_for
from sumpwright.planning.outcome import LONGEST
from sumpwright.planning.plan import Plan
from sumpwright.planning.said import Value, said
from sumpwright.planning.step_bench import Bench, spread

__all__ = ["Entry", "Hold", "Situation", "Step", "holding", "next_step", "plug_for", "steps_for"]


def steps_for(
    system: WetSystem, method: Method, plan: Plan, cycles: int | None = None
) -> list[Step]:
    """Return the steps of a job, from the manual on the bench to the waste handed over.

    Ids do not depend on the number of cycles, so that a job may go on longer, or
    stop sooner, than was planned.

    Parameters
    ----------
    system : WetSystem
    method : Method
    plan : Plan
        Gives the draws, the mark for the bottle and the cycles.
    cycles : int, optional
        As many as the plan recommends, if left out.

    Returns
    -------
    list of Step

    Raises
    ------
    Complaint
        If the method cannot be used on the system, or the cycles are out of range.

    Examples
    --------
    >>> from sumpwright.planning.plan import make_plan
    >>> axle = WetSystem("rear axle", "axle", Span(2e-3, 2e-3), Span(1.8e-3, 1.8e-3))
    >>> plan = make_plan(axle)
    >>> steps = steps_for(axle, plan.chosen.method, plan, cycles=1)
    >>> [s.id for s in steps if s.phase == "drain"]
    ['fill-plug.1', 'catch.1', 'drain.1', 'sample.0', 'filter', 'drain-plug.1', 'fill.1']
    >>> print(next(s for s in steps if s.id == "fill-plug.1").caution)
    If it does not come loose, stop here: what is drained now could not be filled again.
    """
    unusable = applicable(method, system, plan.draws.safe)
    if unusable:
        raise Complaint(f"{method.name}: {unusable}", "choose another method", field="method")
    count = plan.point.cycles if cycles is None else cycles
    if not 1 <= count <= LONGEST:
        raise Complaint(f"{count} cycles", f"give a number from 1 to {LONGEST}", field="cycles")
    bench = Bench(system, method, plan, count)
    _prepare(bench)
    for cycle in range(1, 2 if method.line else count + 1):
        _drain_and_fill(bench, cycle)
    if method.line and count > 1:
        open_line(bench)
        for cycle in range(2, count + 1):
            line_cycle(bench, cycle)
        close_line(bench)
    _level(bench)
    _finish(bench)
    return bench.steps


def _prepare(bench: Bench) -> None:
    words, fluid = bench.words, bench.system.fluid
    bench.add("manual", phase="prepare")
    bench.place(1)
    _let_pressure_off(bench, "pressure", "place.1", "prepare")
    bench.add("protection", phase="prepare")
    bench.add(
        "fluid",
        text="fluid" if fluid else "fluid unknown",
        phase="prepare",
        gaps={"fluid": fluid},
    )
    bench.add(
        "sample.new",
        text="sample.new",
        phase="prepare",
        kind="sample",
        subject="new",
        optional=True,
    )
    bench.add(
        "odometer",
        phase="prepare",
        kind="reading",
        choices=("odometer", "hours"),
        optional=True,
    )
    if words.runs:
        bench.add("exhaust", phase="prepare")


def _let_pressure_off(
    bench: Bench, id: str, after: str, phase: Phase, cycle: int = 0
) -> tuple[Hold, ...]:
    """Let it cool and come to rest before it is opened; what then holds the opening back."""
    words = bench.words
    if not words.first:
        return ()
    bench.add(
        id,
        text="pressure",
        phase=phase,
        cycle=cycle,
        gaps={"first": words.first, "first_caution": words.first_caution},
        holds=(bench.after(after, "put the machine safely in place first"),),
    )
    return (bench.after(id, "let the pressure off first"),)


def _drain_and_fill(bench: Bench, cycle: int) -> None:
    system, words, leaned = bench.system, bench.words, bench.method.leaned
    rested: tuple[Hold, ...] = ()
    if words.first:
        rested = (bench.after("pressure", "let the pressure off first"),)
    if cycle > 1:
        # The run between two rounds has warmed it and put it under pressure again.
        bench.place(cycle)
        rested = _let_pressure_off(bench, f"pressure.{cycle}", f"place.{cycle}", "drain", cycle)
    filler = bench.filler
    bench.add(
        f"fill-plug.{cycle}",
        text="fill-plug cap" if bench.capped else "fill-plug",
        phase="drain",
        cycle=cycle,
        gaps={"drive": _driver(filler.drive if filler else "")},
        holds=rested,
    )
    if leaned:
        shut = bench.shut("drain", "line")
        bench.add(f"lean.{cycle}", phase="drain", cycle=cycle, engine="either", holds=shut)
    bench.add(
        f"catch.{cycle}", phase="drain", cycle=cycle, gaps={"vessel": bench.plan.catch_vessel}
    )
    out = spread(bench.plan.draws.released(leaned), system.drain)
    _drain(bench, cycle, out)
    bench.add(
        f"fill.{cycle}",
        phase="drain",
        cycle=cycle,
        kind="volume in",
        subject=system.fluid,
        expected=out,
        evens=True,
        holds=(
            bench.after(f"drain.{cycle}", "drain it first"),
            *bench.shut("drain"),
            bench.after("fluid", "make sure first that it is the right fluid"),
        ),
    )
    if leaned:
        bench.add(
            f"unlean.{cycle}",
            phase="drain",
            cycle=cycle,
            engine="either",
            holds=(*bench.shut("drain", "line"), *bench.filled(bench.short)),
        )
    if bench.method.line:
        return
    if cycle < bench.cycles:
        _run_between(bench, cycle)
    elif bench.capped:
        bench.close(f"close.{cycle}", "drain", cycle)


def _driver(drive: str) -> str:
    return f" ({drive})" if drive else ""


def _drain(bench: Bench, cycle: int, out: Span) -> None:
    leaned = bench.method.leaned
    plug = plug_for(bench.system, "drain")
    holds = [
        bench.after(f"place.{cycle}", "put the machine safely in place first"),
        bench.after("protection", "put on gloves and eye protection first"),
        bench.after(f"fill-plug.{cycle}", "make sure first that the fill plug comes loose"),
        bench.after(f"catch.{cycle}", "put the catch vessel under it first"),
    ]
    if leaned:
        holds.append(bench.after(f"lean.{cycle}", "lean the machine over the plug first"))
    bench.add(
        f"drain.{cycle}",
        phase="drain",
        cycle=cycle,
        kind="volume out",
        event="drained",
        expected=out,
        leaned=leaned,
        holds=tuple(holds),
        gaps={"drive": _driver(plug.drive if plug else "")},
    )
    text = "sample old" if cycle == 1 else "sample drained"
    bench.sample(cycle - 1, text, "drain", cycle, "out")
    if cycle == 1:
        bench.add("filter", phase="drain", cycle=cycle, optional=True)
    bench.tighten(f"drain-plug.{cycle}", "drain", "drain", cycle)


def _run_between(bench: Bench, cycle: int) -> None:
    bench.close(f"close.{cycle}", "drain", cycle)
    bench.add(
        f"check.{cycle}",
        text="check running",
        phase="drain",
        cycle=cycle,
        holds=bench.filled(bench.short),
    )
    bench.add(
        f"drive.{cycle}",
        phase="drain",
        cycle=cycle,
        kind="drive",
        engine="either",
        who="seat",
        holds=(
            *bench.shut("drain", "fill", "level", "lean"),
            bench.after(f"check.{cycle}", "check the balance and look for drips first"),
            *_exhaust(bench),
            *bench.filled(bench.short),
        ),
    )


def _exhaust(bench: Bench) -> tuple[Hold, ...]:
    if not bench.words.runs:
        return ()
    return (bench.after("exhaust", "lead the exhaust away first"),)


def _level(bench: Bench) -> None:
    words, window = bench.words, bench.system.window
    running: Engine = "on" if words.runs else "off"
    stopped_first = words.still and window is None
    if words.runs:
        bench.clear("level", "level", 0, bench.short)
        bench.start("level", "level", 0, bench.short)
        if words.work:
            bench.work("level", "level", 0, 1)
        if stopped_first:
            bench.stop("level", "level", 0)
            running = "off"
    if window is not None:
        _level_in_window(bench, window, running)
    else:
        bench.add(
            "level",
            phase="level",
            kind="volume out",
            event="lost",
            engine=running,
            may_be_none=True,
            holds=bench.shut("drain", "lean"),
            gaps={"level": words.level},
        )
    if words.runs:
        bench.sample(bench.cycles, "sample last", "level", 0, "sump", "either")
    if words.runs and not stopped_first:
        bench.stop("level", "level", 0)


def _level_in_window(bench: Bench, window: tuple[float, float], engine: Engine) -> None:
    gaps: dict[str, Value] = {"low": window[0], "high": window[1]}
    bench.add(
        "temperature",
        phase="level",
        kind="temperature",
        subject="temperature",
        expected=Span(*window),
        engine="either",
        gaps=gaps,
    )
    bench.add(
        "top-up",
        phase="level",
        kind="volume in",
        subject=bench.system.fluid,
        engine="either",
        may_be_none=True,
        optional=True,
    )
    wait = "wait until the fluid is between {low:temperature} and {high:temperature}"
    bench.add(
        "level",
        text="level window",
        phase="level",
        kind="volume out",
        event="lost",
        engine=engine,
        may_be_none=True,
        holds=(
            *bench.shut("drain", "lean"),
            Hold("window", said(wait, **gaps), low=window[0], high=window[1]),
        ),
        gaps=gaps,
    )


def _finish(bench: Bench) -> None:
    drained = plug_for(bench.system, "drain")
    if bench.capped:
        bench.close("cap", "finish")
    elif bench.filler is None:
        bench.tighten("torque.fill", "fill", "finish")
    for number, plug in enumerate(bench.system.plugs, start=1):
        if plug is not drained:
            bench.tighten(f"torque.{number}", plug.name, "finish", plug=plug)
    if has_level_plug(bench.system) and plug_for(bench.system, "level") is None:
        bench.tighten("torque.level", "level", "finish")
    shut = bench.shut("line", "drain", "fill", "level", "lean")
    bench.add("leak-check", phase="finish", holds=(*shut, *bench.filled(bench.short)))
    bench.add(
        "test-drive",
        phase="finish",
        kind="drive",
        engine="either",
        who="seat",
        holds=(
            *shut,
            bench.after("level", "set the level first"),
            bench.after("leak-check", "look for leaks first"),
            *_exhaust(bench),
            *bench.filled(bench.short),
        ),
    )
    ran = bench.after("test-drive", "run it first")
    bench.add(
        "recheck",
        phase="finish",
        holds=(ran, *_let_pressure_off(bench, "pressure.recheck", "test-drive", "finish")),
    )
    if not bench.words.runs:
        # Nothing has mixed it before the drive.
        bench.sample(bench.cycles, "sample last", "finish", 0, "sump")
    bench.add("dispose", phase="finish", engine="either")
