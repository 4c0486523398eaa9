"""A board's raw edges into a trace file, with an exact account of what was lost on the way.

Trace messages are not repeated, so edges can be lost on the board and on the line. But the board counts
every edge, and each heartbeat tells the count of one input. Between two heartbeats of an input as many edges
have to be in the file as were counted; what is missing is lost, and the file says so. Only of an input in a
storm, which chatters, the board takes not every edge; that is a gap.
"""

from __future__ import annotations

import contextlib
import heapq
import math
from collections import deque
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field
from typing import Protocol

from reedproof.errors import LineError
from reedproof.recorder import Recorder
from reedproof.records import (
    Fault,
    Heartbeat,
    LinkDown,
    LinkEvent,
    LinkUp,
    SetTrace,
    TraceEdges,
    input_mask,
)
from reedproof.trace_writer import ACCOUNT_CLOSED, Note, notes_of

#: A heartbeat may overtake edges that wait for company; no edge comes later than this after it.
ORDER_US = 100_000
#: The heartbeats of 32 inputs come round in a second.
ROUND_S = 2.5
FLUSH_S = 1.0


@dataclass
class _Input:
    """The account of one input. Times are the board's."""

    counted: int = 0  # edges the board counted until `until_us`
    until_us: int | None = None  # the newest heartbeat up to which all edges have come; None before the first
    beat: Heartbeat | None = None  # a newer one, before which edges may still come
    times_us: deque[int] = field(default_factory=deque)  # of the edges that came, later than `until_us`
    edges: int = 0
    missing: int = 0  # counted and not come; below 0 while an edge shares the microsecond of a heartbeat
    late: int = 0  # came too late for the order of the file, and are not in it
    closed: bool = False  # as the file has it
    is_unsure: bool = True  # whether the level is as the file has it
    chatters: bool = False

    @property
    def lost(self) -> int:
        return max(0, self.missing) + self.late


class EdgeSink(Protocol):
    """Where edges go: what a recording needs of a `TraceWriter`."""

    def add(self, times_us: Iterable[int], inputs: Iterable[int], closed: Iterable[int]) -> None: ...

    def note(self, *notes: Note) -> None: ...

    def flush(self) -> None: ...


class TraceRecorder:
    """Call ``pump`` in a loop, then ``finish``.

    Args:
        recorder: its link has the board; records go on into the store meanwhile.
        writer: where the edges go; stays open.
        inputs: the inputs to trace.
        seen: called with every event, after it is stored.

    Raises LineError when the board does not obey.
    """

    def __init__(
        self,
        recorder: Recorder,
        writer: EdgeSink,
        inputs: Sequence[int],
        seen: Callable[[LinkEvent], None] = lambda _: None,
    ) -> None:
        self._recorder = recorder
        self._seen = seen
        self._link = recorder.link
        self._writer = writer
        self._mask = input_mask(list(inputs))
        self.inputs = {number: _Input() for number in inputs}
        self.gaps = 0
        self._offset_us: int | None = None  # file time minus board time
        self._zero_s = 0.0  # the host's time at file time 0
        self._written_us = 0
        self._hold_us = math.inf  # of the file, at its end: what lies beyond waits for its account
        self._board_us = 0
        self._samples_lost: int | None = None
        # heap of (file time, order of arrival, input, closed)
        self._rows: list[tuple[int, int, int, bool]] = []
        self._order = 0
        self._flushed_s = self._link.now_s()
        self._start()

    @property
    def edges(self) -> int:
        return sum(line.edges for line in self.inputs.values())

    @property
    def lost(self) -> int:
        """Edges the board counted that did not come, as far as the account goes."""
        return sum(line.lost for line in self.inputs.values())

    @property
    def is_running(self) -> bool:
        """Whether the account of every input has begun; what comes before is not recorded."""
        return all(line.until_us is not None for line in self.inputs.values())

    @property
    def is_up(self) -> bool:
        return self._link.is_up

    @property
    def file_us(self) -> int:
        """Where the file is by now."""
        return 0 if self._offset_us is None else self._board_us + self._offset_us

    def board_us(self, file_us: int) -> int:
        """The time of the board's present boot at a time of the file, once `is_running`."""
        return file_us - (self._offset_us or 0)

    def _start(self) -> None:
        self._link.obey(SetTrace(self._mask))

    def pump(self, timeout_s: float) -> None:
        """Takes what comes within ``timeout_s``. Raises StoreError, TraceError and LineError."""
        self.take(self._recorder.pump(timeout_s))

    def take(self, events: Iterable[LinkEvent]) -> None:
        for event in events:
            self._seen(event)
            match event:
                case TraceEdges():
                    self._take_edges(event)
                case Heartbeat():
                    self._take_beat(event)
                case LinkDown():
                    self._write_rows(self._hold_us)
                case LinkUp():
                    self._resume(event)
                case _:
                    pass
        if self._link.now_s() - self._flushed_s >= FLUSH_S:
            self._flushed_s = self._link.now_s()
            self._writer.flush()

    def _resume(self, up: LinkUp) -> None:
        """The line is back. The same boot has counted on, so what was missed meanwhile comes out of the
        account; of another boot's edges nothing is known."""
        for line in self.inputs.values():
            line.is_unsure = True
            if up.lost_boot:
                self._settle(line)
                line.until_us = line.beat = None
                line.times_us.clear()
        if up.lost_boot:
            self.gaps += 1
            self._offset_us = self._samples_lost = None
        self._start()

    def _take_edges(self, message: TraceEdges) -> None:
        for time_us, number, closed in message.edges:
            line = self.inputs.get(number)
            if line is not None and line.until_us is not None and time_us > line.until_us:
                line.times_us.append(time_us)
                self._push(time_us, number, closed)

    def _push(self, time_us: int, number: int, closed: bool) -> None:
        assert self._offset_us is not None, "nothing is recorded before the first heartbeat"
        self._order += 1
        self.inputs[number].closed = closed
        heapq.heappush(self._rows, (time_us + self._offset_us, self._order, number, closed))

    def _take_beat(self, beat: Heartbeat) -> None:
        self._board_us = beat.time_us
        if self._offset_us is None:
            self._set_clock(beat.time_us)
        if self._samples_lost is not None and beat.snapshots_lost != self._samples_lost:
            self.gaps += 1
        self._samples_lost = beat.snapshots_lost
        line = self.inputs.get(beat.input)
        if line is not None:
            if line.until_us is None:
                line.until_us, line.counted = beat.time_us, beat.edges
            else:
                self._settle(line)
                line.beat = beat
            chatters = Fault.CHATTER in Fault(beat.faults)
            self.gaps += chatters and not line.chatters
            line.chatters = chatters
            if line.is_unsure:
                line.is_unsure = False
                closed = bool(beat.levels >> (beat.input - 1) & 1)
                if closed != line.closed:
                    self._push(beat.time_us, beat.input, closed)
        self._write_rows()

    def _set_clock(self, board_us: int) -> None:
        """File time goes on by the host's clock where a board starts anew."""
        now_s = self._link.now_s()
        if not self._written_us and not self.gaps:
            self._zero_s = now_s
        self._offset_us = max(round((now_s - self._zero_s) * 1e6), self._written_us) - board_us

    def _settle(self, line: _Input) -> None:
        """Balances the account up to the last heartbeat but one, before which nothing comes any more."""
        if line.beat is None:
            return
        came = 0
        while line.times_us and line.times_us[0] <= line.beat.time_us:
            line.times_us.popleft()
            came += 1
        line.edges += came
        line.missing += line.beat.edges - line.counted - came
        line.counted, line.until_us, line.beat = line.beat.edges, line.beat.time_us, None

    def _write_rows(self, until_us: float | None = None) -> None:
        """Rows of the file up to its time ``until_us``; before what may still come, if not told."""
        if until_us is None:
            until_us = min(self.file_us - ORDER_US, self._hold_us)
        due: list[tuple[int, int, bool]] = []
        while self._rows and self._rows[0][0] <= until_us:
            time_us, _, number, closed = heapq.heappop(self._rows)
            if time_us >= self._written_us:
                self._written_us = time_us
                due.append((time_us, number, closed))
            else:
                self.inputs[number].edges -= 1
                self.inputs[number].late += 1
        if due:
            self._writer.add(*zip(*due, strict=True))

    def finish(self) -> None:
        """Waits for one more heartbeat of every input, so that the account is complete: each input is
        recorded up to that. Then says in the file what was lost."""
        wanted_us = self._board_us
        self._hold_us = self.file_us
        end_s = self._link.now_s() + ROUND_S
        while self._link.is_up and self._link.now_s() < end_s and not self._has_beats_after(wanted_us):
            self.pump(0.05)
        if self._link.is_up:
            for _ in range(2):  # edges that the last heartbeat overtook
                self.pump(0.05)
        with contextlib.suppress(LineError):  # else it falls silent by itself
            self._link.obey(SetTrace(0))
        for line in self.inputs.values():
            self._settle(line)
        if any(line.until_us is None or line.until_us < wanted_us for line in self.inputs.values()):
            self.gaps += 1  # the line was gone at the end
        # In order, and so still a heap.
        self._rows = sorted(row for row in self._rows if self._is_accounted(row[0], row[2]))
        self._write_rows(math.inf)
        self._writer.note(*notes_of(lost=self.lost, gaps=self.gaps), ACCOUNT_CLOSED)
        self._writer.flush()

    def _is_accounted(self, file_us: int, number: int) -> bool:
        until_us = self.inputs[number].until_us
        return until_us is not None and file_us <= until_us + (self._offset_us or 0)

    def _has_beats_after(self, time_us: int) -> bool:
        return all(
            (line.beat.time_us if line.beat else line.until_us or 0) > time_us
            for line in self.inputs.values()
        )
