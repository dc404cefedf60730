"""``sumpwright samples``."""

from __future__ import annotations

from pathlib import Path

import pytest

from photographs.plain import plain_row
from shellkit import Shell, make_shell

SHARES = [1.0, 0.4, 0.15, 0.0]


@pytest.fixture
def shell(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> Shell:
    made = make_shell(tmp_path, monkeypatch, capsys)
    (tmp_path / "row.png").write_bytes(plain_row(SHARES))
    return made


def test_for_people(shell: Shell) -> None:
    lines = shell.done("samples row.png --old left").splitlines()
    assert len(lines) == 5
    assert "old fluid" in lines[1]
    assert "unused" in lines[4]
    assert float(lines[2].split()[1]) == pytest.approx(40, abs=1)


def test_as_data(shell: Shell) -> None:
    data = shell("samples row.png --old left --json").data
    assert [v["old_share"] for v in data["vials"]] == pytest.approx(SHARES, abs=0.01)
    assert data["warnings"] == []


def test_warnings_go_aside(shell: Shell) -> None:
    outcome = shell("samples row.png --old right")
    assert outcome.code == 0
    assert "warning: " in outcome.err
    assert "warning" not in outcome.out


def test_drawn(shell: Shell) -> None:
    shell.done("samples row.png --old left --drawn out.png")
    assert (shell.folder / "out.png").read_bytes().startswith(b"\x89PNG")
    shell.done("samples row.png --old left --drawn out.jpg")
    assert (shell.folder / "out.jpg").read_bytes().startswith(b"\xff\xd8")


def test_with_a_dilution_row(shell: Shell) -> None:
    (shell.folder / "known.png").write_bytes(plain_row([1.0, 0.75, 0.5, 0.25, 0.0]))
    data = shell("samples row.png --old left --dilution known.png --json").data
    assert [v["old_share"] for v in data["vials"]] == pytest.approx(SHARES, abs=0.02)
    bad = shell("samples row.png --old left --dilution known.png --dilution-shares 100,x")
    assert "'x' is no share" in bad.complaint


@pytest.mark.parametrize(
    ("line", "says"),
    [
        ("samples none.jpg --old left", "cannot be read"),
        ("samples row.png", "missing option '--old'"),
        ("samples row.png --old up", "say left or right"),
        ("samples row.png --old left --threshold 0", "above zero"),
        ("samples row.png --old left --drawn out.gif", "PNG or JPEG"),
        ("samples row.png --old left --drawn none/out.png", "no folder none"),
        ("samples carrier.toml --old left --json", "not a picture"),
    ],
)
def test_complaints(shell: Shell, line: str, says: str) -> None:
    shell.sheet()
    outcome = shell(line)
    assert says in outcome.complaint
    assert outcome.out == ""
