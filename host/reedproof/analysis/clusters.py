"""Whether misses come in clusters, which makes passes worth less than their number.

A magnet that has shifted, a speed, a warm evening: whatever lasts for a while and makes misses likelier lets
the passes of one stretch resemble each other, and a bound that takes them for independent is too low.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import betaincinv

from reedproof.analysis.confidence import CONFIDENCE

#: A warning is given when chance alone would scatter the misses as unevenly once in a hundred runs.
P_WARNING = 0.01
SHUFFLES = 999


@dataclass(frozen=True)
class Clustering:
    """``rho`` is the correlation of two passes of one block, ``effective_passes`` the number of independent
    passes that prove as much, ``p_value`` the chance of misses as uneven as these if they were
    independent (1 with fewer than two misses or blocks: no evidence either way)."""

    passes: int
    missed: int
    rho: float
    effective_passes: float
    p_value: float

    @property
    def warning(self) -> bool:
        return self.rho > 0 and self.p_value <= P_WARNING

    def share_upper(self, confidence: float = CONFIDENCE) -> float:
        """Clopper-Pearson's bound for the effective number of passes at the same share of misses. An
        approximation: it cannot mend what rho, itself estimated from few misses, does not know."""
        if self.missed == self.passes:
            return 1.0
        missed = self.missed * self.effective_passes / self.passes
        return float(betaincinv(missed + 1, self.effective_passes - missed, confidence))


def clustering(
    passes: Sequence[int] | NDArray[np.int64], missed: Sequence[int] | NDArray[np.int64]
) -> Clustering:
    """From the passes and misses of each block, shape (blocks,).

    rho by the analysis of variance, not below 0, and n / (1 + (m - 1) rho) effective passes, m being the mean
    block a pass is in (Donner, International Statistical Review 54 (1986), from memory). The p-value is that
    of the chi-square of homogeneity, but counted over misses dealt out by chance to the blocks: with one
    or two misses per block the chi-square distribution itself does not hold.
    """
    n = np.asarray(passes, dtype=np.int64)
    x = np.asarray(missed, dtype=np.int64)
    n, x = n[n > 0], x[n > 0]
    total, misses, blocks = int(n.sum()), int(x.sum()), len(n)
    if blocks < 2 or misses < 2 or misses == total or total == blocks:
        return Clustering(total, misses, 0.0, float(total), 1.0)
    share = misses / total
    between = float(np.sum((x - n * share) ** 2 / n)) / (blocks - 1)
    within = float(np.sum(x * (1 - x / n))) / (total - blocks)
    size = float(np.sum(n * n)) / total
    spread = (total - size) / (blocks - 1)
    rho = max(0.0, (between - within) / (between + (spread - 1) * within))
    dealt = np.random.default_rng(0).multinomial(misses, n / total, size=SHUFFLES)
    as_uneven = np.sum((dealt - n * share) ** 2 / n, axis=1) >= between * (blocks - 1) * (1 - 1e-9)
    p_value = (1 + int(as_uneven.sum())) / (1 + SHUFFLES)
    return Clustering(total, misses, rho, total / (1 + (size - 1) * rho), p_value)
