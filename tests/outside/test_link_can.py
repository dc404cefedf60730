"""Real virtual CAN buses with an independent control unit on them."""

from __future__ import annotations

import itertools
import subprocess
import threading
import time
import uuid
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from datetime import UTC, datetime

import can
import pytest

from sumpwright.link.source import Reading, Silence, Source, clock
from sumpwright.link.sources import build, try_source
from vehicle.control_unit import ControlUnit

Bus = Callable[[], can.BusABC]


def _virtual() -> tuple[str, dict[str, object]]:
    return f"virtual:{uuid.uuid4().hex}", {}


def _multicast() -> tuple[str, dict[str, object]]:
    # a hop limit of 0 keeps every packet on this machine (RFC 1112, section 6.1)
    group = f"239.{uuid.uuid4().bytes[0]}.{uuid.uuid4().bytes[1]}.{uuid.uuid4().bytes[2]}"
    return f"udp_multicast:{group}", {"hop_limit": 0}


def _vcan() -> tuple[str, dict[str, object]]:
    name = f"vcan{uuid.uuid4().int % 9000}"
    for command in (f"ip link add dev {name} type vcan", f"ip link set up {name}"):
        done = subprocess.run(command.split(), capture_output=True, text=True, check=False)
        if done.returncode:
            pytest.skip(f"this kernel has no vcan: {done.stderr.strip()}")
    return f"socketcan:{name}", {}


@pytest.fixture(params=[_virtual, _multicast, _vcan], ids=["virtual", "udp_multicast", "vcan"])
def wire(request: pytest.FixtureRequest) -> Iterator[tuple[str, str, Bus]]:
    """Place, driver settings, and a maker of further nodes, of one bus."""
    place, options = request.param()
    interface, _, channel = place.partition(":")

    def node() -> can.BusABC:
        return can.Bus(interface=interface, channel=channel, **options)

    try:
        node().shutdown()
    except (OSError, can.CanError) as error:
        pytest.skip(f"{interface} does not work here: {error}")
    settings = "".join(f"&bus.{key}={value}" for key, value in options.items())
    yield place, settings, node
    if interface == "socketcan":
        subprocess.run(["ip", "link", "delete", channel], check=False)


def ask(source: Source, times: int = 1) -> Reading:
    source.open()
    try:
        return [source.read(5.0) for _ in range(times)][-1]
    finally:
        source.close()


def sent_to(listener: can.BusABC, identifier: int) -> list[bytes]:
    frames = iter(lambda: listener.recv(0.05), None)
    return [bytes(frame.data) for frame in frames if frame.arbitration_id == identifier]


def test_a_data_identifier_is_read(wire: tuple[str, str, Bus]) -> None:
    place, settings, node = wire
    values = itertools.cycle([b"\x03\x04", b"\x03\x0e"])
    with (
        node() as listener,
        ControlUnit(node(), 0x7E1, 0x7E9, {0x1940: lambda: next(values)}) as unit,
    ):
        text = f"uds:{place}?tx=7E1&rx=7E9&did=1940&scale=0.1&offset=-40{settings}"
        found = ask(build(text), 2)
        assert found.good
        # 0x030E is 782; 782 × 0.1 − 40
        assert found.celsius == pytest.approx(38.2)
        assert found.raw == "62 19 40 03 0E"
        assert unit.requests == [b"\x22\x19\x40"] * 2
        assert sent_to(listener, 0x7E1) == [bytes.fromhex("0322194000000000")] * 2


def test_a_long_record_over_29_bit_identifiers(wire: tuple[str, str, Bus]) -> None:
    place, settings, node = wire
    record = bytes(range(40)) + (0xFC7C).to_bytes(2, "little") + bytes(20)
    with ControlUnit(node(), 0x18DA18F1, 0x18DAF118, {0xF40D: lambda: record}, pending=2) as unit:
        text = (
            f"uds:{place}?tx=18DA18F1&rx=18DAF118&did=F40D&start=40&length=2&order=little"
            f"&signed=yes&scale=0.0625&low=-100{settings}"
        )
        found = ask(build(text))
        # FC7C as two's complement is −900; −900 / 16
        assert found.celsius == pytest.approx(-56.25)
        assert unit.requests == [b"\x22\xf4\x0d"]


def test_legislated_values_are_read(wire: tuple[str, str, Bus]) -> None:
    place, settings, node = wire
    unit = ControlUnit(node(), 0x7DF, 0x7E8, current={0x05: lambda: b"\x7b", 0x5C: lambda: b"\x82"})
    with unit:
        coolant = build(f"legislated:{place}?pid=05{settings}")
        assert ask(coolant, 3).celsius == pytest.approx(83.0)
        assert "not the fluid of the gearbox" in coolant.caution
        assert ask(build(f"legislated:{place}?pid=5C{settings}")).celsius == pytest.approx(90.0)
    assert set(unit.requests) == {b"\x01\x05", b"\x01\x5c"}


def test_a_refusal_and_a_silence_are_told(wire: tuple[str, str, Bus]) -> None:
    place, settings, node = wire
    with ControlUnit(node(), 0x7E1, 0x7E9):
        refused = try_source(f"uds:{place}?tx=7E1&rx=7E9&did=1940{settings}", 5.0)
        assert not refused.ok
        assert any("RequestOutOfRange" in line for line in refused.said)
        silent = try_source(f"uds:{place}?tx=7E2&rx=7EA&did=1940{settings}", 0.2)
        assert not silent.ok
        assert silent.reading is None
        assert any("did not answer" in line for line in silent.said)


def transmission_fluids(celsius: float, sender: int) -> can.Message:
    # SAE J1939-71, SPN 177: (t + 273) / 0.03125, bytes 5 and 6, least significant first
    count = round((celsius + 273.0) / 0.03125)
    data = b"\xff\xff\xff\xff" + count.to_bytes(2, "little") + b"\xff\xff"
    return can.Message(arbitration_id=0x18FEF800 | sender, data=data, is_extended_id=True)


def test_j1939_is_overheard_and_nothing_is_sent(wire: tuple[str, str, Bus]) -> None:
    place, settings, node = wire
    source = build(f"j1939:{place}?name=box{settings}")
    source.open()
    with node() as gearbox:
        engine = bytes([130, 255, 255, 255, 255, 255, 255, 255])
        gearbox.send(can.Message(arbitration_id=0x18FEEE00, data=engine, is_extended_id=True))
        gearbox.send(transmission_fluids(41.0, 0x03))
        # a message counts when it comes: it does not lie about until the time is up
        with ThreadPoolExecutor(1) as pool:
            first = pool.submit(source.read, 40.0).result(timeout=20.0)
        assert first.celsius == pytest.approx(41.0)
        # another gearbox on the same bus is not mixed in; of a backlog only the newest counts
        for celsius, sender in ((60.0, 0x05), (42.0, 0x03), (43.0, 0x03), (61.0, 0x05)):
            gearbox.send(transmission_fluids(celsius, sender))
        seen = {source.read(1.0).celsius}
        try:
            while True:
                seen.add(source.read(0.2).celsius)
        except Silence:
            pass
        assert {round(value, 6) for value in seen} <= {42.0, 43.0}
        assert round(max(seen), 6) == 43.0
        # a multicast bus brings a node its own frames; there are no others
        heard = {frame.arbitration_id for frame in iter(lambda: gearbox.recv(0.05), None)}
        assert heard <= {0x18FEEE00, 0x18FEF803, 0x18FEF805}
    source.close()


def test_a_message_that_lay_in_the_queue_is_as_old_as_it_is() -> None:
    with can.Bus(interface="virtual", channel="asleep", preserve_timestamps=True) as gearbox:
        source = build("j1939:virtual:asleep?bus.preserve_timestamps=yes")
        source.open()
        old = transmission_fluids(41.0, 0x03)
        old.timestamp = time.time() - 5.0
        gearbox.send(old)
        reading = source.read(1.0)
        assert reading.age(clock()) >= 5.0
        assert (datetime.now(UTC) - reading.at).total_seconds() >= 5.0
        source.close()


def test_j1939_may_ask_for_the_one_message(wire: tuple[str, str, Bus]) -> None:
    place, settings, node = wire
    done = threading.Event()
    asked: list[can.Message] = []

    def gearbox(bus: can.BusABC) -> None:
        while not done.is_set():
            frame = bus.recv(0.05)
            if frame is not None and (frame.arbitration_id >> 16) & 0xFF == 0xEA:
                asked.append(frame)
                bus.send(transmission_fluids(44.0, 0x03))

    with node() as bus:
        thread = threading.Thread(target=gearbox, args=(bus,))
        thread.start()
        try:
            trial = try_source(f"j1939:{place}?ask=yes&sa=3{settings}", 10.0)
        finally:
            done.set()
            thread.join()
    assert trial.ok
    assert trial.reading is not None
    assert trial.reading.celsius == pytest.approx(44.0)
    # SAE J1939-21: request, PDU format EA, to address 03, the group least significant byte first
    assert asked[0].arbitration_id == 0x18EA03F9
    assert bytes(asked[0].data) == bytes([0xF8, 0xFE, 0x00])
