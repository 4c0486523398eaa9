"""Ten million closures of a run: stored, accounted for, bounded and reported; where the time goes, and how
much memory it takes."""

from __future__ import annotations

import resource
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from benchmarks.host import Report
from benchmarks.passes import sheet, trains
from reedproof import report as report_module
from reedproof.records import Broke, Hello, Made, Record, width_code, width_value
from reedproof.report import build
from reedproof.report_html import render
from reedproof.store import Store

CLOSURES = 10_000_000
PORTION = 100_000
BATCH = 10_000


def _records(closures: int) -> Iterator[list[tuple[Record, float]]]:
    """What the board says, in batches."""
    number, begun_s, offset_s = 0, 1.7e9, 0.0
    for seed in range(closures // PORTION):
        portion = trains(PORTION, seed)
        made_s = portion.made_s + offset_s
        offset_s = float(made_s[-1]) + 2.0 - begun_s
        batch: list[tuple[Record, float]] = []
        for contact, at_s, length_ms in zip(
            portion.contact.tolist(), made_s.tolist(), portion.duration_ms.tolist(), strict=True
        ):
            at_us, length_us = round((at_s - begun_s) * 1e6), round(length_ms * 1000)
            said_ms = width_value(width_code(length_us // 1000))
            batch.append((Made(number, contact + 1, at_us, 1, 30, 200), at_s))
            broke = Broke(number + 1, contact + 1, at_us + length_us, 0, 0, said_ms)
            batch.append((broke, at_s + length_us / 1e6))
            number += 2
            if len(batch) >= BATCH:
                yield batch
                batch = []
        if batch:
            yield batch


class _Watch:
    """Adds up the time that is spent in something."""

    def __init__(self) -> None:
        self.spent_s = 0.0

    def call(self, work: Any) -> Any:
        def timed(*arguments: Any, **named: Any) -> Any:
            start = time.perf_counter()
            try:
                return work(*arguments, **named)
            finally:
                self.spent_s += time.perf_counter() - start

        return timed


def _peak_mb() -> float:
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024


def run(report: Report, closures: int = CLOSURES) -> None:
    storing, reading, accounting = _Watch(), _Watch(), _Watch()
    with tempfile.TemporaryDirectory() as folder, Store(Path(folder) / "store.sqlite") as store:
        description = sheet().model_dump(mode="json", exclude_none=True)
        run_id = store.begin_run(1.7e9, description, {"kind": "passes", "passes": 1})
        boot_id = store.boot(Hello(1, 1, 1, 1, 1, 1, 16, 50, 0, 0, 0, 0, 64), 1.7e9)
        store.join_run(run_id, "one", boot_id, 0, 1.7e9, {})
        add = storing.call(store.add)
        for batch in _records(closures):
            add(boot_id, batch)
            last_s = batch[-1][1]
        store.heard(run_id, boot_id, last_s)
        store.end_run(run_id, last_s, "met")
        before_mb = _peak_mb()

        read = store.closures

        def timed_read(*arguments: Any) -> Iterator[Any]:
            portions = read(*arguments)
            step = reading.call(lambda: next(portions, None))
            while (portion := step()) is not None:
                yield portion

        store.closures = timed_read  # type: ignore[method-assign]
        accountant = report_module.Accountant
        report_module.Accountant = _timed(accountant, accounting)  # type: ignore[misc]
        try:
            start = time.perf_counter()
            page = render(build(store, run_id))
            whole_s = time.perf_counter() - start
        finally:
            report_module.Accountant = accountant  # type: ignore[misc]
        after_mb = _peak_mb()
    millions = closures / 1e6
    rest_s = whole_s - reading.spent_s - accounting.spent_s
    name = f"{millions:g} million closures"
    report(f"{name}: stored in", storing.spent_s, "s", "")
    report(f"{name}: read again in", reading.spent_s, "s", "")
    report(f"{name}: accounted for and watched for drift in", accounting.spent_s, "s", "")
    report(f"{name}: bounded and reported in", rest_s, "s", "")
    report(f"{name}: the whole", storing.spent_s + whole_s, "s", "<= 60" if millions == 10 else "")
    report(f"{name}: the page", len(page) / 1024, "kB", "")
    report(f"{name}: peak memory", after_mb, "MB", "")
    report(f"{name}: growth of the peak while reported", after_mb - before_mb, "MB", "")


def _timed(accountant: type[Any], watch: _Watch) -> type[Any]:
    class Timed(accountant):  # type: ignore[misc]
        feed = watch.call(accountant.feed)
        finish = watch.call(accountant.finish)

    return Timed
