"""Answers of the planner: margins, JSON, and how they are read."""

from __future__ import annotations

import io

import pytest
from rich.console import Console

from reedproof.analysis.answer import Answer, Check, Grid, Result
from reedproof.cli.plan_inputs import Inputs
from reedproof.cli.plan_words import cell, show
from reedproof.plan_tables import RunPlan


def check(value: float, limit: float, *, is_upper: bool = False) -> Check:
    return Check("room_mm", "room in front of the signal", value, limit, "move the signal", is_upper)


@pytest.mark.parametrize(
    ("one", "is_kept", "margin"),
    [
        (check(30, 10), True, 3),
        (check(10, 10), True, 1),
        (check(5, 10), False, 0.5),
        (check(5, 10, is_upper=True), True, 2),
        (check(20, 10, is_upper=True), False, 0.5),
        (check(-5, 10), False, None),
        (check(5, 0), True, None),
        (check(0, 10, is_upper=True), True, None),
        (check(0, 10), False, 0),
    ],
)
def test_a_check_and_its_margin(one: Check, is_kept: bool, margin: float | None) -> None:
    assert one.is_kept is is_kept
    assert one.margin == margin


ANSWER = Answer(
    [
        Result("peak_mt", "field at the contact", 14.4703, "K / z^3", "a handbook"),
        Result("closures", "closures of a pass", 2),
        Result("notch_mm", "open in between", None, text="nothing"),
    ],
    checks=[check(30, 10), check(5, 10)],
    grids=[
        Grid(
            "by_gap", "by gap", ("gap_mm", "is_good", "lengths_mm"),
            [(1.0, True, [1.5, 0.0001]), (2, False, [])],
        )
    ],
    advice=["turn the magnet"],
    assumptions=["no steel is near"],
    cautions=["count the magnets"],
)  # fmt: skip


def test_an_answer_for_programs() -> None:
    told = ANSWER.as_dict()
    assert (told["peak_mt"], told["closures"], told["notch_mm"]) == (14.4703, 2, None)
    assert told["by_gap"][0] == {"gap_mm": 1.0, "is_good": True, "lengths_mm": [1.5, 0.0001]}
    assert told["is_good"] is False
    assert [each["is_kept"] for each in told["checks"]] == [True, False]
    assert told["checks"][0]["at_least"] == 10
    assert told["how"] == {"peak_mt": {"formula": "K / z^3", "source": "a handbook"}}
    assert (told["advice"], told["assumptions"]) == (["turn the magnet"], ["no steel is near"])
    assert Answer(ANSWER.results, ANSWER.checks[:1]).is_good


def test_an_answer_for_people_says_all_of_it_within_80_columns() -> None:
    out = io.StringIO()
    inputs = Inputs(RunPlan(claim="0.99@0.95"), {"claim": "option", "contacts": "default", "allow": "sheet"})
    show("A plan", ANSWER, inputs, Console(file=out, width=120, markup=False, highlight=False))
    text = out.getvalue()
    assert max(map(len, text.splitlines())) <= 80
    text = " ".join(text.split())
    for told in (
        "for claim 0.99@0.95, contacts 1 (default), allow 0 (sheet)",
        "field at the contact: 14.5 mT",
        "open in between: nothing",
        "kept: room in front of the signal: 30 mm, at least 10 mm, 3 times what is needed",
        "NOT KEPT: room in front of the signal: 5 mm, at least 10 mm, 0.5 times what is needed; move the",
        "- turn the magnet",
        "- field at the contact: K / z^3 (a handbook)",
        "- no steel is near",
        "caution: count the magnets",
    ):
        assert told in text


@pytest.mark.parametrize(
    ("value", "text"),
    [(None, "-"), (True, "yes"), ([1.5, 0.0001], "1.5, <0.001"), ([], "-"), (0.0, "0"), (3, "3"), ("x", "x")],
)
def test_cells(value: object, text: str) -> None:
    assert cell(value) == text
