"""Adapters that speak the common AT-command dialect: serial, Bluetooth-serial, TCP."""

from __future__ import annotations

import re
import time

from sumpwright.errors import Complaint
from sumpwright.link.canlink import DID, NOT_THE_GEARBOX, check_identifiers
from sumpwright.link.decode import LEGISLATED
from sumpwright.link.describe import PERIOD, PID, SCALE_OPTIONS, Kind, Option, Values
from sumpwright.link.dialect import Question, understand
from sumpwright.link.guard import pace, permit_command
from sumpwright.link.port import open_port
from sumpwright.link.source import STALE_AFTER, LinkDown, Reading, Silence

_LONGEST = 8192
_RESTART = 4.0
_USELESS = 8

ADAPTER_KIND = Kind(
    "adapter",
    "a serial, Bluetooth-serial or TCP adapter with AT commands",
    "a port (/dev/ttyUSB0, COM4, socket://192.0.2.7:35000)",
    "adapter:/dev/ttyUSB0?pid=05",
    (
        Option("pid", PID.means, "choice", "", choices=PID.choices),
        Option("did", DID.means, "hex", "", 0, 0xFFFF),
        Option("tx", "identifier to ask under", "hex", "", 0, 0x1FFFFFFF),
        Option("rx", "identifier of the answer", "hex", "", 0, 0x1FFFFFFF),
        *SCALE_OPTIONS,
        Option("baud", "speed of the serial port", "whole", "38400", 300, 3_000_000),
        Option("protocol", "protocol of the vehicle, 0 finds it", "hex", "0", 0, 0xA),
        PERIOD,
    ),
)


class AdapterPort:
    """A port whose only way out is `ask`, and `ask` passes nothing but permitted commands.

    Parameters
    ----------
    place : str
        A device, or a URL that pyserial knows (``socket://host:port``).
    baud : int
        Speed of a serial port.

    Raises
    ------
    LinkDown
        When it cannot be opened.
    """

    def __init__(self, place: str, baud: int) -> None:
        self._owes_prompt = False
        self._place = place
        self._port = open_port(place, baud)

    def ask(self, command: str, timeout: float) -> list[str] | None:
        """Send one command and collect the lines up to the prompt.

        Parameters
        ----------
        command : str
            One permitted command.
        timeout : float
            Longest wait in s for the prompt.

        Returns
        -------
        list of str or None
            The lines without the echo, or None when no prompt came in time.

        Raises
        ------
        sumpwright.link.guard.RefusedError
            When the command is not permitted; nothing is sent.
        LinkDown
            When the port is gone, or the adapter still owes the prompt of the command before.
        """
        line = permit_command(command)
        if self._owes_prompt and self._until_prompt(timeout) is None:
            raise LinkDown("the adapter hangs", "unplug it and plug it in again")
        if not line.startswith("AT"):
            pace(self._place)
        try:
            self._port.reset_input_buffer()
            self._port.write(line.encode("ascii") + b"\r")
        except Exception as error:
            raise LinkDown(f"the adapter is gone: {error}", "plug it in again") from error
        text = self._until_prompt(timeout)
        self._owes_prompt = text is None
        if text is None:
            return None
        lines = [part.strip() for part in re.split(r"[\r\n]+", text)]
        return [part for part in lines if part and part.replace(" ", "") != line]

    def close(self) -> None:
        """Close the port; never raises."""
        try:
            self._port.close()
        except Exception:
            # a device that is gone may fail here in any way
            return

    def _until_prompt(self, timeout: float) -> str | None:
        until = time.monotonic() + timeout
        got = bytearray()
        while time.monotonic() < until and len(got) < _LONGEST:
            try:
                got += self._port.read(max(1, min(self._port.in_waiting, 256)))
            except Exception as error:
                raise LinkDown(f"the adapter is gone: {error}", "plug it in again") from error
            prompt = got.find(b">")
            if prompt >= 0:
                # adapters are known to send stray zero bytes, to be ignored
                return got[:prompt].replace(b"\0", b"").decode("ascii", "replace")
        return None


class Adapter:
    """A temperature read through an adapter with AT commands.

    Parameters
    ----------
    values : Values
        Checked settings: the port, and either a legislated parameter or a data
        identifier with its identifiers and scaling.
    """

    direct = False

    def __init__(self, values: Values) -> None:
        if values.has("pid") and values.has("did"):
            raise Complaint("both pid and did are given", "give one of them", field="did")
        self._place = values.description.place
        self._baud = values.whole("baud")
        self._protocol = f"{values.whole('protocol'):X}"
        self._tx = values.whole("tx") if values.has("tx") else None
        self._rx = values.whole("rx") if values.has("rx") else None
        if (self._tx is None) != (self._rx is None):
            raise Complaint("only one of tx and rx is given", "give both or neither", field="rx")
        if self._tx is not None and self._rx is not None:
            check_identifiers(self._tx, self._rx)
        self.caution = ""
        if values.has("did"):
            if self._rx is None:
                raise Complaint("a did needs tx and rx", "give the identifiers", field="tx")
            did = values.whole("did")
            name = f"identifier {did:04X} of {self._tx:X}"
            self._question = Question.identifier(did, self._rx, values.scaling())
        else:
            pid = int(values.text("pid") or "05", 16)
            name = LEGISLATED[pid]
            self.caution = NOT_THE_GEARBOX.format(what=name)
            self._question = Question.parameter(pid, self._rx)
        self.name = values.name(name)
        self.period = values.number("period")
        self.stale_after = values.stale(STALE_AFTER)
        self._port: AdapterPort | None = None
        self._searching = True
        self._useless = 0

    def open(self) -> None:
        """Open the port and set the adapter up."""
        self.close()
        self._port = AdapterPort(self._place, self._baud)
        self._searching = self._protocol == "0"
        self._useless = 0
        self._question.forget()
        self._must("ATZ", _RESTART)
        for command in ("ATE0", "ATH1", f"ATSP{self._protocol}"):
            self._must(command, 1.0)
        # older adapters lack some of these; the answers can be read without them
        for command in ("ATL0", "ATAT1", *self._addressing()):
            self._port.ask(command, 1.0)

    def close(self) -> None:
        """Close the port."""
        port, self._port = self._port, None
        if port is not None:
            port.close()

    def read(self, timeout: float) -> Reading:
        """Ask once and wait at most `timeout` s; the first time longer, to find the protocol."""
        if self._port is None:
            raise Silence("the source is not open")
        patience = max(timeout, 10.0) if self._searching else timeout
        lines = self._port.ask(self._question.command, patience)
        if lines is None:
            raise Silence(f"the adapter did not answer within {patience:.2g} s", "check the plug")
        answer = understand(lines)
        if answer.bare and not self._question.protocol:
            said = self._port.ask("ATDPN", 1.0) or [""]
            self._question.protocol = said[-1].lstrip("A")[:1]
        found = self._question.answer(answer)
        self._useless = 0 if found and not found.doubt else self._useless + 1
        what, _, do = (answer.talk or "the vehicle does not answer").partition("; ")
        # the supply dips when an engine is cranked: the adapter restarts and forgets its set-up
        if answer.restarted or self._useless >= _USELESS:
            raise LinkDown(what if found is None else found.doubt, do)
        if found is None:
            raise Silence(what, do)
        self._searching = self._searching and bool(found.doubt)
        return found.reading(self.name)

    def _must(self, command: str, timeout: float) -> None:
        lines = self._port.ask(command, timeout) if self._port is not None else None
        if lines is None or any(line == "?" for line in lines):
            said = "nothing" if lines is None else " ".join(lines)
            raise LinkDown(
                f"what is plugged in says {said} to {command}",
                "check that it is an adapter with AT commands, and its speed (baud)",
            )

    def _addressing(self) -> list[str]:
        if self._tx is None or self._rx is None:
            return []
        if self._tx > 0x7FF:
            head = [f"ATCP{self._tx >> 24:02X}", f"ATSH{self._tx & 0xFFFFFF:06X}"]
            flow = [f"ATFCSH{self._tx:08X}"]
        else:
            head, flow = [f"ATSH{self._tx:03X}"], [f"ATFCSH{self._tx:03X}"]
        hear = f"ATCRA{self._rx:08X}" if self._rx > 0x7FF else f"ATCRA{self._rx:03X}"
        # flow control may go to one control unit, never to all of them
        one = self._tx >> 16 == 0x18DA or (self._tx <= 0x7FF and self._tx != 0x7DF)
        return [*head, hear, *([*flow, "ATFCSD300000", "ATFCSM1"] if one else [])]
