"""Recordings through the C core in bulk, against the reference and against a real mechanical contact."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from core import reference
from reedproof.records import Fault, width_code, width_value
from reedproof.sim import core
from reedproof.sim.core import STILL_CLOSED, Replay, ReplaySettings
from reedproof.trace import BounceTest
from reedproof.trace_reader import read_bounce_recording
from strategies import ManyInputs, examples, many_inputs

RECORDING = Path(__file__).parent.parent / "golden" / "rocker-bounce.csv"
HOUR_US = 3_600_000_000


def replay(edges: list[tuple[int, int]], settings: ReplaySettings | None = None) -> Replay:
    times = np.array([time_us for time_us, _ in edges], dtype=np.int64)
    return core.replay(times, np.array([number for _, number in edges], dtype=np.uint8), settings)


def closures_of(found: Replay, number: int) -> list[tuple[int, int | None, int, int, int]]:
    return [
        (
            int(row["made_us"]),
            None if row["broke_us"] == STILL_CLOSED else int(row["broke_us"]),
            int(row["make_bounces"]),
            int(row["break_bounces"]),
            int(row["dropouts"]),
        )
        for row in found.closures
        if row["input"] == number
    ]


@examples(300)
@given(many_inputs(), st.sampled_from([0, 2**32 - 100_000, 2**48]))
def test_equals_the_reference(trace: ManyInputs, offset_us: int) -> None:
    settings = ReplaySettings(
        inputs={number: (timing.make_us, timing.break_us) for number, timing in trace.timings.items()}
    )
    found = replay([(time_us + offset_us, number) for time_us, number in trace.in_order()], settings)
    assert set(found.totals) == {number for number, times in trace.edges.items() if times}
    assert len(found.closures) == sum(total.closures for total in found.totals.values())
    for number, total in found.totals.items():
        times = [time_us + offset_us for time_us in trace.edges[number]]
        timing = trace.timings[number]
        closures = reference.closures(times, timing.make_us, timing.break_us)
        assert closures_of(found, number) == [
            (c.made_us, c.broke_us, c.make_bounces, c.break_bounces, c.dropouts) for c in closures
        ]
        events = reference.debounce(times, timing.make_us, timing.break_us)
        assert (total.edges, total.closures) == (len(times), len(closures))
        for kind, count, longest_us in (
            ("blip", total.blips, total.longest_blip_us),
            ("dropout", total.dropouts, total.longest_dropout_us),
        ):
            some = [event for event in events if event.kind == kind]
            assert count == sum(event.pairs for event in some)
            longest = max((event.longest_us or 0 for event in some), default=0)
            assert longest_us == width_value(width_code(longest))


@pytest.mark.parametrize("gap_us", [72 * 60 * 1_000_000, 2**32, 2**32 + 500, 5 * 2**32, 400 * 24 * HOUR_US])
def test_gaps_of_more_than_71_minutes(gap_us: int) -> None:
    """The core's clock wraps in them, open or closed."""
    found = replay([(0, 1), (gap_us, 1), (2 * gap_us, 1), (2 * gap_us + 500, 1), (3 * gap_us, 1)])
    assert closures_of(found, 1) == [(0, gap_us, 0, 0, 0), (3 * gap_us, None, 0, 0, 0)]
    assert (found.totals[1].blips, found.totals[1].longest_blip_us) == (1, 496)
    assert found.totals[1].faults == Fault.STUCK_CLOSED


def test_a_dropout_across_the_wrap_of_the_clock() -> None:
    wrap_us = 2**32
    found = replay([(1000, 3), (wrap_us - 2000, 3), (wrap_us + 3000, 3), (wrap_us + 50_000, 3)])
    assert closures_of(found, 3) == [(1000, wrap_us + 50_000, 0, 0, 1)]


def test_64_bit_times_come_back_whole() -> None:
    late_us = 2**61 + 12345
    found = replay([(late_us, 1), (late_us + 20_000, 1)])
    assert closures_of(found, 1) == [(late_us, late_us + 20_000, 0, 0, 0)]


def test_counts_are_those_of_the_input() -> None:
    edges = sorted([(t, 1) for t in range(0, 40_000, 200)] + [(t, 2) for t in range(0, 4_000_000, 40_000)])
    found = replay(edges, ReplaySettings(chatter_edges=100))
    assert found.totals[1].faults == Fault.CHATTER
    assert found.totals[2].faults == Fault(0)
    assert (found.totals[1].edges, found.totals[1].blips) == (200, 100)
    assert (found.totals[2].edges, found.totals[2].closures) == (100, 50)


def test_an_empty_recording() -> None:
    found = replay([])
    assert (len(found.closures), found.totals) == (0, {})


@pytest.mark.parametrize("edges", [[(5, 1), (4, 1)], [(5, 0)], [(5, 33)]])
def test_refuses_what_is_no_recording(edges: list[tuple[int, int]]) -> None:
    with pytest.raises(ValueError, match=r"backwards|between 1 and 32"):
        replay(edges)


def test_refuses_arrays_of_different_length() -> None:
    with pytest.raises(ValueError, match="one length"):
        core.replay(np.zeros(3, dtype=np.int64), np.ones(2, dtype=np.uint8))


# ---- the recorded rocker switch ----

#: Test 102 is a release in which the contact really closed again for tens of milliseconds, so two openings
#: and a closing are what happened (tests/golden/README.md).
REALLY_CLOSED_AGAIN = 102
BOUNCES = {one.test: one for one in read_bounce_recording(RECORDING)}


def edges_of(one: BounceTest) -> list[int]:
    """Raw edges in us from an open contact on. A release follows a long stable closed stretch."""
    lead_us = 0 if one.transition == "press" else 1_000_000
    edges = [] if one.transition == "press" else [0]
    closed = len(edges)
    for time_ns, level in zip(one.times_ns.tolist(), one.closed.tolist(), strict=True):
        if level != closed:
            edges.append(lead_us + time_ns // 1000)
            closed = level
    return edges


def openings_and_closings(one: BounceTest, make_us: int, break_us: int) -> tuple[int, int]:
    edges = [(time_us, 1) for time_us in edges_of(one)]
    rows = closures_of(replay(edges, ReplaySettings(make_us, break_us)), 1)
    opened = sum(broke_us is not None for _, broke_us, *_ in rows)
    return opened, len(rows) - (one.transition == "release")


def test_the_recording_is_whole() -> None:
    assert sorted(BOUNCES) == list(range(1, 111))
    assert sum(one.transition == "press" for one in BOUNCES.values()) == 55
    assert BOUNCES[REALLY_CLOSED_AGAIN].transition == "release"


@pytest.mark.parametrize("break_us", [5000, 10000, 20000, 50000])
@pytest.mark.parametrize("make_us", [1000, 2000, 5000])
def test_one_closure_per_press_and_one_opening_per_release(make_us: int, break_us: int) -> None:
    wrong = {}
    for number, one in BOUNCES.items():
        expected = (0, 1) if one.transition == "press" else (1, 0)
        found = openings_and_closings(one, make_us, break_us)
        if found != expected:
            wrong[number] = found
    assert wrong == {REALLY_CLOSED_AGAIN: (2, 1)}


@pytest.mark.parametrize("break_us", [5000, 10000])
def test_the_recording_equals_the_reference(break_us: int) -> None:
    for number, one in BOUNCES.items():
        edges = edges_of(one)
        expected = reference.closures(edges, 1000, break_us)
        found = closures_of(replay([(time_us, 1) for time_us in edges], ReplaySettings(1000, break_us)), 1)
        assert found == [
            (c.made_us, c.broke_us, c.make_bounces, c.break_bounces, c.dropouts) for c in expected
        ], f"test {number}"
