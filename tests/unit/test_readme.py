"""The examples of the README, run as they stand there and in their order."""

from __future__ import annotations

import re
import shlex
from pathlib import Path

import pytest
from pypdf import PdfReader

from shellkit import Shell, make_shell
from sumpwright.planning.kinds import KINDS
from sumpwright.records.fields import _KEYS

README = (Path(__file__).parents[2] / "README.md").read_text(encoding="utf-8")


def section(title: str) -> str:
    (text,) = re.findall(rf"^## {title}\n(.*?)(?=^## |\Z)", README, re.MULTILINE | re.DOTALL)
    return str(text)


def blocks(title: str, language: str) -> list[str]:
    return re.findall(rf"^```{language}\n(.*?)^```", section(title), re.MULTILINE | re.DOTALL)


def lines(title: str) -> list[list[str]]:
    """The words of each line of the shell in a section, remarks left out."""
    found = [
        shlex.split(line, comments=True)
        for block in blocks(title, "sh")
        for line in block.splitlines()
    ]
    assert all(words[0] == "sumpwright" for words in found)
    return [words[1:] for words in found]


@pytest.fixture
def shell(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> Shell:
    return make_shell(tmp_path, monkeypatch, capsys)


def test_the_sheet_and_the_job(shell: Shell) -> None:
    (sheet,) = blocks("Plan for a machine of your own", "toml")
    shell.sheet(sheet, "my-van.toml")
    for words in lines("Plan for a machine of your own"):
        outcome = shell(*words)
        assert outcome.code == 0, (words, outcome.err)
        assert outcome.err == ""
    assert len(PdfReader(shell.folder / "card.pdf").pages) >= 1

    job = lines("Do a job")
    assert len(job) >= 12
    for words in job:
        outcome = shell(*words)
        assert outcome.code == 0, (words, outcome.err)
        assert bool(outcome.err) == ("qt" in words)
    assert "My van" in PdfReader(shell.folder / "record.pdf").pages[0].extract_text()
    kinds = [event.kind for event in shell.events()]
    assert kinds == [
        *["opened", "drained", "tightened", "filled", "reversed"],
        *["filled", "read", "closed"],
    ]
    there = shell("job list --json --db other-yard.db").data
    assert there == shell("job list --json").data


def test_the_mistake(shell: Shell) -> None:
    (sheet,) = blocks("Plan for a machine of your own", "toml")
    (said,) = re.findall(r"^```\n(sumpwright: .*\n)```$", README, re.MULTILINE)
    shell.sheet(sheet.replace('drain = "4.1 L"', 'drain = "9.4 L"'), "my-van.toml")
    assert shell("plan my-van.toml").err == said


def test_every_key_of_the_sheet_is_named() -> None:
    named = set(re.findall(r"`(\w+)`", section("Plan for a machine of your own")))
    tables = set(re.findall(r"\[\[system\.(\w+)\]\]", README))
    for table, keys in _KEYS.items():
        if table not in ("", "quantity"):
            assert set(keys) <= named | tables, table


def test_every_kind_is_named() -> None:
    (listed,) = re.findall(r"^Kinds: (.*?)\.\n\n", README, re.MULTILINE | re.DOTALL)
    assert [kind.strip(" `\n") for kind in listed.split(",")] == list(KINDS)


def test_the_commands_and_the_settings() -> None:
    makefile = (Path(__file__).parents[2] / "Makefile").read_text(encoding="utf-8")
    for target in re.findall(r"make (\w+)", README):
        assert re.search(rf"^{target}:", makefile, re.MULTILINE), target
    source = "".join(
        path.read_text(encoding="utf-8")
        for path in (Path(__file__).parents[2] / "src" / "sumpwright").rglob("*.py")
    )
    for setting in re.findall(r"`(SUMPWRIGHT_\w+)`", README):
        assert setting in source
