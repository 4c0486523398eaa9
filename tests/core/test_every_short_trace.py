"""Every trace there is, up to a length: 12 ticks of a coarse clock, every level at every tick, every setting
of 1 to 4 ticks. Within so few ticks each rule meets every other one: three of the longest waits fit in."""

from __future__ import annotations

import itertools
from collections.abc import Iterator
from dataclasses import replace

import pytest

from core import reference
from core.debouncer import Debouncer, as_said
from strategies import Timing

TICKS = 12
LIMITS = range(1, 5)
NEAR_WRAP_US = 2**32 - TICKS // 2


def every_trace() -> Iterator[list[int]]:
    """The edges of all 2^12 sequences of levels; the input is open before the first."""
    for levels in itertools.product((0, 1), repeat=TICKS):
        yield [tick for tick, level in enumerate(levels) if level != (levels[tick - 1] if tick else 0)]


@pytest.mark.parametrize("break_us", LIMITS)
@pytest.mark.parametrize("make_us", LIMITS)
def test_equals_the_reference(make_us: int, break_us: int) -> None:
    """Looked at after every tick, and not before the end."""
    timing = Timing(make_us, break_us)
    end = TICKS + max(LIMITS)
    for edges in every_trace():
        expected = reference.debounce(edges, make_us, break_us)
        often, once = Debouncer(timing), Debouncer(timing, NEAR_WRAP_US)
        for tick in range(end + 1):
            if tick in edges:
                often.edge(tick)
                once.edge(tick)
            often.look(tick)
        once.look(end)
        assert often.said == [as_said(event, event.at_us) for event in expected], f"{edges} with {timing}"
        assert [replace(event, at_us=0) for event in once.said] == [
            as_said(event, 0) for event in expected
        ], f"{edges} with {timing}, looked at once"
