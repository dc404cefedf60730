"""What goes where: help, JSON, warnings, units, pipes."""

from __future__ import annotations

import io
import re
import sys
from pathlib import Path

import pytest
from pypdf import PdfReader
from typer.main import get_command

from photographs.plain import plain_row
from shellkit import SHEET, Shell
from sumpwright.cli import app

GROUPS = {"", "machine", "job", "temperature", "service", "reading", "drive", "lab"}


def commands() -> list[str]:
    """Every command and group, as one would type it."""
    found: list[str] = []

    def walk(command: object, path: str) -> None:
        found.append(path)
        for name, inner in getattr(command, "commands", {}).items():
            walk(inner, f"{path} {name}".strip())

    walk(get_command(app), "")
    return found


@pytest.mark.parametrize("path", commands())
def test_help(shell: Shell, path: str) -> None:
    for flag in ("--help", "-h"):
        outcome = shell(f"{path} {flag}")
        assert outcome.code == 0
        assert outcome.err == ""
        assert outcome.out.startswith(f"Usage: sumpwright {path}".rstrip())
        assert "\x1b" not in outcome.out
        assert "list[" not in outcome.out
        summary = outcome.out.splitlines()[2].strip()
        assert summary
        assert len(summary) < 100


@pytest.mark.parametrize("group", sorted(GROUPS))
def test_a_group_alone_explains_itself(shell: Shell, group: str) -> None:
    outcome = shell(group)
    assert outcome.code == 0
    assert outcome.err == ""
    assert outcome.out == shell(f"{group} --help").out


def test_the_version(shell: Shell) -> None:
    assert shell.done("--version") == "sumpwright 0.1.0\n"


def test_the_completion_script(shell: Shell, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("_SUMPWRIGHT_COMPLETE", "source_bash")
    assert "complete -o default -F _sumpwright_completion sumpwright" in shell("").out
    monkeypatch.setenv("_SUMPWRIGHT_COMPLETE", "complete_bash")
    monkeypatch.setenv("COMP_WORDS", "sumpwright job dr")
    monkeypatch.setenv("COMP_CWORD", "2")
    assert shell("").out.split() == ["drain", "drive"]


@pytest.mark.parametrize(
    ("line", "says"),
    [
        ("bogus", "no such command 'bogus'; see 'sumpwright --help'"),
        ("plam", "no such command 'plam'. Did you mean 'plan'? see 'sumpwright --help'"),
        ("job drian 4 L", "Did you mean 'drain', 'drive'? see 'sumpwright job --help'"),
        ("job drain", "missing argument 'VOLUME'; see 'sumpwright job drain --help'"),
        ("job drain 4 L --leened", "no such option: --leened (Possible options: --leaned)"),
        ("plan a.toml b.toml", "unexpected extra argument(s) (b.toml); see 'sumpwright plan"),
        ("plan --worth", "option '--worth' requires an argument"),
        ("--bogus", "no such option: --bogus"),
    ],
)
def test_usage_errors_are_one_line(shell: Shell, line: str, says: str) -> None:
    outcome = shell(line)
    assert says in outcome.complaint
    assert outcome.out == ""


JSON = [
    "plan carrier.toml --json",
    "machine add carrier.toml --replace --json",
    "machine list --json",
    "machine show 'Carrier 2' --json",
    "machine export 'Carrier 2' --json",
    "machine export 'Carrier 2' -o x.toml --json",
    "job start 'Carrier 2' --json --method drain-and-refill",
    "job list --json",
    "job drain 1 qt --json",
    "job fill 1 qt --json",
    "job lost 10 mL --json",
    "job discharge 1 L --json",
    "job exchange 1 L --json",
    "job purge 50 % --volume 0.2 L --json",
    "job circulate 1 L --json",
    "job work 3 --json",
    "job drive --distance 12 km --minutes 20 --json",
    "job reading temperature 41 C --json",
    "job tighten drain 27 N.m --new-seal --json",
    "job sample 1 --json",
    "job samples row3.png --old left --json",
    "job logs --json",
    "job note cold --json",
    "job steps --json",
    "job step protection --json",
    "job undo --json",
    "job undo --redo --json",
    "job advise --json",
    "job show --json",
    "job record --json-file r.json --json",
    "job close --pdf r.pdf --json",
    "verify --json",
    "service add 'Carrier 2' --litres 4 --date 2024-03-01 --json",
    "service inspect 'Carrier 2' --json",
    "service list 'Carrier 2' --json",
    "reading add 'Carrier 2' odometer 150000 km --json",
    "reading list 'Carrier 2' --json",
    "reading replaced 'Carrier 2' hours --json",
    "drive add 'Carrier 2' --distance 12 km --json",
    "drive list 'Carrier 2' --json",
    "use 'Carrier 2' --json",
    "lab add 'Carrier 2' Fe=38 --json",
    "lab show 'Carrier 2' --json",
    "lab import --preview lab.csv --machine 'Carrier 2' --json",
    "import-table readings lab.csv --machine 'Carrier 2' --json",
    "spend 'Carrier 2' 3.50 --json",
    "samples row.png --old left --json",
    "due --json",
    "history 'Carrier 2' --json",
    "costs --json",
    "export all.json --json",
    "import all.json --db other.db --json",
]


def test_json_from_every_command_that_tells_something(shell: Shell) -> None:
    shell.sheet(SHEET.replace('drain = "4.1 L"', 'drain = "4.3 qt"'))
    lab = "Date,System,Odometer (km),Fe (ppm)\n2024-03-01,gearbox,140000,38\n"
    (shell.folder / "lab.csv").write_text(lab, encoding="utf-8")
    (shell.folder / "row.png").write_bytes(plain_row([1.0, 0.4, 0.2, 0.0]))
    (shell.folder / "row3.png").write_bytes(plain_row([1.0, 0.4, 0.0]))
    for line in JSON:
        outcome = shell(line)
        assert isinstance(outcome.data, dict | list), line
        doubtful = " qt" in line or "carrier.toml" in line
        assert bool(outcome.err) == doubtful, line
        assert all(row.startswith("warning: ") for row in outcome.err.splitlines())


def test_every_command_can_print_data(shell: Shell) -> None:
    silent = {"serve", "temperature record"}
    for path in set(commands()) - GROUPS - silent:
        assert " --json " in shell(f"{path} --help").out, path
    tried = {line.partition(" -")[0] for line in JSON}
    elsewhere = {
        "job photo",
        "lab confirm",
        "pair",
        "policy",
        *(f"{kind} withdraw" for kind in GROUPS),
    }
    for path in set(commands()) - GROUPS - silent - elsewhere:
        assert path.startswith("temperature") or any(t.startswith(path) for t in tried), path


def test_the_balance_as_data(shell: Shell) -> None:
    shell.start_job()
    fresh = shell("job advise --json").data["fresh"]
    # A known circuit, so what is unsure is the vessels' error alone: 4.1 / 9.2 by 1 ± 0.02.
    read = 4.1 / 9.2
    assert fresh["p50"] == pytest.approx(read, rel=2e-3)
    assert fresh["p95"] - fresh["p05"] == pytest.approx(2 * 1.645 * 0.02 * read, rel=0.02)
    data = shell("job drain 1 L --json").data
    assert data["balance"]["out_l"] == 5.1
    assert data["balance"]["in_l"] == 4.1
    assert data["balance"]["net_l"] == -1.0
    (event,) = data["events"]
    assert event["kind"] == "drained"
    assert event["body"] == {"volume": 0.001}


DOCS = Path(__file__).parents[3] / "docs"


def test_every_key_is_documented(shell: Shell) -> None:
    text = (DOCS / "data.md").read_text(encoding="utf-8")
    shell.start_job()
    plan = shell("plan carrier.toml --json").data
    standing = shell("job show --json").data
    shell.done("job close")
    for data in (
        *(plan, plan["methods"][0], plan["methods"][0]["points"][0], plan["basket"]),
        *(standing, standing["balance"], standing["advice"], standing["log"][0]),
        shell("job start 'Carrier 2' --json").data,
        shell("verify --json").data,
    ):
        assert [key for key in data if not re.search(rf"`{key}(\[\])?`", text)] == []


def test_every_command_is_documented() -> None:
    text = (DOCS / "shell.md").read_text(encoding="utf-8")
    for path in set(commands()) - GROUPS:
        assert re.search(rf"`{path}\b", text), path


def test_plain_aligned_text_where_nobody_looks(shell: Shell) -> None:
    shell.sheet()
    shell.done("machine add carrier.toml")
    assert shell.done("machine list") == (
        "machine    wet system  kind                        fluid\n"
        "Carrier 2  gearbox     torque-converter automatic  Cable Green 7\n"
    )


def test_an_empty_yard_says_what_to_do(shell: Shell) -> None:
    assert "sumpwright machine add" in shell.done("machine list")
    assert "sumpwright job start" in shell.done("job list")
    assert shell.done("verify") == "There is no job to verify.\n"


def test_us_units(shell: Shell, monkeypatch: pytest.MonkeyPatch) -> None:
    shell.start_job()
    for flag, setting in (("--us", None), ("", "us"), ("", " US ")):
        if setting:
            monkeypatch.setenv("SUMPWRIGHT_UNITS", setting)
        assert "out 4.33 US qt, in 4.33 US qt" in shell.done(f"job advise {flag}")
        assert "drained 4.33 US qt" in shell.done(f"job show {flag}")
        assert "9.72 US qt" in shell.done(f"machine show 'Carrier 2' {flag}")
        assert "drain plug      19.9 lbf·ft" in shell.done(f"machine show 'Carrier 2' {flag}")
        assert "4.33 US qt" in shell.done(f"plan carrier.toml {flag}")
    # What is shown can be typed again.
    shell.done("job drain 4.33 US qt --temperature 104 F")
    assert shell.events()[-1].body == {
        "volume": pytest.approx(0.0041, rel=1e-3),
        "temperature": 313.15,
    }


def test_units_that_do_not_exist(shell: Shell, monkeypatch: pytest.MonkeyPatch) -> None:
    shell.sheet()
    monkeypatch.setenv("SUMPWRIGHT_UNITS", "furlong")
    outcome = shell("plan carrier.toml")
    assert outcome.complaint.startswith("SUMPWRIGHT_UNITS: 'furlong' is no set of units; set it to")


def test_an_output_whose_encoding_lacks_a_sign(
    shell: Shell, monkeypatch: pytest.MonkeyPatch
) -> None:
    shell.start_job()
    shell.done("job note łódź")
    narrow = io.TextIOWrapper(io.BytesIO(), encoding="latin-1")
    with monkeypatch.context() as patch:
        patch.setattr(sys, "stdout", narrow)
        assert shell("job show").code == 0
    narrow.seek(0)
    assert "note: ?ód?" in narrow.read()


def test_no_output_at_all(shell: Shell, monkeypatch: pytest.MonkeyPatch) -> None:
    shell.start_job()
    with monkeypatch.context() as patch:
        patch.setattr(sys, "stdout", None)
        assert shell("job list").code == 0


def test_a_new_yard_is_told_and_no_path_is_made_up(shell: Shell) -> None:
    seen = shell(f"job list --db {shell.folder}/yrad.db")
    assert seen.code == 0
    assert f"{shell.folder}/yrad.db was not there: a new yard is begun" in seen.err
    assert shell(f"job list --db {shell.folder}/yrad.db").err == ""
    wrong = shell.folder / "yrads" / "team" / "yard.db"
    assert shell(f"job list --db {wrong}").complaint.startswith(
        f"{wrong}: there is no folder {shell.folder}/yrads"
    )
    assert not (shell.folder / "yrads").exists()


def test_readings_are_shown_as_they_are_read(shell: Shell) -> None:
    shell.start_job()
    assert "read pressure: 3.00 bar" in shell.done("job reading pressure 3 bar")
    assert "read hours: 4100.5 h" in shell.done("job reading hours 4100.5 h")
    shell.done("job record --pdf record.pdf")
    text = " ".join(PdfReader("record.pdf").pages[0].extract_text().split())
    assert "running hours 4100.5 h" in text
    fresh = shell("job show --json").data["fresh"]
    percent = {name: f"{100 * share:.0f}" for name, share in fresh.items()}
    assert f"{percent['p50']} % ({percent['p05']}–{percent['p95']})" in text
