"""The shell: the same verbs as the pages, for a terminal or a pipe."""

from __future__ import annotations

import contextlib
import errno
import io
import os
import sys
from collections.abc import Callable, Sequence
from functools import cache
from typing import Annotated, NoReturn

import typer
from typer import Abort, TyperException
from typer.main import get_command

from sumpwright import __version__
from sumpwright.cli import (
    drive,
    due,
    entries,
    files,
    history,
    importing,
    job,
    lab,
    logs,
    machine,
    reading,
    rows,
    service,
    steps,
)
from sumpwright.cli.pair import pair
from sumpwright.cli.parsing import Entry, Group
from sumpwright.cli.plan import plan
from sumpwright.errors import Complaint, printable
from sumpwright.link.command import app as temperature
from sumpwright.samples.command import samples
from sumpwright.web.command import serve

app = typer.Typer(
    name="sumpwright",
    cls=Group,
    help="Plan, carry out and prove a change of the working fluid of a machine.",
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
    context_settings={"help_option_names": ["-h", "--help"]},
)
app.command(cls=Entry)(plan)
app.add_typer(machine.app, name="machine", cls=Group)
app.add_typer(job.app, name="job", cls=Group)
app.add_typer(temperature, name="temperature", cls=Group)
app.command()(due.due)
app.command()(due.policy)
app.command()(history.history)
app.command()(due.costs)
app.command(cls=Entry)(due.spend)
app.add_typer(service.app, name="service", cls=Group)
app.add_typer(reading.app, name="reading", cls=Group)
app.add_typer(drive.app, name="drive", cls=Group)
app.command()(drive.use)
app.add_typer(lab.app, name="lab", cls=Group)
app.command("import-table")(importing.import_table)
app.command()(samples)
app.command()(serve)
app.command()(pair)
app.command("export")(files.export_all)
app.command("import")(files.import_all)
app.command("verify")(files.verify)

_LONGEST = 800
"""Characters of a complaint that are shown, should it quote something very long."""


def _version(wanted: bool) -> None:
    if wanted:
        typer.echo(f"sumpwright {__version__}")
        raise typer.Exit


@app.callback()
def _root(
    version: Annotated[
        bool, typer.Option("--version", callback=_version, is_eager=True, help="Show the version.")
    ] = False,
) -> None:
    pass


@cache
def _command() -> Callable[..., object]:
    """Return the shell as one command, made once however often a program calls it."""
    return get_command(app)


def main(args: Sequence[str] | None = None) -> NoReturn:
    """Run the shell and exit: a complaint is one line on standard error and exit code 2.

    Parameters
    ----------
    args : sequence of str, optional
        Words of the command line after the program's name; those of this process if
        left out.
    """
    _prepare_streams()
    try:
        code = _command()(args, prog_name="sumpwright", standalone_mode=False)
        if sys.stdout is not None:
            sys.stdout.flush()
    except Complaint as complaint:
        _end(str(complaint))
    except TyperException as error:
        _end(_usage(error))
    except Abort:
        sys.exit(130)
    except BrokenPipeError:
        # The reader of the pipe has had enough, and the interpreter shall not complain.
        _silence()
        sys.exit(1)
    except OSError as error:
        _silence()
        _end(_failure(error))
    if code == 130:
        print("sumpwright: interrupted; what was entered before is kept", file=sys.stderr)
    sys.exit(code if isinstance(code, int) else 0)


def _prepare_streams() -> None:
    """Let no character stop the output that the terminal's encoding does not have."""
    if isinstance(sys.stdout, io.TextIOWrapper):
        sys.stdout.reconfigure(errors="replace")


def _silence() -> None:
    """Send what is left of the output nowhere, so that the interpreter's last flush is quiet."""
    if sys.stdout is not None:
        with contextlib.suppress(io.UnsupportedOperation):
            os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())


def _usage(error: TyperException) -> str:
    text = " ".join(error.format_message().split()).rstrip(".")
    context = getattr(error, "ctx", None)
    path = context.command_path if context is not None else "sumpwright"
    end = "" if text.endswith("?") else ";"
    return f"{text[:1].lower()}{text[1:]}{end} see '{path} --help'"


def _failure(error: OSError) -> str:
    where = f"{error.filename}: " if error.filename else ""
    reason = error.strerror or str(error)
    if error.errno == errno.ENOSPC:
        return f"{where}the disk is full; free some space and try again, nothing was half-written"
    return f"{where}{reason}; put that right and try again, what was entered before is kept"


def _end(message: str) -> NoReturn:
    line = printable(" ".join(message.split()))
    if len(line) > _LONGEST:
        line = f"{line[: _LONGEST // 2]} … {line[-_LONGEST // 2 :]}"
    if sys.stderr is not None:
        print(f"sumpwright: {line}", file=sys.stderr)
    sys.exit(2)


__all__ = ["app", "entries", "logs", "main", "rows", "steps"]
