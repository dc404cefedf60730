"""Adapters: an emulator from a registry that no one here wrote, and one on a pseudo terminal."""

from __future__ import annotations

from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import elmulator
import pytest

from sumpwright.link.source import LinkDown, Reading, Silence, Source
from sumpwright.link.sources import build, try_source
from sumpwright.link.watch import Watch
from vehicle.adapter_emulator import PtyAdapter, TcpAdapter

# Only these may ever reach a vehicle: SAE J1979 service 01, ISO 14229-1 service 22.
READS = ("0105", "015C", "221940")


@contextmanager
def emulated(scenario: elmulator.Scenario, **how: Any) -> Iterator[str]:
    stop, port = elmulator.serve_in_background(scenario, **how)
    try:
        yield f"adapter:socket://127.0.0.1:{port}"
    finally:
        stop()


def answers(commands: list[dict[str, Any]], **more: Any) -> elmulator.Scenario:
    return elmulator.Scenario(elmulator.build_scenario("bench", commands, **more))


def read(source: Source, times: int = 1) -> Reading:
    source.open()
    try:
        return [source.read(2.0) for _ in range(times)][-1]
    finally:
        source.close()


WITH_COOLANT = [
    name
    for name in elmulator.bundled_names()
    if any(c["request"] == "0105" for c in elmulator.load_bundled(name).commands)
]


def test_the_emulator_brings_scenarios_with_coolant() -> None:
    assert len(WITH_COOLANT) >= 4


@pytest.mark.parametrize("how", [{}, {"split": [1], "latency_ms": 10, "jitter_ms": 20}], ids=str)
def test_bundled_scenarios_give_the_published_temperature(how: dict[str, Any]) -> None:
    def celsius(name: str) -> float:
        with emulated(elmulator.load_bundled(name), **how) as place:
            return read(build(f"{place}?pid=05"), 2).celsius

    with ThreadPoolExecutor(len(WITH_COOLANT)) as pool:
        found = dict(zip(WITH_COOLANT, pool.map(celsius, WITH_COOLANT), strict=True))
    # the scenarios answer 41 05 7B; SAE J1979: 7B hex is 123, less 40 is 83 °C
    assert found == pytest.approx(dict.fromkeys(WITH_COOLANT, 83.0))


@pytest.mark.parametrize("name", sorted(set(elmulator.bundled_names()) - set(WITH_COOLANT)))
def test_bundled_scenarios_without_coolant_give_no_reading(name: str) -> None:
    with emulated(elmulator.load_bundled(name)) as place:
        trial = try_source(f"{place}?pid=05", 1.0)
        assert not trial.ok
        assert trial.reading is None
        assert any("ignition" in line for line in trial.said)


GOOD = "7E8 03 41 05 5A"


def in_turn(lines: list[str]) -> elmulator.Scenario:
    """A scenario that answers 0105 with each of `lines` in turn."""
    return answers([{"request": "0105", "response_chunks": [f"{line}\r\r>"]} for line in lines])


@pytest.mark.parametrize(
    "lines",
    [
        [
            GOOD,
            "7E803410 55A",
            "7E80341055A",
            f"SEARCHING...\r{GOOD}",
            f"{GOOD}\r{GOOD}",
            f"7E9 03 41 05 00\r{GOOD}",
            "7E8 03 41 05 5A AA AA AA AA",
        ],
        ["18 DA F1 10 03 41 05 5A", "18DAF1100341055A"],
        ["41 05 5A", "41055A"],
    ],
    ids=["11 bit", "29 bit", "without headers"],
)
def test_ways_to_write_the_same_answer(lines: list[str]) -> None:
    with emulated(in_turn(lines)) as place:
        source = build(f"{place}?pid=05")
        source.open()
        for _ in lines:
            assert source.read(2.0).celsius == pytest.approx(50.0)
        source.close()


NO_ANSWERS = [
    "7E8 03 41 05",
    "7E8 02 41 05",
    "7E8 04 41 05 5A 00",
    "7E8 03 41 0F 5A",
    "7E8 03 7F 01 12",
    f"{GOOD}\r7E8 03 41 05 3C",
    "7E8 10 08 41 05 5A 00 00 00",
    "8 03 41 05 5A",
    "41 05",
    "05 5A",
    "7E8 03 41 05 5G",
    "48 6B 10 41 05 5A 00",
    "123 03 41 05 5A",
    "NO DATA",
    "UNABLE TO CONNECT",
    "CAN ERROR",
    "BUS INIT: ...ERROR",
    "?",
    "STOPPED",
    f"{GOOD} <DATA ERROR",
    f"{GOOD} <RX ERROR",
    "BUFFER FULL",
]


def test_answers_that_are_no_answer() -> None:
    with emulated(in_turn([line for bad in NO_ANSWERS for line in (GOOD, bad)])) as place:
        source = build(f"{place}?pid=05")
        source.open()
        for bad in NO_ANSWERS:
            assert source.read(2.0).celsius == pytest.approx(50.0)
            try:
                found = source.read(2.0)
            except Silence as silence:
                said, good = silence.what, False
            else:
                said, good = found.doubt, found.good
            assert not good, bad
            assert said, bad
        source.close()


def test_an_older_bus_with_its_check_byte() -> None:
    # ISO 9141-2 message: header 48 6B 10, data, sum of all bytes: 48+6B+10+41+05+5A = 163 hex
    commands = [
        {"request": "ATDPN", "response_chunks": ["A3\r\r>"]},
        {
            "request": "0105",
            "response_chunks": ["BUS INIT: OK\r48 6B 10 41 05 5A 63 \r\r>"],
            "repeat": True,
        },
    ]
    with emulated(answers(commands)) as place:
        assert read(build(f"{place}?pid=05"), 2).celsius == pytest.approx(50.0)


def test_a_data_identifier_in_several_frames() -> None:
    # 22 19 40 answered with a record of 9 bytes: first frame 10 0C, one consecutive frame
    lines = "7E9 10 0C 62 19 40 00 01 02\r7E9 21 03 04 05 06 03 0E AA"
    scenario = answers([{"request": "221940", "response_chunks": [f"{lines}\r\r>"]}])
    with emulated(scenario) as place:
        source = build(f"{place}?did=1940&tx=7E1&rx=7E9&start=7&length=2&scale=0,1&offset=-40")
        assert read(source).celsius == pytest.approx(38.2)


def test_stalls_and_broken_connections_are_survived() -> None:
    good = {"request": "0105", "response_chunks": ["7E8 03 41 05 5A\r\r>"]}
    commands = [
        good,
        {"request": "0105", "response_chunks": [], "post_action": "stall"},
        good,
        {"request": "0105", "response_chunks": ["7E8 03 41"], "post_action": "disconnect"},
        {**good, "repeat": True},
    ]
    with emulated(answers(commands)) as place:
        watch = Watch(build(f"{place}?pid=05&period=0.1"), timeout=0.3, pause=(0.05, 0.1))
        heard: list[float] = []
        watch.listen(lambda reading: heard.append(reading.celsius))
        troubles = set()
        with watch:
            status = watch.status()
            # every connection starts the scenario anew: 1 good, a stall, then opened again
            while len(heard) < 3:
                status = watch.wait(status, 1.0)
                troubles.add(status.trouble)
        assert {round(value, 6) for value in heard} == {50.0}
        assert any("hangs" in words or "did not answer" in words for words in troubles)


def test_only_reads_and_set_up_are_sent() -> None:
    with TcpAdapter(lambda _: "7E9 04 62 19 40 5A") as adapter:
        assert read(
            build(f"adapter:{adapter.place}?did=1940&tx=7E1&rx=7E9&length=1&offset=-40"), 2
        ).celsius == pytest.approx(50.0)
    for command in adapter.commands:
        assert command.startswith("AT") or command in READS
    assert [c for c in adapter.commands if not c.startswith("AT")] == ["221940"] * 2
    assert "ATSH7E1" in adapter.commands
    assert "ATCRA7E9" in adapter.commands


def test_a_serial_port(tmp_path: Path) -> None:
    with PtyAdapter(
        lambda command: "7E8 03 41 5C 82" if command == "015C" else "NO DATA", tmp_path / "tty"
    ) as adapter:
        source = build(f"adapter:{adapter.link}?pid=5C")
        assert "not the fluid of the gearbox" in source.caution
        assert read(source, 3).celsius == pytest.approx(90.0)
        assert not adapter.echo
        assert adapter.headers


def test_what_is_no_adapter_is_told(tmp_path: Path) -> None:
    with pytest.raises(LinkDown, match="cannot be opened"):
        build(f"adapter:{tmp_path}/none").open()
    with TcpAdapter(lambda _: None) as other:
        other.reply = lambda command: b"hello " + command.encode() + b"\r?\r>"  # type: ignore[method-assign]
        with pytest.raises(LinkDown, match="says hello ATZ") as caught:
            build(f"adapter:{other.place}").open()
        assert "AT commands" in caught.value.do
