"""A small answer goes out at once, not when the network thinks it worth a packet."""

from __future__ import annotations

import asyncio
import socket

from loops import run
from sumpwright.web.serving import listen


def test_what_the_server_accepts_sends_without_delay() -> None:
    set_on: list[int] = []

    async def take(_reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        accepted = writer.get_extra_info("socket")
        set_on.append(accepted.getsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY))
        writer.close()

    async def visit() -> None:
        made = listen("127.0.0.1", 0)
        server = await asyncio.start_server(take, sock=made)
        async with server:
            reader, writer = await asyncio.open_connection(*made.getsockname())
            await reader.read()
            writer.close()

    run(visit())
    assert set_on == [1]
