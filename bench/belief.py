"""Weighing the draws by samples, against emcee's walk over the same density."""

from __future__ import annotations

from time import perf_counter

from tests.belief_model import by_walk, by_weight


def run() -> None:
    """Print both times and their ratio."""
    by_weight()
    start = perf_counter()
    course = by_weight()
    weighed = perf_counter() - start
    start = perf_counter()
    walked = by_walk(700)
    walk = perf_counter() - start
    mean = float(course.weights @ course.fresh)
    print(f"weighed 4096 draws by 3 samples in {weighed:.3f} s: mean fresh {mean:.4f}")
    print(f"emcee, 32 walkers of 700 steps, in {walk:.2f} s: mean fresh {walked.mean():.4f}")
    print(f"ratio: {walk / weighed:.0f} times faster than emcee")


if __name__ == "__main__":
    run()
