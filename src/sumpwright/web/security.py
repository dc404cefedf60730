"""Who is there, and what they may do: sessions, roles, tokens, limits."""

from __future__ import annotations

import hashlib
import hmac
import ipaddress
import secrets
import threading
import time
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any, Literal, TypeVar

from itsdangerous import BadSignature, URLSafeTimedSerializer

from sumpwright.records.devices import KeptDevice, Role

COOKIE = "sumpwright_session"
CSRF_HEADER = "x-csrf-token"
CSRF_FIELD = "csrf_token"
UNITS_FIELD = "shown_units"
"""Field of every form with the units it was shown in: a bare number is read in those."""
SESSION_SECONDS = 400 * 24 * 3600
SAFE_METHODS = frozenset({"GET", "HEAD", "OPTIONS"})

Right = Literal["nothing", "read", "seat", "work", "keep"]

RIGHTS: dict[Role, frozenset[Right]] = {
    "keeper": frozenset({"nothing", "read", "seat", "work", "keep"}),
    "hand": frozenset({"nothing", "read", "seat", "work"}),
    "seat": frozenset({"nothing", "read", "seat"}),
    "reader": frozenset({"nothing", "read"}),
}

ROLE_WORDS: dict[Role, str] = {
    "keeper": "keeper: everything, devices included",
    "hand": "hand: does jobs and enters readings",
    "seat": "seat: sees what to do and acknowledges it",
    "reader": "reader: looks, changes nothing",
}

F = TypeVar("F", bound=Callable[..., Any])


def needs(right: Right) -> Callable[[F], F]:
    """Say which right a handler needs; put it between the route and the function."""

    def mark(handler: F) -> F:
        handler.__dict__["needs"] = right
        return handler

    return mark


def right_needed(handler: Any, method: str) -> Right:
    """Return the right that a handler needs: its own word, else reading or working."""
    said: Right | None = getattr(handler, "needs", None)
    return said or ("read" if method in SAFE_METHODS else "work")


@dataclass(frozen=True)
class Session:
    """What a device carries in its signed cookie.

    Parameters
    ----------
    nonce : str
        Binds the CSRF token to this browser.
    device : str
        Id of the paired device; empty for one that is not paired.
    units : {'metric', 'us'}
    comma : bool or None
        Decimal comma; by the browser's language when ``None``.
    name : str
        Who is using the device, for the log.
    """

    nonce: str
    device: str = ""
    units: Literal["metric", "us"] = "metric"
    comma: bool | None = None
    name: str = ""

    def to_plain(self) -> dict[str, Any]:
        """Return the short form that goes into the cookie."""
        return {
            "n": self.nonce,
            "d": self.device,
            "u": self.units,
            "c": self.comma,
            "w": self.name,
        }

    @staticmethod
    def from_plain(plain: Any) -> Session | None:
        """Read it back; ``None`` when it is not one."""
        if not isinstance(plain, dict) or not isinstance(plain.get("n"), str):
            return None
        comma = plain.get("c")
        return Session(
            plain["n"],
            str(plain.get("d") or ""),
            "us" if plain.get("u") == "us" else "metric",
            comma if isinstance(comma, bool) else None,
            str(plain.get("w") or "")[:80],
        )


def new_session() -> Session:
    """Return a session for a browser that has none."""
    return Session(secrets.token_urlsafe(18))


@dataclass(frozen=True)
class Visitor:
    """Who sent a request.

    Parameters
    ----------
    session : Session
        From the cookie, or a new one.
    fresh : bool
        Whether the cookie must be set.
    device : KeptDevice or None
        The paired device, if there is one.
    role : str or None
        What it may do; ``None`` for a stranger.
    local : bool
        Whether the request came from this machine itself.
    bearer : bool
        Whether it named a token instead of a cookie, as programs do.
    csrf : str
        The token that its forms must carry.
    comma : bool
        Whether numbers are shown with a decimal comma.
    """

    session: Session
    fresh: bool
    device: KeptDevice | None
    role: Role | None
    local: bool
    bearer: bool
    csrf: str
    comma: bool

    def may(self, right: Right) -> bool:
        """Whether the visitor has a right."""
        return right == "nothing" or (self.role is not None and right in RIGHTS[self.role])

    @property
    def by(self) -> str:
        """Name under which entries of this visitor are kept."""
        return self.session.name or (self.device.name if self.device else "")


class Signer:
    """Signs cookies and tokens with the server's key."""

    def __init__(self, secret: str) -> None:
        self._secret = secret
        self._session = URLSafeTimedSerializer(secret, salt="session")
        self._bearer = URLSafeTimedSerializer(secret, salt="bearer")
        self._calendar = URLSafeTimedSerializer(secret, salt="calendar")

    def cookie(self, session: Session) -> str:
        """Return the value of a session's cookie."""
        return _text(self._session.dumps(session.to_plain()))

    def session(self, cookie: str | None) -> Session | None:
        """Read a cookie; ``None`` when it is missing, forged or too old."""
        if not cookie:
            return None
        try:
            return Session.from_plain(self._session.loads(cookie, max_age=SESSION_SECONDS))
        except BadSignature:
            return None

    def token(self, device: KeptDevice) -> str:
        """Return the bearer token of a device."""
        return _text(self._bearer.dumps(device.id))

    def device_of(self, token: str) -> str | None:
        """Return the device that a bearer token names; ``None`` when it is forged."""
        try:
            named = self._bearer.loads(token, max_age=SESSION_SECONDS)
        except BadSignature:
            return None
        return named if isinstance(named, str) else None

    def calendar(self, device: KeptDevice) -> str:
        """Return the token of a calendar link; it opens the calendar and nothing else."""
        return _text(self._calendar.dumps(device.id))

    def calendar_of(self, token: str) -> str | None:
        """Return the device that a calendar link names; ``None`` when it is forged."""
        try:
            named = self._calendar.loads(token)
        except BadSignature:
            return None
        return named if isinstance(named, str) else None

    def csrf(self, session: Session) -> str:
        """Return the token that forms of a session must carry."""
        return hmac.new(
            self._secret.encode(), f"csrf {session.nonce}".encode(), hashlib.sha256
        ).hexdigest()

    def signed_in(self, session: Session, device: KeptDevice) -> Session:
        """Return the session after pairing; a new nonce, so that an old page's token ends."""
        return replace(session, nonce=secrets.token_urlsafe(18), device=device.id)


def _text(value: str | bytes) -> str:
    return value.decode() if isinstance(value, bytes) else value


def same_token(given: str, wanted: str) -> bool:
    """Compare two tokens in constant time."""
    return hmac.compare_digest(given.encode(), wanted.encode())


def is_loopback(host: str | None) -> bool:
    """Whether an address is this machine itself.

    Examples
    --------
    >>> is_loopback("127.0.0.1"), is_loopback("::1"), is_loopback("192.168.1.4")
    (True, True, False)
    """
    try:
        return host is not None and ipaddress.ip_address(host).is_loopback
    except ValueError:
        return False


def host_name(header: str) -> str:
    """Return the name in a Host header, without the port.

    Examples
    --------
    >>> host_name("[::1]:8420"), host_name("Yard.lan:8420")
    ('::1', 'yard.lan')
    """
    text = header.strip().lower()
    if text.startswith("["):
        return text[1:].partition("]")[0]
    return text.partition(":")[0].rstrip(".")


def host_allowed(name: str, shared: bool, names: frozenset[str]) -> bool:
    """Whether the server answers to a name, so that no foreign name can be bound to it.

    An address in digits cannot be rebound; a name can, so only known ones are taken.

    Examples
    --------
    >>> host_allowed("evil.example", True, frozenset({"yard.lan"}))
    False
    >>> host_allowed("192.168.1.4", True, frozenset())
    True
    """
    if name == "localhost" or is_loopback(name) or name in names:
        return True
    if not shared:
        return False
    try:
        ipaddress.ip_address(name)
    except ValueError:
        return False
    return True


class Limiter:
    """Lets a few attempts through in each minute, per key.

    Examples
    --------
    >>> few = Limiter(2, seconds=60.0)
    >>> [few.wait("a", now=0.0), few.wait("a", now=1.0), few.wait("a", now=2.0)]
    [0, 0, 58]
    """

    def __init__(self, most: int, seconds: float = 60.0) -> None:
        self._most, self._seconds = most, seconds
        self._seen: dict[str, deque[float]] = {}
        self._lock = threading.Lock()

    def wait(self, key: str, now: float | None = None) -> int:
        """Count an attempt; return 0 when it may go on, else the seconds to wait."""
        at = time.monotonic() if now is None else now
        with self._lock:
            if len(self._seen) > 10_000:
                self._seen.clear()
            times = self._seen.setdefault(key, deque())
            while times and times[0] <= at - self._seconds:
                times.popleft()
            if len(times) >= self._most:
                return max(1, int(times[0] + self._seconds - at + 0.999))
            times.append(at)
            return 0
