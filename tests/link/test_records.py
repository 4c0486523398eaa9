"""Records: in order, each once, whatever the line does, and acknowledged when they are stored."""

from __future__ import annotations

from pathlib import Path

import pytest

from reedproof.link import Link
from reedproof.recorder import Recorder
from reedproof.records import Blink, Broke, Heartbeat, Lost, Made, Status
from reedproof.sim.faulty_line import FaultyLine, LineFaults
from reedproof.store import Store
from virtual_lines import Cable, check, make_board, play, poll, record, record_all, stored

ACKNOWLEDGE = 0x41

LINES = {
    "good": LineFaults(),
    "flips": LineFaults(flip=0.003),
    "drops": LineFaults(drop=0.003),
    "repeats": LineFaults(repeat=0.003),
    "inserts": LineFaults(insert=0.003),
    "all": LineFaults(flip=0.001, drop=0.001, repeat=0.001, insert=0.001),
    "awful": LineFaults(flip=0.01, drop=0.003, repeat=0.003, insert=0.003),  # loses a third of the frames
}
EVERY_US = {"awful": 120_000}  # slow enough for the records to get through before the board is full


@pytest.mark.parametrize("seed", [1, 2, 3])
@pytest.mark.parametrize("line", LINES)
def test_every_closure_is_stored_once_over_a_faulty_line(tmp_path: Path, line: str, seed: int) -> None:
    print(f"line {line}, seed {seed}")
    path = tmp_path / "store.sqlite"
    board = make_board(seed)
    truth = play(board, 60, every_us=EVERY_US.get(line, 20_000))
    with Store(path) as store, Link(lambda: FaultyLine(board, LINES[line], seed)) as link:
        recorder = Recorder(link, store)
        record_all(recorder, truth)
        assert (link.decoder.refused > 0) == (line != "good")
    check(path, board, truth)


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_records_come_in_order_and_once_though_sent_again_and_again(seed: int) -> None:
    """Nothing is acknowledged, so the board repeats all it has three times a second."""
    print(f"seed {seed}")
    board = make_board(seed)
    truth = play(board, 30, every_us=20_000)
    link = Link(lambda: FaultyLine(board, LINES["all"], seed))
    taken = [event for event in poll(link, 4.0) if isinstance(event, Made | Broke)]
    assert [event.number for event in taken] == list(range(60))
    assert [(event.input, event.time_us) for event in taken if isinstance(event, Made)] == [
        (closure.input, closure.time_us) for closure in truth
    ]


def test_what_meets_a_full_board_is_one_lost_record(tmp_path: Path) -> None:
    board = make_board()
    path = tmp_path / "store.sqlite"
    cable = Cable(board)
    cable.loses_command = lambda type_: type_ == ACKNOWLEDGE and board.now_us < 1_500_000
    truth = play(board, 100, every_us=10_000)
    with Store(path) as store, Link(lambda: cable) as link:
        recorder = Recorder(link, store)
        events = record(recorder, 3.5)
        ring = link.hello.ring
        (lost,) = (event for event in events if isinstance(event, Lost))
        assert lost.number == ring
        assert lost.number + lost.count == store.next_number(recorder.boot_id) <= 2 * len(truth)
        ledger = store.ledger(recorder.boot_id)
        assert all(line.balances for line in ledger)
        assert sum(line.lost for line in ledger) > 0
        assert sum(line.counted for line in ledger) == len(truth)
    found = stored(path, board.device.boot)
    assert found == [closure for closure in truth if closure in set(found)]


@pytest.mark.parametrize("lost", [1, 3])
def test_a_lost_acknowledgement_is_said_again(tmp_path: Path, lost: int) -> None:
    """Also when no further closure comes that would be acknowledged."""
    board = make_board()
    cable = Cable(board)
    cable.loses_command = lambda type_: type_ == ACKNOWLEDGE and cable.commands.count(ACKNOWLEDGE) <= lost
    play(board, 1, every_us=10_000)
    with Store(tmp_path / "store.sqlite") as store, Link(lambda: cable) as link:
        events = record(Recorder(link, store), 3.0)
    newest = [event for event in events if isinstance(event, Heartbeat)][-1]
    assert (newest.oldest, newest.next) == (2, 2)
    assert [event.number for event in events if isinstance(event, Made | Broke)] == [0, 1]
    assert cable.commands.count(ACKNOWLEDGE) <= lost + 2


def test_nothing_is_acknowledged_unasked() -> None:
    board = make_board()
    play(board, 4, every_us=20_000)
    link = Link(lambda: board)
    events = poll(link, 2.0)
    newest = [event for event in events if isinstance(event, Heartbeat)][-1]
    assert (newest.oldest, newest.next) == (0, 8)


def test_acknowledging_empties_the_board() -> None:
    board = make_board()
    play(board, 4, every_us=20_000)
    link = Link(lambda: board)
    poll(link, 0.5)
    link.acknowledge(link.hello.boot, 5)
    newest = [event for event in poll(link, 0.5) if isinstance(event, Heartbeat)][-1]
    assert (newest.oldest, newest.next) == (5, 8)


def test_an_acknowledgement_of_another_boot_is_not_sent() -> None:
    cable = Cable(make_board())
    play(cable.board, 4, every_us=20_000)
    link = Link(lambda: cable)
    poll(link, 0.5)
    link.acknowledge(link.hello.boot - 1, 5)
    assert ACKNOWLEDGE not in cable.commands


@pytest.mark.parametrize("seed", [5, 6])
def test_replies_and_records_do_not_push_each_other_out(seed: int) -> None:
    print(f"seed {seed}")
    board = make_board(seed)
    truth = play(board, 100, every_us=40_000)
    link = Link(lambda: FaultyLine(board, LINES["all"], seed))
    numbers: list[int] = []
    replies = 0
    while len(numbers) < 2 * len(truth):
        assert link.now_s() < 20
        assert link.request(Blink(0)).status == Status.DONE
        replies += 1
        events = link.poll(0.01)
        numbers += [event.number for event in events if isinstance(event, Made | Broke)]
        link.acknowledge(link.hello.boot, len(numbers))
    assert numbers == list(range(2 * len(truth)))
    assert replies > 50
