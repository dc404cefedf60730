"""``sumpwright pair``: let this shell into the yard of a server."""

from __future__ import annotations

import getpass
import platform
from typing import Annotated

import typer

from sumpwright.cli.common import JsonFlag, print_json, say


def pair(
    address: Annotated[
        str, typer.Argument(metavar="URL", help="Of the server, such as http://192.0.2.4:8420.")
    ],
    code: Annotated[str, typer.Argument(help="Pairing code that the keeper made.")],
    name: Annotated[
        str, typer.Option("--name", help="Who uses this shell.", envvar="SUMPWRIGHT_BY")
    ] = "",
    json_out: JsonFlag = False,
) -> None:
    """Pair this shell with a running server.

    The token is kept for the user alone; then --db URL works on the yard of that server.
    """
    from sumpwright.remote.tokens import keep
    from sumpwright.remote.wire import Wire

    wire = Wire(address)
    try:
        told = wire.ask("POST", "/pair", json={"code": code, "name": name or _whose()})
    finally:
        wire.close()
    kept = keep(wire.address, told["token"])
    if json_out:
        print_json({"address": wire.address, "role": told["role"], "file": str(kept)})
        return
    say(f"Paired with {wire.address} as {told['role']}; the token is kept in {kept}.")
    say(f"Use it with --db {wire.address}, or set SUMPWRIGHT_DB.")


def _whose() -> str:
    try:
        user = getpass.getuser()
    except (OSError, KeyError):
        user = "shell"
    return f"{user} at {platform.node() or 'a computer'}"[:80]
