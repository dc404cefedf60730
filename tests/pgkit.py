"""A PostgreSQL server of the tests' own: started when first needed, gone when they end."""

from __future__ import annotations

import atexit
import os
import pwd
import shutil
import signal
import subprocess
import tempfile
import time
import uuid
from collections.abc import Iterator
from contextlib import contextmanager
from functools import cache
from glob import glob
from pathlib import Path

import psycopg
import pytest
import sqlalchemy as sa

from sumpwright.records.store import Store

GIVEN = os.environ.get("SUMPWRIGHT_TEST_SERVER", "")
"""Address of a server on which databases may be made, to use instead of an own one."""
USER = "sumpwright"
SETTINGS = {
    # What a crash would lose is only a test's.
    "fsync": "off",
    "synchronous_commit": "off",
    "full_page_writes": "off",
    "listen_addresses": "",
    "max_connections": "60",
    "shared_buffers": "32MB",
    "autovacuum": "off",
}
PATIENCE = 60.0


def _programs() -> Path:
    found = sorted(glob("/usr/lib/postgresql/*/bin/initdb"), key=lambda p: int(p.split("/")[4]))
    if found:
        return Path(found[-1]).parent
    on_path = shutil.which("initdb")
    if on_path is None:
        pytest.fail("PostgreSQL is not installed: run 'make system-packages'")
    return Path(on_path).resolve().parent


@cache
def server() -> str:
    """Return the address of the server, starting one if none was given."""
    if GIVEN:
        return GIVEN
    programs = _programs()
    folder = Path(tempfile.mkdtemp(prefix="sumpwright-pg-"))
    # The server refuses to run as root, so root lends it somebody else's name.
    other: dict[str, object] = {}
    if os.geteuid() == 0:
        nobody = pwd.getpwnam("nobody")
        os.chown(folder, nobody.pw_uid, nobody.pw_gid)
        other = {"user": nobody.pw_uid, "group": nobody.pw_gid, "extra_groups": []}
    environment = {"PATH": os.environ.get("PATH", ""), "LC_ALL": "C.UTF-8", "TZ": "UTC"}
    common: dict[str, object] = {"cwd": folder, "env": environment, **other}
    data = folder / "data"
    made = subprocess.run(
        [programs / "initdb", "-D", data, "-U", USER, "-A", "trust", "-E", "UTF8", "--no-sync"],
        capture_output=True,
        text=True,
        check=False,
        **common,  # type: ignore[call-overload]
    )
    assert made.returncode == 0, made.stderr
    options = [word for k, v in SETTINGS.items() for word in ("-c", f"{k}={v}")]
    with open(folder / "log", "w") as log:
        process = subprocess.Popen(
            [programs / "postgres", "-D", data, "-k", folder, *options],
            stdout=log,
            stderr=log,
            **common,  # type: ignore[call-overload]
        )
    atexit.register(_stop, process, folder)
    _wait(process, folder)
    return f"postgresql://{USER}@/postgres?host={folder}"


def _wait(process: subprocess.Popen[bytes], folder: Path) -> None:
    deadline = time.monotonic() + PATIENCE
    while True:
        try:
            psycopg.connect(f"host={folder} user={USER} dbname=postgres").close()
            return
        except psycopg.OperationalError:
            over = process.poll() is not None or time.monotonic() > deadline
            if over:
                raise RuntimeError((folder / "log").read_text()) from None
            time.sleep(0.05)


def _stop(process: subprocess.Popen[bytes], folder: Path) -> None:
    process.send_signal(signal.SIGINT)
    try:
        process.wait(30)
    except subprocess.TimeoutExpired:
        process.kill()
    shutil.rmtree(folder, ignore_errors=True)


@cache
def _admin() -> sa.Engine:
    url = sa.make_url(server()).set(drivername="postgresql+psycopg")
    return sa.create_engine(url, isolation_level="AUTOCOMMIT")


def _do(command: str) -> None:
    with _admin().connect() as connection:
        connection.execute(sa.text(command))


def _address(name: str) -> str:
    return sa.make_url(server()).set(database=name).render_as_string(hide_password=False)


@cache
def _template() -> str:
    """Make a database that has its tables, to be copied."""
    name = f"t{uuid.uuid4().hex}"
    _do(f"CREATE DATABASE {name}")
    Store.open(_address(name)).close()
    atexit.register(_drop_template, name)
    return name


def _drop_template(name: str) -> None:
    if GIVEN:
        _do(f"DROP DATABASE {name} WITH (FORCE)")


@contextmanager
def database(*, ready: bool = False) -> Iterator[str]:
    """Give the address of a new database, with its tables if it shall be ready."""
    name = f"t{uuid.uuid4().hex}"
    _do(f"CREATE DATABASE {name}" + (f" TEMPLATE {_template()}" if ready else ""))
    try:
        yield _address(name)
    finally:
        _do(f"DROP DATABASE {name} WITH (FORCE)")
