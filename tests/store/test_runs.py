"""Runs in the store: what belongs to them, what is missing, how they end."""

from __future__ import annotations

import math
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from reedproof.analysis.closures import Closures
from reedproof.errors import StoreError
from reedproof.records import Broke, Fault, FaultChange, Heartbeat, Hello, Made, Record
from reedproof.store import BYTES_PER_CLOSURE, Store
from reedproof.store_runs import Counted
from virtual_lines import rows, stop_waiting_for_the_disk

SHEET: dict[str, Any] = {"layout": {"name": "Hill Yard", "scale": "1:87"}}
PLAN = {"passes": 1000}


def hello(board: int = 7, boot: int = 3) -> Hello:
    return Hello(
        protocol=1, build=0xC0FFEE, kind=1, board=board, boot=boot, reset_cause=1, inputs=16, sample_us=50,
        flags=0, time_us=0, oldest=0, next=0, ring=64,
    )  # fmt: skip


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    with Store(tmp_path / "store.sqlite") as opened:
        yield opened


def closure(number: int, input_: int, at_s: float, lasted_ms: int = 60) -> list[tuple[Made | Broke, float]]:
    at_us = round(at_s * 1e6)
    return [
        (Made(number, input_, at_us, 2, 31, 62), at_s),
        (Broke(number + 1, input_, at_us + 1000 * lasted_ms, 1, 3, lasted_ms), at_s + lasted_ms / 1000),
    ]


def test_a_run_from_its_begin_to_its_end(store: Store) -> None:
    with pytest.raises(StoreError, match="no run yet; 'reedproof endure SHEET' makes one"):
        store.run()
    run_id = store.begin_run(100.0, SHEET, PLAN, simulated=True, seed=5)
    begun = store.run(run_id)
    assert (begun.layout, begun.sheet, begun.plan) == ("Hill Yard", SHEET, PLAN)
    assert (begun.started_s, begun.ended_s, begun.outcome, begun.simulated, begun.seed) == (
        100.0, None, None, True, 5,
    )  # fmt: skip
    boot_id = store.boot(hello(), 100.0)
    store.join_run(run_id, "quarry", boot_id, 0, 101.0, {"make_us": 1000})
    store.heard(run_id, boot_id, 130.0)
    store.add(boot_id, closure(0, 1, 110.0) + closure(2, 2, 120.0))
    store.leave_run(run_id, {boot_id: 3})
    store.end_run(run_id, 140.0, "met")
    store.add(boot_id, closure(4, 2, 150.0))
    (board,) = store.run_boards(run_id)
    assert (board.name, board.boot_id, board.board, board.kind) == ("quarry", boot_id, 7, "nano")
    assert (board.first_number, board.last_number, board.from_s, board.heard_s) == (0, 3, 101.0, 130.0)
    assert board.settings == {"make_us": 1000}
    assert (store.run().ended_s, store.run().outcome) == (140.0, "met")
    (found,) = store.closures(run_id, {("quarry", 1): 0, ("quarry", 2): 1})
    np.testing.assert_array_equal(found.contact, [0, 1])
    np.testing.assert_array_equal(found.made_s, [110.0, 120.0])
    np.testing.assert_array_equal(found.duration_ms, [60.0, 60.0])
    np.testing.assert_array_equal(found.bounces, [3, 3])
    np.testing.assert_array_equal(found.dropouts, [3, 3])


def test_an_open_gap_lasts_until_the_next_record(store: Store) -> None:
    run_id = store.begin_run(100.0, SHEET, PLAN)
    boot_id = store.boot(hello(), 100.0)
    store.join_run(run_id, "quarry", boot_id, 0, 100.0, {})
    store.add(boot_id, closure(0, 1, 110.0) + closure(2, 1, 120.0) + closure(4, 1, 130.0))
    contacts = {("quarry", 1): 0, ("quarry", 2): 1, ("mill", 1): 2}
    store.add_run_gap(run_id, "quarry", 115.0, None, "lost", "the line was silent")
    store.add_run_gap(run_id, None, 200.0, None, "paused", "by the user")
    muted = store.add_run_gap(run_id, "quarry", 112.0, None, "muted", "chatter", input=2)
    store.end_run_gap(muted, 113.0)
    gaps = store.gaps_of_run(run_id, contacts)
    assert [(gap.from_s, gap.to_s, gap.contacts, gap.kind) for gap in gaps] == [
        (112.0, 113.0, frozenset({1}), "muted"),
        (115.0, 120.0, frozenset({0, 1}), "lost"),
        (200.0, math.inf, frozenset({0, 1, 2}), "paused"),
    ]
    store.end_run(run_id, 210.0, "stopped")
    assert store.gaps_of_run(run_id, contacts)[-1].to_s == 210.0


def test_an_unfinished_run_is_abandoned_when_another_is_begun(store: Store) -> None:
    first = store.begin_run(100.0, SHEET, PLAN)
    boot_id = store.boot(hello(), 100.0)
    store.join_run(first, "quarry", boot_id, 0, 100.0, {})
    store.add(boot_id, closure(0, 1, 110.0))
    store.heard(first, boot_id, 120.0)
    elsewhere = store.begin_run(130.0, {"layout": {"name": "Mill Line"}}, PLAN)
    store.begin_run(135.0, SHEET, PLAN, simulated=True)
    assert store.run(first).outcome is None
    second = store.begin_run(140.0, SHEET, PLAN)
    assert [(run.id, run.outcome, run.ended_s) for run in store.runs()] == [
        (first, "abandoned", 120.0), (elsewhere, None, None), (elsewhere + 1, None, None),
        (second, None, None),
    ]  # fmt: skip
    store.add(boot_id, closure(2, 1, 150.0))
    store.end_run(first, 160.0, "met")
    assert store.run(first).outcome == "abandoned"
    assert store.closures_of_run(first) == 1
    assert store.run_boards(first)[0].last_number == 1
    with pytest.raises(StoreError, match=r"run 1 is over \(abandoned\)"):
        store.reopen_run(first)


@pytest.mark.parametrize("outcome", ["met", "failed"])
def test_only_a_stopped_run_goes_on(store: Store, outcome: str) -> None:
    run_id = store.begin_run(100.0, SHEET, PLAN)
    store.end_run(run_id, 110.0, "stopped")
    store.reopen_run(run_id)
    assert (store.run(run_id).outcome, store.run(run_id).ended_s) == (None, None)
    store.reopen_run(run_id)  # a program that was killed left it so
    store.end_run(run_id, 120.0, outcome)
    with pytest.raises(StoreError, match=f"is over \\({outcome}\\)"):
        store.reopen_run(run_id)
    with pytest.raises(StoreError, match="no run number 9"):
        store.reopen_run(9)


def test_what_comes_during_a_pause_is_not_the_runs(store: Store) -> None:
    run_id = store.begin_run(100.0, SHEET, PLAN)
    boot_id = store.boot(hello(), 100.0)
    store.join_run(run_id, "quarry", boot_id, 0, 100.0, {})
    store.add(boot_id, closure(0, 1, 110.0))
    store.leave_run(run_id, {boot_id: 1})
    store.add(boot_id, closure(2, 1, 120.0))
    store.heard(run_id, boot_id, 125.0)  # not in the run: nothing to tell
    store.join_run(run_id, "quarry", boot_id, 4, 130.0, {})
    store.join_run(run_id, "quarry", boot_id, 99, 131.0, {})  # it is in already
    store.add(boot_id, closure(4, 1, 140.0))
    assert [(b.first_number, b.last_number, b.heard_s) for b in store.run_boards(run_id)] == [
        (0, 1, 100.0), (4, None, 131.0),
    ]  # fmt: skip
    found = Closures.join(list(store.closures(run_id, {("quarry", 1): 0})))
    np.testing.assert_array_equal(found.made_s, [110.0, 140.0])


def test_a_closure_takes_the_room_that_is_said(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    stop_waiting_for_the_disk(monkeypatch)
    path = tmp_path / "store.sqlite"
    closures = 40_000
    with Store(path) as store:
        boots = [store.boot(hello(board=board), 1e9) for board in (1, 2)]
        before = path.stat().st_size
        for at in range(0, closures // 2, 16):
            for boot_id in boots:
                batch: list[tuple[Record, float]] = []
                for n in range(at, at + 16):
                    batch += closure(2 * n, n % 16 + 1, 1.7e9 + 0.4001 * n)
                # A board counts from its boot, the host from 1970.
                batch = [(r._replace(time_us=r.time_us - 1_690_000_000_000_000), s) for r, s in batch]  # type: ignore[union-attr]
                store.add(boot_id, batch)
    grown = (path.stat().st_size - before) / closures
    assert grown == pytest.approx(BYTES_PER_CLOSURE, rel=0.1)


def test_a_full_disk_leaves_the_run_as_it_was(store: Store, tmp_path: Path) -> None:
    run_id = store.begin_run(100.0, SHEET, PLAN)
    boot_id = store.boot(hello(), 100.0)
    store.join_run(run_id, "quarry", boot_id, 0, 100.0, {})
    with store._transaction() as connection:
        pages = connection.exec_driver_sql("PRAGMA page_count").scalar()
        connection.exec_driver_sql(f"PRAGMA max_page_count={pages}")
    at = 0
    said = ""
    while not said:
        try:
            store.add(boot_id, closure(at, 1, 110.0 + at))
            at += 2
        except StoreError as error:
            said = str(error)
    assert said.endswith(
        "store.sqlite: the disk is full; what was stored is safe, free some space and start again"
    )
    assert store.next_number(boot_id) == at
    assert store.closures_of_run(run_id) == at // 2
    assert store.run().outcome is None
    assert rows(tmp_path / "store.sqlite", "PRAGMA integrity_check") == [("ok",)]


def test_a_program_that_may_write_no_more(tmp_path: Path) -> None:
    """The operating system itself refuses, in the middle of a file: a limit on its size."""
    path = tmp_path / "store.sqlite"
    program = f"""
import resource, signal
from reedproof.errors import StoreError
from reedproof.records import Hello, Made
from reedproof.store import Store
signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
with Store({str(path)!r}) as store:
    boot_id = store.boot(Hello(1, 1, 1, 7, 3, 1, 16, 50, 0, 0, 0, 0, 64), 0.0)
    resource.setrlimit(resource.RLIMIT_FSIZE, (400_000, 400_000))
    try:
        for at in range(10_000):
            store.add(boot_id, [(Made(at, 1, at, 0, 0, 0), float(at))])
            stored = at + 1
    except StoreError as error:
        print(stored, error)
"""
    ran = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, check=True)
    stored, said = ran.stdout.strip().split(" ", 1)
    assert said.startswith(f"{path}: ")
    assert "\n" not in said
    with Store(path) as store:
        assert store.next_number(1) == int(stored) > 10
    assert rows(path, "PRAGMA integrity_check") == [("ok",)]
    assert "disk I/O error; check it" in said  # not full: too large a file, and that is what it is called


def beat(input_: int, time_us: int, *counted: int) -> Heartbeat:
    """``counted``: edges, closures, blips, dropouts, longest blip and longest dropout."""
    edges, closures, *rest = counted
    return Heartbeat(time_us, 0, 0, 0, 0, 0, input_, 0, edges, closures, 0, *rest)


def test_what_the_boards_of_a_run_counted(store: Store) -> None:
    """A row per boot and input as of the last heartbeat, once, however often a boot joined; other boots are
    left out."""
    run_id = store.begin_run(100.0, SHEET, PLAN)
    first, second, other = (store.boot(hello(boot=boot), 100.0) for boot in (3, 4, 5))
    store.join_run(run_id, "quarry", first, 0, 100.0, {})
    store.leave_run(run_id, {first: 1})
    store.add(first, closure(0, 1, 110.0), [beat(1, 9, 4, 1, 0, 0, 0, 0), beat(2, 9, 0, 0, 0, 0, 0, 0)])
    store.join_run(run_id, "quarry", first, 2, 120.0, {})
    store.add(first, [], [beat(1, 50, 8, 2, 3, 4, 500, 600)])
    store.join_run(run_id, "quarry", second, 0, 130.0, {})
    store.add(second, [], [beat(1, 20, 6, 1, 1, 0, 700, 0)])
    store.add(other, [], [beat(1, 20, 99, 9, 9, 9, 9, 9)])
    assert sorted(store.counted_in_run(run_id)) == [
        Counted("quarry", first, 1, 50, 8, 2, 3, 4, 500, 600),
        Counted("quarry", first, 2, 9, 0, 0, 0, 0, 0, 0),
        Counted("quarry", second, 1, 20, 6, 1, 1, 0, 700, 0),
    ]
    assert store.counted_in_run(run_id + 1) == []


def test_faults_of_a_run(store: Store) -> None:
    """Those recorded while the board was in it, of all its boards, in order of time."""
    run_id = store.begin_run(100.0, SHEET, PLAN)
    first, second = store.boot(hello(), 100.0), store.boot(hello(board=8), 100.0)

    def change(number: int, input_: int, fault: Fault, active: bool, at_s: float) -> tuple[Record, float]:
        return FaultChange(number, input_, round(at_s * 1e6), fault, active), at_s

    store.add(first, [change(0, 1, Fault.CHATTER, True, 105.0)])
    store.join_run(run_id, "quarry", first, 1, 110.0, {})
    store.join_run(run_id, "mill", second, 0, 110.0, {})
    store.add(
        first, [change(1, 1, Fault.CHATTER, False, 120.0), change(2, 2, Fault.STUCK_CLOSED, True, 150.0)]
    )
    store.add(second, [change(0, 9, Fault.SHORTED, True, 130.0)])
    store.leave_run(run_id, {first: 2, second: 0})
    store.add(first, [change(3, 2, Fault.STUCK_CLOSED, False, 160.0)])
    assert store.faults_of_run(run_id) == [
        ("quarry", 1, Fault.CHATTER, False, 120.0),
        ("mill", 9, Fault.SHORTED, True, 130.0),
        ("quarry", 2, Fault.STUCK_CLOSED, True, 150.0),
    ]
    assert store.faults_of_run(run_id + 1) == []
