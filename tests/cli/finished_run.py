"""A store with a run in it, for the commands that show runs."""

from __future__ import annotations

from typing import Any

from reedproof.records import Broke, Hello, Made, Record
from reedproof.store import Store

START_S = 1_700_000_000.0
SHEET: dict[str, Any] = {
    "layout": {"name": "Hill Yard", "scale": "1:87"},
    "boards": {"quarry": {"kind": "nano"}, "mill": {"kind": "uno"}},
    "contacts": [
        {"name": "mill, braking", "board": "mill", "input": 1},
        {"name": 'the "old" bridge', "board": "quarry", "input": 3},
        {"name": "Brücke", "board": "quarry", "input": 1},
    ],
}


def store_run(closures: int = 9, *, ended: bool = True, **options: Any) -> int:
    """Its number. Boards and inputs take turns, a closure each second; the last one is still closed."""
    with Store() as store:
        run_id = store.begin_run(START_S, SHEET, {"passes": 100}, **options)
        batches: dict[str, list[tuple[Record, float]]] = {"quarry": [], "mill": []}
        for at in range(closures):
            board, number = (("mill", 1), ("quarry", 3), ("quarry", 1))[at % 3]
            at_us = 1_000_000 * at
            batch = batches[board]
            batch.append((Made(len(batch), number, at_us, 2, 31, 62), START_S + at))
            if at < closures - 1:
                batch.append((Broke(len(batch), number, at_us + 61_500, 1, 4, 60), START_S + at + 0.0615))
        for board, (name, batch) in enumerate(batches.items(), start=1):
            hello = Hello(1, 1, 1, board, run_id, 1, 16, 50, 0, 0, 0, 0, 64)
            boot_id = store.boot(hello, START_S)
            store.join_run(run_id, name, boot_id, 0, START_S, {})
            store.add(boot_id, batch)
            store.heard(run_id, boot_id, START_S + closures)
        if ended:
            store.end_run(run_id, START_S + 3 * 3600 + 300, "met")
        return run_id
