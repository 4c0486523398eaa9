"""Passes and their bounces: cases by hand, then everything against a plain loop."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from reedproof.analysis.bounce import (
    BLIP_MAX_US,
    OPENING_MAX_US,
    PAUSE_MIN_US,
    REST_US,
    SENSIBLE_US,
    STEP_MIN,
    Passes,
    find_exceptions,
    find_passes,
    find_pause,
    measure,
    ms,
    openings,
    spread,
)
from strategies import examples

PAUSE_US = 100_000


def times(*edges: int) -> np.ndarray[tuple[int], np.dtype[np.int64]]:
    return np.array(edges, dtype=np.int64)


#: closes at 1 s with two bounces, a dropout of 3 ms, opens with one bounce, all within 60 ms
BOUNCY = (
    1_000_000,
    1_000_050,
    1_000_080,
    1_000_090,
    1_000_200,
    1_030_000,
    1_033_000,
    1_060_000,
    1_060_020,
    1_060_030,
)
CLEAN = (2_000_000, 2_050_000)


def as_lists(passes: Passes) -> list[list[tuple[int, int]]]:
    stretches = list(zip(passes.starts_us.tolist(), passes.stops_us.tolist(), strict=True))
    return [stretches[a : b + 1] for a, b in zip(passes.first.tolist(), passes.last.tolist(), strict=True)]


def test_a_pass_with_everything() -> None:
    passes = find_passes([times(*BOUNCY, *CLEAN)], [PAUSE_US])
    assert [len(one) for one in as_lists(passes)] == [5, 1]
    assert passes.pauses_us.tolist() == [2_000_000 - 1_060_030]
    assert passes.longest_closed_us().tolist() == [29_800, 50_000]
    assert passes.longest_opening_us(passes.first, passes.last).tolist() == [3000, 0]
    bounce = measure(passes, 1000)
    assert bounce.making.longest_us == 200
    assert bounce.breaking.longest_us == 30
    assert bounce.gap.longest_us == 110
    assert bounce.dropout.longest_us == 3000
    assert bounce.closed.longest_us == 50_000


def test_what_is_too_short_for_a_pass_is_a_blip() -> None:
    noise = (500_000, 500_000 + BLIP_MAX_US - 1, 700_000, 700_010, 700_020, 700_500)
    passes = find_passes([times(*noise, *CLEAN)], [PAUSE_US])
    assert passes.blips_us.tolist() == [BLIP_MAX_US - 1, 480]
    assert as_lists(passes) == [[CLEAN]]
    assert len(passes.pauses_us) == 0
    just_long_enough = find_passes([times(500_000, 500_000 + BLIP_MAX_US)], [PAUSE_US])
    assert len(just_long_enough) == 1


@pytest.mark.parametrize("end", [(3_000_000,), (2_050_100, 2_060_000, 2_060_100)], ids=["far", "near"])
def test_a_pass_that_has_not_ended_is_left_out(end: tuple[int, ...]) -> None:
    """Closed at the end: within the last pass it spoils it, after it it is one that has only begun."""
    passes = find_passes([times(*BOUNCY, *CLEAN, *end)], [PAUSE_US])
    assert len(passes) == (2 if end[0] == 3_000_000 else 1)


def test_traces_do_not_touch() -> None:
    """The pause between two traces is none, and each has its own limit."""
    passes = find_passes([times(*CLEAN), times(*BOUNCY, *CLEAN)], [PAUSE_US, 2000])
    assert [len(one) for one in as_lists(passes)] == [1, 3, 2, 1]
    assert passes.pauses_us.tolist() == [3000, 2_000_000 - 1_060_030]


def test_no_edges() -> None:
    for edges in (times(), times(5)):
        passes = find_passes([edges], [PAUSE_US])
        assert (len(passes), len(passes.pauses_us), len(passes.blips_us)) == (0, 0, 0)
        assert passes.longest_closed_us().tolist() == []


def test_where_bounce_ends_and_pauses_begin() -> None:
    assert find_pause(times(50, 200, 900, 400_000, 1_000_000, 5_000_000)) == 400_000
    assert find_pause(times(400_000, 1_000_000)) == 400_000  # no bounce at all
    assert find_pause(times(50, 200, 900)) is None  # nothing but bounce
    assert find_pause(times(50, 200, PAUSE_MIN_US - 1)) is None
    assert find_pause(times()) is None


def test_no_step_no_pause() -> None:
    """Openings of all lengths; one step just wide enough is found, one just too narrow is not."""
    lengths = [round(100 * 1.5**i) for i in range(25)]
    assert max(b / a for a, b in itertools.pairwise(lengths)) < STEP_MIN
    assert find_pause(times(*lengths)) is None
    for ratio, found in ((STEP_MIN, True), (STEP_MIN - 0.01, False)):
        assert (find_pause(times(*lengths, round(lengths[-1] * ratio) + 1)) is not None) is found


def rattling_edges(begin_us: int, end_us: int) -> list[int]:
    """Closings of 0.5 ms with less than 10 ms from one to the next; an opening ends them."""
    return [edge for at in range(begin_us, end_us - 500, 9000) for edge in (at, at + 500)]


@pytest.mark.parametrize(
    ("what", "length_us", "is_one"),
    [
        ("opening", OPENING_MAX_US + 1, True),
        ("opening", OPENING_MAX_US, False),
        *(
            (what, SENSIBLE_US - short, not short)
            for what in ("making", "breaking", "rattle")
            for short in (0, 1)
        ),
    ],
)
def test_exceptions(what: str, length_us: int, is_one: bool) -> None:
    edges = {
        "opening": (0, 60_000, 60_000 + length_us, 200_000),
        "making": (*rattling_edges(0, length_us), length_us, 200_000),
        "breaking": (
            0,
            60_000,
            *rattling_edges(65_000, 60_000 + length_us),
            59_999 + length_us,
            60_000 + length_us,
        ),
        "rattle": (0, 60_000, *range(66_000, 108_001, 6000), 60_000 + length_us, 200_000),
    }[what]
    passes = find_passes([times(*edges, *(2_000_000 + time for time in CLEAN))], [500_000])
    beyond, found = find_exceptions(passes, 1000)
    assert len(passes) == 2
    assert beyond.tolist() == [is_one, False]
    assert (found is not None) is is_one
    if found is not None:
        lengths = {
            "opening": found.opening_us, "making": found.making_us, "breaking": found.breaking_us,
            "rattle": found.rattle_us,
        }  # fmt: skip
        assert (found.count, found.at_us, lengths[what]) == (1, 0, length_us)


def test_quantiles() -> None:
    """numpy's linear quantiles of 0 to 100."""
    found = spread(np.arange(101, dtype=np.int64))
    assert (found.median_us, found.p90_us, found.p99_us, found.longest_us) == (50, 90, 99, 100)


@pytest.mark.parametrize(
    ("value_us", "text"),
    [(0, "0"), (45, "0.045"), (210, "0.21"), (2013, "2.01"), (81_941, "81.9"), (1e6, "1000")],
)
def test_milliseconds_as_text(value_us: float, text: str) -> None:
    assert ms(value_us) == text


# ---- against a plain loop ----


def plainly(edges: list[int], pause_us: int) -> tuple[list[list[tuple[int, int]]], list[int], list[int]]:
    """(passes as stretches, pauses, blips), written from the words of the module."""
    stretches = list(zip(edges[0::2], edges[1::2], strict=False))
    groups: list[list[tuple[int, int]]] = []
    for start, stop in stretches:
        if groups and start - groups[-1][-1][1] < pause_us:
            groups[-1].append((start, stop))
        else:
            groups.append([(start, stop)])
    if len(edges) % 2 and groups and edges[-1] - groups[-1][-1][1] < pause_us:
        groups.pop()
    longest = [max(stop - start for start, stop in group) for group in groups]
    passes = [group for group, width in zip(groups, longest, strict=True) if width >= BLIP_MAX_US]
    pauses = [later[0][0] - earlier[-1][1] for earlier, later in itertools.pairwise(passes)]
    return passes, pauses, [width for width in longest if width < BLIP_MAX_US]


STEPS = st.one_of(st.integers(0, 300), st.integers(500, 5000), st.integers(20_000, 400_000))


@examples(400)
@given(st.lists(st.lists(STEPS, max_size=30), min_size=1, max_size=3), st.sampled_from([20_000, PAUSE_US]))
def test_equals_a_plain_loop(steps: list[list[int]], pause_us: int) -> None:
    recordings = [np.cumsum(np.array(one, dtype=np.int64)) for one in steps]
    passes = find_passes(recordings, [pause_us] * len(recordings))
    expected = [plainly(one.tolist(), pause_us) for one in recordings]
    assert as_lists(passes) == [group for groups, _, _ in expected for group in groups]
    assert passes.pauses_us.tolist() == [pause for _, pauses, _ in expected for pause in pauses]
    assert passes.blips_us.tolist() == [blip for _, _, blips in expected for blip in blips]
    for one in recordings:
        edges = one.tolist()
        assert openings(one).tolist() == [b - a for a, b in zip(edges[1::2], edges[2::2], strict=False)]
    if not len(passes):
        return

    groups = as_lists(passes)
    found = measure(passes, BLIP_MAX_US)
    making, breaking, gap, dropout = [], [], [], []
    for group in groups:
        stable = [i for i, (start, stop) in enumerate(group) if stop - start >= BLIP_MAX_US]
        between = [later[0] - earlier[1] for earlier, later in itertools.pairwise(group)]
        first, last = stable[0], stable[-1]
        making.append(group[first][0] - group[0][0])
        breaking.append(group[-1][1] - group[last][1])
        gap.append(max(between[:first] + between[last:], default=0))
        dropout.append(max(between[first:last], default=0))
    assert found.making.longest_us == max(making)
    assert found.breaking.longest_us == max(breaking)
    assert found.gap.longest_us == max(gap)
    assert found.dropout.longest_us == max(dropout)
    assert found.making.median_us == pytest.approx(np.median(making))
    assert passes.longest_rattle_us().tolist() == [rattling(group) for group in groups]


def rattling(group: list[tuple[int, int]]) -> int:
    """The longest time between two edges of a pass with no level in between kept for REST_US."""
    edges = [time for stretch in group for time in stretch]
    longest = 0
    for i, begin in enumerate(edges):
        for later in range(i + 1, len(edges)):
            if edges[later] - edges[later - 1] >= REST_US:
                break
            longest = max(longest, edges[later] - begin)
    return longest
