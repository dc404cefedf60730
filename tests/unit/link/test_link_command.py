"""The shell: lists, tries, watches and records."""

from __future__ import annotations

import json
import math
import os
import pty
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path

import pytest
from typer.testing import CliRunner

from sumpwright.display import Display
from sumpwright.errors import Complaint
from sumpwright.link.command import _as_json, _as_text, _Events, app
from sumpwright.link.csvlog import rows
from sumpwright.link.plot import curve
from sumpwright.link.soak import unpack
from sumpwright.link.source import Decoded
from sumpwright.link.sources import KINDS, watch

run = CliRunner()


@pytest.fixture
def log(tmp_path: Path) -> Path:
    path = tmp_path / "warm.csv"
    rows_ = [(0, "35,0"), (1, "37,0"), (2, "39,0"), (3, "90"), (4, "45,0"), (5, "47,0")]
    path.write_text("t;temp\n" + "".join(f"{t};{c}\n" for t, c in rows_), encoding="utf-8")
    return path


def test_list_shows_what_is_there_and_every_kind() -> None:
    done = run.invoke(app, ["list"])
    assert done.exit_code == 0
    assert "  hand  (" in done.stdout
    for kind in KINDS:
        assert kind.example in done.stdout
    told = json.loads(run.invoke(app, ["list", "--json"]).stdout)
    assert told["found"][-1]["source"] == "hand"
    assert [kind["example"] for kind in told["kinds"]] == [kind.example for kind in KINDS]


def test_try_tells_raw_and_decoded(log: Path) -> None:
    done = run.invoke(app, ["try", f"replay:{log}"])
    assert done.exit_code == 0
    assert done.stdout.splitlines() == [
        "opened",
        "raw 0;35,0",
        "35 °C from column 'temp'",
        "35.0 °C",
    ]
    assert "recording" in done.stderr
    assert "Its temperature is the column 'temp'." in done.stderr
    told = json.loads(run.invoke(app, ["try", f"replay:{log}", "--json"]).stdout)
    assert told["ok"] is True
    assert told["kelvin"] == pytest.approx(308.15)


def test_try_without_a_temperature_fails(tmp_path: Path) -> None:
    done = run.invoke(app, ["try", f"replay:{tmp_path}/none.csv"])
    assert done.exit_code == 1
    assert "not a file" in done.stdout


def test_watch_in_a_pipe_prints_a_line_per_reading(log: Path) -> None:
    done = run.invoke(app, ["watch", f"replay:{log}?speed=0", "--window", "38 C", "46 C"])
    assert done.exit_code == 0
    lines = done.stdout.splitlines()
    assert lines[0].startswith("held back: waits")
    assert "37.0 °C  below the window  (1;37,0)" in lines[1]
    assert "39.0 °C  in the window" in lines[2]
    assert lines[3].startswith("held back: jumped")
    assert "47.0 °C  above the window" in lines[5]
    assert lines[6:] == ["the log has ended"]


def test_watch_as_json(log: Path) -> None:
    args = ["watch", f"replay:{log}?speed=0", "--window", "100.4 F", "46 C", "--json"]
    lines = [json.loads(line) for line in run.invoke(app, args).stdout.splitlines()]
    fresh = [line for line in lines if line["state"] == "fresh" and "at" in line]
    assert [line["celsius"] for line in fresh] == [37.0, 39.0, 45.0, 47.0]
    assert [line["window"] for line in fresh] == ["below", "in", "in", "above"]
    refused = [line for line in lines if line["state"] == "refused"]
    assert [line["kelvin"] for line in refused] == [None, None]


def test_the_window_is_forecast(tmp_path: Path) -> None:
    # towards 70 °C with a time constant of 1200 s; the time to a temperature has a closed form
    def gone(celsius: float) -> float:
        return -1200.0 * math.log((70.0 - celsius) / 50.0)

    log = tmp_path / "warm.csv"
    warm = (f"{t},{70 - 50 * math.exp(-t / 1200)}\n" for t in range(0, 301, 10))
    log.write_text("t,temp\n" + "".join(warm), encoding="utf-8")
    args = ["watch", f"replay:{log}?speed=250", "--window", "38 C", "46 C", "--json"]
    lines = [json.loads(line) for line in run.invoke(app, args).stdout.splitlines()]
    told = [line for line in lines if "opens" in line]
    assert told
    for line in told:
        low, _, high = line["opens"]
        assert low <= gone(38.0) - gone(line["celsius"]) <= high
        assert line["closes"][0] > low


def test_watch_in_fahrenheit(log: Path) -> None:
    assert "98.6 °F" in run.invoke(app, ["watch", f"replay:{log}?speed=0", "--us"]).stdout


def test_typed_temperatures_with_and_without_unit() -> None:
    done = run.invoke(
        app, ["watch", "hand", "--seconds", "0.6", "--json"], input="37,5\n104 F\nwarm\n"
    )
    assert done.exit_code == 0
    values = [json.loads(line)["celsius"] for line in done.stdout.splitlines()]
    assert values == pytest.approx([37.5, 40.0])
    assert "warm" in done.stderr


def test_a_watch_without_a_reading_fails() -> None:
    assert run.invoke(app, ["watch", "hand", "--seconds", "0.2"]).exit_code == 1


@pytest.mark.parametrize("args", [["watch", "hnad"], ["watch", "hand", "--window", "46 C", "38 C"]])
def test_what_is_wrong_is_complained_of(args: list[str]) -> None:
    assert isinstance(run.invoke(app, args).exception, Complaint)


def test_record_to_csv_and_soak(log: Path, tmp_path: Path) -> None:
    for name in ("out.csv", "out.soak"):
        done = run.invoke(app, ["record", f"replay:{log}?speed=0", str(tmp_path / name)])
        assert done.exit_code == 0
        assert "readings in" in done.stdout
    table = [row.kelvin for row in rows(tmp_path / "out.csv") if not row.doubt]
    assert table == pytest.approx([310.15, 312.15, 318.15, 320.15])
    assert unpack((tmp_path / "out.soak").read_bytes())[1] == pytest.approx(table)


def test_a_file_of_before_is_neither_lost_nor_mixed_up(log: Path, tmp_path: Path) -> None:
    source = f"replay:{log}?speed=0"
    for name in ("out.csv", "out.soak"):
        file = tmp_path / name
        run.invoke(app, ["record", source, str(file)])
        first = file.read_bytes()
        refused = run.invoke(app, ["record", source, str(file)])
        assert isinstance(refused.exception, Complaint)
        assert "there already" in str(refused.exception)
        assert file.read_bytes() == first
        assert run.invoke(app, ["record", source, str(file), "--append"]).exit_code == 0
        assert file.read_bytes()[: len(first)] == first
        assert len(file.read_bytes()) > len(first)
        assert run.invoke(app, ["record", source, str(file), "--replace"]).exit_code == 0
        assert len(file.read_bytes()) == len(first)
    before = log.read_bytes()
    same = run.invoke(app, ["record", source, str(log), "--replace"])
    assert "the log that is played" in str(same.exception)
    assert log.read_bytes() == before


@pytest.mark.parametrize("name", ["out.xlsx", "out", "out.csv.bak"])
def test_a_name_that_says_something_else_is_refused(log: Path, tmp_path: Path, name: str) -> None:
    done = run.invoke(app, ["record", f"replay:{log}?speed=0", str(tmp_path / name)])
    assert "ends in .csv or .soak" in str(done.exception)
    assert not (tmp_path / name).exists()


def _interrupted(
    args: list[str], begun: Callable[[bytes], bool], *, terminal: bool
) -> tuple[int, str]:
    """Run the shell until it has begun, press Ctrl-C, and wait for its end."""
    read, write = pty.openpty() if terminal else os.pipe()
    # a shell in the background hands on that Ctrl-C is not heard
    heard = "import signal, runpy; signal.signal(2, signal.default_int_handler); "
    start = heard + "runpy.run_module('sumpwright', run_name='__main__')"
    shell = subprocess.Popen(
        [sys.executable, "-c", start, "temperature", *args],
        stdin=subprocess.DEVNULL,
        stdout=write,
        stderr=write,
        env={**os.environ, "TERM": "xterm", "COLUMNS": "80", "LINES": "24"},
    )
    os.close(write)
    os.set_blocking(read, False)
    shown, pressed, until = b"", False, time.monotonic() + 60.0
    try:
        while time.monotonic() < until:
            try:
                more = os.read(read, 4096)
            except BlockingIOError:
                time.sleep(0.02)
                more = b"\0"
            except OSError:
                # so ends a terminal
                break
            if not more:
                break
            shown += more
            if not pressed and begun(shown):
                shell.send_signal(signal.SIGINT)
                pressed = True
        return shell.wait(1), shown.decode("utf-8", "replace")
    finally:
        shell.kill()
        shell.wait()
        os.close(read)


@pytest.fixture
def long_log(tmp_path: Path) -> Path:
    path = tmp_path / "long.csv"
    path.write_text("t;temp\n" + "".join(f"{n / 10};20\n" for n in range(9000)), encoding="utf-8")
    return path


@pytest.mark.parametrize("terminal", [True, False], ids=["terminal", "pipe"])
def test_ctrl_c_ends_a_watch(long_log: Path, terminal: bool) -> None:
    code, shown = _interrupted(
        ["watch", f"replay:{long_log}"], lambda shown: b"20.0" in shown, terminal=terminal
    )
    assert code == 130
    assert "Traceback" not in shown


def test_ctrl_c_ends_a_record_and_keeps_its_file(long_log: Path, tmp_path: Path) -> None:
    kept = tmp_path / "kept.soak"
    code, shown = _interrupted(
        ["record", f"replay:{long_log}", str(kept)],
        # the first reading is on the disk at once
        lambda _: kept.exists() and kept.stat().st_size > 0,
        terminal=False,
    )
    assert code == 130
    seconds, kelvin = unpack(kept.read_bytes())
    assert f"{seconds.size} readings in {kept}" in shown
    assert kelvin == pytest.approx(293.15)


def test_a_full_disk_is_not_passed_over(log: Path) -> None:
    done = run.invoke(app, ["record", f"replay:{log}?speed=0", "/dev/full"])
    assert isinstance(done.exception, OSError)


def test_the_curve_rises_and_marks_the_window() -> None:
    drawing = curve([0.0, 1.0, 2.0, 3.0], [20.0, 30.0, 40.0, 50.0], 20, 6, (38.0, 46.0))
    assert len(drawing) == 7
    marks = [index for index, line in enumerate(drawing) if "┄" in line]
    assert len(marks) == 2
    first = [
        min(i for i, c in enumerate(line[8:]) if 0x2800 < ord(c) <= 0x28FF) for line in drawing[:6]
    ]
    assert first == sorted(first, reverse=True)
    gap = curve([0.0, 1.0, 2.0, 3.0, 103.0, 104.0], [20.0, 21.0, 20.0, 21.0, 20.0, 21.0], 40, 4)
    assert all(line[20:40].strip() == "" for line in gap[:4])
    assert curve([], [], 10, 3)[-1] == "no reading yet"
    assert all(line for line in curve([1.0], [20.0], 10, 3))


def test_a_recording_that_is_not_there_is_not_waited_for(tmp_path: Path) -> None:
    gone = f"replay:{tmp_path}/gone.csv"
    done = run.invoke(app, ["watch", gone])
    assert done.exit_code == 1
    assert "gone.csv is not a file; check the path" in done.stdout
    done = run.invoke(app, ["record", gone, str(tmp_path / "made.csv")])
    assert done.exit_code == 1
    assert "gone.csv is not a file; check the path" in done.stderr


def test_a_reading_that_came_late_is_called_old() -> None:
    made = watch("uds:virtual:old?tx=7E1&rx=7E9&did=1940&length=1&offset=-40")
    events = _Events(made)
    for age in (0.0, 3.0):
        events._heard(Decoded(311.15, "62 19 40 4E").reading("box", age))
    fresh, old = (each for each in events.until(0.5) if each[1] is not None)
    assert [_as_json(*each, None)["state"] for each in (fresh, old)] == ["fresh", "stale"]
    assert "  old  " not in _as_text(*fresh, Display(), None)
    assert "  old  38.0 °C" in _as_text(*old, Display(), None)
