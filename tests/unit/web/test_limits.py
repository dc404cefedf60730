"""What is sent may be too much, or not what it says."""

from __future__ import annotations

import io
from collections.abc import Iterator
from typing import Any

import pytest
from PIL import Image

from sumpwright.web.settings import MB
from webkit import PHONE, Device, Site

FORM = {"content-type": "application/x-www-form-urlencoded"}


def flood(total: int) -> Iterator[bytes]:
    """A body whose sender does not say how long it is."""
    for _ in range(total // MB):
        yield b"x" * MB


def test_what_says_it_is_too_large_is_refused_before_it_is_read(site: Site) -> None:
    told = {"content-length": str(200 * MB), "content-type": "image/jpeg"}
    sent = 0

    def body() -> Iterator[bytes]:
        nonlocal sent
        sent += 1
        yield b"\xff\xd8\xff"

    answer = site.device().client.post("/api/attachments", content=body(), headers=told)
    assert answer.status_code == 413
    assert "200 MB" in answer.json()["error"]["what"]
    assert site.store.attachments.all() == []


@pytest.mark.parametrize(
    ("path", "most"), [("/api/attachments", 26), ("/api/jobs", 1), ("/api/machines", 1)]
)
def test_what_does_not_say_how_large_it_is_is_stopped_at_the_limit(
    site: Site, path: str, most: int
) -> None:
    answer = site.device().client.post(
        path, content=flood((most + 3) * MB), headers={"content-type": "application/json"}
    )
    assert answer.status_code == 413
    assert answer.json()["error"]["do"]


def test_a_page_says_that_a_form_is_too_large(keeper: Device) -> None:
    answer = keeper.client.post("/machines/import", content=b"x" * (2 * MB), headers=FORM)
    assert answer.status_code == 413
    assert "2 MB were sent" in answer.text


def test_a_stranger_sends_next_to_nothing(site: Site) -> None:
    stranger = site.device(PHONE, "192.0.2.1:8420")
    assert stranger.client.post("/pair", content=b"x" * 70_000, headers=FORM).status_code == 413
    assert stranger.client.post("/api/import", content=flood(2 * MB)).status_code == 401


def picture(kind: str = "PNG", **more: Any) -> bytes:
    out = io.BytesIO()
    Image.new("RGB", (8, 8), "red").save(out, kind, **more)
    return out.getvalue()


def placed() -> Image.Exif:
    """What a camera writes of the place and of itself."""
    exif = Image.Exif()
    exif[0x010F] = "Invented maker"
    exif.get_ifd(0x8825)[2] = (47.0, 16.0, 12.5)
    return exif


@pytest.mark.parametrize(("kind", "media"), [("PNG", "image/png"), ("JPEG", "image/jpeg")])
def test_of_a_photograph_only_the_pixels_are_kept_once_and_given_back(
    site: Site, kind: str, media: str
) -> None:
    client = site.device().client
    sent = picture(kind, exif=placed())
    assert Image.open(io.BytesIO(sent)).getexif().get_ifd(0x8825)
    for _ in range(2):
        answer = client.post(
            "/api/attachments",
            params={"name": "../../etc/vial 3.png"},
            content=sent,
            headers={"content-type": media},
        )
        assert answer.status_code == 201
    (kept,) = site.store.attachments.all()
    assert kept.name == "vial 3.jpg"
    back = client.get(f"/api/attachments/{kept.sha256}")
    shown = Image.open(io.BytesIO(back.content))
    assert shown.size == (8, 8)
    assert shown.convert("RGB").getpixel((4, 4))[0] > 200  # type: ignore[index]
    assert not shown.getexif()
    assert b"Invented maker" not in back.content
    assert back.headers["content-type"] == "image/jpeg"
    assert "sandbox" in back.headers["content-security-policy"]


@pytest.mark.parametrize(
    ("content", "media"),
    [
        (b"not a picture", "image/png"),
        (b"\x89PNG\r\n\x1a\n" + b"junk" * 10, "image/png"),
        (picture()[:-20], "image/png"),
        (picture(), "image/jpeg"),
        (b"\xff\xd8\xff" + b"\x00" * 50, "image/jpeg"),
        (b"\x00\x00\x00\x18ftypheic" + b"\x00" * 30, "image/heic"),
        (b"", "image/png"),
        (b"<script>alert(1)</script>", "text/html"),
        (b"<svg xmlns='http://www.w3.org/2000/svg'/>", "image/svg+xml"),
        (b"x", ""),
    ],
)
def test_what_is_not_what_it_says_is_refused(site: Site, content: bytes, media: str) -> None:
    answer = site.device().client.post(
        "/api/attachments", content=content, headers={"content-type": media}
    )
    assert answer.status_code == 422, answer.text
    assert answer.json()["error"]["field"] == "attachment"
    assert site.store.attachments.all() == []


def test_a_text_file_is_given_back_as_a_download(site: Site) -> None:
    client = site.device().client
    answer = client.post(
        "/api/attachments",
        content=b"<script>alert(1)</script>",
        headers={"content-type": "text/plain"},
    )
    back = client.get(f"/api/attachments/{answer.json()['sha256']}")
    assert back.headers["content-disposition"].startswith("attachment")
    assert back.headers["x-content-type-options"] == "nosniff"


SCRIPT = "<script>alert('x')</script>\"><img src=x onerror=alert(1)>"


def test_script_in_every_field_of_a_machine_is_only_text(site: Site, keeper: Device) -> None:
    fields = keeper.form("/machines/new", "/machines/new")
    texts = ("machine_name", "name", "fluid", "currency", "capacity_note", "drain_note")
    for name in texts:
        fields[name] = SCRIPT
    fields["capacity"] = "9 L"
    fields["drain"] = "4 L"
    assert keeper.post("/machines/new", fields).status_code == 303
    machine = next(m for m in site.store.machines.all() if m.name == SCRIPT)
    at = f"/machines/{machine.id}"
    for page in (
        "/",
        at,
        f"{at}/edit",
        f"{at}/prices",
        f"{at}/sheet",
        f"{at}/versions/1",
        f"{at}/retire",
        f"{at}/systems/1/edit",
        f"{at}/systems/1/plan",
        f"{at}/systems/1/remove",
    ):
        answer = keeper.get(page)
        assert answer.status_code == 200, page
        assert "<script>alert" not in answer.text, page
        assert "<img src=x" not in answer.text, page
    wrong = {**fields, "capacity": SCRIPT}
    answer = keeper.post("/machines/new", wrong)
    assert answer.status_code == 422
    assert "<script>alert" not in answer.text
