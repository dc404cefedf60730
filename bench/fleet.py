"""A large fleet as its keeper meets it: the shell, the yard page and the call for programs.

Run as ``python bench/fleet.py`` (``--sizes 500 2000 10000``). Makes a yard in a file, each
machine read about fifty times and served twice, and times on it what people use: ``due`` in the
shell with a process of its own, the yard page and ``/api/due`` of a running server. Then a file
of 100,000 readings of 10,000 machines is taken in by ``import-table``. Prints seconds and the
most memory that each process took; asserts nothing about time.
"""

from __future__ import annotations

import argparse
import os
import resource
import subprocess
import sys
import tempfile
import uuid
from datetime import UTC, datetime
from pathlib import Path
from time import perf_counter

import httpx
import numpy as np
from sqlalchemy import insert

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "tests"))

from bench.due import make_yard
from pastkit import limited
from sumpwright.planning.clock import DAY
from sumpwright.records.chain import canonical
from sumpwright.records.schema import MachineRow, ReadingRow, SheetRow, ToldRow
from sumpwright.records.snapshot import sheet_to_plain
from sumpwright.records.store import Store
from sumpwright.records.told import ToldService, make, plain
from webserver import Killable

SIZES = (500, 2_000, 10_000)
READ = 50
"""Readings of each machine, in the mean."""
IMPORTED = (10_000, 100_000)
SHELL = """
import sys
from sumpwright.cli import main
sys.argv[0] = "sumpwright"
try:
    main()
finally:
    status = open("/proc/self/status").read()
    print(status.split("VmHWM:")[1].split()[0], file=sys.stderr)
"""


def fill(target: str, machines: int, read: int = READ, seed: int = 7) -> None:
    """Make a yard of machines with limits, readings and two services each."""
    rng = np.random.default_rng(seed)
    readings, _ = make_yard(machines, read, seed) if read else (None, None)
    now = datetime.now(UTC).timestamp()
    sheet = limited()
    text = canonical(sheet_to_plain(sheet)).decode()
    name = sheet.machine.name
    ids = [str(uuid.UUID(int=int(rng.integers(1 << 62)) << 32 | n)) for n in range(machines)]
    at = datetime.now(UTC)

    def row_id() -> str:
        return str(uuid.uuid4())

    with Store.open(target) as store, store.writing() as session:
        names = [f"Carrier {n}" for n in range(machines)]
        session.execute(
            insert(MachineRow),
            [
                {"id": i, "name": n, "name_key": n.casefold(), "version": 1, "created_at": at}
                for i, n in zip(ids, names, strict=True)
            ],
        )
        session.execute(
            insert(SheetRow),
            [
                {
                    "machine_id": i,
                    "version": 1,
                    "at": at,
                    "by": "",
                    "plain": text.replace(f'"{name}"', f'"{n}"'),
                }
                for i, n in zip(ids, names, strict=True)
            ],
        )
        if readings is None:
            return
        shift = now - float(readings.time.max()) - DAY
        first = np.searchsorted(readings.machine, np.arange(machines))
        told = []
        for n in range(machines):
            begin = float(readings.time[first[n]]) + shift
            for when, body in (
                (begin, {"system": "gearbox", "done": "filled"}),
                (begin + 0.6 * (now - begin), {"system": "gearbox", "volume": 0.0042}),
            ):
                told.append(
                    {
                        "id": row_id(),
                        "machine_id": ids[n],
                        "kind": "service",
                        "system": "gearbox",
                        "at": datetime.fromtimestamp(int(when), UTC),
                        "by": "",
                        "note": "",
                        "body": canonical(plain(make(ToldService, body))).decode(),
                        "entered_at": at,
                    }
                )
        session.execute(insert(ToldRow), told)
        for low in range(0, len(readings.time), 100_000):
            part = slice(low, low + 100_000)
            session.execute(
                insert(ReadingRow),
                [
                    {
                        "id": row_id(),
                        "machine_id": ids[m],
                        "what": "odometer",
                        "value": float(v),
                        "at": datetime.fromtimestamp(int(t + shift), UTC),
                        "by": "",
                        "note": "",
                        "sure": False,
                    }
                    for m, t, v in zip(
                        readings.machine[part].tolist(),
                        readings.time[part].tolist(),
                        readings.value[part].tolist(),
                        strict=True,
                    )
                ],
            )


def shell(*words: str) -> tuple[str, float, str]:
    """Run a command; seconds by the clock and of the processor, MB at most, and what it said."""
    begin, spent = perf_counter(), children()
    ran = subprocess.run(
        [sys.executable, "-c", SHELL, *words], capture_output=True, text=True, check=False
    )
    took = f"{perf_counter() - begin:7.2f} s ({children() - spent:6.2f} s of CPU)"
    told = ran.stderr.strip().splitlines()
    if ran.returncode not in (0, None) or not told:
        raise SystemExit(f"sumpwright {' '.join(words)} failed: {ran.stderr[-2000:]}")
    return took, int(told[-1]) / 1024, ran.stdout


def children() -> float:
    """Seconds of processor that ended children have taken."""
    used = resource.getrusage(resource.RUSAGE_CHILDREN)
    return used.ru_utime + used.ru_stime


def spent_by(pid: int) -> float:
    """Seconds of processor that a process has taken."""
    fields = Path(f"/proc/{pid}/stat").read_text().rsplit(")", 1)[1].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


def size_of(pid: int) -> float:
    """MB that a process has taken at most."""
    status = Path(f"/proc/{pid}/status").read_text()
    return int(status.split("VmHWM:")[1].split()[0]) / 1024


def fetch(server: Killable, path: str) -> str:
    """Time a page twice: as it is first asked for, and again."""
    took, size = [], 0
    with httpx.Client(base_url=server.address, timeout=900) as client:
        for _ in range(2):
            begin, spent = perf_counter(), spent_by(server.pid)
            answer = client.get(path)
            cpu = spent_by(server.pid) - spent
            took.append(f"{perf_counter() - begin:7.2f} s ({cpu:6.2f} s of CPU)")
            answer.raise_for_status()
            size = len(answer.content)
    return f"{took[0]}, again {took[1]}, {size / 1024:6.0f} KB"


def served(target: str, paths: list[str]) -> None:
    """Time pages of a server on a yard."""
    for path in paths:
        with Killable(target) as server:
            line = fetch(server, path)
            print(f"  GET {path:24} {line}, server {size_of(server.pid):5.0f} MB", flush=True)


def table(folder: Path, machines: int, rows: int) -> Path:
    """Write a file of readings, the machines in turn."""
    path = folder / "readings.csv"
    each = rows // machines
    with path.open("w") as file:
        file.write("Machine;Date;Odometer (km)\n")
        for n in range(machines):
            for k in range(each):
                file.write(f"Carrier {n};2024-{k % 12 + 1:02d}-1{n % 10};{50_000 + 900 * k}\n")
    return path


def run(sizes: list[int], commands: list[list[str]], paths: list[str], imports: bool) -> None:
    """Print what each size costs."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        for size in sizes:
            target = str(folder / f"yard-{size}.db")
            begin = perf_counter()
            fill(target, size)
            print(f"{size} machines (made in {perf_counter() - begin:.1f} s)", flush=True)
            for words in commands:
                took, most, out = shell(*words, "--db", target)
                print(
                    f"  {' '.join(words):28} {took}, {most:6.0f} MB, {len(out) / 1024:6.0f} KB",
                    flush=True,
                )
            served(target, paths)
        if imports:
            machines, rows = IMPORTED
            target = str(folder / "import.db")
            fill(target, machines, 0)
            given = table(folder, machines, rows)
            for turn in ("", " again"):
                took, most, out = shell("import-table", "readings", str(given), "--db", target)
                print(f"import-table{turn}: {took}, {most:.0f} MB: {out.strip()}", flush=True)


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--sizes", type=int, nargs="*", default=list(SIZES))
    parser.add_argument("--no-import", action="store_true")
    chosen = parser.parse_args()
    os.environ.setdefault("OMP_NUM_THREADS", "1")
    run(
        chosen.sizes,
        [["due"], ["due", "--first", "50", "--json"], ["due", "--json"]],
        ["/", "/?page=7", "/?find=carrier+33", "/api/due?first=50", "/api/due"],
        not chosen.no_import,
    )
