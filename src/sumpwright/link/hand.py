"""Temperatures typed by hand from a thermometer."""

from __future__ import annotations

import queue

from sumpwright.errors import Complaint
from sumpwright.link.describe import Description, Kind, Values
from sumpwright.link.source import ZERO_CELSIUS, Decoded, Reading, Silence

# A gearbox that warms by 2 K a minute has moved by 1 K since; an assumption.
HAND_STALE_AFTER = 30.0

KIND = Kind("hand", "typed from a thermometer", "", "hand")


class Hand:
    """A source that a person feeds.

    Parameters
    ----------
    name : str
        What the user calls it.
    stale_after : float
        Age in s beyond which a typed value is no longer current.

    Examples
    --------
    >>> hand = Hand()
    >>> hand.put(313.15)
    >>> hand.read(1.0).raw
    '40.00 °C'
    """

    caution = "A typed reading grows old: read the thermometer again before fitting the plug."
    period = 0.0
    direct = True

    def __init__(self, name: str = "by hand", stale_after: float = HAND_STALE_AFTER) -> None:
        self.name = name
        self.stale_after = stale_after
        self._typed: queue.Queue[Reading] = queue.Queue(maxsize=1000)

    @classmethod
    def from_values(cls, values: Values) -> Hand:
        """Build from a checked description."""
        return cls(values.name("by hand"), values.stale(HAND_STALE_AFTER))

    def put(self, kelvin: float) -> None:
        """Take a typed temperature in K; it counts from now.

        Raises
        ------
        Complaint
            When values are typed faster than they are read, a thousand unread.
        """
        reading = Decoded(kelvin, f"{kelvin - ZERO_CELSIUS:.2f} °C", "typed").reading(self.name)
        try:
            self._typed.put_nowait(reading)
        except queue.Full:
            raise Complaint("a thousand typed readings wait unread", "start the watch") from None

    def open(self) -> None:
        """Nothing to open."""

    def read(self, timeout: float) -> Reading:
        """Wait at most `timeout` s for a typed value."""
        try:
            # short looks let a watch stop at once; that nothing was typed is no news
            return self._typed.get(timeout=min(timeout, 0.2))
        except queue.Empty:
            raise Silence("") from None

    def close(self) -> None:
        """Nothing to close."""


HAND = Description("hand")
