"""What people should not send: refused in words, or shown as the text that it is."""

from __future__ import annotations

import io
import json
import re
import zlib
from collections.abc import Iterator
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import httpx
import pytest
from PIL import Image

from sumpwright.records.jobs import KeptJob
from sumpwright.records.store import Store
from sumpwright.web.views.asks import FORMS
from webkit import Device, Site, fill_yard
from webserver import Killable

SCRIPT = "<script>alert(1)</script>"
NAMES = (
    "../../etc/passwd",
    "..\\..\\boot.ini",
    "/etc/shadow",
    "a\r\nSet-Cookie: x=1",
    "",
    "\0.jpg",
)


@pytest.fixture
def site(tmp_path: Path) -> Iterator[Site]:
    made = Site(tmp_path / "yard.db")
    fill_yard(made.store)
    yield made
    made.store.close()


@pytest.fixture
def device(site: Site) -> Device:
    return site.device()


@pytest.fixture
def open_job(device: Device) -> str:
    answer = device.api(
        "POST",
        "/jobs",
        json={"machine": "Van 1", "system": "gearbox", "method": "line-discharge"},
    )
    assert answer.status_code == 201
    return str(answer.json()["id"])


@pytest.mark.parametrize("path", ["/api/attachments?name=x", "/jobs/{job}/photographs", "/verify"])
def test_two_hundred_megabytes_are_refused_in_words(
    store: Store, job: KeptJob, target: str, path: str
) -> None:
    def flood() -> Iterator[bytes]:
        piece = b"\xff" * 1_000_000
        for _ in range(200):
            yield piece

    with Killable(target) as server:
        answer = httpx.post(
            server.address + path.format(job=job.id),
            content=flood(),
            headers={"content-type": "image/jpeg", "content-length": "200000000"},
            timeout=120,
        )
        assert answer.status_code == 413
        assert "are taken here" in answer.text
        assert "nothing was kept" in answer.text
        assert httpx.get(server.address + "/help", timeout=60).status_code == 200
    assert store.attachments.all() == []


def not_pictures() -> Iterator[tuple[str, bytes]]:
    png = io.BytesIO()
    Image.effect_noise((80, 80), 60).save(png, "PNG")
    whole = png.getvalue()
    yield "text under the name of a picture", b"hello"
    yield "only the signature of a PNG", whole[:8]
    yield "a PNG cut short", whole[: len(whole) // 2]
    yield "a page", f"<!doctype html>{SCRIPT}".encode()
    yield (
        "a drawing with a script",
        f"<svg xmlns='http://www.w3.org/2000/svg'>{SCRIPT}</svg>".encode(),
    )
    yield "nothing", b""
    yield "a picture of ten thousand million points", bomb()


def bomb() -> bytes:
    """A PNG of a hundred thousand points a side in a few bytes."""

    def chunk(kind: bytes, data: bytes) -> bytes:
        body = kind + data
        return len(data).to_bytes(4, "big") + body + zlib.crc32(body).to_bytes(4, "big")

    side = (100_000).to_bytes(4, "big")
    head = chunk(b"IHDR", side + side + bytes([8, 2, 0, 0, 0]))
    return (
        b"\x89PNG\r\n\x1a\n"
        + head
        + chunk(b"IDAT", zlib.compress(b"\0" * 1000))
        + chunk(b"IEND", b"")
    )


@pytest.mark.parametrize(
    ("what", "data"), list(not_pictures()), ids=lambda it: it if isinstance(it, str) else ""
)
def test_what_is_no_photograph_is_refused_in_words(
    site: Site, device: Device, open_job: str, what: str, data: bytes
) -> None:
    answer = device.post(
        f"/jobs/{open_job}/photographs",
        {"caption": "vial"},
        files={"photograph": ("vial.png", data, "image/png")},
    )
    assert answer.status_code == 422, what
    assert "not a photograph that can be read" in answer.text
    assert "send it as it came from the camera" in answer.text
    assert site.store.attachments.all() == []
    assert site.store.jobs.state(open_job).photographs == ()


@pytest.mark.parametrize("name", NAMES)
def test_a_path_in_the_name_of_a_file_leads_nowhere(
    site: Site, device: Device, open_job: str, name: str, tmp_path: Path
) -> None:
    picture = io.BytesIO()
    Image.new("RGB", (8, 8), "green").save(picture, "JPEG")
    before = sorted(tmp_path.rglob("*"))
    answer = device.post(
        f"/jobs/{open_job}/photographs",
        files={"photograph": (name or "x.jpg", picture.getvalue(), "image/jpeg")},
    )
    assert answer.status_code == 303
    (kept,) = site.store.attachments.all()
    assert not re.search(r"[/\\\r\n\0]", kept.name)
    assert sorted(p for p in tmp_path.rglob("*") if not p.name.startswith("yard.db")) == [
        p for p in before if not p.name.startswith("yard.db")
    ]
    shown = device.get(f"/api/attachments/{kept.sha256}")
    assert shown.headers["content-type"] == "image/jpeg"
    assert "x=1" not in shown.headers.get("set-cookie", "")

    document = device.get(f"/jobs/{open_job}/record.json").content
    verified = device.post("/verify", files={"record": (name or "x", document, "application/json")})
    assert verified.status_code == 200
    assert "Sound" in verified.text


class Scripts(HTMLParser):
    """Collects what a browser would run."""

    def __init__(self) -> None:
        super().__init__()
        self.run: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        at = dict(attrs)
        if tag == "script" and not (at.get("src") or "").startswith("/static/"):
            self.run.append(tag)
        self.run += [f"{tag} {key}" for key in at if key.startswith("on")]
        self.run += [f"{tag} {v}" for v in at.values() if v and v.strip().startswith("javascript:")]


def runs(page: str) -> list[str]:
    reader = Scripts()
    reader.feed(page)
    return reader.run


def test_a_script_in_every_text_field_is_text(site: Site, device: Device, open_job: str) -> None:
    said = f'{SCRIPT}" onfocus="alert(1)'
    numbers = {"volume": "0.1 L", "torque": "27 N.m", "share": "50 %", "sweeps": "1"}
    for kind, form in FORMS.items():
        typed = {
            ask.name: numbers.get(ask.name, "" if ask.type not in ("text", "long") else said)
            for ask in form.asks
        }
        typed |= {"what": "temperature", "value": "41 C"} if kind == "read" else {}
        typed |= {"plug": "drain"} if kind == "tightened" else {}
        typed["reason"] = said
        if kind == "drove":
            # What was discharged left the line open, and no reason lets it be driven so.
            assert device.post(f"/jobs/{open_job}/enter/{kind}", typed).status_code == 422
            site.store.jobs.append(open_job, "did", {"step": "line-closed"})
        answer = device.post(f"/jobs/{open_job}/enter/{kind}", typed)
        assert answer.status_code == 303, (kind, answer.text)
    for body in (
        {"kind": "overrode", "body": {"step": said, "reason": said}},
        {"kind": "signal", "body": {"to": said, "instruction": said, "text": said, "step": said}},
        {"kind": "adopted", "body": {"name": said, "remarks": {"drain": said}, "skipped": [said]}},
        {"kind": "did", "body": {"step": said}, "by": said},
    ):
        assert device.api("POST", f"/jobs/{open_job}/events", json={"events": [body]}).is_success
    answer = device.post(f"/jobs/{open_job}/enter/drained", {"volume": said})
    assert answer.status_code == 422
    assert runs(answer.text) == []
    close = {"summary": said, "keep": "yes", "name": said, "distance": "100", "first_drive": "yes"}
    assert runs(device.post(f"/jobs/{open_job}/close", close).text) == []
    close["reason"] = said
    assert device.post(f"/jobs/{open_job}/close", close).status_code == 303
    for look in site.store.looks.of(open_job):
        assert device.post(f"/looks/{look.id}/done", {"note": said}).status_code == 303
    for path in ("", "/step", "/calls", "/close", "/record", "/bay", "/seat"):
        page = device.get(f"/jobs/{open_job}{path}").text
        assert runs(page) == [], path
    for path in ("/jobs", "/step-sets", "/"):
        assert runs(device.get(path).text) == [], path
    record = device.get(f"/jobs/{open_job}/record").text
    assert "&lt;script&gt;" in record
    bay = device.get(f"/jobs/{open_job}/bay.json")
    assert bay.headers["content-type"] == "application/json"
    assert bay.headers["x-content-type-options"] == "nosniff"


@pytest.mark.parametrize(
    ("content", "says"),
    [
        (b"not json", "not JSON"),
        (b"[]", "not a Sumpwright document"),
        (b'{"format": "sumpwright-record", "version": 99}', "newer version"),
        (b"\xff\xfe\x00", "not JSON"),
        (b"[" * 100_000, "not JSON"),
    ],
)
def test_a_file_that_is_no_record_is_refused_beside_its_field(
    device: Device, content: bytes, says: str
) -> None:
    answer = device.post("/verify", files={"record": ("r.json", content, "application/json")})
    assert answer.status_code == 422
    assert says in answer.text
    assert 'id="e-record"' in answer.text


def test_a_record_that_was_changed_is_not_sound(device: Device, open_job: str) -> None:
    entry = {"volume": "4.1", "reason": "the plug is loose"}
    assert device.post(f"/jobs/{open_job}/enter/drained", entry).status_code == 303
    document = device.get(f"/jobs/{open_job}/record.json").json()
    document["events"][-1]["body"]["volume"] = 0.0051
    changed = json.dumps(document).encode()
    answer = device.post("/verify", files={"record": ("r.json", changed, "application/json")})
    assert answer.status_code == 200
    assert "Not sound" in answer.text
    cut: dict[str, Any] = device.get(f"/jobs/{open_job}/record.json").json()
    cut["events"].pop()
    answer = device.post(
        "/verify", files={"record": ("r.json", json.dumps(cut).encode(), "application/json")}
    )
    assert "Not sound" in answer.text
