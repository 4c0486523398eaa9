"""The ring of records, against a host that keeps a list: nothing recorded is lost before it is acknowledged,
nothing unrecorded goes unmentioned, and what comes back is what went in."""

from __future__ import annotations

from typing import Any, NamedTuple

import pytest
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, invariant, rule

from reedproof.sim import core_build
from reedproof.sim.core import ffi, lib
from strategies import U8, examples

CELLS = core_build.RING
MADE, BROKE, FAULT, LOST = range(4)
EPOCH_US = 1 << 32


class Record(NamedTuple):
    kind: int
    input: int
    detail: tuple[int, int, int]
    time_us: int


def c_record(record: Record) -> Any:
    return ffi.new(
        "struct record *",
        {
            "kind": record.kind,
            "input": record.input,
            "detail": record.detail,
            "time": {"high": record.time_us // EPOCH_US, "low": record.time_us % EPOCH_US},
        },
    )


class Ring:
    def __init__(self, first_number: int = 0) -> None:
        self.c = ffi.new("struct record_ring *")
        lib.record_ring_init(self.c)
        self.c.first_number = self.c.next_number = self.c.ever_sent = first_number
        lib.record_ring_rewind(self.c)

    def push(self, record: Record) -> bool:
        return bool(lib.record_ring_push(self.c, c_record(record)))

    def next(self) -> tuple[int, Record | int] | None:
        """(number, record), or (number, how many were lost)."""
        out = ffi.new("struct record *")
        if not lib.record_ring_next(self.c, out):
            return None
        if out.kind == LOST:
            return out.number, out.lost
        time_us = out.time.high * EPOCH_US + out.time.low
        return out.number, Record(out.kind, out.input, tuple(out.detail), time_us)

    def acknowledge(self, number: int) -> bool:
        return bool(lib.record_ring_acknowledge(self.c, number % 2**32))

    def rewind(self) -> None:
        lib.record_ring_rewind(self.c)


def example(time_us: int = 0, kind: int = MADE) -> Record:
    return Record(kind, 3, (1, 2, 3), time_us)


class Conversation(RuleBasedStateMachine):
    """A board that pushes, a line that loses, a host that stores and acknowledges what it has."""

    def __init__(self) -> None:
        super().__init__()
        self.ring = Ring()
        self.time_us = 0
        self.pushed: list[Record | None] = []  # by number since the start; None where the ring was full
        self.first = 0
        self.acknowledged = 0  # index of the first one not acknowledged
        self.handed_out = 0
        self.stored: list[Record | None] = []  # what the host has; a lost one counts as had

    @initialize(first=st.sampled_from([0, 5, 2**32 - 3, 2**32 - 90]), time_us=st.integers(0, 2**48 - 2**40))
    def start(self, first: int, time_us: int) -> None:
        self.ring = Ring(first)
        self.first = first
        self.time_us = time_us

    @rule(
        count=st.one_of(st.just(1), st.integers(1, CELLS + 5)),
        kind=st.sampled_from([MADE, BROKE, FAULT]),
        number=st.integers(0, 31),
        detail=st.tuples(U8, U8, U8),
        step_us=st.sampled_from([0, 1, 1000, EPOCH_US - 1, EPOCH_US, 3 * EPOCH_US]),
        back_us=st.sampled_from([0, 0, 0, 20_000]),
    )
    def push(
        self, count: int, kind: int, number: int, detail: tuple[int, int, int], step_us: int, back_us: int
    ) -> None:
        for _ in range(count):
            self.time_us = (self.time_us + step_us) % 2**48
            # A record may tell of something shortly before the one before it, even across an epoch.
            record = Record(kind, number, detail, max(0, self.time_us - back_us))
            roomy = self.ring.c.count + 3 <= CELLS
            kept = self.ring.push(record)
            assert kept or not roomy, "refused with room for the record, an epoch and a gap"
            self.pushed.append(record if kept else None)

    @rule(count=st.integers(1, CELLS + 5), line_is_up=st.booleans())
    def hand_out(self, count: int, line_is_up: bool) -> None:
        for _ in range(count):
            found = self.ring.next()
            if found is None:
                return
            number, what = found
            at = (number - self.first) % 2**32
            assert at == self.handed_out, "numbers without gaps"
            if isinstance(what, int):
                assert what >= 1
                span: list[Record | None] = [None] * what
            else:
                span = [what]
            assert self.pushed[at : at + len(span)] == span
            self.handed_out = at + len(span)
            if line_is_up and at == len(self.stored):
                self.stored += span

    @rule()
    def rewind(self) -> None:
        self.ring.rewind()
        self.handed_out = self.acknowledged

    @rule(behind=st.one_of(st.just(0), st.integers(0, 40)))
    def acknowledge(self, behind: int) -> None:
        """What the host has, or an older acknowledgement that was long on its way."""
        until = max(0, len(self.stored) - behind)
        self.ring.acknowledge(self.first + until)
        # Part of a gap cannot be forgotten, so the board says where it begins now.
        oldest = (self.ring.c.first_number - self.first) % 2**32
        assert self.acknowledged <= oldest <= max(until, self.acknowledged)
        assert all(record is None for record in self.pushed[oldest:until])
        self.acknowledged = oldest
        self.handed_out = max(self.handed_out, oldest)

    @rule(beyond=st.sampled_from([1, 2, CELLS, 2**31, 2**32 - 2**20]))
    def acknowledge_nonsense(self, beyond: int) -> None:
        """Numbers that were never given change nothing."""
        before = (self.ring.c.first_number, self.ring.c.count)
        assert not self.ring.acknowledge(self.first + len(self.pushed) + beyond)
        assert (self.ring.c.first_number, self.ring.c.count) == before

    @invariant()
    def is_bounded(self) -> None:
        assert self.ring.c.count <= CELLS
        assert self.ring.c.next_number == (self.first + len(self.pushed)) % 2**32
        tail_lost = next((i for i, record in enumerate(reversed(self.pushed)) if record), len(self.pushed))
        assert self.ring.c.lost <= tail_lost

    def teardown(self) -> None:
        """A host that comes back for everything gets everything."""
        for _ in range(3):  # a gap becomes a record once there is room
            self.rewind()
            self.hand_out(2 * CELLS, True)
            self.acknowledge(0)
        assert self.stored == self.pushed
        assert self.ring.c.count == 0


TestConversation = Conversation.TestCase
TestConversation.settings = examples(200, steps=30)


def test_a_full_ring_keeps_the_oldest_and_tells_of_the_rest() -> None:
    ring = Ring()
    kept = [ring.push(example(i)) for i in range(CELLS + 10)]
    assert kept == [True] * CELLS + [False] * 10
    assert [ring.next() for _ in range(CELLS)] == [(i, example(i)) for i in range(CELLS)]
    assert ring.next() is None
    assert ring.acknowledge(2)
    assert ring.next() == (CELLS, 10)
    assert ring.push(example(7))
    assert ring.next() == (CELLS + 10, example(7))


def test_room_for_all_inputs_and_details() -> None:
    ring = Ring()
    for number in range(32):
        record = Record(FAULT, number, (255, number, 0), 2**48 - 1 - number)
        assert ring.push(record)
        assert ring.next() == (number, record)


def test_a_new_epoch_takes_a_cell_and_only_one() -> None:
    ring = Ring()
    for i in range(CELLS // 2):
        assert ring.push(example(EPOCH_US + i))
    assert ring.c.count == CELLS // 2 + 1
    assert ring.push(example(2 * EPOCH_US))
    assert ring.c.count == CELLS // 2 + 3


@pytest.mark.parametrize("room", [0, 1])
def test_no_half_record_of_a_new_epoch(room: int) -> None:
    """The last free cell is not spent on an epoch whose record would not fit."""
    ring = Ring()
    for i in range(CELLS - room):
        assert ring.push(example(i))
    assert not ring.push(example(EPOCH_US))
    assert ring.c.count == CELLS - room
    assert [ring.next() for _ in range(3)] == [(i, example(i)) for i in range(3)]
    ring.acknowledge(3)
    assert ring.push(example(EPOCH_US))
    ring.rewind()
    rest = [ring.next() for _ in range(CELLS)]
    assert (CELLS - room, 1) in rest
    assert (CELLS - room + 1, example(EPOCH_US)) in rest


def test_acknowledging_what_is_acknowledged_is_no_progress() -> None:
    ring = Ring()
    ring.push(example())
    ring.push(example())
    assert not ring.acknowledge(0)
    assert ring.next() == (0, example())
    assert ring.acknowledge(1)
    assert not ring.acknowledge(1)
    assert not ring.acknowledge(0)
    assert ring.next() == (1, example())


def test_what_was_never_handed_out_cannot_be_acknowledged() -> None:
    """As record_ring.h promises."""
    ring = Ring()
    ring.push(example())
    ring.push(example())
    assert ring.next() == (0, example())
    assert not ring.acknowledge(2)
    assert ring.next() == (1, example())
