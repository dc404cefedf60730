"""The shapes that a warm-up may take, each as likely as it is before anything is read.

A machine whose heat arises in the fluid itself warms ever more slowly. One whose gearbox is
heated through another part, a coolant for instance, warms ever faster at first. Both are

    dT/dt = B (e^(−t/s) − d e^(−t/f)),   0 ≤ d < 1,   f < s

counted from any moment on: B is the rate that the heating part would hold up by itself, s the
time in which that fades, and the share d of it that has not come through yet comes within f.
With d = 0 this is Newton's law; with d > 0 it is the hotter of two lumps warming the other.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from sumpwright.physics.checks import Array

__all__ = ["LONGEST", "Shapes", "WarmupPriors", "possible_shapes"]

SHAPES = 4096

LONGEST = 200_000.0
"""Time [s] beyond which a temperature counts as never reached."""

_HALVINGS = 44


@dataclass(frozen=True)
class WarmupPriors:
    """What is assumed of a warm-up before it is seen.

    All of these are assumptions (common practice, no source), wide on purpose.

    Parameters
    ----------
    rate : float
        Typical rate B of warming [K/s].
    rate_spread : float
        Standard deviation about it [K/s].
    time_constant : float
        Typical time constant τ of a machine that warms as one lump [s].
    time_constant_spread : float
        Standard deviation of ln τ.
    final : float
        Typical temperature that a warm-up tends to [K].
    final_spread : float
        Standard deviation about it, for one lump [K].
    two_lumps : float
        Probability that the fluid is heated through another part.
    slow, slow_spread : float
        Typical time [s] in which the rate of that part fades, and standard deviation of its
        logarithm.
    fast, fast_spread : float
        The same for the time in which the fluid follows that part.
    two_final_spread : float
        Standard deviation about the final temperature, for two lumps [K]: their thermostat,
        which is not in the shape, ends their warming.
    noise : float
        Typical error of one reading, its rounding included [K].
    noise_weight : float
        Number of readings that the assumed noise counts for.
    drift : float
        Standard deviation of ln(rate ahead / rate seen), for what the model leaves out.
    kink_every : float
        Mean rise between changes such as an opening thermostat or cooler [K].
    kink_least : float
        Share of the rate that is left, at the least, after such a change; shares up to 1
        are equally likely.
    never : float
        How likely a course that never leaves the window is against one that does: the
        service manual would not ask for a temperature that no warm-up reaches.
    """

    rate: float = 0.05
    rate_spread: float = 0.10
    time_constant: float = 1200.0
    time_constant_spread: float = 0.6
    final: float = 358.15
    final_spread: float = 20.0
    two_lumps: float = 0.6
    slow: float = 3000.0
    slow_spread: float = 0.8
    fast: float = 400.0
    fast_spread: float = 0.6
    two_final_spread: float = 60.0
    noise: float = 0.3
    noise_weight: float = 3.0
    drift: float = 0.06
    kink_every: float = 75.0
    kink_least: float = 0.5
    never: float = 0.3


@dataclass(frozen=True)
class Shapes:
    """Shapes of warm-ups, all of them per unit of the rate B.

    Parameters
    ----------
    slow, fast : ndarray of float, shape (n,)
        Times s and f [s].
    share : ndarray of float, shape (n,)
        Share d that has not come through yet, now.
    two : ndarray of bool, shape (n,)
        Whether the shape is that of two lumps.
    """

    slow: Array
    fast: Array
    share: Array
    two: np.ndarray[tuple[int], np.dtype[np.bool_]]

    def taken(self, which: np.ndarray[tuple[int], np.dtype[np.intp]]) -> Shapes:
        """Return the shapes at the indices `which`."""
        return Shapes(self.slow[which], self.fast[which], self.share[which], self.two[which])

    @property
    def end(self) -> Array:
        """Rise from now to the end of all time, per unit of B [s]."""
        out: Array = self.slow - self.share * self.fast
        return out

    def risen(self, time: Array) -> Array:
        """Return the rise [s] per unit of B from now to each time from now [s].

        Parameters
        ----------
        time : ndarray of float, shape (n,) or (m, 1)
            One for each shape, or a column of some for all of them; negative ones lie behind.

        Examples
        --------
        >>> one = Shapes(np.array([1200.0]), np.array([400.0]), np.array([0.0]), np.array([False]))
        >>> one.risen(np.array([1200.0])).round(1).tolist()
        [758.5]
        """
        out: Array = -self.slow * np.expm1(-time / self.slow) + self.share * self.fast * np.expm1(
            -time / self.fast
        )
        return out

    def rates(self, time: float) -> Array:
        """Return the rate after `time` [s], per unit of B."""
        out: Array = np.exp(-time / self.slow) - self.share * np.exp(-time / self.fast)
        return out

    def time_to_rise(self, rise: Array, rate: Array) -> Array:
        """Return the time [s] in which each shape rises by `rise` [K].

        Parameters
        ----------
        rise : ndarray of float, shape (n,)
            [K].
        rate : ndarray of float, shape (n,)
            B [K/s].

        Returns
        -------
        ndarray of float, shape (n,)
            0 for what lies behind, infinity for what is never reached.

        Notes
        -----
        A warm-up only rises, so halving an interval finds the time; no closed form exists for
        two lumps.

        Examples
        --------
        >>> two = Shapes(np.array([3000.0]), np.array([400.0]), np.array([0.9]), np.array([True]))
        >>> t = two.time_to_rise(np.array([20.0]), np.array([0.05]))
        >>> (0.05 * two.risen(t)).round(6).tolist()
        [20.0]
        """
        goal = rise / np.maximum(rate, 1e-12)
        low, high = np.zeros_like(goal), np.full_like(goal, LONGEST)
        for _ in range(_HALVINGS):
            middle = 0.5 * (low + high)
            short = self.risen(middle) < goal
            low, high = np.where(short, middle, low), np.where(short, high, middle)
        never = (rate <= 0.0) | (goal >= self.end) | (high >= LONGEST * (1.0 - 1e-6))
        return np.where(rise <= 0.0, 0.0, np.where(never, np.inf, high))


@lru_cache(maxsize=4)
def possible_shapes(priors: WarmupPriors) -> Shapes:
    """Return shapes drawn evenly from what is assumed, the same ones every time.

    Parameters
    ----------
    priors : WarmupPriors

    References
    ----------
    I. M. Sobol', "On the distribution of points in a cube and the approximate evaluation of
    integrals", USSR Comput. Math. Math. Phys. 7 (1967) 86-112.

    Examples
    --------
    >>> shapes = possible_shapes(WarmupPriors(two_lumps=0.25))
    >>> round(float(np.mean(shapes.two)), 2), float(shapes.share[~shapes.two].max())
    (0.25, 0.0)
    """
    from scipy.special import ndtri
    from scipy.stats import qmc

    even = qmc.Sobol(4, seed=20240229).random(SHAPES)
    normal = ndtri(np.clip(even[:, :2], 1e-6, 1.0 - 1e-6))
    two = even[:, 3] < priors.two_lumps
    slow = np.where(
        two,
        priors.slow * np.exp(priors.slow_spread * normal[:, 0]),
        priors.time_constant * np.exp(priors.time_constant_spread * normal[:, 0]),
    )
    fast = np.minimum(priors.fast * np.exp(priors.fast_spread * normal[:, 1]), 0.8 * slow)
    return Shapes(slow, fast, np.where(two, even[:, 2], 0.0), two)
