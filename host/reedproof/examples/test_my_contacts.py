"""Tests of four contacts. The layout is invented: contact 1 brakes a train, contact 2 stops it at the signal.

pytest test_my_contacts.py                                              # on a virtual board
pytest test_my_contacts.py --reed-port=/dev/ttyUSB0 --reed-inputs=1-4   # asks for magnets
"""

from __future__ import annotations

from collections.abc import Callable
from contextlib import AbstractContextManager

import numpy as np
import pytest

from reedproof.records import Verdict
from reedproof.testing.board import Board
from reedproof.testing.inputs import Inputs
from reedproof.testing.recording import Recording

BRAKING, STOPPING = 1, 2


def test_the_inputs_are_sound(board: Board, inputs: Inputs) -> None:
    verdicts = board.selftest()
    assert {verdicts[number].verdict for number in inputs} == {Verdict.GOOD}


@pytest.mark.parametrize("number", [1, 2, 3, 4])
def test_a_pass_is_one_closure(board: Board, inputs: Inputs, number: int) -> None:
    inputs[number].close_for(60)
    closure = inputs[number].wait_for_closure()
    board.wait(0.4)  # a second closure would come within this
    assert inputs[number].closures == [closure]
    line = inputs.ledger()[number]
    assert (line.recorded, line.lost, line.counted) == (1, 0, 1)


def test_a_train_brakes_before_it_stops(inputs: Inputs) -> None:
    inputs[BRAKING].close_for(60)
    braking = inputs[BRAKING].wait_for_closure()
    inputs[STOPPING].close_for(60)
    stopping = inputs[STOPPING].wait_for_closure()
    assert braking.broke.time_us < stopping.made.time_us


def test_bounce_is_well_within_break_us(
    board: Board, inputs: Inputs, trace: Callable[..., AbstractContextManager[Recording]]
) -> None:
    with trace(STOPPING) as recording:
        inputs[STOPPING].close_for(60)
        inputs[STOPPING].wait_for_closure()
    assert recording.lost == {STOPPING: 0}
    edges = recording.trace
    openings_us = np.diff(edges.times_us)[edges.closed[1:] == 1]  # each ends with a closing
    break_us = board.settings()[1][STOPPING].break_us
    assert openings_us.max(initial=0) < break_us / 2
