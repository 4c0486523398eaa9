"""Runs in a store, read as cases to diagnose."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from reedproof.analysis.case import Case, Counts, FaultSpan, SelfTest
from reedproof.analysis.diagnosis import diagnose
from reedproof.cli.simulate import record_run
from reedproof.errors import StoreError
from reedproof.layout import Sheet
from reedproof.records import Broke, Fault, FaultChange, Heartbeat, Made, Record, Verdict
from reedproof.run_case import read_case
from reedproof.sim.layout import Conditions, VirtualLayout
from reedproof.store import Store
from report.made import NAMES, SETTINGS, STARTED_S, Wrong, hello, sheet, write_run

pytestmark = pytest.mark.filterwarnings("error")

PLAN = {"passes": 100}
TESTED = {"1": {"verdict": "shorted", "partners": [3]}, "3": {"verdict": "shorted", "partners": [1]}}


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    with Store(tmp_path / "store.sqlite") as opened:
        yield opened


def beat(input_: int, time_us: int, *counted: int) -> Heartbeat:
    edges, closures, *rest = counted
    return Heartbeat(time_us, 0, 0, 0, 0, 0, input_, 0, edges, closures, 0, *rest)


def laps(first: int, count: int, contacts: int = 4) -> list[tuple[Record, float]]:
    """A train that comes to the next contact of the board each 5 s, for laps from ``first`` on."""
    batch: list[tuple[Record, float]] = []
    for step in range(first * contacts, (first + count) * contacts):
        at_s = 5.0 * step + 0.1 * np.sin(step)
        number, input_ = len(batch), step % contacts + 1
        batch.append((Made(number, input_, round(at_s * 1e6), 1, 31, 62), STARTED_S + at_s))
        broke_us = round((at_s + 0.06) * 1e6)
        batch.append((Broke(number + 1, input_, broke_us, 0, 0, 60), STARTED_S + at_s + 0.06))
    return batch


def change(number: int, input_: int, fault: Fault, active: bool, at_s: float) -> tuple[Record, float]:
    return FaultChange(number, input_, round(at_s * 1e6), fault, active), STARTED_S + at_s


def one_board() -> dict[str, Any]:
    """The first four contacts, all on 'quarry'."""
    made = sheet(NAMES[:8])
    made["contacts"] = made["contacts"][:4]
    made["routes"][0]["contacts"] = [each["name"] for each in made["contacts"]]
    return made


def over_two_boots(
    store: Store, settings: Mapping[str, Any] = SETTINGS, later: Mapping[str, Any] = SETTINGS
) -> int:
    run_id = store.begin_run(STARTED_S, one_board(), PLAN)
    for boot, first, each in ((0, 0, settings), (1, 20, later)):
        boot_id = store.boot(hello(7)._replace(boot=boot + 1), STARTED_S + 400.0 * boot)
        store.join_run(run_id, "quarry", boot_id, 0, STARTED_S + 400.0 * boot, each)
        batch = laps(first, 20)
        beats = [beat(1, 400_000_000, 40, 20, 3 + boot, 1, 500 - 100 * boot, 10 + boot)]
        at_s = STARTED_S + 5.0 * 80 * (boot + 1)
        store.add(boot_id, batch, beats)
        store.heard(run_id, boot_id, at_s)
    store.end_run(run_id, STARTED_S + 800.0, "met")
    return run_id


def test_a_run_over_two_boots_is_one(store: Store) -> None:
    """Passes go on, what was counted adds up, and of widths the longest stands."""
    told: list[float] = []
    case = read_case(store, over_two_boots(store), told.append)
    assert [len(each.passes) for each in case.contacts] == [40] * 4
    assert [int(each.passes.missed.sum()) for each in case.contacts] == [0] * 4
    assert case.contacts[0].at.counts == Counts(800.0, 80, 40, 7, 2, 500, 11)
    assert case.contacts[1].at.counts is None
    assert (case.from_s, case.to_s) == (STARTED_S, STARTED_S + 800.0)
    assert (case.source, case.trains) == ("run 1", ("stone train",))
    assert told
    assert all(0 <= part <= 1 for part in told)
    assert told == sorted(told)


def test_what_was_set_last_holds(store: Store) -> None:
    later = {"inputs": {"1": {"make_us": 9000, "break_us": 700}}, "selftest": TESTED}
    case = read_case(store, over_two_boots(store, later=later))
    first = case.contacts[0].at
    assert (first.make_us, first.break_us) == (9000, 700)
    assert first.selftest == SelfTest(Verdict.SHORTED, (3,))
    assert case.contacts[1].at.selftest is None


@pytest.mark.parametrize("settings", [{}, {"board": {"silent_ms": 0}}])
def test_a_run_of_an_earlier_version_has_no_settings(store: Store, settings: Mapping[str, Any]) -> None:
    case = read_case(store, over_two_boots(store, settings, settings))
    assert [len(each.passes) for each in case.contacts] == [40] * 4
    assert [(each.at.make_us, each.at.break_us, each.at.selftest) for each in case.contacts] == [
        (0, 0, None)
    ] * 4
    assert diagnose(case).is_clear


def test_spans_of_faults(store: Store) -> None:
    """From when a fault came to when it went; one that did not go lasts; one that only went is of the time
    before the run; told twice it is one."""
    run_id = store.begin_run(STARTED_S, one_board(), PLAN)
    boot_id = store.boot(hello(7), STARTED_S)
    store.join_run(run_id, "quarry", boot_id, 0, STARTED_S, SETTINGS)
    store.add(
        boot_id,
        [
            change(0, 3, Fault.NEVER_TRIGGERED, False, 1.0),
            change(1, 1, Fault.CHATTER, True, 10.0),
            change(2, 1, Fault.STUCK_CLOSED, True, 11.0),
            change(3, 1, Fault.CHATTER, False, 12.0),
            change(4, 1, Fault.CHATTER, True, 20.0),
            change(5, 1, Fault.CHATTER, True, 21.0),
            change(6, 1, Fault.CHATTER, False, 22.0),
            change(7, 9, Fault.SHORTED, True, 30.0),
        ],
    )
    store.end_run(run_id, STARTED_S + 60.0, "stopped")
    case = read_case(store, run_id)
    by_input = {each.input: each.faults for each in case.inputs}
    assert by_input[1] == (
        FaultSpan(Fault.CHATTER, STARTED_S + 10, STARTED_S + 12),
        FaultSpan(Fault.CHATTER, STARTED_S + 20, STARTED_S + 22),
        FaultSpan(Fault.STUCK_CLOSED, STARTED_S + 11, None),
    )
    assert by_input[9] == (FaultSpan(Fault.SHORTED, STARTED_S + 30, None),)
    assert by_input[3] == ()


def test_a_run_that_no_board_joined(store: Store) -> None:
    """It was begun and broken off: there is nothing to see, and that is no error."""
    run_id = store.begin_run(STARTED_S, one_board(), PLAN)
    case = read_case(store, run_id)
    assert [len(each.passes) for each in case.contacts] == [0] * 4
    assert (case.from_s, case.to_s) == (STARTED_S, STARTED_S)
    assert case.spares == ()
    found = diagnose(case)
    assert (found.findings, found.is_enough) == ((), False)


def test_a_run_that_goes_on(store: Store) -> None:
    run_id = store.begin_run(STARTED_S, one_board(), PLAN)
    boot_id = store.boot(hello(7), STARTED_S)
    store.join_run(run_id, "quarry", boot_id, 0, STARTED_S, SETTINGS)
    store.add(boot_id, laps(0, 20)[:-1])
    store.heard(run_id, boot_id, STARTED_S + 50.0)
    case = read_case(store)
    assert case.to_s == STARTED_S + 50.0
    assert np.isnan(case.contacts[3].passes.parts_ms[-1, 0])  # closed, and newer than what was heard
    assert diagnose(case).is_clear


def test_there_is_no_such_run(store: Store) -> None:
    with pytest.raises(StoreError, match="no run yet"):
        read_case(store)
    run_id = write_run(store, 4, PLAN, Wrong())[0]
    with pytest.raises(StoreError, match=f"no run number {run_id + 1}"):
        read_case(store, run_id + 1)


def test_misses_and_gaps_of_two_boards(store: Store) -> None:
    """'crusher' misses a tenth; for a fifth of the run board 'mill' was away, which is no miss."""
    wrong = Wrong(missed={2: 0.1}, away=(0.4, 0.6))
    run_id, truth = write_run(store, 60, PLAN, wrong)
    case = read_case(store, run_id)
    assert [each.name for each in case.contacts] == list(NAMES)
    for at, contact in enumerate(case.contacts):
        assert abs(len(contact.passes) - truth.passes[at]) <= 1, contact.name
        assert abs(int(contact.passes.missed.sum()) - truth.missed[at]) <= 1, contact.name
    assert len(case.spares) == 2 * 16 - len(NAMES)
    assert {(each.at.board, each.at.make_us) for each in case.contacts} == {("quarry", 1000), ("mill", 1000)}


def counted(case: Case) -> list[tuple[int, int]]:
    return [(len(each.passes), int(each.passes.missed.sum())) for each in case.contacts]


def test_a_simulated_run(store: Store) -> None:
    """All the way: trains, virtual boards, links, recorders and store."""
    layout = VirtualLayout(Sheet.model_validate(sheet()), laps=8, seed=3, conditions=Conditions())
    run_id = record_run(layout, store, STARTED_S)
    case = read_case(store, run_id)
    assert counted(case) == [(8, 0)] * len(NAMES)
    for contact in case.contacts:
        counts, selftest = contact.at.counts, contact.at.selftest
        assert counts is not None
        assert counts.closures == 8
        assert counts.edges >= 16
        assert selftest == SelfTest(Verdict.GOOD)
        assert (contact.at.make_us, contact.at.break_us) == (1000, 10_000)
    assert diagnose(case).is_clear
