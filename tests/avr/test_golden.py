"""A recorded contact, replayed to the real binary edge by edge at the times of the recording."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from avr_board import AvrBoard

from reedproof.records import Broke, Made
from reedproof.trace import BounceTest
from reedproof.trace_reader import read_bounce_recording

RECORDING = Path(__file__).resolve().parents[1] / "golden" / "rocker-bounce.csv"

# One test a second and input: more would be chatter.
SPACING_US = 1_050_000

# The one release in which the contact really closed again, for tens of milliseconds.
REALLY_CLOSED_AGAIN = 102


def edges_of(test: BounceTest, start_us: float, input_: int) -> list[tuple[float, int, bool]]:
    """From the level before the test on; rows that repeat a level say nothing."""
    was_closed = test.transition == "release"
    edges = []
    for time_ns, closed in zip(test.times_ns.tolist(), test.closed.tolist(), strict=True):
        if bool(closed) != was_closed:
            was_closed = not was_closed
            edges.append((start_us + time_ns / 1000, input_, was_closed))
    return edges


def test_every_press_closes_once_and_every_release_opens_once(make_board: Callable[..., AvrBoard]) -> None:
    tests = read_bounce_recording(RECORDING)
    presses = [test for test in tests if test.transition == "press"]
    releases = [test for test in tests if test.transition == "release"]
    assert len(presses) == len(releases) == 55
    board = make_board(acknowledge=True, slice_us=5000)
    board.greet()
    begin_us = board.now_us + 10_000
    places: dict[tuple[int, int], BounceTest] = {}  # (input, turn)
    for i, (press, release) in enumerate(zip(presses, releases, strict=True)):
        number, pair = i % board.inputs + 1, i // board.inputs
        places[number, 2 * pair] = press
        places[number, 2 * pair + 1] = release

    # Inputs start one after the other, so that their bounces meet in ever other ways.
    def start_us(number: int, turn: int) -> float:
        return begin_us + turn * SPACING_US + number * 7013.3

    for (number, turn), test in places.items():
        board.play(edges_of(test, start_us(number, turn), number))
    board.run_to(start_us(board.inputs, max(turn for _, turn in places) + 1))

    found: dict[int, list[type]] = {test.test: [] for test in tests}
    for record in board.stored:
        turn = int((record.time_us - start_us(record.input, 0) + 1) // SPACING_US)
        found[places[record.input, turn].test].append(type(record))
    expected: dict[int, list[type]] = {
        test.test: [Made] if test.transition == "press" else [Broke] for test in tests
    }
    expected[REALLY_CLOSED_AGAIN] = [Broke, Made, Broke]
    assert found == expected
    assert board.counters()[1].snapshots_lost == 0
    board.check_ledger()
