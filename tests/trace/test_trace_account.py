"""The account of a recording, message by message: boundaries that a virtual board never meets exactly."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

import pytest

from reedproof.errors import LineError
from reedproof.records import Heartbeat, LinkDown, LinkEvent, LinkUp, SetTrace, TraceEdges
from reedproof.trace_recorder import TraceRecorder

S = 1_000_000


class Line:
    """A link, its recorder and a writer in one: keeps what it was told, gives what the test says."""

    def __init__(self) -> None:
        self.link = self
        self.is_up = True
        self.time_s = 0.0
        self.obeyed: list[Any] = []
        self.rows: list[tuple[int, int, int]] = []
        self.notes: dict[str, str] = {}
        self.flushes = 0
        self.coming: list[list[LinkEvent]] = []

    def now_s(self) -> float:
        return self.time_s

    def obey(self, command: Any) -> None:
        self.obeyed.append(command)

    def pump(self, timeout_s: float) -> list[LinkEvent]:
        self.time_s += timeout_s
        assert self.time_s < 60, "it waits for ever"
        return self.coming.pop(0) if self.coming else []

    def add(self, *columns: Iterable[int]) -> None:
        self.rows += [
            (time_us, number, int(closed)) for time_us, number, closed in zip(*columns, strict=True)
        ]

    def note(self, *notes: tuple[str, str]) -> None:
        self.notes.update(notes)

    def flush(self) -> None:
        self.flushes += 1


def start(*inputs: int) -> tuple[Line, TraceRecorder]:
    line: Any = Line()
    return line, TraceRecorder(line, line, list(inputs))


def beat(time_us: int, number: int, edges: int, levels: int = 0, samples_lost: int = 0) -> Heartbeat:
    return Heartbeat(time_us, 0, 0, samples_lost, 0, levels, number, 0, edges, 0, 0, 0, 0, 0, 0)


def edges(*found: tuple[int, int, bool]) -> TraceEdges:
    return TraceEdges(found[0][0], 0, found)


UP: Any = LinkUp(None, lost_boot=False)  # type: ignore[arg-type]
UP_ANEW: Any = LinkUp(None, lost_boot=True)  # type: ignore[arg-type]


def test_edges_at_the_instant_of_a_heartbeat_are_before_it() -> None:
    _, tracing = start(1)
    tracing.take([beat(S, 1, 10), edges((S, 1, True)), edges((2 * S, 1, True), (3 * S, 1, False))])
    tracing.take([beat(3 * S, 1, 12), beat(4 * S, 1, 12)])
    assert (tracing.edges, tracing.lost) == (2, 0)


def test_a_level_that_changed_while_the_line_was_away_is_stated() -> None:
    line, tracing = start(1)
    tracing.take([beat(S, 1, 0), LinkDown("unplugged"), UP, beat(3 * S, 1, 1, levels=1)])
    tracing.take([beat(4 * S, 1, 1, levels=1), beat(5 * S, 1, 1, levels=1)])
    assert line.rows == [(2 * S, 1, 1)]
    assert tracing.lost == 1
    assert line.obeyed == [SetTrace(1), SetTrace(1)]


def test_nothing_of_a_boot_is_counted_in_the_next() -> None:
    """Edges that came after its last heartbeat are neither come nor lost; its samples are its own."""
    line, tracing = start(1)
    tracing.take([beat(S, 1, 0, samples_lost=7), edges((2 * S, 1, True), (3 * S, 1, False))])
    tracing.take([beat(int(3.5 * S), 1, 3, samples_lost=7), edges((4 * S, 1, True))])
    line.time_s = 10.0
    tracing.take([LinkDown("unplugged"), UP_ANEW, beat(1000, 1, 0)])
    tracing.take([edges((2000, 1, True)), beat(3000, 1, 1), beat(S, 1, 1), beat(2 * S, 1, 1)])
    assert (tracing.edges, tracing.lost, tracing.gaps) == (3, 1, 1)
    assert [row for row in line.rows if row[0] > 9 * S] == [(10 * S, 1, 0), (10 * S + 1000, 1, 1)]


def test_the_file_never_runs_back() -> None:
    """A host's clock that stands still while a board starts anew."""
    line, tracing = start(1)
    tracing.take([beat(S, 1, 0), edges((3 * S, 1, True)), beat(4 * S, 1, 1)])
    tracing.take([UP_ANEW, beat(500, 1, 0), edges((600, 1, False)), beat(S, 1, 1), beat(2 * S, 1, 1)])
    assert line.rows == [(2 * S, 1, 1), (2 * S, 1, 0), (2 * S + 100, 1, 0)]


def test_edges_of_one_instant_stay_in_order() -> None:
    line, tracing = start(2, 1)
    tracing.take([beat(S, 1, 0), beat(S, 2, 0)])
    tracing.take([edges((2 * S, 2, True), (2 * S, 2, False), (2 * S, 1, True)), beat(3 * S, 1, 1)])
    assert line.rows == [(S, 2, 1), (S, 2, 0), (S, 1, 1)]


def test_a_heartbeat_may_overtake_edges() -> None:
    line, tracing = start(1, 2)
    tracing.take([beat(S, 1, 0), beat(S, 2, 0), edges((2 * S, 1, True)), beat(2_099_999, 1, 1)])
    assert line.rows == []
    tracing.take([edges((2 * S - 5, 2, True)), beat(2_100_000, 2, 1)])
    assert line.rows == [(S - 5, 2, 1), (S, 1, 1)]


def test_it_is_flushed_every_second() -> None:
    line, tracing = start(1)
    for line.time_s in (0.5, 1.0, 1.5, 2.0):
        tracing.take([])
    assert line.flushes == 2


def test_the_end_waits_for_a_heartbeat_of_every_input_and_for_what_it_overtook() -> None:
    line, tracing = start(1, 2)
    tracing.take([beat(S, 1, 0), beat(S + 1, 2, 0)])
    line.coming = [
        [edges((2 * S, 1, True)), beat(3 * S, 1, 2)], [beat(4 * S, 2, 1)],
        [edges((int(2.5 * S), 1, False))], [edges((int(3.5 * S), 2, True))],
    ]  # fmt: skip
    tracing.finish()
    assert (tracing.edges, tracing.lost, tracing.gaps) == (3, 0, 0)
    assert line.rows == [(S, 1, 1), (int(1.5 * S), 1, 0), (int(2.5 * S), 2, 1)]
    assert line.notes == {"lost": "0", "account": "closed"}
    assert line.obeyed == [SetTrace(3), SetTrace(0)]


def test_what_comes_after_the_last_heartbeat_is_left_out() -> None:
    line, tracing = start(1)
    tracing.take([beat(S, 1, 0)])
    line.coming = [[edges((2 * S, 1, True)), beat(2 * S, 1, 1)], [edges((2 * S + 1, 1, False))]]
    tracing.finish()
    assert line.rows == [(S, 1, 1)]
    assert (tracing.edges, tracing.lost) == (1, 0)


def test_a_board_without_heartbeats_ends_all_the_same() -> None:
    line, tracing = start(1)
    tracing.take([beat(S, 1, 0)])
    tracing.finish()
    assert line.time_s < 3
    assert tracing.gaps == 0


def test_a_line_that_falls_silent_does_not_stop_the_end(monkeypatch: pytest.MonkeyPatch) -> None:
    line, tracing = start(1)
    line.is_up = False
    monkeypatch.setattr(line, "obey", lambda _: (_ for _ in ()).throw(LineError("gone")))
    tracing.finish()
    assert line.notes == {"lost": "0", "gaps": "1", "account": "closed"}


def test_an_edge_that_comes_too_late_for_the_order_is_left_out() -> None:
    line, tracing = start(1)
    tracing.take([beat(S, 1, 0), edges((2 * S, 1, True)), beat(3 * S, 1, 2)])
    tracing.take([edges((int(1.5 * S), 1, True)), beat(4 * S, 1, 2), beat(5 * S, 1, 2)])
    assert [row[0] for row in line.rows] == [S]


def test_a_gap_before_the_first_edge_takes_its_time() -> None:
    """The board started anew before its first edge came; the file began with the boot before."""
    line, tracing = start(1)
    tracing.take([beat(S, 1, 0)])
    line.time_s = 10.0
    tracing.take([UP_ANEW, beat(500, 1, 0), edges((1500, 1, True)), beat(S, 1, 1)])
    assert line.rows == [(10 * S + 1000, 1, 1)]


def test_what_came_before_the_line_broke_is_in_the_file() -> None:
    """What came before the line broke is in the file though nobody comes back."""
    line, tracing = start(1)
    tracing.take([beat(S, 1, 0), edges((2 * S, 1, True)), LinkDown("unplugged")])
    assert line.rows == [(S, 1, 1)]


def test_an_edge_counted_after_its_heartbeat_makes_no_negative_loss() -> None:
    """An edge that shares the microsecond of a heartbeat may be counted after it: never below none lost."""
    _, tracing = start(1)
    tracing.take([beat(S, 1, 0), edges((2 * S, 1, True)), beat(2 * S, 1, 0), beat(3 * S, 1, 1)])
    assert (tracing.edges, tracing.lost) == (1, 0)
    tracing.take([beat(4 * S, 1, 1)])
    assert (tracing.edges, tracing.lost) == (1, 0)
