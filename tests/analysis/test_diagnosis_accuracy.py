"""Whether `tests/accuracy/diagnosis.py` counts rightly, by hand-made runs."""

from __future__ import annotations

import pytest
from scipy.stats import binomtest

from accuracy import diagnosis as accuracy
from accuracy.diagnosis import Result, Said
from reedproof.analysis.finding import Cause, Finding
from reedproof.sim.scenario import ScenarioFault

LOOSE, WORN = "loose_lead", "worn_contact"


def finding(cause: Cause, *contacts: str, board: str | None = None, trains: tuple[str, ...] = ()) -> Finding:
    return Finding(cause, contacts, board, trains, 0.9, (), "", "")


def fault(cause: str, **whom: object) -> ScenarioFault:
    return ScenarioFault.model_validate({"cause": cause, **whom})


@pytest.mark.parametrize(
    ("said", "wrong", "is_right"),
    [
        (finding(Cause.LOOSE_LEAD, "mill"), fault("loose_lead", contact="mill"), True),
        (finding(Cause.LOOSE_LEAD, "quay"), fault("loose_lead", contact="mill"), False),
        (finding(Cause.WORN_CONTACT, "mill"), fault("loose_lead", contact="mill"), False),
        (finding(Cause.LOOSE_LEAD), fault("loose_lead", contact="mill"), False),
        (finding(Cause.SWAPPED_PLUGS, "b", "a"), fault("swapped_plugs", contacts=["a", "b"]), True),
        (finding(Cause.SWAPPED_PLUGS, "c", "a"), fault("swapped_plugs", contacts=["a", "b"]), False),
        (finding(Cause.INTERFERENCE, board="x"), fault("interference", board="x"), True),
        (finding(Cause.INTERFERENCE, board="y"), fault("interference", board="x"), False),
        (finding(Cause.VEHICLE, trains=("1",)), fault("vehicle", train="1"), True),
        (finding(Cause.VEHICLE, trains=("2",)), fault("vehicle", train="1"), False),
        (finding(Cause.VEHICLE, trains=("2", "1")), fault("vehicle", train="1"), True),
        (finding(Cause.BAD_INPUT, board="x"), fault("bad_input", board="x", input=3), True),
        (finding(Cause.BAD_INPUT, "a", board="x"), fault("bad_input", contact="a"), True),
    ],
)
def test_what_is_right(said: Finding, wrong: ScenarioFault, is_right: bool) -> None:
    assert accuracy.is_right(said, wrong) is is_right


def result(faults: tuple[tuple[str, str], ...], *said: Said, seed: int = 1) -> Result:
    name = "+".join(f"{cause}-{size}" for cause, size in faults) or "healthy"
    return Result(name, seed, faults, said, 1000, 0.1)


ONE = ((LOOSE, "moderate"),)
MILD = ((LOOSE, "mild"),)
TWO = ((LOOSE, "moderate"), (WORN, "severe"))
RIGHT, WRONG = Said(LOOSE, 0.9, (0,)), Said(WORN, 0.8, ())
SECOND = Said(WORN, 0.6, (1,))


@pytest.mark.parametrize(
    ("run", "is_right", "first"),
    [
        (result(ONE, RIGHT, WRONG), True, LOOSE),
        (result(ONE, WRONG, RIGHT), False, WORN),
        (result(ONE), False, "nothing"),
        (result(ONE, Said(LOOSE, 0.4, (0,))), True, "nothing"),
        (result(TWO, RIGHT, WRONG, SECOND), True, LOOSE),
        (result(TWO, RIGHT, WRONG, WRONG, SECOND), False, LOOSE),
        (result(TWO, RIGHT), False, LOOSE),
        (result(()), True, "nothing"),
        (result((), Said(WORN, 0.49, ())), True, "nothing"),
        (result((), Said(WORN, 0.5, ())), False, WORN),
    ],
)
def test_a_run(run: Result, is_right: bool, first: str) -> None:
    assert run.is_right is is_right
    assert run.first == first
    assert len(list(accuracy.failures([run]))) == (not is_right)


def demanded(*runs: Result) -> dict[str, tuple[int, int, bool]]:
    return {each.what: (each.right, each.count, each.is_kept) for each in accuracy.demands(runs)}


def test_what_is_demanded() -> None:
    """95 % of moderate faults first, 80 % of mild ones and 95 % of them among three, 85 % of pairs, and not
    one finding where nothing is wrong."""
    key = "loose_lead, moderate: first"
    assert demanded(*[result(ONE, RIGHT)] * 19, result(ONE))[key] == (19, 20, True)
    assert demanded(*[result(ONE, RIGHT)] * 18, result(ONE), result(ONE))[key] == (18, 20, False)
    mild = [*[result(MILD, RIGHT)] * 16, *[result(MILD, WRONG, WRONG, RIGHT)] * 3]
    assert demanded(*mild, result(MILD)) == {
        "loose_lead, mild: first": (16, 20, True),
        "loose_lead, mild: in the top three": (19, 20, True),
    }
    assert demanded(*mild, result(MILD, WRONG, RIGHT), result(MILD, WRONG, WRONG, WRONG, RIGHT)) == {
        "loose_lead, mild: first": (16, 21, False),
        "loose_lead, mild: in the top three": (20, 21, True),
    }
    key = "two faults: both in the top three"
    assert demanded(*[result(TWO, RIGHT, SECOND)] * 17, *[result(TWO, RIGHT)] * 3)[key] == (17, 20, True)
    assert demanded(*[result(TWO, RIGHT, SECOND)] * 16, *[result(TWO, RIGHT)] * 4)[key] == (16, 20, False)
    key = "nothing wrong: no finding above possible"
    assert demanded(*[result(())] * 999)[key] == (999, 999, True)
    assert demanded(*[result(())] * 999, result((), WRONG))[key] == (999, 1000, False)


def test_shares_have_exact_bounds() -> None:
    """Clopper-Pearson as scipy has it."""
    interval = binomtest(19, 20).proportion_ci(0.95, "exact")
    assert accuracy.share(19, 20) == f"95.0 % ({100 * interval.low:.1f} to {100 * interval.high:.1f})"
    assert accuracy.share(0, 0) == "-"


def test_the_confusion() -> None:
    runs = [
        result(ONE, RIGHT),
        result(ONE, WRONG),
        result(MILD),
        result(TWO, RIGHT),
        result(()),
        result((), WRONG),
    ]
    assert accuracy.confusion(runs) == {
        LOOSE: {LOOSE: 1, WORN: 1, "nothing": 1},
        "nothing": {"nothing": 1, WORN: 1},
    }


def test_calibration_and_brier_score() -> None:
    said = [Said(LOOSE, 0.5, ()), Said(LOOSE, 0.5, (0,)), Said(LOOSE, 0.7, (0,)), Said(WORN, 1.0, ())]
    bins = accuracy.calibration(said)
    assert [(each.low, each.high, each.count, each.right) for each in bins] == [
        (0.0, 0.5, 2, 1), (0.5, 0.7, 1, 1), (0.7, 0.85, 0, 0), (0.85, 0.95, 0, 0), (0.95, 1.0, 1, 0),
    ]  # fmt: skip
    assert bins[0].mean == pytest.approx(0.5)
    assert accuracy.brier(said) == pytest.approx((0.25 + 0.25 + 0.09 + 1.0) / 4)
    assert accuracy.brier([]) is None


def test_seeds_are_none_that_rules_were_made_on() -> None:
    files = accuracy.scenarios()
    todo = accuracy.jobs(files, accuracy.FIRST_SEED, 2, 101)
    assert min(seed for _, seed in todo) > 99
    good = [path for path in files if not accuracy.read_scenario(path).faults]
    assert sum(path in good for path, _ in todo) == 101
    assert len(todo) == len(set(todo)) == 101 + 2 * (len(files) - len(good))


def test_the_document() -> None:
    runs = [result(ONE, RIGHT), result(MILD, WRONG, RIGHT), result(TWO, RIGHT), result(()), result((), WRONG)]
    text = accuracy.document(runs, "the command")
    assert "with `the command`: 5 simulated runs" in text
    assert (
        "| loose_lead | mild | 1 | 0.0 % (0.0 to 97.5) | 0.0 % (0.0 to 97.5) | 100.0 % (2.5 to 100.0) |"
        in text
    )
    assert "| healthy | 2 | 1000 | 1 |" in text
    for table in text.split("\n\n"):
        if table.startswith("|"):
            assert len({line.count("|") for line in table.splitlines()}) == 1, table
    (line,) = accuracy.failures(runs[2:3])
    assert line.endswith("--only loose_lead-moderate+worn_contact-severe --first 1 --seeds 1 --show")
