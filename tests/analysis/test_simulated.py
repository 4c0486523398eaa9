"""The short way to a case, without boards and store, gives what the long one does."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from analysis.simulated import START_S, case_of
from reedproof.analysis.case import InputFacts
from reedproof.cli.simulate import record_run
from reedproof.run_case import read_case
from reedproof.sim.scenario import read_scenario
from reedproof.sim.scenario_run import layout_of
from reedproof.store import Store

SCENARIOS = Path(__file__).parents[1] / "scenarios"
CLOCK_S = 0.005  # a link knows a board's time to a few milliseconds
WIDTH = 1 / 16  # widths are rounded down by that much on the wire


def assert_same(short: InputFacts, long: InputFacts) -> None:
    assert (short.board, short.input) == (long.board, long.input)
    assert (short.make_us, short.break_us, short.selftest) == (long.make_us, long.break_us, long.selftest)
    np.testing.assert_allclose(short.closures_at_s, long.closures_at_s, rtol=0, atol=CLOCK_S)
    mine, theirs = short.counts, long.counts
    assert mine is not None
    assert theirs is not None
    assert (mine.edges, mine.closures, mine.blips, mine.dropouts) == (
        theirs.edges, theirs.closures, theirs.blips, theirs.dropouts,
    )  # fmt: skip
    for width_us, wire_us in (
        (mine.longest_blip_us, theirs.longest_blip_us),
        (mine.longest_dropout_us, theirs.longest_dropout_us),
    ):
        assert (1 - WIDTH) * width_us - 1 <= wire_us <= width_us
    assert [fault.fault for fault in short.faults] == [fault.fault for fault in long.faults]


@pytest.mark.parametrize("name", ["interference_severe", "loose_lead_severe", "swapped_plugs_severe"])
def test_both_ways_give_the_same_case(name: str, tmp_path: Path) -> None:
    scenario = replace(read_scenario(SCENARIOS / f"{name}.toml"), laps=6)
    short = case_of(scenario, 7)
    with Store(tmp_path / "store.sqlite") as store:
        run_id = record_run(layout_of(scenario, seed=7), store, START_S)
        long = read_case(store, run_id)
    theirs = {(each.board, each.input): each for each in long.inputs}
    assert len(short.inputs) == len(theirs) == 32
    assert sum(len(each.closures_at_s) for each in short.inputs) > 50
    for mine in short.inputs:
        assert_same(mine, theirs[mine.board, mine.input])
    assert (short.trains, short.alike, short.length_unit) == (long.trains, long.alike, long.length_unit)
    if name == "interference_severe":
        return  # a millisecond decides which of many closures are taken for passes
    for one, other in zip(short.contacts, long.contacts, strict=True):
        assert (one.name, len(one.passes), len(one.extras)) == (
            other.name, len(other.passes), len(other.extras),
        )  # fmt: skip
        np.testing.assert_array_equal(one.passes.closures, other.passes.closures)
        np.testing.assert_array_equal(one.passes.bounces, other.passes.bounces)
