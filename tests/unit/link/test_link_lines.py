"""Thermometers that print lines, on a pseudo terminal."""

from __future__ import annotations

import math
import os
import pty
import tty
from collections.abc import Iterator

import pytest
from hypothesis import given
from hypothesis import strategies as st

from sumpwright.link.decode import Unit
from sumpwright.link.lines import line_temperature
from sumpwright.link.source import LinkDown, Silence, clock
from sumpwright.link.sources import build
from vehicle import patient_read


@pytest.fixture
def port() -> Iterator[tuple[int, str]]:
    master, slave = pty.openpty()
    tty.setraw(slave)
    tty.setraw(master)
    yield master, os.ttyname(slave)
    os.close(slave)
    try:
        os.close(master)
    except OSError:
        return


def test_whole_lines_only_and_the_newest_of_a_backlog(port: tuple[int, str]) -> None:
    master, name = port
    source = build(f"lines:{name}")
    source.open()
    os.write(master, b"7.5\r\n")
    with pytest.raises(Silence):
        # the first line after opening may have been cut
        source.read(0.2)
    os.write(master, b"21.5\r\n22.5\r\n23")
    assert source.read(2.0).celsius == pytest.approx(22.5)
    with pytest.raises(Silence):
        source.read(0.2)
    os.write(master, b".5\r\n")
    found = source.read(2.0)
    assert found.celsius == pytest.approx(23.5)
    assert found.raw == "23.5"
    os.write(master, b"sensor open\r\n")
    assert "no number" in source.read(2.0).doubt
    source.close()


def test_an_unplugged_port_is_link_down(port: tuple[int, str]) -> None:
    master, name = port
    source = build(f"lines:{name}?number=2&unit=F")
    source.open()
    os.write(master, b"x\nprobe 1: 99,5 F\n")
    assert source.read(2.0).celsius == pytest.approx(37.5)
    os.close(master)
    with pytest.raises(LinkDown):
        patient_read(source)
    source.close()
    with pytest.raises(LinkDown, match="cannot be opened"):
        build("lines:/dev/does-not-exist").open()


@pytest.mark.parametrize(
    ("line", "number", "celsius"),
    [
        ("105.8 F", 1, 41.0),
        ("105.8 °F", 1, 41.0),
        ("105.8\u2109", 1, 41.0),
        ("314.15 K", 1, 41.0),
        ("41,0C", 1, 41.0),
        ("T1=41.0degC T2=105.8degF", 4, 41.0),
        ("temp_f: 105.8", 1, 41.0),
        ('{"temp_k":314.15}', 1, 41.0),
        ("Fahrenheit 105.8", 1, 41.0),
        ("41.0", 1, 41.0),
        ("41.0 K-type", 1, 41.0),
        ("41.0 km 3 F", 1, 41.0),
        ("3,41.0,12", 2, 41.0),
        ("41.0,12.5", 1, 41.0),
        ("1,3,41.0", 3, 41.0),
        ("12:30 41,0", 3, 41.0),
    ],
)
def test_the_unit_on_the_line_counts(line: str, number: int, celsius: float) -> None:
    found = line_temperature(line, number)
    assert found.doubt == ""
    assert found.kelvin - 273.15 == pytest.approx(celsius)


@pytest.mark.parametrize(
    ("line", "unit", "says"),
    [
        ("105.8 F", "C", "says °F where °C is set"),
        ("41.0 C", "F", "says °C where °F is set"),
        ("temp_k 314", "C", "says K where °C is set"),
        ("41.0 C41.0 C41.0 C", None, "ran together"),
        ("41.041.0", None, "ran together"),
        ("21,5,22,5", None, "ran together"),
        ("21,5 C 3.3 V", None, "ran together"),
        ("1,041.2 C", None, "is not a number"),
        ("+1,105.8", None, "is not a number"),
    ],
)
def test_what_can_be_read_in_two_ways_is_not_read(line: str, unit: Unit | None, says: str) -> None:
    found = line_temperature(line, 1, unit)
    assert says in found.doubt
    assert math.isnan(found.kelvin)


def test_a_unit_that_is_set_is_one_that_was_set(port: tuple[int, str]) -> None:
    master, name = port
    for setting, says in (("", ""), ("?unit=F", ""), ("?unit=C", "says °F")):
        source = build(f"lines:{name}{setting}")
        source.open()
        os.write(master, b"x\r\n105.8 F\r\n")
        found = source.read(2.0)
        source.close()
        assert says in found.doubt
        assert bool(says) is bool(found.doubt)
        assert found.doubt or found.celsius == pytest.approx(41.0)


def test_a_line_that_stopped_midway_does_not_become_current(port: tuple[int, str]) -> None:
    master, name = port
    source = build(f"lines:{name}?stale=0.3")
    source.open()
    os.write(master, b"x\r\n38.5")
    for late in (b"\r\n", b".7 C\r\n"):
        with pytest.raises(Silence):
            source.read(0.6)
        os.write(master, late)
        with pytest.raises(Silence):
            source.read(0.2)
        os.write(master, b"39.5\r\n40")
        assert source.read(2.0).celsius == pytest.approx(39.5)
    source.close()


def test_a_line_is_as_old_as_its_beginning(port: tuple[int, str]) -> None:
    master, name = port
    source = build(f"lines:{name}")
    source.open()
    os.write(master, b"x\r\n38")
    with pytest.raises(Silence):
        source.read(0.5)
    os.write(master, b".5\r\n")
    found = source.read(2.0)
    assert found.celsius == pytest.approx(38.5)
    assert found.age(clock()) >= 0.4
    source.close()


def test_a_line_without_end_is_no_reading(port: tuple[int, str]) -> None:
    master, name = port
    source = build(f"lines:{name}")
    source.open()
    os.write(master, b"x\r\n")
    for _ in range(6):
        os.write(master, b"38.5 39.5 " * 30)
        with pytest.raises(Silence):
            source.read(0.1)
    os.write(master, b"\r\n40.5\r\n")
    assert source.read(2.0).celsius == pytest.approx(40.5)
    source.close()


@pytest.mark.parametrize("second", ["lines:{}", "adapter:{}?pid=05"])
def test_a_port_has_one_reader(port: tuple[int, str], second: str) -> None:
    _, name = port
    first = build(f"lines:{name}")
    first.open()
    other = build(second.format(name))
    with pytest.raises(LinkDown, match="in use by another program"):
        other.open()
    first.close()
    again = build(f"lines:{name}")
    again.open()
    again.close()


@given(st.text(max_size=60), st.integers(1, 5))
def test_any_line_is_a_number_or_a_doubt(line: str, number: int) -> None:
    found = line_temperature(line, number, "C")
    assert bool(found.doubt) is (found.kelvin != found.kelvin)
