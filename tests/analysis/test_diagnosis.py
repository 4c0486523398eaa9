"""From clues to findings: what explains what, in which order, how sure, and what is said beside them."""

from __future__ import annotations

import itertools
import json
from collections.abc import Iterator
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from analysis.cases import NAMES, QUIET, an_input, case, contact, contacts, extras, passes, usual
from reedproof.analysis import diagnosis as module
from reedproof.analysis.calibration import CEILINGS, confidence_of
from reedproof.analysis.case import SelfTest, Step
from reedproof.analysis.clue import Clue
from reedproof.analysis.diagnosis import (
    EXPLAINED,
    EXPLAINED_BY,
    LEFT,
    SHOWN,
    SURE,
    diagnose,
    finding_of,
    weigh,
)
from reedproof.analysis.finding import LIKELY, NEARLY_CERTAIN, Cause, Certainty, Diagnosis, Finding
from reedproof.analysis.remedies import REMEDIES
from reedproof.analysis.symptoms import signs_of
from reedproof.records import Verdict

pytestmark = pytest.mark.filterwarnings("error")

SIGNS = signs_of(case(contacts(laps=8), [an_input(9)], trains=("slate", "milk")))
MILL, QUAY = 1, 2


def clue(cause: Cause, score: float, *on: int, **but: Any) -> Clue:
    return Clue(cause, score, (f"{cause.value} seen",), on, **but)


@pytest.fixture
def weighed(monkeypatch: pytest.MonkeyPatch) -> Iterator[Any]:
    """The scores of clues once they are held against each other, in their order."""

    def weigh_these(*clues: Clue) -> list[float]:
        monkeypatch.setattr(module, "clues_of", lambda _: list(clues))
        after = weigh(SIGNS)
        assert [each.score for each in after] == sorted((each.score for each in after), reverse=True)
        return [next(each.score for each in after if each.evidence == one.evidence) for one in clues]

    return weigh_these


# ---- what explains what ----


def test_a_cause_does_not_explain_itself() -> None:
    for cause, explained in EXPLAINED_BY.items():
        assert cause not in explained


@pytest.mark.parametrize(
    ("cause", "other"),
    [(cause, each) for cause in Cause for each in Cause if each in EXPLAINED_BY.get(cause, ())],
)
def test_what_is_explained_keeps_less(weighed: Any, cause: Cause, other: Cause) -> None:
    sure, unsure = clue(cause, SURE + 3, MILL, board="one"), clue(other, SURE + 1, MILL, board="one")
    assert weighed(sure, unsure) == [SURE + 3, min(LEFT, SURE + 1 - EXPLAINED)]


@pytest.mark.parametrize(
    ("cause", "other"),
    [
        pair
        for pair in itertools.permutations(Cause, 2)
        if pair[1] not in EXPLAINED_BY.get(pair[0], ()) and pair[0] not in EXPLAINED_BY.get(pair[1], ())
    ],
)
def test_what_is_not_explained_stands(weighed: Any, cause: Cause, other: Cause) -> None:
    first, second = clue(cause, SURE + 3, MILL, board="one"), clue(other, SURE + 1, MILL, board="one")
    assert weighed(first, second) == [SURE + 3, SURE + 1]


def test_what_is_not_sure_explains_nothing(weighed: Any) -> None:
    both = clue(Cause.SHORTED_INPUTS, SURE - 0.1, MILL, QUAY), clue(Cause.BAD_INPUT, 1.0, MILL)
    assert weighed(*both) == [SURE - 0.1, 1.0]


@pytest.mark.parametrize(
    ("first", "second", "after"),
    [(5.0, 4.0, [5.0, 4.0 - EXPLAINED]), (4.0, 5.0, [4.0 - EXPLAINED, 5.0]), (5.0, 5.0, [5.0, 5.0])],
)
def test_of_two_that_explain_each_other_the_surer_one_stands(
    weighed: Any, first: float, second: float, after: list[float]
) -> None:
    pair = Cause.TURNED_MAGNET, Cause.SIDE_LOBES
    assert pair[0] in EXPLAINED_BY[pair[1]]
    assert pair[1] in EXPLAINED_BY[pair[0]]
    assert weighed(clue(pair[0], first, MILL), clue(pair[1], second, MILL)) == after


def test_other_contacts_are_not_explained(weighed: Any) -> None:
    loose, worn = clue(Cause.LOOSE_LEAD, 8.0, MILL), clue(Cause.WORN_CONTACT, 3.0, QUAY)
    assert weighed(loose, worn) == [8.0, 3.0]


def test_an_input_without_a_contact_is_explained_by_its_own_fault(weighed: Any) -> None:
    shorted = clue(Cause.SHORTED_INPUTS, 8.0, MILL, board="one", input=9)
    same = clue(Cause.BAD_INPUT, 3.0, board="one", input=9)
    assert weighed(shorted, same) == [8.0, 3.0 - EXPLAINED]
    for other in (replace(same, input=10), replace(same, board="two")):
        assert weighed(shorted, other) == [8.0, 3.0]


def test_interference_explains_its_board_only(weighed: Any) -> None:
    here, there = clue(Cause.INTERFERENCE, 8.0, board="one"), clue(Cause.INTERFERENCE, 8.0, board="two")
    loose = clue(Cause.LOOSE_LEAD, 3.0, MILL)  # on board one
    assert weighed(here, loose) == [8.0, 3.0 - EXPLAINED]
    assert weighed(there, loose) == [8.0, 3.0]
    assert weighed(here, clue(Cause.BAD_INPUT, 3.0, board="one", input=9))[1] == 3.0 - EXPLAINED


def test_a_train_explains_contacts_anywhere(weighed: Any) -> None:
    assert weighed(clue(Cause.VEHICLE, 8.0, trains=(1,)), clue(Cause.WEAK_MAGNET, 3.0, MILL)) == [
        8.0, 3.0 - EXPLAINED,
    ]  # fmt: skip


def test_no_clue_is_no_finding(weighed: Any) -> None:
    assert weighed() == []


# ---- findings ----


def put(monkeypatch: pytest.MonkeyPatch, *clues: Clue) -> tuple[Finding, ...]:
    monkeypatch.setattr(module, "clues_of", lambda _: list(clues))
    return diagnose(SIGNS.case).findings


@pytest.mark.parametrize("cause", Cause)
def test_a_finding_says_what_the_clue_does(cause: Cause) -> None:
    told = Clue(cause, 4.0, ("so many",), (QUAY, MILL), "one", 3, (1, 0))
    found = finding_of(SIGNS.case, told)
    assert (found.cause, found.contacts, found.board, found.trains, found.evidence) == (
        cause, ("quay", "mill"), "one", ("milk", "slate"), ("so many",),
    )  # fmt: skip
    assert found.confidence == confidence_of(cause, 4.0)
    assert (found.next_step, found.confirm) == REMEDIES[cause]


def test_the_surest_comes_first(monkeypatch: pytest.MonkeyPatch) -> None:
    """By confidence: what a score is worth differs from cause to cause."""
    given_scores = [0.5, 3.0, 1.0, 2.0]
    causes = [Cause.WORN_CONTACT, Cause.OPEN_LEAD, Cause.INTERFERENCE, Cause.SWAPPED_PLUGS]
    found = put(
        monkeypatch,
        *(clue(cause, score, at) for at, (cause, score) in enumerate(zip(causes, given_scores, strict=True))),
    )
    sure = [each.confidence for each in found]
    assert sure == sorted(sure, reverse=True)


def test_what_is_hardly_possible_is_not_worth_a_line(monkeypatch: pytest.MonkeyPatch) -> None:
    scores = np.linspace(-12, 12, 49)
    for cause in Cause:
        shown = {each.confidence for each in put(monkeypatch, *(clue(cause, s, MILL) for s in scores))}
        assert all(sure >= SHOWN for sure in shown)
        hidden = [s for s in scores if confidence_of(cause, s) < SHOWN]
        assert len(shown) <= len(scores) - len(hidden)


@given(st.sampled_from(Cause), st.floats(-100, 100), st.floats(0, 10))
def test_confidence(cause: Cause, score: float, more: float) -> None:
    """Within 0 and the ceiling: nobody is certain. More for a cause never makes it less sure."""
    assert 0 <= confidence_of(cause, score) <= CEILINGS[cause] < 1
    assert confidence_of(cause, score) <= confidence_of(cause, score + more)


def test_ceilings_are_measured() -> None:
    assert set(CEILINGS) == set(Cause)
    assert len(set(CEILINGS.values())) > 1, "not one number for all"


@pytest.mark.parametrize(
    ("confidence", "word"),
    [
        (0.0, Certainty.POSSIBLE),
        (LIKELY - 1e-9, Certainty.POSSIBLE),
        (LIKELY, Certainty.LIKELY),
        (NEARLY_CERTAIN - 1e-9, Certainty.LIKELY),
        (NEARLY_CERTAIN, Certainty.NEARLY_CERTAIN),
        (0.99, Certainty.NEARLY_CERTAIN),
    ],
)
def test_words_for_confidence(confidence: float, word: Certainty) -> None:
    assert Certainty.of(confidence) is word
    assert finding(confidence=confidence).certainty is word


@pytest.mark.parametrize("cause", Cause)
def test_every_cause_has_a_remedy(cause: Cause) -> None:
    remedy = REMEDIES[cause]
    assert len(remedy.next_step) > 20
    assert len(remedy.confirm) > 20
    assert remedy.next_step != remedy.confirm


# ---- what is said beside them ----


def finding(*names: str, cause: Cause = Cause.LOOSE_LEAD, confidence: float = 0.8, **but: Any) -> Finding:
    keys: dict[str, Any] = {"board": None, "trains": (), "evidence": ("why",), **but}
    return Finding(cause, names, confidence=confidence, next_step="do", confirm="look", **keys)


def test_of_some_contacts() -> None:
    """What is said of boards and trains may concern any contact."""
    mill, both, quay = finding("mill"), finding("quay", "mill"), finding("quay")
    board, train = finding(board="one"), finding(trains=("slate",))
    whole = Diagnosis("run 7", (mill, both, quay, board, train), ("this",), ("not that",))
    assert whole.of(["mill"]).findings == (mill, both, board, train)
    assert whole.of(["yard"]).findings == (board, train)
    assert whole.of(["quay", "mill"]) == whole
    assert (whole.of([]).source, whole.of([]).looked_at, whole.of([]).limits) == (
        "run 7", ("this",), ("not that",),
    )  # fmt: skip


def test_clear() -> None:
    assert Diagnosis("", (), (), ()).is_clear
    assert not Diagnosis("", (), (), (), is_enough=False).is_clear, "nothing was seen"
    assert Diagnosis("", (finding("mill", confidence=0.49),), (), ()).is_clear
    assert not Diagnosis(
        "", (finding("mill", confidence=0.5), finding("quay", confidence=0.1)), (), ()
    ).is_clear


def test_as_json() -> None:
    two = finding("quay", "mill", board="one", trains=("slate", "milk"), confidence=0.87654)
    none = finding(cause=Cause.INTERFERENCE, confidence=0.3)
    told = json.loads(json.dumps(Diagnosis("run 7", (two, none), ("this",), ("that",)).as_dict()))
    assert told == {
        "source": "run 7",
        "looked_at": ["this"],
        "limits": ["that"],
        "enough": True,
        "findings": [
            {
                "contact": "quay", "contacts": ["quay", "mill"], "board": "one", "train": "slate",
                "trains": ["slate", "milk"], "cause": "loose_lead", "confidence": 0.877,
                "certainty": "likely", "evidence": ["why"], "next_step": "do", "confirm": "look",
            },
            {
                "contact": None, "contacts": [], "board": None, "train": None, "trains": [],
                "cause": "interference", "confidence": 0.3, "certainty": "possible", "evidence": ["why"],
                "next_step": "do", "confirm": "look",
            },
        ],
    }  # fmt: skip


def test_what_was_looked_at() -> None:
    made = contacts(laps=20)
    made[MILL] = contact(
        "mill",
        2,
        usual(MILL, laps=20, closures=[0, 0, *[1] * 18]),
        extras((5.5, 9.0), (9.5, 9.0)),
        counts=None,
    )
    found = diagnose(case(made, [an_input(9), an_input(10, counts=None)], from_s=0.0, to_s=5400.0))
    passed, counted = found.looked_at
    assert passed.startswith("120 passes of 1 train over 6 contacts in 1.5 h: 2 missed, 2 closures without")
    assert counted.startswith("what the boards counted on 6 inputs")


def test_a_self_test_was_looked_at_or_is_missing() -> None:
    tested = [
        contact(name, at + 1, usual(at, laps=8), selftest=SelfTest(Verdict.GOOD))
        for at, name in enumerate(NAMES)
    ]
    with_it = diagnose(case(tested, [an_input(9, selftest=SelfTest(Verdict.GOOD)), an_input(10)]))
    without = diagnose(case(contacts(laps=8)))
    told = "the boards' electrical self-test of 7 inputs", "no electrical self-test belongs to this run"
    assert (told[0] in with_it.looked_at, told[1] in with_it.limits) == (True, False)
    assert (any("self-test" in each for each in without.looked_at), told[1] in without.limits) == (
        False,
        True,
    )


@pytest.mark.parametrize("unit", ["mm", "ms"])
def test_without_distances_that_is_said(unit: str) -> None:
    told = "the sheet tells no distances: lengths of closures are compared in time only"
    assert (told in diagnose(case(contacts(laps=8), length_unit=unit)).limits) is (unit == "ms")


def test_notes_and_unclear_contacts_are_said() -> None:
    made = contacts(laps=8)
    made[QUAY] = contact("quay", 3, passes(0), unclear="two trains may have passed")
    limits = diagnose(case(made, notes=("the first 9 closures were left out",))).limits
    assert limits[:2] == ("the first 9 closures were left out", "quay: two trains may have passed")


def test_a_session_is_told_as_such() -> None:
    seen = passes(6, step=Step.USUAL)
    assert case([contact("mill", 1, seen)]).is_session
    assert not case(contacts(laps=8)).is_session
    assert not case([contact("mill", 1, passes(0))]).is_session


def test_the_source_is_kept() -> None:
    assert diagnose(case(contacts(laps=8), source="run 12")).source == "run 12"


def test_a_diagnosis_is_the_same_each_time() -> None:
    made = contacts()
    made[MILL] = contact("mill", 2, usual(MILL, closures=0), counts=replace(QUIET, edges=0))
    first, second = diagnose(case(made)), diagnose(case(made))
    assert first.findings
    assert first == second
