"""Parameter draws of a wet system, from its sheet and from what is assumed."""

from __future__ import annotations

import itertools
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sumpwright.errors import Complaint
from sumpwright.physics.circuit import Array, Circuit, circuit
from sumpwright.physics.exchange import safe_discharge
from sumpwright.planning.assumptions import BY_KIND, METHOD_GUESSES, ORIGIN, Guess
from sumpwright.planning.kinds import canonical_kind
from sumpwright.planning.machine import MOST_TANKS, Span, WetSystem

DRAWS = 4096
_ORDER = (
    "capacity",
    "drain",
    "sump",
    "cooler_loop",
    "tanks",
    "pockets",
    "pickup_reserve",
    "purge_share",
    "lean_gain",
    "sweep_share",
)
_METHOD = _ORDER[7:]
_CIRCUIT = _ORDER[:7]
_CORNERS = ("capacity", "drain", "sump", "pickup_reserve")
_SLACK = 1e-9
"""Share of the capacity to which volumes may contradict each other, as sheets round."""
_MANY_TANKS = 16


@dataclass(frozen=True)
class Assumption:
    """A number that the sheet does not give, with the range put in its place.

    ``low`` and ``high`` are litres for volumes, else plain numbers.
    """

    name: str
    low: float
    high: float
    unit: str
    origin: str

    def to_json(self) -> dict[str, object]:
        """Return the assumption as plain data."""
        return {
            "name": self.name,
            "range": [self.low, self.high],
            "unit": self.unit,
            "origin": self.origin,
        }


@dataclass(frozen=True)
class Draws:
    """Draws of all that planning needs of one wet system; SI, shape (D,)."""

    circuit: Circuit
    drain: Array
    reserve: Array
    purge_share: Array
    lean_gain: Array
    sweep_share: Array
    assumptions: tuple[Assumption, ...]
    method_assumptions: dict[str, Assumption]
    safe: float
    """Largest discharge that is safe whatever the true numbers are [m³]."""

    @property
    def count(self) -> int:
        """Number of draws D: 1 when nothing is uncertain."""
        return self.circuit.draws

    def released(self, leaned: bool = False) -> Array:
        """Volume that the drain plug lets out, the machine leaned over it or not [m³]."""
        out = self.drain + self.lean_gain if leaned else self.drain
        return np.minimum(out, self.circuit.sump)

    def take(self, keep: NDArray[np.intp]) -> Draws:
        """Return chosen draws, as after resampling."""
        return Draws(
            self.circuit.take(keep),
            self.drain[keep],
            self.reserve[keep],
            self.purge_share[keep],
            self.lean_gain[keep],
            self.sweep_share[keep],
            self.assumptions,
            self.method_assumptions,
            self.safe,
        )


def draw(system: WetSystem, count: int = DRAWS, seed: int = 7) -> Draws:
    """Draw the parameters of a wet system.

    A number that is one value on the sheet is that value in every draw. The rest
    is drawn evenly within its range from a scrambled Sobol sequence [1]_, each
    within what the others leave possible: a drain within the sump, a sump and a
    cooler loop within the capacity, a reserve within the sump.

    Parameters
    ----------
    system : WetSystem
    count : int
        Number of draws, a power of two; a quarter of it where the upper works may
        be more than 16 tanks, whose matrices are large.
    seed : int
        Seed of the scrambling, so that the same sheet gives the same plan.

    Returns
    -------
    Draws

    Raises
    ------
    Complaint
        If no draw can satisfy the numbers together.

    References
    ----------
    .. [1] I. M. Sobol, "On the distribution of points in a cube and the approximate
       evaluation of integrals", *USSR Comput. Math. Math. Phys.* 7(4), 1967, 86-112.

    Examples
    --------
    >>> d = draw(WetSystem("box", "torque-converter automatic", Span(9.2e-3, 9.2e-3)), 64)
    >>> d.count, bool((d.drain <= d.circuit.sump).all())
    (64, True)
    """
    given = _Given(system)
    if given.highest("tanks") > MOST_TANKS:
        raise Complaint(
            f"{given.highest('tanks'):g} tanks",
            f"give at most {MOST_TANKS}, which moves nearly as a plug",
            field="tanks",
        )
    # Extremes are at the corners of the ranges, where no Sobol point ever falls.
    corner = np.full((2 ** len(_CORNERS), len(_ORDER)), 0.5)
    places = [_ORDER.index(name) for name in _CORNERS]
    corner[:, places] = list(itertools.product((0.0, 1.0), repeat=len(places)))
    extreme, lowest, highest = given.sample(corner)
    spread = any(np.any(highest[name] > lowest[name]) for name in _ORDER)

    if spread:
        from scipy.stats import qmc

        most = given.highest("tanks")
        rows = count if most <= _MANY_TANKS else max(1, count // 4)
        uniform = qmc.Sobol(d=len(_ORDER), scramble=True, seed=seed).random(rows)
    else:
        uniform = np.full((1, len(_ORDER)), 0.5)
    known, _, _ = given.sample(uniform)

    upper = known["capacity"] - known["sump"] - known["cooler_loop"]
    assumed = {
        name: _assumption(name, lowest[name], highest[name], given.kind)
        for name in _ORDER
        if given.spans[name] is None
    }
    return Draws(
        circuit(
            known["sump"],
            np.where(upper > _SLACK * known["capacity"], upper, 0.0),
            known["cooler_loop"],
            known["tanks"],
            known["pockets"],
        ),
        known["drain"],
        known["pickup_reserve"],
        known["purge_share"],
        known["lean_gain"],
        known["sweep_share"],
        tuple(assumed[name] for name in _CIRCUIT if name in assumed),
        {name: assumed[name] for name in _METHOD if name in assumed},
        float(safe_discharge(extreme["sump"], extreme["pickup_reserve"]).min()),
    )


class _Given:
    """The spans of a sheet, with guesses where it is silent."""

    def __init__(self, system: WetSystem) -> None:
        self.kind, _ = canonical_kind(system.kind)
        self.spans: dict[str, Span | None] = {name: getattr(system, name) for name in _ORDER}
        self._guesses = {**BY_KIND[self.kind], **METHOD_GUESSES}
        self._order = _ORDER
        if self.spans["drain"] is None and self.spans["sump"] is not None:
            # A sump that is known tells more about the drain than the capacity does.
            part = self._guesses["sump"]
            self._guesses["drain"] = Guess(1 / part.high, 1 / part.low, "sump")
            self._order = ("capacity", "sump", "drain", *_ORDER[3:])

    def lowest(self, name: str) -> float:
        """Lower end of what the sheet says, 0 where it is silent."""
        span = self.spans[name]
        return 0.0 if span is None else span.low

    def highest(self, name: str) -> float:
        """Upper end of what the sheet says, or of a guess that is a plain number."""
        span = self.spans[name]
        if span is not None:
            return span.high
        guess = self._guesses[name]
        return guess.high if guess.of == "one" else np.inf

    def sample(self, uniform: Array) -> tuple[dict[str, Array], dict[str, Array], dict[str, Array]]:
        """Place points of the unit cube: the values, and the ends between which each lay."""
        known: dict[str, Array] = {}
        low: dict[str, Array] = {}
        high: dict[str, Array] = {}
        for name in self._order:
            low[name], high[name] = self._ends(name, known, len(uniform))
            u = uniform[:, _ORDER.index(name)]
            if name == "tanks":
                steps = np.floor(u * (high[name] - low[name] + 1))
                known[name] = np.minimum(low[name] + steps, high[name])
            else:
                known[name] = low[name] + u * (high[name] - low[name])
        return known, low, high

    def _ends(self, name: str, known: dict[str, Array], rows: int) -> tuple[Array, Array]:
        floor, ceiling = self._possible(name, known)
        span = self.spans[name]
        if span is None:
            guess = self._guesses[name]
            base = 1.0 if guess.of == "one" else known[guess.of]
            low, high = (
                np.minimum(np.maximum(end * base, floor), ceiling)
                for end in (guess.low, guess.high)
            )
        elif name == "lean_gain":
            low, high = np.minimum(span.low, ceiling), np.minimum(span.high, ceiling)
        else:
            low, high = np.maximum(span.low, floor), np.minimum(span.high, ceiling)
            if np.any(low - high > _SLACK * self._slack_of(name)):
                raise self._contradiction(name)
            low = np.minimum(low, high)
        return np.broadcast_to(low, (rows,)), np.broadcast_to(high, (rows,))

    def _possible(self, name: str, known: dict[str, Array]) -> tuple[Array | float, Array | float]:
        """What the values already placed, and the spans still to be placed, leave room for."""
        if name == "capacity":
            parts = (self.lowest(part) for part in ("drain", "sump", "pickup_reserve"))
            return max(parts) + self.lowest("cooler_loop"), np.inf
        if name == "drain":
            room = known["capacity"] - self.lowest("cooler_loop")
            return 0.0, known["sump"] if "sump" in known else np.minimum(room, self.highest("sump"))
        if name == "sump":
            out = known.get("drain", np.asarray(self.lowest("drain")))
            room = known["capacity"] - self.lowest("cooler_loop")
            return np.maximum(out, self.lowest("pickup_reserve")), room
        if name == "cooler_loop":
            return 0.0, np.maximum(known["capacity"] - known["sump"], 0.0)
        if name == "pickup_reserve":
            return 0.0, known["sump"]
        if name == "lean_gain":
            return 0.0, np.maximum(known["sump"] - known["drain"], 0.0)
        return 0.0, np.inf

    def _slack_of(self, name: str) -> float:
        return 1.0 if name in {"tanks", "pockets"} else self.highest("capacity")

    def _contradiction(self, name: str) -> Complaint:
        return Complaint(
            f"the {name.replace('_', ' ')} does not fit the other volumes",
            "check it against the capacity, the sump, the drain and the cooler loop, "
            "of which each must hold its part",
            field=name,
        )


def _assumption(name: str, low: Array, high: Array, kind: str) -> Assumption:
    plain = name in {"tanks", "pockets", "purge_share", "sweep_share"}
    scale, unit = (1.0, "") if plain else (1e3, "L")
    return Assumption(
        name,
        round(float(low.min()) * scale, 4),
        round(float(high.max()) * scale, 4),
        unit,
        f"{kind}: {ORIGIN}",
    )
