"""How long the fluids of a machine were how warm, as its page shows it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from sumpwright.records.told import ToldTemperatures
from sumpwright.records.warmth import by_system
from sumpwright.web.views.show import Show

if TYPE_CHECKING:
    from sumpwright.planning.use import Histogram
    from sumpwright.records.store import Store


@dataclass(frozen=True)
class WarmthView:
    """Rows of a histogram as (band, time, percent of the longest), warmest last."""

    logged: str
    rows: tuple[tuple[str, str, float], ...]


def warmth_views(store: Store, machine: str, show: Show) -> dict[str, WarmthView]:
    """Return the histogram of each wet system of a machine that has logs, by its name."""
    logs = store.told.of(machine, ToldTemperatures)
    return {name: _view(made, show) for name, made in by_system(logs, show.display).items()}


def _view(made: Histogram, show: Show) -> WarmthView:
    most = max(made.durations)
    return WarmthView(
        show.duration(sum(made.durations)),
        tuple(
            (
                f"{show.temperature(low)} to {show.temperature(high)}",
                show.duration(spent),
                round(100 * spent / most, 2),
            )
            for low, high, spent in zip(
                made.edges[:-1], made.edges[1:], made.durations, strict=True
            )
        ),
    )
