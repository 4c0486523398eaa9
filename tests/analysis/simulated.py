"""Cases out of simulated scenarios, as a store would give them."""

from __future__ import annotations

import numpy as np

from reedproof.analysis.case import BoardFacts, Case, Counts, SelfTest
from reedproof.analysis.case_of_run import case_of_run, places
from reedproof.analysis.closures import Closures
from reedproof.records import Fault, Verdict
from reedproof.sim.core import InputTotals
from reedproof.sim.scenario import Scenario
from reedproof.sim.scenario_run import BoardRun, run_scenario

START_S = 1.7e9
SILENT = InputTotals(0, 0, 0, 0, 0, 0, Fault(0))


def case_of(scenario: Scenario, seed: int) -> Case:
    """What is known of a run of the scenario."""
    run = run_scenario(scenario, seed=seed, start_s=START_S)
    seconds = run.end_s - run.start_s
    boards = {name: _facts(board, seconds) for name, board in run.boards.items()}
    at = places(scenario.sheet, boards)
    closures = Closures.join([run.closures, *(_stray(at[pin], made_s) for pin, made_s in run.stray.items())])
    return case_of_run(
        f"simulated run, seed {seed}",
        scenario.sheet,
        [closures[np.argsort(closures.made_s, kind="stable")]],
        [],
        boards,
        run.start_s,
        run.end_s,
    )


def _stray(place: int, made_s: tuple[float, ...]) -> Closures:
    """Of an input without a contact only the times are of use."""
    count = len(made_s)
    unknown = np.zeros(count, np.uint16)
    return Closures(
        np.full(count, place, np.int16),
        np.array(made_s),
        np.full(count, np.nan, np.float32),
        unknown,
        unknown,
    )


def _facts(board: BoardRun, seconds: float) -> BoardFacts:
    return BoardFacts(
        counts={
            int(number): _counts(board.totals.get(int(number), SILENT), seconds)
            for number in board.settings["inputs"]
        },
        settings={
            int(number): (one["make_us"], one["break_us"]) for number, one in board.settings["inputs"].items()
        },
        selftest={
            int(number): SelfTest(Verdict[one["verdict"].upper()], tuple(one["partners"]))
            for number, one in board.settings["selftest"].items()
        },
        faults=board.faults,
    )


def _counts(totals: InputTotals, seconds: float) -> Counts:
    return Counts(
        seconds, totals.edges, totals.closures, totals.blips, totals.dropouts, totals.longest_blip_us,
        totals.longest_dropout_us,
    )  # fmt: skip
