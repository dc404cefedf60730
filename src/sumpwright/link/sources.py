"""Every kind of source: build one from its description, find what is there, try one."""

from __future__ import annotations

import contextlib
import difflib
import logging
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass

import can
from serial.tools import list_ports

from sumpwright.errors import Complaint
from sumpwright.link import hand
from sumpwright.link.adapter import ADAPTER_KIND, Adapter
from sumpwright.link.ble import BLE_KIND, BleThermometer
from sumpwright.link.canlink import (
    LEGISLATED_KIND,
    UDS_KIND,
    Legislated,
    Uds,
)
from sumpwright.link.describe import Description, Kind, Values
from sumpwright.link.j1939 import J1939, J1939_KIND
from sumpwright.link.lines import LINES_KIND, Lines
from sumpwright.link.plausible import DIRECT, Judge
from sumpwright.link.replay import REPLAY_KIND, Replay
from sumpwright.link.source import Ended, LinkDown, LinkTrouble, Reading, Silence, Source
from sumpwright.link.watch import Watch

_BUILD: dict[str, tuple[Kind, Callable[[Values], Source]]] = {
    "uds": (UDS_KIND, Uds),
    "legislated": (LEGISLATED_KIND, Legislated),
    "j1939": (J1939_KIND, J1939),
    "adapter": (ADAPTER_KIND, Adapter),
    "lines": (LINES_KIND, Lines),
    "ble": (BLE_KIND, BleThermometer),
    "replay": (REPLAY_KIND, Replay),
    "hand": (hand.KIND, hand.Hand.from_values),
}

KINDS: tuple[Kind, ...] = tuple(kind for kind, _ in _BUILD.values())

# Looking for these neither sends anything nor takes long.
_QUIET_INTERFACES = ("socketcan", "pcan", "ixxat", "kvaser", "vector", "gs_usb")


def build(source: str | Description) -> Source:
    """Make a source from its description; nothing is opened yet.

    Parameters
    ----------
    source : str or Description
        For example ``"legislated:socketcan:can0?pid=05"``.

    Raises
    ------
    Complaint
        When the kind is unknown or a setting is wrong.

    Examples
    --------
    >>> build("j1939:socketcan:can0?name=gearbox").name
    'gearbox'
    """
    description = Description.parse(source) if isinstance(source, str) else source
    if description.kind not in _BUILD:
        near = difflib.get_close_matches(description.kind, _BUILD, 1)
        hint = f"did you mean {near[0]}?" if near else f"known are {', '.join(_BUILD)}"
        raise Complaint(f"there is no source {description.kind!r}", hint, field="kind")
    kind, make = _BUILD[description.kind]
    return make(description.values(kind))


def watch(source: str | Description) -> Watch:
    """A watch on a source, not yet started.

    Raises
    ------
    Complaint
        When the description is wrong.
    """
    return Watch(build(source))


@dataclass(frozen=True)
class Found:
    """A source that is there.

    Parameters
    ----------
    description : Description
        Ready to be used, or to be completed with identifiers.
    note : str
        What it is.
    """

    description: Description
    note: str


def discover(timeout: float = 3.0) -> list[Found]:
    """What could be read here: serial ports, CAN interfaces, and the hand.

    Nothing is opened and nothing is sent.

    Parameters
    ----------
    timeout : float
        Longest wait in s for the drivers of CAN interfaces.
    """
    found: list[Found] = []
    for port in sorted(list_ports.comports(), key=lambda port: port.device):
        told = port.description if port.description not in {None, "n/a"} else "serial port"
        found.append(Found(Description("adapter", port.device, {"pid": "05"}), told))
        found.append(Found(Description("lines", port.device), told))
    # a driver that is half installed may raise anything, and complains in the log
    with contextlib.suppress(Exception), _quiet("can"):
        for config in can.detect_available_configs(_QUIET_INTERFACES, timeout):
            place = f"{config['interface']}:{config['channel']}"
            found.append(Found(Description("legislated", place, {"pid": "05"}), "CAN interface"))
            found.append(Found(Description("j1939", place), "CAN interface"))
    found.append(Found(hand.HAND, "typed from a thermometer"))
    return found


@contextlib.contextmanager
def _quiet(name: str) -> Iterator[None]:
    logger = logging.getLogger(name)
    before = logger.level
    logger.setLevel(logging.CRITICAL)
    try:
        yield
    finally:
        logger.setLevel(before)


@dataclass(frozen=True)
class Trial:
    """What happened when a source was tried.

    Parameters
    ----------
    ok : bool
        Whether a plausible temperature came.
    reading : Reading or None
        The last reading, believed or not, with its raw bytes.
    said : tuple of str
        What happened, step by step.
    """

    ok: bool
    reading: Reading | None
    said: tuple[str, ...]


def try_source(source: str | Description, timeout: float = 5.0) -> Trial:
    """Open a source, wait for one plausible reading, close it, and tell.

    Parameters
    ----------
    source : str or Description
        What to try.
    timeout : float
        Time in s, beyond the opening, after which it is not asked again.

    Raises
    ------
    Complaint
        When the description is wrong.
    """
    made = build(source)
    said: list[str] = []
    reading: Reading | None = None
    try:
        made.open()
        said.append("opened")
        # one answer is judged by its range alone: there is nothing yet to compare it with
        judge = Judge(DIRECT)
        until = time.monotonic() + timeout
        while reading is None and time.monotonic() < until:
            asked = time.monotonic()
            try:
                reading = made.read(min(timeout, 1.0))
            except Silence as silence:
                _say(said, silence)
                # a refusal comes at once: the next question keeps its period all the same
                time.sleep(max(0.0, made.period - (time.monotonic() - asked)))
        if reading is None:
            return Trial(False, None, tuple(said))
        doubt = reading.doubt or judge.doubt(reading.kelvin, reading.seconds)
        said.append(f"raw {reading.raw}")
        if reading.workings:
            said.append(reading.workings)
        said.append(f"not to be believed: {doubt}" if doubt else f"{reading.celsius:.1f} °C")
        return Trial(not doubt, reading, tuple(said))
    except (LinkDown, Ended) as trouble:
        _say(said, trouble)
        return Trial(False, reading, tuple(said))
    finally:
        made.close()


def _say(said: list[str], trouble: LinkTrouble) -> None:
    words = f"{trouble.what}; {trouble.do}" if trouble.do else trouble.what
    if words and words not in said:
        said.append(words)
