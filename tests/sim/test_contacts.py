"""Simulated contacts against the published figures, and against themselves."""

from __future__ import annotations

import itertools
import random
import statistics

import pytest

from reedproof.sim.contacts import Contact, ContactFault, Edge

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


def test_bounce_is_that_of_a_reed_contact() -> None:
    """Published: bounce 0.1 ms typically (data sheet of the reed switch RI-02), "0.5 to 1 ms" for others (the
    glossary of a third maker, RRE). So the typical making is near the former, and none exceeds the latter."""
    tried = contact()
    made = [trains(tried.pass_magnet(at_us))[0] for at_us in range(0, PASSES * 100_000, 100_000)]
    bounces_us = [train[-1][0] - train[0][0] for train in made if len(train) > 1]
    assert 50 < statistics.median(bounces_us) < 150
    assert max(bounces_us) < 1000
    assert 0.6 < len(bounces_us) / PASSES < 1  # not every making bounces


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
