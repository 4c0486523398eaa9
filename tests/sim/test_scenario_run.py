"""Scenarios without boards give what they give with boards, links and a store; and each fault shows physically
what it should."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest
from sqlalchemy import select

from reedproof.analysis.closures import Closures
from reedproof.cli.simulate import record_run
from reedproof.records import Fault
from reedproof.sim.scenario import Cause, Scenario, ScenarioFault, read_scenario
from reedproof.sim.scenario_run import ScenarioRun, layout_of, run_scenario
from reedproof.store import Store
from reedproof.store_tables import FAULT, MADE, counters, records

SCENARIOS = Path(__file__).resolve().parents[1] / "scenarios"
FILES = sorted(path for path in SCENARIOS.glob("*.toml") if path.name != "harbour.toml")
START_S = 1_700_000_000.0
HARBOUR = read_scenario(SCENARIOS / "healthy.toml")
NAMES = [contact.name for contact in HARBOUR.sheet.contacts]


def faulty(cause: Cause, size: float | str = "moderate", **whom: Any) -> ScenarioFault:
    return ScenarioFault.model_validate({"cause": cause, "size": size, **whom})


def scenario(*faults: ScenarioFault, laps: int = 62) -> Scenario:
    return Scenario(HARBOUR.sheet, laps=laps, faults=faults)


def run(*faults: ScenarioFault, seed: int = 1, laps: int = 62) -> ScenarioRun:
    return run_scenario(scenario(*faults, laps=laps), seed=seed)


# ---- the short way and the long way ----

BOTH_WAYS = {
    "healthy": [],
    "built in wrongly": [
        faulty(Cause.TURNED_MAGNET, contact="customs"),
        faulty(Cause.SIDE_LOBES, "severe", contact="crane"),
        faulty(Cause.WEAK_MAGNET, contact="ropewalk"),
        faulty(Cause.VEHICLE, train="mail"),
    ],
    "leads and plugs": [
        faulty(Cause.LOOSE_LEAD, "severe", contact="customs"),
        faulty(Cause.OPEN_LEAD, contact="ropewalk"),
        faulty(Cause.SWAPPED_PLUGS, contacts=["crane", "lime kiln"]),
        faulty(Cause.SHORTED_INPUTS, "severe", contacts=["dunes", "sail loft"]),
    ],
    "contacts": [
        faulty(Cause.WORN_CONTACT, "severe", contact="customs"),
        faulty(Cause.STUCK_CONTACT, contact="crane"),
        faulty(Cause.PARKED_MAGNET, 90.0, contact="lime kiln"),
    ],
    "the board": [
        faulty(Cause.INTERFERENCE, board="quay"),
        faulty(Cause.BAD_INPUT, "severe", board="yard", input=9),
        faulty(Cause.BAD_INPUT, contact="crane", mode="dead"),
        faulty(Cause.WINDOW_TOO_SHORT, contact="customs"),
        faulty(Cause.WINDOW_TOO_LONG, contact="dunes"),
    ],
}


@pytest.mark.parametrize("which", BOTH_WAYS)
def test_boards_and_store_give_the_same(which: str, tmp_path: Path) -> None:
    given = scenario(*BOTH_WAYS[which], laps=10)
    short = run_scenario(given, start_s=START_S)
    layout = layout_of(given)
    with Store(tmp_path / "store.sqlite") as store:
        run_id = record_run(layout, store, START_S)
        found = Closures.join(list(store.closures(run_id, given.sheet.positions())))
        boards = {board.name: board for board in store.run_boards(run_id)}
        with store._transaction() as connection:
            kept = connection.execute(select(records)).all()
            beats = connection.execute(select(counters)).all()
    assert layout.truth() == short.truth
    for at, name in enumerate(NAMES):  # each by itself: interference closes several at the same moment
        one, other = found[found.contact == at], short.closures[short.closures.contact == at]
        assert one.made_s == pytest.approx(other.made_s, abs=0.002)
        for what in ("duration_ms", "bounces", "dropouts"):
            np.testing.assert_array_equal(getattr(one, what), getattr(other, what), f"{name}: {what}")
    for name, board in boards.items():
        mine = short.boards[name]
        assert board.settings == mine.settings
        stray = {
            (name, row.input)
            for row in kept
            if row.boot_id == board.boot_id and row.kind == MADE
            and (name, row.input) not in given.sheet.positions()
        }  # fmt: skip
        assert stray == {pin for pin in short.stray if pin[0] == name}
        for beat in beats:
            if beat.boot_id != board.boot_id:
                continue
            totals = mine.totals.get(beat.input)
            if totals is None:
                assert beat.edges == 0
                continue
            assert (beat.edges, beat.closures) == (totals.edges, totals.closures), (name, beat.input)
            assert (beat.blips, beat.dropouts) == (totals.blips, totals.dropouts), (name, beat.input)
            assert beat.longest_blip_us == totals.longest_blip_us
            assert beat.longest_dropout_us == totals.longest_dropout_us
            assert beat.lost == mine.lost.get(beat.input, 0)
        changes = sorted(
            (row.input, row.detail_1, round(row.host_s, 2), bool(row.detail_2))
            for row in kept
            if row.boot_id == board.boot_id and row.kind == FAULT and row.detail_1 != Fault.SHORTED
        )
        spans = sorted(
            (span.input, int(span.fault), round(at_s, 2), begins)
            for span in mine.faults
            for at_s, begins in ((span.from_s, True), (span.to_s, False))
            if at_s is not None
        )
        assert [each[:2] + each[3:] for each in changes] == [each[:2] + each[3:] for each in spans]
        for change, span in zip(changes, spans, strict=True):
            assert change[2] == pytest.approx(span[2], abs=0.02)
