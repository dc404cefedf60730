"""Tokens of servers that this shell is paired with."""

from __future__ import annotations

import json
import os
import tempfile
from pathlib import Path

from platformdirs import user_config_path

from sumpwright.errors import Complaint

ENVIRONMENT = "SUMPWRIGHT_TOKEN"


def place() -> Path:
    """Return the file in which tokens are kept, readable by the user alone."""
    return user_config_path("sumpwright") / "tokens.json"


def token_for(address: str) -> str:
    """Return the token for a server: the setting, or the one kept; empty when there is none."""
    return os.environ.get(ENVIRONMENT, "").strip() or _all().get(address, "")


def keep(address: str, token: str) -> Path:
    """Keep the token of a server and return the file that holds it.

    Raises
    ------
    Complaint
        When it cannot be written.
    """
    path = place()
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        handle, temporary = tempfile.mkstemp(dir=path.parent)
        with open(handle, "w", encoding="utf-8") as file:
            json.dump({**_all(), address: token}, file)
        os.replace(temporary, path)
    except OSError as error:
        raise Complaint(
            f"the token cannot be kept ({error.strerror or error})",
            f"set {ENVIRONMENT}={token} instead",
            str(path),
        ) from error
    return path


def _all() -> dict[str, str]:
    try:
        known = json.loads(place().read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return {}
    return {str(k): str(v) for k, v in known.items()} if isinstance(known, dict) else {}
