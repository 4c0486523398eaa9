"""The table [plan.magnet]: keys that are alternatives, what a contact has of its own, what is asked for."""

from __future__ import annotations

import sys
from typing import Any

import pytest
import typer
from pydantic import ValidationError

from reedproof.cli.plan_inputs import gather
from reedproof.errors import ReedproofError
from reedproof.plan_tables import MAGNET_ANSWER, ContactPlan, MagnetPlan, at_contact

USUAL: dict[str, Any] = {
    "diameter_mm": 4.9, "length_mm": 10.0, "remanence_t": 1.30, "orientation": "across",
    "distance_mm": 10.0, "operate_mt": 2.0, "release_mt": 1.0,
}  # fmt: skip


def without(*keys: str) -> dict[str, Any]:
    return {key: value for key, value in USUAL.items() if key not in keys}


@pytest.mark.parametrize(
    "values",
    [
        USUAL,
        {**without("diameter_mm"), "width_mm": 5.0, "height_mm": 3.0},
        {**without("remanence_t"), "grade": "N42"},
        {**without("distance_mm"), "gap_mm": 0.0},
        {**without("operate_mt", "release_mt"), "operate_at": 18.0, "release_at": 9.0},
        {**USUAL, "temperature_c": 80.0},
    ],
)
def test_one_of_each_alternative_is_enough(values: dict[str, Any]) -> None:
    assert MagnetPlan(**values).length_mm == 10


@pytest.mark.parametrize(
    ("values", "told"),
    [
        (without("diameter_mm"), "expected diameter_mm, or width_mm and height_mm; there is none of them"),
        (
            {**USUAL, "width_mm": 3.0, "height_mm": 3.0},
            "there is diameter_mm 4.9 and width_mm 3.0 and height_mm",
        ),
        ({**without("diameter_mm"), "width_mm": 3.0}, "width_mm and height_mm; there is width_mm 3.0"),
        ({**USUAL, "grade": "N42"}, "expected remanence_t, or grade; there is remanence_t 1.3 and grade N42"),
        (
            {**USUAL, "gap_mm": 5.0},
            "expected distance_mm, or gap_mm; there is distance_mm 10.0 and gap_mm 5.0",
        ),
        ({**without("release_mt"), "release_at": 9.0}, "there is operate_mt 2.0 and release_at 9.0"),
        ({**USUAL, "release_mt": 2.0}, "release_mt holds 2; expected more than 0 and less than operate_mt"),
        (
            {**without("operate_mt", "release_mt"), "operate_at": 9.0, "release_at": 18.0},
            "release_at holds 18; expected more than 0 and less than operate_at, which holds 9",
        ),
        (
            {**without("remanence_t"), "grade": "N43"},
            "expected one of N35, N38, N40, N42, N45, N48, N50, N52",
        ),
        (
            {**USUAL, "temperature_c": 80.1},
            "expected at most 80, above it these magnets lose strength for good",
        ),
    ],
)
def test_what_contradicts_itself_is_told(values: dict[str, Any], told: str) -> None:
    with pytest.raises(ValidationError) as problem:
        MagnetPlan(**values)
    assert told in str(problem.value)


def test_a_key_puts_its_alternatives_aside_and_no_more() -> None:
    assert MagnetPlan.set_aside(["gap_mm"]) == {"distance_mm"}
    assert MagnetPlan.set_aside(["width_mm"]) == {"diameter_mm"}
    assert MagnetPlan.set_aside(["diameter_mm"]) == {"width_mm", "height_mm"}
    assert MagnetPlan.set_aside(["operate_at"]) == {"operate_mt", "release_mt"}
    assert MagnetPlan.set_aside(["length_mm"]) == set()


def test_an_option_goes_over_its_alternative_in_the_sheet() -> None:
    inputs = gather(MagnetPlan, {"gap_mm": 4.0, "grade": "N42"}, USUAL, may_ask=False)
    assert (inputs.plan.gap_mm, inputs.plan.distance_mm) == (4.0, None)
    assert (inputs.plan.grade, inputs.plan.remanence_t) == ("N42", None)
    assert inputs.origins["gap_mm"] == "option"
    assert inputs.origins["diameter_mm"] == "sheet"
    block = {**without("diameter_mm"), "width_mm": 5.0, "height_mm": 3.0}
    assert gather(MagnetPlan, {"width_mm": 6.0}, block, may_ask=False).plan.height_mm == 3.0


def test_keys_are_told_as_options() -> None:
    with pytest.raises(
        ReedproofError, match=r"^--release-mt holds 3; expected .* less than --operate-mt, which"
    ):
        gather(MagnetPlan, {"release_mt": 3.0}, USUAL, may_ask=False)
    with pytest.raises(ReedproofError, match=r"^expected --distance-mm, or --gap-mm; there is none of them$"):
        gather(MagnetPlan, without("distance_mm"), None, may_ask=False)


def asked_for(monkeypatch: pytest.MonkeyPatch, given: dict[str, Any], answers: list[str]) -> list[str]:
    """The questions, in order; the answers are typed in that order."""
    questions: list[str] = []

    def prompt(text: str, **_: Any) -> str:
        questions.append(text)
        return answers[len(questions) - 1]

    monkeypatch.setattr(typer, "prompt", prompt)
    monkeypatch.setattr(sys.stdin, "isatty", lambda: True)
    gather(MagnetPlan, given, None, may_ask=True)
    return questions


def test_of_alternatives_the_first_is_asked_for(monkeypatch: pytest.MonkeyPatch) -> None:
    answers = ["4.9", "1cm", "1.3", "across", "10", "2", "1"]
    assert asked_for(monkeypatch, {}, answers) == [
        "Diameter of the magnet in mm",
        "Length of the magnet along its axis in mm",
        "Remanence of the magnet in T",
        "How the magnet lies to contact and travel (across, along, upright, crosswise)",
        "Distance of the magnet's middle to the contact's axis in mm",
        "Field at which the contact closes in mT",
        "Field at which it opens again in mT",
    ]


def test_or_the_one_that_was_begun(monkeypatch: pytest.MonkeyPatch) -> None:
    given = {**without("diameter_mm", "operate_mt", "release_mt"), "width_mm": 5.0, "operate_at": 18.0}
    assert asked_for(monkeypatch, given, ["3", "9"]) == [
        "Height of the magnet in mm",
        "Ampere turns at which it opens again in AT",
    ]


# ---- one contact ----

EVERYWHERE = MagnetPlan(**USUAL, closures_mm=[42.9], shortest_mm=40.8, longest_mm=43.5, notch_mm=0.0)


def test_a_contact_like_all_has_the_plan_of_all() -> None:
    assert at_contact(EVERYWHERE, None) is EVERYWHERE
    assert at_contact(EVERYWHERE, ContactPlan()) is EVERYWHERE


def test_a_contact_that_differs_has_other_closures_or_none_yet() -> None:
    higher = at_contact(EVERYWHERE, ContactPlan(distance_mm=12.0))
    assert (higher.distance_mm, higher.diameter_mm) == (12.0, 4.9)
    assert [getattr(higher, key) for key in MAGNET_ANSWER] == [None] * 4
    saved = at_contact(EVERYWHERE, ContactPlan(distance_mm=12.0, closures_mm=[40.7]))
    assert (saved.closures_mm, saved.longest_mm) == ([40.7], None)


def test_what_a_contact_has_goes_over_the_alternative_of_all() -> None:
    here = at_contact(EVERYWHERE, ContactPlan(gap_mm=4.0, operate_at=15.0, release_at=8.0))
    assert (here.distance_mm, here.gap_mm) == (None, 4.0)
    assert (here.operate_mt, here.release_mt, here.operate_at, here.release_at) == (None, None, 15.0, 8.0)
    assert MagnetPlan.model_validate(here.model_dump()) == here


def test_what_a_contact_may_have_is_what_the_plan_has_but_no_magnet() -> None:
    magnet = {"diameter_mm", "width_mm", "height_mm", "length_mm", "remanence_t", "grade", "temperature_c"}
    assert set(ContactPlan.model_fields) == set(MagnetPlan.model_fields) - magnet
