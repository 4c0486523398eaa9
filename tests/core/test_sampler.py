"""The queue between the sampling interrupt and the main loop, against a list."""

from __future__ import annotations

from typing import Any

from hypothesis import given
from hypothesis import strategies as st

from reedproof.sim.core import ffi, lib
from strategies import U16, U32, examples

ROOM = lib.SAMPLER_SLOTS - 1


def fresh() -> Any:
    sampler = ffi.new("struct sampler *")
    lib.sampler_init(sampler)
    return sampler


def take(sampler: Any) -> tuple[int, int] | None:
    snapshot = ffi.new("struct snapshot *")
    return (snapshot.stamp, snapshot.levels) if lib.sampler_take(sampler, snapshot) else None


def take_all(sampler: Any) -> list[tuple[int, int]]:
    found = []
    while (snapshot := take(sampler)) is not None:
        found.append(snapshot)
    return found


def test_queues_changes_only() -> None:
    sampler = fresh()
    for stamp, levels in enumerate([0, 0, 5, 5, 5, 4, 4, 0]):
        lib.sampler_sample(sampler, stamp, levels)
    assert take_all(sampler) == [(2, 5), (5, 4), (7, 0)]
    assert sampler.lost == 0


def test_a_full_queue_keeps_the_last_levels_and_catches_up() -> None:
    sampler = fresh()
    for stamp in range(1, ROOM + 4):
        lib.sampler_sample(sampler, stamp, stamp)
    assert sampler.lost == 3
    assert take(sampler) == (1, 1)
    lib.sampler_sample(sampler, 100, ROOM + 3)  # the levels did not change since, but they were not queued
    assert take_all(sampler) == [*((i, i) for i in range(2, ROOM + 1)), (100, ROOM + 3)]
    assert sampler.lost == 3


def test_a_change_that_went_back_while_full_leaves_no_trace_but_the_count() -> None:
    sampler = fresh()
    for stamp in range(1, ROOM + 1):
        lib.sampler_sample(sampler, stamp, stamp)
    lib.sampler_sample(sampler, 50, 99)
    lib.sampler_sample(sampler, 51, ROOM)
    assert sampler.lost == 1
    assert take_all(sampler)[-1] == (ROOM, ROOM)


def test_the_loss_count_wraps() -> None:
    sampler = fresh()
    for stamp in range(1, ROOM + 1):
        lib.sampler_sample(sampler, stamp, stamp)
    for _ in range(0x10000 + 2):
        lib.sampler_sample(sampler, 0, 0)
    assert sampler.lost == 2


TAKE = st.none()
SAMPLE = st.tuples(U16, st.one_of(st.integers(0, 3), U32))


@examples(600)
@given(st.lists(st.one_of(TAKE, SAMPLE, SAMPLE, SAMPLE), max_size=120))
def test_equals_a_bounded_list(steps: list[tuple[int, int] | None]) -> None:
    sampler = fresh()
    queue: list[tuple[int, int]] = []
    queued = lost = seen = levels = 0
    for step in steps:
        if step is None:
            found = take(sampler)
            assert found == (queue.pop(0) if queue else None)
            seen = found[1] if found else seen
            continue
        levels = step[1]
        lib.sampler_sample(sampler, *step)
        if levels != queued:
            if len(queue) < ROOM:
                queue.append(step)
                queued = levels
            else:
                lost += 1
        assert sampler.lost == lost
    rest = take_all(sampler)
    assert rest == queue
    # One more sample, and the main loop knows the truth.
    lib.sampler_sample(sampler, 0, levels)
    rest += take_all(sampler)
    assert (rest[-1][1] if rest else seen) == levels
