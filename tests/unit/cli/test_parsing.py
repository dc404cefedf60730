from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from shellkit import Shell
from sumpwright.cli.parsing import gather

QUANTITIES, OTHERS = ["--temperature", "--volume"], ["--by", "--price"]


@pytest.mark.parametrize(
    ("line", "gathered"),
    [
        (["4.1", "L"], ["4.1", "L"]),
        (["--temperature", "55", "C", "4.1", "L"], ["--temperature=55 C", "4.1", "L"]),
        (["--temperature", "55C", "4.1", "L"], ["--temperature=55C", "4.1", "L"]),
        (["--temperature=55", "C"], ["--temperature=55 C"]),
        (["--temperature", "-5", "C"], ["--temperature=-5 C"]),
        (["--temperature", "5", "°C", "--by", "Ines"], ["--temperature=5 °C", "--by", "Ines"]),
        (["--volume", "4.3", "US", "qt", "x"], ["--volume=4.3 US qt", "x"]),
        (["--volume", "1/2", "US", "fl", "oz"], ["--volume=1/2 US fl oz"]),
        (["--volume", "4", "--by", "Ines"], ["--volume=4", "--by", "Ines"]),
        (["--volume", "4", "5"], ["--volume=4", "5"]),
        (["--volume"], ["--volume"]),
        (["--by", "-1", "-4.1", "L"], ["--by", "-1", "−4.1", "L"]),
        (["--by"], ["--by"]),
        (["--", "-4", "--volume", "3", "L"], ["--", "-4", "--volume", "3", "L"]),
        (["-.5", "L", "-h"], ["−.5", "L", "-h"]),
    ],
)
def test_words_of_a_quantity(line: list[str], gathered: list[str]) -> None:
    assert gather(line, QUANTITIES, OTHERS) == gathered
    assert gather(gathered, QUANTITIES, OTHERS) == gathered


@given(st.lists(st.text(st.characters(exclude_characters="="), max_size=6), max_size=8))
def test_no_word_is_lost_or_made_up(words: list[str]) -> None:
    out = gather(list(words), QUANTITIES, OTHERS)
    told = " ".join(out).replace("=", " ").replace("−", "-")
    assert told == " ".join(words).replace("−", "-")


@pytest.mark.parametrize(
    ("line", "says"),
    [
        ("job drain -4.1 L", "a volume of -4.1 L is not above zero"),
        ("job drain -4.1L", "a volume of -4.1 L is not above zero"),
        ("job fill -1/2 L", "a volume of -0.5 L is not above zero"),
        ("job tighten drain -27 N.m", "a torque of -27 N·m does not lie within"),
        ("job tighten drain 27 N.m --target -27 N.m", "a torque of -27 N·m does not lie within"),
        ("job drain 1 L --temperature -300 C", "a temperature of -300 °C is beyond"),
        ("job fill 1 L --price -3", "'price' -3 is not a sensible amount"),
        ("job work -1", "'sweeps' should be greater than or equal to 1"),
        ("job purge -5 %", "-5 % is not a share"),
        ("job close --odometer -5 km", "'odometer' -5000 is not a sensible amount"),
    ],
)
def test_negative_numbers(shell: Shell, line: str, says: str) -> None:
    shell.start_job()
    before = shell.events()
    assert says in shell(line).complaint.replace("−", "-")
    assert shell.events() == before


def test_a_reading_below_zero(shell: Shell) -> None:
    shell.start_job()
    assert "-5.0 °C" in shell.done("job reading ambient -5 C")
    assert "read tilt: -2.5 deg" in shell.done("job reading tilt -2.5 deg")
