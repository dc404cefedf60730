"""Wet systems drawn at random: plain ones, ranges, and the edges of what is legal."""

from __future__ import annotations

from typing import Any

from hypothesis import strategies as st

from sumpwright.planning.kinds import KINDS
from sumpwright.planning.machine import Offer, Span, WetSystem

L = 1e-3
FLUID = "Cable Green 7"

_shares = st.sampled_from([0.0, 1.0]) | st.floats(0.0, 1.0)
_ends = st.sampled_from([(0.0, 0.0), (1.0, 1.0), (0.0, 1.0)]) | st.tuples(_shares, _shares).map(
    lambda pair: (min(pair), max(pair))
)


def one(value: float) -> Span:
    """A number known exactly."""
    return Span(value, value)


def litres(low: float, high: float | None = None) -> Span:
    """A volume or a range of volumes."""
    return Span(low * L, (low if high is None else high) * L)


@st.composite
def exact_systems(draw: st.DrawFn, kind: str = "torque-converter automatic") -> WetSystem:
    """Sheets of single values that leave nothing of the circuit to assume."""
    capacity = draw(st.floats(0.3, 60.0))
    sump = capacity * draw(st.sampled_from([0.3, 1.0]) | st.floats(0.1, 1.0))
    loop = (capacity - sump) * draw(st.sampled_from([0.0, 1.0]) | st.floats(0.0, 0.5))
    return WetSystem(
        "gearbox",
        kind,
        litres(capacity),
        drain=litres(sump * draw(st.just(1.0) | st.floats(0.2, 1.0))),
        sump=litres(sump),
        cooler_loop=litres(loop),
        tanks=one(draw(st.integers(1, 6))),
        pockets=one(draw(_shares)),
        pickup_reserve=litres(sump * draw(st.floats(0.1, 0.6))),
        fluid=FLUID,
    )


@st.composite
def any_systems(draw: st.DrawFn) -> WetSystem:
    """Any legal sheet: silent here, a range there, ends that touch, corners of the domain."""
    capacity = draw(st.sampled_from([0.3, 0.5, 9.2, 48.0]) | st.floats(0.3, 50.0))
    spread = draw(st.sampled_from([1.0, 1.0, 1.1]))

    def part(of: float, low: float, high: float) -> Span | None:
        if draw(st.booleans()):
            return None
        a, b = draw(_ends)
        return litres(of * (low + a * (high - low)), of * (low + b * (high - low)))

    sump = part(capacity, 0.2, 1.0)
    within = capacity if sump is None else sump.high / L
    drain = part(within, 0.1, 1.0)
    filled = max(span.low / L for span in (sump, drain, litres(0.1 * capacity)) if span)
    loop = part(capacity - filled, 0.0, 1.0)
    most = within if loop is None else min(within, capacity - loop.low / L)
    values: dict[str, Any] = {
        "sump": sump,
        "drain": drain,
        "cooler_loop": loop,
        "pickup_reserve": part(most, 0.0, 0.99),
        "discharge": part(within, 0.05, 1.0),
        "lean_gain": part(capacity, 0.0, 0.1),
    }
    for name in ("pockets", "purge_share", "sweep_share"):
        values[name] = None if draw(st.booleans()) else Span(*draw(_ends))
    if draw(st.booleans()):
        fewest = draw(st.integers(1, 5))
        values["tanks"] = Span(fewest, fewest + draw(st.integers(0, 4)))
    return WetSystem(
        "gearbox",
        draw(st.sampled_from(KINDS)),
        litres(capacity, capacity * spread),
        fluid=draw(st.sampled_from(["", FLUID])),
        **values,
    )


@st.composite
def shelves(draw: st.DrawFn) -> list[Offer]:
    """A few offers: sizes, sellers, carriage and stock."""
    sizes = st.sampled_from([0.5, 1.0, 1.5, 2.0, 5.0, 20.0])
    return [
        Offer(
            FLUID,
            draw(st.sampled_from(["Yard store", "Valley depot"])),
            draw(sizes) * L,
            draw(st.integers(0, 9000)) / 100,
            draw(st.sampled_from([0.0, 4.9, 12.0])),
            draw(st.none() | st.integers(0, 6)),
        )
        for _ in range(draw(st.integers(1, 4)))
    ]
