"""The thread that reads a real line: its queue is bounded, and what waits in it is no silence."""

from __future__ import annotations

import threading

import pytest

from reedproof import wire
from reedproof.errors import LineLost, NoAnswer
from reedproof.link import INBOX_BATCHES, SILENCE_S, Link, _ThreadInbox
from reedproof.records import Blink, Heartbeat, LinkDown, LinkEvent
from virtual_lines import make_board

WAIT_S = 20.0  # for another thread, on a machine that is busy with something else


class Flood:
    """Implements Transport: always has something to read, until ``stop``. Its clock counts the reads."""

    name = "flood"
    is_simulated = False

    def __init__(self, reads: int) -> None:
        self.reads = 0
        self.more = threading.Semaphore(reads)
        self.enough = threading.Event()
        self.closed_while_reading = False
        self._reading = False

    def read(self, timeout_s: float) -> bytes:
        self._reading = True
        try:
            if not self.more.acquire(timeout=timeout_s):
                self.enough.set()
                return b""
            self.reads += 1
            return b"\0"
        finally:
            self._reading = False

    def write(self, data: bytes) -> None: ...

    def close(self) -> None:
        self.closed_while_reading = self._reading

    def now_s(self) -> float:
        return float(self.reads)


def test_the_queue_is_bounded() -> None:
    flood = Flood(3 * INBOX_BATCHES)
    inbox = _ThreadInbox(flood, wire.Decoder())
    while inbox._queue.qsize() < INBOX_BATCHES:
        assert not flood.enough.is_set()
        threading.Event().wait(0.001)
    assert flood.reads <= INBOX_BATCHES + 2
    taken = 0
    while inbox.get(1.0) is not None:
        taken += 1
    assert taken == flood.reads == 3 * INBOX_BATCHES
    inbox.close()


def test_closing_ends_the_thread_whether_it_reads_or_waits_for_room() -> None:
    for reads in (0, 3 * INBOX_BATCHES):
        flood = Flood(reads)
        inbox = _ThreadInbox(flood, wire.Decoder())
        while reads and inbox._queue.qsize() < INBOX_BATCHES:
            threading.Event().wait(0.001)
        inbox.close()
        assert not inbox._thread.is_alive()
        assert not flood.closed_while_reading


class Threaded:
    """Implements Transport: a virtual board as if it were a real one, with a clock that the test sets.

    The thread that reads takes what ``allow`` gives it of the board's time, and finds nothing after that.
    """

    name = "threaded"
    is_simulated = False

    def __init__(self) -> None:
        self.board = make_board()
        self.ahead_s = 0.0
        self.gone = self._closed = False
        self._lock = threading.Lock()
        self._allowed_s = 0.1  # enough for the hello that the board says unasked
        self.idle = threading.Event()

    def allow(self, seconds: float) -> None:
        with self._lock:
            self._allowed_s = self.board.now_s() + seconds
            self.idle.clear()

    @staticmethod
    def _check(gone: bool) -> None:
        if gone:
            raise LineLost("threaded: the line is gone (unplugged?)")

    def read(self, timeout_s: float) -> bytes:
        self._check(self.gone)
        with self._lock:
            if self.board.now_s() < self._allowed_s:
                return self.board.read(min(timeout_s, 0.01))
            self.idle.set()
        threading.Event().wait(0.001)
        return b""

    def write(self, data: bytes) -> None:
        self._check(self._closed)
        with self._lock:
            self.board.write(data)

    def close(self) -> None:
        self._closed = True

    def now_s(self) -> float:
        return self.board.now_s() + self.ahead_s


def polled_until_down(link: Link) -> list[LinkEvent]:
    events: list[LinkEvent] = []
    for _ in range(2000):
        events += link.poll(0.01)
        if any(isinstance(event, LinkDown) for event in events):
            return events
    raise AssertionError("the link does not go down")


def test_what_waits_in_the_queue_is_no_silence() -> None:
    """The program was busy for ten seconds, with a slow disk for example, and the board was not silent."""
    line = Threaded()
    link = Link(lambda: line)
    line.allow(1.0)
    assert line.idle.wait(WAIT_S)
    line.ahead_s = 10.0
    events = polled_until_down(link)
    beats = [event for event in events if isinstance(event, Heartbeat)]
    assert len(beats) > 25  # all that were there came before the verdict
    assert line.ahead_s > SILENCE_S
    link.close()


def test_a_line_lost_in_the_thread_is_reported_once_and_after_what_came_before() -> None:
    line = Threaded()
    link = Link(lambda: line)
    line.allow(1.0)
    assert line.idle.wait(WAIT_S)
    line.gone = True
    events = polled_until_down(link)
    assert isinstance(events[-1], LinkDown)
    assert "unplugged" in events[-1].reason
    assert sum(isinstance(event, Heartbeat) for event in events) > 25
    with pytest.raises(LineLost):
        link.request(Blink(0))
    link.close()


def test_silence_behind_a_thread_is_no_answer() -> None:
    line = Threaded()
    line.allow(0.0)

    def passing_s() -> float:
        line.ahead_s += 0.5
        return line.board.now_s() + line.ahead_s

    line.now_s = passing_s  # type: ignore[method-assign]
    with pytest.raises(NoAnswer):
        Link(lambda: line)
