"""Runs in the store: what belongs to them, what is missing, how they end."""

from __future__ import annotations

import math
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from reedproof.errors import StoreError
from reedproof.records import Broke, Hello, Made
from reedproof.store import Store

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
