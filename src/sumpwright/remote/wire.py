"""Talking to a server: one request, one answer or one complaint."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from contextlib import contextmanager
from json import JSONDecodeError
from typing import Any
from urllib.parse import quote, urlsplit

import httpx

from sumpwright.errors import Complaint

_WAIT = httpx.Timeout(120.0, connect=5.0)
_NO_SERVER = "check the address, and that 'sumpwright serve' runs there"


def tidy_address(text: str) -> str:
    """Return the address of a server without anything after its port.

    Raises
    ------
    Complaint
        When it is no address.

    Examples
    --------
    >>> tidy_address("http://127.0.0.1:8420/pair?code=7")
    'http://127.0.0.1:8420'
    """
    try:
        parts = urlsplit(text.strip())
        sound = parts.scheme in ("http", "https") and bool(parts.hostname)
        port = parts.port
    except ValueError:
        sound, port = False, None
    if not sound or "@" in parts.netloc:
        raise Complaint(
            f"'{text}' is no address of a server", "write it such as http://127.0.0.1:8420"
        )
    host = parts.hostname or ""
    host = f"[{host}]" if ":" in host else host
    return f"{parts.scheme}://{host}" + (f":{port}" if port else "")


class Wire:
    """A connection to the API of one server.

    Parameters
    ----------
    address : str
        Such as ``http://127.0.0.1:8420``.
    token : str
        Of the paired device; empty on the server's own machine.
    """

    def __init__(self, address: str, token: str = "") -> None:
        self.address = tidy_address(address)
        # The yard's server stands beside the user: no proxy of the environment is asked.
        self._client = httpx.Client(
            base_url=self.address,
            timeout=_WAIT,
            trust_env=False,
            headers={"authorization": f"Bearer {token}"} if token else {},
        )

    def close(self) -> None:
        """Close the connection."""
        self._client.close()

    def ask(
        self,
        method: str,
        path: str,
        *,
        json: Any = None,
        content: bytes | Iterable[bytes] | None = None,
        params: Mapping[str, Any] | None = None,
        media_type: str = "",
    ) -> Any:
        """Send a request and return its answer read as JSON.

        Raises
        ------
        Complaint
            The server's own, or one that says that it cannot be reached.
        """
        headers = {"content-type": media_type} if media_type else None
        with self._reached():
            answer = self._client.request(
                method,
                f"/api{path}",
                json=json,
                content=content,
                params={k: v for k, v in (params or {}).items() if v is not None},
                headers=headers,
            )
        self._check(answer)
        return None if answer.status_code == 204 else self._plain(answer)

    def file(self, path: str) -> bytes:
        """Return a file of the server."""
        with self._reached():
            answer = self._client.get(f"/api{path}")
        self._check(answer)
        return answer.content

    def stream(self, path: str) -> Iterator[bytes]:
        """Give a large answer piece by piece."""
        with self._reached(), self._client.stream("GET", f"/api{path}") as answer:
            if answer.status_code != 200:
                answer.read()
                self._check(answer)
            yield from answer.iter_bytes()

    @contextmanager
    def _reached(self) -> Iterator[None]:
        try:
            yield
        except (httpx.ConnectError, httpx.ConnectTimeout):
            raise Complaint("the server does not answer", _NO_SERVER, self.address) from None
        except (httpx.HTTPError, httpx.InvalidURL) as error:
            raise Complaint(
                f"the server went away ({type(error).__name__})",
                "look whether what you entered was kept, then do it again",
                self.address,
            ) from None

    def _plain(self, answer: httpx.Response) -> Any:
        try:
            return answer.json()
        except (JSONDecodeError, UnicodeDecodeError):
            raise Complaint("no Sumpwright server answers here", _NO_SERVER, self.address) from None

    def _check(self, answer: httpx.Response) -> None:
        if answer.is_success:
            return
        told = self._plain(answer)
        error = told.get("error") if isinstance(told, dict) else None
        if not isinstance(error, dict) or "what" not in error:
            raise Complaint(
                f"the server answers with {answer.status_code}", _NO_SERVER, self.address
            )
        if answer.status_code == 401:
            raise Complaint(
                "this shell is not paired with the yard, or no longer",
                f"ask the keeper for a pairing code, then: sumpwright pair {self.address} CODE",
                self.address,
            )
        where = str(error.get("where", ""))
        raise Complaint(
            str(error["what"]),
            str(error.get("do", "")),
            "" if where.startswith("events[") else where,
            str(error.get("field", "")),
        )


def part(name: str) -> str:
    """Return a name as one part of an address.

    Examples
    --------
    >>> part("Carrier 2")
    'Carrier%202'
    """
    return quote(name, safe="")
