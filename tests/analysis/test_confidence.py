"""Bounds of shares and of values to come, against published numbers and other ways to compute them."""

from __future__ import annotations

import itertools
import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import binomtest

from reedproof.analysis.confidence import next_below_largest, share_upper
from strategies import examples


def test_the_nist_example() -> None:
    """NIST/SEMATECH e-Handbook 7.2.4.2: 4 of 20 at 90 % two-sided, so 95 % on each side. The handbook has the
    example; its printed limit 0.4010281 is given here from memory."""
    assert share_upper(20, 4, 0.95) == pytest.approx(0.4010281, abs=5e-8)


@pytest.mark.parametrize(
    ("seen", "upper"), [(30, 0.095034), (100, 0.029513), (300, 0.009936), (1000, 0.002991)]
)
def test_nothing_in_n_tries(seen: int, upper: float) -> None:
    """1 - 0.05^(1/n). Near it, 3/n: Hanley & Lippman-Hand, JAMA 249 (1983), from memory."""
    assert share_upper(seen) == pytest.approx(upper, abs=5e-7)
    assert share_upper(seen) == pytest.approx(3 / seen, rel=0.06)


@pytest.mark.parametrize(
    ("confidence", "reliability", "seen"),
    [(0.90, 0.90, 22), (0.95, 0.95, 59), (0.95, 0.99, 299), (0.99, 0.99, 459)],
)
def test_the_success_run_table(confidence: float, reliability: float, seen: int) -> None:
    """n = ln(1 - C) / ln R, the usual plans without a failure."""
    assert math.ceil(math.log(1 - confidence) / math.log(reliability)) == seen
    assert share_upper(seen, 0, confidence) <= 1 - reliability < share_upper(seen - 1, 0, confidence)


@examples(200)
@given(
    st.integers(1, 5000).flatmap(lambda n: st.tuples(st.just(n), st.integers(0, n))), st.floats(0.5, 0.999)
)
def test_equals_scipys_exact_interval(case: tuple[int, int], confidence: float) -> None:
    seen, count = case
    other = binomtest(count, seen, alternative="less").proportion_ci(confidence, "exact").high
    assert share_upper(seen, count, confidence) == pytest.approx(other, abs=1e-9)


def test_nothing_seen_proves_nothing() -> None:
    assert share_upper(0) == 1.0
    assert next_below_largest(0) == 0
    with pytest.raises(ValueError, match="6 of 5"):
        share_upper(5, 6)


@pytest.mark.parametrize("seed", range(3))
def test_the_share_beyond_the_largest_is_covered(seed: int) -> None:
    """Whatever the distribution: of 2000 samples of 60 values with heavy tails, in 95 % and no more than a
    little above that the true share beyond the largest lies below the bound."""
    values = np.random.default_rng(seed).pareto(0.7, size=(2000, 60))
    beyond = (1 + values.max(axis=1)) ** -0.7  # survival function of that distribution
    covered = float(np.mean(beyond <= share_upper(60)))
    assert 0.935 <= covered <= 0.965, f"seed {seed}"


@pytest.mark.parametrize(("seen", "ahead"), [(19, 1), (38, 2), (18, 0), (1000, 52)])
def test_how_many_to_come(seen: int, ahead: int) -> None:
    assert next_below_largest(seen) == ahead
    assert seen / (seen + ahead) >= 0.95 - 1e-12
    assert seen / (seen + ahead + 1) < 0.95


def test_how_many_to_come_by_counting_orders() -> None:
    """Of all orders of 6 different values, the largest comes among the first 4 in 4 / 6."""
    orders = list(itertools.permutations(range(6)))
    among = sum(max(order[:4]) > max(order[4:]) for order in orders)
    assert among / len(orders) == pytest.approx(4 / 6)
    assert next_below_largest(4, among / len(orders)) == 2
