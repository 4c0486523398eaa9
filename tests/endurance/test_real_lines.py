"""Several boards on real lines in real time: one that is dead does not hold up the others."""

from __future__ import annotations

import time
from pathlib import Path

from cli.command import PluggedBoard
from endurance.layouts import never, sheet_of
from reedproof.endurance import Endurance
from reedproof.link import Link
from reedproof.sim.board import VirtualBoard
from reedproof.store import Store
from reedproof.transport import SerialTransport
from virtual_lines import make_board, named

BOARDS = 3
#: 64 records are kept for 1.3 s; a handshake that nobody answers takes 3 s.
EVERY_US = 40_000


def test_a_dead_board_does_not_hold_up_the_others(tmp_path: Path) -> None:
    made = [0] * BOARDS

    def trains(at: int) -> object:
        def go(board: VirtualBoard) -> None:
            next_us = 500_000 + made[at] * EVERY_US
            if board.now_us + 20_000 >= next_us:
                board.schedule(made[at] % 4 + 1, [(next_us, True), (next_us + 20_000, False)])
                made[at] += 1

        return go

    boards = [
        make_board(memory=named(0xB0 + at), inputs=4, speed=1.0, on_step=trains(at)) for at in range(BOARDS)
    ]
    wired = [PluggedBoard(board) for board in boards]
    try:
        with Store(tmp_path / "store.sqlite") as store:
            run_id = store.begin_run(time.time(), sheet_of(BOARDS, 4).model_dump(mode="json"), {})
            links = {
                f"board{at}": Link(lambda port=one.port: SerialTransport(port))
                for at, one in enumerate(wired)
            }
            engine = Endurance(store, store.run(run_id), links, never)
            began_s = time.monotonic()
            happened = []
            while (now_s := time.monotonic()) < began_s + 11:
                if now_s > began_s + 2:
                    wired[0]._stopped.set()  # the line is there, and nobody on it
                happened += engine.step(0.05).happened
            engine.stop()
            for link in links.values():
                link.close()
            gaps = store.run_gaps(run_id)
            ledger = {board.name: store.ledger(board.boot_id) for board in store.run_boards(run_id)}
    finally:
        for one in wired:
            one.unplug()
    assert [one.kind for one in happened if one.board == "board0"] == ["away"]
    assert {gap.board for gap in gaps} == {"board0"}
    # Had a step waited for the dead board, the others would have lost what came meanwhile.
    for name in ("board1", "board2"):
        assert sum(line.counted for line in ledger[name]) > 200
        assert {line.lost for line in ledger[name]} == {0}, name
