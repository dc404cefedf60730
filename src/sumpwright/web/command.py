"""``sumpwright serve``: the pages, for this machine or for the network."""

from __future__ import annotations

from typing import Annotated

import typer


def serve(
    host: Annotated[
        str | None,
        typer.Option(
            "--host", help="Where to listen; this machine alone, or all of it with --share."
        ),
    ] = None,
    port: Annotated[int, typer.Option("--port", min=0, max=65535, help="Port.")] = 8420,
    share: Annotated[
        bool,
        typer.Option("--share", help="Let other devices on the network in, with a pairing code."),
    ] = False,
    db: Annotated[
        str | None,
        typer.Option(
            "--db",
            help="Yard file or database address.",
            envvar="SUMPWRIGHT_DB",
            show_default="in the user's data folder",
        ),
    ] = None,
    json_log: Annotated[bool, typer.Option("--json-log", help="Log lines as JSON.")] = False,
) -> None:
    """Serve the yard's pages."""
    from sumpwright.web.serving import run

    run(host=host, port=port, share=share, db=db, json_log=json_log, out=typer.echo)
