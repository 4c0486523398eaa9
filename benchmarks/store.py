"""The store: bytes per closure, writing, reading, the exported file, and what a commit costs."""

from __future__ import annotations

import random
import sqlite3
import tempfile
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import numpy as np
from pyarrow import parquet
from sqlalchemy import event

from reedproof.analysis.closures import Closures
from reedproof.export import export
from reedproof.records import Broke, Hello, Made, Record, width_code, width_value
from reedproof.store import Store

Report = Callable[[str, float, str, str], None]

CLOSURES = 200_000
BOARDS = 2
INPUTS = 16
START_S = 1.7e9
BATCH = 10_000
SHEET: dict[str, Any] = {
    "layout": {"name": "Hill Yard"},
    "boards": {f"board {at}": {"kind": "nano"} for at in range(BOARDS)},
    "contacts": [
        {"name": f"contact {at}-{number}", "board": f"board {at}", "input": number}
        for at in range(BOARDS)
        for number in range(1, INPUTS + 1)
    ],
}

Batch = list[tuple[Record, float]]


def batches(closures: int, size: int, seed: int) -> Iterator[Batch]:
    """What one board says about trains that go round; times in steps of 50 us, widths as they come."""
    chance = random.Random(seed)
    batch: Batch = []
    at_us = 3_600_000_000
    for at in range(closures):
        at_us += 50 * chance.randrange(2000, 12_000)
        lasted_us = 50 * chance.randrange(600, 1800)
        number = at % INPUTS + 1
        gap_us, settle_us = (width_value(width_code(chance.randrange(2000))) for _ in range(2))
        made = Made(2 * at, number, at_us, chance.randrange(6), gap_us, settle_us)
        said_ms = width_value(width_code(lasted_us // 1000))
        broke = Broke(2 * at + 1, number, at_us + lasted_us, chance.randrange(4), 0, said_ms)
        batch += [
            (record, START_S + record.time_us / 1e6 + 1e-4 * chance.random()) for record in (made, broke)
        ]
        if len(batch) >= size:
            yield batch
            batch = []
    if batch:
        yield batch


def fill(store: Store, closures: int, size: int = BATCH) -> tuple[int, float]:
    """A run of all boards; its number, and the seconds that storing took."""
    run_id = store.begin_run(START_S, SHEET, {})
    makers = []
    for at in range(BOARDS):
        boot_id = store.boot(Hello(1, 1, 1, at + 1, 1, 1, INPUTS, 50, 0, 0, 0, 0, 64), START_S)
        store.join_run(run_id, f"board {at}", boot_id, 0, START_S, {})
        makers.append((boot_id, batches(closures // BOARDS, size, seed=at)))
    spent_s = 0.0
    for boot_id, maker in makers:
        for batch in maker:
            start = time.perf_counter()
            store.add(boot_id, batch)
            spent_s += time.perf_counter() - start
    return run_id, spent_s


def read_plainly(path: Path) -> list[Any]:
    """Rows into lists, lists into arrays, as one does it."""
    with sqlite3.connect(path) as connection:
        rows = connection.execute(
            "SELECT boot_id, kind, input, host_s, time_us, detail_1, detail_2, detail_3 FROM records "
            "ORDER BY boot_id, number"
        ).fetchall()
    connection.close()
    return [np.array(column, dtype=float) for column in zip(*rows, strict=True)]


def read_parquet(path: Path) -> list[Any]:
    table = parquet.read_table(path)
    names = ("input", "made_us", "duration_ms", "bounces", "dropouts")
    arrays = [table.column(name).to_numpy() for name in names]
    return [table.column("contact").combine_chunks().indices.to_numpy(), *arrays]


def shortest(times: int, work: Callable[[], Any]) -> float:
    spent = []
    for _ in range(times):
        start = time.perf_counter()
        work()
        spent.append(time.perf_counter() - start)
    return min(spent)


def files(report: Report) -> None:
    with tempfile.TemporaryDirectory() as folder:
        path, exported = Path(folder) / "store.sqlite", Path(folder) / "run.parquet"
        with Store(path) as store:
            empty = path.stat().st_size
            run_id, write_s = fill(store, CLOSURES)
            position = {(each["board"], each["input"]): at for at, each in enumerate(SHEET["contacts"])}
            read_s = shortest(2, lambda: Closures.join(list(store.closures(run_id, position))))
            start = time.perf_counter()
            assert export(store, store.run(run_id), exported) == CLOSURES
            export_s = time.perf_counter() - start
        size = path.stat().st_size
        report("store: SQLite file per closure", (size - empty) / CLOSURES, "bytes", "")
        report("store: closures written per second", CLOSURES / write_s, "", "")
        report("store: closures read per second", CLOSURES / read_s, "", "")
        report("export to Parquet: closures per second", CLOSURES / export_s, "", "")
        report("Parquet : SQLite, size", exported.stat().st_size / size, "x", "<= 0.33")
        slow_s = shortest(2, lambda: read_plainly(path))
        fast_s = shortest(5, lambda: read_parquet(exported))
        report("Parquet : SQLite, speed of reading into arrays", slow_s / fast_s, "x", ">= 20")


def commits(report: Report) -> None:
    """Every batch waits for the disk once. On a memory card that takes 50 to 300 ms (common practice, no
    source); here the commit sleeps for that long on top of what it takes anyway."""
    for wait_ms in (0, 50, 300):
        for size in (2, 32, 64, 1000):
            with tempfile.TemporaryDirectory() as folder:
                path = Path(folder) / "store.sqlite"
                with Store(path) as store:
                    with store._transaction() as connection:
                        connection.exec_driver_sql("PRAGMA wal_autocheckpoint=0")
                    event.listen(store._engine, "commit", lambda _, ms=wait_ms: time.sleep(ms / 1000))
                    closures = BOARDS * size * (4 if wait_ms else 200) // 2
                    _, spent_s = fill(store, closures, size)
                    written = Path(f"{path}-wal").stat().st_size
            name = f"commits of {size} records, {wait_ms} ms more each"
            report(f"{name}: closures per second", closures / spent_s, "", "")
            if not wait_ms:
                report(f"{name}: written per closure", written / closures, "bytes", "")


def run(report: Report) -> None:
    commits(report)
    files(report)
