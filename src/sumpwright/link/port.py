"""Open a serial port, or what pyserial reaches by a URL, for one reader alone."""

from __future__ import annotations

import errno
from typing import Any

import serial

from sumpwright.link.source import LinkDown

_TAKEN = {errno.EAGAIN, errno.EWOULDBLOCK, errno.EBUSY}


def open_port(place: str, baud: int) -> Any:
    """Open a port that no one else reads: two readers would take each other's words.

    Parameters
    ----------
    place : str
        A device, or a URL that pyserial knows (``socket://host:port``), for which nothing can
        be locked.
    baud : int
        Speed of a serial port.

    Returns
    -------
    serial.SerialBase

    Raises
    ------
    LinkDown
        When it cannot be opened, or another program has it.
    """
    try:
        return serial.serial_for_url(
            place, baudrate=baud, timeout=0.05, write_timeout=1.0, exclusive=True
        )
    except Exception as error:
        # pyserial lets errors of the system and of its URL handlers through
        if getattr(error, "errno", None) in _TAKEN:
            raise LinkDown(
                f"{place} is in use by another program", "stop that first, then try again"
            ) from error
        raise LinkDown(
            f"{place} cannot be opened: {error}", "check the plug and the name of the port"
        ) from error
