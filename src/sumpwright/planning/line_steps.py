"""The steps through the opened cooler line, the engine's own pump pushing."""

from __future__ import annotations

from sumpwright.planning.machine import Span
from sumpwright.planning.methods import SWEEPS
from sumpwright.planning.step_bench import Bench, spread


def open_line(bench: Bench) -> None:
    """Open the line and prove by a short run which end is the outlet."""
    bench.add("helper", phase="line", kind="acknowledge", who="seat")
    bench.add(
        "line-open",
        phase="line",
        holds=(
            *bench.shut("drain"),
            bench.after("place.1", "put the machine safely in place first"),
            bench.after("protection", "put on gloves and eye protection first"),
            bench.after("fill.1", "drain and fill first"),
        ),
    )
    bench.add("hoses", phase="line", holds=(bench.after("line-open", "open the line first"),))
    bench.add("mark", text="mark pumped" if bench.method.pumped else "mark", phase="line")
    bench.clear("bump", "line", 0, bench.short)
    bench.add(
        "bump",
        phase="line",
        kind="acknowledge",
        who="seat",
        holds=(
            *bench.start_holds("bump", bench.short),
            bench.after("hoses", "clamp both hoses first"),
        ),
    )
    bench.add(
        "outlet",
        phase="line",
        kind="volume out",
        event="discharged",
        most=bench.safe,
        may_be_none=True,
        holds=(bench.after("bump", "find out first which hose runs"),),
    )
    refill(bench, "bump", 0)


def line_cycle(bench: Bench, cycle: int) -> None:
    """One discharge and its refill, or one step of a pumped exchange."""
    pumped = bench.method.pumped
    proved = bench.after("outlet", "find out first which hose is the outlet")
    if bench.method.sweeps:
        work_first(bench, cycle)
    bench.add(
        f"bottle.{cycle}",
        text="bottle pumped" if pumped else "bottle",
        phase="line",
        cycle=cycle,
        holds=(proved,),
    )
    # Where nothing goes in meanwhile, the mark must be reached with the reserve untouched.
    least = bench.short if pumped else bench.mark - bench.safe
    key = str(cycle)
    bench.clear(key, "line", cycle, least)
    in_place = bench.after(f"bottle.{cycle}", "put the empty bottle in place first")
    bench.start(key, "line", cycle, least, (in_place,))
    bench.stop(key, "line", cycle, "stop pumped" if pumped else "stop mark")
    measure(bench, cycle)
    # Before the air: what it pushes out has come another way, and runs into the same bottle.
    bench.sample(cycle - 1, "sample bottle", "line", cycle, "out")
    if bench.method.purged:
        purge(bench, cycle)
    if not pumped:
        refill(bench, key, cycle)


def close_line(bench: Bench) -> None:
    """Join the line again."""
    last = "exchange" if bench.method.pumped else "fill"
    bench.add(
        "line-closed",
        phase="line",
        holds=(bench.after(f"{last}.{bench.cycles}", "finish the last cycle first"),),
    )


def measure(bench: Bench, cycle: int) -> None:
    """Enter what came out, or went through."""
    kind, event = ("exchange", "exchanged") if bench.method.pumped else ("discharge", "discharged")
    bench.add(
        f"{kind}.{cycle}",
        phase="line",
        cycle=cycle,
        kind="exchange" if bench.method.pumped else "volume out",
        event=event,
        subject=bench.system.fluid if bench.method.pumped else "",
        expected=Span(bench.mark, bench.mark),
        most=None if bench.method.pumped else bench.safe,
        holds=(bench.after(f"stop.{cycle}", "stop the engine first"),),
    )


def work_first(bench: Bench, cycle: int) -> None:
    """Work the selector with the outlet led back, so that nothing leaves meanwhile."""
    key = f"{cycle}w"
    bench.add(
        f"return.{cycle}",
        phase="line",
        cycle=cycle,
        holds=(bench.after("outlet", "find out first which hose is the outlet"),),
    )
    bench.clear(key, "line", cycle, bench.short)
    led_back = bench.after(f"return.{cycle}", "lead the outlet back into the fill opening first")
    bench.start(key, "line", cycle, bench.short, (led_back,))
    bench.work(key, "line", cycle, SWEEPS)
    bench.stop(key, "line", cycle)


def purge(bench: Bench, cycle: int) -> None:
    """Blow the loop out with air."""
    draws = bench.plan.draws
    bench.add(
        f"purge.{cycle}",
        phase="line",
        cycle=cycle,
        kind="purge",
        expected=spread(draws.purge_share * draws.circuit.loop, bench.system.purge_share),
        holds=(
            bench.after("protection", "put on eye protection first"),
            bench.after(f"stop.{cycle}", "stop the engine first"),
        ),
    )


def refill(bench: Bench, key: str, cycle: int) -> None:
    """Put in what came out before the engine runs again."""
    bench.add(
        f"fill.{key}",
        text="refill",
        phase="line",
        cycle=cycle,
        kind="volume in",
        subject=bench.system.fluid,
        expected=Span(bench.mark, bench.mark) if cycle else None,
        evens=True,
        may_be_none=not cycle,
        holds=(bench.after("fluid", "make sure first that it is the right fluid"),),
    )
