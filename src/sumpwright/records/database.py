"""Opening a database, bringing it up to date, and putting its failures into words."""

from __future__ import annotations

import os
import shutil
import sqlite3
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import sqlalchemy as sa
from platformdirs import user_data_path
from sqlalchemy.engine import URL, Connection, Engine, make_url
from sqlalchemy.exc import ArgumentError, DBAPIError
from sqlalchemy.exc import TimeoutError as PoolTimeout

from sumpwright.errors import Complaint
from sumpwright.records.migrations import HEAD

ENVIRONMENT = "SUMPWRIGHT_DB"
BUSY_SECONDS = 15.0
"""How long a process waits for another that is writing."""
NO_ROOM = 64 * 1024
"""Bytes below which a disk is called full when a write has failed on it."""
MIGRATION_LOCK = 0x53554D50

_SQLITE_ADVICE = (
    ("disk is full", "the disk is full", "free some space, then do it again"),
    ("disk i/o error", "the disk does not take the data", "free some space or check the disk"),
    ("file is not a database", "this file is not a Sumpwright database", "name another file"),
    ("malformed", "the database is damaged", "restore a copy, or import your last export"),
    (
        "is locked",
        "another program keeps the database busy",
        "close that program, or try again in a moment",
    ),
    (
        "readonly",
        "the database cannot be written to",
        "check that the file is still there and that you may write to it and its folder",
    ),
    (
        "unable to open",
        "the database cannot be opened",
        "check that the folder is there and that you may write to it",
    ),
    ("string or blob too big", "the entry is too large", "make it smaller"),
)

_POSTGRESQL_ADVICE = {
    "53100": ("the disk of the database server is full", "free some space, then do it again"),
    "53300": ("the database server has no connection free", "try again in a moment"),
    "55P03": ("another program keeps the database busy", "try again in a moment"),
    "25006": ("the database cannot be written to", "connect to the server that takes writes"),
    "42501": ("the database refuses this user", "grant this user the rights on its tables"),
}


def default_target() -> str:
    """Return where the database is when nothing else is said: the setting, or the user's folder."""
    return os.environ.get(ENVIRONMENT) or str(user_data_path("sumpwright") / "yard.db")


def to_url(target: str | Path | None) -> URL:
    """Return the address of a database named by path or URL.

    Raises
    ------
    Complaint
        When the text is neither.

    Examples
    --------
    >>> to_url("yard.db").database, to_url("postgresql://db/yard").drivername
    ('yard.db', 'postgresql+psycopg')
    """
    text = str(target) if target is not None else default_target()
    if "://" not in text:
        if not text.strip() or "\0" in text:
            raise Complaint("the database has no name", f"give a path, or set {ENVIRONMENT}")
        return URL.create("sqlite", database=str(Path(text).expanduser()))
    try:
        url = make_url(text)
    except ArgumentError:
        raise Complaint(
            "the address of the database cannot be read", "write a path or postgresql://host/name"
        ) from None
    backend = url.get_backend_name()
    if backend in ("postgresql", "postgres"):
        return url.set(drivername="postgresql+psycopg")
    if backend == "sqlite" and url.database and url.database != ":memory:":
        return url.set(drivername="sqlite")
    raise Complaint(
        f"a database of the kind '{backend}' is not supported",
        "write a path to a file, or postgresql://host/name",
    )


def name_of(url: URL) -> str:
    """Return what to call a database in a message, its password left out."""
    if url.get_backend_name() == "sqlite":
        return str(url.database)
    return url.set(drivername="postgresql").render_as_string(hide_password=True)


def in_words(error: BaseException, where: str) -> Complaint:
    """Return the complaint that a database's failure amounts to."""
    cause: BaseException = getattr(error, "orig", None) or error
    text = str(cause).strip()
    state = getattr(cause, "sqlstate", None)
    if state in _POSTGRESQL_ADVICE:
        what, do = _POSTGRESQL_ADVICE[state]
        return Complaint(what, do, where)
    if isinstance(cause, sqlite3.Error):
        told = "disk is full" if _no_room(text, where) else text.lower()
        for sign, what, do in _SQLITE_ADVICE:
            if sign in told:
                return Complaint(what, do, where)
    line = text.splitlines()[0] if text else type(cause).__name__
    if not isinstance(cause, sqlite3.Error) and (
        isinstance(error, PoolTimeout) or state is None or state.startswith("08")
    ):
        return Complaint(
            f"the database server cannot be reached ({line})",
            "check its address and start it",
            where,
        )
    return Complaint(f"the database failed ({line})", "try again; nothing was half-written", where)


def _no_room(text: str, where: str) -> bool:
    """Whether SQLite failed to write because there is no room, which it does not always say."""
    if "disk i/o error" not in text.lower():
        return False
    try:
        return shutil.disk_usage(Path(where).parent).free < NO_ROOM
    except OSError:
        return False


@contextmanager
def spoken(where: str) -> Iterator[None]:
    """Turn the failures of a database inside the block into complaints."""
    try:
        yield
    except (DBAPIError, sqlite3.Error, PoolTimeout) as error:
        raise in_words(error, where) from error


def open_engine(target: str | Path | None) -> Engine:
    """Open a database, making or updating its tables.

    A database of a newer version, or a file that is something else, is left as it is.

    Raises
    ------
    Complaint
        Says what stands in the way.
    """
    url = to_url(target)
    where = name_of(url)
    with spoken(where):
        if url.get_backend_name() == "sqlite":
            path = Path(str(url.database))
            if path.is_dir():
                raise Complaint("this is a folder, not a database", "name a file in it", where)
            if path.exists() and path.stat().st_size:
                _look_first(path, where)
            else:
                _make_folder(path.parent, where)
            engine = _sqlite_engine(url)
        else:
            engine = sa.create_engine(url, pool_pre_ping=True)
        try:
            _update(engine, where)
        except BaseException:
            engine.dispose()
            raise
    return engine


def unmade(target: str | Path | None) -> Path | None:
    """Return the file that opening a database would make; ``None`` where it is there already.

    Examples
    --------
    >>> unmade("/nowhere/yard.db"), unmade("postgresql://db/yard")
    (PosixPath('/nowhere/yard.db'), None)
    """
    url = to_url(target)
    if url.get_backend_name() != "sqlite":
        return None
    path = Path(str(url.database))
    return None if path.exists() else path


def _make_folder(folder: Path, where: str) -> None:
    own = user_data_path("sumpwright")
    # Several folders at once are a slip in the path sooner than a new yard.
    if not folder.parent.is_dir() and folder != own:
        raise Complaint(
            f"there is no folder {folder.parent}",
            "check the path, or make the folder first",
            where,
        )
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise Complaint(
            f"the folder of the database cannot be made ({error.strerror})",
            "name another place",
            where,
        ) from error


def writing(engine: Engine) -> Engine:
    """Return the engine with its transactions begun for writing (SQLite takes its lock at once)."""
    return engine.execution_options(sumpwright_write=True)


def _look_first(path: Path, where: str) -> None:
    """Refuse a foreign or newer SQLite file before anything of it is touched."""
    # Reading a file at rest as immutable leaves no log files of SQLite beside it.
    at_rest = not path.with_name(f"{path.name}-wal").exists()
    try:
        seen = _peek(path, "immutable=1" if at_rest else "mode=ro")
    except sqlite3.DatabaseError:
        if not at_rest:
            raise
        # Another process may have begun to write meanwhile.
        seen = _peek(path, "mode=ro")
    _judge(*seen, where)


def _peek(path: Path, how: str) -> tuple[str | None, set[str]]:
    uri = f"{path.resolve().as_uri()}?{how}"
    connection = sqlite3.connect(uri, uri=True, timeout=BUSY_SECONDS)
    try:
        tables = {row[0] for row in connection.execute("SELECT name FROM sqlite_master")}
        if "alembic_version" not in tables:
            return None, tables
        row = connection.execute("SELECT version_num FROM alembic_version").fetchone()
        return (row[0] if row else None), tables
    finally:
        connection.close()


def _judge(version: str | None, tables: set[str], where: str) -> None:
    if version is None:
        if tables - {"alembic_version", "alembic_version_pkc", "sqlite_sequence"}:
            raise Complaint(
                "this is the database of another program", "name another file or database", where
            )
        return
    if version > HEAD or not version.isdigit():
        raise Complaint(
            f"this database was written by a newer version of Sumpwright (its tables are at "
            f"{version}, this version knows {HEAD})",
            "update Sumpwright; nothing was touched",
            where,
        )


def _sqlite_engine(url: URL) -> Engine:
    engine = sa.create_engine(url, connect_args={"timeout": BUSY_SECONDS})

    @sa.event.listens_for(engine, "connect")
    def _prepare(connection: sqlite3.Connection, _record: Any) -> None:
        # The driver's own transaction handling begins too late for a lock at once.
        connection.isolation_level = None
        connection.execute(f"PRAGMA busy_timeout = {int(BUSY_SECONDS * 1000)}")
        if connection.execute("PRAGMA journal_mode").fetchone()[0] != "wal":
            _to_wal(connection)
        connection.execute("PRAGMA synchronous = FULL")
        connection.execute("PRAGMA foreign_keys = ON")
        connection.execute("PRAGMA recursive_triggers = ON")

    @sa.event.listens_for(engine, "begin")
    def _begin(connection: Connection) -> None:
        now = connection.get_execution_options().get("sumpwright_write", False)
        connection.exec_driver_sql("BEGIN IMMEDIATE" if now else "BEGIN")

    return engine


def _to_wal(connection: sqlite3.Connection) -> None:
    # SQLite does not wait by itself when two processes change the mode at once.
    deadline = time.monotonic() + BUSY_SECONDS
    while True:
        try:
            connection.execute("PRAGMA journal_mode = WAL")
            return
        except sqlite3.OperationalError as error:
            if "locked" not in str(error) or time.monotonic() > deadline:
                raise
            time.sleep(0.02)


def _version(connection: Connection) -> tuple[str | None, set[str]]:
    tables = set(sa.inspect(connection).get_table_names())
    if "alembic_version" not in tables:
        return None, tables
    return connection.scalar(sa.text("SELECT version_num FROM alembic_version")), tables


def _update(engine: Engine, where: str) -> None:
    with engine.connect() as connection:
        version, tables = _version(connection)
    _judge(version, tables, where)
    if version == HEAD:
        return
    with writing(engine).begin() as connection:
        if connection.dialect.name == "postgresql":
            connection.execute(sa.select(sa.func.pg_advisory_xact_lock(MIGRATION_LOCK)))
        version, tables = _version(connection)
        _judge(version, tables, where)
        if version != HEAD:
            migrate(connection)


def migrate(connection: Connection, to: str = "head") -> None:
    """Bring the tables of a connection to a revision, in the transaction that is open on it."""
    # Alembic is slow to import and needed only here.
    from alembic.config import Config
    from alembic.runtime.environment import EnvironmentContext
    from alembic.script import ScriptDirectory

    script = ScriptDirectory(str(Path(__file__).with_name("migrations")))

    def upgrade(revision: Any, _context: Any) -> Any:
        return script._upgrade_revs(to, revision)

    with EnvironmentContext(Config(), script, fn=upgrade) as environment:
        environment.configure(connection=connection)
        environment.run_migrations()
