"""Limits of what is recommended, at the very edge of each."""

from __future__ import annotations

import math

import pytest

from analysis.test_advice import clean, story, told, trace_of
from analysis.test_bounce import PAUSE_US, times
from reedproof.analysis.advice import MAKE_US_MIN, PASSES_MIN, Limits, Status, advise, choose
from reedproof.analysis.bounce import (
    BLIP_MAX_US,
    PAUSE_MIN_US,
    REST_US,
    SENSIBLE_US,
    STEP_MIN,
    find_exceptions,
    find_passes,
    find_pause,
    ms,
)
from reedproof.analysis.confidence import next_below_largest
from reedproof.sim.core import BREAK_US_DEFAULT


def with_openings(lengths):
    edges = [0]
    for length_us in lengths:
        edges += [edges[-1] + 60_000, edges[-1] + 60_000 + length_us]
    return edges


def test_a_level_kept_for_just_rest_us_ends_a_rattle() -> None:
    for rest_us, rattle_us in ((REST_US, 5000), (REST_US - 1, REST_US + 4999)):
        edges = times(0, 60_000, 60_000 + rest_us, 65_000 + rest_us)
        assert find_passes([edges], [PAUSE_US]).longest_rattle_us().tolist() == [rattle_us]


def test_where_a_step_is_just_wide_enough() -> None:
    assert find_pause(times(10_000, 40_000)) == 40_000
    assert find_pause(times(10_001, 40_000)) is None
    assert find_pause(times(50, PAUSE_MIN_US)) == PAUSE_MIN_US
    assert find_pause(times(150, 30_000, 5_400_000)) == 5_400_000  # 150 us are less than four samples


def test_the_lengths_are_those_of_the_exceptions_alone() -> None:
    settles_late = (0, 400, 20_000, 80_000)
    opens_long = (1_000_000, 1_060_000, 1_120_000, 1_160_000)
    _, found = find_exceptions(find_passes([times(*settles_late, *opens_long)], [500_000]), 1000)
    assert found is not None
    assert (found.count, found.at_us, found.making_us, found.opening_us) == (1, 1_000_000, 0, 60_000)


@pytest.mark.parametrize(("value_us", "text"), [(100, "0.10"), (10_000, "10.0"), (100_000, "100")])
def test_ms(value_us, text):
    assert ms(value_us) == text


def test_the_limits_follow_from_what_they_are_for() -> None:
    assert PAUSE_MIN_US == 20 * 1000  # 20 mm at 1 m/s
    assert BLIP_MAX_US == 2 * 1000  # 2 mm at 1 m/s
    assert round(16 / 320 * 1e6) == SENSIBLE_US  # 16 mm at 320 mm/s
    assert REST_US == BREAK_US_DEFAULT
    assert math.ceil(math.log(0.1) / math.log(0.9)) == PASSES_MIN  # success run
    assert MAKE_US_MIN == 4 * 50
    assert STEP_MIN == 4


def test_choosing_at_its_limits() -> None:
    assert choose(Limits(2000, 8000), 1000) == 4000  # nothing else is left
    assert choose(Limits(2025, 8120), 1000) == 4060  # two digits would be 4100
    assert choose(Limits(0, 2468), 1234) == 1234
    assert advise([trace_of(story(clean()))], 1, 100, 10_000).make_us == MAKE_US_MIN


@pytest.mark.parametrize(("passes", "status"), [(2000, Status.EXCEPTIONS), (1999, Status.UNSAFE)])
def test_one_pass_in_a_thousand_is_left_aside(passes, status) -> None:
    strange = [0, 60_000, 60_000 + SENSIBLE_US, 160_000]
    advice = told(story(lambda i: strange if i in (30, 31) else [0, 60_000], passes), pause_us=500_000)
    assert advice.status is status
    assert "open for up to 50.0 ms" in advice.reasons[0]
    if status is Status.EXCEPTIONS:
        assert "2 of 2000 passes are left aside" in advice.reasons[0]


@pytest.mark.parametrize(
    ("lengths", "status"),
    [
        ([100 + i for i in range(30)], Status.UNSAFE),
        ([round(5000 * 1.5**i) for i in range(8)], Status.TOO_LITTLE),
        ([round(1000 * 1.3**i) for i in range(PASSES_MIN - 1)], Status.TOO_LITTLE),
        ([round(1000 * 1.3**i) for i in range(PASSES_MIN)], Status.UNSAFE),
    ],
    ids=["short", "few", "one less", "enough"],
)
def test_without_pauses_it_takes_many_and_long_openings(lengths, status) -> None:
    advice = told(with_openings(lengths))
    assert (advice.status, advice.evidence) == (status, None)


def test_passes_close_together_are_named() -> None:
    advice = told(story(lambda _: [0, 30_000, 50_000, 90_000, 160_000, 220_000]), pause_us=50_000)
    assert "last up to 20.0 ms, and two passes come within 70.0 ms" in advice.reasons[0]


@pytest.mark.parametrize(("default_us", "making_us"), [(1000, 0), (5000, 1600)])
def test_bounce_where_no_make_us_is_safe(default_us, making_us) -> None:
    edges = story(lambda i: [0, 1500, 1600, 4000 if i % 2 else 60_000, 500_000, 501_900])
    advice = advise([trace_of(edges)], 1, default_us, 10_000, pass_us=2000)
    assert advice.evidence is not None
    assert (advice.status, advice.evidence.bounce.making.longest_us) == (Status.UNSAFE, making_us)


def test_a_single_pass_has_no_pause() -> None:
    evidence = told([0, 60_000]).evidence
    assert evidence is not None
    assert (evidence.pauses_us, evidence.breaking.allowed_us) == ((PAUSE_MIN_US,), None)


def test_bounce_is_that_of_all_passes_and_limits_are_of_the_ordinary_ones() -> None:
    advice = told(
        story(lambda i: [0, 60_000, 140_000, 160_000] if i == 30 else [0, 60_000]), pause_us=500_000
    )
    assert advice.evidence is not None
    assert advice.evidence.bounce.dropout.longest_us == 80_000
    assert advice.evidence.breaking.needed_us == 0
    assert advice.evidence.bounce.closed.longest_us == 60_000


def test_19_values_prove_one():
    assert [next_below_largest(19 * count) for count in range(1, 1000)] == list(range(1, 1000))
