"""The debouncer step by step: whatever comes next, it has said what by the reference has happened."""

from __future__ import annotations

from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, invariant, precondition, rule

from core import reference
from core.debouncer import Debouncer, as_said
from core.reference import Event
from strategies import Timing, examples, gaps, timings

#: Half the range of the clock: further apart, two times cannot be told from each other.
RANGE_US = 1 << 31


class Steps(RuleBasedStateMachine):
    """Edges and looks in any order, near the wrap of the clock or far from it, with any setting."""

    @initialize(
        timing=timings(),
        start_us=st.one_of(st.integers(2**32 - 200_000, 2**32 - 1), st.integers(0, 2**32 - 1)),
    )
    def begin(self, timing: Timing, start_us: int) -> None:
        self.timing = timing
        self.debouncer = Debouncer(timing, start_us)
        self.edges: list[int] = []
        self.now_us = 0
        self.moments: list[int] = []  # at which the debouncer had a chance to speak

    def _advance(self, data: st.DataObject) -> None:
        self.now_us += data.draw(gaps(self.timing, 1 << 24))
        self.moments.append(self.now_us)

    @precondition(lambda self: self.now_us < RANGE_US - (1 << 25))
    @rule(data=st.data())
    def edge(self, data: st.DataObject) -> None:
        self._advance(data)
        self.debouncer.edge(self.now_us)
        self.edges.append(self.now_us)

    @precondition(lambda self: self.now_us < RANGE_US - (1 << 25))
    @rule(data=st.data())
    def look(self, data: st.DataObject) -> None:
        self._advance(data)
        self.debouncer.look(self.now_us)

    @invariant()
    def has_said_what_has_happened(self) -> None:
        if not hasattr(self, "edges"):
            return
        happened = [
            event
            for event in reference.debounce(self.edges, self.timing.make_us, self.timing.break_us)
            if event.at_us <= self.now_us
        ]
        assert self.debouncer.said == [as_said(event, self._said_us(event)) for event in happened]

    def _said_us(self, event: Event) -> int:
        """At the first chance from which on it was due."""
        return next(moment for moment in self.moments if moment >= event.at_us)


Steps.TestCase.settings = examples(150, steps=40)
TestSteps = Steps.TestCase
