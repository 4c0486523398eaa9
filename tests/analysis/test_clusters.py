"""What misses that come in clusters do to a bound, and how far that can be noticed."""

from __future__ import annotations

import numpy as np
import pytest

from reedproof.analysis.clusters import clustering
from reedproof.analysis.confidence import share_upper

SHARE = 0.01


def blocks(chance: np.random.Generator, rho: float, shape: tuple[int, int], size: int) -> np.ndarray:
    """Misses of runs of blocks whose miss share differs from block to block (beta-binomial)."""
    if rho == 0:
        return chance.binomial(size, SHARE, shape)
    shares = chance.beta(SHARE * (1 - rho) / rho, (1 - SHARE) * (1 - rho) / rho, shape)
    return chance.binomial(size, shares)


@pytest.mark.parametrize(("rho", "coverage"), [(0, 0.961), (0.01, 0.929), (0.05, 0.805), (0.2, 0.537)])
def test_how_clusters_undo_the_bound(rho: float, coverage: float) -> None:
    """10 sessions of 50 laps at 1 %: a 95 % bound that takes passes for independent covers less and less.
    The corrected one cannot help here: runs with no miss or one fool it, and these tell nothing of rho."""
    missed = blocks(np.random.default_rng(1), rho, (20_000, 10), 50).sum(axis=1)
    bound = np.array([share_upper(500, count) for count in range(int(missed.max()) + 1)])
    assert np.mean(bound[missed] >= SHARE) == pytest.approx(coverage, abs=0.012)
    none, one = clustering([50] * 10, [0] * 10), clustering([50] * 10, [1] + [0] * 9)
    assert bound[1] < SHARE < bound[2]
    for few in (none, one):
        assert (few.rho, few.p_value, few.warning) == (0, 1, False)
        assert few.share_upper() == pytest.approx(share_upper(500, few.missed))


@pytest.mark.parametrize(
    ("rho", "plain", "corrected"),
    [(0, 0.967, 0.970), (0.05, 0.826, 0.929), (0.2, 0.656, 0.861)],
)
def test_with_more_misses_the_corrected_bound_helps(rho: float, plain: float, corrected: float) -> None:
    """60 sessions of 50 laps, 30 misses on average: most of what is lost comes back, but not all of it. The
    figures are those of 4000 other runs; of 300, three standard errors are 0.07 where it is least sure."""
    found = [clustering([50] * 60, run) for run in blocks(np.random.default_rng(2), rho, (300, 60), 50)]
    covered = np.mean([share_upper(one.passes, one.missed) >= SHARE for one in found])
    mended = np.mean([one.share_upper() >= SHARE for one in found])
    assert (covered, mended) == pytest.approx((plain, corrected), abs=0.07)
    assert mended >= covered + (0.04 if rho >= 0.05 else 0)
    warned = np.mean([one.warning for one in found])
    assert warned <= 0.03 if rho == 0 else warned >= 0.9


def test_rho_by_hand() -> None:
    """Four blocks of 10 with 4, 0, 0, 0 misses. Between blocks 10 (0.3^2 + 3 x 0.1^2) / 3 = 0.4, within
    4 x 0.6 / 36 = 1 / 15; rho = (0.4 - 1/15) / (0.4 + 9/15) = 1/3; 40 / (1 + 9/3) = 10 passes."""
    found = clustering([10, 10, 10, 10], [4, 0, 0, 0])
    assert found.rho == pytest.approx(1 / 3)
    assert found.effective_passes == pytest.approx(10)
    assert found.share_upper() == pytest.approx(share_upper(10, 1))


def test_the_p_value_is_that_of_dealing_misses_out() -> None:
    """Three misses in one of six equal blocks: by chance once in 36, by the chi-square distribution once in
    100, and that would be a false warning."""
    found = clustering([100] * 6, [3, 0, 0, 0, 0, 0])
    assert found.p_value == pytest.approx(1 / 36, abs=0.016)
    assert not found.warning
    assert clustering([100] * 6, [6, 0, 0, 0, 0, 0]).warning


def test_independent_misses_are_rarely_called_clustered() -> None:
    chance = np.random.default_rng(3)
    runs = chance.binomial(200, SHARE, (300, 20))
    assert np.mean([clustering([200] * 20, run).warning for run in runs]) <= 0.02


def test_what_cannot_be_clustered() -> None:
    for passes, missed in (
        ([], []),
        ([50], [3]),
        ([0, 50], [0, 3]),
        ([5, 5], [5, 5]),
        ([1, 1, 1], [1, 1, 0]),
    ):
        found = clustering(passes, missed)
        assert (found.rho, found.p_value) == (0, 1)
        assert found.effective_passes == sum(passes)
        assert found.share_upper() == (share_upper(sum(passes), sum(missed)))


def test_rho_of_unequal_blocks_by_hand() -> None:
    """30 passes without a miss and 10 with 5: between 3.75^2 / 30 + 3.75^2 / 10 = 1.875, within 2.5 / 38, a
    pass is in a block of (900 + 100) / 40 = 25 on average, and (40 - 25) / 1 = 15."""
    within = 2.5 / 38
    rho = (1.875 - within) / (1.875 + 14 * within)
    found = clustering([30, 10], [0, 5])
    assert found.rho == pytest.approx(rho)
    assert found.effective_passes == pytest.approx(40 / (1 + 24 * rho))


def test_misses_more_even_than_by_chance_are_not_clustered() -> None:
    found = clustering([100] * 10, [*[1] * 9, 3])
    assert (found.rho, found.effective_passes, found.warning) == (0, 1000, False)
