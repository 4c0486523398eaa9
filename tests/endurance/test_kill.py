"""`kill -9` of the host at random moments, on a real line: afterwards the store equals the counters of the
board, to the closure. $REEDPROOF_KILLS says how often; `make soak` sets it."""

from __future__ import annotations

import multiprocessing
import os
import random
import signal
import threading
import time
from collections import Counter
from pathlib import Path

from cli.command import PluggedBoard
from endurance import host
from endurance.layouts import never, sheet_of
from reedproof.endurance import Endurance
from reedproof.link import Link
from reedproof.sim.board import VirtualBoard
from reedproof.store import Store
from reedproof.transport import SerialTransport
from virtual_lines import make_board, rows

SEED = 41
KILLS = int(os.environ.get("REEDPROOF_KILLS", "20"))
#: 64 records are kept for eight seconds then: longer than it takes to start again, on a busy machine too.
EVERY_US = 250_000
INPUTS = 8
LIMIT_S = 30.0


class Trains:
    """Goes round over all inputs until told to stop; ``made`` counts what must have closed, by input."""

    def __init__(self) -> None:
        self.made: Counter[int] = Counter()
        self.is_running = True
        self._next_us = 200_000

    def __call__(self, board: VirtualBoard) -> None:
        if self.is_running and board.now_us + 20_000 >= self._next_us:
            number = self.made.total() % INPUTS + 1
            board.schedule(number, [(self._next_us, True), (self._next_us + 25_000, False)])
            self.made[number] += 1
            self._next_us += EVERY_US


def test_a_host_that_is_killed_at_any_moment_loses_nothing(tmp_path: Path) -> None:
    print(f"seed {SEED}, {KILLS} kills")
    chance = random.Random(SEED)
    path = tmp_path / "store.sqlite"
    context = multiprocessing.get_context("forkserver")
    context.set_forkserver_preload(["endurance.host"])
    trains = Trains()
    sheet = sheet_of(1, INPUTS)
    with Store(path) as store:
        store.begin_run(time.time(), sheet.model_dump(mode="json"), {})
    with PluggedBoard(make_board(inputs=INPUTS, speed=1.0, on_step=trains)) as wired:
        for attempt in range(KILLS):
            hears, tells = context.Pipe(duplex=False)
            program = context.Process(target=host.work, args=(path, wired.port, tells))
            program.start()
            tells.close()
            try:
                if chance.random() < 0.9:  # else while it starts, or shakes hands
                    assert hears.poll(LIMIT_S), f"seed {SEED}, attempt {attempt}: it does not begin"
                threading.Event().wait(chance.uniform(0, 0.4))
            finally:
                program.kill()
                program.join()
            assert program.exitcode == -signal.SIGKILL, f"seed {SEED}, attempt {attempt}"
        trains.is_running = False
        counted = finish(path, wired.port, trains)
    assert counted == trains.made
    with Store(path) as store:
        ledger = store.ledger(1)
        assert store.run_gaps(1) == []
        in_run = sum(
            len(part) for part in store.closures(1, {("board0", n): n for n in range(1, INPUTS + 1)})
        )
        (first,) = [board.first_number for board in store.run_boards(1)]
    assert [(line.counted, line.lost, line.balances) for line in ledger] == [
        (trains.made[line.input], 0, True) for line in ledger
    ]
    numbers = [number for (number,) in rows(path, "SELECT number FROM records ORDER BY number")]
    assert numbers == list(range(len(numbers))), "each once, and none is missing"
    # A machine that stalls makes the board catch up in a burst, which it may tell as chatter: records, too.
    edges = rows(path, "SELECT count(*) FROM records WHERE kind IN (0, 1)")[0][0]
    assert edges == 2 * trains.made.total()
    before = rows(path, "SELECT count(*) FROM records WHERE kind = 0 AND number < ?", first)[0][0]
    assert in_run == trains.made.total() - before
    assert rows(path, "PRAGMA integrity_check") == [("ok",)]
    print(f"{trains.made.total()} closures, {KILLS} kills, all stored")


def finish(path: Path, port: str, trains: Trains) -> Counter[int]:
    """The last one is let live until the board has told everything; returns the closures stored."""
    with Store(path) as store, Link(lambda: SerialTransport(port)) as link:
        run = store.run()
        store.reopen_run(run.id)
        engine = Endurance(store, run, {"board0": link}, never)
        end_s = time.monotonic() + LIMIT_S
        while True:
            engine.step(0.05)
            ledger = store.ledger(1)
            if sum(line.counted for line in ledger) == trains.made.total() and all(
                line.balances for line in ledger
            ):
                break
            assert time.monotonic() < end_s, f"seed {SEED}: not all of {trains.made.total()} come: {ledger}"
        engine.stop()
        return Counter(store.closures_of_boot(1))
