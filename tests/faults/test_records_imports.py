"""Files of the past: damaged at random, imported twice at once, and cut off by a kill."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from pastkit import TODAY, limited
from sumpwright.errors import Complaint
from sumpwright.records.store import Store
from sumpwright.records.taking import SORTS, Sort, preview, take
from sumpwright.records.told import ToldService

READINGS = "Date;Machine;Odometer (km)\n" + "".join(
    f"{1 + k % 28}.{1 + k // 28 % 12}.2023;Carrier 2;{90000 + 40 * k}\n" for k in range(300)
)
WHOLE: dict[Sort, str] = {
    "machines": "Machine,System,Kind,Capacity (L),Replace every (years)\nVan 7,box,axle,2.1,4\n",
    "readings": "Date,Odometer (km)\n2024-01-01,100000\n2024-06-01,109000\n",
    "services": "Date;What;Litres;Odometer (km)\n1.6.2021;filled;9,2;60 000\n1.6.2023;;4,1;\n",
    "reports": "Date,System,Visc @ 40 °C (cSt),Fe (ppm)\n2024-03-01,gearbox,28.1,40\n",
}
JUNK = st.binary(max_size=5) | st.sampled_from(
    [b"\n", b";", b",", b'"', b"-", b"1e400", b"nan", b"\xff\xfe", b"\x00", b"2999", b"9" * 50]
)
IMPORTER = """\
import sys
from datetime import date
from pathlib import Path
from sumpwright.records.store import Store
from sumpwright.records.taking import preview, take
with Store.open(sys.argv[1]) as store:
    path = Path(sys.argv[2])
    seen = preview(store, sys.argv[3], path.read_bytes(), path.name, now=date(2025, 3, 1))
    print("ready", flush=True)
    sys.stdin.readline()
    print(take(store, seen), flush=True)
"""


def counts(store: Store) -> tuple[int, int, int]:
    told = store.told.of("Carrier 2", ToldService)
    return len(store.machines.all()), len(store.readings.of("Carrier 2")), len(told)


@pytest.mark.parametrize("backend", ["sqlite"], indirect=True)
@pytest.mark.parametrize("sort", SORTS)
def test_a_damaged_file_is_taken_whole_or_refused_in_words(store: Store, sort: Sort) -> None:
    store.machines.add(limited())
    text = WHOLE[sort].encode()

    @given(at=st.integers(0, len(text)), length=st.integers(0, 9), put=JUNK)
    @settings(
        max_examples=40, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
    )
    def damaged(at: int, length: int, put: bytes) -> None:
        data = text[:at] + put + text[at + length :]
        before = counts(store)
        try:
            seen = preview(store, sort, data, "f.csv", machine="Carrier 2", now=TODAY)
            kept = take(store, seen)
        except Complaint:
            assert counts(store) == before
        else:
            assert not seen.faults
            assert kept == len(seen.new)

    damaged()


def importer(target: str, path: Path, sort: str) -> subprocess.Popen[str]:
    """Start an import and wait until it has read its file."""
    process = subprocess.Popen(
        [sys.executable, "-c", IMPORTER, target, str(path), sort],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    )
    assert process.stdout is not None
    assert process.stdout.readline() == "ready\n"
    return process


def go(process: subprocess.Popen[str]) -> None:
    assert process.stdin is not None
    process.stdin.write("go\n")
    process.stdin.flush()


def test_two_imports_of_one_file_at_once_keep_it_once(
    store: Store, target: str, tmp_path: Path
) -> None:
    store.machines.add(limited())
    path = tmp_path / "readings.csv"
    path.write_text(READINGS)
    both = [importer(target, path, "readings") for _ in range(2)]
    for process in both:
        go(process)
    kept = [int(process.communicate(timeout=60)[0]) for process in both]
    assert sum(kept) == 300
    assert counts(store)[1] == 300


@pytest.mark.parametrize("delay", [0.0, 0.005])
def test_a_killed_import_has_kept_all_or_nothing(
    store: Store, target: str, tmp_path: Path, delay: float
) -> None:
    store.machines.add(limited())
    path = tmp_path / "readings.csv"
    path.write_text(READINGS)
    process = importer(target, path, "readings")
    go(process)
    try:
        process.wait(delay)
    except subprocess.TimeoutExpired:
        process.kill()
    process.communicate(timeout=60)
    assert counts(store)[1] in (0, 300)
    # It can simply be done again.
    take(store, preview(store, "readings", path.read_bytes(), path.name, now=TODAY))
    assert counts(store)[1] == 300
