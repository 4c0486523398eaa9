"""Which closures of a contact belong to one pass."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

#: Closures of one pass follow each other this soon, or within the shorter one's duration: trains may be slow.
TOGETHER_S = 0.3


def grouped(made_s: NDArray[np.float64], ms: NDArray[np.float64]) -> NDArray[np.int64]:
    """The number of the pass of each closure, from 0; shapes (n,), in order of time. ``ms`` is NaN where an
    end is not known: nothing belongs to what comes after it."""
    opened_s = made_s[1:] - (made_s[:-1] + ms[:-1] / 1000)
    shorter_s = np.fmin(ms[1:], ms[:-1]) / 1000
    apart = ~(opened_s < np.maximum(TOGETHER_S, shorter_s))
    return np.concatenate([np.zeros(min(len(ms), 1), np.int64), np.cumsum(apart)])
