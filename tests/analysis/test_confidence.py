"""Bounds of shares and of values to come, against published numbers and other ways to compute them."""

from __future__ import annotations

import itertools
import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import binom, binomtest
from statsmodels.stats.proportion import proportion_confint
from statsmodels.stats.rates import confint_poisson

from reedproof.analysis.confidence import (
    chance_of_clean_stretch,
    for_each_of,
    next_below_largest,
    passes_needed,
    rate_interval,
    rate_upper,
    rate_upper_anytime,
    share_interval,
    share_lower,
    share_upper,
    share_upper_anytime,
)
from strategies import examples


def test_the_nist_example() -> None:
    """NIST/SEMATECH e-Handbook 7.2.4.2: 4 of 20 at 90 % two-sided, so 95 % on each side. The handbook has the
    example; its printed limits are given here from memory."""
    assert share_upper(20, 4, 0.95) == pytest.approx(0.4010281, abs=5e-8)
    assert share_interval(20, 4, 0.90) == pytest.approx((0.0713539, 0.4010281), abs=5e-8)


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
    assert passes_needed(reliability, confidence) == seen
    assert share_upper(seen, 0, confidence) <= 1 - reliability < share_upper(seen - 1, 0, confidence)


@examples(200)
@given(
    st.integers(1, 5000).flatmap(lambda n: st.tuples(st.just(n), st.integers(0, n))), st.floats(0.5, 0.999)
)
def test_equals_scipys_exact_interval(case: tuple[int, int], confidence: float) -> None:
    seen, count = case
    other = binomtest(count, seen, alternative="less").proportion_ci(confidence, "exact").high
    assert share_upper(seen, count, confidence) == pytest.approx(other, abs=1e-9)
    both = share_interval(seen, count, confidence)
    assert both == pytest.approx(proportion_confint(count, seen, 1 - confidence, "beta"), abs=1e-9)


def test_nothing_seen_proves_nothing() -> None:
    assert share_upper(0) == share_upper_anytime(0) == 1.0
    assert rate_upper(0) == rate_upper_anytime(0) == math.inf
    assert share_lower(0, 0) == 0.0
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


@pytest.mark.parametrize(
    ("count", "lower", "upper"),
    [(0, 0, 3.6889), (1, 0.0253, 5.5716), (2, 0.2422, 7.2247), (3, 0.6187, 8.7673)],
)
def test_exact_poisson_limits(count: int, lower: float, upper: float) -> None:
    """Garwood, Biometrika 28 (1936), 95 % two-sided, from memory; and statsmodels."""
    assert rate_interval(1, count) == pytest.approx((lower, upper), abs=5e-5)
    assert rate_interval(7, count) == pytest.approx(confint_poisson(count, 7, "exact-c"), abs=1e-9)
    assert rate_upper(1, count, 0.975) == pytest.approx(upper, abs=5e-5)


def test_time_between_failures() -> None:
    """NIST/SEMATECH e-Handbook 8.4.5.1: 2 failures in 800 hours, 90 % two-sided: 127 to 2251 hours between
    failures (example from memory); without any the lower 95 % limit is T / -ln 0.05."""
    lower, upper = rate_interval(800, 2, 0.90)
    assert (1 / upper, 1 / lower) == pytest.approx((127.1, 2251.2), abs=0.06)
    assert 1 / rate_upper(800) == pytest.approx(800 / 2.9957, rel=1e-4)


@pytest.mark.parametrize(
    ("reliability", "passes"), [(0.99, [299, 473, 628, 773]), (0.999, [2995, 4742, 6294, 7752])]
)
def test_passes_needed_with_misses(reliability: float, passes: list[int]) -> None:
    """For 0, 1, 2, 3 misses at 95 %: the smallest n whose binomial tail is 5 % or less."""
    for misses, needed in enumerate(passes):
        assert passes_needed(reliability, 0.95, misses) == needed
        assert (
            binom.cdf(misses, needed, 1 - reliability)
            <= 0.05
            < binom.cdf(misses, needed - 1, 1 - reliability)
        )
        assert share_upper(needed, misses) <= 1 - reliability < share_upper(needed - 1, misses)


def test_ten_thousand_passes_without_a_miss() -> None:
    """The figure builders quote (common practice, no source) proves 1 in 3338, not none."""
    assert share_upper(10_000) == pytest.approx(2.9953e-4, abs=5e-9)
    assert passes_needed(0.9999) == 29956
    assert passes_needed(0.9999999) == math.ceil(math.log(0.05) / math.log(0.9999999))


# ---- bounds that hold at all times ----


@pytest.mark.parametrize("seen", [1, 2, 20, 300])
@pytest.mark.parametrize("confidence", [0.8, 0.95, 0.998])
def test_the_gain_at_the_bound_is_what_ville_allows(seen: int, confidence: float) -> None:
    """The gain, integrated numerically over u, is 1 / (1 - confidence) at the bound."""
    steps = (np.arange(200_000) + 0.5) / 200_000
    u = steps**2  # so that u is drawn from Beta(1/2, 1)
    for count in range(0, seen, max(1, seen // 5)):
        p = share_upper_anytime(seen, count, confidence)
        gain = np.mean(u**count * ((1 - u * p) / (1 - p)) ** (seen - count))
        assert gain * (1 - confidence) == pytest.approx(1, rel=1e-6), count
        x = seen * rate_upper_anytime(seen, count, confidence)
        assert np.mean(u**count * np.exp((1 - u) * x)) * (1 - confidence) == pytest.approx(1, rel=1e-6), count


def test_the_game_is_fair_at_the_truth_and_loses_above_it() -> None:
    """By all 2^12 courses of 12 passes: the gain of betting against p is 1 on average if p is true, and less
    if passes are missed more often."""
    u = ((np.arange(2000) + 0.5) / 2000) ** 2
    p, count = 0.3, np.arange(13)
    gain = np.array([np.mean(u**k * ((1 - u * p) / (1 - p)) ** (12 - k)) for k in count])
    assert gain @ binom.pmf(count, 12, p) == pytest.approx(1)
    assert gain @ binom.pmf(count, 12, 0.35) < 1


@examples(200)
@given(st.integers(1, 10**7), st.floats(0, 0.3), st.floats(0.5, 0.9999))
def test_anytime_bounds_move_the_right_way(seen: int, share: float, confidence: float) -> None:
    count = min(int(seen * share), seen - 1)
    bound = share_upper_anytime(seen, count, confidence)
    assert share_upper(seen, count, confidence) < bound < 1
    assert bound < share_upper_anytime(seen, count + 1, confidence)
    assert share_upper_anytime(seen + 1 + seen // 100, count, confidence) < bound
    assert bound < share_upper_anytime(seen, count, confidence + (1 - confidence) / 2)
    rate = rate_upper_anytime(seen, count, confidence)
    assert rate_upper(seen, count, confidence) < rate < rate_upper_anytime(seen, count + 1, confidence)
    assert rate_upper_anytime(2 * seen, count, confidence) < rate


@pytest.mark.parametrize("seen", [100, 299, 1000, 3000, 10**5, 10**7])
def test_the_price_of_looking_is_the_same_everywhere(seen: int) -> None:
    """Without a miss 3.8 instead of 3.0 over the passes, at any number of them."""
    assert 3.7 < seen * share_upper_anytime(seen) < 3.79
    assert seen * rate_upper_anytime(seen) == pytest.approx(3.788, abs=1e-3)


HORIZON = 3000
RUNS = 1000


def first_seen_below(bound, truth: float, count: int) -> int:
    """The smallest number of passes at which the bound, with ``count``, is below the truth."""
    low = 0 if bound is rate_upper_anytime else count  # a share needs as many passes as misses
    high = 16 * HORIZON
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (low, middle) if bound(middle, count) < truth else (middle, high)
    return high


def share_ever_below(bound, truth: float, events: np.ndarray) -> float:
    """In how many runs, ``events`` of shape (runs, passes), the bound is below the truth after some pass: the
    bound of someone who stops at the most flattering moment."""
    counts = np.cumsum(events, axis=1)
    below = np.array([first_seen_below(bound, truth, count) for count in range(int(counts.max()) + 1)])
    seen = np.arange(1, events.shape[1] + 1)
    return float(np.mean(np.any(seen >= below[counts], axis=1)))


@pytest.mark.parametrize(("seed", "truth"), [(1, 0.01), (2, 0.003), (3, 0.05)])
def test_watched_and_stopped_at_will_the_miss_bound_holds(seed: int, truth: float) -> None:
    missed = np.random.default_rng(seed).random((RUNS, HORIZON)) < truth
    assert share_ever_below(share_upper_anytime, truth, missed) <= 0.05, f"seed {seed}"


@pytest.mark.parametrize(("seed", "truth"), [(4, 0.01), (5, 0.3), (6, 1.4)])
def test_watched_and_stopped_at_will_the_extra_bound_holds(seed: int, truth: float) -> None:
    chance = np.random.default_rng(seed)
    extra = chance.poisson(truth, (RUNS, HORIZON if truth < 0.1 else 300))
    assert share_ever_below(rate_upper_anytime, truth, extra) <= 0.05, f"seed {seed}"
    at_most_one = chance.random((RUNS, 300)) < min(truth, 0.5)
    assert share_ever_below(rate_upper_anytime, min(truth, 0.5), at_most_one) <= 0.05, f"seed {seed}"


def test_the_bound_of_a_fixed_plan_does_not_survive_looking() -> None:
    """The trap: looked at after each pass from the 50th to the 3000th, it falls below a true 1 % in a fifth
    of runs, not in a twentieth."""
    missed = np.random.default_rng(7).random((RUNS, HORIZON)) < 0.01
    counts = np.cumsum(missed, axis=1)[:, 49:]
    below = np.array([first_seen_below(share_upper, 0.01, count) for count in range(int(counts.max()) + 1)])
    fooled = np.mean(np.any(np.arange(50, HORIZON + 1) >= below[counts], axis=1))
    assert fooled == pytest.approx(0.202, abs=0.03)


@pytest.mark.parametrize(("seed", "seen", "truth"), [(8, 500, 0.01), (9, 3000, 0.002), (10, 200, 0.05)])
def test_bounds_of_fixed_plans_cover(seed: int, seen: int, truth: float) -> None:
    chance = np.random.default_rng(seed)
    missed, extra = chance.binomial(seen, truth, RUNS), chance.poisson(seen * truth, RUNS)
    assert np.mean([share_upper(seen, int(count)) >= truth for count in missed]) >= 0.95, f"seed {seed}"
    assert np.mean([rate_upper(seen, int(count)) >= truth for count in extra]) >= 0.95, f"seed {seed}"


# ---- several contacts, several tries ----


def test_bounds_of_all_contacts_hold_at_once_however_they_depend() -> None:
    """24 contacts, 500 passes: independent ones, and ones that all miss the same train's passes."""
    chance = np.random.default_rng(11)
    confidence = for_each_of(24)
    assert confidence == pytest.approx(1 - 0.05 / 24)
    assert confidence > 0.95 ** (1 / 24)  # Sidak's, for independent ones
    bound = np.array([share_upper(500, count, confidence) for count in range(60)])
    alone = chance.binomial(500, 0.02, (RUNS, 24))
    assert np.mean(np.all(bound[alone] >= 0.02, axis=1)) >= 0.95
    common = np.repeat(chance.binomial(500, 0.02, (RUNS, 1)), 24, axis=1)
    assert np.mean(np.all(bound[common] >= 0.02, axis=1)) >= 0.95
    uncorrected = np.array([share_upper(500, count) for count in range(60)])
    assert np.mean(np.all(uncorrected[alone] >= 0.02, axis=1)) < 0.6


@pytest.mark.parametrize(("passes", "chance"), [(299, 0.0495), (1000, 0.367), (3000, 0.806), (10_000, 0.997)])
def test_beginning_again_until_it_is_clean(passes: int, chance: float) -> None:
    """299 clean passes "prove" 1 %; begun again after each miss, a contact that does miss 1 % gets there."""
    assert chance_of_clean_stretch(299, passes, 0.01) == pytest.approx(chance, abs=6e-4)


def test_clean_stretches_by_trying_all_courses() -> None:
    for clean in range(1, 6):
        for passes in range(1, 12):
            expected = 0.0
            for course in itertools.product((True, False), repeat=passes):
                stretches = [len(list(group)) for good, group in itertools.groupby(course) if good]
                if max(stretches, default=0) >= clean:
                    expected += math.prod(0.7 if good else 0.3 for good in course)
            assert chance_of_clean_stretch(clean, passes, 0.3) == pytest.approx(expected), (clean, passes)
