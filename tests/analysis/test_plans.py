"""Plans: when a run ends and what that is worth, against Wald's test by simulation and published figures."""

from __future__ import annotations

import json

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from reedproof.analysis.plans import (
    Claim,
    FixedClaim,
    HoursPlan,
    Left,
    PassesPlan,
    Plan,
    SequentialClaim,
    Verdict,
    parse_claim,
    plan_from_dict,
)
from reedproof.analysis.sequential import RatioTest
from reedproof.errors import ReedproofError
from strategies import examples

PLANS: list[Plan] = [
    PassesPlan(1000),
    HoursPlan(8.5),
    FixedClaim(0.999, 0.95, 24),
    FixedClaim(0.99, 0.9, 1, misses=2),
    SequentialClaim(0.999, 0.95, 24),
]


# ---- Wald's test ----

#: Inputs of NIST/SEMATECH e-Handbook 6.2.6 (from memory), after Wald, Sequential Analysis (1947).
NIST = RatioTest(good=0.01, bad=0.10, refuses_good=0.05, accepts_bad=0.10)


def test_the_lines_of_the_nist_example() -> None:
    assert (NIST.h1, NIST.h2, NIST.slope) == pytest.approx((0.9389, 1.2054, 0.03975), abs=5e-5)
    assert NIST.accepts_from(0) == 24
    assert NIST.refuses_until(2) >= 2
    assert NIST.refuses_until(1) < 1


def step_by_step(test: RatioTest, share: float, passes: int) -> tuple[float, float]:
    """Chance to accept and average length, pass by pass, straight from the likelihood ratio."""
    accept = np.log(test.accepts_bad / (1 - test.refuses_good))
    refuse = np.log((1 - test.accepts_bad) / test.refuses_good)
    waiting, accepted, mean = {0: 1.0}, 0.0, 0.0
    for n in range(1, passes + 1):
        mean += sum(waiting.values())
        after: dict[int, float] = {}
        for missed, chance in waiting.items():
            after[missed] = after.get(missed, 0) + chance * (1 - share)
            after[missed + 1] = after.get(missed + 1, 0) + chance * share
        waiting = {}
        for missed, chance in after.items():
            ratio = missed * np.log(test.bad / test.good)
            ratio += (n - missed) * np.log((1 - test.bad) / (1 - test.good))
            if ratio <= accept:
                accepted += chance
            elif ratio < refuse:
                waiting[missed] = chance
    assert sum(waiting.values()) < 1e-9
    return accepted, mean


@pytest.mark.parametrize("share", [0.003, 0.01, 0.03, 0.1, 0.5])
def test_real_error_rates_equal_a_second_computation(share: float) -> None:
    odds = NIST.odds(share)
    assert (odds.accepts, odds.passes_mean) == pytest.approx(step_by_step(NIST, share, 2000), abs=1e-7)


def test_real_error_rates_of_the_nist_example() -> None:
    """No published values: exact ones, as two computations give them."""
    good, bad = NIST.odds(0.01), NIST.odds(0.10)
    assert (1 - good.accepts, bad.accepts) == pytest.approx((0.0220, 0.0996), abs=5e-5)
    assert (good.passes_mean, bad.passes_mean) == pytest.approx((30.2, 22.4), abs=0.05)


def test_one_in_a_thousand_against_one_in_a_hundred() -> None:
    test = RatioTest(0.001, 0.01, 0.05, 0.05)
    assert (test.h1, test.slope) == pytest.approx((1.2737, 0.003915), abs=5e-5)
    assert test.accepts_from(0) == 326
    assert round(test.odds(0.001).passes_mean) == 415
    assert round(test.odds(0.01).passes_mean) == 247
    assert test.odds(0.01).accepts > 0.05  # Wald's lines do not keep to what they are drawn for


def test_simulated_runs_end_as_often_as_computed() -> None:
    """2000 runs of a claim, judged by its verdict after every pass."""
    claim = SequentialClaim(0.9, 0.9, 1)
    chance, share = np.random.default_rng(1), 0.04
    accepted, lengths = 0, []
    for _ in range(2000):
        passes = missed = 0
        while (verdict := claim.verdict(passes, missed)) is Verdict.CONTINUE:
            passes += 1
            missed += chance.random() < share
        accepted += verdict is Verdict.MET
        lengths.append(passes)
    assert accepted / 2000 == pytest.approx(claim.chance_to_meet(share), abs=0.03)
    assert np.mean(lengths) == pytest.approx(claim.passes_mean(share), rel=0.05)


@pytest.mark.parametrize("reliability", [0.9, 0.99, 0.999, 0.99999])
@pytest.mark.parametrize("confidence", [0.8, 0.95, 0.999])
@pytest.mark.parametrize("contacts", [1, 24])
def test_no_claim_errs_more_often_than_it_says(reliability: float, confidence: float, contacts: int) -> None:
    """A contact just as bad as is to be excluded passes with the allowed chance at most."""
    for claim in (
        FixedClaim(reliability, confidence, contacts),
        SequentialClaim(reliability, confidence, contacts),
    ):
        assert claim.chance_to_meet(1 - reliability) ** (1 / contacts) <= (1 - confidence) / contacts + 1e-12


# ---- plans ----


@pytest.mark.parametrize("plan", PLANS, ids=lambda plan: plan.kind)
def test_plans_are_kept_as_plain_values(plan: Plan) -> None:
    assert plan_from_dict(json.loads(json.dumps(plan.as_dict()))) == plan


@pytest.mark.parametrize("plan", PLANS, ids=lambda plan: plan.kind)
def test_plans_describe_themselves_in_one_sentence(plan: Plan) -> None:
    text = plan.describe()
    assert text[0].isupper() or text[0].isdigit()
    assert text.endswith(".")
    assert ". " not in text
    assert "\n" not in text


def test_what_plans_say() -> None:
    assert FixedClaim(0.99, 0.95, 1).describe() == (
        "Less than 1 % of passes missed, with 95 % confidence: 299 passes of each contact without a miss."
    )
    assert SequentialClaim(0.999, 0.95, 24).describe() == (
        "Less than 0.1 % of passes missed at each of 24 contacts, with 95 % confidence for all of them at "
        "once, tested after every pass: at the earliest after 6856 passes of each contact, later with misses."
    )


def test_an_unknown_plan_is_refused() -> None:
    with pytest.raises(
        ReedproofError, match="'weeks', not passes, hours, claim, sequential; use the version"
    ):
        plan_from_dict({"kind": "weeks"})


@examples(200)
@given(st.sampled_from(PLANS), st.integers(0, 20_000), st.integers(0, 5), st.floats(0, 20))
def test_what_is_left_is_what_it_takes(plan: Plan, passes: int, missed: int, hours: float) -> None:
    passes += missed
    verdict, left = plan.verdict(passes, missed, hours), plan.left(passes, missed, hours)
    if verdict is not Verdict.CONTINUE:
        assert left == Left()
        return
    assert left.passes > 0 or left.hours > 0
    assert plan.verdict(passes + left.passes, missed, hours + left.hours + 1e-9) is Verdict.MET
    if left.passes:
        assert plan.verdict(passes + left.passes - 1, missed, hours) is Verdict.CONTINUE


def test_verdicts_at_their_limits() -> None:
    assert PassesPlan(10).verdict(9, 9) is Verdict.CONTINUE
    assert PassesPlan(10).verdict(10, 10) is Verdict.MET
    assert HoursPlan(2).verdict(10**6, 0, 1.999) is Verdict.CONTINUE
    assert HoursPlan(2).verdict(0, 0, 2) is Verdict.MET
    one = FixedClaim(0.99, 0.95, 1, misses=1)
    assert [one.verdict(472, 1), one.verdict(473, 1), one.verdict(2, 2)] == list(Verdict)
    assert [one.passes_for(misses) for misses in range(4)] == [299, 473, 628, 773]
    wald = SequentialClaim(0.9, 0.95, 1)
    assert wald.verdict(0, 0) is Verdict.CONTINUE
    assert wald.verdict(2, 2) is Verdict.FAILED


def test_the_layout_meets_what_each_contact_meets() -> None:
    met, failed, goes_on = Verdict.MET, Verdict.FAILED, Verdict.CONTINUE
    assert FixedClaim(0.99, 0.95, 3).passes == 408  # ln(0.05 / 3) / ln 0.99
    assert Verdict.of_all([met, met, met]) is met
    assert Verdict.of_all([met, goes_on, met]) is goes_on
    assert Verdict.of_all([met, goes_on, failed]) is failed


def test_the_chance_to_get_through_is_told_before() -> None:
    """299 passes without a miss, at a true 0.1 %: 0.999^299 = 0.741; three such contacts 0.999^(3 x 408)."""
    assert FixedClaim(0.99, 0.95, 1).chance_to_meet(0.001) == pytest.approx(0.741, abs=5e-4)
    assert FixedClaim(0.99, 0.95, 3).chance_to_meet(0.001) == pytest.approx(0.999 ** (3 * 408))
    sequential = SequentialClaim(0.99, 0.95, 3)
    assert sequential.chance_to_meet(0.001) >= 0.9**3


@pytest.mark.parametrize("kind", [FixedClaim, SequentialClaim])
@pytest.mark.parametrize("values", [(1.0, 0.95, 1), (0.99, 0.0, 1), (0.99, 0.95, 0)])
def test_impossible_claims_are_refused(kind: type[Claim], values: tuple[float, float, int]) -> None:
    with pytest.raises(ValueError, match="no claim"):
        kind(*values)


# ---- the text of a claim ----


def test_a_claim_is_read() -> None:
    assert parse_claim("0.999@0.95") == (0.999, 0.95)
    assert parse_claim(" .9 @ .5 ") == (0.9, 0.5)


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("0.999", "claim '0.999' is not two numbers with an @ between them; write RELIABILITY@CONFIDENCE"),
        ("0.9@0.9@0.9", "is not two numbers with an @"),
        ("99.9@0.95", "claim '99.9@0.95': the reliability 99.9 is not between 0 and 1; write"),
        ("0.999@95", "the confidence 95 is not between 0 and 1"),
        ("0.999@95%", "claim '0.999@95%': '95%' is no number; write"),
        ("@0.95", "'' is no number"),
        ("1@0.95", "the reliability 1 is not between"),
        ("nan@0.95", "the reliability nan is not between"),
    ],
)
def test_what_is_no_claim_is_told_in_one_line(text: str, told: str) -> None:
    with pytest.raises(ReedproofError) as failure:
        parse_claim(text)
    assert told in str(failure.value)
    assert str(failure.value).endswith("for example 0.999@0.95")
    assert "\n" not in str(failure.value)
