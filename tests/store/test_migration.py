"""Stores of earlier versions are brought up to date where they are, whole or not at all."""

from __future__ import annotations

import contextlib
import sqlite3
from pathlib import Path

import pytest
from sqlalchemy import Connection

from reedproof import store_tables
from reedproof.errors import StoreError
from reedproof.store import APPLICATION_ID, Store
from reedproof.store_tables import BROKE, FAULT, LOST, MADE, SCHEMA_VERSION
from virtual_lines import rows

#: As SQLite tells the tables that version 1 made.
VERSION_1 = """
CREATE TABLE about ( schema_version INTEGER NOT NULL );
CREATE TABLE boots ( id INTEGER NOT NULL, board BIGINT NOT NULL, boot BIGINT NOT NULL, kind VARCHAR NOT NULL,
  build BIGINT NOT NULL, inputs INTEGER NOT NULL, sample_us INTEGER NOT NULL, reset_cause VARCHAR NOT NULL,
  first_seen_s FLOAT NOT NULL, PRIMARY KEY (id), UNIQUE (board, boot) );
CREATE TABLE proofs ( id INTEGER NOT NULL, made_at_s FLOAT NOT NULL, board BIGINT NOT NULL,
  result JSON NOT NULL, PRIMARY KEY (id) );
CREATE TABLE records ( boot_id INTEGER NOT NULL, number BIGINT NOT NULL, kind VARCHAR NOT NULL, input INTEGER,
  time_us BIGINT, host_s FLOAT NOT NULL, bounces INTEGER, gap_us INTEGER, settle_us INTEGER,
  dropouts INTEGER, duration_ms INTEGER, fault INTEGER, active INTEGER, count BIGINT,
  PRIMARY KEY (boot_id, number), FOREIGN KEY(boot_id) REFERENCES boots (id) ) WITHOUT ROWID;
CREATE TABLE gaps ( id INTEGER NOT NULL, boot_id INTEGER NOT NULL, host_s FLOAT NOT NULL,
  kind VARCHAR NOT NULL, detail VARCHAR NOT NULL, PRIMARY KEY (id),
  FOREIGN KEY(boot_id) REFERENCES boots (id) );
CREATE TABLE counters ( boot_id INTEGER NOT NULL, input INTEGER NOT NULL, next BIGINT NOT NULL,
  time_us BIGINT NOT NULL, edges BIGINT NOT NULL, closures BIGINT NOT NULL, lost INTEGER NOT NULL,
  blips INTEGER NOT NULL, dropouts INTEGER NOT NULL, longest_blip_us INTEGER NOT NULL,
  longest_dropout_us INTEGER NOT NULL, faults INTEGER NOT NULL, snapshots_lost INTEGER NOT NULL,
  frames_bad INTEGER NOT NULL, PRIMARY KEY (boot_id, input), FOREIGN KEY(boot_id) REFERENCES boots (id) );
INSERT INTO about VALUES (1);
INSERT INTO boots VALUES (1, 7, 3, 'nano', 99, 16, 50, 'power_on', 5.0), (2, 8, 1, 'uno', 99, 16, 50,
  'power_on', 6.0);
INSERT INTO records VALUES
  (1, 0, 'made', 3, 281474976710655, 1e9, 255, 507904, 31, NULL, NULL, NULL, NULL, NULL),
  (1, 1, 'broke', 3, 123, 1e9, 4, NULL, NULL, 5, 66, NULL, NULL, NULL),
  (1, 2, 'fault', 16, 456, 1e9, NULL, NULL, NULL, NULL, NULL, 8, 1, NULL),
  (1, 3, 'lost', NULL, NULL, 1e9, NULL, NULL, NULL, NULL, NULL, NULL, NULL, 1000),
  (2, 0, 'made', 1, 5, 1e9, 0, 0, 0, NULL, NULL, NULL, NULL, NULL);
INSERT INTO counters VALUES (1, 3, 1003, 1, 2, 2, 1, 0, 5, 0, 0, 0, 0, 0), (2, 1, 1, 1, 1, 1, 0, 0, 0, 0, 0, 0, 0, 0);
INSERT INTO gaps VALUES (1, 1, 1e9, 'board_full', '1000 records lost on the board');
INSERT INTO proofs VALUES (1, 10.0, 7, '{"good": true}');
"""  # noqa: E501


@pytest.fixture
def old(tmp_path: Path) -> Path:
    path = tmp_path / "old.sqlite"
    with contextlib.closing(sqlite3.connect(path)) as connection:
        connection.execute("PRAGMA journal_mode=WAL")
        connection.execute(f"PRAGMA application_id={APPLICATION_ID}")
        connection.executescript(VERSION_1)
    return path


def test_version_1_is_brought_up_to_date(old: Path) -> None:
    for _ in range(2):  # the second time there is nothing to do
        with Store(old) as store:
            assert store.closures_of_boot(1) == {3: 1}
            assert [store.next_number(boot_id) for boot_id in (1, 2)] == [1003, 1]
            assert [line.balances for line in store.ledger(1) + store.ledger(2)] == [True, True]
            assert store.proof() == (1, {"good": True})
            assert store.runs() == []
    assert rows(old, "SELECT * FROM about") == [(SCHEMA_VERSION,)]
    assert rows(old, "SELECT * FROM records ORDER BY boot_id, number") == [
        (1, MADE, 1e9, 0, 3, 2**48 - 1, 255, 507_904, 31),
        (1, BROKE, 1e9, 1, 3, 123, 4, 5, 66),
        (1, FAULT, 1e9, 2, 16, 456, 8, 1, None),
        (1, LOST, 1e9, 3, None, None, 1000, None, None),
        (2, MADE, 1e9, 0, 1, 5, 0, 0, 0),
    ]
    assert rows(old, "SELECT kind FROM gaps") == [("board_full",)]
    assert rows(old, "PRAGMA foreign_key_check") == []
    assert rows(old, "PRAGMA integrity_check") == [("ok",)]


def test_it_has_the_tables_of_a_new_one(old: Path, tmp_path: Path) -> None:
    Store(old).close()
    Store(tmp_path / "new.sqlite").close()
    query = "SELECT name, sql FROM sqlite_master ORDER BY name"
    assert [name for name, _ in rows(old, query)] == [
        name for name, _ in rows(tmp_path / "new.sqlite", query)
    ]
    records = "SELECT sql FROM sqlite_master WHERE name = 'records'"
    assert rows(old, records) == rows(tmp_path / "new.sqlite", records)


def test_what_breaks_off_has_not_begun(old: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    before = list(rows(old, "SELECT * FROM records"))
    real = store_tables._few_columns

    def breaks_off(connection: Connection) -> None:
        real(connection)
        raise OSError(28, "No space left on device")

    monkeypatch.setitem(store_tables.MIGRATIONS, 1, breaks_off)
    with pytest.raises(StoreError, match="the disk is full; what was stored is safe"):
        Store(old)
    assert rows(old, "SELECT * FROM about") == [(1,)]
    assert rows(old, "SELECT * FROM records") == before
    assert rows(old, "SELECT name FROM sqlite_master WHERE name IN ('runs', 'records_1')") == []
