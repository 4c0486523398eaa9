"""The tables of the store, and how older stores become what they are now."""

from __future__ import annotations

from collections.abc import Callable

from sqlalchemy import (
    JSON,
    BigInteger,
    Boolean,
    Column,
    Connection,
    Float,
    ForeignKey,
    Integer,
    MetaData,
    SmallInteger,
    String,
    Table,
    UniqueConstraint,
    inspect,
)

SCHEMA_VERSION = 2

#: ``records.kind``. The two that fill the store take no room at all in SQLite.
MADE, BROKE, FAULT, LOST = range(4)

metadata = MetaData()

about = Table("about", metadata, Column("schema_version", Integer, nullable=False))

boots = Table(
    "boots",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("board", BigInteger, nullable=False),
    Column("boot", BigInteger, nullable=False),
    Column("kind", String, nullable=False),
    Column("build", BigInteger, nullable=False),
    Column("inputs", Integer, nullable=False),
    Column("sample_us", Integer, nullable=False),
    Column("reset_cause", String, nullable=False),
    Column("first_seen_s", Float, nullable=False),  # seconds since 1970, by the host's clock
    UniqueConstraint("board", "boot"),
)

#: Few columns, because millions of rows come: the details are the record's own, in its order. Of a made
#: record bounces, gap_us and settle_us; of a broke one bounces, dropouts and duration_ms; of a fault change
#: the fault and whether it is active; of a lost one the count.
records = Table(
    "records",
    metadata,
    Column("boot_id", Integer, ForeignKey("boots.id"), primary_key=True),
    Column("kind", SmallInteger, nullable=False),
    Column("host_s", Float, nullable=False),
    Column("number", BigInteger, primary_key=True),
    Column("input", SmallInteger),
    Column("time_us", BigInteger),
    Column("detail_1", BigInteger, nullable=False),
    Column("detail_2", Integer),
    Column("detail_3", Integer),
    sqlite_with_rowid=False,
)

#: Per boot, what is stored below a number, so that nobody has to count millions of records again.
tallies = Table(
    "tallies",
    metadata,
    Column("boot_id", Integer, ForeignKey("boots.id"), primary_key=True),
    Column("below", BigInteger, nullable=False),
    Column("numbers", BigInteger, nullable=False),  # that are taken, by records and by lost ones
    Column("made", JSON, nullable=False),  # closures by input
)

gaps = Table(
    "gaps",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("boot_id", Integer, ForeignKey("boots.id"), nullable=False),
    Column("host_s", Float, nullable=False),
    Column("kind", String, nullable=False),
    Column("detail", String, nullable=False),
)

counters = Table(
    "counters",
    metadata,
    Column("boot_id", Integer, ForeignKey("boots.id"), primary_key=True),
    Column("input", Integer, primary_key=True),
    Column("next", BigInteger, nullable=False),
    Column("time_us", BigInteger, nullable=False),
    Column("edges", BigInteger, nullable=False),
    Column("closures", BigInteger, nullable=False),
    Column("lost", Integer, nullable=False),
    Column("blips", Integer, nullable=False),
    Column("dropouts", Integer, nullable=False),
    Column("longest_blip_us", Integer, nullable=False),
    Column("longest_dropout_us", Integer, nullable=False),
    Column("faults", Integer, nullable=False),
    Column("snapshots_lost", Integer, nullable=False),
    Column("frames_bad", Integer, nullable=False),
)

proofs = Table(
    "proofs",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("made_at_s", Float, nullable=False),
    Column("board", BigInteger, nullable=False),
    Column("result", JSON, nullable=False),
)

runs = Table(
    "runs",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("layout", String, nullable=False),
    Column("sheet", JSON, nullable=False),
    Column("plan", JSON, nullable=False),
    Column("started_s", Float, nullable=False),
    Column("ended_s", Float),
    Column("outcome", String),
    Column("simulated", Boolean, nullable=False),
    Column("seed", BigInteger),
)

#: Stretches of records that belong to a run; a pause begins another one, and so does a reboot.
run_boards = Table(
    "run_boards",
    metadata,
    Column("run_id", Integer, ForeignKey("runs.id"), primary_key=True),
    Column("boot_id", Integer, ForeignKey("boots.id"), primary_key=True),
    Column("first_number", BigInteger, primary_key=True),
    Column("last_number", BigInteger),
    Column("name", String, nullable=False),
    Column("from_s", Float, nullable=False),
    Column("heard_s", Float, nullable=False),
    Column("settings", JSON, nullable=False),
)

run_gaps = Table(
    "run_gaps",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("run_id", Integer, ForeignKey("runs.id"), nullable=False),
    Column("board", String),  # the sheet's name; NULL for all boards
    Column("input", SmallInteger),  # NULL for all inputs
    Column("from_s", Float, nullable=False),
    Column("to_s", Float),
    Column("kind", String, nullable=False),
    Column("detail", String, nullable=False),
)


def create(connection: Connection) -> None:
    metadata.create_all(connection)


def is_there(connection: Connection) -> bool:
    return inspect(connection).has_table(about.name)


def _few_columns(connection: Connection) -> None:
    """Version 2: `records` had text for a kind, and a column for each detail."""
    execute = connection.exec_driver_sql
    execute("CREATE TABLE records_1 AS SELECT * FROM records")
    execute("DROP TABLE records")
    create(connection)
    for number, kind, details in (
        (MADE, "made", "bounces, gap_us, settle_us"),
        (BROKE, "broke", "bounces, dropouts, duration_ms"),
        (FAULT, "fault", "fault, active, NULL"),
        (LOST, "lost", "count, NULL, NULL"),
    ):
        execute(
            f"INSERT INTO records SELECT boot_id, {number}, host_s, number, input, time_us, {details} "
            f"FROM records_1 WHERE kind = '{kind}' ORDER BY boot_id, number"
        )
    execute("DROP TABLE records_1")


#: What makes a store of one version one of the next.
MIGRATIONS: dict[int, Callable[[Connection], None]] = {1: _few_columns}


def migrate(connection: Connection, version: int) -> None:
    """Brings a store of a known version up to date, within the caller's transaction."""
    while version in MIGRATIONS:
        MIGRATIONS[version](connection)
        version += 1
    connection.execute(about.update().values(schema_version=version))
