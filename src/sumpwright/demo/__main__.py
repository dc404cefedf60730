"""``python -m sumpwright.demo``: the main job, from sheet to record, on the invented yard."""

from __future__ import annotations

import argparse
import contextlib
import io
import os
import shlex
import sys
from datetime import UTC, datetime
from importlib import resources
from pathlib import Path

from sumpwright.demo import past
from sumpwright.demo.serving import serve, stop
from sumpwright.errors import Complaint

YARD = "invented-yard.db"
"""A name of its own, so that no run of the demo takes away a yard that is used."""

JOB = (
    "job note the fill plug came loose before the drain was opened",
    "job reading odometer 187412 km",
    "job drain 4.1 L --temperature '55 C'",
    "job sample old --note 'dark brown'",
    "job tighten drain 27 N.m --new-seal --marked --tool 'wrench 2' --calibrated 2026-03-02",
    "job fill 4.3 L --lot L2207 --price 38.27",
    "job undo",
    "job fill 4.1 L --lot L2207 --price 36.49",
    "job work 3",
    "job discharge 2 L --seconds 58",
    "job fill 2 L --lot L2207 --price 17.80",
    "job work 3",
    "job discharge 2 L --seconds 57",
    "job fill 2 L --lot L2207 --price 17.80",
    "job work 3",
    "job discharge 2 L --seconds 59",
    "job fill 2 L --lot L2208 --price 17.80",
    "job work 3",
    "job discharge 2 L --seconds 57",
    "job fill 2 L --lot L2208 --price 17.80",
    "job work 3",
    "job discharge 2 L --seconds 60",
    "job fill 2 L --lot L2208 --price 17.80",
    "job advise",
    "job reading temperature 41 C",
    "job lost 90 mL",
    "job tighten level 12 N.m --new-seal --tool 'wrench 1' --calibrated 2026-03-02",
    "job tighten fill 39 N.m --new-seal --marked --tool 'wrench 2' --calibrated 2026-03-02",
    "job drive --distance '14 km' --minutes 25",
    "job step recheck",
    "job step dispose",
    "job note no leak after the drive; used fluid to the licensed collector",
)


def shell(line: str) -> None:
    """Run one line of the shell, showing it first."""
    from sumpwright.cli import app

    print(f"\n$ sumpwright {line}", flush=True)
    app(shlex.split(line), standalone_mode=False)


def recall(folder: Path) -> None:
    """Tell the yard's past, and see what is due and what policy serves."""
    today = datetime.now(UTC).date()
    past.write(folder, today)
    print("\nWhat the service book, the meters and a laboratory say (all invented):")
    for sort in ("readings", "services"):
        shell(f"import-table {sort} {_quoted(folder / f'{sort}.csv')}")
    shell(f"lab import {_quoted(folder / 'lab-reports.csv')}")
    first, *others = past.drives(today)
    shell(first)
    with contextlib.redirect_stdout(io.StringIO()):
        for line in others:
            shell(line)
    print(f"… and {len(others)} drives more.")
    shell("due")
    shell("due --machine 'Pick-up 3'")
    shell("history 'Pick-up 3'")
    shell("policy 'Pick-up 3'")


def sheets() -> list[Path]:
    """Sheets of the invented yard, as files."""
    folder = resources.files("sumpwright.demo") / "yard"
    return sorted(Path(str(entry)) for entry in folder.iterdir() if entry.name.endswith(".toml"))


def stock(folder: Path) -> None:
    """Put the machines of the yard into a new store in ``folder``."""
    for sheet in sheets():
        copy = folder / sheet.name
        copy.write_bytes(sheet.read_bytes())
        shell(f"machine add {_quoted(copy)}")


def _quoted(path: Path) -> str:
    return shlex.quote(str(path))


def run(folder: Path) -> None:
    """Plan, carry out and record one gearbox service; then see what is due in the yard."""
    folder.mkdir(parents=True, exist_ok=True)
    for old in folder.glob(f"{YARD}*"):
        old.unlink()
    os.environ["SUMPWRIGHT_DB"] = str(folder / YARD)
    os.environ["SUMPWRIGHT_BY"] = "hand 1"
    os.environ.pop("SUMPWRIGHT_JOB", None)
    print("The invented yard of a volunteer mountain-rescue team: all data is invented.")
    stock(folder)
    shell("machine list")
    card, record, log = folder / "job-card.pdf", folder / "record.pdf", folder / "record.json"
    sheet = folder / "van-1.toml"
    shell(f"plan {_quoted(sheet)} --system gearbox --card {_quoted(card)}")
    shell("job start 'Van 1' --system gearbox")
    for line in JOB:
        shell(line)
    files = f"--pdf {_quoted(record)} --json-file {_quoted(log)}"
    shell(f"job close --odometer '187426 km' {files}")
    shell(f"verify {_quoted(log)}")
    recall(folder)
    print(f"\nThe service record: {record.resolve()}")
    print(f"The job card:       {card.resolve()}")
    print(f"The yard:           {(folder / YARD).resolve()}")


def main() -> None:
    """Run the demo in the folder named, ``demo-yard`` by default."""
    parser = argparse.ArgumentParser(prog="python -m sumpwright.demo", description=__doc__)
    parser.add_argument("folder", nargs="?", type=Path, default=Path("demo-yard"))
    parser.add_argument("--serve", action="store_true", help="serve the pages afterwards")
    parser.add_argument("--stop", action="store_true", help="stop the pages served behind a pipe")
    wish = parser.parse_args()
    try:
        stop(wish.folder)
        if not wish.stop:
            run(wish.folder)
        if wish.serve:
            serve(wish.folder)
    except Complaint as complaint:
        print(f"demo: {complaint}", file=sys.stderr)
        sys.exit(2)


if __name__ == "__main__":
    main()
