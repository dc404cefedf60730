"""What is assumed of a wet system when its sheet is silent.

Every range here is common practice, no source: wide on purpose, shown to the user
with the plan, and replaced by the first number measured on the machine itself.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

Base = Literal["capacity", "drain", "sump", "one"]


@dataclass(frozen=True)
class Guess:
    """A range as a multiple of something already known."""

    low: float
    high: float
    of: Base

    def __str__(self) -> str:
        if self.of == "one":
            return f"{self.low:g} to {self.high:g}"
        return f"{self.low:g} to {self.high:g} × {self.of}"


ORIGIN = "assumed by kind; common practice, no source"

_GEARBOX_WITH_COOLER: dict[str, Guess] = {
    "drain": Guess(0.35, 0.55, "capacity"),
    "sump": Guess(1.02, 1.30, "drain"),
    "cooler_loop": Guess(0.04, 0.10, "capacity"),
    "tanks": Guess(1, 4, "one"),
    "pockets": Guess(0.05, 0.20, "one"),
    "pickup_reserve": Guess(0.25, 0.40, "sump"),
}

_SPLASH: dict[str, Guess] = {
    "drain": Guess(0.88, 0.98, "capacity"),
    "sump": Guess(1.00, 1.02, "drain"),
    "cooler_loop": Guess(0.0, 0.0, "capacity"),
    "tanks": Guess(1, 1, "one"),
    "pockets": Guess(0.0, 0.05, "one"),
    "pickup_reserve": Guess(0.5, 0.5, "sump"),
}

BY_KIND: dict[str, dict[str, Guess]] = {
    "torque-converter automatic": _GEARBOX_WITH_COOLER,
    "continuously variable": {
        **_GEARBOX_WITH_COOLER,
        "drain": Guess(0.45, 0.70, "capacity"),
        "pockets": Guess(0.03, 0.15, "one"),
    },
    "dual clutch": {
        **_GEARBOX_WITH_COOLER,
        "drain": Guess(0.60, 0.85, "capacity"),
        "cooler_loop": Guess(0.02, 0.06, "capacity"),
        "tanks": Guess(1, 3, "one"),
        "pockets": Guess(0.02, 0.10, "one"),
    },
    "hydrostatic drive": {
        **_GEARBOX_WITH_COOLER,
        "drain": Guess(0.45, 0.75, "capacity"),
        "cooler_loop": Guess(0.05, 0.15, "capacity"),
        "pockets": Guess(0.05, 0.25, "one"),
    },
    "power steering": {
        **_GEARBOX_WITH_COOLER,
        "drain": Guess(0.25, 0.50, "capacity"),
        "cooler_loop": Guess(0.05, 0.15, "capacity"),
        "pockets": Guess(0.05, 0.25, "one"),
    },
    "hydraulic system": {
        **_GEARBOX_WITH_COOLER,
        "drain": Guess(0.50, 0.80, "capacity"),
        "pockets": Guess(0.05, 0.30, "one"),
    },
    "coolant circuit": {
        **_GEARBOX_WITH_COOLER,
        "drain": Guess(0.40, 0.75, "capacity"),
        "pockets": Guess(0.05, 0.25, "one"),
    },
    "engine": {
        **_SPLASH,
        "drain": Guess(0.85, 0.97, "capacity"),
        "tanks": Guess(1, 2, "one"),
        "pockets": Guess(0.05, 0.30, "one"),
    },
    "manual gearbox": _SPLASH,
    "transfer case": _SPLASH,
    "axle": _SPLASH,
    "other": {
        **_GEARBOX_WITH_COOLER,
        "drain": Guess(0.30, 0.90, "capacity"),
        "sump": Guess(1.0, 1.4, "drain"),
        "cooler_loop": Guess(0.0, 0.12, "capacity"),
        "pockets": Guess(0.0, 0.30, "one"),
    },
}

WITH_COOLER_LINE = frozenset(
    {
        "torque-converter automatic",
        "continuously variable",
        "dual clutch",
        "hydrostatic drive",
        "power steering",
        "hydraulic system",
        "other",
    }
)
"""Kinds whose pump can push fluid out through a return line."""

METHOD_GUESSES: dict[str, Guess] = {
    "purge_share": Guess(0.4, 0.8, "one"),
    "lean_gain": Guess(0.02, 0.06, "capacity"),
    "sweep_share": Guess(0.1, 0.4, "one"),
}
"""Numbers that only some methods need."""


@dataclass(frozen=True)
class Times:
    """Minutes that the parts of the work take; common practice, no source.

    Examples
    --------
    >>> Times().drive
    20.0
    """

    set_up: float = 15.0
    drain: float = 15.0
    refill: float = 8.0
    drive: float = 20.0
    open_line: float = 20.0
    close_line: float = 10.0
    purge: float = 4.0
    lean: float = 10.0
    sweeps: float = 3.0
    level: float = 25.0
    flow_l_per_min: float = 2.0
