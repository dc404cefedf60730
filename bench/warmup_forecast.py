"""How often the warm-up forecast's 90 % interval holds, and what one forecast costs.

Run as ``python bench/warmup_forecast.py``. Prints shares and ratios; nothing is asserted here.
"""

from __future__ import annotations

import sys
import time
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "tests"))

from simulated_warmups import Case, simulate, simulate_two_lumps
from sumpwright.physics.warmup import forecast_warmup

CASES = 1000


def main() -> None:
    rng = np.random.default_rng(31)
    machines = {
        "one lump": [simulate(rng) for _ in range(CASES)],
        "two lumps": simulate_two_lumps(rng, CASES // 2, slow=False),
        "two slow lumps": simulate_two_lumps(rng, CASES // 2, slow=True),
    }
    for name, cases in machines.items():
        _count(name, cases)


def _count(name: str, cases: list[Case]) -> None:
    verdicts: dict[str, list[tuple[bool, bool]]] = {"opens": [], "closes": []}
    begin = time.perf_counter()
    for case in cases:
        forecast = forecast_warmup(case.times, case.readings, case.window_open, case.window_close)
        for edge, arrival, truth in (
            ("opens", forecast.to_open, case.to_open),
            ("closes", forecast.to_close, case.to_close),
        ):
            if arrival is not None:
                verdicts[edge].append((arrival.low <= truth <= arrival.high, truth < arrival.low))
    each = (time.perf_counter() - begin) / len(cases)
    for edge, each_one in verdicts.items():
        held, before = np.mean(each_one, axis=0)
        print(
            f"{name}, window {edge}: the 90 % interval held in {held:.1%} of {len(cases)} "
            f"warm-ups, and came too late in {before:.1%}"
        )
    print(f"one forecast takes 1/{1.0 / each:.0f} of the second between two quick readings")


if __name__ == "__main__":
    main()
