"""A board's edges in a file: those that came are the ones that were, those that did not are counted."""

from __future__ import annotations

import random
from collections.abc import Callable
from pathlib import Path

import pytest

from reedproof.errors import LineError, LineLost
from reedproof.link import Link
from reedproof.recorder import Recorder
from reedproof.records import Heartbeat
from reedproof.sim.board import VirtualBoard
from reedproof.sim.faulty_line import FaultyLine, LineFaults
from reedproof.store import Store
from reedproof.trace import Trace
from reedproof.trace_reader import read_trace
from reedproof.trace_recorder import ORDER_US, TraceRecorder
from reedproof.trace_writer import notes_of, open_writer
from reedproof.transport import Transport
from virtual_lines import Cable, Plug, make_board

pytestmark = pytest.mark.usefixtures("quick_stores")

TRACE = 0x07
Edge = tuple[int, int, bool]  # (board time, input, closed)


def trains(board: VirtualBoard, seconds: float, seed: int = 1, from_us: int = 0) -> list[Edge]:
    """Passes over random inputs, bounce included, all scheduled; returns the edges in order of time."""
    chance = random.Random(seed)
    edges: list[Edge] = []
    free_us = dict.fromkeys(board.contacts, from_us)
    at_us = from_us + 5_000
    while at_us < from_us + seconds * 1e6:
        number = chance.choice([number for number, free in free_us.items() if free < at_us])
        found = board.contacts[number].pass_magnet(at_us)
        board.schedule(number, found)
        edges += [(time_us, number, closed) for time_us, closed in found]
        free_us[number] = found[-1][0] + 5_000
        at_us += chance.randrange(10_000, 60_000)
    return sorted(edges)


class Session:
    """A recording of ``seconds`` of the board's time; afterwards the file and what was said of it."""

    def __init__(
        self, tmp_path: Path, connect: Callable[[], Transport], seconds: float, *,
        inputs: list[int] | None = None, suffix: str = ".csv",
        while_running: Callable[[TraceRecorder], None] = lambda _: None,
    ) -> None:  # fmt: skip
        self.path = tmp_path / f"trace{suffix}"
        with Store(tmp_path / "store.sqlite") as store, Link(connect) as link:
            recorder = Recorder(link, store)
            chosen = link.choose_inputs(inputs)
            with open_writer(self.path, chosen, notes_of(sample_us=link.hello.sample_us)) as writer:
                self.tracing = TraceRecorder(recorder, writer, chosen)
                while self.tracing.file_us < seconds * 1e6:
                    self.tracing.pump(0.05)
                    while_running(self.tracing)
                self.tracing.finish()

    @property
    def trace(self) -> Trace:
        return read_trace(self.path)

    def edges(self) -> list[Edge]:
        trace = self.trace
        columns = (trace.times_us.tolist(), trace.inputs.tolist(), (trace.closed == 1).tolist())
        return list(zip(*columns, strict=True))


@pytest.fixture(autouse=True)
def _notes_where_accounts_begin(monkeypatch: pytest.MonkeyPatch) -> None:
    """Keeps, by input, the time of its first heartbeat: where its account begins."""
    take = TraceRecorder._take_beat

    def spy(tracing: TraceRecorder, beat: Heartbeat) -> None:
        tracing.__dict__.setdefault("begins_us", {}).setdefault(beat.input, beat.time_us)
        take(tracing, beat)

    monkeypatch.setattr(TraceRecorder, "_take_beat", spy)


def account(session: Session, truth: list[Edge], number: int) -> list[Edge]:
    """What really happened on an input from its first heartbeat to its last one; times as in the file."""
    tracing = session.tracing
    begin_us, end_us = tracing.__dict__["begins_us"][number], tracing.inputs[number].until_us or 0
    return [
        (time_us + (tracing._offset_us or 0), each, closed)
        for time_us, each, closed in truth
        if each == number and begin_us < time_us <= end_us
    ]


def check(session: Session, truth: list[Edge]) -> None:
    """What is in the file is true, and file and loss together are all there was, input by input."""
    found = session.edges()
    assert [time_us for time_us, _, _ in found] == sorted(time_us for time_us, _, _ in found)
    for number, line in session.tracing.inputs.items():
        happened = account(session, truth, number)
        recorded = [edge for edge in found if edge[1] == number and edge in happened]
        others = [edge for edge in found if edge[1] == number and edge not in happened]
        # The level at the start, or what is left of it, is the only row that is no edge.
        assert len(others) <= 1, f"input {number}: {others} never were"
        assert line.edges + line.lost == len(happened), f"input {number}"
        # A reader drops what repeats a level, so after a loss it may see less than the file holds.
        assert len(recorded) <= line.edges
        assert line.lost or recorded == happened
    assert session.trace.lost == session.tracing.lost


@pytest.mark.parametrize("suffix", [".csv", ".vcd"])
def test_every_edge_with_its_time(tmp_path: Path, suffix: str) -> None:
    board = make_board()
    truth = trains(board, 10)
    session = Session(tmp_path, lambda: Cable(board), 6, suffix=suffix)
    check(session, truth)
    assert session.tracing.lost == session.tracing.gaps == 0
    assert len(session.edges()) > 300
    assert session.trace.sample_us == 50


def test_only_the_chosen_inputs(tmp_path: Path) -> None:
    board = make_board()
    truth = trains(board, 6)
    session = Session(tmp_path, lambda: Cable(board), 4, inputs=[3, 7])
    check(session, truth)
    assert {number for _, number, _ in session.edges()} == {3, 7}


@pytest.mark.parametrize("seed", range(5))
def test_what_the_line_damages_is_counted(tmp_path: Path, seed: int) -> None:
    board = make_board(seed)
    truth = trains(board, 12, seed)
    faults = LineFaults(flip=0.002, drop=0.001, repeat=0.0005)
    session = Session(tmp_path, lambda: FaultyLine(Cable(board), faults, seed), 6)
    assert session.tracing.lost > 0, f"seed {seed} loses nothing"
    assert session.tracing.gaps == 0
    check(session, truth)


def test_what_does_not_fit_a_message_is_counted(tmp_path: Path) -> None:
    """All 16 inputs at one instant: a message holds eight edges."""
    board = make_board()
    truth: list[Edge] = []
    for number in board.contacts:
        edges = [
            (at_us + half, number, not half)
            for at_us in range(2_000_000, 3_000_000, 100_000)
            for half in (0, 50_000)
        ]
        board.schedule(number, [(time_us, bool(closed)) for time_us, _, closed in edges])
        truth += [(time_us, number, bool(closed)) for time_us, number, closed in edges]
    session = Session(tmp_path, lambda: Cable(board), 4)
    check(session, sorted(truth))
    assert session.tracing.lost == 20 * 8


def test_muted_inputs_lose_what_is_not_traced(tmp_path: Path) -> None:
    board = make_board()
    edges = [(2_000_000 + 1000 * n, n % 2 == 0) for n in range(4000)]
    board.schedule(5, edges)
    session = Session(tmp_path, lambda: Cable(board), 8)
    found = session.tracing.inputs[5]
    assert found.edges + found.lost < len(edges), (
        "from the 255th in a second on, the board takes not every edge"
    )
    assert found.lost > 1000
    assert session.trace.gaps == 1


def test_chatter_that_is_no_storm_is_counted_to_the_edge(tmp_path: Path) -> None:
    board = make_board()
    edges = [(2_000_000 + 5000 * n, n % 2 == 0) for n in range(800)]
    board.schedule(5, edges)
    session = Session(tmp_path, lambda: Cable(board), 8)
    check(session, [(time_us, 5, closed) for time_us, closed in edges])
    assert session.tracing.inputs[5].lost > 400
    assert session.trace.gaps == 1


def test_a_contact_that_is_closed_at_the_beginning(tmp_path: Path) -> None:
    """The file says so at its start, and its opening is an opening."""
    board = make_board()
    board.schedule(2, [(1000, True), (4_000_000, False)])
    session = Session(tmp_path, lambda: Cable(board), 5, inputs=[2])
    (closing, opening) = session.edges()
    assert closing[1:] == (2, True)
    assert closing[0] < 1_000_000
    assert opening == (4_000_000 + (session.tracing._offset_us or 0), 2, False)
    assert session.tracing.lost == 0


class Unplugging:
    """Unplugs the line at a time of the file, once; optionally the board starts anew."""

    def __init__(self, plug: Plug, board: VirtualBoard, at_us: int, *, reset: bool) -> None:
        self.plug, self.board, self.at_us, self.reset = plug, board, at_us, reset
        self.done = False

    def __call__(self, tracing: TraceRecorder) -> None:
        if not self.done and tracing.file_us > self.at_us:
            self.done = True
            self.plug.lines[-1].close()
            if self.reset:
                self.board.reset()


def test_unplugged_and_plugged_in_again(tmp_path: Path) -> None:
    """The board has counted on: what was missed is known to the edge."""
    board = make_board()
    truth = trains(board, 12)
    away_us = 1_500_000

    def plug_in(index: int) -> Transport:
        if index == 1:
            for _ in range(away_us // 500):
                board._step()
            board._line.clear()
        return Cable(board)

    plug = Plug(plug_in)
    session = Session(
        tmp_path, plug.connect, 6, while_running=Unplugging(plug, board, 2_000_000, reset=False)
    )
    check(session, truth)
    assert session.tracing.gaps == 0
    missed = [edge for edge in truth if 2_100_000 < edge[0] < 2_100_000 + away_us]
    assert session.tracing.lost > 0.8 * len(missed) > 50


def test_a_board_that_starts_anew_is_a_gap(tmp_path: Path) -> None:
    board = make_board()
    trains(board, 12)
    plug = Plug(lambda _: Cable(board))
    session = Session(tmp_path, plug.connect, 6, while_running=Unplugging(plug, board, 2_000_000, reset=True))
    times_us = session.trace.times_us
    assert session.tracing.gaps == session.trace.gaps == 1
    assert session.tracing.lost == 0
    before, after = times_us[times_us < 2_000_000], times_us[times_us > 3_000_000]
    assert len(before) > 50
    assert len(after) > 50
    assert 5_000_000 < times_us[-1] < 7_500_000, "the file's time goes on by the host's clock"


def test_a_line_that_is_gone_at_the_end_is_a_gap(tmp_path: Path) -> None:
    board = make_board()
    trains(board, 12)
    connections: list[int] = []

    def connect() -> Transport:
        connections.append(1)
        if len(connections) > 1:
            raise LineError("virtual: no such port")
        return FaultyLine(Cable(board), LineFaults(unplug_after=60_000), 1)

    ended: list[TraceRecorder] = []

    def stop(tracing: TraceRecorder) -> None:
        if len(connections) > 1:
            ended.append(tracing)
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        Session(tmp_path, connect, 60, while_running=stop)
    tracing = ended[0]
    tracing._writer = open_writer(tmp_path / "rest.csv", list(tracing.inputs))
    tracing.finish()
    assert tracing.gaps == 1


def test_samples_the_board_lost_are_a_gap(tmp_path: Path) -> None:
    board = make_board()
    trains(board, 6)

    def lose(tracing: TraceRecorder) -> None:
        board.device.note_lost_snapshots(3 if tracing.file_us > 1_000_000 else 0)

    session = Session(tmp_path, lambda: Cable(board), 4, while_running=lose)
    assert session.trace.gaps == 1


def test_memory_is_bounded(tmp_path: Path) -> None:
    """However long it takes, only the last seconds are held."""
    board = make_board(inputs=2)
    edges = [(at_us, at_us % 40_000 == 0) for at_us in range(120_000, 60_000_000, 20_000)]
    board.schedule(1, [(time_us, closed) for time_us, closed in edges])
    held: list[int] = []

    def look(tracing: TraceRecorder) -> None:
        held.append(len(tracing._rows) + sum(len(line.times_us) for line in tracing.inputs.values()))

    session = Session(tmp_path, lambda: Cable(board), 50, while_running=look)
    assert session.tracing.edges > 2000
    assert max(held) < 60, f"{max(held)} edges held, {ORDER_US} us are enough for order"


def test_a_board_that_refuses_is_told(tmp_path: Path) -> None:
    cable = Cable(make_board())
    cable.loses_command = lambda type_: type_ == 0x48
    with pytest.raises(LineError, match="SetTrace"):
        Session(tmp_path, lambda: cable, 2)


def test_the_file_opens_at_any_moment(tmp_path: Path) -> None:
    """While it is being written, and torn anywhere."""
    board = make_board()
    trains(board, 6)
    seen: list[int] = []

    def look(tracing: TraceRecorder) -> None:
        if tracing.file_us > 2_500_000:
            seen.append(len(read_trace(tmp_path / "trace.vcd")))

    session = Session(tmp_path, lambda: Cable(board), 4, suffix=".vcd", while_running=look)
    assert seen == sorted(seen)
    assert 0 < seen[0] < len(session.trace)
    whole = session.path.read_bytes()
    for at in range(len(whole) // 2, len(whole), 97):
        session.path.write_bytes(whole[:at])
        assert len(session.trace) > 0


def test_the_line_that_was_lost_for_good_ends_a_request(tmp_path: Path) -> None:
    board = make_board()
    cable = Cable(board)

    def unplug(tracing: TraceRecorder) -> None:
        if tracing.file_us > 500_000:
            cable.plugged = False
            raise LineLost("gone")

    with pytest.raises(LineLost):
        Session(tmp_path, lambda: cable, 2, while_running=unplug)
