"""The odometer's rate against general libraries of statistics, and closed forms."""

from __future__ import annotations

import numpy as np
import pytest
import statsmodels.api as sm
from scipy.stats import gamma, nbinom, poisson, siegelslopes, theilslopes
from sklearn.linear_model import HuberRegressor, TheilSenRegressor
from statsmodels.stats.rates import confint_poisson

from sumpwright.planning.clock import DAY, MONTH, YEAR
from sumpwright.planning.odometer import HABITS as ASSUMED
from sumpwright.planning.odometer import Forecast, forecast, quantile_for, roots, skew_shift
from sumpwright.planning.track import Reading, make_track


def _short(seed: int, wild: bool = False) -> tuple[np.ndarray, np.ndarray]:
    """Twelve even steps of less than a year, as cut by the forecast: no resampling error."""
    rng = np.random.default_rng(seed)
    days = np.arange(13) * 24.0
    rise = rng.normal(1.2e6, 1e5, 12).clip(2e5)
    if wild:
        rise[4] += 6e6
        rise[5] = max(1e4, rise[5] - 1.0e6)
    return days * DAY, np.concatenate([[0.0], np.cumsum(rise)])


def _rate(times: np.ndarray, totals: np.ndarray) -> Forecast:
    pairs = zip(times, totals, strict=True)
    found = forecast(make_track([Reading(float(t), float(v), sure=True) for t, v in pairs]))
    assert found is not None
    return found


@pytest.mark.parametrize("seed", range(5))
def test_rate_is_theil_sen(seed: int) -> None:
    # Source: scipy.stats.theilslopes, Sen (1968).
    times, totals = _short(seed, wild=True)
    assert _rate(times, totals).rate == pytest.approx(float(theilslopes(totals, times)[0]))


@pytest.mark.parametrize("seed", range(5))
def test_rate_agrees_with_other_robust_regressions(seed: int) -> None:
    # Source: scikit-learn TheilSenRegressor and HuberRegressor, statsmodels RLM (Huber's T),
    # scipy.stats.siegelslopes. They weigh outliers differently, so only the size is compared.
    times, totals = _short(seed)
    days, rate = times / DAY, _rate(times, totals).rate * DAY
    column = days[:, None]
    mine = [
        TheilSenRegressor(random_state=0, max_iter=5000).fit(column, totals).coef_[0],
        HuberRegressor(alpha=0.0, max_iter=2000).fit(column / 100, totals / 1e6).coef_[0] * 1e4,
        sm.RLM(totals, sm.add_constant(days), M=sm.robust.norms.HuberT()).fit().params[1],
        siegelslopes(totals, days)[0],
    ]
    np.testing.assert_allclose(mine, rate, rtol=0.04)


def test_seasonal_rate_is_the_seasonal_slope_of_hirsch_slack_and_smith() -> None:
    # Source: Hirsch, Slack and Smith (1982): d_ijk = (x_ij − x_ik)/(j − k) for each pair of years
    # of one season; the estimator is the median of all d. Written out here in two loops.
    rng = np.random.default_rng(2)
    times = np.arange(25) * float(MONTH)
    wave = 1.0 + 0.8 * np.cos(2 * np.pi * np.arange(24) / 12)
    totals = np.concatenate([[0.0], np.cumsum(2e6 * wave * rng.gamma(8.0, 1 / 8.0, 24))])
    slopes = []
    for season in range(12):
        years = totals[season::12]
        for j in range(len(years)):
            for k in range(j):
                slopes.append((years[j] - years[k]) / ((j - k) * YEAR))
    assert _rate(times, totals).rate == pytest.approx(float(np.median(slopes)), rel=1e-9)


@pytest.mark.parametrize(("shape", "level"), [(4.0, 0.95), (12.0, 0.95), (60.0, 0.95)])
def test_the_band_of_a_compound_poisson_rise(shape: float, level: float) -> None:
    """Exponential jumps at Poisson times: the Cornish–Fisher band against exact quantiles.

    The exact law is the Poisson mixture of gamma laws (scipy.stats); its variance is 2θ per unit
    of expected rise, so φ = 2θ.
    """
    theta = 1.0
    mean = shape * theta
    counts = np.arange(1, 400)
    weights = poisson.pmf(counts, shape)

    def cdf(x: float) -> float:
        return float(poisson.pmf(0, shape) + np.sum(weights * gamma.cdf(x, counts, scale=theta)))

    low, high = mean, mean + 40 * np.sqrt(2 * mean)
    for _ in range(200):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if cdf(middle) < level else (low, middle)
    exact = 0.5 * (low + high)
    q = 1.6448536269514722
    found = mean + q * np.sqrt(2 * theta * mean) + float(skew_shift(2 * theta, q))
    assert found == pytest.approx(exact, rel=0.03)
    plain = mean + q * np.sqrt(2 * theta * mean)
    assert abs(found - exact) < abs(plain - exact)


def test_band_of_pure_counts_is_the_score_interval_of_a_poisson_mean() -> None:
    # Source: the score interval of a Poisson mean, x + q²/2 ± q √(x + q²/4)
    # (statsmodels.stats.rates.confint_poisson, method "score").
    for count in (3, 20, 150):
        low, high = confint_poisson(count, 1, method="score", alpha=0.10)
        lower, upper = roots(float(count), 1.6448536269514722, 1.0, 0.0, 0.0)
        assert float(lower) == pytest.approx(low, rel=1e-9)
        assert float(upper) == pytest.approx(high, rel=1e-9)


def test_student_quantiles_from_tables() -> None:
    # Source: Student's t, two-sided 90 %: 2.132 (4 degrees of freedom), 1.753 (15), as in any
    # table of the distribution.
    assert quantile_for(0.0, ASSUMED) == pytest.approx(2.132, abs=5e-4)
    assert quantile_for(11.0, ASSUMED) == pytest.approx(1.753, abs=5e-4)


def test_spread_of_overdispersed_counts() -> None:
    """Trips by a negative binomial law (scipy.stats): φ is what its law says."""
    rng = np.random.default_rng(12)
    found = []
    for _ in range(60):
        months = nbinom.rvs(4, 4 / (4 + 30), size=24, random_state=rng) * 50e3
        totals = np.concatenate([[0.0], np.cumsum(months)])
        found.append(_rate(np.arange(25) * float(MONTH), totals).grain)
    # Variance over mean of a month: 1 + 30/4 trips of 50 km. A month is foretold from the one of
    # the other year and half a mean month, which adds (1/1.5)²; 4 of 27 parts are the assumption.
    law = 8.5 * 50e3 * (1 + 1 / 1.5**2)
    assumed = ASSUMED.month_spread**2 * 30 * 50e3
    assert np.median(found) == pytest.approx((4 * assumed + 23 * law) / 27, rel=0.10)
