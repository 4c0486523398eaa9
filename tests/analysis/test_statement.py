"""What is said of a run: true words, the right kind of bound, and the traps flagged."""

from __future__ import annotations

import json
import math
import re
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from reedproof.analysis.account import Account, Block, ContactCount, Status
from reedproof.analysis.confidence import (
    for_each_of,
    rate_upper,
    rate_upper_anytime,
    share_upper,
    share_upper_anytime,
)
from reedproof.analysis.plans import FixedClaim, HoursPlan, PassesPlan, Plan, SequentialClaim, Verdict
from reedproof.analysis.statement import (
    Bounds,
    Counts,
    EarlierRun,
    Flag,
    Method,
    Statement,
    fewer_than,
    statement,
)
from strategies import examples

MILL = "mill, stopping"


def counted(passes: int, missed: int = 0, extra: int = 0, contact: str = MILL) -> ContactCount:
    return ContactCount(
        contact=contact,
        passes=passes,
        good=passes - missed,
        missed=missed,
        extra=extra,
        doubled=0,
        unobserved=0,
        status=Status.COUNTED,
        reason="",
        passes_range=(passes, passes),
        missed_range=(missed, missed),
        extra_range=(extra, extra),
        blocks=(Block(0.0, passes, missed, extra),),
    )


def cannot_tell(passes: tuple[int, int], missed: tuple[int, int], extra: tuple[int, int]) -> ContactCount:
    return replace(
        counted(passes[1], missed[0], extra[0]),
        status=Status.CANNOT_TELL,
        reason="its only neighbour is dead",
        passes_range=passes,
        missed_range=missed,
        extra_range=extra,
    )


def account(*contacts: ContactCount) -> Account:
    return Account(contacts, {}, 0, 0.0, 3600.0, (), 0)


def of(
    *contacts: ContactCount, plan: Plan | None = None, stopped_as_planned: bool = True, earlier=()
) -> Statement:
    if plan is None:
        plan = PassesPlan(min(contact.passes for contact in contacts))
    return statement(account(*contacts), plan, stopped_as_planned=stopped_as_planned, earlier=earlier)


# ---- words ----


def test_the_sentence_of_a_thousand_passes_without_a_miss() -> None:
    told = of(counted(1000))
    assert told.contacts[0].sentence == (
        'With 95 % confidence, fewer than 1 in 334 passes is missed at "mill, stopping".'
    )
    assert told.sentence == told.contacts[0].sentence  # of a single contact
    assert told.contacts[0].notes == (
        "extra closures: 0, with the same confidence fewer than 1 in 333 passes",
    )


@examples(300)
@given(st.floats(1e-9, 0.9999))
def test_words_never_claim_more_than_the_bound(share: float) -> None:
    words = fewer_than(share)
    if one_in := re.fullmatch(r"fewer than 1 in (\d+) passes", words):
        assert share <= 1 / int(one_in[1]) * (1 + 1e-12)
        assert share >= 1 / (int(one_in[1]) + 1) * (1 - 1e-12)
        assert int(one_in[1]) >= 2
    else:
        percent = re.fullmatch(r"fewer than ([\d.]+) % of passes", words)
        assert percent is not None
        assert share <= float(percent[1]) / 100 + 1e-12
        assert share > float(percent[1]) / 100 - 0.0011


def test_of_few_passes_a_percentage() -> None:
    told = of(counted(3))
    assert told.contacts[0].sentence == (
        'With 95 % confidence, fewer than 63.2 % of passes is missed at "mill, stopping".'
    )
    assert "fewer than 1 per pass" in told.contacts[0].notes[0]


def test_without_passes_nothing_is_proved() -> None:
    told = of(counted(0, extra=3), counted(500, contact="quarry"), plan=PassesPlan(0))
    first = told.contacts[0]
    assert first.sentence == 'Nothing was proved at "mill, stopping": it saw no pass.'
    assert Flag.NOTHING_PROVED in first.flags
    assert (first.alone, first.miss_rate) == (Bounds(1.0, math.inf), None)
    assert told.sentence == 'Nothing was proved of the layout as a whole: nothing at "mill, stopping".'
    assert told.bounds == Bounds(1.0, math.inf)
    assert told.as_dict()["contacts"][MILL]["extra_upper"] is None
    assert (
        of(counted(7, 7))
        .contacts[0]
        .sentence.startswith('Nothing was proved at "mill, stopping": all of its')
    )


def test_a_run_without_contacts_says_nothing() -> None:
    told = statement(account(), PassesPlan(1), stopped_as_planned=False)
    assert told.sentence == "Nothing was proved of the layout as a whole."
    assert told.bounds == Bounds(1.0, math.inf)


# ---- which bound ----


@pytest.mark.parametrize(
    ("plan", "stopped_as_planned", "method"),
    [
        (PassesPlan(500), True, Method.FIXED),
        (PassesPlan(500), False, Method.ANYTIME),
        (PassesPlan(501), True, Method.ANYTIME),  # cut off before its end
        (FixedClaim(0.99, 0.95, 1, misses=2), True, Method.ANYTIME),
        (FixedClaim(0.98, 0.95, 1, misses=2), True, Method.FIXED),
        (FixedClaim(0.98, 0.95, 1), True, Method.FIXED),  # failed
        (SequentialClaim(0.98, 0.95, 1), True, Method.ANYTIME),
        (HoursPlan(0), True, Method.ANYTIME),
    ],
)
def test_exact_bounds_only_where_a_number_of_passes_was_kept_to(plan, stopped_as_planned, method) -> None:
    told = of(counted(500, 2, 7), plan=plan, stopped_as_planned=stopped_as_planned).contacts[0]
    assert told.method is method
    if method is Method.FIXED:
        assert told.alone == Bounds(share_upper(500, 2), rate_upper(500, 7))
    else:
        assert told.alone == Bounds(share_upper_anytime(500, 2), rate_upper_anytime(500, 7))
    assert (Flag.PEEKED in told.flags) == (not stopped_as_planned)


def test_the_claim_sets_the_confidence_and_what_became_of_it_is_told() -> None:
    plan = FixedClaim(0.99, 0.9, 2)
    met = of(counted(plan.passes), counted(plan.passes, contact="quarry"), plan=plan)
    assert (met.confidence, met.verdict) == (0.9, Verdict.MET)
    assert met.claim == (
        "The claim is met: less than 1 % of passes missed at each of 2 contacts, with 90 % confidence for "
        "all of them at once."
    )
    assert met.bounds.miss_upper <= 0.01
    assert met.contacts[0].sentence.startswith("With 90 % confidence, fewer than")
    short = of(counted(plan.passes), counted(5, contact="quarry"), plan=plan, stopped_as_planned=False)
    assert short.claim.startswith("The claim is not proved yet")
    assert of(counted(5, 1), counted(9, contact="quarry"), plan=plan).claim.startswith("The claim has failed")
    assert of(counted(5)).claim == ""


def test_of_all_contacts_at_once() -> None:
    told = of(counted(1000), counted(1000, 3, 2, "quarry"), counted(2000, 1, 0, "wharf"))
    each = for_each_of(3)
    assert [contact.at_once.miss_upper for contact in told.contacts] == [
        share_upper(1000, 0, each),
        share_upper(1000, 3, each),
        share_upper(2000, 1, each),
    ]
    assert told.worst == "quarry"
    assert told.bounds == told.contacts[1].at_once
    assert told.counts == Counts(4000, 4, 2)
    assert told.sentence == (
        "With 95 % confidence for all 3 contacts at once, fewer than 1 in 107 passes is missed at each of "
        "them."
    )
    assert any("Bonferroni" in line for line in told.assumptions)


# ---- traps ----


def test_where_it_cannot_be_told_the_worst_is_taken() -> None:
    told = of(cannot_tell((480, 520), (0, 9), (1, 4)), plan=PassesPlan(480)).contacts[0]
    assert told.counts == Counts(480, 9, 4)
    assert told.alone == Bounds(share_upper(480, 9), rate_upper(480, 4))
    assert Flag.CANNOT_TELL in told.flags
    assert (
        "cannot tell: its only neighbour is dead; taken as the worst that the data allows, 9 of 480 passes "
        "missed and 4 extra closures" in told.notes
    )
    assert Counts.of(cannot_tell((3, 30), (0, 10), (0, 0))) == Counts(10, 10, 0)


@pytest.mark.parametrize(
    ("passes", "missed", "verdict"),
    [
        ((400, 420), (0, 1), Verdict.CONTINUE),  # may be met or failed
        ((400, 420), (0, 0), Verdict.MET),
        ((290, 420), (0, 0), Verdict.CONTINUE),  # 299 are needed
        ((400, 420), (1, 2), Verdict.FAILED),
    ],
)
def test_a_claim_is_met_by_the_worst_and_failed_by_the_best(
    passes: tuple[int, int], missed: tuple[int, int], verdict: Verdict
) -> None:
    told = of(cannot_tell(passes, missed, (0, 0)), plan=FixedClaim(0.99, 0.95, 1))
    assert told.verdict is told.contacts[0].verdict is verdict


def test_beginning_again_is_told_and_all_runs_are_taken_together() -> None:
    earlier = [
        EarlierRun(4, "abandoned", {MILL: Counts(400, 1, 2)}),
        EarlierRun.of(5, "failed", account(counted(301, 1, 0))),
    ]
    told = of(counted(299), plan=FixedClaim(0.99, 0.95, 1), earlier=earlier)
    contact = told.contacts[0]
    assert contact.all_runs == Bounds(share_upper_anytime(1000, 2), rate_upper_anytime(1000, 2))
    assert contact.all_runs.miss_upper > contact.alone.miss_upper or contact.all_runs.miss_upper > 2 / 1000
    assert {Flag.REPEATED, Flag.ABANDONED} <= set(told.flags)
    assert "2 earlier runs on this layout: 4 (abandoned), 5 (failed)" in told.cautions[0]
    assert (
        "a contact just as bad as the claim excludes has 299 good passes in a row somewhere among 1000 with "
        "a probability of 36.7 %" in told.cautions
    )
    assert any(
        note.startswith("all runs on this layout together: 2 of 1000 passes") for note in contact.notes
    )


def test_earlier_runs_of_other_contacts_do_not_count() -> None:
    told = of(counted(299), earlier=[EarlierRun(1, "met", {"quarry": Counts(50, 1, 0)})])
    assert told.contacts[0].all_runs is None
    assert told.flags == ()
    assert "1 earlier run on this layout: 1 (met)" in told.cautions[0]


def test_clean_and_planned_runs_carry_no_flag() -> None:
    told = of(counted(1000, 1), counted(1000, contact="quarry"))
    assert told.flags == ()
    assert told.cautions == ()
    assert any(
        "stopped before its plan" in line for line in of(counted(9), stopped_as_planned=False).cautions
    )


def test_clusters_are_told() -> None:
    blocks = tuple(Block(3600.0 * hour, 100, 12 if hour == 3 else 0, 0) for hour in range(10))
    told = of(replace(counted(1000, 12), blocks=blocks)).contacts[0]
    assert Flag.CLUSTERED in told.flags
    assert told.clusters.share_upper() > 2 * told.alone.miss_upper
    assert any(
        note.startswith("misses come in clusters, by chance alone in 0.1 % of runs") for note in told.notes
    )
    even = tuple(Block(3600.0 * hour, 100, 1 if hour < 9 else 3, 0) for hour in range(10))
    assert of(replace(counted(1000, 12), blocks=even)).flags == ()


def test_gaps_are_told() -> None:
    told = of(replace(counted(1000), unobserved=17)).contacts[0]
    assert any(note.startswith("17 passes fell into gaps") for note in told.notes)


def test_the_json_of_a_statement() -> None:
    earlier = [EarlierRun(1, "stopped", {MILL: Counts(10, 0, 0)})]
    told = of(counted(1000, 2, 1), cannot_tell((9, 9), (0, 9), (0, 0)), earlier=earlier).as_dict()
    assert json.loads(json.dumps(told, allow_nan=False)) == told
    contact = of(counted(1000, 2, 1)).as_dict()["contacts"][MILL]
    assert contact["miss_upper"] == share_upper(1000, 2)
    assert contact["extra_upper"] == rate_upper(1000, 1)
    assert contact["confidence"] == 0.95
    assert (contact["miss_rate"], contact["extra_rate"], contact["method"]) == (
        0.002,
        0.001,
        "fixed in advance",
    )


# ---- whole runs ----


@pytest.mark.parametrize(("seed", "share"), [(1, 0.01), (2, 0.04)])
def test_statements_of_runs_stopped_at_will_cover_the_truth(seed: int, share: float) -> None:
    """1000 runs, each ended by someone who waits for the moment that looks best: the longest stretch without
    a miss so far, at the lowest share of misses."""
    chance = np.random.default_rng(seed)
    covered = np.zeros(2)
    for _ in range(1000):
        missed = np.cumsum(chance.random(600) < share)
        extra = np.cumsum(chance.poisson(share, 600))
        seen = np.arange(1, 601)
        for which, counts in enumerate((missed, extra)):
            best = int(np.argmin((counts + 3.8) / seen))  # near the lowest bound of all
            run = counted(best + 1, int(missed[best]), int(extra[best]))
            bounds = of(run, plan=PassesPlan(600), stopped_as_planned=False).contacts[0].alone
            covered[which] += (bounds.miss_upper, bounds.extra_upper)[which] >= share
    assert np.all(covered >= 950), f"seed {seed}: {covered}"


@pytest.mark.parametrize(("seed", "misses"), [(3, 0), (4, 3)])
def test_statements_of_claims_that_fail_early_cover_too(seed: int, misses: int) -> None:
    """A claim ends at its passes or at one miss too many; Clopper-Pearson's bound holds for both together."""
    plan = FixedClaim(0.98, 0.95, 1, misses=misses)
    chance = np.random.default_rng(seed)
    for share in (0.004, 0.02, 0.06):
        covered = 0
        for _ in range(500):
            missed = np.cumsum(chance.random(plan.passes) < share)
            ended = min(int(np.searchsorted(missed, misses + 1)) + 1, plan.passes)
            told = of(counted(ended, int(missed[ended - 1])), plan=plan)
            assert told.contacts[0].method is Method.FIXED
            covered += told.contacts[0].alone.miss_upper >= share
        assert covered >= 475, f"seed {seed}, {share}: {covered} of 500"
