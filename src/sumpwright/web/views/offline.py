"""The service worker with the list of files that it keeps."""

from __future__ import annotations

import hashlib
import json
from pathlib import Path

KEPT = (
    "style.css",
    "machine.css",
    "books.css",
    "base.js",
    "drop.svg",
    "job.css",
    "bay.css",
    "bay_act.css",
    "bay_sizes.css",
    "seat.css",
)
"""Files kept besides the scripts of the job screens."""


def kept_files(static: Path) -> list[str]:
    """Return the paths below ``static`` that the screens need without network."""
    scripts = sorted(f"job/{path.name}" for path in (static / "job").glob("*.js"))
    return [name for name in (*KEPT, *scripts) if (static / name).is_file()]


def worker_script(static: Path) -> str:
    """Return the service worker's script; another one as soon as a kept file changes.

    Examples
    --------
    >>> from sumpwright.web.pages import STATIC
    >>> worker_script(STATIC).startswith("const KEPT = [")
    True
    """
    names = kept_files(static)
    mark = hashlib.sha256()
    for name in names:
        mark.update(name.encode() + (static / name).read_bytes())
    head = f"const KEPT = {json.dumps([f'/static/{name}' for name in names])};\n"
    head += f'const VERSION = "{mark.hexdigest()[:12]}";\n'
    return head + (static / "job" / "worker.js").read_text(encoding="utf-8")
