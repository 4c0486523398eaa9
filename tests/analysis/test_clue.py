"""How surprising counts are, against scipy's distributions; words for numbers."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import binom, poisson

from reedproof.analysis.clue import SURPRISE_MAX, percent, surprise, surprise_of_events, times


def expected(log_chance: float) -> float:
    """A chance as a surprise; where it is smaller than a double can be, the largest one."""
    return min(SURPRISE_MAX, max(0.0, -log_chance))


@given(st.integers(1, 3000).flatmap(lambda n: st.tuples(st.integers(0, n), st.just(n))), st.floats(1e-6, 1.0))
def test_of_trials(count_and_trials: tuple[int, int], chance: float) -> None:
    """scipy.stats.binom.sf is the chance of more than that many."""
    count, trials = count_and_trials
    assert surprise(count, trials, chance) == pytest.approx(
        expected(binom.logsf(count - 1, trials, chance)), rel=1e-6, abs=1e-9
    )


@given(st.integers(0, 3000), st.floats(1e-6, 3000))
def test_of_events(count: int, usual: float) -> None:
    """scipy.stats.poisson.sf likewise."""
    assert surprise_of_events(count, usual) == pytest.approx(
        expected(poisson.logsf(count - 1, usual)), rel=1e-6, abs=1e-9
    )


@pytest.mark.parametrize(
    ("count", "trials", "chance", "wanted"),
    [
        (0, 100, 0.01, 0.0),
        (-1, 100, 0.01, 0.0),
        (0, 0, 0.01, 0.0),
        (1, 1, 0.25, math.log(4)),
        (3, 3, 0.1, 3 * math.log(10)),
        (1, 2, 0.5, -math.log(0.75)),
        (10, 10, 1.0, 0.0),
        (10, 10, 2.0, 0.0),  # a share that was estimated too high
        (500, 1000, 1e-9, SURPRISE_MAX),
        (1, 10, 0.0, -math.log(1e-11)),  # nothing is impossible: chance 1e-12 is the least, ten times
    ],
)
def test_of_trials_by_hand(count: int, trials: int, chance: float, wanted: float) -> None:
    assert surprise(count, trials, chance) == pytest.approx(wanted, rel=1e-6)


@pytest.mark.parametrize(
    ("count", "usual", "wanted"),
    [
        (0, 5.0, 0.0),
        (1, math.log(2), math.log(2)),  # 1 - exp(-ln 2) is a half
        (2, 1.0, -math.log(1 - 2 / math.e)),
        (1, 0.0, -math.log(1e-12)),
        (1000, 1.0, SURPRISE_MAX),
        (1, 1e6, 0.0),
    ],
)
def test_of_events_by_hand(count: int, usual: float, wanted: float) -> None:
    assert surprise_of_events(count, usual) == pytest.approx(wanted, rel=1e-6, abs=1e-12)


@given(st.integers(1, 200), st.integers(0, 300), st.floats(1e-4, 0.9))
def test_more_are_more_surprising(count: int, others: int, chance: float) -> None:
    trials = count + others
    assert 0 <= surprise(count, trials, chance) <= surprise(count + 1, trials + 1, chance) + 1e-9
    assert surprise_of_events(count, trials * chance) <= surprise_of_events(count + 1, trials * chance) + 1e-9


def test_words() -> None:
    assert times(3, 120) == "3 of 120 passes"
    assert times(120) == "120 passes"
    assert times(2, 5, "trains") == "2 of 5 trains"
    assert percent(math.log(0.69)) == "31 % shorter"
    assert percent(math.log(1.31)) == "31 % longer"
