"""Whether a decoded temperature can be true."""

from __future__ import annotations

import math
from dataclasses import dataclass

from sumpwright.link.source import ZERO_CELSIUS


@dataclass(frozen=True)
class Limits:
    """Bounds that a fluid in a gearbox does not leave.

    Parameters
    ----------
    low, high : float
        Least and greatest temperature in K: −60 and 250 °C unless given.
    step : float
        Jump in K that coarse steps and noise of a sensor may make at any rate.
    rate : float
        Fastest rise or fall in K/s beyond that. Litres of fluid cannot follow faster;
        common practice, no source.
    first : int
        Readings that have to agree before the first of them is believed.
    jump : int
        Readings that have to agree before a jump is believed.
    """

    low: float = ZERO_CELSIUS - 60.0
    high: float = ZERO_CELSIUS + 250.0
    step: float = 4.0
    rate: float = 2.0
    first: int = 2
    jump: int = 4

    def reach(self, dt: float) -> float:
        """Greatest believable change in K over `dt` seconds."""
        return self.step + self.rate * max(dt, 0.0)


DIRECT = Limits(first=1, jump=1)


class Judge:
    """Judges readings one after another against `Limits`.

    One corrupted value cannot get through: it lies outside the range, or it is too
    far from its neighbours and stays alone. A level that persists after a jump (the
    probe was moved) is taken after a few readings that agree among themselves.

    Examples
    --------
    >>> judge = Judge(Limits(first=1))
    >>> judge.doubt(310.0, 0.0)
    ''
    >>> judge.doubt(390.0, 0.5)
    'jumped by 80.0 K in 0.5 s'
    >>> judge.doubt(310.1, 1.0)
    ''
    """

    def __init__(self, limits: Limits | None = None) -> None:
        self.limits = limits or Limits()
        self._last: tuple[float, float] | None = None
        self._rival: tuple[float, float] | None = None
        self._agreeing = 0

    def doubt(self, kelvin: float, seconds: float) -> str:
        """Why `kelvin` at `seconds` is not to be believed; empty when it is.

        Parameters
        ----------
        kelvin : float
            Temperature in K.
        seconds : float
            Time in s on any one axis.
        """
        if not math.isfinite(kelvin) or not math.isfinite(seconds):
            return "not a number"
        if not self.limits.low <= kelvin <= self.limits.high:
            return (
                f"{kelvin - ZERO_CELSIUS:.1f} °C lies outside "
                f"{self.limits.low - ZERO_CELSIUS:.0f} to {self.limits.high - ZERO_CELSIUS:.0f} °C"
            )
        here = (kelvin, seconds)
        if self._last is not None and self._near(self._last, here):
            return self._take(here)
        self._agreeing = (
            self._agreeing + 1 if self._rival is not None and self._near(self._rival, here) else 1
        )
        self._rival = here
        if self._agreeing >= (self.limits.first if self._last is None else self.limits.jump):
            return self._take(here)
        if self._last is None:
            return "waits for the next reading to agree"
        return f"jumped by {abs(kelvin - self._last[0]):.1f} K in {seconds - self._last[1]:.1f} s"

    def _near(self, before: tuple[float, float], after: tuple[float, float]) -> bool:
        return abs(after[0] - before[0]) <= self.limits.reach(after[1] - before[1])

    def _take(self, here: tuple[float, float]) -> str:
        self._last = here
        self._rival = None
        self._agreeing = 0
        return ""
