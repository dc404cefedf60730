"""The shell answers at once because it imports little; told by a list, not by a clock."""

from __future__ import annotations

import subprocess
import sys

import pytest

HEAVY = {
    "PIL",
    "alembic",
    "altair",
    "can",
    "chemicals",
    "cv2",
    "fastapi",
    "httpx",
    "jinja2",
    "numpy",
    "pandas",
    "pint",
    "platformdirs",
    "psycopg",
    "pydantic",
    "rich",
    "scipy",
    "serial",
    "skimage",
    "sqlalchemy",
    "starlette",
    "tree_sitter",
    "typst",
    "uvicorn",
    "vl_convert",
}

_RUN = """
import sys
from sumpwright.cli import main
try:
    main(sys.argv[1:])
except SystemExit as end:
    print(end.code, sorted({name.partition(".")[0] for name in sys.modules}), file=sys.stderr)
"""


@pytest.mark.parametrize(
    ("line", "needed"),
    # The options of a command are read with pydantic by the library that reads them.
    [(["--help"], set()), (["job", "drain", "--help"], {"pydantic"})],
)
def test_help_imports_nothing_heavy(line: list[str], needed: set[str]) -> None:
    ran = subprocess.run(
        [sys.executable, "-c", _RUN, *line], capture_output=True, text=True, check=True
    )
    code, _, names = ran.stderr.partition(" ")
    assert code == "0"
    assert "'sumpwright'" in names
    assert {name for name in HEAVY if f"'{name}'" in names} == needed
