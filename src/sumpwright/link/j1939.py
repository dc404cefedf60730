"""Transmission oil temperature as heavy vehicles send it by themselves (SAE J1939)."""

from __future__ import annotations

import time
from typing import Any

import can

from sumpwright.link.canlink import BUS, CAN_PLACE, split_place
from sumpwright.link.decode import parameter_group, spn_177
from sumpwright.link.describe import Kind, Option, Values
from sumpwright.link.guard import REQUEST_PF, TRANSMISSION_FLUIDS, ReadOnlyBus
from sumpwright.link.source import STALE_AFTER, Decoded, Reading, Silence, clock

J1939_KIND = Kind(
    "j1939",
    "transmission oil as heavy vehicles send it by themselves (J1939)",
    CAN_PLACE,
    "j1939:socketcan:can0",
    (
        Option("sa", "address of the gearbox; the first one heard unless given", "hex", "", 0, 253),
        Option("ask", "whether to ask for it when it is not heard", "flag", "no"),
        BUS,
    ),
)


OVERDUE = 2.5
"""Seconds without the message that are worth a word: it comes every second (J1939-71, TF1)."""
_ASK_AFTER = 1.5

# Drivers whose time stamps come from the clock of this machine; those of others drift.
_HOST_CLOCK = ("socketcan", "slcan", "udp_multicast", "virtual")


class J1939:
    """Transmission oil temperature overheard on a J1939 bus (PGN 65272, SPN 177).

    It only listens: the message is sent once a second by itself. With ``ask`` a request
    (PGN 59904) for this one group is sent when none was heard for a while. A request is
    a read: the standard defines it as such, and it changes nothing but that the message
    is sent once more.

    Parameters
    ----------
    values : Values
        Checked settings: address of the gearbox, whether to ask.

    References
    ----------
    SAE J1939-71 (TF1), J1939-21 (request), J1939 table of addresses (F9 hex, off-board
    diagnostic tool).
    """

    direct = False
    period = 0.0
    caution = ""

    def __init__(self, values: Values) -> None:
        self._interface, self._channel = split_place(values)
        self._options: dict[str, Any] = dict(values.bus)
        self._wanted = values.whole("sa") if values.has("sa") else None
        self._ask = values.flag("ask")
        self.name = values.name("transmission oil (J1939)")
        self.stale_after = values.stale(STALE_AFTER)
        self._hears = J1939Listener(self._wanted)
        self._bus: ReadOnlyBus | None = None
        self._opened = self._heard = 0.0

    def open(self) -> None:
        """Open the bus, silent where its driver can."""
        self.close()
        self._bus = ReadOnlyBus(
            self._interface, self._channel, listen_only=not self._ask, options=self._options
        )
        self._opened, self._heard = clock(), 0.0

    def close(self) -> None:
        """Close the bus."""
        bus, self._bus = self._bus, None
        if bus is not None:
            bus.shutdown()

    def read(self, timeout: float) -> Reading:
        """Wait at most `timeout` s for the message; of a backlog only the newest counts."""
        if self._bus is None:
            raise Silence("the source is not open")
        until = time.monotonic() + timeout
        found: tuple[Decoded, float] | None = None
        while True:
            left = until - time.monotonic()
            frame = self._bus.recv(0.0 if found else max(left, 0.0))
            if frame is not None and (said := self._hears(frame)) is not None:
                found = said, frame.timestamp
            if (frame is None and found) or left <= 0.0:
                break
        if found:
            self._heard = clock()
            age = waited(found[1], time.time()) if self._interface in _HOST_CLOCK else 0.0
            return found[0].reading(self.name, age)
        if self._ask and clock() - self._heard > _ASK_AFTER:
            self._request()
        silent = clock() - max(self._heard, self._opened)
        if silent < OVERDUE:
            raise Silence("")
        raise Silence(
            "the message of the transmission fluids does not come",
            "check the plug, that the ignition is on, and the bit rate",
        )

    def _request(self) -> None:
        if self._bus is None:
            return
        to = 0xFF if self._wanted is None else self._wanted
        self._bus.send(
            can.Message(
                arbitration_id=0x18 << 24 | REQUEST_PF << 16 | to << 8 | 0xF9,
                data=TRANSMISSION_FLUIDS.to_bytes(3, "little"),
                is_extended_id=True,
            )
        )


def waited(received: float, now: float) -> float:
    """How long a frame has lain in the queue of its driver, in s.

    After the machine slept, or was too busy to read, the newest frame can be an old one.

    Parameters
    ----------
    received : float
        Time stamp that the driver gave it, in s since 1970.
    now : float
        The present in s since 1970.

    Returns
    -------
    float
        0 for a stamp that cannot be one.

    Examples
    --------
    >>> waited(1_700_000_000.0, 1_700_000_007.5), waited(12.5, 1_700_000_000.0)
    (7.5, 0.0)
    """
    age = now - received
    return age if 0.0 <= age < 30 * 86_400.0 else 0.0


class J1939Listener:
    """Picks the transmission fluids message of one sender out of a stream of frames.

    Two gearboxes on one bus must not be mixed into one curve: unless an address is
    given, the first sender heard is the only one listened to.

    Parameters
    ----------
    sender : int or None
        Address listened to.
    """

    def __init__(self, sender: int | None) -> None:
        self.sender = sender

    def __call__(self, frame: can.Message) -> Decoded | None:
        """Decode `frame`, or None when it is another message or sender."""
        identifier = frame.arbitration_id
        if not frame.is_extended_id or parameter_group(identifier) != TRANSMISSION_FLUIDS:
            return None
        sender = identifier & 0xFF
        if self.sender is None:
            self.sender = sender
        if sender != self.sender:
            return None
        found = spn_177(bytes(frame.data))
        return Decoded(found.kelvin, f"{identifier:08X} {found.raw}", found.workings, found.doubt)
