"""Simulated contacts against the published figures, and against themselves."""

from __future__ import annotations

import itertools
import random
import statistics
from pathlib import Path

import pytest

from reedproof.analysis.bounce import find_passes, measure
from reedproof.sim.contacts import Contact, ContactFault, Edge
from reedproof.trace_reader import read_trace

PASSES = 400


def contact(seed: object = 1, **options: object) -> Contact:
    return Contact(random.Random(f"{seed}"), **options)  # type: ignore[arg-type]


def trains(edges: list[Edge]) -> tuple[list[Edge], list[Edge]]:
    """The edges of the making and those of the breaking, told apart by the longest closed stretch."""
    widths = [later[0] - edge[0] for edge, later in itertools.pairwise(edges)]
    at = max(range(len(widths)), key=widths.__getitem__)
    return edges[: at + 1], edges[at + 1 :]


@pytest.mark.parametrize("fault", [None, *ContactFault])
@pytest.mark.parametrize("seed", [1, 2, 3])
def test_edges_alternate_and_times_increase(seed: int, fault: ContactFault | None) -> None:
    print(f"seed {seed}")
    tried = contact(seed, fault=fault)
    for at_us in range(0, 100_000_000, 1_000_000):
        edges = tried.pass_magnet(at_us)
        assert [closed for _, closed in edges] == [index % 2 == 0 for index in range(len(edges))]
        assert all(a < b for (a, _), (b, _) in itertools.pairwise(edges))
        assert not edges or edges[0] == (at_us, True)


def test_a_seed_gives_the_same_edges_again_and_another_seed_others() -> None:
    def edges(seed: int) -> list[list[Edge]]:
        tried = contact(seed)
        return [tried.pass_magnet(at_us) for at_us in range(0, 2_000_000, 100_000)]

    assert edges(1) == edges(1)
    assert edges(1) != edges(2)


#: Published figures of bounce, in microseconds, each with its source and how that was read.
TYPICAL_REED_US = 100  # 0.10 ms typ., data sheet of the reed switch RI-02; its text was read
LONGEST_REED_US = 1000  # "0.5 to 1 ms", glossary of a third maker (RRE); its text was read
#: Noise up to about 2 ms after closing, in which contacts do not open: relay tutorial of Standex-Meder
#: (2014), slide 11; its text was read.
NOISE_REED_US = 2000
#: Mean and longest of good push buttons and toggles: J. Ganssle, "A Guide to Debouncing" (2004, rev. 2008);
#: second-hand, from a student's answers to it.
MEAN_BUTTON_US, LONGEST_BUTTON_US = 1557, 6200


def making_bounces_us() -> list[int]:
    tried = contact()
    made = [trains(tried.pass_magnet(at_us))[0] for at_us in range(0, PASSES * 100_000, 100_000)]
    return [train[-1][0] - train[0][0] for train in made]


def test_bounce_is_that_of_a_reed_contact() -> None:
    """The typical making is near the data sheet's figure, and none exceeds the glossary's."""
    bounces_us = [length_us for length_us in making_bounces_us() if length_us]
    assert 0.5 * TYPICAL_REED_US < statistics.median(bounces_us) < 1.5 * TYPICAL_REED_US
    assert max(bounces_us) < LONGEST_REED_US < NOISE_REED_US
    assert 0.6 < len(bounces_us) / PASSES < 1  # not every making bounces


def test_a_reed_bounces_less_than_a_push_button() -> None:
    """Push buttons and toggles are no reeds: their figures are what the model has to stay well below."""
    bounces_us = making_bounces_us()
    assert statistics.mean(bounces_us) < MEAN_BUTTON_US / 5
    assert max(bounces_us) < LONGEST_BUTTON_US / 5


def test_a_reed_bounces_less_than_the_recorded_rocker_switch() -> None:
    """The real contact among the golden files bounces for longer, typically and at worst."""
    trace = read_trace(Path(__file__).parents[1] / "golden" / "rocker-bounce.csv")
    assert trace.pause_us is not None
    rocker = measure(find_passes([trace.times_us], [trace.pause_us]), 1000)
    bounces_us = making_bounces_us()
    assert statistics.median(bounces_us) < rocker.making.median_us
    assert max(bounces_us) < rocker.making.longest_us


def test_release_is_clean_within_a_fraction_of_a_millisecond() -> None:
    """Release 0.07 ms at most (same data sheet) says nothing of bounce; there is less than in making."""
    tried = contact()
    broke = [trains(tried.pass_magnet(at_us))[1] for at_us in range(0, PASSES * 100_000, 100_000)]
    assert all(train[-1][1] is False for train in broke)
    bounces_us = [train[-1][0] - train[0][0] for train in broke]
    assert max(bounces_us) < 500
    assert statistics.median(bounces_us) < 70


def test_closures_last_as_long_as_they_are_said_to() -> None:
    for closure_ms in (5.0, 60.0, 500.0):
        tried = contact(closure_ms=closure_ms)
        lengths_ms = []
        for at_us in range(0, 100 * 1_000_000, 1_000_000):
            made, broke = trains(tried.pass_magnet(at_us))
            lengths_ms.append((broke[0][0] - made[0][0]) / 1000)
        assert statistics.mean(lengths_ms) == pytest.approx(closure_ms, rel=0.03)
        assert 0.89 * closure_ms < min(lengths_ms) < max(lengths_ms) < 1.11 * closure_ms


def test_an_open_lead_gives_no_edge() -> None:
    assert contact(fault=ContactFault.OPEN_LEAD).pass_magnet(0) == []


def test_a_stuck_contact_stays_closed() -> None:
    tried = contact(fault=ContactFault.STUCK)
    assert all(tried.pass_magnet(at_us)[-1][1] for at_us in range(0, 50_000, 1000))


def test_a_rubbing_lead_makes_and_breaks_hundreds_of_times_a_second() -> None:
    tried = contact(fault=ContactFault.RUBBING_LEAD)
    edges = tried.pass_magnet(0)
    assert edges[-1][1] is False
    assert len(edges) / (edges[-1][0] / 1e6) > 400
    opens_us = [b[0] - a[0] for a, b in itertools.pairwise(edges) if not a[1]]
    assert max(opens_us) < 1000
