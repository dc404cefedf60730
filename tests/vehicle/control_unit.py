"""A simulated control unit: can-isotp carries the messages, udsoncan builds and reads them.

It shares no code with the product. It also keeps every request it was sent, so that a
test can see what would have reached a vehicle.
"""

from __future__ import annotations

import threading
from collections.abc import Callable

import can
import isotp
from udsoncan import Request, Response, services

Answer = Callable[[], bytes | None]


class ControlUnit:
    """Answers service 22 and 01, refuses everything else, as a control unit would.

    Parameters
    ----------
    bus : can.BusABC
        A bus of its own; closed with the unit.
    hears, says : int
        Identifiers of requests and answers.
    records : dict of int to callable
        Data behind each identifier (service 22).
    current : dict of int to callable
        Data behind each parameter (service 01).
    pending : int
        How often "response pending" comes before an answer.
    """

    def __init__(
        self,
        bus: can.BusABC,
        hears: int,
        says: int,
        records: dict[int, Answer] | None = None,
        current: dict[int, Answer] | None = None,
        pending: int = 0,
    ) -> None:
        self.records = records or {}
        self.current = current or {}
        self.pending = pending
        self.requests: list[bytes] = []
        self._bus = bus
        mode = (
            isotp.AddressingMode.Normal_29bits
            if hears > 0x7FF
            else isotp.AddressingMode.Normal_11bits
        )
        self._stack = isotp.CanStack(
            bus=bus,
            address=isotp.Address(mode, rxid=hears, txid=says),
            params={"tx_padding": 0xAA, "stmin": 0, "blocksize": 4},
        )
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._serve, daemon=True)

    def __enter__(self) -> ControlUnit:
        self._stack.start()
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._stop.set()
        self._thread.join(5.0)
        self._stack.stop()
        self._bus.shutdown()

    def _serve(self) -> None:
        while not self._stop.is_set():
            payload = self._stack.recv(block=True, timeout=0.05)
            if payload is None:
                continue
            self.requests.append(bytes(payload))
            for answer in self._answers(bytes(payload)):
                self._stack.send(answer)

    def _answers(self, payload: bytes) -> list[bytes]:
        if payload[:1] == b"\x01":
            data = self.current.get(payload[1], lambda: None)()
            return [] if data is None else [bytes([0x41, payload[1]]) + data]
        request = Request.from_payload(payload)
        service = request.service or services.ReadDataByIdentifier
        if service is not services.ReadDataByIdentifier:
            code = Response.Code.ServiceNotSupported
            return [Response(service, code=code).get_payload()]
        waits = [
            Response(
                service, code=Response.Code.RequestCorrectlyReceived_ResponsePending
            ).get_payload()
        ] * self.pending
        did = int.from_bytes(request.data[:2], "big")
        data = self.records.get(did, lambda: None)()
        if data is None:
            return [*waits, Response(service, code=Response.Code.RequestOutOfRange).get_payload()]
        said = Response(service, code=Response.Code.PositiveResponse, data=request.data[:2] + data)
        return [*waits, said.get_payload()]
