"""Rhythms in event times: against another periodogram, a known chance, and made-up mains."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.signal import lombscargle
from scipy.stats import kstest

from reedproof.analysis.period import COHERENT_S, _on_grid, likely_period, schuster


def in_step(period_s: float, seconds: float, share: float, jitter_s: float, seed: int) -> np.ndarray:
    """Events near multiples of a period, some of them left out."""
    chance = np.random.default_rng(seed)
    at_s = np.arange(0, seconds, period_s)
    at_s = at_s[chance.random(len(at_s)) < share]
    return np.sort(at_s + chance.normal(0, jitter_s, len(at_s)))


@pytest.mark.parametrize("seed", range(5))
def test_the_periodogram_is_that_of_scipy(seed: int) -> None:
    """`scipy.signal.lombscargle` takes samples: the events counted in bins of 50 us, which hold one or none.
    Of n even samples with k events, its power is ``|sum|^2 / n``, ours ``|sum|^2 / k``."""
    bins = 20_000
    chance = np.random.default_rng(seed)
    at = np.sort(chance.choice(bins, 60, replace=False))
    at_s = at * 50e-6
    counts = np.zeros(bins)
    counts[at] = 1
    hz = np.arange(
        20.0, 1000.0, 7.0
    )  # whole turns within the second of the recording: sine and cosine are orthogonal
    theirs = lombscargle(np.arange(bins) * 50e-6, counts, 2 * np.pi * hz) * bins / len(at)
    assert schuster(at_s, hz) == pytest.approx(theirs, rel=1e-6, abs=1e-6)


@pytest.mark.parametrize("count", [1, 63, 64, 65, 500])
def test_the_quick_form_is_the_same(count: int) -> None:
    at_s = np.sort(np.random.default_rng(count).uniform(0, 2, 40)) + 1.7e9
    hz = np.linspace(10, 1000, 500)[:count]
    assert _on_grid(at_s, hz) == pytest.approx(schuster(at_s, hz), rel=1e-6, abs=1e-6)


def test_powers_of_chance_events_are_exponential() -> None:
    """Scargle 1982, ApJ 263, 835 (from memory): the chance of a power above z is exp(-z)."""
    chance = np.random.default_rng(7)
    powers = [
        schuster(np.sort(chance.uniform(0, 2, 200)), np.array([chance.uniform(20, 900)]))[0]
        for _ in range(3000)
    ]
    assert kstest(powers, "expon").pvalue > 0.01
    for z in (1.0, 2.0, 4.0):
        share = np.mean(np.array(powers) > z)
        assert abs(share - np.exp(-z)) < 4 * np.sqrt(np.exp(-z) / len(powers)), f"above {z}: {share}"


@pytest.mark.parametrize("period_ms", [20.0, 10.0, 16.667, 3.7, 1.5, 60.0])
@pytest.mark.parametrize("seed", range(3))
def test_a_rhythm_is_found(period_ms: float, seed: int) -> None:
    at_s = in_step(period_ms / 1000, max(5.0, period_ms / 4), 0.4, period_ms / 1000 / 30, seed)
    found = likely_period(at_s)
    assert found is not None
    assert found.ms == pytest.approx(period_ms, rel=0.002), f"seed {seed}"
    assert found.chance < 1e-6


def test_an_exact_rhythm_is_not_taken_for_its_harmonics() -> None:
    found = likely_period(np.arange(100) * 0.02)
    assert found is not None
    assert (found.ms, found.power) == (pytest.approx(20.0, abs=0.01), pytest.approx(100, rel=0.01))


def test_mains_that_wanders_is_found() -> None:
    """The frequency of mains strays by some tenths of a percent (our assumption), and over minutes no one
    phase fits."""
    steps_s = 0.02 * (1 + 0.003 * np.sin(np.arange(3000) / 300))
    at_s = np.cumsum(steps_s)
    found = likely_period(at_s)
    assert found is not None
    assert found.stretches > 1
    assert found.ms == pytest.approx(20.0, rel=0.004)
    assert found.chance < 1e-12
    one_phase = schuster(at_s, np.linspace(49, 51, 400)).max() / len(at_s)
    assert one_phase < 0.5 < found.power / len(at_s[at_s < found.stretches * COHERENT_S])


def test_chance_events_have_no_rhythm() -> None:
    """The chance that is told is an upper bound: below 0.05 in 5 % of cases at most."""
    random = np.random.default_rng(11)
    found = [likely_period(np.sort(random.uniform(0, 4, random.integers(20, 100)))) for _ in range(100)]
    chances = np.array([each.chance for each in found if each is not None])
    assert len(chances) == 100
    assert np.mean(chances < 0.05) <= 0.05
    assert chances.min() > 1e-4


def test_bounces_of_one_event_count_once() -> None:
    """Pairs of events would else look like a rhythm of low frequencies."""
    random = np.random.default_rng(5)
    first = np.sort(random.uniform(0, 4, 80))
    pairs = np.sort(np.concatenate([first, first + 0.0003]))
    alone, paired = likely_period(first), likely_period(pairs)
    assert alone is not None
    assert paired is not None
    assert paired.power < 1.2 * alone.power
    assert paired.chance > 0.05


@pytest.mark.parametrize("count", [0, 1, 4])
def test_too_few_events_tell_nothing(count: int) -> None:
    assert likely_period(np.arange(count) * 0.02) is None


def test_five_far_apart_tell_nothing() -> None:
    assert likely_period(np.arange(5) * 3.0) is None
