"""Nothing but plain reads can be sent, whatever asks for it."""

from __future__ import annotations

import ast
import threading
import time
from pathlib import Path

import can
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import sumpwright.link
from sumpwright.link.guard import (
    LEAST_GAP,
    MOST_FLOW,
    ReadOnlyBus,
    RefusedError,
    permit_command,
    permit_frame,
    permit_payload,
)
from sumpwright.link.source import LinkDown

LINK = Path(str(sumpwright.link.__file__)).parent
NEVER = (0x04, 0x08, 0x10, 0x11, 0x14, 0x19, 0x23, 0x27, 0x28, 0x2C, 0x2E, 0x2F, 0x31, 0x34)
NEVER += (0x35, 0x36, 0x37, 0x38, 0x3D, 0x3E, 0x83, 0x84, 0x85, 0x87, 0x02, 0x03, 0x0A)


@pytest.mark.parametrize("service", NEVER)
@pytest.mark.parametrize("tail", ["", "00", "0102", "01020304"])
def test_services_that_change_something_are_refused(service: int, tail: str) -> None:
    payload = bytes([service]) + bytes.fromhex(tail)
    with pytest.raises(RefusedError):
        permit_payload(payload)
    with pytest.raises(RefusedError):
        permit_command(payload.hex().upper())
    data = bytes([len(payload)]) + payload
    frame = can.Message(arbitration_id=0x7E0, data=data, is_extended_id=False)
    with pytest.raises(RefusedError):
        permit_frame(frame)


@given(st.binary(max_size=12))
@settings(max_examples=600)
def test_a_payload_that_passes_is_one_of_two_reads(payload: bytes) -> None:
    is_read = (payload[:1] == b"\x01" and len(payload) == 2) or (
        payload[:1] == b"\x22" and len(payload) == 3
    )
    if is_read:
        assert permit_payload(payload) == payload
    else:
        with pytest.raises(RefusedError):
            permit_payload(payload)


@given(
    st.integers(0, 0x1FFFFFFF) | st.integers(0x700, 0x7FF) | st.integers(0x18DA0000, 0x18DBFFFF),
    st.binary(max_size=8) | st.binary(max_size=6).map(lambda rest: b"\x02\x01" + rest),
    st.booleans(),
)
@settings(max_examples=600)
def test_a_frame_that_passes_is_a_read_or_its_flow_control(
    identifier: int, data: bytes, extended: bool
) -> None:
    if not extended:
        identifier &= 0x7FF
    message = can.Message(arbitration_id=identifier, data=data, is_extended_id=extended)
    try:
        permit_frame(message)
    except RefusedError:
        return
    if (identifier >> 16) & 0xFF == 0xEA:
        assert data == bytes([0xF8, 0xFE, 0x00])
        return
    assert identifier >> 16 in (0x18DA, 0x18DB) if extended else identifier >= 0x700
    if data[0] >> 4 == 3:
        assert identifier != 0x7DF
        assert identifier >> 16 != 0x18DB
        return
    assert data[0] >> 4 == 0
    assert data[1] in (0x01, 0x22)
    assert data[0] == (2 if data[1] == 0x01 else 3)


@pytest.mark.parametrize(
    "command",
    [
        "",
        "\r",
        "0105\r04",
        "0105\n",
        "ATE0\r04",
        "AT MA",
        "ATMA",
        "ATPP0CSV23",
        "ATPP0CON",
        "ATCAF0",
        "ATSH0C9",
        "ATSH1C9",
        "ATCP10",
        "ATSD55",
        "ATBRD10",
        "ATRTR",
        "ATWM1",
        "ATCV1234",
        "AT@3ABC",
        "ATFCSH0C9",
        "ATFCSD040000",
        "ATFCSM0 04",
        "atz",
        "04",
        "14FFFFFF",
        "2E194055",
        "010",
        "01051",
        "0105 ",
        "０105",
    ],
)
def test_other_commands_are_refused(command: str) -> None:
    with pytest.raises(RefusedError):
        permit_command(command)


@given(st.text(max_size=12))
@settings(max_examples=400)
def test_text_that_passes_is_short_plain_and_a_known_word_or_a_read(text: str) -> None:
    try:
        passed = permit_command(text)
    except RefusedError:
        return
    assert passed.isascii()
    assert passed.isalnum()
    assert passed.startswith(("AT", "01", "22"))


@pytest.mark.parametrize(
    "message",
    [
        can.Message(
            arbitration_id=0x7E0, data=bytes.fromhex("1008220102030405"), is_extended_id=False
        ),
        can.Message(
            arbitration_id=0x7E0, data=bytes.fromhex("2101020304050607"), is_extended_id=False
        ),
        can.Message(arbitration_id=0x7DF, data=bytes.fromhex("300000"), is_extended_id=False),
        can.Message(arbitration_id=0x0C9, data=bytes.fromhex("020105"), is_extended_id=False),
        can.Message(arbitration_id=0x7E0, is_remote_frame=True, is_extended_id=False),
        can.Message(arbitration_id=0x18EAFFF9, data=bytes.fromhex("CAFE00"), is_extended_id=True),
        can.Message(arbitration_id=0x18FEF8F9, data=bytes(8), is_extended_id=True),
        can.Message(arbitration_id=0x7E0, data=bytes.fromhex("00020105"), is_fd=True),
    ],
)
def test_other_frames_never_reach_the_bus(message: can.Message) -> None:
    with can.Bus(interface="virtual", channel="guard") as listener:
        bus = ReadOnlyBus("virtual", "guard")
        with pytest.raises(RefusedError):
            bus.send(message)
        bus.send(can.Message(arbitration_id=0x7E0, data=b"\x02\x01\x05", is_extended_id=False))
        only = listener.recv(1.0)
        assert only is not None
        assert bytes(only.data) == b"\x02\x01\x05"
        assert listener.recv(0.0) is None
        bus.shutdown()


def test_a_bus_that_is_not_there_is_link_down() -> None:
    with pytest.raises(LinkDown, match="nowhere0"):
        ReadOnlyBus("socketcan", "nowhere0")
    with pytest.raises(LinkDown):
        ReadOnlyBus("no-such-interface", "0")


def _calls(path: Path) -> set[str]:
    found = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Call):
            found.add(ast.unparse(node.func))
    return found


def test_only_the_gate_opens_a_bus_and_only_the_adapter_port_writes() -> None:
    calls = {path.name: _calls(path) for path in LINK.glob("*.py")}
    assert {name for name, found in calls.items() if "can.Bus" in found} == {"guard.py"}
    ports = {name for name, found in calls.items() if "serial.serial_for_url" in found}
    assert ports == {"port.py"}
    holders = {name for name, found in calls.items() if "open_port" in found}
    assert holders == {"adapter.py", "lines.py"}
    writers = {name for name, found in calls.items() if "self._port.write" in found}
    assert writers == {"adapter.py"}
    assert {name for name, found in calls.items() if any("write_gatt" in f for f in found)} == set()


def test_requests_leave_one_channel_no_faster_than_allowed() -> None:
    """However many ask, and however often the bus is opened again."""
    request = can.Message(arbitration_id=0x7E1, data=b"\x03\x22\x19\x40", is_extended_id=False)
    stamps: list[float] = []
    with can.Bus(interface="virtual", channel="paced", preserve_timestamps=True) as vehicle:

        def ask() -> None:
            for _ in range(2):
                bus = ReadOnlyBus("virtual", "paced")
                bus.send(request)
                bus.shutdown()

        asking = [threading.Thread(target=ask) for _ in range(3)]
        for thread in asking:
            thread.start()
        while len(stamps) < 6 and vehicle.recv(5.0) is not None:
            stamps.append(time.monotonic())
        for thread in asking:
            thread.join(5.0)
    assert len(stamps) == 6
    # five gaps; the last may be received a little sooner after it was sent than the first
    assert stamps[-1] - stamps[0] > 5 * LEAST_GAP - 0.05


def test_flow_control_has_an_end() -> None:
    """A control unit that begins long answers for ever is not answered for ever."""
    flow = can.Message(arbitration_id=0x7E1, data=b"\x30\x00\x00", is_extended_id=False)
    request = can.Message(arbitration_id=0x7E1, data=b"\x03\x22\x19\x40", is_extended_id=False)
    bus = ReadOnlyBus("virtual", "endless")
    for _ in range(2):
        bus.send(request)
        for _ in range(MOST_FLOW):
            bus.send(flow)
        with pytest.raises(RefusedError):
            bus.send(flow)
    bus.shutdown()
