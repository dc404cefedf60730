"""Circuits, batches and operations drawn at random, extremes included."""

from __future__ import annotations

import itertools
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
from hypothesis import strategies as st

from sumpwright.physics import exchange as ex
from sumpwright.physics.circuit import SUMP, Array, Circuit, Contents, circuit

L = 1e-3
DRAWS = 4

Operation = Literal["drain", "fill", "discharge", "exchange", "purge", "circulate", "work", "drive"]
OPERATIONS: tuple[Operation, ...] = (
    "drain",
    "fill",
    "discharge",
    "exchange",
    "purge",
    "circulate",
    "work",
    "drive",
)

_sumps = st.sampled_from([0.05, 1.0, 4.8, 300.0]) | st.floats(0.05, 30.0)
_uppers = st.sampled_from([0.0, 1e-3, 3.7, 200.0]) | st.floats(0.05, 20.0)
_loops = st.sampled_from([0.0, 1e-3, 0.7]) | st.floats(0.01, 3.0)
_tanks = st.integers(1, 7)
shares = st.sampled_from([0.0, 1.0]) | st.floats(0.0, 1.0)


def _columns(one: st.SearchStrategy[Any], draws: int) -> st.SearchStrategy[list[Any]]:
    return st.lists(one, min_size=draws, max_size=draws)


def circuits(draws: int = DRAWS) -> st.SearchStrategy[Circuit]:
    """Circuits of several draws, each with volumes and a number of tanks of its own."""
    return st.builds(
        lambda sump, upper, loop, tanks, pockets: circuit(
            np.array(sump) * L, np.array(upper) * L, np.array(loop) * L, tanks, pockets
        ),
        _columns(_sumps, draws),
        _columns(_uppers, draws),
        _columns(_loops, draws),
        _columns(_tanks, draws),
        _columns(shares, draws),
    )


def contents_of(body: Circuit, batches: int, seed: int) -> Contents:
    """A system at level in which every place holds another mixture."""
    rng = np.random.default_rng(seed)
    share = rng.dirichlet(np.ones(batches), size=(body.draws, body.places))
    return Contents(body.volumes, share)


@dataclass(frozen=True)
class Act:
    """An operation, how much of what is possible, and the batch that enters."""

    kind: Operation
    part: float
    batch: int

    def amount(self, body: Circuit, before: Contents) -> Array:
        """Volume that the act moves in each draw [m³]."""
        if self.kind == "drain":
            return self.part * before.volume[:, SUMP]
        if self.kind == "discharge":
            return self.part * ex.prime(body, before).volume[:, SUMP]
        if self.kind in {"fill", "exchange", "circulate"}:
            return 2.0 * self.part * body.capacity
        return np.zeros(body.draws)

    def apply(self, body: Circuit, before: Contents) -> Contents:
        """What stands in the circuit after the act."""
        amount = self.amount(body, before)
        match self.kind:
            case "drain":
                return ex.drain(before, amount)
            case "fill":
                return ex.fill(before, amount, self.batch)
            case "discharge":
                return ex.discharge(body, before, amount)
            case "exchange":
                return ex.exchange(body, before, amount, self.batch)
            case "purge":
                return ex.purge(before, self.part)
            case "circulate":
                return ex.circulate(body, before, amount)
            case "work":
                return ex.work(body, before, 3, self.part)
            case "drive":
                return ex.drive(body, before)


def acts(batches: int) -> st.SearchStrategy[list[Act]]:
    """Any operations in any order."""
    one = st.builds(Act, st.sampled_from(OPERATIONS), shares, st.integers(0, batches - 1))
    return st.lists(one, min_size=1, max_size=12)


def generator(volume: Array, feed: str) -> Array:
    """G of dc/dq = G c, written out place by place; the inlet comes last.

    Places of less than a billionth of the whole are passed by, as in the model.
    """
    places = len(volume)
    out = np.zeros((places + 1, places + 1))
    chain = [SUMP] + [i for i in range(2, places) if volume[i] > 1e-9 * volume.sum()]
    for before, place in itertools.pairwise(chain):
        out[place, place] -= 1 / volume[place]
        out[place, before] += 1 / volume[place]
    enters = {"inlet": places, "return": chain[-1]}.get(feed)
    if enters is not None:
        out[SUMP, SUMP] -= 1 / volume[SUMP]
        out[SUMP, enters] += 1 / volume[SUMP]
    return out
