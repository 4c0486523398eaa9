"""What the boards said, kept: SQLite by default, PostgreSQL by URL.

A record is identified by its board, boot and number, so storing it twice stores it once. Whatever
was committed survives a killed program and a power cut; a link acknowledges only what was committed.
"""

from __future__ import annotations

import json
import os
import sqlite3
import time
from collections import Counter
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from sqlalchemy import Connection, case, create_engine, event, func, select
from sqlalchemy.engine import URL, Engine, make_url
from sqlalchemy.exc import ArgumentError, DatabaseError, NoSuchModuleError, SQLAlchemyError

from reedproof.errors import StoreError
from reedproof.records import Broke, FaultChange, Heartbeat, Hello, Lost, Made, Record
from reedproof.store_runs import RunStore
from reedproof.store_tables import (
    BROKE,
    FAULT,
    LOST,
    MADE,
    MIGRATIONS,
    SCHEMA_VERSION,
    about,
    boots,
    counters,
    create,
    gaps,
    is_there,
    migrate,
    proofs,
    records,
    tallies,
)

APPLICATION_ID = 0x52454544  # in the header of our SQLite files
LOCK_WAIT_S = 5.0
_COUNTED = [column.name for column in counters.columns if column.name != "boot_id"]


@dataclass(frozen=True)
class LedgerLine:
    """One input of one boot. ``balances`` is None when it cannot be told: records are still on
    their way, or ``lost`` stands at its maximum."""

    input: int
    recorded: int
    lost: int
    counted: int
    balances: bool | None


LOST_MAX = 65535

#: What a SQLite store grows by with each closure, in small batches of several boards.
BYTES_PER_CLOSURE = 80

#: How many numbers a record takes: one that stands for lost ones takes theirs.
_NUMBERS = case((records.c.kind == LOST, records.c.detail_1), else_=1)


def data_folder() -> Path:
    """The user's folder for our data."""
    base = os.environ.get("XDG_DATA_HOME")
    return (Path(base) if base else Path.home() / ".local" / "share") / "reedproof"


def default_store() -> str:
    """Where the store is when nobody says otherwise: file or URL in $REEDPROOF_STORE, or the user's
    data folder."""
    return os.environ.get("REEDPROOF_STORE") or str(data_folder() / "store.sqlite")


def url_of(where: str | Path) -> URL:
    """Raises ArgumentError, ValueError or RuntimeError for what is neither a file nor a URL."""
    text = str(where)
    if isinstance(where, Path) or "://" not in text:
        return URL.create("sqlite", database=text if text == ":memory:" else str(Path(text).expanduser()))
    url = make_url(text)
    return url.set(drivername="postgresql+psycopg") if url.drivername == "postgresql" else url


def _use_wal(cursor: Any) -> None:
    """SQLite does not wait here when another program opens the same store at this moment."""
    end_s = time.monotonic() + LOCK_WAIT_S
    while True:
        try:
            cursor.execute("PRAGMA journal_mode=WAL")
            return
        except sqlite3.OperationalError as error:
            if "locked" not in str(error) or time.monotonic() > end_s:
                raise
            time.sleep(0.02)


class _SomebodyElses(Exception):
    """The SQLite file holds something, and not ours."""


def _set_up_sqlite(connection: Any, _: object) -> None:
    cursor = connection.cursor()
    cursor.execute(f"PRAGMA busy_timeout={round(LOCK_WAIT_S * 1000)}")
    # First, so that a file of another program is left as it is.
    (things,) = cursor.execute("SELECT count(*) FROM sqlite_master").fetchone()
    (owner,) = cursor.execute("PRAGMA application_id").fetchone()
    if things and owner != APPLICATION_ID:
        raise _SomebodyElses
    _use_wal(cursor)
    # FULL: what is acknowledged to a board must survive a power cut, not only a killed program.
    cursor.execute("PRAGMA synchronous=FULL")
    cursor.execute("PRAGMA foreign_keys=ON")
    cursor.close()


def _row(boot_id: int, record: Record, host_s: float) -> tuple[Any, ...]:
    """In the order of the table's columns."""
    if isinstance(record, Made):
        return (boot_id, MADE, host_s, *record)
    if isinstance(record, Broke):
        return (boot_id, BROKE, host_s, *record)
    if isinstance(record, FaultChange):
        return (boot_id, FAULT, host_s, *record[:-1], int(record.active), None)
    return (boot_id, LOST, host_s, record.number, None, None, record.count, None, None)


def _record(row: Any) -> Record:
    """The inverse of ``_row``."""
    common = (row.number, row.input, row.time_us)
    if row.kind == MADE:
        return Made(*common, row.detail_1, row.detail_2, row.detail_3)
    if row.kind == BROKE:
        return Broke(*common, row.detail_1, row.detail_2, row.detail_3)
    if row.kind == FAULT:
        return FaultChange(*common, row.detail_1, bool(row.detail_2))
    return Lost(row.number, row.detail_1)


class Store(RunStore):
    """Opens the store and makes it where it is missing.

    ``where`` is a file or a database URL; with ``create`` false it must be there already. Raises
    StoreError when it cannot be opened, is not a store, or was made by another version.
    """

    def __init__(self, where: str | Path | None = None, *, create: bool = True) -> None:
        try:
            url = url_of(default_store() if where is None else where)
            is_sqlite = url.get_backend_name() == "sqlite"
            self.name = url.database if is_sqlite else url.render_as_string()
            if url.get_backend_name() not in ("sqlite", "postgresql") or (is_sqlite and url.query):
                raise StoreError(f"{self.name}: neither a file nor a PostgreSQL URL; see --store in --help")
            if is_sqlite and url.database and url.database != ":memory:":
                if not create and not Path(url.database).exists():
                    raise StoreError(f"{self.name}: there is no store yet; 'reedproof prove PORT' makes one")
                Path(url.database).parent.mkdir(parents=True, exist_ok=True)
            self._engine: Engine = create_engine(url)
            marks = ", ".join(["?" if is_sqlite else "%s"] * len(records.columns))
            self._insert_new = f"INSERT INTO records VALUES ({marks}) ON CONFLICT DO NOTHING"
            marks = ", ".join(["?" if is_sqlite else "%s"] * (1 + len(_COUNTED)))
            newer = ", ".join(f"{name} = excluded.{name}" for name in _COUNTED)
            self._put_newer = (
                f"INSERT INTO counters (boot_id, {', '.join(_COUNTED)}) VALUES ({marks}) "
                f"ON CONFLICT (boot_id, input) DO UPDATE SET {newer}"
            )
            if is_sqlite:
                event.listen(self._engine, "connect", _set_up_sqlite)
            with self._engine.begin() as connection:
                self._prepare(connection)
            self._connection = self._engine.connect()
        except (ArgumentError, NoSuchModuleError, ValueError, RuntimeError) as error:
            name = getattr(self, "name", where)  # without the password, once it is known to be a URL
            raise StoreError(f"{name}: not a file or database URL ({error})") from error
        except ImportError as error:
            raise StoreError(
                f"{self.name}: the driver is missing ({error}); type: pip install 'reedproof[postgresql]'"
            ) from error
        except _SomebodyElses as error:
            raise StoreError(
                f"{self.name}: this database is somebody else's; choose another with --store"
            ) from error
        except (DatabaseError, OSError) as error:
            raise self._refusal(error) from error

    def _refusal(self, error: Exception) -> StoreError:
        # Not all of an OSError's text: it names the file, and a file may be called anything.
        text = str(getattr(error, "orig", None) or getattr(error, "strerror", None) or error)
        where = getattr(self, "name", "store")
        if "is full" in text or "No space" in text:
            return StoreError(
                f"{where}: the disk is full; what was stored is safe, free some space and start again"
            )
        if "not a database" in text:
            return StoreError(f"{where}: this file is not a reedproof store; choose another with --store")
        if "locked" in text:
            return StoreError(f"{where}: another program holds the store; close it and try again")
        if "readonly" in text or "unable to open" in text or "ermission" in text:
            return StoreError(f"{where}: cannot be written to; check the folder and its permissions")
        return StoreError(f"{where}: {text.splitlines()[0]}; check it, or choose another with --store")

    def _prepare(self, connection: Connection) -> None:
        if connection.dialect.name == "sqlite":
            # Two programs may make the same store at once, and SQLite begins no transaction by itself
            # to create tables in.
            connection.exec_driver_sql("BEGIN IMMEDIATE")
        if not is_there(connection):
            create(connection)
            if connection.dialect.name == "sqlite":
                connection.exec_driver_sql(f"PRAGMA application_id={APPLICATION_ID}")
        version = connection.execute(select(about.c.schema_version)).scalar()
        if version is None:
            connection.execute(about.insert().values(schema_version=SCHEMA_VERSION))
        elif version in MIGRATIONS:
            migrate(connection, version)
        elif version != SCHEMA_VERSION:
            raise StoreError(
                f"{self.name}: made by another version of reedproof (schema {version}, this program "
                f"knows {SCHEMA_VERSION}); update reedproof or choose another store with --store"
            )

    # ---- writing: each call is one transaction ----

    def boot(self, hello: Hello, host_s: float) -> int:
        """The id of a board's boot, entered on first sight."""
        with self._transaction() as connection:
            found = connection.execute(
                select(boots.c.id).where(boots.c.board == hello.board, boots.c.boot == hello.boot)
            ).scalar()
            if found is not None:
                return int(found)
            row = {
                "board": hello.board, "boot": hello.boot, "kind": hello.kind_name, "build": hello.build,
                "inputs": hello.inputs, "sample_us": hello.sample_us, "reset_cause": hello.reset_name,
                "first_seen_s": host_s,
            }  # fmt: skip
            key = connection.execute(boots.insert().values(row)).inserted_primary_key
            assert key is not None
            return int(key[0])

    def add(
        self, boot_id: int, batch: Iterable[tuple[Record, float]], beats: Iterable[Heartbeat] = ()
    ) -> None:
        """Stores records with their host times, and the newest counters, in one transaction.
        Records that are there already are left as they are."""
        rows = [_row(boot_id, record, host_s) for record, host_s in batch]
        newest = {beat.input: beat for beat in beats}
        with self._transaction() as connection:
            if rows:
                connection.exec_driver_sql(self._insert_new, rows)
                # What was counted before they came is not the truth any more.
                oldest = min(row[3] for row in rows)
                connection.execute(
                    tallies.delete().where(tallies.c.boot_id == boot_id, tallies.c.below > oldest)
                )
            if newest:
                self._put_counters(connection, boot_id, newest.values())
                self._put_tally(connection, boot_id)

    def _put_counters(self, connection: Connection, boot_id: int, beats: Iterable[Heartbeat]) -> None:
        rows = [(boot_id, *(getattr(beat, name) for name in _COUNTED)) for beat in beats]
        connection.exec_driver_sql(self._put_newer, rows)

    def add_gap(self, boot_id: int, host_s: float, kind: str, detail: str) -> None:
        """A stretch that was not observed is stored, never skipped."""
        with self._transaction() as connection:
            connection.execute(gaps.insert().values(boot_id=boot_id, host_s=host_s, kind=kind, detail=detail))

    def save_proof(self, made_at_s: float, board: int, result: Mapping[str, Any]) -> int:
        with self._transaction() as connection:
            key = connection.execute(
                proofs.insert().values(
                    made_at_s=made_at_s, board=board, result=json.loads(json.dumps(result))
                )
            ).inserted_primary_key
            assert key is not None
            return int(key[0])

    # ---- reading ----

    def proof(self, proof_id: int | None = None) -> tuple[int, dict[str, Any]]:
        """A proof by its number, or the newest one. Raises StoreError when there is none."""
        query = select(proofs.c.id, proofs.c.result).order_by(proofs.c.id.desc()).limit(1)
        if proof_id is not None:
            query = query.where(proofs.c.id == proof_id)
        with self._transaction() as connection:
            row = connection.execute(query).first()
        if row is None:
            which = "no proof yet" if proof_id is None else f"no proof number {proof_id}"
            raise StoreError(f"{self.name}: {which}; 'reedproof prove PORT' makes one")
        return int(row[0]), dict(row[1])

    def proofs(self) -> list[tuple[int, float, int]]:
        """(number, seconds since 1970, board) of all proofs, oldest first."""
        query = select(proofs.c.id, proofs.c.made_at_s, proofs.c.board).order_by(proofs.c.id)
        with self._transaction() as connection:
            return [(int(a), float(b), int(c)) for a, b, c in connection.execute(query)]

    def closures_of_boot(self, boot_id: int) -> dict[int, int]:
        """Recorded closures per input."""
        query = (
            select(records.c.input, func.count())
            .where(records.c.boot_id == boot_id, records.c.kind == MADE)
            .group_by(records.c.input)
        )
        with self._transaction() as connection:
            return {int(number): int(count) for number, count in connection.execute(query)}

    def next_number(self, boot_id: int) -> int:
        """The number of the first record of this boot that is not stored."""
        with self._transaction() as connection:
            return self._next_number(connection, boot_id)

    @staticmethod
    def _next_number(connection: Connection, boot_id: int) -> int:
        query = (
            select(records.c.number, _NUMBERS)
            .where(records.c.boot_id == boot_id)
            .order_by(records.c.number.desc())
            .limit(1)
        )
        row = connection.execute(query).first()
        return 0 if row is None else int(row[0]) + int(row[1])

    def newest(self, boot_id: int, count: int) -> list[tuple[Record, float]]:
        """The last ``count`` records of a boot, oldest first, with their host times."""
        query = select(records).where(records.c.boot_id == boot_id).order_by(records.c.number.desc())
        with self._transaction() as connection:
            found = connection.execute(query.limit(count)).all()
        return [(_record(row), float(row.host_s)) for row in reversed(found)]

    def last_boot(self, board: int) -> int:
        """The newest boot of a board that is known; 0 when none is."""
        query = select(func.max(boots.c.boot)).where(boots.c.board == board)
        with self._transaction() as connection:
            return int(connection.execute(query).scalar() or 0)

    def samples_lost(self, boot_id: int) -> int | None:
        """How many samples the board could not follow, as it said last; None: never heard."""
        query = select(counters.c.snapshots_lost).where(counters.c.boot_id == boot_id)
        with self._transaction() as connection:
            return connection.execute(query.order_by(counters.c.time_us.desc()).limit(1)).scalar()

    def _tally(self, connection: Connection, boot_id: int) -> tuple[int, int, dict[int, int]]:
        """Of all that is stored: the number that follows, how many numbers are taken, closures by input."""
        row = connection.execute(select(tallies).where(tallies.c.boot_id == boot_id)).first()
        below, numbers = (int(row.below), int(row.numbers)) if row else (0, 0)
        made = Counter({int(number): int(count) for number, count in row.made.items()} if row else {})
        counted = select(records.c.kind, records.c.input, func.sum(_NUMBERS))
        newer = (records.c.boot_id == boot_id) & (records.c.number >= below)
        for kind, number, count in connection.execute(
            counted.where(newer).group_by(records.c.kind, records.c.input)
        ):
            numbers += int(count)
            if kind == MADE:
                made[number] += int(count)
        return self._next_number(connection, boot_id), numbers, dict(made)

    def _put_tally(self, connection: Connection, boot_id: int) -> None:
        below, numbers, made = self._tally(connection, boot_id)
        connection.execute(tallies.delete().where(tallies.c.boot_id == boot_id))
        row = {"boot_id": boot_id, "below": below, "numbers": numbers, "made": made}
        connection.execute(tallies.insert().values(row))

    def ledger(self, boot_id: int) -> list[LedgerLine]:
        """Proves per input that recorded + lost = counted, as of the input's last heartbeat."""
        newer = (
            select(func.count())
            .where(
                records.c.boot_id == boot_id,
                records.c.kind == MADE,
                records.c.input == counters.c.input,
                records.c.number >= counters.c.next,
            )
            .scalar_subquery()
        )
        query = (
            select(counters.c.input, counters.c.lost, counters.c.closures, counters.c.next, newer)
            .where(counters.c.boot_id == boot_id)
            .order_by(counters.c.input)
        )
        lines = []
        with self._transaction() as connection:
            following, numbers, made = self._tally(connection, boot_id)
            # Less than all is here when some went to another host or store.
            stored = following if numbers == following else 0
            for number, lost, closures, next_number, count in connection.execute(query):
                recorded = made.get(number, 0) - count
                known = next_number <= stored and lost < LOST_MAX
                balances = recorded + lost == closures if known else None
                lines.append(LedgerLine(number, recorded, lost, closures, balances))
        return lines

    # ---- plumbing ----

    def _transaction(self) -> _Transaction:
        return _Transaction(self)

    def close(self) -> None:
        self._connection.close()
        self._engine.dispose()

    def __enter__(self) -> Store:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()


class _Transaction:
    """A transaction on the store's one connection, with errors in the user's words."""

    def __init__(self, store: Store) -> None:
        self._store = store

    def __enter__(self) -> Connection:
        connection = self._store._connection
        if connection.in_transaction():  # a Ctrl-C came just after it had begun, before anybody could end it
            connection.rollback()
        self._begun = connection.begin()
        return connection

    def __exit__(self, kind: object, error: BaseException | None, _: object) -> None:
        try:
            if error is None:
                self._begun.commit()
            else:
                self._begun.rollback()
        except SQLAlchemyError as failed:
            self._begun.close()
            raise self._store._refusal(failed) from failed
        if isinstance(error, SQLAlchemyError):
            raise self._store._refusal(error) from error
