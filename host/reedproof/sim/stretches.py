"""Stretches of time during which something holds: int64 arrays of shape (n, 2), from and to in us, in order
and apart from each other. A stretch does not hold at its end any more."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TypeAlias

import numpy as np
from numpy.typing import ArrayLike, NDArray

Stretches: TypeAlias = NDArray[np.int64]
NEVER: Stretches = np.zeros((0, 2), dtype=np.int64)
_EVER_US = 2**62


def stretches(pairs: ArrayLike) -> Stretches:
    """From (from, to) in any order; those that meet or overlap become one, empty ones vanish."""
    return union(np.asarray(pairs, dtype=np.int64).reshape(-1, 2))


def union(*parts: Stretches) -> Stretches:
    """While any of them holds."""
    return _at_least(1, parts)


def within(one: Stretches, other: Stretches) -> Stretches:
    """While both hold."""
    return _at_least(2, (one, other))


def without(one: Stretches, other: Stretches) -> Stretches:
    """While one holds and the other does not."""
    ends = np.concatenate(([-_EVER_US], other.ravel(), [_EVER_US]))
    return within(one, ends.reshape(-1, 2))


def holds(one: Stretches, time_us: int) -> bool:
    at = int(np.searchsorted(one[:, 0], time_us, side="right")) - 1
    return at >= 0 and time_us < int(one[at, 1])


def _at_least(count: int, parts: Sequence[Stretches]) -> Stretches:
    joined = np.concatenate([NEVER, *parts])
    times = joined.T.ravel()
    # Of the same time, beginnings come first: what meets is not torn apart.
    order = np.argsort(times, kind="stable")
    holding = np.cumsum(np.repeat((1, -1), len(joined))[order]) >= count
    found = times[order][np.flatnonzero(np.diff(holding, prepend=False))].reshape(-1, 2)
    return found[found[:, 0] < found[:, 1]]
