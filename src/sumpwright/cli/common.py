"""What every command of the shell shares: output, settings and complaints."""

from __future__ import annotations

import json
import math
import os
import sys
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from sumpwright.cli.parsing import MINUS
from sumpwright.errors import Complaint

if TYPE_CHECKING:
    from sumpwright.display import Display
    from sumpwright.planning.machine import Sheet
    from sumpwright.records.store import Store

JsonFlag = Annotated[bool, typer.Option("--json", help="Print JSON and nothing else.")]
UsFlag = Annotated[bool, typer.Option("--us", help="Show US units (or set SUMPWRIGHT_UNITS=us).")]
DbOption = Annotated[
    str | None,
    typer.Option(
        "--db",
        help="Yard file, database address, or http address of a running server.",
        envvar="SUMPWRIGHT_DB",
        show_default="in the user's data folder",
    ),
]


def display(us: bool = False, currency: str = "") -> Display:
    """Return the units to show quantities in."""
    from sumpwright.display import Display

    wish = "us" if us else os.environ.get("SUMPWRIGHT_UNITS", "metric").strip().lower()
    if wish not in {"metric", "us"}:
        raise Complaint(
            f"'{wish}' is no set of units", "set it to metric or us", "SUMPWRIGHT_UNITS"
        )
    return Display("us" if wish == "us" else "metric", currency)


@contextmanager
def yard(target: str | None) -> Iterator[Store]:
    """Open the yard's records, and close them whatever happens."""
    from sumpwright.records.database import unmade
    from sumpwright.records.store import Store

    served = is_served(target)
    new = None if served else unmade(target)
    store = _served(target or "") if served else Store.open(target)
    try:
        yield store
        if new is not None and not store.machines.all(retired=True):
            warn([f"{new} was not there: a new yard is begun, and it is empty"])
    finally:
        store.close()


def is_served(target: str | None) -> bool:
    """Whether a yard is named by the address of a running server.

    Examples
    --------
    >>> is_served("http://127.0.0.1:8420"), is_served("yard.db"), is_served(None)
    (True, False, False)
    """
    return target is not None and target.strip().lower().startswith(("http://", "https://"))


def _served(address: str) -> Store:
    from sumpwright.remote.store import RemoteStore

    return RemoteStore(address)


def print_json(data: Any) -> None:
    """Print one object as JSON."""
    typer.echo(json.dumps(data, indent=2, ensure_ascii=False, allow_nan=False))


def warn(lines: Sequence[str]) -> None:
    """Print warnings where they do not disturb a pipe."""
    for line in lines:
        typer.echo(f"warning: {line}", err=True)


def say(text: str = "") -> None:
    """Print a line."""
    typer.echo(text)


def terminal() -> bool:
    """Whether a person reads the output."""
    return sys.stdout is not None and sys.stdout.isatty()


@contextmanager
def working(what: str) -> Iterator[None]:
    """Show a person what is being worked on, and for how long; nothing in a pipe."""
    if sys.stderr is None or not sys.stderr.isatty():
        yield
        return
    from rich.console import Console
    from rich.progress import Progress, SpinnerColumn, TextColumn, TimeElapsedColumn

    columns = (
        SpinnerColumn(),
        TextColumn("{task.description}", markup=False),
        TimeElapsedColumn(),
    )
    with Progress(*columns, console=Console(stderr=True), transient=True) as shown:
        shown.add_task(what, total=None)
        yield


def count(many: int, noun: str) -> str:
    """Write how many there are.

    Examples
    --------
    >>> count(1, "row"), count(2, "row")
    ('1 row', '2 rows')
    """
    return f"{many} {noun}{'' if many == 1 else 's'}"


def number(text: str, where: str) -> float:
    """Read a plain number, written with a point or a comma.

    Raises
    ------
    Complaint
        If it is none, or not finite.

    Examples
    --------
    >>> number("11,40", "--price")
    11.4
    """
    try:
        value = float(text.strip().replace(",", ".").replace(MINUS, "-"))
    except ValueError:
        raise Complaint(f"'{text}' is not a number", "write e.g. 11.40", where) from None
    if not math.isfinite(value):
        raise Complaint(f"{text.strip()} is not a finite number", "write e.g. 11.40", where)
    return value


def whole(text: str, where: str) -> int:
    """Read a whole number.

    Raises
    ------
    Complaint
        If it is none.

    Examples
    --------
    >>> whole("8", "--cycles")
    8
    """
    try:
        return int(text.replace(MINUS, "-"))
    except ValueError:
        raise Complaint(f"'{text}' is not a whole number", "write e.g. 8", where) from None


def share(text: str, where: str) -> float:
    """Read a share, written as 0.9 or as 90 %.

    Raises
    ------
    Complaint
        If it is none.

    Examples
    --------
    >>> share("0,9", "--target")
    0.9
    """
    from sumpwright.units import parse_quantity

    return parse_quantity(text, "share", where)


def read_sheet(path: Path) -> Sheet:
    """Read a machine sheet from a file, or from standard input where that is named ``-``."""
    from sumpwright.records import sheet

    if str(path) == "-":
        return sheet.parse_bytes(sys.stdin.buffer.read(sheet.LARGEST + 1), "standard input")
    return sheet.read_sheet(path)


def table(columns: Sequence[str], rows: Sequence[Sequence[str]], title: str = "") -> None:
    """Print a table: drawn on a terminal, plain aligned text in a pipe.

    A column whose head ends in ``>`` is set to the right.
    """
    right = [c.endswith(">") for c in columns]
    heads = [c.rstrip(">") for c in columns]
    if terminal():
        from rich import box
        from rich.console import Console
        from rich.table import Table
        from rich.text import Text

        if title:
            typer.echo(title)
        headed = any(heads)
        drawn = Table(
            box=box.SIMPLE_HEAD if headed else None,
            show_header=headed,
            pad_edge=False,
            padding=(0, 1, 0, 0),
        )
        for head, to_right in zip(heads, right, strict=True):
            drawn.add_column(
                head,
                justify="right" if to_right else "left",
                overflow="fold",
                no_wrap=to_right,
            )
        for row in rows:
            drawn.add_row(*(Text(cell) for cell in row))
        Console().print(drawn)
        return
    if title:
        typer.echo(title)
    widths = [max(len(r[i]) for r in [heads, *rows]) for i in range(len(heads))]
    for row in [heads, *rows] if any(heads) else rows:
        cells = [
            cell.rjust(width) if to_right else cell.ljust(width)
            for cell, width, to_right in zip(row, widths, right, strict=True)
        ]
        typer.echo("  ".join(cells).rstrip())


def check_writable(path: Path | None) -> None:
    """Complain before anything is done if a file could not be written at its end.

    Raises
    ------
    Complaint
        If it names a folder, or lies in one that is not there or takes no files.
    """
    if path is None:
        return
    if path.is_dir():
        raise Complaint("is a folder, not a file", "name a file in it", str(path))
    folder = path.parent
    if not folder.is_dir():
        raise Complaint(f"there is no folder {folder}", "make it, or name another", str(path))
    if not os.access(folder, os.W_OK):
        raise Complaint(f"you may not write to {folder}", "name another folder", str(path))


def write_out(path: Path, content: bytes) -> None:
    """Write a file whole or not at all.

    Raises
    ------
    Complaint
        If it cannot be written.
    """
    from sumpwright.records.export import write_whole

    check_writable(path)
    write_whole(path, [content])
