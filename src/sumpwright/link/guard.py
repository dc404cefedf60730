"""The gate that every byte sent towards a vehicle has to pass.

The tool reads. It never writes, clears, codes, resets, unlocks or starts anything
in a vehicle. So that no mistake elsewhere can change that, nothing outside this
module may send: CAN frames go through `ReadOnlyBus`, commands of an adapter through
`permit_command`. Both know the few things that may pass and refuse the rest.

What may pass:

- service 01 (SAE J1979, current data) with one parameter;
- service 22 (ISO 14229-1, ReadDataByIdentifier) with one identifier;
- the flow control of ISO 15765-2 that a long answer to one of these needs;
- a J1939 request (PGN 59904) for one parameter group, transmission fluids (PGN 65272);
- set-up commands of an adapter that only choose how it talks.

The first three pass only under identifiers kept for diagnostics (ISO 15765-4: 11-bit
700 to 7FF, 29-bit 18DAxxxx and 18DBxxxx); a read sent under the identifier of a
control message could be taken for that message.

Nor may much of it pass: whoever asks, requests leave one place at most every `LEAST_GAP`
seconds, and a request is followed by at most `MOST_FLOW` frames of flow control.
"""

from __future__ import annotations

import contextlib
import re
import threading
import time
from typing import Any, Final

import can

from sumpwright.link.source import LinkDown

CURRENT_DATA: Final = 0x01
READ_BY_IDENTIFIER: Final = 0x22
TRANSMISSION_FLUIDS: Final = 65272
REQUEST_PF: Final = 0xEA

_FUNCTIONAL_29: Final = 0x18DB
_PHYSICAL_29: Final = 0x18DA
_FUNCTIONAL_11: Final = 0x7DF
_FLOW: Final = 3

_MOST_PASSED_OVER: Final = 1000

LEAST_GAP = 0.1
"""Seconds between two requests to one vehicle, the shortest period that can be set."""

MOST_FLOW: Final = 4
"""Frames of flow control for one request; an answer needs one, a belated one another."""

_SETUP: Final = tuple(
    re.compile(pattern)
    for pattern in (
        r"ATZ",  # restart the adapter
        r"ATI",  # name of the adapter
        r"ATE0",  # no echo
        r"ATL0",  # no line feeds
        r"ATH1",  # headers shown
        r"ATAT[12]",  # waits as long as answers have taken so far
        r"ATST[0-9A-F]{2}",  # longest wait for an answer
        r"ATSP[0-9A]",  # protocol
        r"ATDPN",  # protocol in use
        r"ATSH7[0-9A-F]{2}",  # 11-bit identifier to ask under
        r"ATSHD[AB][0-9A-F]{4}",  # 29-bit identifier to ask under
        r"ATCP18",  # priority part of a 29-bit identifier
        r"ATCRA[0-9A-F]{3}",  # identifier to listen to
        r"ATCRA[0-9A-F]{8}",
        r"ATFCSH7[0-9A-F]{2}",  # flow control for long answers
        r"ATFCSH18DA[0-9A-F]{4}",
        r"ATFCSD300000",
        r"ATFCSM1",
    )
)


class RefusedError(Exception):
    """Something that is not a plain read was about to be sent; nothing was."""


def permit_payload(payload: bytes) -> bytes:
    """Return `payload` when it is a plain read.

    Parameters
    ----------
    payload : bytes
        A diagnostic request without transport bytes.

    Raises
    ------
    RefusedError
        For anything but ``01 pp`` and ``22 dd dd``.

    References
    ----------
    SAE J1979 (service 01); ISO 14229-1 (service 22).

    Examples
    --------
    >>> permit_payload(bytes.fromhex("0105")).hex()
    '0105'
    >>> permit_payload(bytes.fromhex("04"))
    Traceback (most recent call last):
    ...
    sumpwright.link.guard.RefusedError: 04 is not a read and is never sent
    """
    payload = bytes(payload)
    current = len(payload) == 2 and payload[0] == CURRENT_DATA
    identifier = len(payload) == 3 and payload[0] == READ_BY_IDENTIFIER
    if not (current or identifier):
        raise RefusedError(
            f"{payload.hex(' ').upper() or 'nothing'} is not a read and is never sent"
        )
    return payload


def permit_command(line: str) -> str:
    """Return `line` when an adapter may be sent it.

    Parameters
    ----------
    line : str
        One command without its carriage return.

    Raises
    ------
    RefusedError
        For anything but the set-up commands listed here and plain reads. An empty line
        is refused as well: an adapter takes it as "once more".

    Examples
    --------
    >>> permit_command("0105"), permit_command("ATE0")
    ('0105', 'ATE0')
    """
    if any(pattern.fullmatch(line) for pattern in _SETUP):
        return line
    if not re.fullmatch(r"(?:[0-9A-F]{2})+", line):
        raise RefusedError(f"{line!r} is not a command that is ever sent")
    permit_payload(bytes.fromhex(line))
    return line


def diagnostic_identifier(identifier: int, extended: bool) -> bool:
    """Whether requests may be sent under `identifier`.

    References
    ----------
    ISO 15765-4 (legislated 7DF, 7E0 to 7E7, 18DB33F1, 18DAxxF1); enhanced diagnostics
    share the range 700 to 7FF (common practice, no source).

    Examples
    --------
    >>> diagnostic_identifier(0x7E0, False), diagnostic_identifier(0x0C9, False)
    (True, False)
    """
    if extended:
        return identifier >> 16 in (_PHYSICAL_29, _FUNCTIONAL_29) and identifier < 1 << 29
    return 0x700 <= identifier <= 0x7FF


def functional_identifier(identifier: int, extended: bool) -> bool:
    """Whether `identifier` speaks to all control units at once.

    Examples
    --------
    >>> functional_identifier(0x7DF, False), functional_identifier(0x7E0, False)
    (True, False)
    """
    return identifier >> 16 == _FUNCTIONAL_29 if extended else identifier == _FUNCTIONAL_11


def _requests_group(message: can.Message) -> bool:
    return message.is_extended_id and (message.arbitration_id >> 16) & 0xFF == REQUEST_PF


def permit_frame(message: can.Message) -> can.Message:
    """Return `message` when it carries a plain read, or the flow control of one.

    Parameters
    ----------
    message : can.Message
        A frame about to be sent.

    Raises
    ------
    RefusedError
        For everything else, first and consecutive frames included: no read is long
        enough to need them.

    References
    ----------
    ISO 15765-2 (frame types); SAE J1939-21 (request, PGN 59904).
    """
    identifier, data = message.arbitration_id, bytes(message.data)
    shown = f"{identifier:X} {data.hex(' ').upper()}"
    if message.is_remote_frame or message.is_error_frame or message.is_fd or not data:
        raise RefusedError(f"{shown} is no plain data frame and is never sent")
    if _requests_group(message):
        if data == TRANSMISSION_FLUIDS.to_bytes(3, "little"):
            return message
        raise RefusedError(f"{shown} asks for another group than {TRANSMISSION_FLUIDS}")
    if not diagnostic_identifier(identifier, message.is_extended_id):
        raise RefusedError(f"{shown} would go out under an identifier not kept for diagnostics")
    kind, length = data[0] >> 4, data[0] & 0x0F
    if kind == 0 and 0 < length < len(data):
        permit_payload(data[1 : 1 + length])
        return message
    is_flow = kind == _FLOW and length <= 2 and len(data) >= 3
    if is_flow and not functional_identifier(identifier, message.is_extended_id):
        return message
    raise RefusedError(f"{shown} is neither a read nor its flow control and is never sent")


_paced: dict[str, float] = {}
_pacing = threading.Lock()


def pace(place: str) -> None:
    """Wait until the next request may leave towards `place`.

    The time of the last one is kept for the whole program, so that neither a caller in a
    hurry nor a source that is opened again and again can flood a vehicle.

    Parameters
    ----------
    place : str
        The bus or port that the request leaves by.

    Examples
    --------
    >>> before = time.monotonic()
    >>> for _ in range(3):
    ...     pace("example")
    >>> time.monotonic() - before >= 2 * LEAST_GAP
    True
    """
    with _pacing:
        now = time.monotonic()
        due = max(now, _paced.get(place, -LEAST_GAP) + LEAST_GAP)
        _paced[place] = due
    if due > now:
        time.sleep(due - now)


class ReadOnlyBus:
    """A CAN bus that can be listened to, and sent nothing but plain reads.

    Parameters
    ----------
    interface, channel : str
        As python-can names them.
    listen_only : bool
        Ask the controller not even to acknowledge frames, where its driver knows how.
    options : dict of str to object, optional
        Handed on to python-can (bit rate and the like).

    Raises
    ------
    LinkDown
        When the bus cannot be opened.
    """

    def __init__(
        self,
        interface: str,
        channel: str,
        *,
        listen_only: bool = False,
        options: dict[str, Any] | None = None,
    ) -> None:
        self._place = f"{interface}:{channel}"
        self._flows = 0
        settings: dict[str, Any] = dict(options or {})
        if listen_only and interface == "slcan":
            settings.setdefault("listen_only", True)
        try:
            self._bus = can.Bus(
                interface=interface, channel=channel, ignore_config=True, **settings
            )
        except Exception as error:
            # python-can raises whatever the driver of the interface raises
            raise LinkDown(
                f"{interface} {channel} cannot be opened: {error}",
                "check the name, that the interface is up, and its bit rate",
            ) from error
        if listen_only:
            # a driver without such a mode says so in its own way; nothing is sent all the same
            with contextlib.suppress(Exception):
                self._bus.state = can.BusState.PASSIVE

    def recv(self, timeout: float) -> can.Message | None:
        """Wait at most `timeout` seconds for one data frame; other frames are passed over.

        Raises
        ------
        LinkDown
            When the interface is gone.
        """
        until = time.monotonic() + timeout
        for _ in range(_MOST_PASSED_OVER):
            try:
                message = self._bus.recv(max(until - time.monotonic(), 0.0))
            except Exception as error:
                raise LinkDown(f"the CAN interface is gone: {error}", "plug it in again") from error
            if message is None or not (message.is_error_frame or message.is_remote_frame):
                return message
        return None

    def send(self, message: can.Message) -> None:
        """Send one frame that `permit_frame` lets pass, a request not before its time.

        Raises
        ------
        RefusedError
            When the frame is not a plain read, or flow control without end.
        LinkDown
            When the interface cannot send.
        """
        permit_frame(message)
        if message.data[0] >> 4 == _FLOW and not _requests_group(message):
            self._flows += 1
            if self._flows > MOST_FLOW:
                raise RefusedError("one answer asks for flow control without end")
        else:
            pace(self._place)
            self._flows = 0
        try:
            self._bus.send(message, timeout=0.5)
        except Exception as error:
            raise LinkDown(f"the CAN interface cannot send: {error}", "check the plug") from error

    def shutdown(self) -> None:
        """Close the bus; never raises."""
        # a driver whose device is gone may fail here in any way
        with contextlib.suppress(Exception):
            self._bus.shutdown()
