"""Hypothesis strategies that several tests share: raw edges, settings, commands, frames, faults of a line.

Everything is drawn the same way in every run, so that a red test stays red until it is mended. With
HYPOTHESIS_PROFILE=soak it is drawn anew, and twenty times as much. Hypothesis prints the smallest failing
example and how to replay it.
"""

from __future__ import annotations

import os
import random
from collections.abc import Sequence
from dataclasses import dataclass

from hypothesis import HealthCheck, settings
from hypothesis import strategies as st

from reedproof import records
from reedproof.records import INPUTS_MAX, PROTOCOL_VERSION, Command
from wire.pure import LENGTHS, Plain

SOAKING = os.environ.get("HYPOTHESIS_PROFILE") == "soak"

U8 = st.integers(0, 0xFF)
U16 = st.integers(0, 0xFFFF)
U32 = st.integers(0, 0xFFFFFFFF)


def examples(count: int, *, steps: int = 50) -> settings:
    """Settings of a test that tries ``count`` examples (of ``steps`` steps each, where it has steps)."""
    return settings(
        max_examples=count * (20 if SOAKING else 1),
        stateful_step_count=steps,
        derandomize=not SOAKING,
        deadline=None,  # a slow machine is no failure
        print_blob=True,
        suppress_health_check=[HealthCheck.too_slow],
    )


# ---- raw edges ----


@dataclass(frozen=True)
class Timing:
    """make_us and break_us of one input."""

    make_us: int
    break_us: int


def timings(longest_us: int = 0xFFFF) -> st.SearchStrategy[Timing]:
    """Mostly the defaults, the smallest, the largest, and both the same: these are where mistakes show."""
    one = st.one_of(
        st.sampled_from([1, 2, min(1000, longest_us), min(10000, longest_us), longest_us]),
        st.integers(1, longest_us),
    )
    return st.one_of(
        st.just(Timing(min(1000, longest_us), min(10000, longest_us))),
        st.builds(Timing, one, one),
        one.map(lambda both: Timing(both, both)),
    )


def gaps(timing: Timing, longest_us: int = 1 << 30) -> st.SearchStrategy[int]:
    """Between two edges of one input: on both limits, 1 us off, around them, none at all, and long."""
    limits = [
        limit + off for limit in (timing.make_us, timing.break_us) for off in (-1, 0, 1) if limit + off >= 0
    ]
    return st.one_of(
        st.sampled_from(limits),
        st.sampled_from(limits),
        st.integers(0, 3),
        st.integers(0, max(timing.make_us, timing.break_us) * 2),
        st.integers(0, longest_us),
    ).map(lambda gap_us: min(gap_us, longest_us))


@st.composite
def edge_traces(
    draw: st.DrawFn,
    timing: Timing,
    edges_max: int = 40,
    longest_us: int = 1 << 30,
    *,
    ends_open: bool = False,
) -> list[int]:
    """Times of the edges of one input that starts open: closing, opening, closing and so on."""
    steps = draw(st.lists(gaps(timing, longest_us), max_size=edges_max))
    if ends_open and len(steps) % 2:
        steps.pop()
    times: list[int] = []
    for step in steps:
        times.append((times[-1] if times else 0) + step)
    return times


@dataclass(frozen=True)
class ManyInputs:
    """Edges of several inputs: by input their timing, and the times of the edges."""

    timings: dict[int, Timing]
    edges: dict[int, list[int]]

    def in_order(self) -> list[tuple[int, int]]:
        """(time, input) of all edges in order of time."""
        return sorted((time_us, number) for number, times in self.edges.items() for time_us in times)


@st.composite
def many_inputs(
    draw: st.DrawFn, inputs_max: int = INPUTS_MAX, edges_max: int = 12, longest_us: int = 1 << 34
) -> ManyInputs:
    numbers = draw(st.lists(st.integers(1, inputs_max), min_size=1, max_size=5, unique=True))
    found = {number: draw(timings()) for number in numbers}
    start = st.integers(0, 100_000)
    edges = {}
    for number, timing in found.items():
        offset = draw(start)
        trace = draw(edge_traces(timing, edges_max, longest_us))
        edges[number] = [time_us + offset for time_us in trace]
    return ManyInputs(found, edges)


# ---- commands and frames ----


def commands() -> st.SearchStrategy[Command]:
    """Every command with every value its fields can carry, refused ones included."""
    return st.one_of(
        st.builds(records.SayHello, U8),
        st.builds(records.Acknowledge, U32, U32, st.booleans()),
        st.builds(records.TimeProbe, U32),
        st.builds(records.GetSettings, U8),
        st.builds(records.SetInput, U8, U16, U16),
        st.builds(records.SetBoard, U32, U32, U16, U8),
        st.builds(records.Arm, U32),
        st.builds(records.Selftest),
        st.builds(records.SetTrace, U32),
        st.builds(records.Blink, U8),
        st.builds(records.Reboot),
        st.builds(records.NameBoard, U32),
    )


TRACE_EDGES_MAX = 8


def _frame(type_: int, sequence: int, payload: bytes) -> Plain:
    if type_ == 0x01:  # hellos of other versions have other lengths and are another story
        payload = bytes([PROTOCOL_VERSION]) + payload[1:]
    if type_ == 0x07:
        payload = payload[:8] + bytes([(len(payload) - 9) // 3]) + payload[9:]
    return Plain(type_, sequence, payload)


@st.composite
def board_frames(draw: st.DrawFn) -> Plain:
    """A good frame of the board, with whatever in its fields."""
    type_ = draw(st.sampled_from([*LENGTHS, 0x07]))
    length = LENGTHS.get(type_) or 9 + 3 * draw(st.integers(0, TRACE_EDGES_MAX))
    # Zeros are what the stuffing is about.
    byte = st.one_of(st.just(0), U8)
    payload = draw(
        st.one_of(st.binary(min_size=length, max_size=length), st.tuples(*[byte] * length).map(bytes))
    )
    return _frame(type_, draw(U8), payload)


def random_frame(chance: random.Random) -> Plain:
    """Like :func:`board_frames`, for tests that need thousands."""
    type_ = chance.choice([*LENGTHS, 0x07])
    length = LENGTHS.get(type_) or 9 + 3 * chance.randint(0, TRACE_EDGES_MAX)
    zeros = chance.choice([0.0, 0.2, 0.8])
    payload = bytes(0 if chance.random() < zeros else chance.randrange(256) for _ in range(length))
    return _frame(type_, chance.randrange(256), payload)


# ---- faults of a line ----


@dataclass(frozen=True)
class ByteFault:
    """``where`` runs from 0 to 1 over the stream; what ``kind`` does with ``size`` and ``value`` is below."""

    kind: str
    where: float
    size: int
    value: int


FAULT_KINDS = ("flip", "cut", "insert", "repeat", "overwrite")


def byte_faults(count_max: int = 10) -> st.SearchStrategy[list[ByteFault]]:
    return st.lists(
        st.builds(ByteFault, st.sampled_from(FAULT_KINDS), st.floats(0, 1), st.integers(1, 80), U8),
        max_size=count_max,
    )


def random_faults(chance: random.Random, count: int) -> list[ByteFault]:
    sizes = [1, 1, 1, 2, 3, 10, 80]
    return [
        ByteFault(chance.choice(FAULT_KINDS), chance.random(), chance.choice(sizes), chance.randrange(256))
        for _ in range(count)
    ]


def damaged(stream: bytes, faults: Sequence[ByteFault]) -> bytes:
    """The stream after its faults, one after the other."""
    data = bytearray(stream)
    for fault in faults:
        at = min(int(fault.where * len(data)), len(data) - 1)
        if at < 0:
            break
        end = at + fault.size
        if fault.kind == "flip":
            data[at] ^= 1 << fault.value % 8
        elif fault.kind == "cut":
            del data[at:end]
        elif fault.kind == "insert":
            data[at:at] = bytes((fault.value + i * 37) % 256 for i in range(fault.size))
        elif fault.kind == "repeat":
            data[at:at] = data[at:end]
        else:
            data[at] = fault.value
    return bytes(data)
