"""What a board said for a while, input by input: closures, faults, counts and raw edges on one time line.

Closures are the board's own; nothing is debounced here.
"""

from __future__ import annotations

import contextlib
from collections.abc import Iterable
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from reedproof.analysis.case import Counts, Edges, FaultSpan, InputFacts, SelfTest
from reedproof.analysis.closures import Closures
from reedproof.errors import LineError, NoAnswer
from reedproof.recorder import Recorder
from reedproof.records import (
    Broke,
    Fault,
    FaultChange,
    Heartbeat,
    InputSettings,
    LinkDown,
    LinkEvent,
    LinkUp,
    Lost,
    Made,
    SelftestResult,
    Verdict,
    input_mask,
)
from reedproof.trace_recorder import ROUND_S, EdgeSink, TraceRecorder
from reedproof.trace_writer import Note


@dataclass
class Seen:
    """A closure. Times are the board's."""

    made_us: int
    broke_us: int | None = None
    bounces: int = 0
    dropouts: int = 0
    is_known: bool = True  # whether its end will be told


@dataclass
class Line:
    """One input: its closures, heartbeats, and faults with when they came and went."""

    closures: list[Seen] = field(default_factory=list)
    first: Heartbeat | None = None
    last: Heartbeat | None = None
    faults: list[tuple[Fault, int, int | None]] = field(default_factory=list)

    @property
    def open(self) -> Seen | None:
        """The closure that lasts."""
        last = self.closures[-1] if self.closures else None
        return last if last is not None and last.broke_us is None and last.is_known else None

    @property
    def quiet_since_us(self) -> int | None:
        """None while it is closed."""
        if self.open is not None:
            return None
        return self.closures[-1].broke_us or self.closures[-1].made_us if self.closures else 0


class _Kept:
    """Takes edges into memory, and into a file where there is one."""

    def __init__(self, file: EdgeSink | None) -> None:
        self._file = file
        self.rows: list[tuple[int, int, int]] = []

    def add(self, times_us: Iterable[int], inputs: Iterable[int], closed: Iterable[int]) -> None:
        rows = list(zip(times_us, inputs, closed, strict=True))
        self.rows += rows
        if self._file is not None:
            self._file.add(*zip(*rows, strict=True))

    def note(self, *notes: Note) -> None:
        if self._file is not None:
            self._file.note(*notes)

    def flush(self) -> None:
        if self._file is not None:
            self._file.flush()


class Witness:
    """Call ``pump`` in a loop, then ``finish``; what was seen can be asked for at any time. Times are the
    board's where nothing else is said.

    Args:
        recorder: its link has the board; records go on into the store meanwhile.
        writer: the edges go there too.

    Attributes:
        lines: by input.
        now_us, active_us: now, and when anything last happened.
        interrupted: why it ended early, else empty: what a board counts while it is away, it does not tell.

    Raises LineError when the board does not obey or tells nothing.
    """

    def __init__(self, recorder: Recorder, writer: EdgeSink | None = None) -> None:
        self._recorder = recorder
        self._link = recorder.link
        recorder.pump(0.0)  # what the board said until here is not of this
        self.lines = {number: Line() for number in self._link.choose_inputs(None)}
        self.now_us = self.active_us = 0
        self.interrupted = ""
        self.records_lost = self.samples_lost = 0
        self._samples_lost_before: int | None = None
        self._start_us: int | None = None
        self._cut_us: int | None = None  # of the file: what comes later is another boot's
        self._clock = self._link.clock
        self._wall_offset_s = recorder.wall_s() - self._link.now_s()
        self._edges = _Kept(writer)
        self._tracing = TraceRecorder(recorder, self._edges, list(self.lines), self._note)
        self._begin()

    def _begin(self) -> None:
        end_s = self._link.now_s() + ROUND_S
        while not (self._tracing.is_running and self._clock.bounded):
            if self.interrupted or self._link.now_s() > end_s:
                silent = (
                    f"{self._link.name}: the board does not tell its counts; unplug it, plug it in, try again"
                )
                raise NoAnswer(self.interrupted or silent)
            self._tracing.pump(0.05)
        self._zero_us = self._tracing.board_us(0)

    @property
    def start_us(self) -> int:
        assert self._start_us is not None, "it has begun"
        return self._start_us

    @property
    def edges_lost(self) -> dict[int, int]:
        """By input, those that lost any on the way."""
        return {number: line.lost for number, line in self._tracing.inputs.items() if line.lost}

    def pump(self, timeout_s: float) -> None:
        """Takes what comes within ``timeout_s``. Raises StoreError and TraceError."""
        try:
            self._tracing.pump(timeout_s)
        except LineError as error:
            self._interrupt(str(error))

    def finish(self) -> None:
        """Waits for the last counts of every input."""
        with contextlib.suppress(LineError):  # then the account stays open
            self._tracing.finish()
        self._recorder.flush()
        for number, line in self.lines.items():
            self._note_closed_throughout(number, line)

    # ---- what comes from the board ----

    def _note(self, event: LinkEvent) -> None:
        if self.interrupted:
            return
        match event:
            case Heartbeat():
                self._note_beat(event)
            case Made() | Broke() | FaultChange():
                # What the board kept from before is not of this session.
                if self._start_us is not None and event.time_us >= self._start_us:
                    self.now_us = max(self.now_us, event.time_us)
                    self._note_record(event, self.lines[event.input])
            case Lost():
                self.records_lost += event.count
                self._lose_ends()
            case LinkDown():
                self._interrupt(event.reason)
            case LinkUp(hello, lost_boot=True):
                self._interrupt(f"{self._link.name}: the board started anew ({hello.reset_name})")
            case _:
                pass

    def _interrupt(self, reason: str) -> None:
        self.interrupted = reason
        self._cut_us = self._tracing.file_us
        self._lose_ends()

    def _lose_ends(self) -> None:
        """Closures that last may end without a word."""
        for line in self.lines.values():
            if line.open is not None:
                line.open.is_known = False

    def _note_beat(self, beat: Heartbeat) -> None:
        if self._start_us is None:
            self._start_us = beat.time_us
        if self._samples_lost_before is None:
            self._samples_lost_before = beat.snapshots_lost
        self.samples_lost = beat.snapshots_lost - self._samples_lost_before & 0xFFFF
        self.now_us = max(self.now_us, beat.time_us)
        line = self.lines[beat.input]
        if line.first is None:
            line.first = beat
            line.faults += [(fault, self._start_us, None) for fault in Fault if fault in Fault(beat.faults)]
        elif line.last is not None and beat.edges != line.last.edges:
            self.active_us = beat.time_us
        line.last = beat

    def _note_record(self, record: Made | Broke | FaultChange, line: Line) -> None:
        self.active_us = self.now_us
        match record:
            case Made():
                line.closures.append(Seen(record.time_us, bounces=record.bounces))
            case Broke():
                if line.open is None and not line.closures and self._start_us is not None:
                    line.closures.append(Seen(self._start_us))  # it was closed when the session began
                if line.open is not None:
                    line.open.bounces += record.bounces
                    line.open.dropouts += record.dropouts
                    line.open.broke_us = record.time_us
            case FaultChange():
                self._note_fault(record, line)

    @staticmethod
    def _note_fault(change: FaultChange, line: Line) -> None:
        fault = Fault(change.fault)
        lasting = [at for at, (each, _, to_us) in enumerate(line.faults) if each == fault and to_us is None]
        if change.active and not lasting:
            line.faults.append((fault, change.time_us, None))
        if not change.active and lasting:
            line.faults[lasting[-1]] = (fault, line.faults[lasting[-1]][1], change.time_us)

    # ---- what was seen ----

    def closures(self, number: int, from_us: int = 0) -> Closures:
        """Of an input, made since then; times in seconds of the board, a closure that lasts until now."""
        own = [each for each in self.lines[number].closures if each.made_us >= from_us]
        ends_us = [
            each.broke_us if each.broke_us is not None else self.now_us if each.is_known else np.nan
            for each in own
        ]
        made_us = np.array([each.made_us for each in own], np.float64)
        return Closures(
            np.zeros(len(own), np.int16),
            made_us / 1e6,
            ((np.array(ends_us, np.float64) - made_us) / 1000).astype(np.float32),
            np.array([each.bounces for each in own], np.uint16),
            np.array([each.dropouts for each in own], np.uint16),
        )

    def _host_s(self, board_us: NDArray[np.float64]) -> NDArray[np.float64]:
        """Host time of times of the board in this session, by the clock as it is known in the end. One line
        through all of them: short stretches keep their length."""
        assert self._start_us is not None
        anchors_us = np.array([self._start_us - 1_000_000, self.now_us + 1_000_000])
        first_s, last_s = (self._clock.to_host(int(us))[0] for us in anchors_us)
        share = (board_us - anchors_us[0]) / (anchors_us[1] - anchors_us[0])
        return np.asarray(self._wall_offset_s + first_s + share * (last_s - first_s))

    def at_s(self, board_us: float) -> float:
        return float(self._host_s(np.array([board_us], np.float64))[0])

    def _note_closed_throughout(self, number: int, line: Line) -> None:
        """An input that reads closed in the beginning and in the end, and neither closed nor opened in
        between, was closed all the time, unless it chattered."""
        first, last = line.first, line.last
        if first is None or last is None or self._start_us is None or line.closures:
            return
        chatters = any(fault is Fault.CHATTER for fault, _, _ in line.faults)
        if first.levels & last.levels & input_mask([number]) and not chatters:
            line.closures.append(Seen(self._start_us))

    def edges(self) -> dict[int, Edges]:
        """By input, host time. Rows that say what their input is already, are none."""
        rows: dict[int, list[tuple[int, int]]] = {number: [] for number in self.lines}
        for file_us, number, closed in self._edges.rows:
            mine = rows[number]
            is_cut = self._cut_us is not None and file_us > self._cut_us
            if not is_cut and closed != (mine[-1][1] if mine else 0):
                mine.append((file_us, closed))
        return {
            number: Edges(
                self._host_s(np.array([us for us, _ in mine], np.float64) + self._zero_us),
                np.array([closed for _, closed in mine], np.bool_),
            )
            for number, mine in rows.items()
        }

    def facts(
        self, number: int, board: str, settings: InputSettings, selftest: SelftestResult, edges: Edges
    ) -> InputFacts:
        line = self.lines[number]
        return InputFacts(
            board,
            number,
            _counts(line),
            settings.make_us,
            settings.break_us,
            SelfTest(Verdict(selftest.verdict), tuple(selftest.partners)),
            tuple(
                FaultSpan(fault, self.at_s(from_us), None if to_us is None else self.at_s(to_us))
                for fault, from_us, to_us in line.faults
            ),
            self.closures_at(number).made_s,
            edges,
        )

    def closures_at(self, number: int) -> Closures:
        """All of an input, host time."""
        own = self.closures(number)
        made_s = self._host_s(own.made_s * 1e6)
        return Closures(own.contact, made_s, own.duration_ms, own.bounces, own.dropouts)


def _counts(line: Line) -> Counts | None:
    """What was counted between its first heartbeat and its last one. The longest blip and dropout are of the
    whole boot, where there were any in between: the board keeps no others."""
    first, last = line.first, line.last
    if first is None or last is None:
        return None
    blips, dropouts = last.blips - first.blips, last.dropouts - first.dropouts
    return Counts(
        (last.time_us - first.time_us) / 1e6,
        last.edges - first.edges,
        last.closures - first.closures,
        blips,
        dropouts,
        last.longest_blip_us if blips else 0,
        last.longest_dropout_us if dropouts else 0,
    )
