"""Windows and closures by hand, and the passes and extras that they make."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pytest

from reedproof.analysis.case import Case, InputFacts, Step
from reedproof.analysis.case_of_session import SeenInput, Window, case_of_session, passes_in, reference_of
from reedproof.analysis.closures import Closures


def closures(*made_and_ms: tuple[float, float]) -> Closures:
    count = len(made_and_ms)
    made_s, ms = np.array(made_and_ms, np.float64).reshape(count, 2).T
    ones = np.ones(count, np.uint16)
    return Closures(np.zeros(count, np.int16), made_s, ms.astype(np.float32), 2 * ones, ones)


def seen(number: int, *made_and_ms: tuple[float, float]) -> SeenInput:
    own = closures(*made_and_ms)
    facts = InputFacts("mill", number, None, 1000, 10_000, None, (), own.made_s)
    return SeenInput(f"contact {number}", facts, own)


def case(windows: Sequence[Window], *inputs: SeenInput, unclear: str = "") -> Case:
    by_number = {each.facts.input: each for each in inputs}
    return case_of_session("by hand", 1, by_number, windows, 0.0, 100.0, unclear=unclear)


def test_passes_and_what_is_none() -> None:
    """Two closures near each other are one pass; 1.9 ms are none, two of them together are one."""
    rows, others = passes_in(closures((0, 60), (0.2, 60), (2, 1.9), (4, 1.5), (4.1, 1.5), (6, np.nan)))
    assert [row.tolist() for row in rows] == [[0, 1], [3, 4], [5]]
    assert others.tolist() == [2]


def test_no_closures() -> None:
    rows, others = passes_in(closures())
    assert (rows, others.tolist()) == ([], [])


def test_a_closure_belongs_to_the_step_in_which_it_began() -> None:
    windows = [Window(Step.USUAL, 0, 10, 1), Window(Step.SLOW, 10, 20, 1)]
    made = case(windows, seen(1, (9.999, 60), (10.0, 240)))
    passes = made.contacts[0].passes
    assert passes.step.tolist() == [Step.USUAL, Step.SLOW]
    assert passes.parts_ms[:, 0] == pytest.approx([60, 240])
    assert passes.bounces.tolist() == [2, 2]
    assert passes.dropouts.tolist() == [1, 1]


def test_outside_of_the_steps_is_extra() -> None:
    made = case([Window(Step.USUAL, 10, 20, 1)], seen(1, (5, 60), (15, 60), (25, 40)))
    extras = made.contacts[0].extras
    assert (extras.at_s.tolist(), extras.ms.tolist()) == ([5, 25], [60, 40])


def test_missed_at_the_end_of_the_step() -> None:
    windows = [Window(Step.USUAL, 0, 10, 3), Window(Step.OTHER, 10, 20, 2)]
    passes = case(windows, seen(1, (5, 60), (12, 60))).contacts[0].passes
    assert passes.closures.tolist() == [1, 0, 0, 1, 0]
    assert passes.at_s.tolist() == [5, 10, 10, 12, 20]
    assert passes.train.tolist() == [0, 0, 0, 1, 1]


def test_nothing_is_missed_where_nobody_said_so_or_it_cannot_be_told() -> None:
    unsaid = case([Window(Step.USUAL, 0, 10)], seen(1, (5, 60)))
    unclear = case([Window(Step.USUAL, 0, 10, 3)], seen(1, (5, 60)), unclear="muted")
    assert unsaid.contacts[0].passes.closures.tolist() == [1]
    assert unclear.contacts[0].passes.closures.tolist() == [1]
    assert unclear.contacts[0].unclear == "muted"


def test_a_shaken_closure_is_cut_to_the_time_of_shaking() -> None:
    window = Window(Step.WIGGLE, 0, 30, shaken_s=(10, 20))
    own = ((1, 500), (5, 7000), (12.5, 1000), (14, 60_000))
    made = case([window], seen(1, *own))
    passes = made.contacts[0].passes
    assert passes.closures.tolist() == [3]
    assert passes.parts_ms[0] == pytest.approx([2000, 1000, 6000])
    assert passes.gaps_ms[0] == pytest.approx([500, 500])
    assert len(made.contacts[0].extras) == 0


def test_never_shaken_is_no_pass() -> None:
    assert len(case([Window(Step.WIGGLE, 0, 30)], seen(1, (5, 60))).contacts[0].passes) == 0


def test_the_reference_is_seen() -> None:
    windows = [Window(Step.REFERENCE, 0, 10, 3)]
    inputs = [
        seen(1, (4.5, 60)),
        seen(2, (1, 60), (3, 60)),
        seen(3, (1, 60), (3, 60), (5, 60)),
        seen(4, *((at, 60) for at in range(1, 9))),
        seen(5, (50, 60)),
    ]
    made = case(windows, *inputs)
    contact, reference = made.contacts
    assert (reference.name, reference.passes.closures.tolist()) == ("contact 3", [1, 1, 1])
    assert contact.passes.step.tolist() == [Step.REFERENCE], "the first contact answered as well"
    assert [each.input for each in made.spares] == [2, 4, 5]
    assert made.alike == ((0,),)


def test_a_reference_may_miss() -> None:
    made = case([Window(Step.REFERENCE, 0, 10, 3)], seen(1), seen(2, (1, 60), (3, 60)))
    assert made.contacts[1].passes.closures.tolist() == [1, 1, 0]


@pytest.mark.parametrize(("passes", "expected"), [(3, 6), (2, 4), (1, 4), (9, 7), (None, 7)])
def test_which_reference(passes: int | None, expected: int) -> None:
    """As often as was asked for; of those the nearest, of two as near the lower number."""
    counts = {5: 3, 4: 2, 6: 3, 9: 3, 3: 0, 7: 4}
    inputs = {n: seen(n, *((at, 60) for at in range(count))) for n, count in counts.items()}
    assert reference_of(inputs, 5, 0, 10, passes) == expected


def test_no_reference_answered() -> None:
    assert reference_of({1: seen(1, (1, 60)), 2: seen(2)}, 1, 0, 10, 3) is None
