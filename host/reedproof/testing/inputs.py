"""The fixture `inputs`: what the inputs of a board do during a test."""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Iterator, Mapping, Sequence
from typing import NamedTuple

import pytest

from reedproof.proof import ADVICE, ASK_S, Result
from reedproof.records import Broke, Fault, FaultChange, Heartbeat, LinkEvent, Lost, Made, number_after
from reedproof.store import LOST_MAX, LedgerLine
from reedproof.testing.board import Board
from reedproof.trace_recorder import ROUND_S

#: Closes the contact on an input for about so many milliseconds, or has somebody do it.
Actuate = Callable[[int, float], None]


class Closure(NamedTuple):
    """A debounced closing and the opening after it."""

    made: Made
    broke: Broke

    @property
    def closed_ms(self) -> float:
        return (self.broke.time_us - self.made.time_us) / 1000


class Input:
    """One input, from the beginning of the test on.

    Attributes:
        number: from 1.
        closures: all that are over.
        faults: all that the board reported, also those that are gone.
    """

    def __init__(self, inputs: Inputs, number: int, actuate: Actuate) -> None:
        self._inputs = inputs
        self._actuate = actuate
        self.number = number
        self.closures: list[Closure] = []
        self.faults = Fault(0)
        self.first: Heartbeat | None = None  # the counters at the beginning
        self.newest: Heartbeat | None = None
        self.made: list[Made] = []
        self._untaken: deque[Closure] = deque()

    @property
    def is_closed(self) -> bool:
        """The raw level, as of the input's last heartbeat: it may be a second old."""
        return self.newest is not None and bool(self.newest.levels >> (self.number - 1) & 1)

    def close_for(self, closed_ms: float) -> None:
        """Has the contact closed for about so long, soon: see the fixture `actuate`."""
        self._actuate(self.number, closed_ms)

    def wait_for_closure(self, within_s: float = ASK_S) -> Closure:
        """The next closure that no call has returned yet. Fails the test if none is over within the time."""
        __tracebackhide__ = True
        if not self._inputs.board.wait_until(lambda: bool(self._untaken), within_s):
            pytest.fail(self._why_none(within_s))
        return self._untaken.popleft()

    def _why_none(self, within_s: float) -> str:
        said = f"input {self.number}: no closure within {within_s:g} s"
        if len(self.made) > len(self.closures):
            return f"{said}: it closed and did not open; {ADVICE[Result.STUCK]}"
        others = [str(each.number) for each in self._inputs.values() if each.made and each is not self]
        if others:
            said += f"; in this test input {', '.join(others)} closed"
        if self.faults:
            said += f"; the board reports {', '.join(self.faults.names)}"
        return f"{said}; {ADVICE[Result.NO_CLOSURE]}"

    def note(self, event: Made | Broke | FaultChange) -> None:
        match event:
            case Made():
                self.made.append(event)
            case Broke():
                if len(self.made) > len(self.closures):  # else it was closed when the test began
                    self.closures.append(Closure(self.made[-1], event))
                    self._untaken.append(self.closures[-1])
            case FaultChange():
                self.faults |= Fault(event.fault if event.active else 0)


class Inputs(Mapping[int, Input]):
    """The chosen inputs by their numbers; all of a board when none were chosen.

    Raises ReedproofError when the board does not have a chosen input, LineError when it does not tell its
    counters.
    """

    def __init__(self, board: Board, chosen: Sequence[int] | None, actuate: Actuate) -> None:
        self.board = board
        self._inputs = {number: Input(self, number, actuate) for number in board.link.choose_inputs(chosen)}
        self._next = 0  # all records below this number have come
        self._board_us = 0
        board.seen = self._note
        self._wait_for_counters()

    def __getitem__(self, number: int) -> Input:
        """Skips the test for an input that the board has and that was not chosen."""
        if number not in self._inputs:
            self.board.link.choose_inputs([number])
            pytest.skip(f"input {number} is not among those of --reed-inputs")
        return self._inputs[number]

    def __iter__(self) -> Iterator[int]:
        return iter(self._inputs)

    def __len__(self) -> int:
        return len(self._inputs)

    def ledger(self) -> dict[int, LedgerLine]:
        """What was counted, recorded and lost since the test began, as of about now: waits for a round of
        the board's counters. ``balances``: recorded + lost = counted. Fails the test if they do not come."""
        self._wait_for_counters()
        return {number: _balance(line) for number, line in self._inputs.items()}

    def _wait_for_counters(self) -> None:
        __tracebackhide__ = True
        asked_us = self._board_us

        def are_here() -> bool:
            beats = [line.newest for line in self._inputs.values()]
            return all(beat and asked_us < beat.time_us and beat.next <= self._next for beat in beats)

        if not self.board.wait_until(are_here, ROUND_S):
            pytest.fail(f"{self.board.link.name}: the board's counters do not come within {ROUND_S:g} s")

    def _note(self, event: LinkEvent) -> None:
        match event:
            case Heartbeat():
                self._note_beat(event)
            case Lost():
                self._next = number_after(event)
            case Made() | Broke() | FaultChange():
                self._next = number_after(event)
                line = self._inputs.get(event.input)
                if line is not None and line.first is not None and event.number >= line.first.next:
                    line.note(event)
            case _:
                pass

    def _note_beat(self, beat: Heartbeat) -> None:
        self._board_us = beat.time_us
        if beat.oldest == beat.next:  # acknowledged to the last one
            self._next = max(self._next, beat.next)
        line = self._inputs.get(beat.input)
        if line is not None:
            line.first = line.first or beat
            line.newest = beat


def _balance(line: Input) -> LedgerLine:
    first, newest = line.first, line.newest
    assert first is not None
    assert newest is not None
    recorded = sum(made.number < newest.next for made in line.made)
    lost, counted = newest.lost - first.lost, newest.closures - first.closures
    balances = recorded + lost == counted if newest.lost < LOST_MAX else None
    return LedgerLine(line.number, recorded, lost, counted, balances)
