"""Steps that the tests of the level screen share."""

from __future__ import annotations

import io
import re
import time
from collections.abc import Callable
from html import unescape
from typing import Any

import numpy as np

from webkit import Device, Site


def fact(html: str, key: str) -> str:
    found = re.search(rf'data-fact="{key}".*?<dd>(.*?)</dd>', html, re.S)
    assert found, html
    return unescape(re.sub(r"<[^>]+>", " ", found[1]))


def until(what: Callable[[], bool]) -> None:
    for _ in range(400):
        if what():
            return
        time.sleep(0.05)
    raise AssertionError("it never came")


def typed(keeper: Device, job: str, *values: str) -> str:
    for value in values:
        answer = keeper.post(f"/jobs/{job}/level/reading", {"value": value})
        assert answer.status_code == 303, answer.text
    return keeper.get(f"/jobs/{job}/level").text


def started(site: Site, job: str) -> None:
    """The engine runs for the level, by the log of the job."""
    site.store.jobs.append(job, "did", {"step": "start.level"})


def look(keeper: Device, job: str, flow: str, engine: bool = True) -> None:
    data = {"flow": flow, **({"engine": "yes"} if engine else {})}
    assert keeper.post(f"/jobs/{job}/level/look", data).status_code == 303


def send_log(device: Device, job: str, data: bytes, name: str = "warm.csv") -> None:
    answer = device.client.post(
        f"/jobs/{job}/level/replay",
        data={"csrf_token": device.token(), "speed": "0"},
        files={"log": (name, io.BytesIO(data))},
        follow_redirects=False,
    )
    assert answer.status_code == 303, answer.text


def warm(count: int = 600, first: float = 0.0) -> bytes:
    t = np.arange(float(count))
    rows = zip(t, 85.0 - 73.0 * np.exp(-t / 1150.0), strict=True)
    return "\n".join(["seconds,celsius", *(f"{first + a:.0f},{b:.2f}" for a, b in rows)]).encode()


def logged(site: Site, job: str) -> list[dict[str, Any]]:
    return [e.body for e in site.store.jobs.state(job).effective if e.kind == "logged"]
