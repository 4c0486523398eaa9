"""The fixture `board`: a connected board, real or virtual."""

from __future__ import annotations

from collections.abc import Callable

from reedproof.errors import LineLost
from reedproof.link import Link
from reedproof.recorder import Recorder
from reedproof.records import (
    Blink,
    BoardSettings,
    Hello,
    InputSettings,
    LinkDown,
    LinkEvent,
    LinkUp,
    SelftestResult,
    SetBoard,
    SetInput,
)
from reedproof.sim.board import VirtualBoard
from reedproof.store import Store
from reedproof.trace_recorder import TraceRecorder

PUMP_S = 0.05


class Board:
    """A board that a test talks to. Its time is `now_s`: simulated where the board is, so no test sleeps.

    Everything raises LineError when the board does not answer or obey, and LineLost when it went away or
    started anew: what it counted meanwhile is not known.

    Attributes:
        link: for what is not offered here.
        recorder: takes the records off the board.
        virtual: the virtual board, with contacts to break; None for a real one.
        seen: called with every event.
        tracing: the recording that is going on.
    """

    def __init__(self, link: Link, store: Store) -> None:
        self.link = link
        self.recorder = Recorder(link, store)
        self.virtual = link.transport if isinstance(link.transport, VirtualBoard) else None
        self.seen: Callable[[LinkEvent], None] = lambda _: None
        self.tracing: TraceRecorder | None = None
        self._settings: tuple[BoardSettings, dict[int, InputSettings]] | None = None
        self._interrupted = ""

    @property
    def hello(self) -> Hello:
        """Who the board is: kind, id, build, boot, inputs, sampling period."""
        return self.link.hello

    @property
    def now_s(self) -> float:
        return self.link.now_s()

    def wait(self, seconds: float) -> None:
        """Lets time pass, and takes what the board says meanwhile."""
        self.wait_until(lambda: False, seconds)

    def wait_until(self, is_so: Callable[[], bool], within_s: float) -> bool:
        """Lets time pass until something is so; False when it is not within the time."""
        end_s = self.now_s + within_s
        while not is_so():
            left_s = end_s - self.now_s
            if left_s <= 0:
                return False
            self._pump(min(PUMP_S, left_s))
        return True

    def _pump(self, timeout_s: float) -> None:
        if self.tracing is not None:
            self.tracing.pump(timeout_s)
        else:
            for event in self.recorder.pump(timeout_s):
                self.note(event)
        if self._interrupted:
            raise LineLost(self._interrupted)

    def note(self, event: LinkEvent) -> None:
        """Takes one event; nothing raises in here, lest the others of its batch be lost."""
        match event:
            case LinkDown():
                self._interrupted = event.reason
            case LinkUp(hello, lost_boot=True):
                self._interrupted = f"{self.link.name}: the board started anew ({hello.reset_name})"
            case _:
                pass
        self.seen(event)

    def settings(self) -> tuple[BoardSettings, dict[int, InputSettings]]:
        """Settings of the board and of each input, read from the board."""
        return self.link.settings()

    def set(self, command: SetBoard | SetInput) -> None:
        """Changes settings; after the test they are put back."""
        if self._settings is None:
            self._settings = self.settings()
        self.link.obey(command)

    def selftest(self) -> dict[int, SelftestResult]:
        """Runs the electrical self-test of all inputs; the board counts nothing meanwhile."""
        return self.link.selftest()

    def blink(self, seconds: int) -> None:
        """Blinks the board's light, to show which board it is."""
        self.link.obey(Blink(seconds))

    def begin(self) -> None:
        """Before each test: what the board said until here is not of this test."""
        self.recorder.pump(0.0)
        self._interrupted = ""

    def end(self) -> None:
        """After each test: puts back what it changed."""
        self.seen = lambda _: None
        if self._settings is None:
            return
        (board, inputs), self._settings = self._settings, None
        board_now, inputs_now = self.settings()
        if board_now != board:
            self.link.obey(SetBoard(*board))
        for number, setting in inputs.items():
            if inputs_now[number] != setting:
                self.link.obey(SetInput(*setting))
