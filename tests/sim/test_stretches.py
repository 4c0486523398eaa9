"""Stretches against a list of what holds at each moment."""

from __future__ import annotations

from random import Random

import numpy as np
import pytest

from reedproof.sim.stretches import NEVER, Stretches, holds, stretches, union, within, without

END = 40


def some(random: Random) -> Stretches:
    return stretches([sorted(random.sample(range(END), 2)) for _ in range(random.randint(0, 5))])


def moments(one: Stretches) -> list[bool]:
    return [any(start <= at < end for start, end in one.tolist()) for at in range(END)]


@pytest.mark.parametrize("seed", range(200))
def test_what_holds_at_each_moment(seed: int) -> None:
    random = Random(seed)
    a, b, c = some(random), some(random), some(random)
    wanted = list(zip(moments(a), moments(b), moments(c), strict=True))
    assert moments(union(a, b, c)) == [any(each) for each in wanted]
    assert moments(within(a, b)) == [each[0] and each[1] for each in wanted]
    assert moments(without(a, b)) == [each[0] and not each[1] for each in wanted]
    assert [holds(a, at) for at in range(END)] == moments(a)
    for found in (union(a, b, c), within(a, b), without(a, b)):
        flat = found.ravel()
        assert np.all(np.diff(flat) > 0), "in order, apart and not empty"


def test_what_meets_becomes_one_and_what_is_empty_vanishes() -> None:
    assert stretches([(5, 9), (1, 5), (9, 9), (20, 20)]).tolist() == [[1, 9]]
    assert len(union()) == len(union(NEVER, NEVER)) == len(within(NEVER, stretches([(1, 2)]))) == 0
    assert stretches([]).shape == (0, 2)
