"""A guided session at the layout: one contact is passed as asked, step by step, while all edges of its board
are recorded. The procedure; asking and showing are the caller's."""

from __future__ import annotations

import contextlib
import enum
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from reedproof.analysis.case import Case, Counts, Edges, FaultSpan, InputFacts, SelfTest, Step
from reedproof.analysis.case_of_session import (
    WITH_PASSES,
    SeenInput,
    Window,
    case_of_session,
    passes_in,
)
from reedproof.analysis.closures import Closures
from reedproof.errors import LineError, NoAnswer
from reedproof.recorder import Recorder
from reedproof.records import (
    Broke,
    Fault,
    FaultChange,
    Heartbeat,
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

WAIT_S = 120.0  # a step in which nothing happens ends after this
#: What still belongs to a pass comes within this after it, or within the time that the last closure took.
QUIET_S = 1.0
STANDS_S = 0.5  # a magnet that closes the contact for so long stands over it


@dataclass(frozen=True)
class Ask:
    """A step: so many passes, or so many seconds."""

    step: Step
    passes: int = 0
    seconds: float = 0.0


PLAN = (
    Ask(Step.STILL, seconds=5.0),
    Ask(Step.USUAL, passes=5),
    Ask(Step.SLOW, passes=3),
    Ask(Step.FAST, passes=3),
    Ask(Step.WIGGLE, seconds=10.0),
    Ask(Step.OTHER, passes=3),
    Ask(Step.REFERENCE, passes=3),
)


class Phase(enum.Enum):
    """Of a step that is not passes."""

    PLACE = "place"  # the magnet is being put over the contact
    LISTEN = "listen"  # time runs
    REMOVE = "remove"  # the magnet is being taken away


@dataclass
class _Closure:
    """Times are the board's."""

    made_us: int
    broke_us: int | None = None
    bounces: int = 0
    dropouts: int = 0
    is_known: bool = True  # whether its end will be told


@dataclass
class _Input:
    closures: list[_Closure] = field(default_factory=list)
    first: Heartbeat | None = None
    last: Heartbeat | None = None
    faults: list[tuple[Fault, int, int | None]] = field(default_factory=list)

    @property
    def open(self) -> _Closure | None:
        """The closure that lasts."""
        last = self.closures[-1] if self.closures else None
        return last if last is not None and last.broke_us is None and last.is_known else None

    @property
    def quiet_since_us(self) -> int | None:
        """None while it is closed."""
        if self.open is not None:
            return None
        return self.closures[-1].broke_us or self.closures[-1].made_us if self.closures else 0


@dataclass
class _Window:
    """A step that was asked for. Times are the board's."""

    ask: Ask
    from_us: int
    to_us: int | None = None
    passes: int | None = None
    shaken_from_us: int | None = None
    shaken_to_us: int | None = None
    seen: int = 0


@dataclass(frozen=True)
class Outcome:
    """Of a step: how many passes were made, None where nobody said so, and how many were seen. While lead and
    plug were moved: how many closures, 1 where it stayed closed."""

    step: Step
    passes: int | None
    seen: int


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


class Session:
    """Call ``begin``, then ``pump`` in a loop until ``is_over``, then ``finish``.

    Time is the board's, so a session over a virtual board is the same each time.

    Args:
        recorder: its link has the board; records go on into the store meanwhile.
        asked: the input of the contact, from 1.
        board_name: what the board is called.
        names: of the contacts, by input, where they are known.
        speed_mm_s: the usual speed, where it is known.
        plan: what is asked for, in this order.
        wait_s: a step in which nothing happens ends by itself after this.
        writer: the edges go there too.

    Raises ReedproofError for an input that the board does not have.
    """

    def __init__(
        self,
        recorder: Recorder,
        asked: int,
        *,
        board_name: str = "",
        names: Mapping[int, str] | None = None,
        speed_mm_s: float | None = None,
        plan: Sequence[Ask] = PLAN,
        wait_s: float = WAIT_S,
        writer: EdgeSink | None = None,
    ) -> None:
        self._recorder = recorder
        self._link = recorder.link
        (self.asked,) = self._link.choose_inputs([asked])
        self._board_name = board_name
        self._names = names or {}
        self._speed_mm_s = speed_mm_s
        self._plan = list(plan)
        self._wait_us = round(wait_s * 1e6)
        self._inputs = {number: _Input() for number in self._link.choose_inputs(None)}
        self._edges = _Kept(writer)
        self._windows: list[_Window] = []
        self._start_us: int | None = None
        self._now_us = self._active_us = 0
        self._samples_lost = 0
        self._samples_lost_before: int | None = None
        self._records_lost = 0
        self._cut_us: int | None = None  # of the file: what comes later is another boot's
        self.interrupted = ""  # why the session ended early, else empty
        self.selftest: dict[int, SelftestResult] = {}

    # ---- the course of a session ----

    def begin(self) -> dict[int, SelftestResult]:
        """Tests the inputs electrically, reads the settings, begins to record, and asks for the first step.
        Raises LineError."""
        self.selftest = self._link.selftest()
        _, self._settings = self._link.settings()
        self._recorder.pump(0.0)  # what the board said until here is not of this session
        self._clock = self._link.clock
        self._wall_offset_s = self._recorder.wall_s() - self._link.now_s()
        self._tracing = TraceRecorder(self._recorder, self._edges, list(self._inputs), self._note)
        end_s = self._link.now_s() + ROUND_S
        while not (self._tracing.is_running and self._clock.bounded):
            if self.interrupted or self._link.now_s() > end_s:
                silent = (
                    f"{self._link.name}: the board does not tell its counts; unplug it, plug it in, try again"
                )
                raise NoAnswer(self.interrupted or silent)
            self._tracing.pump(0.05)
        self._zero_us = self._tracing.board_us(0)
        self._ask_next()
        return self.selftest

    @property
    def is_over(self) -> bool:
        return not self._windows or self._windows[-1].to_us is not None

    @property
    def ask(self) -> Ask:
        """What is asked for now."""
        return self._window.ask

    @property
    def phase(self) -> Phase:
        window = self._window
        if window.ask.step is not Step.WIGGLE or window.shaken_from_us is not None is window.shaken_to_us:
            return Phase.LISTEN
        return Phase.PLACE if window.shaken_from_us is None else Phase.REMOVE

    @property
    def left_s(self) -> float:
        """Of a step that takes so many seconds, while time runs."""
        from_us = self._window.shaken_from_us or self._window.from_us
        return max(0.0, self.ask.seconds - (self._now_us - from_us) / 1e6)

    @property
    def is_closed(self) -> bool:
        """Whether the contact asked about is closed now."""
        return self._inputs[self.asked].open is not None

    @property
    def answers(self) -> dict[int, int]:
        """How many passes each input gave in this step, those that gave any."""
        counts = {n: len(passes_in(self._closures(n, self._window.from_us))[0]) for n in self._inputs}
        return {number: count for number, count in counts.items() if count}

    @property
    def seen(self) -> int:
        """How many passes were seen in this step: of the contact asked about, or of a reference."""
        return self._seen(self.answers)

    @property
    def outcomes(self) -> list[Outcome]:
        """Of the steps that have ended, in order."""
        ended = [window for window in self._windows if window.to_us is not None]
        return [Outcome(window.ask.step, window.passes, window.seen) for window in ended]

    @property
    def saw_anything(self) -> bool:
        """Whether anything closed, or was said to have been done."""
        return any(line.closures for line in self._inputs.values()) or any(
            window.passes is not None for window in self._windows
        )

    def pump(self, timeout_s: float) -> None:
        """Takes what comes within ``timeout_s`` and goes on to the next step where one has ended. Raises
        StoreError and TraceError."""
        try:
            self._tracing.pump(timeout_s)
        except LineError as error:
            self._interrupt(str(error))
        if self.interrupted:
            self.stop()
        elif not self.is_over:
            self._go_on()

    def done(self, passes: int | None = None) -> None:
        """The user says that it has been done: all passes were made, or exactly so many; the magnet stands
        over the contact, or is gone."""
        match self.ask.step, self.phase:
            case Step.WIGGLE, Phase.PLACE:
                self._window.shaken_from_us = self._now_us
            case Step.WIGGLE, Phase.LISTEN:
                self._window.shaken_to_us = self._now_us
            case ((Step.WIGGLE | Step.STILL), _):
                self._end()
            case _:
                self._end(self._at_least() if passes is None else passes)

    def skip(self) -> None:
        """This step is left out; passes that were seen in it count."""
        self._end()

    def stop(self) -> None:
        """The session ends here; what was seen counts."""
        if not self.is_over:
            self._plan.clear()
            self._end()

    def finish(self) -> Case:
        """Waits for the last counts of every input, and puts it all together."""
        self.stop()
        with contextlib.suppress(LineError):  # then the account stays open
            self._tracing.finish()
        self._recorder.flush()
        return self._case()

    # ---- steps ----

    @property
    def _window(self) -> _Window:
        return self._windows[-1]

    def _ask_next(self) -> None:
        if self._plan:
            self._active_us = self._now_us
            self._windows.append(_Window(self._plan.pop(0), self._now_us))

    def _end(self, passes: int | None = None) -> None:
        window = self._window
        if window.shaken_from_us is not None and window.shaken_to_us is None:
            window.shaken_to_us = self._now_us
        window.seen = self.seen if window.ask.step is not Step.WIGGLE else self._seen_shaken(window)
        window.to_us, window.passes = self._now_us, passes
        self._ask_next()

    def _go_on(self) -> None:
        window, step = self._window, self.ask.step
        if step is Step.WIGGLE:
            self._go_on_wiggling()
        elif step is Step.STILL:
            if not self.left_s:
                self._end()
        else:
            answers = self.answers
            if self._seen(answers) >= self.ask.passes and self._is_quiet(self._watched(answers)):
                self._end(self._at_least())
        if window is self._window and window.to_us is None and self._is_time_over():
            self._give_up()

    def _at_least(self) -> int:
        """The passes that were asked for; where more were seen, there were more, or more magnets."""
        return max(self.ask.passes, self.seen)

    def _go_on_wiggling(self) -> None:
        window, line = self._window, self._inputs[self.asked]
        match self.phase:
            case Phase.PLACE:
                closure = line.open
                if closure is not None and window.from_us <= closure.made_us <= self._now_us - STANDS_S * 1e6:
                    window.shaken_from_us = self._now_us
            case Phase.LISTEN:
                if not self.left_s:
                    window.shaken_to_us = self._active_us = self._now_us
            case Phase.REMOVE:
                if self._is_quiet(self.asked):
                    self._end()

    def _watched(self, answers: Mapping[int, int]) -> int:
        """The input whose passes are counted."""
        if self.ask.step is not Step.REFERENCE:
            return self.asked
        others = [number for number in answers if number != self.asked]
        return max(others, key=lambda n: (answers[n], -abs(n - self.asked)), default=self.asked)

    def _seen(self, answers: Mapping[int, int]) -> int:
        watched = self._watched(answers)
        if self.ask.step is Step.REFERENCE and watched == self.asked:
            return 0
        return answers.get(watched, 0)

    def _seen_shaken(self, window: _Window) -> int:
        from_us, to_us = window.shaken_from_us, window.shaken_to_us
        if from_us is None or to_us is None:
            return 0
        closures = self._inputs[self.asked].closures
        return sum(each.made_us < to_us and (each.broke_us or to_us) > from_us for each in closures)

    def _is_quiet(self, number: int) -> bool:
        line = self._inputs[number]
        since_us = line.quiet_since_us
        if since_us is None:
            return False
        took_us = since_us - line.closures[-1].made_us if line.closures else 0
        return self._now_us - since_us >= max(QUIET_S * 1e6, took_us)

    def _is_time_over(self) -> bool:
        if self.phase is Phase.LISTEN and not self.ask.passes:
            return False
        return self._now_us - max(self._active_us, self._window.from_us) >= self._wait_us

    def _give_up(self) -> None:
        """Nothing has happened for long. Where nothing happened in the whole step, nobody is there any more;
        where another input answered as often as was asked for, passes were made."""
        answers = self.answers
        if self._active_us <= self._window.from_us:
            self.stop()
        elif self.ask.step in WITH_PASSES and max(answers.values(), default=0) >= self.ask.passes:
            self._end(self._at_least())
        else:
            self._end()

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
                    self._now_us = max(self._now_us, event.time_us)
                    self._note_record(event, self._inputs[event.input])
            case Lost():
                self._records_lost += event.count
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
        for line in self._inputs.values():
            if line.open is not None:
                line.open.is_known = False

    def _note_beat(self, beat: Heartbeat) -> None:
        if self._start_us is None:
            self._start_us = beat.time_us
        if self._samples_lost_before is None:
            self._samples_lost_before = beat.snapshots_lost
        self._samples_lost = beat.snapshots_lost - self._samples_lost_before & 0xFFFF
        self._now_us = max(self._now_us, beat.time_us)
        line = self._inputs[beat.input]
        if line.first is None:
            line.first = beat
            line.faults += [(fault, self._start_us, None) for fault in Fault if fault in Fault(beat.faults)]
        elif line.last is not None and beat.edges != line.last.edges:
            self._active_us = beat.time_us
        line.last = beat

    def _note_record(self, record: Made | Broke | FaultChange, line: _Input) -> None:
        self._active_us = self._now_us
        match record:
            case Made():
                line.closures.append(_Closure(record.time_us, bounces=record.bounces))
            case Broke():
                if line.open is None and not line.closures and self._start_us is not None:
                    line.closures.append(_Closure(self._start_us))  # it was closed when the session began
                if line.open is not None:
                    line.open.bounces += record.bounces
                    line.open.dropouts += record.dropouts
                    line.open.broke_us = record.time_us
            case FaultChange():
                self._note_fault(record, line)

    @staticmethod
    def _note_fault(change: FaultChange, line: _Input) -> None:
        fault = Fault(change.fault)
        lasting = [at for at, (each, _, to_us) in enumerate(line.faults) if each == fault and to_us is None]
        if change.active and not lasting:
            line.faults.append((fault, change.time_us, None))
        if not change.active and lasting:
            line.faults[lasting[-1]] = (fault, line.faults[lasting[-1]][1], change.time_us)

    # ---- the case ----

    def _closures(self, number: int, from_us: int = 0) -> Closures:
        """Of an input, made since then; times in seconds of the board, a closure that lasts until now."""
        own = [each for each in self._inputs[number].closures if each.made_us >= from_us]
        ends_us = [
            each.broke_us if each.broke_us is not None else self._now_us if each.is_known else np.nan
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
        anchors_us = np.array([self._start_us - 1_000_000, self._now_us + 1_000_000])
        first_s, last_s = (self._clock.to_host(int(us))[0] for us in anchors_us)
        share = (board_us - anchors_us[0]) / (anchors_us[1] - anchors_us[0])
        return np.asarray(self._wall_offset_s + first_s + share * (last_s - first_s))

    def _at_s(self, board_us: float) -> float:
        return float(self._host_s(np.array([board_us], np.float64))[0])

    def _case(self) -> Case:
        for number, line in self._inputs.items():
            self._note_closed_throughout(number, line)
        edges = self._edges_by_input()
        inputs = {number: self._seen_input(number, edges[number]) for number in self._inputs}
        assert self._start_us is not None
        return case_of_session(
            f"guided session on {self._link.name}, input {self.asked}",
            self.asked,
            inputs,
            [self._told(window) for window in self._windows if window.to_us is not None],
            self._at_s(self._start_us),
            self._at_s(self._now_us),
            speed_mm_s=self._speed_mm_s,
            unclear=self._unclear(),
            notes=self._notes(),
        )

    def _note_closed_throughout(self, number: int, line: _Input) -> None:
        """An input that reads closed in the beginning and in the end, and neither closed nor opened in
        between, was closed all the time, unless it chattered."""
        first, last = line.first, line.last
        if first is None or last is None or self._start_us is None or line.closures:
            return
        chatters = any(fault is Fault.CHATTER for fault, _, _ in line.faults)
        if first.levels & last.levels & input_mask([number]) and not chatters:
            line.closures.append(_Closure(self._start_us))

    def _edges_by_input(self) -> dict[int, Edges]:
        """Rows that say what their input is already, are none."""
        rows: dict[int, list[tuple[int, int]]] = {number: [] for number in self._inputs}
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

    def _seen_input(self, number: int, edges: Edges) -> SeenInput:
        line, result, settings = self._inputs[number], self.selftest[number], self._settings[number]
        closures = self._closures(number)
        made_s = self._host_s(closures.made_s * 1e6)
        facts = InputFacts(
            self._board_name,
            number,
            _counts(line),
            settings.make_us,
            settings.break_us,
            SelfTest(Verdict(result.verdict), tuple(result.partners)),
            tuple(
                FaultSpan(fault, self._at_s(from_us), None if to_us is None else self._at_s(to_us))
                for fault, from_us, to_us in line.faults
            ),
            made_s,
            edges,
        )
        timed = Closures(closures.contact, made_s, closures.duration_ms, closures.bounces, closures.dropouts)
        return SeenInput(self._names.get(number, f"input {number}"), facts, timed)

    def _told(self, window: _Window) -> Window:
        assert window.to_us is not None
        shaken_s = None
        if window.shaken_from_us is not None and window.shaken_to_us is not None:
            shaken_s = (self._at_s(window.shaken_from_us), self._at_s(window.shaken_to_us))
        from_s, to_s = self._at_s(window.from_us), self._at_s(window.to_us)
        return Window(window.ask.step, from_s, to_s, window.passes, shaken_s)

    def _unclear(self) -> str:
        line = self._inputs[self.asked]
        unrecorded = line.last.lost - line.first.lost if line.first and line.last else 0
        if unrecorded:
            return f"{unrecorded} of its closures were counted and not recorded, as it chattered"
        if self._records_lost or self._samples_lost:
            return "the board could not follow, so closures may be missing"
        return ""

    def _notes(self) -> list[str]:
        notes = []
        if self.interrupted:
            notes.append(f"the session was cut off: {self.interrupted}")
        missing = sorted({ask.step.name.lower() for ask in PLAN} - self._steps_told())
        if missing:
            notes.append(f"not done: {', '.join(missing)}")
        lost = {number: line.lost for number, line in self._tracing.inputs.items() if line.lost}
        if lost:
            where = ", ".join(f"{count} on input {number}" for number, count in lost.items())
            notes.append(f"edges were lost on the way: {where}")
        if self._records_lost:
            notes.append(f"{self._records_lost} records did not fit on the board")
        if self._samples_lost:
            notes.append(f"the board could not follow {self._samples_lost} samples")
        return notes

    def _steps_told(self) -> set[str]:
        """Steps of which something is known."""
        return {
            window.ask.step.name.lower()
            for window in self._windows
            if window.passes is not None
            or window.shaken_from_us is not None
            or (window.ask.step is Step.STILL and window.to_us is not None)
            or (window.ask.step in WITH_PASSES and self._has_passes(window))
        }

    def _has_passes(self, window: _Window) -> bool:
        until_us = window.to_us if window.to_us is not None else self._now_us
        return any(
            window.from_us <= each.made_us < until_us
            for number, line in self._inputs.items()
            if (number == self.asked) is not (window.ask.step is Step.REFERENCE)
            for each in line.closures
        )


def _counts(line: _Input) -> Counts | None:
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
