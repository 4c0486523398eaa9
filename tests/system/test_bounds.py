"""The whole way from the C core to the bounds, on simulated layouts. `make accuracy` does it 1000 times."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import binom

from accuracy.bounds import KINDS, covered

RUNS = 40


@pytest.mark.parametrize("first_seed", [5000])
def test_bounds_of_95_percent_cover_what_was_simulated(first_seed: int) -> None:
    found = np.array([covered(seed) for seed in range(first_seed, first_seed + RUNS)]).reshape(-1, len(KINDS))
    least = binom.ppf(0.001, len(found), 0.95) / len(found)
    for name, share in zip(KINDS, found.mean(axis=0), strict=True):
        assert share >= least, f"{name}: {share:.1%} of {len(found)}, seeds from {first_seed} on"
