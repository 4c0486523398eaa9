"""Which closures of a contact belong to one pass, and passes put together from them."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from reedproof.analysis.case import PARTS, SeenPasses, Step
from reedproof.analysis.closures import Closures

#: Closures of one pass follow each other this soon, or within the shorter one's duration: trains may be slow.
TOGETHER_S = 0.3


def grouped(made_s: NDArray[np.float64], ms: NDArray[np.float64]) -> NDArray[np.int64]:
    """The number of the pass of each closure, from 0; shapes (n,), in order of time. ``ms`` is NaN where an
    end is not known: nothing belongs to what comes after it."""
    opened_s = made_s[1:] - (made_s[:-1] + ms[:-1] / 1000)
    shorter_s = np.fmin(ms[1:], ms[:-1]) / 1000
    apart = ~(opened_s < np.maximum(TOGETHER_S, shorter_s))
    return np.concatenate([np.zeros(min(len(ms), 1), np.int64), np.cumsum(apart)])


def put_together(
    closures: Closures,
    ms: NDArray[np.float64],
    rows: Sequence[NDArray[np.intp]],
    train: NDArray[np.int16],
    speed: NDArray[np.float64],
) -> SeenPasses:
    """Passes of one contact: ``rows`` are the closures of each, one after the other, ``ms`` how long all of
    them lasted; ``train`` and ``speed`` are of the passes."""
    starts = np.array([own[0] for own in rows], dtype=np.intp)
    counts = np.array([len(own) for own in rows], dtype=np.int16)
    parts = np.full((len(rows), PARTS), np.nan)
    gaps = np.full((len(rows), PARTS - 1), np.nan)
    for nth in range(PARTS):
        has = counts > nth
        at = starts[has] + nth
        parts[has, nth] = ms[at]
        if nth:
            gaps[has, nth - 1] = (closures.made_s[at] - closures.made_s[at - 1]) * 1000 - ms[at - 1]

    def total(values: NDArray[np.uint16]) -> NDArray[np.int32]:
        sums = np.concatenate([[0], np.cumsum(values, dtype=np.int32)])
        return np.asarray(sums[starts + counts] - sums[starts], dtype=np.int32)

    return SeenPasses(
        closures.made_s[starts],
        train,
        np.full(len(rows), Step.RUN, np.int8),
        speed,
        counts,
        parts,
        gaps,
        total(closures.bounces),
        total(closures.dropouts),
    )


def missed_passes(
    at_s: NDArray[np.float64], train: NDArray[np.int16], speed: NDArray[np.float64]
) -> SeenPasses:
    """Passes that gave no closure; shapes (n,)."""
    count = len(at_s)
    return SeenPasses(
        at_s,
        train,
        np.full(count, Step.RUN, np.int8),
        speed,
        np.zeros(count, np.int16),
        np.full((count, PARTS), np.nan),
        np.full((count, PARTS - 1), np.nan),
        np.zeros(count, np.int32),
        np.zeros(count, np.int32),
    )
