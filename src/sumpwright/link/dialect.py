"""What an adapter with AT commands says, and what of it answers the question.

Commands end with a carriage return; the adapter answers in lines and shows ``>`` when
it is ready again. Lines of hexadecimal digits are messages of the vehicle; everything
else is talk of the adapter. Nothing here touches a port.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

import can

from sumpwright.link.canlink import AnswerListener
from sumpwright.link.decode import Scaling, legislated, refused
from sumpwright.link.guard import permit_payload
from sumpwright.link.source import Decoded

_TALK: Final = {
    "NO DATA": "the vehicle does not answer; check that the ignition is on",
    "UNABLE TO CONNECT": "the adapter finds no vehicle; check the plug and the ignition",
    "CAN ERROR": "the adapter sees faults on the CAN bus",
    "BUS ERROR": "the adapter sees faults on the bus",
    "BUS BUSY": "the bus is busy",
    "FB ERROR": "the adapter cannot drive the bus",
    "DATA ERROR": "the adapter received damaged data",
    "<DATA ERROR": "the adapter received damaged data",
    "<RX ERROR": "the adapter received damaged data",
    "BUFFER FULL": "the adapter overflowed",
    "STOPPED": "the adapter was interrupted",
    "ACT ALERT": "the adapter is about to sleep",
    "LV RESET": "the supply of the adapter is too low",
    "LP ALERT": "the adapter is about to sleep",
}


@dataclass(frozen=True)
class Answer:
    """What the lines of one answer amount to.

    Parameters
    ----------
    frames : tuple of can.Message
        Lines that are CAN frames with their identifier.
    bare : tuple of bytes
        Lines that are messages without identifier, or of an older bus.
    raw : str
        All lines as they came.
    talk : str
        What the adapter says instead, in plain words; empty when nothing.
    restarted : bool
        Whether the adapter says that it restarted.
    """

    frames: tuple[can.Message, ...]
    bare: tuple[bytes, ...]
    raw: str
    talk: str
    restarted: bool = False


def understand(lines: list[str]) -> Answer:
    """Sort the lines of an answer.

    Parameters
    ----------
    lines : list of str
        Lines before the prompt.

    Examples
    --------
    >>> found = understand(["SEARCHING...", "7E8 03 41 05 7B"])
    >>> hex(found.frames[0].arbitration_id), found.frames[0].data.hex()
    ('0x7e8', '0341057b')
    >>> understand(["NO DATA"]).talk
    'the vehicle does not answer; check that the ignition is on'
    """
    frames: list[can.Message] = []
    bare: list[bytes] = []
    talk = ""
    for line in lines:
        text = re.sub(r"^(SEARCHING|BUS INIT:?)[. ]*(OK)?", "", line.strip().upper()).strip()
        if not text:
            continue
        known = next((plain for word, plain in _TALK.items() if text.endswith(word)), None)
        if known is not None:
            talk = known
            continue
        digits = text.replace(" ", "")
        if not re.fullmatch(r"[0-9A-F]{4,40}", digits):
            talk = talk or f"the adapter says {line[:40]!r}"
        elif len(digits) % 2 and len(digits) <= 19:
            frames.append(_frame(int(digits[:3], 16), digits[3:], extended=False))
        elif not len(digits) % 2 and re.match(r"1[0-9A-F] ?DA", text) and len(digits) >= 10:
            frames.append(_frame(int(digits[:8], 16), digits[8:24], extended=True))
        elif not len(digits) % 2:
            bare.append(bytes.fromhex(digits))
        else:
            talk = talk or f"the adapter says {line[:40]!r}"
    restarted = any("LV RESET" in line.upper() for line in lines)
    return Answer(tuple(frames), tuple(bare), " | ".join(lines), talk, restarted)


def _frame(identifier: int, digits: str, *, extended: bool) -> can.Message:
    return can.Message(
        arbitration_id=identifier, data=bytes.fromhex(digits), is_extended_id=extended
    )


def check_byte(data: bytes, protocol: str) -> int:
    """Check byte that ends a message of a bus older than CAN.

    Parameters
    ----------
    data : bytes
        The message without its check byte.
    protocol : str
        The adapter's number: 1 and 2 are J1850, 3 to 5 are ISO 9141-2 and ISO 14230.

    References
    ----------
    SAE J1850: CRC-8, polynomial 1D hex, preset and inverted. ISO 9141-2, ISO 14230-2:
    sum modulo 256.

    Examples
    --------
    >>> hex(check_byte(bytes.fromhex("486B1041057B"), "3"))
    '0x84'
    """
    if protocol not in {"1", "2"}:
        return sum(data) & 0xFF
    register = 0xFF
    for byte in data:
        register ^= byte
        for _ in range(8):
            register = (register << 1 ^ 0x1D if register & 0x80 else register << 1) & 0xFF
    return register ^ 0xFF


class Question:
    """One thing asked over and over, and how its answer is found among the lines.

    Parameters
    ----------
    request : bytes
        What is asked: a plain read.
    rx : int or None
        Identifier of the answer; None for the first legislated unit that answers.
    listener : callable
        Makes a listener for the frames of one sender.
    pid : int or None
        Legislated parameter, whose answer may also come without identifier.

    Examples
    --------
    >>> question = Question.parameter(0x05, None)
    >>> question.command, question.answer(understand(["7E8 03 41 05 7B"])).workings
    ('0105', '123 − 40 = 83 °C')
    """

    def __init__(
        self,
        request: bytes,
        rx: int | None,
        listener: Callable[[int], AnswerListener],
        pid: int | None = None,
    ) -> None:
        self.command = permit_payload(request).hex().upper()
        self.protocol = ""
        self._rx = rx
        self._listener = listener
        self._pid = pid
        self._sender: int | None = None

    @classmethod
    def parameter(cls, pid: int, rx: int | None) -> Question:
        """Ask for a legislated parameter (service 01)."""
        return cls(
            bytes([0x01, pid]), rx, lambda sender: AnswerListener.of_parameter(sender, pid), pid
        )

    @classmethod
    def identifier(cls, did: int, rx: int, scaling: Scaling) -> Question:
        """Ask for a data identifier (service 22)."""
        return cls(
            b"\x22" + did.to_bytes(2, "big"),
            rx,
            lambda sender: AnswerListener.of_identifier(sender, did, scaling),
        )

    def forget(self) -> None:
        """Begin anew with an adapter that was just set up."""
        self._sender = None
        self.protocol = ""

    def answer(self, answer: Answer) -> Decoded | None:
        """The temperature in an answer.

        Returns
        -------
        Decoded or None
            None when no message of the vehicle came at all; with a doubt when one came
            that does not answer the question, or when two answers differ.
        """
        found: list[Decoded] = []
        for rx in self._senders(answer):
            listener = self._listener(rx)
            found = [said for frame in answer.frames if (said := listener(frame)) is not None]
            if found:
                self._sender = rx
                break
        if not found and self._pid is not None and self._rx is None:
            found = [said for message in answer.bare if (said := self._bare(message)) is not None]
        if not found:
            if not answer.frames and not answer.bare:
                return None
            return refused(b"", "no line of the answer belongs to the question").with_raw(
                answer.raw
            )
        if len({said.kelvin for said in found}) > 1:
            return refused(b"", "one control unit gives different answers").with_raw(answer.raw)
        return found[0].with_raw(answer.raw)

    def _senders(self, answer: Answer) -> list[int]:
        if self._rx is not None:
            return [self._rx]
        # one curve, one sender: whoever answered first is listened to from then on
        if self._sender is not None:
            return [self._sender]
        heard = {frame.arbitration_id for frame in answer.frames}
        return sorted(x for x in heard if 0x7E8 <= x <= 0x7EF or x >> 8 == 0x18DAF1)

    def _bare(self, message: bytes) -> Decoded | None:
        pid = self._pid or 0
        begins = bytes([0x41, pid])
        if len(message) == 3 and message.startswith(begins):
            return legislated(pid, message)
        if len(message) != 7 or message[3:5] != begins:
            return None
        if message[6] != check_byte(message[:6], self.protocol):
            return refused(message, "the check byte is wrong")
        return legislated(pid, message[3:6])
