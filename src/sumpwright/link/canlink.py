"""Temperatures asked for on a CAN bus: ISO 14229-1 service 22, SAE J1979 service 01."""

from __future__ import annotations

import logging
import struct
import time
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import can
import isotp
from udsoncan import DidCodec
from udsoncan.client import Client
from udsoncan.connections import BaseConnection
from udsoncan.exceptions import (
    InvalidResponseException,
    NegativeResponseException,
    TimeoutException,
    UnexpectedResponseException,
)

from sumpwright.errors import Complaint
from sumpwright.link.decode import (
    LEGISLATED,
    Scaling,
    hexed,
    identified,
    legislated,
    refused,
)
from sumpwright.link.describe import PERIOD, PID, SCALE_OPTIONS, Kind, Option, Values
from sumpwright.link.guard import (
    ReadOnlyBus,
    RefusedError,
    diagnostic_identifier,
    functional_identifier,
    permit_payload,
)
from sumpwright.link.source import STALE_AFTER, Decoded, Reading, Silence, clock

CAN_PLACE = "an interface and a channel"
BUS = Option("bus.*", "handed on to the driver: bus.bitrate=500000", "text", "")
# What the transport layer has to say of a malformed frame is said by the reading's doubt.
_LAYER = {"max_frame_size": 4095, "logger_name": "sumpwright.link.frames"}
logging.getLogger("sumpwright.link.frames").setLevel(logging.ERROR)
# What udsoncan would log of a silence is told by the watch, or by the trial.
_LOGS_AS = "sumpwright"
for _name in ("UdsClient", "Connection"):
    logging.getLogger(f"{_name}[{_LOGS_AS}]").setLevel(logging.CRITICAL)
_PENDING = b"\x78"
# after a long wait for a late answer the next question is given this time at least
_LEAST_WAIT = 0.05

ANSWER_BY = 5.0
"""Seconds within which an answer may still come: the longest that a control unit may take
after it has asked for time (ISO 14229-2, P2*server, default)."""
TX = Option("tx", "identifier to ask under", "hex", None, 0, 0x1FFFFFFF)
RX = Option("rx", "identifier of the answer", "hex", None, 0, 0x1FFFFFFF)
DID = Option("did", "data identifier", "hex", None, 0, 0xFFFF)

UDS_KIND = Kind(
    "uds",
    "a data identifier of one control unit, over CAN",
    CAN_PLACE,
    "uds:socketcan:can0?tx=7E1&rx=7E9&did=1940&length=1&offset=-40",
    (TX, RX, DID, *SCALE_OPTIONS, PERIOD, BUS),
)
LEGISLATED_KIND = Kind(
    "legislated",
    "engine coolant or engine oil as every car has to tell it, over CAN",
    CAN_PLACE,
    "legislated:socketcan:can0?pid=05",
    (
        PID,
        Option("tx", "identifier to ask under", "hex", "7DF", 0, 0x1FFFFFFF),
        Option("rx", "identifier of the answer", "hex", "7E8", 0, 0x1FFFFFFF),
        PERIOD,
        BUS,
    ),
)
NOT_THE_GEARBOX = (
    "This is the {what}, not the fluid of the gearbox: the two can differ by tens of degrees. "
    "Set a level by it only where the service manual says so."
)


def split_place(values: Values) -> tuple[str, str]:
    """Interface and channel of a CAN place.

    Raises
    ------
    Complaint
        When one of the two is missing.
    """
    interface, _, channel = values.description.place.partition(":")
    if not interface or not channel:
        raise Complaint(
            f"{values.description.place!r} names no CAN channel",
            "write interface:channel, for example socketcan:can0",
            field="place",
        )
    return interface, channel


def check_identifiers(tx: int, rx: int) -> None:
    """Refuse identifiers that are not kept for diagnostics, or that do not pair.

    Raises
    ------
    Complaint
        With the ranges that are.
    """
    if not diagnostic_identifier(tx, tx > 0x7FF):
        raise Complaint(
            f"requests are never sent under {tx:X}: it is not kept for diagnostics",
            "give an identifier from 700 to 7FF, 18DAxxxx or 18DBxxxx",
            field="tx",
        )
    if (tx > 0x7FF) != (rx > 0x7FF):
        raise Complaint(
            f"tx {tx:X} and rx {rx:X} are not of one length",
            "give both short or both long",
            field="rx",
        )


class _LongAnswerError(Exception):
    """An answer needs flow control that may not be sent."""


def address(tx: int, rx: int) -> isotp.Address:
    """ISO-TP address of a pair of identifiers; above 7FF they are 29 bits long."""
    mode = (
        isotp.AddressingMode.Normal_29bits
        if max(tx, rx) > 0x7FF
        else isotp.AddressingMode.Normal_11bits
    )
    return isotp.Address(mode, txid=tx, rxid=rx)


class IsoTpConnection(BaseConnection):
    """ISO-TP over a `ReadOnlyBus`, without threads, each wait with a hard end.

    Parameters
    ----------
    bus : ReadOnlyBus
        An open bus.
    tx, rx : int
        Identifiers of request and answer.
    """

    def __init__(self, bus: ReadOnlyBus, tx: int, rx: int) -> None:
        super().__init__(_LOGS_AS)
        self._bus = bus
        self._rx = rx
        self._extended = rx > 0x7FF
        self._until = 0.0
        self._layer = isotp.TransportLayerLogic(
            rxfn=self._receive,
            txfn=self._transmit,
            address=address(tx, rx),
            params={"tx_padding": 0, "tx_data_min_length": 8, **_LAYER},
        )

    def open(self) -> IsoTpConnection:
        return self

    def close(self) -> None:
        self._layer.reset()

    def is_open(self) -> bool:
        return True

    def empty_rxqueue(self) -> None:
        """Throw away what came in before the question was asked."""
        self._layer.reset()
        until = time.monotonic() + 0.05
        while self._bus.recv(0.0) is not None and time.monotonic() < until:
            pass

    def specific_send(self, payload: bytes, timeout: float | None = None) -> None:  # noqa: ARG002
        permit_payload(payload)
        self._layer.send(payload)
        self._layer.process(rx_timeout=0.0, do_rx=False)

    def specific_wait_frame(self, timeout: float | None = None) -> bytes:
        self._until = time.monotonic() + (1.0 if timeout is None else timeout)
        while True:
            self._layer.process(rx_timeout=0.05)
            frame = self._layer.recv()
            if frame is not None:
                return bytes(frame)
            if time.monotonic() >= self._until:
                raise TimeoutException

    def _receive(self, timeout: float) -> isotp.CanMessage | None:
        # The layer asks again for as long as it is given frames. On a busy bus that has no
        # end, so only frames of the wanted sender are handed up, and none past the deadline.
        until = min(time.monotonic() + timeout, self._until)
        while not self._layer.available():
            left = until - time.monotonic()
            if left <= 0.0:
                return None
            frame = self._bus.recv(left)
            if (
                frame is not None
                and frame.arbitration_id == self._rx
                and frame.is_extended_id == self._extended
                and not frame.is_fd
            ):
                return isotp.CanMessage(
                    arbitration_id=frame.arbitration_id,
                    data=bytes(frame.data),
                    extended_id=frame.is_extended_id,
                )
        return None

    def _transmit(self, message: isotp.CanMessage) -> None:
        frame = can.Message(
            arbitration_id=message.arbitration_id,
            data=message.data,
            is_extended_id=message.is_extended_id,
        )
        try:
            self._bus.send(frame)
        except RefusedError as refusal:
            raise _LongAnswerError from refusal


@dataclass
class _Debt:
    """What a control unit may still answer: when it was asked, and by when it must have."""

    asked: float | None = None
    by: float = 0.0


# Of the whole program: what a trial asked can be answered when the watch has begun.
_debts: dict[tuple[str, str, int, int], _Debt] = {}


class _Asked:
    """What the two asking sources have in common.

    Answers carry no number that tells which question they belong to. So after a question
    that was not answered in time nothing is asked until no answer can come any more. One
    that comes late is as old as its question; were it taken for the answer to the next
    one, a warming fluid would be shown colder than it is, as current.
    """

    direct = False
    _begins: bytes
    name: str
    caution: str
    period: float
    stale_after: float

    def __init__(self, values: Values, name: str, caution: str) -> None:
        self._interface, self._channel = split_place(values)
        self._tx, self._rx = values.whole("tx"), values.whole("rx")
        check_identifiers(self._tx, self._rx)
        self._options: dict[str, Any] = dict(values.bus)
        self.name = values.name(name)
        self.caution = caution
        self.period = values.number("period")
        self.stale_after = values.stale(STALE_AFTER)
        self._bus: ReadOnlyBus | None = None
        self._connection: IsoTpConnection | None = None
        place = (self._interface, self._channel, self._tx, self._rx)
        self._debt = _debts.setdefault(place, _Debt())

    def open(self) -> None:
        """Open the bus."""
        self.close()
        self._bus = ReadOnlyBus(self._interface, self._channel, options=self._options)
        self._connection = IsoTpConnection(self._bus, self._tx, self._rx)

    def close(self) -> None:
        """Close the bus."""
        bus, self._bus, self._connection = self._bus, None, None
        if bus is not None:
            bus.shutdown()

    def read(self, timeout: float) -> Reading:
        """Ask once and wait at most `timeout` s for the answer."""
        if self._connection is None:
            raise Silence("the source is not open")
        until = clock() + timeout
        try:
            if clock() < self._debt.by:
                late = self._hear(self._connection, until)
                if late is not None:
                    return late
            now = clock()
            self._debt.asked, self._debt.by = now, now + timeout + ANSWER_BY
            found = self._ask(self._connection, max(until - now, _LEAST_WAIT))
            if self._ends(found):
                self._debt.by = 0.0
            return found.reading(self.name)
        except TimeoutException:
            raise Silence(
                f"{self._rx:X} did not answer within {timeout:.2g} s",
                "check the plug, that the ignition is on, and the identifiers",
            ) from None
        except _LongAnswerError:
            self._debt.by = 0.0
            to_all = functional_identifier(self._tx, self._tx > 0x7FF)
            raise Silence(
                "the answer is too long to be fetched from all control units at once"
                if to_all
                else "the answer is asked for in pieces without end",
                "give tx and rx of one control unit" if to_all else "check tx and rx",
            ) from None

    def _hear(self, connection: IsoTpConnection, until: float) -> Reading | None:
        """Wait for the answer to a question asked before; None once it can come no more.

        Raises
        ------
        TimeoutException
            When it can still come, and has not by `until`.
        """
        debt = self._debt
        while (now := clock()) < min(until, debt.by):
            try:
                payload = connection.specific_wait_frame(min(until, debt.by) - now)
            except TimeoutException:
                continue
            if payload[:1] == b"\x7f" and payload[2:3] == _PENDING:
                debt.by = clock() + ANSWER_BY
                continue
            found = self._decode(payload)
            # a second one answers what somebody else asked: nobody knows when
            if debt.asked is not None and self._ends(found):
                age = clock() - debt.asked
                debt.asked = None
                return found.reading(self.name, age)
        if clock() < debt.by:
            raise TimeoutException
        return None

    def _ends(self, found: Decoded) -> bool:
        """Whether a message is the answer that was waited for, good or bad."""
        raw = bytes.fromhex(found.raw)
        if raw[:1] == b"\x7f":
            return raw[1:2] == self._begins[:1] and raw[2:3] != _PENDING
        return raw.startswith(bytes([self._begins[0] | 0x40]) + self._begins[1:])

    def _decode(self, payload: bytes) -> Decoded:
        raise NotImplementedError

    def _ask(self, connection: IsoTpConnection, timeout: float) -> Decoded:
        raise NotImplementedError


class _WholeRecord(DidCodec):
    def encode(self, *_: object, **__: object) -> bytes:
        raise RefusedError("nothing is ever written")

    def decode(self, record: bytes) -> bytes:
        return bytes(record)

    def __len__(self) -> int:
        raise DidCodec.ReadAllRemainingData


class Uds(_Asked):
    """A temperature behind a data identifier (ISO 14229-1 service 22 over ISO 15765-2).

    Parameters
    ----------
    values : Values
        Checked settings: identifiers, byte positions, scaling and range.
    """

    def __init__(self, values: Values) -> None:
        did = values.whole("did")
        super().__init__(values, f"identifier {did:04X} of {values.whole('tx'):X}", "")
        self._did = did
        self._scaling = values.scaling()
        self._begins = struct.pack(">BH", 0x22, did)

    def _ask(self, connection: IsoTpConnection, timeout: float) -> Decoded:
        client = Client(
            connection,
            request_timeout=timeout,
            config={
                "logger_name": _LOGS_AS,
                "data_identifiers": {self._did: _WholeRecord},
                "p2_timeout": timeout,
                "p2_star_timeout": timeout,
                "use_server_timing": False,
                "tolerate_zero_padding": False,
            },
        )
        asked = hexed(self._begins)
        try:
            response = client.read_data_by_identifier(self._did)
        except NegativeResponseException as error:
            return refused(
                error.response.get_payload() or b"",
                f"the control unit refuses {asked}: {error.response.code_name}",
            )
        except (InvalidResponseException, UnexpectedResponseException) as error:
            return refused(error.response.original_payload or b"", f"not the answer to {asked}")
        if response is None:
            raise TimeoutException
        return self._decode(response.original_payload)

    def _decode(self, payload: bytes) -> Decoded:
        return identified(self._did, payload, self._scaling)


class Legislated(_Asked):
    """Engine coolant or engine oil temperature (SAE J1979 service 01).

    Parameters
    ----------
    values : Values
        Checked settings: parameter and identifiers.
    """

    def __init__(self, values: Values) -> None:
        self._pid = int(values.text("pid"), 16)
        what = LEGISLATED[self._pid]
        super().__init__(values, what, NOT_THE_GEARBOX.format(what=what))
        self._begins = bytes([0x01, self._pid])

    def _ask(self, connection: IsoTpConnection, timeout: float) -> Decoded:
        connection.empty_rxqueue()
        connection.send(self._begins)
        until = time.monotonic() + timeout
        doubted: Decoded | None = None
        while True:
            left = until - time.monotonic()
            try:
                frame = connection.specific_wait_frame(max(left, 0.0))
            except TimeoutException:
                if doubted is None:
                    raise
                return doubted
            found = self._decode(frame)
            if not found.doubt:
                return found
            doubted = found

    def _decode(self, payload: bytes) -> Decoded:
        return legislated(self._pid, payload)


class AnswerListener:
    """Picks the answers of one control unit out of a recorded stream of frames.

    Parameters
    ----------
    rx : int
        Identifier of the answers.
    begins : bytes
        How the wanted answers begin; others are passed over.
    decode : callable
        From a whole answer to what it says.
    """

    def __init__(self, rx: int, begins: bytes, decode: Callable[[bytes], Decoded]) -> None:
        self._begins = begins
        self._decode = decode
        self._frames: list[isotp.CanMessage] = []
        self._layer = isotp.TransportLayerLogic(
            rxfn=lambda _timeout: self._frames.pop() if self._frames else None,
            txfn=lambda _message: None,
            address=address(0x7DF if rx <= 0x7FF else 0x18DB33F1, rx),
            params={"listen_mode": True, **_LAYER},
        )

    @classmethod
    def of_parameter(cls, rx: int, pid: int) -> AnswerListener:
        """Listen for a service 01 parameter."""
        return cls(rx, bytes([0x41, pid]), lambda answer: legislated(pid, answer))

    @classmethod
    def of_identifier(cls, rx: int, did: int, scaling: Scaling) -> AnswerListener:
        """Listen for a service 22 identifier."""
        begins = struct.pack(">BH", 0x62, did)
        return cls(rx, begins, lambda answer: identified(did, answer, scaling))

    def __call__(self, frame: can.Message) -> Decoded | None:
        """Take one frame; return what it says when it completes a wanted answer."""
        if frame.is_error_frame or frame.is_remote_frame or frame.is_fd:
            return None
        self._frames.append(
            isotp.CanMessage(
                arbitration_id=frame.arbitration_id,
                data=bytes(frame.data),
                extended_id=frame.is_extended_id,
            )
        )
        self._layer.process()
        answer = bytes(self._layer.recv() or b"")
        refusal = bytes([0x7F, self._begins[0] - 0x40])
        refuses = answer.startswith(refusal) and answer[2:3] != _PENDING
        return self._decode(answer) if refuses or answer.startswith(self._begins) else None
