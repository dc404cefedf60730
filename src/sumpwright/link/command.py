"""``sumpwright temperature``: list sources, try one, watch one, record one."""

from __future__ import annotations

import contextlib
import json
import math
import os
import queue
import sys
import threading
import time
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from sumpwright.errors import Complaint

if TYPE_CHECKING:
    from rich.console import RenderableType

    from sumpwright.display import Display
    from sumpwright.link.source import Reading
    from sumpwright.link.watch import State, Status, Watch
    from sumpwright.physics.warmup import WarmupForecast

app = typer.Typer(help="Temperatures: sources, live readings, logs.", no_args_is_help=True)

SourceArgument = Annotated[str, typer.Argument(help="Such as hand, replay:soak.csv?speed=60.")]
SecondsOption = Annotated[
    float | None, typer.Option("--seconds", min=0.1, help="Stop after so many seconds.")
]
JsonFlag = Annotated[bool, typer.Option("--json", help="Print one JSON object a line.")]
UsFlag = Annotated[bool, typer.Option("--us", help="Show °F (or set SUMPWRIGHT_UNITS=us).")]

Window = tuple[float, float] | None


@app.command("list")
def list_sources(
    as_json: Annotated[bool, typer.Option("--json", help="Print JSON and nothing else.")] = False,
) -> None:
    """List the sources found here, and every kind of source with an example."""
    from sumpwright.link.sources import KINDS, discover

    found = discover()
    if as_json:
        sources = [{"source": str(one.description), "note": one.note} for one in found]
        kinds = [
            {
                "kind": kind.name,
                "means": kind.means,
                "example": kind.example,
                "options": [
                    {"key": o.key, "default": o.default, "means": o.means} for o in kind.options
                ],
            }
            for kind in KINDS
        ]
        typer.echo(json.dumps({"found": sources, "kinds": kinds}, indent=2, ensure_ascii=False))
        return
    typer.echo("Found here:")
    for one in found:
        typer.echo(f"  {one.description}  ({one.note})")
    typer.echo("\nKinds of source:")
    for kind in KINDS:
        typer.echo(f"  {kind.name}: {kind.means}\n    {kind.example}")
        for option in kind.options:
            given = "needed" if option.default is None else option.default
            shown = f" [{given}]" if given else ""
            typer.echo(f"      {option.key}{shown}  {option.means}")


@app.command("try")
def try_one(
    source: SourceArgument,
    seconds: Annotated[float, typer.Option("--seconds", min=0.1, help="Longest wait.")] = 5.0,
    as_json: JsonFlag = False,
) -> None:
    """Ask a source once and say what happened; exit code 1 when no temperature came."""
    from sumpwright.link.sources import build, try_source

    caution = build(source).caution
    trial = try_source(source, seconds)
    if as_json:
        kelvin = trial.reading.kelvin if trial.reading and trial.ok else None
        _line({"ok": trial.ok, "kelvin": kelvin, "said": list(trial.said), "caution": caution})
    else:
        for words in trial.said:
            typer.echo(words)
        if caution:
            typer.echo(f"caution: {caution}", err=True)
    if not trial.ok:
        raise typer.Exit(1)


@app.command("watch")
def watch_one(
    source: SourceArgument,
    window: Annotated[
        tuple[str, str] | None,
        typer.Option("--window", help='Range for the level, such as "38 C" "46 C".'),
    ] = None,
    seconds: SecondsOption = None,
    as_json: JsonFlag = False,
    us: UsFlag = False,
) -> None:
    """Show a source live: a curve on a terminal, a line per reading in a pipe."""
    from sumpwright.link.sources import watch

    bounds = _bounds(window)
    show = _display(us)
    made = watch(source)
    if made.source.caution:
        typer.echo(f"caution: {made.source.caution}", err=True)
    live = sys.stdout.isatty() and not as_json
    events = _Events(made)
    with made, events:
        _feed_hand(made, show)
        if live:
            _watch_live(made, events, show, bounds, seconds)
        else:
            ahead = _Ahead(made, bounds)
            for status, reading in events.until(seconds):
                if as_json:
                    _line(_as_json(status, reading, bounds) | ahead.numbers(reading))
                else:
                    typer.echo(_as_text(status, reading, show, bounds))
    if made.status().count == 0:
        raise typer.Exit(1)


@app.command("record")
def record(
    source: SourceArgument,
    file: Annotated[Path, typer.Argument(help="A .csv file, or .soak for a long log.")],
    seconds: SecondsOption = None,
    append: Annotated[bool, typer.Option("--append", help="Go on with a file of before.")] = False,
    replace_: Annotated[
        bool, typer.Option("--replace", help="Begin a file of before anew; what it held is lost.")
    ] = False,
    us: UsFlag = False,
) -> None:
    """Write every reading to a file until interrupted; what was written stays."""
    from sumpwright.link.csvlog import Recorder
    from sumpwright.link.soak import SoakFile
    from sumpwright.link.sources import watch

    show = _display(us)
    made = watch(source)
    _may_write(file, source, append, replace_)
    failures: list[OSError] = []
    interrupted = False
    with SoakFile(file) if file.suffix.lower() == ".soak" else Recorder(file) as keeper:
        events = _Events(made)

        def keep(reading: Reading) -> None:
            try:
                keeper.write(reading)
            except OSError as error:
                failures.append(error)
                events.closed.set()
                raise

        made.listen(keep)
        try:
            with made, events:
                _feed_hand(made, show)
                for status, reading in events.until(seconds):
                    if reading is None and status.trouble:
                        typer.echo(_as_text(status, None, show, None), err=True)
        except KeyboardInterrupt:
            interrupted = True
    if failures:
        raise failures[0]
    typer.echo(f"{keeper.count} readings in {file}")
    if interrupted:
        raise typer.Exit(130)
    if keeper.count == 0:
        raise typer.Exit(1)


def _may_write(file: Path, source: str, append: bool, replace: bool) -> None:
    """Refuse a file that would be lost, or that would not be what its name says.

    Raises
    ------
    Complaint
    """
    from sumpwright.link.describe import Description

    if file.exists() and not file.is_file():
        return
    if file.suffix.lower() not in (".csv", ".soak"):
        raise Complaint(
            f"a log ends in .csv or .soak, not in {file.suffix or 'nothing'!r}",
            f"write it to {file.with_suffix('.csv').name}",
            where=str(file),
        )
    if append and replace:
        raise Complaint("--append and --replace go against each other", "give one of them")
    if not file.exists() or (file.stat().st_size == 0 and not replace):
        return
    place = Description.parse(source).place
    if place and Path(place).expanduser().exists() and file.samefile(Path(place).expanduser()):
        raise Complaint("this is the log that is played", "give another name", where=str(file))
    if replace:
        file.unlink()
    elif not append:
        raise Complaint(
            "the file is there already",
            "give --append to go on with it, --replace to begin it anew, or another name",
            where=str(file),
        )


class _Events:
    """Readings and changes of state of a watch, in turn."""

    def __init__(self, watch: Watch) -> None:
        self._watch = watch
        self._queue: queue.Queue[tuple[Reading, State]] = queue.Queue(maxsize=10_000)
        self.closed = threading.Event()
        watch.listen(self._heard)

    def _heard(self, reading: Reading) -> None:
        # a log at full speed waits here for the terminal; nothing waits once that is closed
        from sumpwright.link.source import clock

        late = reading.age(clock()) >= self._watch.stale_after
        state: State = "stale" if late else "fresh"
        while not self.closed.is_set():
            with contextlib.suppress(queue.Full):
                self._queue.put((reading, state), timeout=0.2)
                return

    def until(self, seconds: float | None) -> Iterator[tuple[Status, Reading | None]]:
        """Yield until the log ends or `seconds` are over."""
        end = None if seconds is None else time.monotonic() + seconds
        told: tuple[str, str] | None = None
        while (end is None or time.monotonic() < end) and not self.closed.is_set():
            reading = None
            state: State | None = None
            with contextlib.suppress(queue.Empty):
                reading, state = self._queue.get(timeout=0.1)
            status = self._watch.status()
            if reading is not None and state is not None:
                told = (status.state, "" if status.ended else status.trouble)
                yield replace(status, state=state), reading
            elif (status.state, status.trouble) != told:
                told = (status.state, status.trouble)
                if status.state in {"stale", "lost"} or status.trouble:
                    yield status, None
            if status.ended and reading is None and self._queue.empty():
                return

    def __enter__(self) -> _Events:
        return self

    def __exit__(self, *_: object) -> None:
        # however it ended: the watch must not wait for a terminal that looks no more
        self.closed.set()


class _Ahead:
    """When the window opens and closes, looked at once a second at most."""

    def __init__(self, watch: Watch, window: Window) -> None:
        self._watch = watch
        self._window = window
        self._looked = 0.0

    def numbers(self, reading: Reading | None) -> dict[str, Any]:
        """Seconds until it opens and closes (5 %, middle, 95 %); null beyond all time."""
        forecast = self._forecast(reading)
        if forecast is None:
            return {}
        found = {"opens": forecast.to_open, "closes": forecast.to_close}
        return {
            name: [
                round(value, 1) if math.isfinite(value) else None
                for value in (arrival.low, arrival.median, arrival.high)
            ]
            for name, arrival in found.items()
            if arrival is not None
        }

    def words(self, reading: Reading | None) -> str:
        """The same for a person; empty without a forecast."""
        forecast = self._forecast(reading)
        if forecast is None:
            return ""
        found = {"opens": forecast.to_open, "closes": forecast.to_close}
        return ", ".join(
            f"{name} {_minutes(arrival.low, arrival.high)}"
            for name, arrival in found.items()
            if arrival is not None and arrival.high > 0.0
        )

    def _forecast(self, reading: Reading | None) -> WarmupForecast | None:
        from sumpwright.physics.warmup import forecast_warmup

        if self._window is None or reading is None or not reading.good:
            return None
        if time.monotonic() - self._looked < 1.0:
            return None
        self._looked = time.monotonic()
        recent = self._watch.recent(300.0)
        return forecast_warmup(
            [one.seconds for one in recent],
            [one.kelvin for one in recent],
            *self._window,
            now=reading.seconds,
        )


def _minutes(low: float, high: float) -> str:
    if not math.isfinite(low):
        return "never at this rate"
    if not math.isfinite(high):
        return f"in {low / 60.0:.0f} min at the earliest"
    return f"in {low / 60.0:.0f} to {math.ceil(high / 60.0)} min"


def _watch_live(
    watch: Watch, events: _Events, show: Display, window: Window, seconds: float | None
) -> None:
    from rich.live import Live

    with Live(refresh_per_second=4, screen=False) as live:
        ahead = _Ahead(watch, window)
        words = ""
        end = None if seconds is None else time.monotonic() + seconds
        while end is None or time.monotonic() < end:
            # the picture shows the newest only; it is drawn anew so that its age is seen to grow
            for _ in events.until(0.3):
                pass
            status = watch.status()
            words = "" if status.current is None else ahead.words(status.current) or words
            live.update(_picture(watch, status, show, window, words))
            if status.ended:
                return


def _picture(
    watch: Watch, status: Status, show: Display, window: Window, words: str
) -> RenderableType:
    from rich.console import Group
    from rich.text import Text

    from sumpwright.link.plot import curve

    recent = watch.recent(1800.0)
    number = [show.number(reading.kelvin, "temperature") for reading in recent]
    marks = None
    if window is not None:
        marks = (show.number(window[0], "temperature"), show.number(window[1], "temperature"))
    drawing = curve([reading.seconds for reading in recent], number, window=marks)
    head = Text(_as_text(status, status.current, show, window), style="bold")
    below = f"{watch.source.name}  {words}".rstrip()
    return Group(head, Text("\n".join(drawing)), Text(below))


def _bounds(window: tuple[str, str] | None) -> Window:
    from sumpwright.units import parse_quantity

    if window is None:
        return None
    low = parse_quantity(window[0], "temperature", "--window")
    high = parse_quantity(window[1], "temperature", "--window")
    if not low < high:
        raise Complaint(
            f"the window from {window[0]} to {window[1]} is empty",
            "give the lower temperature first",
            "--window",
        )
    return low, high


def _display(us: bool) -> Display:
    from sumpwright.display import Display

    return Display("us" if us or os.environ.get("SUMPWRIGHT_UNITS", "") == "us" else "metric")


def _feed_hand(watch: Watch, show: Display) -> None:
    """Let whoever sits at the keyboard type temperatures, when the source is the hand."""
    from sumpwright.link.hand import Hand

    hand = watch.source
    if not isinstance(hand, Hand):
        return

    def typed() -> None:
        from sumpwright.units import parse_quantity

        for line in sys.stdin:
            text = line.strip()
            if not text:
                continue
            if text[-1].isdigit():
                text = f"{text} {show.unit('temperature')}"
            try:
                hand.put(parse_quantity(text, "temperature"))
            except Complaint as complaint:
                typer.echo(str(complaint), err=True)

    threading.Thread(target=typed, daemon=True).start()


def _where(kelvin: float, window: Window) -> str:
    if window is None:
        return ""
    return "below" if kelvin < window[0] else "above" if kelvin > window[1] else "in"


def _as_text(status: Status, reading: Reading | None, show: Display, window: Window) -> str:
    """One line: a current reading, a refused one, or why there is none."""
    if reading is not None and reading.good:
        where = _where(reading.kelvin, window)
        place = "" if not where else f"  {'in' if where == 'in' else where} the window"
        clock = reading.at.astimezone().strftime("%H:%M:%S")
        temperature = show.temperature_fine(reading.kelvin)
        old = "  old" if status.state == "stale" else ""
        return f"{clock}{old}  {temperature}{place}  ({reading.raw})"
    if reading is not None:
        return f"held back: {reading.doubt}  ({reading.raw})"
    if status.ended:
        return "; ".join(filter(None, (status.trouble, status.do)))
    words: list[str] = [status.state]
    if status.last is not None and status.age is not None:
        words.append(f"last {show.temperature_fine(status.last.kelvin)} {status.age:.1f} s ago")
    words += [part for part in (status.trouble, status.do) if part]
    return "; ".join(words)


def _as_json(status: Status, reading: Reading | None, window: Window) -> dict[str, Any]:
    if reading is None:
        return {
            "state": status.state,
            "age": status.age,
            "trouble": status.trouble,
            "do": status.do,
        }
    good = reading.good
    return {
        "state": status.state if good else "refused",
        "at": reading.at.isoformat(),
        "seconds": reading.seconds,
        "kelvin": reading.kelvin if good else None,
        "celsius": round(reading.celsius, 4) if good else None,
        "raw": reading.raw,
        "workings": reading.workings,
        "doubt": reading.doubt,
        "source": reading.source,
        "window": (_where(reading.kelvin, window) or None) if good else None,
    }


def _line(data: dict[str, Any]) -> None:
    typer.echo(json.dumps(data, ensure_ascii=False, allow_nan=False))
