"""How many passes and hours a claim takes, against published figures and plain binomial sums."""

from __future__ import annotations

from math import comb
from typing import Any

import pytest

from reedproof.analysis.plan_run import headline, passes_per_hour, plan_run
from reedproof.errors import ReedproofError
from reedproof.layout import Sheet
from reedproof.plan_tables import RunPlan


def told(**asked: Any) -> dict[str, Any]:
    return dict(plan_run(RunPlan(**asked)).as_dict())


@pytest.mark.parametrize(
    ("claim", "passes"),
    [
        # The success run, n = ln(1 - C) / ln R: handbook figures of reliability demonstration.
        ("0.90@0.90", 22),
        ("0.95@0.95", 59),
        ("0.99@0.95", 299),
        ("0.99@0.99", 459),
        ("0.9999@0.95", 29956),
    ],
)
def test_the_success_run(claim: str, passes: int) -> None:
    assert told(claim=claim)["passes"]["0"] == passes


@pytest.mark.parametrize(
    ("claim", "passes"),
    [("0.99@0.95", [299, 473, 628, 773]), ("0.999@0.95", [2995, 4742, 6294, 7752])],
)
def test_passes_by_misses_allowed(claim: str, passes: list[int]) -> None:
    """Each is the least n of which a plain sum of binomial terms leaves 5 % or less."""
    assert list(told(claim=claim)["passes"].values()) == passes
    miss = 1 - float(claim.split("@")[0])
    for misses, n in enumerate(passes):
        for count, proves in ((n, True), (n - 1, False)):
            accepts = sum(comb(count, k) * miss**k * (1 - miss) ** (count - k) for k in range(misses + 1))
            assert (accepts <= 0.05) is proves


def test_chances_of_good_and_bad_contacts() -> None:
    """P(no miss in 299 passes) at 1 in 1000 is 0.999^299."""
    found = told(claim="0.99@0.95")
    assert found["chance_good"] == pytest.approx(0.999**299)
    assert found["chance_good"] == pytest.approx(0.741, abs=5e-4)
    assert found["chance_bad"] == pytest.approx(0.97**299)
    assert told(claim="0.99@0.95", good_miss_share=0.0)["chance_good"] == 1.0
    assert told(claim="0.99@0.95", bad_miss_share=1.0)["chance_bad"] == 0.0
    of_many = told(claim="0.99@0.95", contacts=8)
    assert of_many["chance_good"] == pytest.approx(0.999 ** (8 * of_many["passes"]["0"]))


def test_beginning_again_until_it_looks_good_is_warned_of() -> None:
    """299 clean passes in a row somewhere in 2990, at a true 1 in 100: 0.80 (chance of a success run,
    Feller's recursion; simulated here as well)."""
    (warned,) = (text for text in told(claim="0.99@0.95")["assumptions"] if "beginning again" in text)
    assert "within 2990 passes" in warned
    assert "a chance of 80 %" in warned


def test_more_contacts_take_more_passes() -> None:
    """Bonferroni: each of 24 contacts is proved at 1 - 0.05 / 24."""
    rows = {row["contacts"]: row for row in told(claim="0.99@0.95", contacts=10)["passes_by_contacts"]}
    assert list(rows) == [1, 8, 10, 16, 24, 48]
    assert rows[1]["allow_0"] == 299
    assert (1 - 0.01) ** rows[24]["allow_0"] <= 0.05 / 24 < (1 - 0.01) ** (rows[24]["allow_0"] - 1)


def test_hours_are_passes_over_passes_per_hour() -> None:
    found = told(claim="0.99@0.95", passes_per_hour=60.0)
    assert found["hours"]["0"] == pytest.approx(299 / 60)
    assert found["hours"]["sequential"] == pytest.approx(found["sequential"]["mean_passes_good"] / 60)
    assert "hours" not in told(claim="0.99@0.95")


def test_a_plan_that_good_contacts_often_fail_is_advised_against() -> None:
    (advice,) = told(claim="0.99@0.95")["advice"]
    assert "a good layout fails this plan in 26 % of runs" in advice
    assert "allow 1 missed of each contact and run 473 passes ('--allow 1')" in advice
    assert told(claim="0.99@0.95", allow=1)["advice"] == []
    assert told(claim="0.99@0.95", sequential=True)["advice"] == []
    (advice,) = told(claim="0.999@0.95", contacts=16, sequential=True)["advice"]
    assert "'--sequential'" not in advice, "it is what was asked for"


def test_a_plan_that_good_contacts_rather_fail_is_no_good() -> None:
    assert told(claim="0.99@0.95")["is_good"]
    found = told(claim="0.99@0.95", contacts=24, allow=1)
    assert found["chance_good"] == pytest.approx(found["checks"][0]["value"] / 100)
    assert found["chance_good"] < 0.5
    assert not found["is_good"]


@pytest.mark.parametrize("claim", ["0.5@0.5", "0.1@0.1", "0.6@0.9", "0.9@0.5"])
def test_a_modest_claim_is_answered(claim: str) -> None:
    """Where the lines of the sequential test meet after a pass or two, all runs are decided."""
    found = told(claim=claim)
    assert found["passes"]["0"] >= 1
    assert all(0 <= row["sequential_percent"] <= 100 for row in found["chances"])


def test_the_answer_in_a_line() -> None:
    assert headline(RunPlan(claim="0.99@0.95")) == "299 passes of each contact without a miss"
    assert headline(RunPlan(claim="0.99@0.95", allow=2)).startswith("628 passes of each contact with no more")
    assert headline(RunPlan(claim="0.99@0.95", sequential=True)).startswith(
        "332 passes of each contact at the"
    )


@pytest.mark.parametrize(
    ("share", "told_of"),
    [({"good_miss_share": 0.011}, "expected less"), ({"bad_miss_share": 0.009}, "at least")],
)
def test_good_and_bad_contacts_are_on_their_sides_of_the_claim(share: dict[str, float], told_of: str) -> None:
    with pytest.raises(ValueError, match=told_of):
        RunPlan(claim="0.99@0.95", **share)


def test_the_sequential_plan_stands_beside_the_fixed_one() -> None:
    """It is never more lenient: the chance to meet the claim at the share it excludes is 5 % at most."""
    found = told(claim="0.99@0.95")
    (at_limit,) = (row for row in found["chances"] if row["missed_1_in"] == pytest.approx(100))
    for plan in ("allow_0", "allow_1", "allow_2", "allow_3", "sequential"):
        assert 4 < at_limit[f"{plan}_percent"] <= 5
    chances = [row["sequential_percent"] for row in found["chances"]]
    assert chances == sorted(chances, reverse=True)


@pytest.mark.parametrize("claim", ["0.99", "0.99@", "1.0@0.95", "0.99@95", "@", "0.0@0.5"])
def test_a_claim_that_is_none_is_no_plan(claim: str) -> None:
    with pytest.raises((ValueError, ReedproofError)):
        plan_run(RunPlan(claim=claim))


def sheet(**route: Any) -> Sheet:
    contacts = [{"name": name, "board": "mill", "input": at} for at, name in enumerate("abcd", start=1)]
    return Sheet.model_validate(
        {
            "layout": {"name": "test"},
            "boards": {"mill": {"kind": "virtual"}},
            "contacts": contacts,
            "routes": [{"name": "line", "contacts": list("abcd"), **route}],
        }
    )


def test_passes_per_hour_of_a_loop() -> None:
    """A lap of 40 s: 90 passes of each contact in an hour."""
    assert passes_per_hour(sheet(kind="loop", times_s=[10.0, 10.0, 15.0, 5.0])) == pytest.approx(90)


def test_passes_per_hour_of_a_shuttle() -> None:
    """There and back 60 s; where it turns it passes once, in between twice: the least is 60 per hour."""
    assert passes_per_hour(sheet(kind="shuttle", times_s=[10.0, 10.0, 10.0])) == pytest.approx(60)


def test_passes_per_hour_are_not_known_without_times() -> None:
    assert passes_per_hour(sheet(kind="loop", speed_mm_s=100.0)) is None
