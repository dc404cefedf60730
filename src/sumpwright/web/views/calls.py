"""The interface for programs as a page: every call of the OpenAPI description."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any


@dataclass(frozen=True)
class Call:
    """One call."""

    method: str
    path: str
    what: str


@dataclass(frozen=True)
class Group:
    """The calls about one thing."""

    name: str
    calls: tuple[Call, ...]


def groups(description: Mapping[str, Any]) -> list[Group]:
    """Return the calls of an OpenAPI description by what they are about.

    Examples
    --------
    >>> call = {"tags": ["jobs"], "description": "List the jobs.\\n\\nMore."}
    >>> groups({"paths": {"/api/jobs": {"get": call}}})[0].calls[0].what
    'List the jobs.'
    """
    found: dict[str, list[Call]] = {}
    for path, methods in description["paths"].items():
        for method, call in methods.items():
            what = str(call.get("description", "")).partition("\n\n")[0]
            name = (call.get("tags") or ["other"])[0]
            found.setdefault(name, []).append(Call(method.upper(), path, what))
    return [Group(name, tuple(calls)) for name, calls in sorted(found.items())]
