"""The full plan on one core: seconds, memory, and ratios to scipy.integrate.solve_ivp.

The alternative follows the same methods over the same draws and cycles, its tolerance set so
that both agree to 1e-6. It is timed twice: draw by draw (on a sample, scaled by the count, for
its work per draw does not depend on the others) and with all draws stacked into one system.
Our side of the ratio is the whole plan: draws, all methods, flat points, quantiles, baskets.
"""

from __future__ import annotations

import itertools
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from time import perf_counter, process_time

import numpy as np
from numpy.typing import NDArray
from scipy.integrate import solve_ivp

from sumpwright.physics.circuit import CHAIN, LOOP_TANKS, POCKETS, SUMP
from sumpwright.planning.draws import Draws, draw
from sumpwright.planning.machine import Offer, Span, WetSystem
from sumpwright.planning.methods import METHODS, SWEEPS, Method, bottle, follow
from sumpwright.planning.outcome import CYCLES, Wish
from sumpwright.planning.plan import make_plan

Array = NDArray[np.float64]
FLUID = "Cable Green 7"
SYSTEM = WetSystem("gearbox", "torque-converter automatic", Span(9.2e-3, 9.6e-3), fluid=FLUID)
OFFERS = (
    Offer(FLUID, "Yard store", 1e-3, 11.40),
    Offer(FLUID, "Yard store", 5e-3, 48.00),
    Offer(FLUID, "Valley depot", 20e-3, 150.00, carriage=12.0),
)
WISH = Wish(have=("lean", "air", "second-pump"))
SAMPLE = 24
AGREE = 1e-6
RTOL, ATOL = 3e-7, 3e-9


def full_plan() -> object:
    """Every method, 8 cycles, 4096 draws, three offers of two sellers."""
    return make_plan(SYSTEM, OFFERS, WISH)


def best_of(work: Callable[[], object], times: int = 5) -> tuple[float, float]:
    """Least wall-clock and least processor seconds."""
    walls, cores = [], []
    for _ in range(times):
        wall, core = perf_counter(), process_time()
        work()
        walls.append(perf_counter() - wall)
        cores.append(process_time() - core)
    return min(walls), min(cores)


class Integrated:
    """The methods followed by solve_ivp, all draws of a set as one system."""

    def __init__(self, draws: Draws, method: str) -> None:
        self.draws, self.solver = draws, method
        body = draws.circuit
        volumes = body.volumes
        self.rate = np.divide(1.0, volumes, out=np.zeros_like(volumes), where=volumes > 0)
        self.rate[:, POCKETS] = 0.0
        self.first = (CHAIN + body.chain_tanks - body.tanks)[:, None]
        self.before = np.arange(body.places) - 1
        self.starts = np.arange(body.places) == self.first

    def slope(self, share: Array, inlet: bool) -> Array:
        """dc/dq of every place; share has shape (draws, places)."""
        source = share[:, self.before]
        source = np.where(self.starts, share[:, [SUMP]], source)
        source[:, SUMP] = 1.0 if inlet else share[:, SUMP]
        return (source - share) * self.rate

    def push(self, share: Array, volume: float, inlet: bool) -> Array:
        """Shares after a volume has passed."""
        shape = share.shape

        def slope(_: float, flat: Array) -> Array:
            return self.slope(flat.reshape(shape), inlet).ravel()

        run = solve_ivp(
            slope, (0.0, volume), share.ravel(), method=self.solver, rtol=RTOL, atol=ATOL
        )
        done: Array = run.y[:, -1].reshape(shape)
        return done

    def fresh(self, method: Method, volume: float) -> Array:
        """Fresh share after each cycle, shape (cycles, draws)."""
        d, body = self.draws, self.draws.circuit
        volumes, capacity = body.volumes, body.capacity
        share = np.zeros_like(volumes)
        loop = slice(-LOOP_TANKS, None)
        blown = np.zeros(d.count)
        out = []
        for number in range(CYCLES):
            if number == 0 or not method.line:
                part = d.released(method.leaned) / body.sump
                share[:, SUMP] += part * (1 - share[:, SUMP])
                if not method.line:
                    share[:] = ((volumes * share).sum(axis=1) / capacity)[:, None]
                mean = (volumes * share).sum(axis=1) / capacity
                out.append(mean)
                continue
            if method.purged and number > 1:
                share = self._prime(share, blown)
            if method.sweeps:
                share = self._work(share)
            share = self.push(share, volume, method.pumped)
            mean = (volumes * share).sum(axis=1)
            if not method.pumped:
                stays = body.sump - volume
                lost = volume * share[:, SUMP]
                if method.purged:
                    blown = d.purge_share * body.loop
                    lost = lost + d.purge_share * (volumes[:, loop] * share[:, loop]).sum(axis=1)
                mean = mean - lost + volume + blown
                filled_in = stays * share[:, SUMP] + volume + blown
                share[:, SUMP] = filled_in / (stays + volume + blown)
            out.append(mean / capacity)
        return np.array(out)

    def _prime(self, share: Array, blown: Array) -> Array:
        volumes = self.draws.circuit.volumes
        chain, loop = slice(CHAIN, -LOOP_TANKS), slice(-LOOP_TANKS, None)
        after = share.copy()
        # Each draw passes a volume of its own: scale the rates instead of the volume.
        kept, self.rate = self.rate, self.rate * blown[:, None]
        after[:, chain] = self.push(share, 1.0, inlet=False)[:, chain]
        self.rate = kept
        came = ((share - after)[:, chain] * volumes[:, chain]).sum(axis=1)
        came += blown * share[:, SUMP]
        part = self.draws.purge_share[:, None]
        after[:, loop] = (1 - part) * share[:, loop] + part * (came / blown)[:, None]
        return after

    def _work(self, share: Array) -> Array:
        body, volumes = self.draws.circuit, self.draws.circuit.volumes
        chain = slice(CHAIN, CHAIN + body.chain_tanks)
        share = share.copy()
        moving, pocket = volumes[:, chain].sum(axis=1), volumes[:, POCKETS]
        swap = np.minimum(self.draws.sweep_share * pocket, moving)
        for _ in range(SWEEPS):
            mean = (volumes[:, chain] * share[:, chain]).sum(axis=1) / moving
            held = share[:, POCKETS].copy()
            share[:, POCKETS] += swap / pocket * (mean - held)
            share[:, chain] += (swap / moving)[:, None] * (held[:, None] - share[:, chain])
        return share


def integrate(draws: Draws, volume: float, solver: str) -> list[Array]:
    """Every method by solve_ivp, the draws as one system."""
    work = Integrated(draws, solver)
    return [work.fresh(method, volume) for method in METHODS]


def ours(draws: Draws, volume: float) -> list[Array]:
    """Every method by the transition matrices."""
    cache: dict[tuple[str, float], Array] = {}
    return [
        np.array([c.fresh for c in itertools.islice(follow(m, draws, volume, cache), CYCLES)])
        for m in METHODS
    ]


def apart(a: list[Array], b: list[Array]) -> float:
    """Largest difference in fresh share."""
    return max(float(np.abs(x - y).max()) for x, y in zip(a, b, strict=True))


def against_solve_ivp(plan_seconds: float) -> None:
    """Print the ratios to the integrator, after checking that both say the same."""
    draws = draw(SYSTEM)
    volume = bottle(SYSTEM, draws.safe)
    exact = ours(draws, volume)

    some = np.linspace(0, draws.count - 1, SAMPLE).astype(np.intp)
    alone = [draws.take(some[i : i + 1]) for i in range(SAMPLE)]
    for solver in ("RK45", "DOP853", "LSODA"):
        start = process_time()
        found = [integrate(one, volume, solver) for one in alone]
        each = (process_time() - start) / SAMPLE
        error = max(
            apart(f, [m[:, i : i + 1] for m in exact]) for f, i in zip(found, some, strict=True)
        )
        _say(
            f"solve_ivp {solver}, draw by draw (scaled from {SAMPLE} draws)",
            each * draws.count,
            plan_seconds,
            error,
        )
    for solver in ("RK45", "DOP853"):
        start = process_time()
        stacked = integrate(draws, volume, solver)
        spent = process_time() - start
        _say(f"solve_ivp {solver}, all draws stacked", spent, plan_seconds, apart(stacked, exact))


def _say(what: str, seconds: float, plan_seconds: float, error: float) -> None:
    agrees = "agree to 1e-6" if error < AGREE else f"DISAGREE by {error:.1e}"
    print(f"{what}: {seconds:.1f} s, {seconds / plan_seconds:.0f} × the whole plan ({agrees})")


def peak_memory() -> float:
    """Peak resident memory of a fresh process that makes one plan [MB]."""
    code = (
        "import resource, sys; sys.path.insert(0, sys.argv[1]); import plan; "
        "plan.full_plan(); print(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss)"
    )
    here = str(Path(__file__).resolve().parent)
    ran = subprocess.run(
        [sys.executable, "-c", code, here], capture_output=True, text=True, check=True
    )
    return int(ran.stdout) / 1024


def shell(*arguments: str) -> float:
    """Least wall-clock seconds of five runs of a command."""
    return best_of(lambda: subprocess.run(arguments, capture_output=True, check=True))[0]


def run() -> None:
    """Print all lines."""
    # First of all: a child inherits the high-water mark of the process that forked it.
    peak = peak_memory()
    print(f"peak memory of a plan: {peak:.0f} MB, 300 MB allowed ({peak / 300:.2f} ×)")
    full_plan()
    wall, core = best_of(full_plan)
    print(f"full plan: {core:.3f} s of one core ({wall:.3f} s by the clock), 1 s allowed")
    bare_wall, bare = best_of(lambda: make_plan(SYSTEM, (), WISH))
    print(f"  without offers to choose from: {bare:.3f} s ({bare_wall:.3f} s)")
    command = Path(sys.executable).with_name("sumpwright")
    nothing = shell(sys.executable, "-c", "pass")
    spent = shell(str(command), "--help")
    print(
        f"sumpwright --help: {spent:.2f} s, 0.4 s allowed; {spent / nothing:.1f} × python -c pass"
    )
    against_solve_ivp(core)


if __name__ == "__main__":
    run()
