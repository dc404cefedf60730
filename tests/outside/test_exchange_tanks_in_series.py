"""Tanks in series against scipy, an independent library, and a published problem."""

from __future__ import annotations

import math

import numpy as np
import pytest
import rtdpy
from scipy.special import gammaincc

from sumpwright.physics import exchange as ex
from sumpwright.physics.circuit import SUMP, Circuit, Contents, circuit, filled
from sumpwright.physics.transport import transition

TANKS = [1, 2, 3, 5, 10, 24, 40]
THETAS = [0.05, 0.3, 0.8, 1.0, 1.4, 2.5, 5.0]


def upper_works(n: int, litres: float = 4.4) -> tuple[Circuit, Contents]:
    """A chain of n equal tanks full of old fluid behind a sump full of fresh."""
    body = circuit(100e-3, litres * 1e-3, tanks=n)
    fresh = ex.fill(ex.drain(filled(body), 100e-3), 100e-3, 1)
    return body, fresh


def exit_old(n: int, theta: float) -> float:
    body, start = upper_works(n)
    return float(ex.exit_share(body, ex.discharge(body, start, theta * 4.4e-3))[0, 0])


# Source: O. Levenspiel, *Chemical Reaction Engineering*, 3rd ed., Wiley, 1999, ch. 14 (p. 327):
# after a step at the inlet, 1 − F = e^(−Nθ) Σ_{k<N} (Nθ)^k/k!, which is the regularised upper
# incomplete gamma function Q(N, Nθ) of scipy.
@pytest.mark.parametrize("n", TANKS)
@pytest.mark.parametrize("theta", THETAS)
def test_the_exit_follows_the_poisson_sum(n: int, theta: float) -> None:
    x = n * theta
    poisson = math.exp(-x) * sum(x**k / math.factorial(k) for k in range(n))
    assert exit_old(n, theta) == pytest.approx(poisson, abs=1e-11)
    assert exit_old(n, theta) == pytest.approx(float(gammaincc(n, x)), abs=1e-11)


@pytest.mark.parametrize("n", [2, 5, 24])
@pytest.mark.parametrize("theta", THETAS)
def test_an_exchange_of_equal_tanks_follows_it_as_well(n: int, theta: float) -> None:
    # The sump as the first of n equal tanks, new fluid entering as fast as old leaves.
    body = circuit(9e-3 / n, 9e-3 * (n - 1) / n, tanks=n - 1)
    after = ex.exchange(body, filled(body), theta * 9e-3, 1)
    assert float(ex.exit_share(body, after)[0, 0]) == pytest.approx(
        float(gammaincc(n, n * theta)), abs=1e-11
    )


# Source: the library rtdpy 0.6 (M. H. Flamm, "rtdpy: A python package for residence time
# distributions", *Journal of Open Source Software* 4(40), 1621, 2019, 10.21105/joss.01621), class
# Ncstr: an exit-age curve, summed by the trapezoid rule.
@pytest.mark.parametrize("n", [1, 2, 4, 9])
def test_the_step_response_is_that_of_an_independent_library(n: int) -> None:
    dt = 1e-3
    rtd = rtdpy.Ncstr(n=n, tau=1.0, dt=dt, time_end=4.0)
    at = np.arange(100, len(rtd.time), 400)
    ours = np.array([1 - exit_old(n, theta) for theta in rtd.time[at]])
    # The rule errs by at most t·dt²/12·max|E''|, and E of N tanks bends by less than N³.
    np.testing.assert_allclose(rtd.stepresponse[at], ours, rtol=0, atol=4 * dt**2 / 12 * n**3)


# Source: as above, Levenspiel ch. 14: the exit-age curve has mean 1 and variance σθ² = 1/N.
@pytest.mark.parametrize("n", [1, 2, 4, 10])
def test_mean_and_variance_of_the_exit_age(n: int) -> None:
    # For the survival S = 1 − F: ∫S = mean and 2∫θS = mean² + variance.
    nodes, weights = np.polynomial.legendre.leggauss(80)
    theta = 7.5 * (nodes + 1)
    old = np.array([exit_old(n, t) for t in theta])
    mean = 7.5 * float(weights @ old)
    second = 2 * 7.5 * float(weights @ (theta * old))
    assert mean == pytest.approx(1.0, abs=1e-5)
    assert second - mean**2 == pytest.approx(1 / n, abs=1e-4)


# Source: J. Farlow, J. E. Hall, J. M. McDill and B. H. West, *Differential Equations and Linear
# Algebra*, ISBN 978-0-13-186061-2, problem "More Cascading Tanks" (figure 2.4.9): tank 0 holds
# 1 gal of alcohol and 1 gal of water, each of the others 2 gal of water; water enters at 1 gal/min.
# The alcohol in tank n is x_n(t) = t^n e^(−t/2) / (n! 2^n), at most n^n e^(−n) / n!.
@pytest.mark.parametrize("n", [1, 2, 3, 6])
def test_the_cascade_of_the_textbook(n: int) -> None:
    body = circuit(2.0, 2.0 * n, tanks=n)
    share = np.zeros((1, body.places, 2))
    share[:, :, 0] = 1.0
    share[:, SUMP] = [0.5, 0.5]
    start = Contents(body.volumes, share)

    def alcohol(minutes: float) -> float:
        after = ex.exchange(body, start, minutes, 0)
        last = body.chain_tanks + 1
        return float(after.volume[0, last] * after.share[0, last, 1])

    for t in (0.5, 2.0, 5.0, 20.0):
        want = t**n * math.exp(-t / 2) / (math.factorial(n) * 2**n)
        assert alcohol(t) == pytest.approx(want, abs=1e-11)
    assert alcohol(2.0 * n) == pytest.approx(n**n * math.exp(-n) / math.factorial(n), abs=1e-11)
    assert alcohol(2.0 * n) >= max(alcohol(2.0 * n - 0.1), alcohol(2.0 * n + 0.1))


def test_the_whole_row_of_the_transition_is_a_poisson_law() -> None:
    # Source: as the first. The k-th tank upstream gave e^(−Nθ)(Nθ)^k/k! of what is now there.
    n, theta = 12, 0.9
    body, _ = upper_works(n)
    row = transition(body, theta * 4.4e-3)[0, 1 + n, 2 : 2 + n][::-1]
    x = n * theta
    np.testing.assert_allclose(
        row, [math.exp(-x) * x**k / math.factorial(k) for k in range(n)], rtol=0, atol=1e-13
    )
