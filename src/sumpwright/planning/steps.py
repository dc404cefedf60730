"""What was done to the fluid, as the estimate of its composition needs it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Literal

StepKind = Literal[
    "drain",
    "fill",
    "discharge",
    "exchange",
    "purge",
    "work",
    "circulate",
    "drive",
    "lose",
    "level",
]

Taken = Literal["out", "stream", "sump"]
"""Where a sample was taken from: all that came out last, well stirred; the last of the
stream at the outlet; or what stands in the sump."""

TAKEN: Mapping[str, str] = MappingProxyType(
    {
        "out": "what came out last",
        "stream": "the end of the stream",
        "sump": "what stands in it",
    }
)
"""The same in words, to follow *from* or *of*."""


@dataclass(frozen=True, slots=True)
class FluidStep:
    """One act on the fluid of a wet system, in the order in which it happened.

    Parameters
    ----------
    kind : str
        ``drain``, ``fill``, ``discharge``, ``exchange``, ``purge``, ``work``,
        ``circulate``, ``drive`` (mixes everything), ``lose`` (spilt or leaked) or
        ``level`` (set as it should stand: what is missing or too much counts from here).
    volume : float
        m³ that left, entered or went round; 0 where the act has none.
    share : float
        Share of the cooler loop that a purge pushed out; 0 otherwise.
    sweeps : int
        Selector sweeps of a ``work`` step; 0 otherwise.
    batch : str
        Which fluid a ``fill`` or an ``exchange`` brought in; empty otherwise.
    event_id : str
        The job event that this step comes from.
    trial : bool
        Whether what was let out only proved which hose is the outlet: it and its refill
        are no cycle.

    Examples
    --------
    >>> FluidStep("fill", 0.0041, batch="Cable Green 7").volume
    0.0041
    """

    kind: StepKind
    volume: float = 0.0
    share: float = 0.0
    sweeps: int = 0
    batch: str = ""
    event_id: str = ""
    trial: bool = False
