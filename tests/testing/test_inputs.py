"""What the fixtures give, without a pytest run around it."""

from __future__ import annotations

from reedproof.link import Link
from reedproof.store import Store
from reedproof.testing.board import Board
from reedproof.testing.inputs import Inputs
from virtual_lines import make_board, play


def test_what_the_board_kept_from_before_is_not_of_the_test() -> None:
    virtual = make_board()
    play(virtual, 30, every_us=40_000)
    while virtual.now_us < 2_000_000:
        virtual._step()
    with Link(lambda: virtual) as link, Store(":memory:") as store:
        inputs = Inputs(Board(link, store), None, virtual.pass_magnet)
        assert {len(line.made) for line in inputs.values()} == {0}
        inputs[3].close_for(1.0)
        inputs[3].wait_for_closure()
        ledger = inputs.ledger()
    assert {line.balances for line in ledger.values()} == {True}
    assert {number: line.recorded for number, line in ledger.items() if line.counted} == {3: 1}
