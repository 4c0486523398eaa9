"""Lines that go away and boards that start anew, in the middle of anything."""

from __future__ import annotations

from pathlib import Path

import pytest

from reedproof.errors import LineError, LineLost
from reedproof.link import SILENCE_S, Link
from reedproof.recorder import Recorder
from reedproof.records import Blink, Broke, Heartbeat, LinkDown, LinkEvent, LinkUp, Made
from reedproof.sim.board import VirtualBoard
from reedproof.sim.faulty_line import FaultyLine, LineFaults
from reedproof.store import Store
from virtual_lines import (
    Cable,
    Closure,
    Plug,
    check,
    make_board,
    named,
    play,
    poll,
    record,
    record_all,
    rows,
    stored,
)

HELLO, MADE, HEARTBEAT = 0x01, 0x02, 0x06
ACKNOWLEDGE, TIME_PROBE = 0x41, 0x42


def ups_and_downs(events: list[LinkEvent]) -> list[LinkEvent]:
    return [event for event in events if isinstance(event, LinkUp | LinkDown)]


def kinds(events: list[LinkEvent]) -> list[str]:
    return [type(event).__name__ for event in events]


def numbers(events: list[LinkEvent]) -> list[int]:
    return [event.number for event in events if isinstance(event, Made | Broke)]


@pytest.mark.parametrize("begin", range(8))
def test_a_line_cut_after_any_number_of_bytes(tmp_path: Path, begin: int) -> None:
    """Every third byte from the handshake to the last record."""
    cuts = 0
    for after in range(66 + 3 * begin, 800, 25):
        board = make_board(3)
        truth = play(board, 8, every_us=25_000)
        plug = Plug(
            lambda number, board=board, after=after: FaultyLine(
                Cable(board), LineFaults(unplug_after=None if number else after), seed=1
            )
        )
        path = tmp_path / f"{after}.sqlite"
        with Store(path) as store, Link(plug.connect) as link:
            events = record_all(Recorder(link, store), truth)
            seen = ups_and_downs(events)
            if len(plug.lines) > 1:
                cuts += 1
                assert kinds(seen) == ["LinkUp", "LinkDown", "LinkUp"], f"cut after {after} bytes"
                assert "unplugged" in seen[1].reason  # type: ignore[union-attr]
                assert not seen[2].lost_boot  # type: ignore[union-attr]
            assert numbers(events) == list(range(16)), f"cut after {after} bytes"
        check(path, board, truth)
    assert cuts > 20


@pytest.mark.parametrize("after", range(1, 60))
def test_a_line_cut_in_the_handshake(after: int) -> None:
    board = make_board()
    plug = Plug(
        lambda number: FaultyLine(Cable(board), LineFaults(unplug_after=None if number else after), seed=1)
    )
    try:
        link = Link(plug.connect)
    except LineLost:
        link = Link(plug.connect)
    poll(link, 0.2)
    assert link.is_up
    assert len(plug.lines) == 2


# (300 would cut the same heartbeats every time, and the counters of their inputs would never come)
@pytest.mark.parametrize("after", [330, 371, 453])
def test_a_line_that_breaks_again_and_again(tmp_path: Path, after: int) -> None:
    board = make_board()
    truth = play(board, 40, every_us=30_000)
    plug = Plug(lambda _: FaultyLine(Cable(board), LineFaults(unplug_after=after), seed=1))
    path = tmp_path / "store.sqlite"
    with Store(path) as store, Link(plug.connect) as link:
        recorder = Recorder(link, store)
        events = record_all(recorder, truth)
        assert numbers(events) == list(range(80))
        seen = kinds(ups_and_downs(events))
        assert seen == (["LinkUp", "LinkDown"] * len(plug.lines))[: len(seen)]
        assert seen.count("LinkUp") == len(plug.lines) > 8
    check(path, board, truth)
    gaps = rows(path, "SELECT kind FROM gaps")
    assert gaps == [("link_down",)] * seen.count("LinkDown")


def test_unplugged_while_writing_an_acknowledgement(tmp_path: Path) -> None:
    board = make_board()
    truth = play(board, 6, every_us=25_000)

    class BreaksWhenAcknowledged(Cable):
        def write(self, data: bytes) -> None:
            if self.commands.count(ACKNOWLEDGE) == 2:
                self.close()
            super().write(data)

    plug = Plug(lambda number: Cable(board) if number else BreaksWhenAcknowledged(board))
    path = tmp_path / "store.sqlite"
    with Store(path) as store, Link(plug.connect) as link:
        events = record_all(Recorder(link, store), truth)
    assert kinds(ups_and_downs(events)) == ["LinkUp", "LinkDown", "LinkUp"]
    assert numbers(events) == list(range(12))
    check(path, board, truth)


def test_a_line_that_fails_twice_in_one_reading_is_down_once() -> None:
    """A record that came again and a hole are both answered, and neither answer can be written."""
    board = make_board()
    play(board, 4, every_us=25_000)
    cable = Cable(board)
    link = Link(lambda: cable)
    records = [event for event in poll(link, 0.5) if isinstance(event, Made)]
    link.acknowledge(link.hello.boot, 8)
    cable.writable = False
    link._take_record(records[0], link.now_s())
    link._take_record(Made(99, 1, 0, 0, 0, 0), link.now_s())
    assert kinds(link.poll(0.0)) == ["LinkDown"]


def test_what_was_acknowledged_while_down_is_said_when_it_is_up_again() -> None:
    board = make_board()
    plug = Plug(lambda _: Cable(board))
    play(board, 2, every_us=25_000)
    link = Link(plug.connect)
    assert numbers(poll(link, 0.5)) == [0, 1, 2, 3]
    plug.lines[0].close()
    assert kinds(link.poll(0.1)) == ["LinkDown"]
    link.acknowledge(link.hello.boot, 4)
    events = poll(link, 1.0)
    assert kinds(ups_and_downs(events)) == ["LinkUp"]
    assert numbers(events) == []  # they were handed out before
    beat = [event for event in events if isinstance(event, Heartbeat)][-1]
    assert (beat.oldest, beat.next) == (4, 4)


def test_no_port_for_a_while() -> None:
    board = make_board()
    tries = 0

    def connect() -> Cable:
        nonlocal tries
        tries += 1
        if 1 < tries < 5:
            raise LineError("there is no such port")
        return Cable(board)

    link = Link(connect)
    link.transport.close()
    events = [event for _ in range(10) for event in link.poll(0.01)]
    assert kinds(ups_and_downs(events)) == ["LinkUp", "LinkDown", "LinkUp"]
    assert tries == 5
    assert link.is_up


def test_a_closed_link_does_not_come_back() -> None:
    board = make_board()
    plug = Plug(lambda _: Cable(board))
    with Link(plug.connect) as link:
        link.poll(0.1)
    for _ in range(2):
        with pytest.raises(LineLost, match="the link was closed"):
            link.poll(0.1)
        with pytest.raises(LineLost):
            link.request(Blink(0))
    link.acknowledge(link.hello.boot, 1)
    link.close()
    assert len(plug.lines) == 1
    assert not plug.lines[0].plugged  # type: ignore[attr-defined]


def test_a_link_closed_while_down_does_not_come_back() -> None:
    board = make_board()
    plug = Plug(lambda _: Cable(board))
    link = Link(plug.connect)
    plug.lines[0].close()
    link.poll(0.1)
    link.poll(0.1)
    assert not link.is_up
    link.close()
    with pytest.raises(LineLost, match="the link was closed"):
        link.poll(0.1)
    assert len(plug.lines) == 1


def test_a_board_that_falls_silent_is_down() -> None:
    board = make_board()
    plug = Plug(lambda _: Cable(board))
    link = Link(plug.connect)
    poll(link, 1.0)
    line = plug.lines[0]
    assert isinstance(line, Cable)
    line.loses_message = lambda _: True
    since_s = link.now_s()
    while link.is_up:
        events = link.poll(0.05)
        assert link.now_s() < since_s + SILENCE_S + 0.2
    assert link.now_s() > since_s + SILENCE_S - 0.2
    (down,) = ups_and_downs(events)
    assert isinstance(down, LinkDown)
    assert "silent for 3 s" in down.reason
    assert kinds(ups_and_downs(poll(link, 0.2))) == ["LinkUp"]


def test_a_probe_keeps_the_board_talking() -> None:
    """protocol.md, section 5: it falls silent after five seconds without a good frame from the host."""
    cable = Cable(make_board())
    link = Link(lambda: cable)
    events = poll(link, 12.0)
    assert kinds(ups_and_downs(events)) == ["LinkUp"]
    assert sum(isinstance(event, Heartbeat) for event in events) > 350
    assert 6 <= cable.commands.count(TIME_PROBE) <= 13


@pytest.mark.parametrize("hello_comes", [True, False])
def test_a_board_that_starts_anew(tmp_path: Path, hello_comes: bool) -> None:
    """Also when the hello of the new boot is lost: its records must not pass for those of the old one."""
    board = make_board()
    path = tmp_path / "store.sqlite"

    class LosesFirstHello(Cable):
        resets = 0

        def read(self, timeout_s: float) -> bytes:
            self.loses_message = lambda type_: type_ == HELLO and self.resets > 0 and not hello_comes
            return super().read(timeout_s)

    plug = Plug(lambda _: LosesFirstHello(board))
    before = play(board, 5, every_us=25_000)
    with Store(path) as store, Link(plug.connect) as link:
        recorder = Recorder(link, store)
        record(recorder, 4.0)
        first = (link.hello.boot, recorder.boot_id)
        board.reset()
        plug.lines[0].resets = 1  # type: ignore[attr-defined]
        offset_us = board.now_us
        after = play(board, 25, every_us=25_000)
        events = record(recorder, 6.0)
        up = ups_and_downs(events)[-1]
        assert isinstance(up, LinkUp)
        assert up.lost_boot
        assert up.hello.boot == link.hello.boot == first[0] + 1
        assert kinds(ups_and_downs(events)) == (["LinkUp"] if hello_comes else ["LinkDown", "LinkUp"])
        assert recorder.boot_id != first[1]
        assert all(line.balances for boot_id in (1, 2) for line in store.ledger(boot_id))
    assert stored(path, first[0]) == before
    booted = [type(closure)(closure.input, closure.time_us - offset_us) for closure in after]
    assert stored(path, first[0] + 1) == booted
    assert ("reboot", first[1]) in rows(path, "SELECT kind, boot_id FROM gaps")


def test_records_of_an_earlier_boot_do_not_acknowledge_those_of_the_new_one(tmp_path: Path) -> None:
    """A slow line delivers the last record of the old boot and the hello of the new one together, when the
    new one has records already."""
    reset_us = 500_000
    times_us = (20_000, 40_001, 60_000, 80_001)

    def reset_once(board: VirtualBoard) -> None:
        if board.now_us >= reset_us and board.device.boot == boot:
            board.reset()

    board = make_board(on_step=reset_once)
    boot = board.device.boot
    board.schedule(1, [(reset_us - 20_000, True), (reset_us - 5_000, False)])
    board.schedule(2, [(reset_us + after_us, after_us % 2 == 0) for after_us in times_us])

    class Slow(Cable):
        def read(self, timeout_s: float) -> bytes:
            data = super().read(timeout_s)
            while reset_us - 50_000 < board.now_us < reset_us + 100_000:
                data += super().read(timeout_s)
            return data

    path = tmp_path / "store.sqlite"
    with Store(path) as store, Link(lambda: Slow(board)) as link:
        record(Recorder(link, store), 2.0)
    assert stored(path, boot) == [Closure(1, reset_us - 20_000)]
    assert stored(path, boot + 1) == [Closure(2, 20_000), Closure(2, 60_000)]


def test_another_board_on_the_same_port(tmp_path: Path) -> None:
    """Two boards may be in the same boot; each keeps its own records."""
    boards = [make_board(memory=named(1)), make_board(memory=named(2))]
    plug = Plug(lambda number: Cable(boards[number]))
    path = tmp_path / "store.sqlite"
    counts = (3, 5)
    for board, count in zip(boards, counts, strict=True):
        play(board, count, every_us=20_000)
    with Store(path) as store, Link(plug.connect) as link:
        recorder = Recorder(link, store)
        record(recorder, 1.0)
        plug.lines[0].close()
        events = [event for _ in range(40) for event in recorder.pump(0.05)]
        (_, up) = ups_and_downs(events)
        assert isinstance(up, LinkUp)
        assert up.lost_boot
    per_board = rows(
        path,
        "SELECT board, count(*) FROM records JOIN boots ON boots.id = boot_id WHERE records.kind = 0 "
        "GROUP BY board ORDER BY board",
    )
    assert per_board == [(1, 3), (2, 5)]


def test_unnamed_boards_get_different_names(tmp_path: Path) -> None:
    """Else two of them on one port, one after the other, would be one board to the store."""
    boards = [make_board(memory=named(0)), make_board(memory=named(0))]
    plug = Plug(lambda number: Cable(boards[number]))
    path = tmp_path / "store.sqlite"
    for board in boards:
        play(board, 3, every_us=20_000)
    with Store(path) as store, Link(plug.connect) as link:
        recorder = Recorder(link, store)
        record(recorder, 1.0)
        plug.lines[0].close()
        for _ in range(40):
            recorder.pump(0.05)
    names = [name for (name,) in rows(path, "SELECT board FROM boots")]
    assert len(set(names)) == 2
    assert 0 not in names
    assert rows(path, "SELECT count(*) FROM records WHERE kind = 0 GROUP BY boot_id") == [(3,), (3,)]
