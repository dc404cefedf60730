"""Weighed draws against an independent sampler of the same model."""

from __future__ import annotations

import numpy as np
import pytest
from tests.belief_model import by_walk, by_weight

# Source: emcee, the affine-invariant ensemble sampler of Foreman-Mackey et al.,
# PASP 125 (2013) 306, doi:10.1086/670067; PyPI package emcee.


def test_posterior_agrees_with_emcee() -> None:
    course = by_weight()
    fresh, weights = course.fresh, course.weights
    mean = float(weights @ fresh)
    spread = float(np.sqrt(weights @ (fresh - mean) ** 2))
    walked = by_walk(700)
    # 32 walkers over 560 kept steps at an autocorrelation time near 40 steps leave some 400
    # independent draws: a standard error of 1/20 of the spread on the mean, 1/28 on the spread.
    assert mean == pytest.approx(walked.mean(), abs=spread / 6)
    assert spread == pytest.approx(walked.std(), rel=0.15)
    seen = course.fresh_quantiles
    low, high = np.quantile(walked, [0.05, 0.95])
    assert seen.p05 == pytest.approx(low, abs=spread / 3)
    assert seen.p95 == pytest.approx(high, abs=spread / 3)
    # Both are narrower than what was believed before the samples.
    before = np.full(course.draws.count, 1 / course.draws.count)
    assert spread < 0.8 * np.sqrt(before @ (fresh - before @ fresh) ** 2)
