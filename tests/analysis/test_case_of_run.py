"""Runs as cases: what was put in is what the case says. The trains are not those of the simulator."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from analysis.trains import START_S, Run, Trains, sheet_of
from reedproof.analysis import case_of_run as module
from reedproof.analysis.case import BoardFacts, Case, Counts, FaultSpan, SelfTest, Step
from reedproof.analysis.case_of_run import case_of_run, places
from reedproof.analysis.closures import Closures, Gap
from reedproof.layout import Sheet
from reedproof.records import Fault, Verdict

pytestmark = pytest.mark.filterwarnings("error")

PACE = 100.0  # mm/s; sections are 1 to 4 s long


def made(run: Run, sheet: Sheet, boards: dict[str, BoardFacts] | None = None, **but: Any) -> Case:
    keys = {"gaps": [], "from_s": START_S, "to_s": float(run.closures.made_s[-1]) + 60.0, **but}
    closures = keys.pop("closures", [run.closures])
    return case_of_run("made up", sheet, closures, keys["gaps"], boards or {}, keys["from_s"], keys["to_s"])


def closures(*rows: tuple[int, float, float], bounces: int = 2, dropouts: int = 0) -> Closures:
    """(contact, seconds since the start, ms)"""
    contact, made_s, ms = np.array(sorted(rows, key=lambda row: row[1]), np.float64).reshape(-1, 3).T
    return Closures(
        contact.astype(np.int16),
        START_S + made_s,
        ms.astype(np.float32),
        np.full(len(rows), bounces, np.uint16),
        np.full(len(rows), dropouts, np.uint16),
    )


def placed(contacts: int, kind: str = "loop", step_mm: float = 500.0) -> Sheet:
    """A sheet with distances: half a metre from contact to contact."""
    sheet = sheet_of(contacts, kind).model_dump(mode="json", exclude_none=True)
    for at, each in enumerate(sheet["contacts"]):
        each["place_mm"] = step_mm * at
    line = sheet["routes"][0]
    line |= {"speed_mm_s": PACE, "times_s": [step_mm / PACE] * (contacts - (kind == "shuttle"))}
    return Sheet.model_validate(sheet)


LAPS, STEP_S, CONTACTS = 40, 5.0, 4


def laps(*, but: dict[tuple[int, int], list[tuple[float, float]]] | None = None) -> Closures:
    """A train that comes to the next of four contacts each 5 s and closes it for 60 ms; ``but``: by lap and
    contact, what came instead, (seconds after it was due, ms)."""
    rows = []
    for lap in range(LAPS):
        for contact in range(CONTACTS):
            due_s = STEP_S * (CONTACTS * lap + contact) + 0.05 * np.sin(7 * lap + contact)
            for after_s, ms in (but or {}).get((lap, contact), [(0.0, 60.0)]):
                rows.append((contact, due_s + after_s, ms))
    return closures(*rows)


def of_laps(sheet: Sheet | None = None, to_s: float | None = None, **keys: Any) -> Case:
    mine = laps(**keys)
    end_s = float(mine.made_s[-1]) + 60.0 if to_s is None else to_s
    return case_of_run("by hand", sheet or placed(CONTACTS), [mine], [], {}, START_S, end_s)


def due_s(lap: int, contact: int) -> float:
    return START_S + STEP_S * (CONTACTS * lap + contact)


# ---- passes ----


def alone(run: Run, at: int) -> int:
    """How many extra closures of a contact have no other one within 0.3 s: those would be of its pass."""
    own = run.closures[run.closures.contact == at]
    ends_s = own.made_s + own.duration_ms / 1000
    extra_s = run.extra_s[run.extra_contact == at]
    near = [np.sum((own.made_s < each + 0.31) & (ends_s > each - 0.3)) > 1 for each in extra_s]
    return len(near) - sum(near)


@pytest.mark.parametrize(
    ("kind", "trains", "seed"), [("loop", 1, 1), ("loop", 1, 2), ("loop", 2, 3), ("shuttle", 1, 4)]
)
def test_passes_missed_and_extra_are_those_that_were_put_in(kind: str, trains: int, seed: int) -> None:
    run = Trains(kind=kind, trains=trains, laps=80, missed=0.03, extra=0.03, strays=1.0, spread=0.2).run(seed)
    case = made(run, sheet_of(6, kind, trains))
    assert len(case.trains) == trains
    for at, contact in enumerate(case.contacts):
        truth = *run.truth[at, :2], alone(run, at)
        count = len(contact.passes), int(contact.passes.missed.sum()), len(contact.extras)
        assert np.abs(np.subtract(count, truth)).max() <= 1, (at, count, truth, f"seed {seed}")
        assert not contact.unclear
        assert np.all(np.diff(contact.passes.at_s) >= 0)
        assert np.all(contact.passes.step == Step.RUN)
        assert contact.at.closures_at_s.tolist() == run.closures.made_s[run.closures.contact == at].tolist()


def test_every_closure_is_counted_once() -> None:
    run = Trains(laps=100, missed=0.05, extra=0.1, spread=0.2).run(5)
    for at, contact in enumerate(made(run, sheet_of(6)).contacts):
        seen = int(contact.passes.closures.sum()) + len(contact.extras)
        assert seen == int((run.closures.contact == at).sum())


def test_where_nothing_is_wrong() -> None:
    case = of_laps()
    for contact in case.contacts:
        assert contact.passes.closures.tolist() == [1] * LAPS
        assert contact.passes.parts_ms[:, 0] == pytest.approx(60.0)
        assert np.isnan(contact.passes.parts_ms[:, 1:]).all()
        assert np.isnan(contact.passes.gaps_ms).all()
        assert contact.passes.bounces.tolist() == [2] * LAPS
        assert len(contact.extras) == 0
    assert (case.source, case.trains, case.alike, case.length_unit) == (
        "by hand", ("train 1",), ((0,),), "mm",
    )  # fmt: skip
    assert (case.swaps, case.notes, case.is_session) == ((), (), False)


def test_a_missed_pass_is_where_it_was_due() -> None:
    passes = of_laps(but={(10, 2): [], (20, 2): []}).contacts[2].passes
    assert np.flatnonzero(passes.missed).tolist() == [10, 20]
    assert passes.at_s[[10, 20]] == pytest.approx([due_s(10, 2), due_s(20, 2)], abs=0.5)
    assert np.isnan(passes.parts_ms[passes.missed]).all()
    assert passes.speed[passes.missed] == pytest.approx(PACE, rel=0.1)


def test_parts_and_gaps() -> None:
    """60 ms, open for 20 ms, 40 ms; and four closures, of which the first three are looked at."""
    case = of_laps(
        but={
            (10, 1): [(0.0, 60.0), (0.08, 40.0)],
            (20, 1): [(0.0, 30.0), (0.04, 30.0), (0.08, 30.0), (0.12, 30.0)],
        }
    )
    passes = case.contacts[1].passes
    assert passes.closures[[9, 10, 20]].tolist() == [1, 2, 4]
    np.testing.assert_allclose(passes.parts_ms[10], [60, 40, np.nan], rtol=1e-4)
    np.testing.assert_allclose(passes.gaps_ms[10], [20, np.nan], atol=0.01)
    np.testing.assert_allclose(passes.parts_ms[20], [30, 30, 30], rtol=1e-4)
    np.testing.assert_allclose(passes.gaps_ms[20], [10, 10], atol=0.01)
    assert passes.whole_ms[10] == pytest.approx(120, abs=0.01)
    assert np.isnan(passes.whole_ms[20])
    assert passes.bounces[[9, 10, 20]].tolist() == [2, 4, 8]
    assert len(case.contacts[1].extras) == 0


def test_speed_and_length() -> None:
    """100 mm/s and 60 ms are 6 mm; a contact that closes for half of that has 3 mm."""
    case = of_laps(but={(lap, 3): [(0.0, 30.0)] for lap in range(LAPS)})
    for at, mm in enumerate([6.0, 6.0, 6.0, 3.0]):
        passes = case.contacts[at].passes
        assert np.nanmedian(passes.speed) == pytest.approx(PACE, rel=0.02)
        assert np.nanmedian(passes.length) == pytest.approx(mm, rel=0.02)


def test_without_distances_lengths_are_times_at_the_usual_speed() -> None:
    case = of_laps(sheet_of(CONTACTS))
    assert case.length_unit == "ms"
    passes = case.contacts[0].passes
    assert np.nanmedian(passes.speed) == pytest.approx(1.0, rel=0.02)
    assert np.nanmedian(passes.length) == pytest.approx(0.06, rel=0.02)


def test_two_trains_close_behind_each_other_are_two_passes() -> None:
    """The second one comes 250 ms after the first has gone: nearer than the parts of a pass may be."""
    first = laps()
    second = replace(first, made_s=first.made_s + 0.31)
    both = Closures.join([first, second])
    both = both[np.argsort(both.made_s, kind="stable")]
    case = case_of_run(
        "two", sheet_of(CONTACTS, trains=2), [both], [], {}, START_S, float(both.made_s[-1]) + 9
    )
    for contact in case.contacts:
        assert contact.passes.closures.tolist() == [1] * (2 * LAPS)
        assert np.bincount(contact.passes.train).tolist() == [LAPS, LAPS]


def test_extra_closures() -> None:
    case = of_laps(but={(10, 0): [(0.0, 60.0), (2.0, 5.0)], (20, 3): [(0.0, 60.0), (3.0, 4.0)]})
    assert [len(each.extras) for each in case.contacts] == [1, 0, 0, 1]
    assert case.contacts[0].extras.at_s == pytest.approx([due_s(10, 0) + 2.0], abs=0.1)
    assert case.contacts[0].extras.ms == pytest.approx([5.0])
    assert case.contacts[3].extras.ms == pytest.approx([4.0])
    assert all(len(each.passes) == LAPS for each in case.contacts)


# ---- ends ----


@pytest.mark.parametrize(("seconds", "expected_ms"), [(300.0, 300_000.0), (-2.0, np.nan)])
def test_a_closure_without_an_end(seconds: float, expected_ms: float) -> None:
    """The last one lasts as long as anybody looked; one in between says nothing, nor does one that is newer
    than the last sign of life."""
    mine = laps()
    ms = mine.duration_ms.copy()
    ms[-1] = ms[4 * CONTACTS] = np.nan
    mine = replace(mine, duration_ms=ms)
    end_s = float(mine.made_s[-1]) + seconds
    case = case_of_run("open", placed(CONTACTS), [mine], [], {}, START_S, end_s)
    last = case.contacts[CONTACTS - 1]
    ends = [*last.passes.parts_ms[-1:, 0], *last.extras.ms]
    np.testing.assert_allclose(ends, [expected_ms], rtol=1e-6)
    first = case.contacts[0].passes
    assert len(first) == LAPS
    assert np.isnan(first.parts_ms[4, 0])
    assert np.isnan(first.speed[4])


def test_times_that_are_the_same() -> None:
    """After the computer's clock was set back, closures wait at the newest time."""
    run = Trains(contacts=4, laps=60, missed=0.05, extra=0.2, strays=0.0).run(2)
    made_s = run.closures.made_s.copy()
    made_s[100:140] = made_s[140]
    case = made(replace(run, closures=replace(run.closures, made_s=made_s)), sheet_of(4))
    for at, contact in enumerate(case.contacts):
        assert int(contact.passes.closures.sum()) + len(contact.extras) == (run.closures.contact == at).sum()


@pytest.mark.parametrize("portions", [[], [Closures.join([])]])
def test_an_empty_run(portions: list[Closures]) -> None:
    case = case_of_run("empty", sheet_of(3), portions, [], {}, 0.0, 10.0)
    assert [(len(each.passes), len(each.extras)) for each in case.contacts] == [(0, 0)] * 3
    assert case.swaps == ()


def test_one_closure() -> None:
    case = case_of_run("one", sheet_of(3), [closures((1, 5.0, 60.0))], [], {}, START_S, START_S + 10)
    assert [int(each.passes.closures.sum()) + len(each.extras) for each in case.contacts] == [0, 1, 0]


def test_one_contact() -> None:
    run = Trains(contacts=1, laps=60, missed=0.0, extra=0.0).run(1)
    (contact,) = made(run, sheet_of(1)).contacts
    assert contact.passes.closures.tolist() == [1] * 60


def test_no_end_is_known() -> None:
    mine = laps()
    mine = replace(mine, duration_ms=np.full(len(mine), np.nan, np.float32))
    case = case_of_run(
        "no ends", placed(CONTACTS), [mine], [], {}, START_S, float(mine.made_s[-CONTACTS]) - 1
    )
    assert [len(each.passes) for each in case.contacts] == [LAPS] * CONTACTS
    assert all(np.isnan(each.passes.whole_ms).all() for each in case.contacts)


def test_a_gap_hides_misses() -> None:
    """Nobody looked at the third contact for ten laps: what it did then is neither a miss nor a pass."""
    gap = Gap(due_s(10, 0), due_s(20, 0), frozenset({2}), "muted", "chatter")
    mine = laps(but={(lap, 2): [] for lap in range(10, 20)})
    end_s = float(mine.made_s[-1]) + 9
    seen, blind = (
        case_of_run("gap", placed(CONTACTS), [mine], gaps, {}, START_S, end_s).contacts[2].passes
        for gaps in ([], [gap])
    )
    assert (len(seen), int(seen.missed.sum())) == (LAPS, 10)
    assert (len(blind), int(blind.missed.sum())) == (LAPS - 10, 0)


# ---- sheets ----


def test_a_sheet_without_a_route() -> None:
    """Nothing can be counted, and that is said; what the inputs did is there all the same."""
    sheet = sheet_of(CONTACTS).model_copy(update={"routes": [], "trains": []})
    case = of_laps(sheet)
    assert case.notes == ("passes cannot be counted: the sheet has no route",)
    assert case.trains == case.alike == case.swaps == ()
    for contact in case.contacts:
        assert contact.unclear == "its passes cannot be counted: the sheet has no route"
        assert len(contact.passes) == 0
        assert len(contact.at.closures_at_s) == len(contact.extras) == LAPS


def test_a_route_without_a_train_has_one() -> None:
    sheet = sheet_of(CONTACTS).model_copy(update={"trains": []})
    case = of_laps(sheet)
    assert (case.trains, case.alike) == (("train on line",), ((0,),))
    assert [len(each.passes) for each in case.contacts] == [LAPS] * CONTACTS


@pytest.mark.parametrize(
    ("trains", "alike"),
    [
        ([{}, {}], ((0, 1), (0, 1))),
        ([{}, {"magnets": 2, "spacing_mm": 200.0}], ((0,), (1,))),
        ([{"magnets": 2, "spacing_mm": 100.0}, {"magnets": 2, "spacing_mm": 200.0}], ((0,), (1,))),
        ([{}, {"magnets": 2, "spacing_mm": 200.0}, {}], ((0, 2), (1,), (0, 2))),
        ([{}, {"route": "siding"}], ((0,), (1,))),
    ],
)
def test_trains_that_look_alike(trains: list[dict[str, Any]], alike: tuple[tuple[int, ...], ...]) -> None:
    sheet = sheet_of(2).model_dump(mode="json", exclude_none=True)
    sheet["trains"] = [{"name": f"t{at}", "route": "line", **each} for at, each in enumerate(trains)]
    if any("route" in each for each in trains):
        sheet["routes"].append({"name": "siding", "kind": "loop", "contacts": ["c0", "c1"]})
    case = case_of_run("alike", Sheet.model_validate(sheet), [], [], {}, 0.0, 10.0)
    assert case.alike == alike


# ---- boards ----

COUNTS = Counts(100.0, 40, 10, 3, 2, 800, 900)
TOLD = BoardFacts(
    counts={1: COUNTS, 7: COUNTS},
    settings={1: (2000, 5000), 9: (1000, 10_000)},
    selftest={1: SelfTest(Verdict.SHORTED, (7,)), 7: SelfTest(Verdict.SHORTED, (1,))},
    faults={7: [FaultSpan(Fault.CHATTER, 5.0, 6.0)]},
)


def test_places() -> None:
    """The sheet's contacts come first, then what the boards tell of, each once."""
    found = places(sheet_of(2), {"one": TOLD, "two": BoardFacts(counts={3: COUNTS})})
    assert found == {("one", 1): 0, ("one", 2): 1, ("one", 7): 2, ("one", 9): 3, ("two", 3): 4}


def test_what_the_boards_told() -> None:
    boards = {"one": TOLD}
    position = places(sheet_of(2), boards)["one", 7]
    rows = [(at % 2, 5.0 * at, 60.0) for at in range(40)]
    mine = closures(*rows, (position, 7.0, 1.0), (position, 9.0, 1.0))
    case = case_of_run("told", sheet_of(2), [mine], [], boards, START_S, START_S + 220)
    first, second = (contact.at for contact in case.contacts)
    assert (first.board, first.input, first.counts, first.make_us, first.break_us) == (
        "one", 1, COUNTS, 2000, 5000,
    )  # fmt: skip
    assert first.selftest == SelfTest(Verdict.SHORTED, (7,))
    assert (second.input, second.counts, second.make_us, second.selftest) == (2, None, 0, None)
    assert [(each.input, each.counts, each.make_us) for each in case.spares] == [
        (7, COUNTS, 0), (9, None, 1000),
    ]  # fmt: skip
    assert case.spares[0].closures_at_s.tolist() == [START_S + 7, START_S + 9]
    assert case.spares[0].faults == (FaultSpan(Fault.CHATTER, 5.0, 6.0),)
    assert len(case.spares[1].closures_at_s) == 0
    assert [each.input for each in case.inputs] == [1, 2, 7, 9]


def test_only_the_newest_closures_are_looked_at(monkeypatch: pytest.MonkeyPatch) -> None:
    """So many or more are kept, whole portions only, and what is left out is said."""
    monkeypatch.setattr(module, "CLOSURES_MAX", 60)
    mine = laps()
    portions = [mine[start : start + 25] for start in range(0, len(mine), 25)]
    case = case_of_run("long", placed(CONTACTS), iter(portions), [], {}, START_S, float(mine.made_s[-1]) + 9)
    left_out = len(mine) - 60  # six portions of 25, and one of 10: the last three hold just 60
    assert case.notes == (f"the first {left_out} closures of the run were left out",)
    seen = np.sort(np.concatenate([each.at.closures_at_s for each in case.contacts]))
    assert seen.tolist() == mine.made_s[left_out:].tolist()


def test_fewer_closures_are_all_looked_at(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(module, "CLOSURES_MAX", 10_000)
    assert of_laps().notes == ()


# ---- exchanged plugs ----

LINES = [("loop", 1), ("loop", 2), ("shuttle", 1)]


def exchanged(run: Run, first: int, second: int) -> Run:
    contact = run.closures.contact.copy()
    contact[run.closures.contact == first], contact[run.closures.contact == second] = second, first
    return replace(run, closures=replace(run.closures, contact=contact))


@pytest.mark.parametrize("pair", [(0, 1), (1, 2), (1, 4), (0, 5)])
@pytest.mark.parametrize(("kind", "trains"), LINES)
def test_exchanged_plugs_are_found(kind: str, trains: int, pair: tuple[int, int]) -> None:
    run = Trains(kind=kind, trains=trains, laps=60, missed=0.0, extra=0.0).run(3)
    (swap,) = made(exchanged(run, *pair), sheet_of(6, kind, trains)).swaps
    assert (swap.first, swap.second) == pair
    assert swap.gain > 0
    assert swap.odd_after <= swap.odd_before


@pytest.mark.parametrize("pair", [(0, 1), (2, 3)])
def test_exchanged_plugs_are_found_among_misses(pair: tuple[int, int]) -> None:
    run = Trains(laps=60, missed=0.02, extra=0.02, spread=0.2).run(8)
    (swap,) = made(exchanged(run, *pair), sheet_of(6)).swaps
    assert (swap.first, swap.second) == pair


@pytest.mark.parametrize("seed", [1, 2, 3])
@pytest.mark.parametrize(("kind", "trains"), LINES)
def test_nothing_is_exchanged(kind: str, trains: int, seed: int) -> None:
    run = Trains(kind=kind, trains=trains, laps=60, missed=0.02, extra=0.02).run(seed)
    assert made(run, sheet_of(6, kind, trains)).swaps == ()


def test_a_dead_contact_is_not_exchanged() -> None:
    run = Trains(laps=60, missed=[0.0, 0.0, 1.0, 0.0, 0.0, 0.0], extra=0.0).run(4)
    assert made(run, sheet_of(6)).swaps == ()
