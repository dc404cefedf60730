"""Old shares from rendered photographs over light, exposure and darkness; time of a photograph.

Rows that are refused and rows in which a wrong number of vials is seen are counted beside each
line, since neither gives an error to average.
"""

from __future__ import annotations

import io
import sys
from collections import Counter
from pathlib import Path
from time import perf_counter

import numpy as np
from PIL import Image

sys.path.insert(0, str(Path(__file__).parents[1] / "tests"))

from photographs import painter
from photographs.generator import fair_scene, render
from sumpwright.errors import Complaint
from sumpwright.samples.reading import read_row

KINDS = ("red", "amber", "green", "blue")
LAMPS = ("daylight", "led", "fluorescent", "tungsten")
EXPOSURES = (0.3, 0.75, 0.95)
DARKNESS = (0.3, 0.8, 1.6)
EACH = 6


SHADOWS = (0.0, 0.05, 0.1, 0.2, 0.3)


def read(data: bytes, shares: np.ndarray, count: Counter[str]) -> list[tuple[float, float, float]]:
    """(share, error, held) of each sample; none, but a count, where the row is not read."""
    count["rows"] += 1
    try:
        reading = read_row(data, "left" if shares[0] == 1 else "right")
    except Complaint:
        count["refused"] += 1
        return []
    if len(reading.vials) != len(shares):
        count["miscounted"] += 1
        count["of them unsaid"] += not reading.warnings
        return []
    return [
        (share, vial.old_share - share, float(vial.low <= share <= vial.high))
        for vial, share in zip(reading.vials[1:-1], shares[1:-1], strict=True)
    ]


def cell(
    lamp: str, exposure: float, darkness: float, first: int, count: Counter[str]
) -> np.ndarray:
    """Rows of (share, error, held) of the samples under one light."""
    found = []
    for k in range(EACH):
        kind = KINDS[k % len(KINDS)]
        scene = fair_scene(first + k, kind=kind, lamp=lamp, darkness=darkness, exposure=exposure)
        found += read(render(scene).jpeg(), scene.shares, count)
    return np.array(found).reshape(-1, 3)


def beside_shadows() -> None:
    """Print how rows of three with room at either side are counted, by the depth of shadows."""
    print("rows of three painted with room at either side and shadows on the card")
    for depth in SHADOWS:
        for kind in ("soft", "ramp", "hard"):
            count: Counter[str] = Counter()
            for k in range(EACH):
                rng = np.random.default_rng([k, round(100 * depth), len(kind)])
                shares = np.array([1.0, rng.uniform(0.05, 0.8), 0.0])[:: 1 if k % 2 else -1]
                old = ("brown", "dark", "red brown")[k % 3]
                new = ("amber", "red", "green")[k // 2 % 3]
                data = painter.row(shares, rng, old=old, new=new, depth=depth, kind=kind)
                read(data, shares, count)
            print(f"shadow {depth:<5} {kind:<5} {counted(count)}")


def counted(count: Counter[str]) -> str:
    """Say how many rows were not read."""
    said = ", ".join(f"{count[k]} {k}" for k in ("refused", "miscounted", "of them unsaid"))
    return f"{count['rows']} rows: {said}"


def timing() -> float:
    """Seconds for a photograph of twelve megapixels, best of three."""
    scene = fair_scene(1, kind="red", lamp="daylight", darkness=0.8, exposure=0.75)
    small = Image.fromarray(render(scene).pixels)
    out = io.BytesIO()
    small.resize((4000, 3000), Image.Resampling.BICUBIC).save(out, "JPEG", quality=92)
    data = out.getvalue()
    end = "left" if scene.shares[0] == 1 else "right"
    times = []
    for _ in range(3):
        start = perf_counter()
        read_row(data, end)
        times.append(perf_counter() - start)
    return min(times)


def run() -> None:
    """Print the table and the timing."""
    print("bias, spread (RMS) of the old share below 50 %, share held by the 90 % interval, count")
    counts: Counter[str] = Counter()
    print(
        f"{'light':<12} {'exposure':>8} {'darkness':>8} {'bias':>8} {'RMS':>7} {'held':>6} {'n':>4}"
    )
    every = []
    alone: dict[str, list[np.ndarray]] = {}
    first = 50_000
    for lamp in LAMPS:
        for exposure in EXPOSURES:
            for darkness in DARKNESS:
                count: Counter[str] = Counter()
                rows = cell(lamp, exposure, darkness, first, count)
                counts += count
                first += EACH
                every.append(rows)
                for name in (lamp, f"darkness {darkness}"):
                    alone.setdefault(name, []).append(rows)
                line(f"{lamp:<12} {exposure:>8} {darkness:>8}", rows, count)
    for name, some in alone.items():
        line(f"{name:<30}", np.concatenate(some))
    line(f"{'all':<12} {'':>8} {'':>8}", np.concatenate(every))
    print(counted(counts))
    beside_shadows()
    print(f"12 megapixels: {timing():.2f} s")


def line(head: str, rows: np.ndarray, count: Counter[str] | None = None) -> None:
    """Print one line of the table, with what was not read where anything was not."""
    lost = count is not None and count["refused"] + count["miscounted"] > 0
    said = f"  {counted(count)}" if count is not None and lost else ""
    low = rows[rows[:, 0] < 0.5, 1]
    if len(low) == 0:
        print(f"{head}        -{said}")
        return
    rms, held = np.sqrt(np.mean(low**2)), np.mean(rows[:, 2])
    print(f"{head} {np.mean(low):>+8.4f} {rms:>7.4f} {held:>6.2f} {len(rows):>4}{said}")


if __name__ == "__main__":
    run()
