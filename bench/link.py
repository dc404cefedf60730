"""A day of readings ten times a second: replayed, kept, drawn; and decoding against cantools.

The same day goes through the keeper of the level screen into a real database, its clerk sped up
as the replay is, and the log that comes of it through everything that a page does with one.
"""

from __future__ import annotations

import gc
import io
import itertools
import tempfile
from collections.abc import Callable, Iterator
from importlib.resources import files
from pathlib import Path
from time import perf_counter, sleep

import can
import cantools
import numpy as np
from cantools.database.can.database import Database

from sumpwright.demo import yard
from sumpwright.display import Display
from sumpwright.link.decode import spn_177
from sumpwright.link.kept import count_log, drawn_logs
from sumpwright.link.soak import SoakWriter, read_soak
from sumpwright.link.sources import build
from sumpwright.link.thin import thin
from sumpwright.link.watch import Watch
from sumpwright.records.sheet import read_sheet
from sumpwright.records.store import Store
from sumpwright.web import watching
from sumpwright.web.views.level_log import log_view
from sumpwright.web.views.show import Show

RATE = 10
HOURS = 24
COUNT = RATE * 3600 * HOURS
START = 1_714_550_400.0
DBC = """
VERSION ""
BU_: Gearbox Tool
BO_ 2566846718 TF1: 8 Gearbox
 SG_ TransOilTemp : 32|16@1+ (0.03125,-273) [-273|1734.96875] "degC" Tool
"""


def counts() -> np.ndarray:
    """An invented day: warm-ups and cool-downs, as counts of 1/32 K."""
    t = np.arange(COUNT) / RATE
    celsius = 55.0 + 30.0 * np.sin(t / 3000.0) + 0.3 * np.sin(t / 7.0)
    return np.round((celsius + 273.0) / 0.03125).astype(int)


def resident() -> int:
    """Memory of this process in bytes."""
    pages = int(Path("/proc/self/statm").read_text().split()[1])
    return pages * 4096


def write_csv(path: Path, values: np.ndarray) -> None:
    with path.open("w", encoding="utf-8") as file:
        file.write("timestamp;celsius\n")
        for index, count in enumerate(values.tolist()):
            file.write(f"{START + index / RATE:.1f};{count * 0.03125 - 273:.5f}\n")


def write_blf(path: Path, values: np.ndarray) -> None:
    with can.BLFWriter(path) as log:
        for index, count in enumerate(values.tolist()):
            log.on_message_received(
                can.Message(
                    timestamp=START + index / RATE,
                    arbitration_id=0x18FEF803,
                    data=b"\xff\xff\xff\xff" + count.to_bytes(2, "little") + b"\xff\xff",
                )
            )


def replay(path: Path) -> Iterator[str]:
    """Play a file through a watch at full speed; memory is looked at all along."""
    gc.collect()
    watch = Watch(build(f"replay:{path}?speed=0"), keep=20_000)
    levels: list[int] = []
    heard = itertools.count()
    watch.listen(lambda _: levels.append(resident()) if next(heard) % 20_000 == 0 else None)
    begin = perf_counter()
    with watch:
        status = watch.status()
        while not status.ended:
            status = watch.wait(status, 1.0)
    took = perf_counter() - begin
    # the watch fills its own bounded memory of readings first
    settled = levels[len(levels) // 10]
    yield (
        f"{path.suffix[1:]}: {status.count:,} of {COUNT:,} readings, "
        f"{HOURS * 3600 / took:,.0f} times as fast as they happened; "
        f"memory at the end {levels[-1] / settled:.3f} of that after a tenth of the day "
        f"(greatest {max(levels) / settled:.3f})"
    )


def through_the_keeper(path: Path, folder: Path) -> Iterator[str]:
    """Play a file through the keeper of the web into its database, then draw the whole log."""
    with Store.open(folder / "day.db") as store:
        sheet = read_sheet(Path(str(files(yard).joinpath("carrier-2.toml"))))
        machine = store.machines.add(sheet)
        system = sheet.machine.systems[0].name
        job = store.jobs.start(
            machine.id, system, method="drain-and-refill", target=0.9, confidence=0.9
        ).id
        keeper = watching.WatchKeeper(store)
        speed = 4000.0
        watching.KEEP_EVERY /= speed
        gc.collect()
        levels: list[int] = []
        waiting: list[int] = []
        begin = perf_counter()
        watched = keeper.start(job, f"replay:{path}?speed={speed:g}")
        while not watched.watch.status().ended:
            sleep(0.05)
            levels.append(resident())
            waiting.append(len(watched.pending))
        took = perf_counter() - begin
        # The watch fills its own bounded memory of readings first.
        settled = levels[len(levels) // 10]
        yield (
            f"keeper: {watched.watch.status().count:,} readings into the database, "
            f"{HOURS * 3600 / took:,.0f} times as fast as they happened; memory at the end "
            f"{levels[-1] / settled:.3f} of that after a tenth of the day (greatest "
            f"{max(levels) / settled:.3f}); at most {max(waiting):,} readings waited"
        )
        begin = perf_counter()
        (finished,) = keeper.finish(job)
        closing = perf_counter() - begin
        store.jobs.append(job, "logged", finished.body)
        keeper.settle(finished)
        keeper.close()
        yield from drawing(store, job, finished.body["attachment"], closing)


def drawing(store: Store, job: str, log: str, closing: float) -> Iterator[str]:
    """Time what pages and paper do with the log of a day, and with one of a quarter of an hour."""
    show = Show(Display())
    state = store.jobs.state(job)

    def timed(work: Callable[[], object]) -> float:
        best = np.inf
        for _ in range(3):
            begin = perf_counter()
            work()
            best = min(best, perf_counter() - begin)
        return float(best)

    view = log_view(store, state, log, show)
    page = timed(lambda: log_view(store, state, log, show))
    drawn = drawn_logs(store, state)[log]
    paper = timed(lambda: drawn_logs(store, state))
    begin = perf_counter()
    count_log(store, state, log)
    counting = perf_counter() - begin
    yield (
        f"a log of {view.readings:,} readings ({view.size}): closed in {closing:.2f} s, its page "
        f"worked out in {page:.2f} s with {view.figure.line.count('L'):,} strokes, thinned for "
        f"paper to {drawn[0].size:,} points in {paper:.2f} s, counted in {counting:.2f} s"
    )


def decode_ratio(values: np.ndarray) -> str:
    database = cantools.database.load_string(DBC, "dbc")
    assert isinstance(database, Database)
    message = database.get_message_by_name("TF1")
    frames = [
        b"\xff\xff\xff\xff" + count.to_bytes(2, "little") + b"\xff\xff"
        for count in values[::20].tolist()
    ]
    begin = perf_counter()
    ours = [spn_177(frame).kelvin - 273.15 for frame in frames]
    middle = perf_counter()
    theirs = [message.decode(frame)["TransOilTemp"] for frame in frames]
    end = perf_counter()
    apart = float(np.max(np.abs(np.array(ours) - np.array(theirs, float))))
    return (
        f"decoding {len(frames):,} frames with workings in words takes "
        f"{(middle - begin) / (end - middle):.2f} of cantools' time; "
        f"greatest difference {apart:.1e} K"
    )


def keep_and_thin(values: np.ndarray) -> Iterator[str]:
    file = io.BytesIO()
    begin = perf_counter()
    with SoakWriter(file) as soak:
        for index, count in enumerate(values.tolist()):
            soak.add(START + index / RATE, count * 0.03125 + 0.15)
    written = perf_counter()
    size = len(file.getvalue())
    file.seek(0)
    blocks = list(read_soak(file))
    read = perf_counter()
    seconds = np.concatenate([block[0] for block in blocks])
    kelvin = np.concatenate([block[1] for block in blocks])
    yield (
        f"soak log: {size / COUNT:.2f} bytes a reading, 1/{16 * COUNT / size:.0f} of plain "
        f"numbers; reading it back takes {(read - written) / (written - begin):.3f} of writing it"
    )
    begin = perf_counter()
    few = thin(seconds, kelvin, 1000)
    took = perf_counter() - begin
    yield (
        f"thinning {COUNT:,} to {few[0].size:,} points takes "
        f"{took / (read - written):.2f} of reading them; extremes kept: "
        f"{few[1].max() == kelvin.max() and few[1].min() == kelvin.min()}"
    )


def run() -> None:
    """Print the ratios."""
    values = counts()
    print(decode_ratio(values))
    with tempfile.TemporaryDirectory() as folder:
        for name, write in (("day.csv", write_csv), ("day.blf", write_blf)):
            path = Path(folder, name)
            write(path, values)
            for line in replay(path):
                print(line, flush=True)
        for line in through_the_keeper(Path(folder, "day.csv"), Path(folder)):
            print(line, flush=True)
    for line in keep_and_thin(values):
        print(line)


if __name__ == "__main__":
    run()
