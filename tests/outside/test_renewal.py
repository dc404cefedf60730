"""The long run of partial changes against drops of fluid that are followed one by one.

Source: renewal theory, as in S. M. Ross, *Introduction to Probability Models*, the chapter on
renewal theory: a drop that each service takes with the probability f stays for a geometric
number of intervals. The simulation knows no formula: it takes out drops, puts new ones in, and
looks how old they are.
"""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from sumpwright.physics import ageing

DROPS = 200_000
SETTLED = 1e-5
"""Share of the first fluid that may be left when counting begins."""


def _settle(share: float, gap: float, rng: np.random.Generator) -> NDArray[np.float64]:
    """Ages of the drops just before a late service."""
    age = np.zeros(DROPS)
    for _ in range(int(np.ceil(np.log(SETTLED) / np.log1p(-share))) if share < 1 else 2):
        age[rng.random(DROPS) < share] = 0.0
        age += gap
    return age


@pytest.mark.parametrize("share", [0.2, 0.42, 0.75, 1.0])
@pytest.mark.parametrize("limit_in_gaps", [0.6, 1.5, 3.2])
def test_ages_and_overdue_shares_are_those_of_drops(share: float, limit_in_gaps: float) -> None:
    gap, rng = 4e7, np.random.default_rng(round(100 * share + 10 * limit_in_gaps))
    limit = limit_in_gaps * gap
    before = _settle(share, gap, rng)
    after = np.where(rng.random(DROPS) < share, 0.0, before)
    between = after + rng.uniform(0.0, gap, DROPS)
    settled = ageing.renewal(share, gap, limit)
    for ages, mean, overdue in (
        (before, settled.mean_before, settled.overdue_before),
        (after, settled.mean_after, settled.overdue_after),
        (between, settled.mean, settled.overdue),
    ):
        # Four standard errors of a mean, and of a share, of so many drops.
        slack = 4 * float(ages.std()) / np.sqrt(DROPS) + 1e-9 * gap
        assert float(mean) == pytest.approx(float(ages.mean()), abs=slack + 1e-3 * gap * SETTLED)
        part = float(overdue)
        slack = 4 * np.sqrt(part * (1 - part) / DROPS) + 1e-9
        assert float(np.mean(ages > limit)) == pytest.approx(part, abs=slack + SETTLED)


@pytest.mark.parametrize("share", [0.3, 0.6])
def test_ages_before_each_service_are_those_of_drops(share: float) -> None:
    rng, gap, age = np.random.default_rng(8), 60.0, np.zeros(DROPS)
    expected = ageing.ages_before_service(share, gap, 8)
    for mean in expected:
        age += gap
        slack = 4 * float(age.std()) / np.sqrt(DROPS) + 1e-9
        assert float(age.mean()) == pytest.approx(float(mean), abs=slack)
        age[rng.random(DROPS) < share] = 0.0
