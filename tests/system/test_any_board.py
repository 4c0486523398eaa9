"""What holds for any board: on a virtual one here, on a real one with ``--reed-port PORT``."""

from __future__ import annotations

from collections.abc import Callable
from contextlib import AbstractContextManager

from reedproof.records import BoardSettings, InputSettings, SetBoard, SetInput
from reedproof.testing.board import Board
from reedproof.testing.inputs import Inputs
from reedproof.testing.recording import Recording


def test_a_pass_gives_one_closure_on_its_input(board: Board, inputs: Inputs) -> None:
    for number in (4, 4, 2, 1):
        inputs[number].close_for(60)
        inputs[number].wait_for_closure()
    board.wait(1.0)
    assert {number: len(line.closures) for number, line in inputs.items() if line.closures} == {
        4: 2,
        2: 1,
        1: 1,
    }


def test_settings_that_were_set_are_read(board: Board) -> None:
    board.set(SetBoard(1000, 2000, 3, 4))
    board.set(SetInput(0, 500, 5000))
    board.set(SetInput(7, 700, 7000))
    whole, inputs = board.settings()
    assert whole == BoardSettings(1000, 2000, 3, 4)
    assert inputs[6] == InputSettings(6, 500, 5000)
    assert inputs[7] == InputSettings(7, 700, 7000)


def test_closures_are_counted_while_edges_are_recorded(
    inputs: Inputs, trace: Callable[..., AbstractContextManager[Recording]]
) -> None:
    with trace(1) as recording:
        for _ in range(4):
            inputs[1].close_for(60)
            inputs[1].wait_for_closure()
    line = inputs.ledger()[1]
    assert (line.recorded, line.lost, line.counted, line.balances) == (4, 0, 4, True)
    edges = recording.trace
    assert len(edges) + recording.lost[1] == recording.counted[1]
    # Rule 8 of debouncing, DEVELOPERS.md; a closing shorter than make_us is none of a good contact.
    closures = inputs[1].closures
    bounces = sum(each.made.bounces + each.broke.bounces + each.broke.dropouts for each in closures)
    assert recording.counted[1] == 2 * (len(closures) + bounces)
    apart_us = closures[-1].made.time_us - closures[0].made.time_us
    assert apart_us in edges.times_us - edges.times_us[0]
