"""Drift: the CUSUM against published examples and run lengths, and what it makes of simulated contacts."""

from __future__ import annotations

import re
import tracemalloc

import numpy as np
import pytest
from scipy.stats import norm

from reedproof.analysis.drift import (
    BASELINE_BATCHES,
    BATCH,
    BOUNCES_SPREAD_MIN,
    LENGTH_SPREAD_MIN,
    LIMIT,
    POINTS_MAX,
    SLACK,
    Change,
    ContactDrift,
    DriftWatch,
    tabular_cusum,
)

START_S = 1.8e9
LENGTH_MS = 55.0

# ---- the CUSUM itself ----

#: Montgomery & Runger, Applied Statistics and Probability for Engineers, Example 16-6: concentrations, target
#: 99, K 1, H 10. The data is from memory; the sums below are those of Tables 16-7 and 16-8 (p. 636).
CONCENTRATION = np.array(
    [
        [102.0, 94.8, 98.3, 98.4, 102.0, 98.5, 99.0, 97.7, 100.0, 98.1],
        [101.3, 98.7, 101.1, 98.4, 97.0, 96.7, 100.3, 101.4, 97.2, 101.0],
    ]
).ravel()


def test_the_concentration_example() -> None:
    high, low = tabular_cusum(CONCENTRATION - 99, 1), tabular_cusum(99 - CONCENTRATION, 1)
    assert high[0] == pytest.approx(2.0)
    assert low[1:4] == pytest.approx([3.2, 2.9, 2.5])
    assert low[15] == pytest.approx(2.3)
    assert high[17] == pytest.approx(1.7)
    assert max(high.max(), low.max()) < 10


def test_the_nist_example() -> None:
    """NIST/SEMATECH e-Handbook 6.3.2.3, data and limits from memory: an alarm at the 14th group."""
    means = np.array(
        [
            [324.925, 324.675, 324.725, 324.350, 325.350, 325.225, 324.125, 324.525, 325.225, 324.600],
            [324.625, 325.150, 328.325, 327.250, 327.825, 328.500, 326.675, 327.775, 326.875, 328.350],
        ]
    ).ravel()
    high, low = tabular_cusum(means - 325, 0.3175), tabular_cusum(325 - means, 0.3175)
    assert int(np.argmax(high > 4.1959)) == 13
    assert high[13] == pytest.approx(4.94, abs=5e-3)
    assert low.max() < 4.1959


def test_step_by_step_and_in_portions() -> None:
    deviations = np.random.default_rng(1).normal(0.3, 1, 500)
    last, expected = 1.5, []
    for deviation in deviations:
        last = max(0.0, last + deviation - 0.5)
        expected.append(last)
    assert tabular_cusum(deviations, 0.5, 1.5) == pytest.approx(np.array(expected), abs=1e-10)
    first = tabular_cusum(deviations[:123], 0.5, 1.5)
    rest = tabular_cusum(deviations[123:], 0.5, first[-1])
    assert np.concatenate([first, rest]) == pytest.approx(np.array(expected), abs=1e-10)
    assert len(tabular_cusum([], 0.5, 1.5)) == 0


def run_length(slack: float, limit: float, shift: float, states: int = 200) -> float:
    """Average run length of a one-sided CUSUM of normal values, by the Markov chain of Brook & Evans,
    Biometrika 59 (1972)."""
    width = 2 * limit / (2 * states - 1)
    middles = np.arange(states) * width
    steps = middles[None, :] - middles[:, None] + slack - shift
    moves = norm.cdf(steps + width / 2) - norm.cdf(steps - width / 2)
    moves[:, 0] = norm.cdf(steps[:, 0] + width / 2)
    return float(np.linalg.solve(np.eye(states) - moves, np.ones(states))[0])


@pytest.mark.parametrize(
    ("limit", "lengths"),
    [
        (4, {0: 168, 0.25: 74.2, 0.5: 26.6, 0.75: 13.3, 1: 8.38, 2: 3.34, 4: 1.71}),
        (5, {0: 465, 0.25: 139, 0.5: 38.0, 0.75: 17.0, 1: 10.4, 2: 4.01, 4: 2.01}),
    ],
)
def test_the_way_run_lengths_are_computed(limit: float, lengths: dict[float, float]) -> None:
    """Montgomery, Introduction to Statistical Quality Control, table of two-sided run lengths for k = 1/2,
    from memory. Also the rule that 1 / two-sided is the sum of 1 / one-sided."""
    for shift, published in lengths.items():
        up, down = run_length(0.5, limit, shift), run_length(0.5, limit, -shift)
        assert 1 / (1 / up + 1 / down) == pytest.approx(published, rel=5e-3), shift


def test_false_alarms_are_rare_over_days_and_true_ones_come_soon() -> None:
    """What the module says of SLACK and LIMIT."""
    assert run_length(SLACK, LIMIT, 0) / 2 > 1e12
    too_small, beside = 0.85, 1 / 3
    assert run_length(too_small * SLACK, too_small * LIMIT, beside) / 2 > 1e8
    assert run_length(SLACK, LIMIT, 4) == pytest.approx(4.6, abs=0.1)
    assert 86_400 / BATCH == 3456


# ---- contacts ----


def fed(
    lengths, bounces=None, *, contacts=("mill",), portion=10_000, contact=None
) -> tuple[ContactDrift, ...]:
    """Passes once a second, in portions."""
    watch = DriftWatch(contacts)
    lengths = np.asarray(lengths, np.float32)
    bounces = np.full(len(lengths), 3) if bounces is None else bounces
    contact = np.zeros(len(lengths)) if contact is None else contact
    at_s = START_S + np.arange(len(lengths))
    for begin in range(0, len(lengths), portion):
        part = slice(begin, begin + portion)
        watch.feed(contact[part].astype(np.int16), at_s[part], lengths[part], bounces[part].astype(np.uint16))
    return watch.result()


def steady(chance: np.random.Generator, count: int, spread: float = 0.15) -> np.ndarray:
    return LENGTH_MS * np.exp(chance.normal(0, spread, count))


def test_a_contact_that_gets_shorter_alarms_before_it_misses() -> None:
    chance = np.random.default_rng(1)
    falls = np.append(np.zeros(5000), np.linspace(0, -0.5, 10_000))
    (found,) = fed(steady(chance, 15_000) * np.exp(falls))
    alarm = found.alarm
    assert alarm is not None
    assert (alarm.change, alarm.lasts) == (Change.SHORTER, True)
    assert START_S + 5000 < alarm.at_s < START_S + 8500  # a third of the way, before an eighth is lost
    assert START_S + 5000 < alarm.began_s <= alarm.at_s
    assert alarm.per_1000_passes == pytest.approx(-0.05, rel=0.1)
    assert found.length.baseline == pytest.approx(np.log(LENGTH_MS), abs=0.02)
    assert found.length_change == pytest.approx(np.exp(-0.49) - 1, abs=0.03)
    assert found.sentence(0).startswith("on its way to failing though it has not missed yet: closures are 3")
    assert found.sentence(0).endswith("% shorter than at first")
    assert found.sentence(1).startswith("getting worse, and has missed 1 pass: closures")


@pytest.mark.parametrize("seed", range(3))
def test_when_a_step_came_is_found(seed: int) -> None:
    lengths = steady(np.random.default_rng(seed), 6000)
    lengths[4000:] *= 0.8
    alarm = fed(lengths)[0].alarm
    assert alarm is not None
    assert abs(alarm.began_s - START_S - 4000) <= 2 * BATCH, f"seed {seed}"
    assert alarm.at_s - START_S - 4000 <= 8 * BATCH, f"seed {seed}"


def test_more_bounces_alarm() -> None:
    chance = np.random.default_rng(2)
    rate = np.append(np.full(3000, 2.0), np.full(1000, 5.0))
    (found,) = fed(steady(chance, 4000), chance.poisson(rate))
    assert [alarm.change for alarm in found.alarms] == [Change.BOUNCIER]
    assert found.alarms[0].began_s == pytest.approx(START_S + 3000, abs=2 * BATCH)
    assert "on its way to failing" in found.sentence(0)
    numbers = re.fullmatch(r".*: ([\d.]+) bounces per closure, at first ([\d.]+)", found.sentence(0))
    assert numbers is not None
    assert [float(number) for number in numbers.groups()] == pytest.approx([5, 2], abs=0.4)
    fewer = fed(steady(chance, 4000), chance.poisson(rate[::-1]))[0]
    assert fewer.alarm is None  # fewer bounces are no trouble


def test_longer_closures_are_told_as_such() -> None:
    lengths = steady(np.random.default_rng(3), 3000)
    lengths[2000:] *= 1.4
    (found,) = fed(lengths)
    assert [alarm.change for alarm in found.alarms] == [Change.LONGER]
    numbers = re.fullmatch(
        r"something has changed: closures are (\d+) % longer than at first", found.sentence(0)
    )
    assert numbers is not None
    assert int(numbers[1]) == pytest.approx(40, abs=4)


@pytest.mark.parametrize(("spread", "passes"), [(0.33, 2000), (0.15, 2000), (0.01, 2000)])
def test_steady_contacts_do_not_alarm(spread: float, passes: int) -> None:
    """150 contacts, the first passes of each being all that is known of it."""
    chance = np.random.default_rng(4)
    contact = np.tile(np.arange(150), passes)
    found = fed(
        steady(chance, len(contact), spread),
        chance.poisson(3, len(contact)),
        contacts=[str(number) for number in range(150)],
        contact=contact,
        portion=100_000,
    )
    assert [one.contact for one in found if one.alarms] == []
    assert all(one.sentence(0) == "no drift" for one in found)


def test_warmth_and_cold_do_not_alarm_but_a_tenth_does() -> None:
    """Up and down over a day: 3 % of length, as warmth moves a magnet, and 12 %, which is more than that. The
    second is a true change that comes back, and it is told so."""
    lengths = steady(np.random.default_rng(5), 86_400, 0.05)
    day = np.sin(2 * np.pi * np.arange(86_400) / 86_400)
    assert fed(lengths * np.exp(0.03 * day))[0].alarms == ()
    (wide,) = fed(lengths * np.exp(0.12 * day))
    assert {alarm.change for alarm in wide.alarms} == {Change.SHORTER, Change.LONGER}


def test_what_has_come_back_is_told() -> None:
    lengths = steady(np.random.default_rng(6), 8000)
    lengths[2000:2200] *= 0.75
    (found,) = fed(lengths)
    assert found.alarm is not None
    assert not found.alarm.lasts
    assert found.sentence(0).startswith("was shorter for a while, and is back: closures are ")


def test_a_train_that_halts_on_a_contact_is_no_drift() -> None:
    chance = np.random.default_rng(7)
    lengths = steady(chance, 20_000)
    lengths[chance.random(20_000) < 0.01] = 30_000
    lengths[chance.random(20_000) < 0.01] = 0.5
    assert fed(lengths)[0].alarms == ()


def test_of_few_passes_it_says_too_little() -> None:
    least = BASELINE_BATCHES * BATCH
    (found,) = fed(np.full(least - 1, 50.0))
    assert (found.length.baseline, found.length.now, found.length_change, found.alarm) == (None,) * 4
    assert found.sentence(0) == "too little to tell: 499 closures of known length, it takes 500 to begin"
    assert len(found.length.series.at_s) == 0
    (enough,) = fed(np.full(least, 50.0))
    assert enough.length.baseline == pytest.approx(np.log(50))
    assert enough.sentence(0) == "no drift"
    (none,) = fed([])
    assert none.length.passes == 0
    assert DriftWatch(["mill"]).result()[0].sentence(0).startswith("too little to tell: 0 closures")


def test_unknown_lengths_are_left_out() -> None:
    chance = np.random.default_rng(8)
    lengths = steady(chance, 4000)
    with_gaps = lengths.copy()
    unknown = chance.random(4000) < 0.4
    with_gaps[unknown] = np.nan
    bounces = chance.poisson(3, 4000)
    (found,) = fed(with_gaps, bounces)
    assert found.length.passes == int((~unknown).sum())
    assert found.bounces.passes == 4000
    alone = DriftWatch(["mill"])
    kept = np.flatnonzero(~unknown)
    alone.feed(np.zeros(len(kept), int), START_S + kept, lengths[kept].astype(np.float32), bounces[kept])
    assert np.array_equal(alone.result()[0].length.series.mean, found.length.series.mean)
    (all_unknown,) = fed(np.full(4000, np.nan), bounces)
    assert all_unknown.length.baseline is None
    assert all_unknown.bounces.baseline == pytest.approx(3, abs=0.3)


def test_a_contact_without_any_spread_does_not_divide_by_it() -> None:
    (found,) = fed(np.full(3000, 50.0), np.zeros(3000))
    assert (found.length.spread, found.bounces.spread) == (LENGTH_SPREAD_MIN, BOUNCES_SPREAD_MIN)
    assert found.alarms == ()


def test_portions_do_not_matter() -> None:
    chance = np.random.default_rng(9)
    contact = chance.integers(0, 3, 9000)
    lengths = steady(chance, 9000) * np.exp(-0.4 * (contact == 1) * np.linspace(0, 1, 9000))
    lengths[chance.random(9000) < 0.05] = np.nan
    bounces = chance.poisson(3, 9000)
    names = ("mill", "quarry", "wharf")
    whole = fed(lengths, bounces, contacts=names, contact=contact, portion=9000)
    assert [bool(one.alarm) for one in whole] == [False, True, False]
    for portion in (7, 1000):
        parts = fed(lengths, bounces, contacts=names, contact=contact, portion=portion)
        for one, other in zip(whole, parts, strict=True):
            assert one.alarms == other.alarms
            for mine, its in ((one.length, other.length), (one.bounces, other.bounces)):
                assert (mine.passes, mine.baseline, mine.spread) == (its.passes, its.baseline, its.spread)
                assert mine.now == pytest.approx(its.now)
                assert mine.series.at_s == pytest.approx(its.series.at_s)
                assert mine.series.mean == pytest.approx(its.series.mean)
                assert mine.series.cusum == pytest.approx(its.series.cusum, abs=1e-9)


def test_a_long_run_keeps_few_points_that_are_means() -> None:
    batches = 3 * POINTS_MAX + 5
    lengths = steady(np.random.default_rng(10), batches * BATCH)
    (found,) = fed(lengths)
    series = found.length.series
    groups = [slice(4 * first, min(4 * first + 4, batches)) for first in range(-(-batches // 4))]
    means = np.log(lengths.astype(np.float32)).astype(float).reshape(-1, BATCH).mean(axis=1)
    times = START_S + np.arange(len(lengths)).reshape(-1, BATCH).mean(axis=1)
    assert series.at_s == pytest.approx(np.array([times[group].mean() for group in groups]), abs=1e-5)
    assert series.mean == pytest.approx(np.array([means[group].mean() for group in groups]), abs=5e-3)


def test_memory_is_flat() -> None:
    """Held after a million passes and after four, in bytes."""
    chance = np.random.default_rng(11)
    watch = DriftWatch([str(number) for number in range(8)])
    contact = np.tile(np.arange(8, dtype=np.int16), 12_500)
    lengths, bounces = steady(chance, 100_000).astype(np.float32), chance.poisson(3, 100_000)
    held = []
    tracemalloc.start()
    for portion in range(40):
        watch.feed(contact, START_S + portion * 1e5 + np.arange(1e5), lengths, bounces)
        if portion in (9, 39):
            held.append(tracemalloc.get_traced_memory()[0])
    tracemalloc.stop()
    assert held[1] < 1.7 * held[0]
    assert held[1] < 700_000
    assert all(len(one.length.series.at_s) <= POINTS_MAX + 1 for one in watch.result())
