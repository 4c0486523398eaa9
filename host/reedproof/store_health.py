"""How a store is, found out without writing to it: nothing is made, brought up to date or repaired."""

from __future__ import annotations

import os
import shutil
import sqlite3
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path

from sqlalchemy import Connection, create_engine, func, select
from sqlalchemy.engine import URL
from sqlalchemy.exc import ArgumentError, SQLAlchemyError
from sqlalchemy.pool import NullPool

from reedproof.store import APPLICATION_ID, LOCK_WAIT_S, url_of
from reedproof.store_tables import MIGRATIONS, SCHEMA_VERSION, about, is_there, runs

CHECK_S = 30.0  # for reading a whole SQLite store
STEPS = 10_000  # of SQLite's machine between two looks at the clock: some milliseconds


@dataclass(frozen=True)
class Health:
    """What is known of a store; no text in it names a file, a server or a user.

    ``problem`` is what keeps it from being used, ``damage`` what reading it through found; None where there
    is nothing. ``checked`` is False where there was no time to read it all, ``waiting`` True where records
    of a killed program were not looked at. ``version`` None where there is no store yet.
    """

    database: str
    problem: str | None = None
    version: int | None = None
    unfinished: int = 0
    damage: str | None = None
    checked: bool = True
    waiting: bool = False
    size_bytes: int | None = None
    free_bytes: int | None = None

    @property
    def is_old(self) -> bool:
        return self.version in MIGRATIONS


def health(where: str | Path, *, check_s: float = CHECK_S) -> Health:
    """How the store at a file or URL is. Never raises for what it finds."""
    try:
        url = url_of(where)
    except (ArgumentError, ValueError, RuntimeError):
        return Health("unknown", "its name is neither a file nor a database URL")
    if url.get_backend_name() == "postgresql":
        return _of_server(url)
    if url.get_backend_name() != "sqlite" or url.query:
        return Health("unknown", "its name is neither a file nor a PostgreSQL URL")
    return _of_file(Path(url.database or ":memory:").absolute(), check_s)


def _of_file(file: Path, check_s: float) -> Health:
    folder = next(parent for parent in file.parents if parent.exists())
    seen = Health("SQLite")
    try:
        seen = replace(seen, free_bytes=shutil.disk_usage(folder).free)
    except OSError:
        return replace(seen, problem="its folder cannot be looked into")
    if not folder.is_dir() or not os.access(folder, os.W_OK | os.X_OK):
        return replace(seen, problem="nothing can be written in its folder")
    if not file.exists():
        return seen
    if not file.is_file():
        return replace(seen, problem="there is a folder or a device in its place")
    logs = [file.with_name(file.name + ending) for ending in ("-wal", "-shm")]
    seen = replace(seen, size_bytes=sum(part.stat().st_size for part in (file, *logs) if part.exists()))
    if not os.access(file, os.R_OK | os.W_OK):
        return replace(seen, problem="this user may not read and write it")
    has_logs = all(log.exists() for log in logs)
    found = _look_into(file, seen, check_s, is_open=has_logs)
    if not has_logs and all(log.exists() for log in logs):  # another program has opened it meanwhile
        found = _look_into(file, seen, check_s, is_open=True)
    return found


def _look_into(file: Path, seen: Health, check_s: float, *, is_open: bool) -> Health:
    """With its logs beside it a store is read through them; without, as a file that nobody changes: SQLite
    would make the logs even to read."""
    seen = replace(seen, waiting=not is_open and file.with_name(file.name + "-wal").exists())
    try:
        with _reading(file, is_open=is_open) as connection:
            (things,) = connection.exec_driver_sql("SELECT count(*) FROM sqlite_master").one()
            (owner,) = connection.exec_driver_sql("PRAGMA application_id").one()
            if things and owner != APPLICATION_ID:
                return replace(seen, problem="this database is somebody else's")
            if not things:
                return seen
            seen = _read(connection, seen)
            said = _read_through(connection, check_s)
            if said is None:
                return replace(seen, checked=False)
            return seen if said == "ok" else replace(seen, damage=said.splitlines()[-1])
    except SQLAlchemyError as error:
        if "malformed" in str(error):
            return replace(seen, damage="parts of the file cannot be read")
        return replace(seen, problem=_problem(error))


def _problem(error: SQLAlchemyError) -> str:
    text = str(getattr(error, "orig", error))
    if "not a database" in text:
        return "this file is not a reedproof store"
    if "locked" in text:
        return "another program holds the store"
    return "it cannot be read"


def _read_through(connection: Connection, check_s: float) -> str | None:
    """What SQLite says of all pages; None where the time was not enough."""
    end_s = time.monotonic() + check_s
    raw = connection.connection.dbapi_connection
    assert isinstance(raw, sqlite3.Connection)
    raw.set_progress_handler(lambda: time.monotonic() > end_s, STEPS)
    try:
        return str(connection.exec_driver_sql("PRAGMA quick_check(1)").scalar())
    except SQLAlchemyError as error:
        if "interrupted" not in str(error):
            raise
        return None
    finally:
        raw.set_progress_handler(None, 0)


@contextmanager
def _reading(file: Path, *, is_open: bool) -> Iterator[Connection]:
    how = "readonly_shm=1" if is_open else "immutable=1"

    def connect() -> sqlite3.Connection:
        return sqlite3.connect(f"{file.as_uri()}?mode=ro&{how}", uri=True, timeout=LOCK_WAIT_S)

    with create_engine("sqlite://", creator=connect, poolclass=NullPool).connect() as connection:
        yield connection


def _of_server(url: URL) -> Health:
    seen = Health("PostgreSQL")
    try:
        engine = create_engine(url, poolclass=NullPool, connect_args={"connect_timeout": round(LOCK_WAIT_S)})
        with engine.connect() as connection:
            connection.exec_driver_sql("SET TRANSACTION READ ONLY")
            return _read(connection, seen) if is_there(connection) else seen
    except ImportError:
        return replace(seen, problem="the driver is missing; type: pip install 'reedproof[postgresql]'")
    except SQLAlchemyError:
        return replace(seen, problem="the server does not let us in, or does not answer")


def _read(connection: Connection, seen: Health) -> Health:
    version = connection.execute(select(about.c.schema_version)).scalar()
    seen = replace(seen, version=version)
    if version != SCHEMA_VERSION and version not in MIGRATIONS:
        return replace(
            seen,
            problem=f"made by another version of reedproof (schema {version}, this program knows "
            f"{SCHEMA_VERSION})",
        )
    going_on = select(func.count()).select_from(runs).where(runs.c.ended_s.is_(None))
    has_runs = connection.dialect.has_table(connection, runs.name)
    return replace(seen, unfinished=connection.execute(going_on).scalar_one() if has_runs else 0)
