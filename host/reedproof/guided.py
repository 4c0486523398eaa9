"""A guided session at the layout: one contact is passed as asked, step by step, while all edges of its board
are recorded. The procedure; asking and showing are the caller's."""

from __future__ import annotations

import enum
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from reedproof.analysis.case import Case, Step
from reedproof.analysis.case_of_session import (
    WITH_PASSES,
    SeenInput,
    Window,
    case_of_session,
    passes_in,
)
from reedproof.recorder import Recorder
from reedproof.records import (
    SelftestResult,
)
from reedproof.trace_recorder import EdgeSink
from reedproof.witness import Witness

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


#: What a step is about, in words.
SAID = {
    Step.STILL: "nothing moves",
    Step.USUAL: "passes at usual speed",
    Step.SLOW: "slow passes",
    Step.FAST: "fast passes",
    Step.WIGGLE: "lead and plug moved",
    Step.OTHER: "another vehicle",
    Step.REFERENCE: "a contact that works",
}


class Phase(enum.Enum):
    """Of a step that is not passes."""

    PLACE = "place"  # the magnet is being put over the contact
    LISTEN = "listen"  # time runs
    REMOVE = "remove"  # the magnet is being taken away


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
        self._writer = writer
        self._windows: list[_Window] = []
        self.selftest: dict[int, SelftestResult] = {}

    # ---- the course of a session ----

    def begin(self) -> dict[int, SelftestResult]:
        """Tests the inputs electrically, reads the settings, begins to record, and asks for the first step.
        Raises LineError."""
        self.selftest = self._link.selftest()
        _, self._settings = self._link.settings()
        self._board = Witness(self._recorder, self._writer)
        self._ask_next()
        return self.selftest

    @property
    def interrupted(self) -> str:
        """Why the session ended early, else empty."""
        return self._board.interrupted

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
        return max(0.0, self.ask.seconds - (self._board.now_us - from_us) / 1e6)

    @property
    def is_closed(self) -> bool:
        """Whether the contact asked about is closed now."""
        return self._board.lines[self.asked].open is not None

    @property
    def answers(self) -> dict[int, int]:
        """How many passes each input gave in this step, those that gave any."""
        board, from_us = self._board, self._window.from_us
        counts = {number: len(passes_in(board.closures(number, from_us))[0]) for number in board.lines}
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
        return any(line.closures for line in self._board.lines.values()) or any(
            window.passes is not None for window in self._windows
        )

    def pump(self, timeout_s: float) -> None:
        """Takes what comes within ``timeout_s`` and goes on to the next step where one has ended. Raises
        StoreError and TraceError."""
        self._board.pump(timeout_s)
        if self.interrupted:
            self.stop()
        elif not self.is_over:
            self._go_on()

    def done(self, passes: int | None = None) -> None:
        """The user says that it has been done: all passes were made, or exactly so many; the magnet stands
        over the contact, or is gone."""
        match self.ask.step, self.phase:
            case Step.WIGGLE, Phase.PLACE:
                self._window.shaken_from_us = self._board.now_us
            case Step.WIGGLE, Phase.LISTEN:
                self._window.shaken_to_us = self._board.now_us
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
        self._board.finish()
        return self._case()

    # ---- steps ----

    @property
    def _window(self) -> _Window:
        return self._windows[-1]

    def _ask_next(self) -> None:
        if self._plan:
            self._board.active_us = self._board.now_us
            self._windows.append(_Window(self._plan.pop(0), self._board.now_us))

    def _end(self, passes: int | None = None) -> None:
        window = self._window
        if window.shaken_from_us is not None and window.shaken_to_us is None:
            window.shaken_to_us = self._board.now_us
        window.seen = self.seen if window.ask.step is not Step.WIGGLE else self._seen_shaken(window)
        window.to_us, window.passes = self._board.now_us, passes
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
        window, line = self._window, self._board.lines[self.asked]
        match self.phase:
            case Phase.PLACE:
                closure, stands_us = line.open, self._board.now_us - STANDS_S * 1e6
                if closure is not None and window.from_us <= closure.made_us <= stands_us:
                    window.shaken_from_us = self._board.now_us
            case Phase.LISTEN:
                if not self.left_s:
                    window.shaken_to_us = self._board.active_us = self._board.now_us
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
        closures = self._board.lines[self.asked].closures
        return sum(each.made_us < to_us and (each.broke_us or to_us) > from_us for each in closures)

    def _is_quiet(self, number: int) -> bool:
        line = self._board.lines[number]
        since_us = line.quiet_since_us
        if since_us is None:
            return False
        took_us = since_us - line.closures[-1].made_us if line.closures else 0
        return self._board.now_us - since_us >= max(QUIET_S * 1e6, took_us)

    def _is_time_over(self) -> bool:
        if self.phase is Phase.LISTEN and not self.ask.passes:
            return False
        return self._board.now_us - max(self._board.active_us, self._window.from_us) >= self._wait_us

    def _give_up(self) -> None:
        """Nothing has happened for long. Where nothing happened in the whole step, nobody is there any more;
        where another input answered as often as was asked for, passes were made."""
        answers = self.answers
        if self._board.active_us <= self._window.from_us:
            self.stop()
        elif self.ask.step in WITH_PASSES and max(answers.values(), default=0) >= self.ask.passes:
            self._end(self._at_least())
        else:
            self._end()

    # ---- the case ----

    def _case(self) -> Case:
        board, edges = self._board, self._board.edges()
        inputs = {
            number: SeenInput(
                self._names.get(number, f"input {number}"),
                board.facts(
                    number, self._board_name, self._settings[number], self.selftest[number], edges[number]
                ),
                board.closures_at(number),
            )
            for number in board.lines
        }
        return case_of_session(
            f"guided session on {self._link.name}, input {self.asked}",
            self.asked,
            inputs,
            [self._told(window) for window in self._windows if window.to_us is not None],
            board.at_s(board.start_us),
            board.at_s(board.now_us),
            speed_mm_s=self._speed_mm_s,
            unclear=self._unclear(),
            notes=self._notes(),
        )

    def _told(self, window: _Window) -> Window:
        assert window.to_us is not None
        shaken_s = None
        if window.shaken_from_us is not None and window.shaken_to_us is not None:
            shaken_s = (self._board.at_s(window.shaken_from_us), self._board.at_s(window.shaken_to_us))
        from_s, to_s = self._board.at_s(window.from_us), self._board.at_s(window.to_us)
        return Window(window.ask.step, from_s, to_s, window.passes, shaken_s)

    def _unclear(self) -> str:
        line = self._board.lines[self.asked]
        unrecorded = line.last.lost - line.first.lost if line.first and line.last else 0
        if unrecorded:
            return f"{unrecorded} of its closures were counted and not recorded, as it chattered"
        if self._board.records_lost or self._board.samples_lost:
            return "the board could not follow, so closures may be missing"
        return ""

    def _notes(self) -> list[str]:
        notes = []
        if self.interrupted:
            notes.append(f"the session was cut off: {self.interrupted}")
        missing = [SAID[ask.step] for ask in PLAN if ask.step.name.lower() not in self._steps_told()]
        if missing:
            notes.append(f"not done: {', '.join(missing)}")
        lost = self._board.edges_lost
        if lost:
            where = ", ".join(f"{count} on input {number}" for number, count in lost.items())
            notes.append(f"edges were lost on the way: {where}")
        if self._board.records_lost:
            notes.append(f"{self._board.records_lost} records did not fit on the board")
        if self._board.samples_lost:
            notes.append(f"the board could not follow {self._board.samples_lost} samples")
        return notes

    def _steps_told(self) -> set[str]:
        """Steps of which something is known."""
        return {
            window.ask.step.name.lower()
            for window in self._windows
            if window.passes is not None
            or window.seen
            or window.shaken_from_us is not None
            or (window.ask.step is Step.STILL and _took_us(window) >= window.ask.seconds * 1e6)
        }


def _took_us(window: _Window) -> int:
    return 0 if window.to_us is None else window.to_us - window.from_us
