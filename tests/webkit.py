"""The real application on a real SQLite file, spoken to as devices do."""

from __future__ import annotations

import importlib
import pkgutil
import re
from collections.abc import Callable, Iterator
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import httpx
from fastapi.routing import APIRoute
from starlette.testclient import TestClient

from sumpwright.demo import past
from sumpwright.demo import yard as demo_yard
from sumpwright.planning.clock import today
from sumpwright.records.sheet import read_sheet
from sumpwright.records.store import Store
from sumpwright.records.taking import Sort, preview, take
from sumpwright.web import routes
from sumpwright.web.app import create_app
from sumpwright.web.settings import WebSettings

LOCAL = ("127.0.0.1", 50_000)
PHONE = ("192.0.2.44", 50_000)


class _Fields(HTMLParser):
    """Collects what a browser would send of a form that nobody touched."""

    def __init__(self, action: str) -> None:
        super().__init__()
        self.action, self.inside = action, False
        self.fields: dict[str, str] = {}
        self._select, self._area = "", ""

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        at = {key: value or "" for key, value in attrs}
        if tag == "form":
            self.inside = at.get("action", "").endswith(self.action)
        if not self.inside:
            return
        name, kind = at.get("name", ""), at.get("type", "text")
        if tag == "input" and name and kind != "file":
            if kind in ("radio", "checkbox") and "checked" not in at:
                return
            self.fields[name] = at.get("value", "")
        elif tag == "select":
            self._select = name
        elif tag == "option" and self._select:
            if "selected" in at or self._select not in self.fields:
                self.fields[self._select] = at.get("value", "")
        elif tag == "textarea":
            self._area = name
            self.fields[name] = ""

    def handle_endtag(self, tag: str) -> None:
        if tag == "form":
            self.inside = False
        elif tag == "select":
            self._select = ""
        elif tag == "textarea":
            self._area = ""

    def handle_data(self, data: str) -> None:
        if self._area:
            self.fields[self._area] += data


class Device:
    """A device with its own cookies."""

    def __init__(self, client: TestClient) -> None:
        self.client = client
        self._token = ("", "")

    def get(self, path: str, **more: Any) -> httpx.Response:
        return self.client.get(path, **more)

    def token(self) -> str:
        """The token of this device's pages, which goes with its cookie."""
        cookie = self.client.cookies.get("sumpwright_session", "")
        if not cookie or cookie != self._token[0]:
            found = re.search(r'name="csrf-token" content="(\w+)"', self.get("/help").text)
            assert found
            self._token = (self.client.cookies.get("sumpwright_session", ""), found[1])
        return self._token[1]

    def form(self, page: str, action: str = "") -> dict[str, str]:
        """Fields of a form as a page shows it; ``action`` is the end of its address."""
        reader = _Fields(action)
        reader.feed(self.get(page).text)
        assert reader.fields, f"{page} has no form {action}"
        return reader.fields

    def post(self, path: str, data: dict[str, Any] | None = None, **more: Any) -> httpx.Response:
        """Send a form as a page of this server does."""
        full = {"csrf_token": self.token(), **(data or {})}
        return self.client.post(path, data=full, follow_redirects=False, **more)

    def api(self, method: str, path: str, **more: Any) -> httpx.Response:
        """Call as a script of a page does."""
        headers = {"x-csrf-token": self.token(), **more.pop("headers", {})}
        return self.client.request(method, f"/api{path}", headers=headers, **more)


class Site:
    """One server, and devices that come to it."""

    def __init__(self, path: Path, share: bool = True, **settings: Any) -> None:
        self.settings = WebSettings(
            db=str(path),
            share=share,
            host="0.0.0.0" if share else "127.0.0.1",
            warm=False,
            **settings,
        )
        self.app = create_app(self.settings)
        self.store: Store = self.app.state.web.store

    def device(
        self, peer: tuple[str, int] = LOCAL, host: str = "127.0.0.1:8420", **more: Any
    ) -> Device:
        return Device(TestClient(self.app, base_url=f"http://{host}", client=peer, **more))

    def paired(self, role: str, name: str = "Ines") -> Device:
        """A phone that was let in with a role."""
        code = self.store.devices.invite(role).code
        phone = self.device(PHONE, "192.0.2.1:8420")
        answer = phone.post("/pair", {"code": code, "name": name, "next": "/help"})
        assert answer.status_code == 303, answer.text
        return phone


def forged(token: str) -> str:
    """Change one sign of a token's signature, not the last: its last bits may carry nothing."""
    place = token.rindex(".") + 5
    return token[:place] + ("x" if token[place] != "x" else "y") + token[place + 1 :]


def fill_yard(store: Store) -> None:
    """Add the machines of the demo yard."""
    for sheet in sorted(Path(str(demo_yard.__path__[0])).glob("*.toml")):
        store.machines.save(read_sheet(sheet), source=sheet.read_text())


def tell_past(store: Store) -> None:
    """Tell the past of the demo yard."""
    tables: dict[Sort, str] = {
        "services": past.services(today()),
        "readings": past.readings(today()),
        "reports": past.reports(today()),
    }
    for sort, text in tables.items():
        take(store, preview(store, sort, text.encode(), f"{sort}.csv"))


def all_routes() -> Iterator[tuple[str, frozenset[str], Callable[..., Any]]]:
    """Give path, methods and handler of every route."""
    for module in pkgutil.iter_modules(routes.__path__):
        prefix = "/api" if module.name.startswith("api") else ""
        for route in importlib.import_module(f"{routes.__name__}.{module.name}").router.routes:
            assert isinstance(route, APIRoute)
            yield prefix + route.path, frozenset(route.methods), route.endpoint
