"""What is a gap in a run and what is none: by evidence, on lines that go away and boards that start anew."""

from __future__ import annotations

from pathlib import Path

import pytest

from endurance.layouts import Layout, counts_of, layout
from reedproof.endurance import Endurance, Progress
from reedproof.errors import LineError
from reedproof.link import Link
from reedproof.recorder import Recorder
from reedproof.sim.board import VirtualBoard
from reedproof.sim.faulty_line import FaultyLine, LineFaults
from reedproof.store import Store
from virtual_lines import Cable, make_board, named, record


class Socket:
    """Makes the lines of one board; while it is empty, there is no port."""

    def __init__(self, board: VirtualBoard) -> None:
        self.board, self.is_plugged = board, True
        self.line = Cable(board)

    def __call__(self, _number: int) -> Cable:
        if not self.is_plugged:
            raise LineError("there is no such port")
        self.line = Cable(self.board)
        return self.line

    def unplug(self) -> None:
        self.is_plugged = False
        self.line.plugged = False


def away(one: Layout, run: Endurance, socket: Socket, seconds: float) -> Progress:
    """The board is on its own for a while; the others are listened to."""
    socket.unplug()
    end_us = socket.board.now_us + round(seconds * 1e6)
    others = [board for board in one.boards if board is not socket.board]
    while socket.board.now_us < end_us:
        progress = one.go(run, 0.1)
        now_us = max((board.now_us for board in others), default=socket.board.now_us + 100_000)
        while socket.board.now_us < now_us:
            socket.board._step()
    return progress


def kinds(one: Layout) -> list[str]:
    return [happened.kind for happened in one.happened]


def test_nothing_happens_and_there_is_no_gap(tmp_path: Path) -> None:
    one = layout(tmp_path, boards=2)
    with one.running() as run:
        progress = one.go(run, 12)
        one.go(run, 3, trains=False)
        outcome, account = run.stop()
    assert outcome == "stopped"
    assert one.gaps() == []
    assert one.happened == []
    assert one.stored() == one.train.passes() == counts_of(account)
    assert progress.running_s == pytest.approx(12, abs=0.5)
    assert progress.now_s - 2 < progress.accounted_s < progress.now_s - 1


@pytest.mark.parametrize("away_s", [1.0, 4.0])
def test_a_line_that_was_away_is_no_gap(tmp_path: Path, away_s: float) -> None:
    """The board kept what it saw: 64 records are 32 closures, here eight seconds and more."""
    one = layout(tmp_path, boards=2)
    socket = one.plugs[1].make = Socket(one.boards[1])
    with one.running() as run:
        one.go(run, 4)
        away(one, run, socket, away_s)
        socket.is_plugged = True
        one.go(run, 4)
        one.go(run, 3, trains=False)
        _, account = run.stop()
    assert kinds(one) == ["away", "back"]
    assert one.gaps() == []
    assert one.stored() == one.train.passes() == counts_of(account)


def test_a_line_that_was_away_for_long_holds_up_the_account_for_a_while_only(tmp_path: Path) -> None:
    """After ten seconds the account goes on without the board; when that turns out to have been no gap, it is
    made anew."""
    one = layout(tmp_path, boards=2, every_us=500_000)
    socket = one.plugs[1].make = Socket(one.boards[1])
    with one.running() as run:
        one.go(run, 3)
        progress = away(one, run, socket, 8)
        assert progress.now_s - progress.accounted_s > 7.5
        assert progress.boards[1].away is not None
        progress = away(one, run, socket, 4)
        assert progress.now_s - progress.accounted_s < 2
        with Store(one.path) as store:
            assert [(gap.kind, gap.board) for gap in store.run_gaps(1)] == [("away", "board1")]
        socket.is_plugged = True
        one.go(run, 12)
        progress = one.go(run, 3, trains=False)
        assert counts_of(progress.account) == one.train.passes()
        _, account = run.stop()
    assert one.gaps() == []
    assert one.stored() == one.train.passes() == counts_of(account)


def test_a_board_that_could_not_keep_all_has_a_gap_from_record_to_record(tmp_path: Path) -> None:
    """64 records are full after six and a half seconds; what came then is lost, and the board says so."""
    one = layout(tmp_path, boards=2, every_us=50_000)
    socket = one.plugs[1].make = Socket(one.boards[1])
    with one.running() as run:
        one.go(run, 3)
        away(one, run, socket, 9)
        socket.is_plugged = True
        one.go(run, 4)
        one.go(run, 3, trains=False)
        _, account = run.stop()
    (gap,) = one.gaps()
    assert (gap.kind, gap.board, gap.input) == ("lost", "board1", None)
    assert "records lost on the board" in gap.detail
    stored, truth = one.stored(), one.train.passes()
    assert gap.to_s is not None
    in_gap = one.train.passes(one.to_us(gap.from_s), one.to_us(gap.to_s))
    for name, passes in truth.items():
        missing = passes - stored[name]
        assert missing == (in_gap.get(name, 0) if name.startswith("b1") else 0), name
    assert counts_of(account) == stored
    assert sum(truth.values()) > sum(stored.values())


def test_a_reboot_is_a_gap_up_to_the_new_boot(tmp_path: Path) -> None:
    one = layout(tmp_path, boards=2)
    with one.running() as run:
        one.go(run, 4)
        before_s = run.now_s()
        one.boards[1].reset()
        boot_us = one.boards[1].now_us
        progress = one.go(run, 4)
        one.go(run, 3, trains=False)
        _, account = run.stop()
    (gap,) = one.gaps()
    assert (gap.kind, gap.board) == ("reboot", "board1")
    assert gap.to_s is not None
    assert gap.from_s == pytest.approx(before_s - 0.1, abs=0.1)
    assert one.to_us(gap.to_s) == pytest.approx(boot_us, abs=20_000)
    assert one.stored() == one.train.passes() == counts_of(account)
    assert progress.running_s == pytest.approx(8 - (gap.to_s - gap.from_s), abs=0.3)


def test_a_board_that_starts_anew_while_it_is_away(tmp_path: Path) -> None:
    """What it saw before and had not handed over is gone with the boot; what it saw since is there."""
    one = layout(tmp_path, boards=2)
    socket = one.plugs[1].make = Socket(one.boards[1])
    with one.running() as run:
        one.go(run, 4)
        unplugged_s = run.now_s()
        away(one, run, socket, 3)
        one.boards[1].reset()
        boot_us = one.boards[1].now_us
        away(one, run, socket, 2)
        socket.is_plugged = True
        one.go(run, 3)
        one.go(run, 3, trains=False)
        _, account = run.stop()
    (gap,) = one.gaps()
    assert gap.to_s is not None
    assert gap.kind == "reboot"
    assert gap.from_s == pytest.approx(unplugged_s - 0.1, abs=0.15)
    assert one.to_us(gap.to_s) == pytest.approx(boot_us, abs=20_000)
    gone = one.train.passes(one.to_us(unplugged_s), boot_us)
    seen = {
        name: passes - (gone.get(name, 0) if name.startswith("b1") else 0)
        for name, passes in one.train.passes().items()
    }
    assert one.stored() == seen == counts_of(account)


def test_a_board_that_never_comes_back_leaves_an_open_gap(tmp_path: Path) -> None:
    one = layout(tmp_path, boards=2)
    socket = one.plugs[1].make = Socket(one.boards[1])
    with one.running() as run:
        one.go(run, 3)
        gone_s = run.now_s()
        away(one, run, socket, 3)
        _, account = run.stop()
    (gap,) = one.gaps()
    assert (gap.kind, gap.board, gap.to_s) == ("away", "board1", None)
    assert gap.from_s == pytest.approx(gone_s - 0.1, abs=0.15)
    assert counts_of(account) == one.stored()


def test_records_that_another_program_took_are_a_gap(tmp_path: Path) -> None:
    one = layout(tmp_path, boards=2)
    socket = one.plugs[1].make = Socket(one.boards[1])
    with one.running() as run:
        one.go(run, 4)
        taken_s = run.now_s()
        away(one, run, socket, 2)
        one.schedule(1.5)
        with Store(tmp_path / "other.sqlite") as other, Link(lambda: Cable(one.boards[1])) as link:
            record(Recorder(link, other), 1.0)
        until_s = one.wall_s()
        socket.is_plugged = True
        one.go(run, 4)
        one.go(run, 3, trains=False)
        _, account = run.stop()
    (gap,) = one.gaps()
    assert (gap.kind, gap.board) == ("elsewhere", "board1")
    assert "were given to another host" in gap.detail
    assert gap.to_s is not None
    assert gap.from_s == pytest.approx(taken_s - 0.1, abs=0.15)
    assert until_s - 0.6 < gap.to_s < until_s + 0.5
    in_gap = one.train.passes(one.to_us(gap.from_s), one.to_us(gap.to_s))
    stored = one.stored()
    for name, passes in one.train.passes().items():
        assert passes - stored[name] == (in_gap.get(name, 0) if name[:2] == "b1" else 0), name
    assert counts_of(account) == stored


def test_lost_samples_are_a_gap_of_the_board(tmp_path: Path) -> None:
    one = layout(tmp_path, boards=2)
    with one.running() as run:
        one.go(run, 3)
        at_s = run.now_s()
        one.boards[0].device.note_lost_snapshots(7)
        one.go(run, 2)
        run.stop()
    (gap,) = one.gaps()
    assert (gap.kind, gap.board, gap.input) == ("samples_lost", "board0", None)
    assert gap.detail == "the board could not follow 7 samples"
    assert gap.to_s is not None
    assert at_s - 0.1 < gap.from_s < at_s + 0.01
    assert gap.from_s < gap.to_s < at_s + 0.1


def test_samples_lost_before_the_run_are_no_gap(tmp_path: Path) -> None:
    one = layout(tmp_path)
    one.boards[0].device.note_lost_snapshots(7)
    with one.running() as run:
        one.go(run, 2)
        run.stop()
    assert one.gaps() == []


def chatter(board: VirtualBoard, number: int, from_us: int, to_us: int) -> None:
    edges = [(at, (at // 1_000) % 2 == 0) for at in range(from_us // 1_000 * 1_000, to_us, 1_000)]
    board.schedule(number, [*edges, (to_us, False)])


def test_a_muted_input_is_a_gap_of_that_contact_alone(tmp_path: Path) -> None:
    one = layout(tmp_path, boards=2)
    with one.running() as run:
        one.go(run, 3)
        at_us = one.boards[1].now_us
        chatter(one.boards[1], 8, at_us, at_us + 1_000_000)  # no contact of the sheet
        chatter(one.boards[1], 2, at_us + 100_000, at_us + 2_300_000)
        progress = one.go(run, 2)
        assert progress.faults[5].names == ["chatter"]
        progress = one.go(run, 5)
        assert progress.faults == {}
        run.stop()
    (gap,) = one.gaps()
    assert (gap.kind, gap.board, gap.input) == ("muted", "board1", 2)
    assert gap.to_s is not None
    # Muted from the end of the second that showed it until a whole one was quiet.
    assert one.to_us(gap.from_s) == pytest.approx((at_us + 100_000) // 1_000_000 * 1e6 + 1e6, abs=20_000)
    assert one.to_us(gap.to_s) == pytest.approx((at_us + 2_300_000) // 1_000_000 * 1e6 + 2e6, abs=20_000)


def test_a_stopped_run_with_a_muted_input_has_no_sight_of_it_to_the_end(tmp_path: Path) -> None:
    one = layout(tmp_path)
    with one.running() as run:
        one.go(run, 2)
        at_us = one.boards[0].now_us
        chatter(one.boards[0], 2, at_us, at_us + 5_000_000)
        one.go(run, 4)
        run.stop()
    with Store(one.path) as store:
        (gap,) = store.gaps_of_run(1, {("board0", n): n - 1 for n in range(1, 5)})
        ended_s = store.run(1).ended_s
    assert (gap.kind, gap.contacts, gap.to_s) == ("muted", {1}, ended_s)


def test_another_board_on_the_port_is_not_taken_for_the_missing_one(tmp_path: Path) -> None:
    one = layout(tmp_path, boards=2)
    socket = one.plugs[1].make = Socket(one.boards[1])
    stranger = make_board(memory=named(0xBAD), inputs=8)
    with one.running() as run:
        one.go(run, 3)
        while stranger.now_us < one.boards[1].now_us:
            stranger._step()
        right, socket.board = socket.board, stranger
        socket.unplug()
        socket.is_plugged = True
        stranger.schedule(1, [(stranger.now_us + 500_000, True), (stranger.now_us + 530_000, False)])
        progress = one.go(run, 2, trains=False)
        assert "another board (00000bad) answers there" in (progress.boards[1].away or "")
        while right.now_us < stranger.now_us:
            right._step()
        socket.board = right
        socket.line.plugged = False
        progress = one.go(run, 3)
        assert progress.boards[1].away is None
        one.go(run, 2, trains=False)
        run.stop()
    assert one.gaps() == []
    assert one.stored() == one.train.passes()


@pytest.mark.parametrize("seed", range(3))
def test_damaged_lines_make_no_gaps(tmp_path: Path, seed: int) -> None:
    print(f"seed {seed}")
    faults = LineFaults(flip=0.002, drop=0.001, repeat=0.001, insert=0.001)
    one = layout(tmp_path, boards=2)
    for at, board in enumerate(one.boards):
        one.plugs[at].make = lambda number, board=board, at=at: FaultyLine(
            Cable(board), faults, seed=1000 * seed + 100 * at + number
        )
    with one.running() as run:
        one.go(run, 8)
        one.go(run, 4, trains=False)
        _, account = run.stop()
    assert one.gaps() == []
    assert one.stored() == one.train.passes() == counts_of(account)


@pytest.mark.parametrize("after", [700, 1103])
def test_lines_that_break_again_and_again_make_no_gaps(tmp_path: Path, after: int) -> None:
    one = layout(tmp_path, boards=2)
    one.plugs[1].make = lambda number: FaultyLine(
        Cable(one.boards[1]), LineFaults(unplug_after=after if number else 3 * after), seed=1
    )
    with one.running() as run:
        one.go(run, 8)
        while any(board.away for board in one.go(run, 4, trains=False).boards):
            pass  # else it would be away for good
        _, account = run.stop()
    assert kinds(one).count("away") > 3
    assert one.gaps() == []
    assert one.stored() == one.train.passes() == counts_of(account)
