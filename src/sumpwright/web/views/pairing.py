"""Pairing: addresses, codes and devices as their pages show them."""

from __future__ import annotations

import ipaddress
import socket
from dataclasses import dataclass
from typing import TYPE_CHECKING
from urllib.parse import quote

from sumpwright.records.devices import Invitation, KeptDevice
from sumpwright.web.errors import NotHere, TooOften

if TYPE_CHECKING:
    from sumpwright.records.store import Store
    from sumpwright.web.settings import WebSettings
    from sumpwright.web.state import Web


@dataclass(frozen=True)
class Code:
    """A code just made: what to type, and the picture that types it."""

    invitation: Invitation
    address: str
    qr: str


def lan_address() -> str | None:
    """Return this machine's address on the network, if it is on one.

    Nothing is sent: a datagram socket only looks up the route.
    """
    for family, target in (
        (socket.AF_INET, ("192.0.2.1", 9)),
        (socket.AF_INET6, ("2001:db8::1", 9)),
    ):
        try:
            with socket.socket(family, socket.SOCK_DGRAM) as probe:
                probe.connect(target)
                found = str(probe.getsockname()[0])
        except OSError:
            continue
        if not ipaddress.ip_address(found).is_loopback:
            return found
    return None


def address_of(settings: WebSettings) -> str:
    """Return the address at which other devices, or this one, reach the server.

    Examples
    --------
    >>> from sumpwright.web.settings import WebSettings
    >>> address_of(WebSettings(port=8420))
    'http://127.0.0.1:8420'
    """
    host = settings.host
    if host in ("0.0.0.0", "::", ""):
        host = lan_address() or "127.0.0.1"
    return f"http://{f'[{host}]' if ':' in host else host}:{settings.port}"


def code_shown(settings: WebSettings, invitation: Invitation) -> Code:
    """Return a code with its address and its picture."""
    address = f"{address_of(settings)}/pair?code={quote(invitation.code)}"
    return Code(invitation, address, qr_svg(address))


def qr_svg(text: str) -> str:
    """Return a QR code as SVG, without any style of its own.

    Examples
    --------
    >>> qr_svg("http://192.0.2.7:8420/pair")[:5]
    '<svg '
    """
    import segno

    drawn: str = segno.make(text, error="m", micro=False).svg_inline(
        scale=6, border=3, dark="#000", light="#fff", svgclass="qr", lineclass=None, omitsize=True
    )
    return drawn


def let_in(web: Web, peer: str, code: str, name: str) -> KeptDevice:
    """Pair a device, unless there were too many attempts.

    Raises
    ------
    TooOften
        After five attempts in a minute from one address, or thirty from all.
    Complaint
        When the code does not hold.
    """
    wait = web.pairing.wait(peer) or web.pairing_all.wait("all")
    if wait:
        raise TooOften(
            "there were too many attempts at pairing",
            f"wait {wait} seconds, then type the code once more",
            str(wait),
        )
    return web.store.devices.pair(code, name)


def device_here(store: Store, device: str) -> KeptDevice:
    """Return a device.

    Raises
    ------
    NotHere
        When there is none.
    """
    known = store.devices.get(device)
    if known is None:
        raise NotHere("there is no such device", "look at the list of devices", field="device")
    return known


def safe_next(address: str) -> str:
    """Return an address on this server to go on to; the yard for any other.

    Examples
    --------
    >>> safe_next("/jobs/1"), safe_next("//evil.example/"), safe_next("https://evil.example")
    ('/jobs/1', '/', '/')
    """
    plain = address.startswith("/") and not address.startswith(("//", "/\\"))
    return address if plain and address.isprintable() else "/"
