"""Malformed, truncated, duplicated and out-of-range answers by the thousand.

Whatever comes in, nothing crashes and no reading is believed that is not in it.
"""

from __future__ import annotations

import re
from collections.abc import Iterator

import can
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from sumpwright.link.canlink import AnswerListener
from sumpwright.link.decode import SPN_177_OFFSET, SPN_177_SCALE, Scaling
from sumpwright.link.dialect import Question, understand
from sumpwright.link.j1939 import J1939Listener
from sumpwright.link.source import LinkDown, Silence, Source
from sumpwright.link.sources import build
from vehicle.adapter_emulator import TcpAdapter

THOUSANDS = settings(max_examples=1000, deadline=None)
ON_A_WIRE = settings(
    max_examples=200, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)

hexes = st.text("0123456789ABCDEF", max_size=24)
good_line = st.integers(0, 255).map("7E8 03 41 05 {:02X}".format)


def spoil(line: str, how: int, at: int) -> str:
    """One of the ways a line goes wrong on its way."""
    at = at % (len(line) + 1)
    return [
        line[:at],
        line[at:],
        line[:at] + "#" + line[at:],
        line[:at] + line[at + 1 :],
        line.replace("03", "10", 1),
        line.replace("41", "7F", 1),
        line + " " + line,
        line.replace(" ", ""),
    ][how]


spoilt = st.builds(spoil, good_line, st.integers(0, 7), st.integers(0, 40))
talk = st.sampled_from(["NO DATA", "SEARCHING...", "CAN ERROR", "<RX ERROR", "?", "", "STOPPED"])
other_unit = st.builds(
    "{} 03 41 05 {:02X}".format, st.sampled_from(["7E9", "7EA", "123"]), st.integers(0, 255)
)
junk = st.text(st.characters(codec="latin-1", exclude_characters=">"), max_size=30)
replies = st.lists(good_line | spoilt | talk | other_unit | hexes | junk, max_size=5)


def answers_in(lines: list[str]) -> set[int]:
    """Values of the whole lines of the unit that was asked, read apart from the product."""
    text = "\r".join(lines).upper().replace("\0", "")
    whole = [re.sub(r"[\s\ufffd]", "", line) for line in re.split(r"[\r\n]", text)]
    form = r"(?:SEARCHING\.*)?7E8034105([0-9A-F]{2})(?:[0-9A-F]{2}){0,4}"
    return {int(m[1], 16) for line in whole if (m := re.fullmatch(form, line))}


@given(replies)
@THOUSANDS
def test_an_answer_may_be_anything(lines: list[str]) -> None:
    found = Question.parameter(0x05, 0x7E8).answer(understand(lines))
    values = answers_in([line for part in lines for line in re.split(r"[\r\n]", part)])
    if found is not None and not found.doubt:
        assert {round(found.kelvin - 273.15) + 40} == values
    elif len(values) == 1 and found is not None:
        # what is refused has to have been spoilt by something else on the lines
        assert any(line not in (f"7E8 03 41 05 {min(values):02X}",) for line in lines)


@pytest.fixture(scope="module", autouse=True)
def hurry() -> Iterator[None]:
    """Ask as fast as the answers come: what they say is looked at here, not how often."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("sumpwright.link.guard.LEAST_GAP", 0.0)
        yield


@pytest.fixture(scope="module")
def bench() -> Iterator[tuple[TcpAdapter, Source]]:
    with TcpAdapter(lambda _: "NO DATA") as emulator:
        source = build(f"adapter:{emulator.place}?pid=05&tx=7E0&rx=7E8&protocol=6")
        source.open()
        yield emulator, source
        source.close()


@given(lines=replies)
@ON_A_WIRE
def test_an_adapter_may_say_anything(bench: tuple[TcpAdapter, Source], lines: list[str]) -> None:
    emulator, source = bench
    for said in (["7E8 03 41 05 4E"], lines):
        emulator.answer = lambda _, said=said: "\r".join(said)  # type: ignore[misc]
        try:
            found = source.read(2.0)
        except LinkDown:
            source.open()
        except Silence:
            continue
        else:
            if found.good:
                assert {round(found.celsius) + 40} == answers_in(said)


pairs = st.binary(min_size=2, max_size=2)
frame_data = st.one_of(
    st.binary(max_size=8),
    st.builds(
        lambda value, length: bytes([length, 0x62, 0x19, 0x40]) + value,
        st.binary(min_size=2, max_size=4),
        st.integers(0, 15),
    ),
    pairs.map(lambda value: b"\x05\x62\x19\x40" + value + b"\xaa\xaa"),
    st.builds(lambda did, value: b"\x05\x62" + did + value + b"\x00\x00", pairs, pairs),
    st.integers(0, 255).map(lambda code: b"\x03\x7f\x22" + bytes([code])),
    st.binary(min_size=4, max_size=4).map(lambda rest: b"\x10\x09\x62\x19\x40" + rest[1:]),
    st.builds(
        lambda number, rest: bytes([0x20 | number]) + rest,
        st.integers(0, 15),
        st.binary(min_size=7, max_size=7),
    ),
)
senders = st.sampled_from([0x7E9, 0x7E9, 0x7E9, 0x7E8, 0x7E1])
frames = st.lists(st.tuples(senders, frame_data), max_size=6)


def records_in(laid: list[tuple[int, bytes]]) -> set[int]:
    """Counts in the whole answers of 7E9: single frames, and first frames well followed."""
    ours = [data for identifier, data in laid if identifier == 0x7E9]
    counts = set()
    open_record, wanted, size = b"", 0, 0
    for data in ours:
        kind = data[0] >> 4 if data else None
        if kind == 0 and 1 <= data[0] <= 7 and data[0] < len(data):
            if data[0] >= 5 and data[1:4] == b"\x62\x19\x40":
                counts.add(int.from_bytes(data[4:6], "big"))
            wanted = 0
        elif kind == 1 and len(data) == 8:
            open_record, wanted, size = data[2:], 1, int.from_bytes(data[:2], "big") & 0xFFF
        elif kind == 2 and wanted and (data[0] & 15) == wanted % 16:
            open_record, wanted = open_record + data[1:], wanted + 1
            if len(open_record) >= size:
                if open_record[:3] == b"\x62\x19\x40" and size >= 5:
                    counts.add(int.from_bytes(open_record[3:5], "big"))
                wanted = 0
    return counts


SCALING = Scaling(length=2, scale=0.1, offset=-40.0)


@given(frames)
@THOUSANDS
def test_a_recorded_bus_may_carry_anything(laid: list[tuple[int, bytes]]) -> None:
    listener = AnswerListener.of_identifier(0x7E9, 0x1940, SCALING)
    for index, (identifier, data) in enumerate(laid):
        frame = can.Message(arbitration_id=identifier, data=data, is_extended_id=False)
        found = listener(frame)
        if found is not None and not found.doubt:
            count = round((found.kelvin - 273.15 + 40.0) * 10.0)
            assert count in records_in(laid[: index + 1])


class Unit:
    """A node that answers the question with whatever frames the test laid down."""

    def __init__(self, node: can.BusABC) -> None:
        self.node = node
        self.answers: list[can.Message] = []

    def __call__(self, message: can.Message) -> None:
        if message.arbitration_id == 0x7E1 and bytes(message.data[:4]) == b"\x03\x22\x19\x40":
            for answer in self.answers:
                self.node.send(answer)


@pytest.fixture(scope="module")
def unit() -> Iterator[Unit]:
    with can.Bus(interface="virtual", channel="malformed") as node:
        made = Unit(node)
        with can.Notifier(node, [made], timeout=0.01):
            yield made


@given(laid=frames)
@ON_A_WIRE
def test_a_control_unit_may_say_anything(unit: Unit, laid: list[tuple[int, bytes]]) -> None:
    # one that waits for nothing: after a silence it would only listen for a while
    source = build("uds:virtual:malformed?tx=7E1&rx=7E9&did=1940&scale=0.1&offset=-40")
    source.open()
    unit.answers = [
        can.Message(arbitration_id=identifier, data=data, is_extended_id=False)
        for identifier, data in laid
    ]
    try:
        found = source.read(0.01)
    except Silence:
        return
    finally:
        source.close()
    if found.good:
        assert round((found.celsius + 40.0) * 10.0) in records_in(laid)


identifiers = st.sampled_from(
    [0x18FEF803, 0x0CFEF803, 0x18FEF805, 0x18FEF703, 0x18EAF803, 0x19FEF803]
)


@given(st.lists(st.tuples(identifiers, st.binary(max_size=8), st.booleans()), max_size=20))
@THOUSANDS
def test_a_heavy_vehicle_may_send_anything(laid: list[tuple[int, bytes, bool]]) -> None:
    listener = J1939Listener(None)
    sender = None
    for identifier, data, extended in laid:
        frame = can.Message(
            arbitration_id=identifier if extended else identifier & 0x7FF,
            data=data,
            is_extended_id=extended,
        )
        found = listener(frame)
        ours = extended and identifier in (0x18FEF803, 0x0CFEF803, 0x18FEF805)
        if ours and sender is None:
            sender = identifier & 0xFF
        if not ours or identifier & 0xFF != sender:
            assert found is None
            continue
        assert found is not None
        if not found.doubt:
            assert len(data) == 8
            count = data[4] + 256 * data[5]
            assert count <= 0xFAFF
            assert found.kelvin == count * SPN_177_SCALE + SPN_177_OFFSET + 273.15
