"""Scenarios without boards give what they give with boards, links and a store; and each fault shows what it
should."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from sqlalchemy import select

from reedproof.analysis.closures import Closures
from reedproof.analysis.finding import Cause
from reedproof.cli.simulate import record_run
from reedproof.layout import Sheet
from reedproof.records import Fault
from reedproof.sim.scenario import Physics, Scenario, ScenarioFault, read_scenario
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
        faulty(Cause.WORN_CONTACT, 30.0, contact="customs"),
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
    given = replace(scenario(*BOTH_WAYS[which], laps=10), seed=12)
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
            (number, int(span.fault), round(at_s, 2), begins)
            for number, spans_of in mine.faults.items()
            for span in spans_of
            for at_s, begins in ((span.from_s, True), (span.to_s, False))
            if at_s is not None
        )
        assert [each[:2] + each[3:] for each in changes] == [each[:2] + each[3:] for each in spans]
        for change, span in zip(changes, spans, strict=True):
            assert change[2] == pytest.approx(span[2], abs=0.02)
    found_faults = {
        span.fault for board in short.boards.values() for spans in board.faults.values() for span in spans
    }
    lost = sum(sum(board.lost.values()) for board in short.boards.values())
    if which == "contacts":
        assert found_faults == {Fault.STUCK_CLOSED, Fault.CHATTER}
    if which == "the board":
        assert found_faults == {Fault.CHATTER}
        assert lost > 0


# ---- the files ----


def untouched(what: Scenario) -> list[str]:
    """Contacts that a fault of this scenario can change nothing of."""
    touched: set[str] = set()
    for fault in what.faults:
        touched.update([fault.contact or "", *(fault.contacts or [])])
        touched.update(c.name for c in what.sheet.contacts if fault.board == c.board and fault.input is None)
        routes = {train.route for train in what.sheet.trains if train.name == fault.train}
        touched.update(n for route in what.sheet.routes if route.name in routes for n in route.contacts)
    return [contact.name for contact in what.sheet.contacts if contact.name not in touched]


def of(run: ScenarioRun, what: Scenario, name: str) -> Closures:
    at = [contact.name for contact in what.sheet.contacts].index(name)
    return run.closures[run.closures.contact == at]


@pytest.mark.parametrize("path", FILES, ids=lambda path: path.stem)
def test_a_file_runs_and_leaves_the_other_contacts_as_they_are(path: Path) -> None:
    """With the same seed the contacts that no fault touches close as on a healthy layout, to the last bounce;
    a healthy one counts each pass once."""
    what = read_scenario(path)
    ran, healthy = run_scenario(what), run_scenario(replace(what, faults=()))
    assert healthy.truth["contacts"] == ran.truth["contacts"]
    assert ran.truth["faults"] == [fault.as_given() for fault in what.faults]
    for name, truth in healthy.truth["contacts"].items():
        assert len(of(healthy, what, name)) == truth["passes"], name
    for name in untouched(what):
        one, other = of(ran, what, name), of(healthy, what, name)
        for column in ("made_s", "duration_ms", "bounces", "dropouts"):
            np.testing.assert_array_equal(getattr(one, column), getattr(other, column), name)
    if "healthy" in path.stem:
        assert not what.faults
        assert all(
            entry["verdict"] == "good"
            for b in ran.boards.values()
            for entry in b.settings["selftest"].values()
        )
    else:
        assert what.faults
        assert 900 <= sum(truth["passes"] for truth in ran.truth["contacts"].values()) <= 1100
        assert str(everything(ran)) != str(everything(healthy)), "the faults show"


def everything(run: ScenarioRun) -> Any:
    columns = [getattr(run.closures, name).tolist() for name in ("contact", "made_s", "bounces", "dropouts")]
    return columns, run.stray, run.boards


def test_every_cause_is_there_in_three_sizes_and_in_pairs() -> None:
    alone: Counter[tuple[str, object]] = Counter()
    pairs = 0
    for path in FILES:
        what = read_scenario(path)
        if len(what.faults) == 1 and what.faults[0].mode is None:
            alone[what.faults[0].cause.value, what.faults[0].size] += 1
        pairs += len(what.faults) == 2
    assert set(alone) == {(cause.value, size) for cause in Cause for size in ("mild", "moderate", "severe")}
    assert pairs >= 8


def test_a_seed_gives_the_same_run_again_and_another_seed_another() -> None:
    faults = [fault for each in BOTH_WAYS.values() for fault in each]
    assert str(everything(run(*faults, seed=5))) == str(everything(run(*faults, seed=5)))
    assert str(everything(run(*faults, seed=5))) != str(everything(run(*faults, seed=6)))


# ---- what each cause does ----

SIZES = ("mild", "moderate", "severe")
SEEDS = range(50, 54)


@cache
def healthy_run(seed: int) -> ScenarioRun:
    return run(seed=seed)


@dataclass
class Seen:
    """What a fault does to one contact, over some seeds; beside it the healthy layout."""

    name: str
    faults: tuple[ScenarioFault, ...]

    def __post_init__(self) -> None:
        contact = HARBOUR.sheet.contacts[NAMES.index(self.name)]
        self.ran = [run(*self.faults, seed=seed) for seed in SEEDS]
        self.closures = [of(each, HARBOUR, self.name) for each in self.ran]
        self.healthy = [of(healthy_run(seed), HARBOUR, self.name) for seed in SEEDS]
        self.passes = sum(map(len, self.healthy))
        self.totals = [each.boards[contact.board].totals.get(contact.input) for each in self.ran]

    def doubled(self) -> float:
        """Closures that come within a second of the one before, of all passes."""
        return sum(int((np.diff(each.made_s) < 1).sum()) for each in self.closures) / self.passes

    def missed(self) -> float:
        return 1 - sum(map(len, self.closures)) / self.passes + self.doubled()

    def extra(self) -> float:
        """Of all passes."""
        return sum(map(len, self.closures)) / self.passes - 1

    def extra_per_minute(self) -> float:
        return self.extra() * self.passes / sum(each.end_s / 60 for each in self.ran)

    def bouncier(self) -> float:
        """How many times as much the last twenty closures bounce."""
        last = [sum(int(each.bounces[-20:].sum()) for each in side) for side in (self.closures, self.healthy)]
        return last[0] / last[1]

    def shorter(self) -> float:
        """The median length of a closure, of that on the healthy layout."""
        medians = [np.nanmedian(np.concatenate([each.duration_ms for each in side]))
                   for side in (self.closures, self.healthy)]  # fmt: skip
        return float(medians[0] / medians[1])

    def dropouts(self) -> float:
        """Per pass."""
        return sum(each.dropouts for each in self.totals if each) / self.passes

    def stray(self) -> float:
        """Closures per run of an input without a contact."""
        return sum(sum(map(len, each.stray.values())) for each in self.ran) / len(self.ran) / 10


#: Cause -> whom, which contact to look at, what to measure, and its bounds for each size.
SHOWS: list[tuple[Cause, dict[str, Any], str, Callable[[Seen], float], list[tuple[float, float]]]] = [
    (Cause.OPEN_LEAD, {}, "customs", Seen.missed, [(0.2, 0.4), (0.6, 0.8), (1, 1)]),
    (Cause.LOOSE_LEAD, {}, "customs", Seen.doubled, [(0.02, 0.06), (0.1, 0.2), (0.4, 0.6)]),
    (Cause.LOOSE_LEAD, {}, "customs", Seen.dropouts, [(0.2, 0.3), (0.6, 0.9), (2, 3.2)]),
    (Cause.STUCK_CONTACT, {}, "customs", Seen.missed, [(0.01, 0.09), (0.15, 0.3), (0.98, 1)]),
    (Cause.WEAK_MAGNET, {}, "customs", Seen.missed, [(0, 0.02), (0.01, 0.3), (0.4, 0.9)]),
    (Cause.WEAK_MAGNET, {}, "crane", Seen.shorter, [(0.5, 0.8), (0.4, 0.7), (0.1, 0.6)]),
    (Cause.TURNED_MAGNET, {}, "customs", Seen.doubled, [(0, 0.05), (0.2, 0.5), (0.8, 1)]),
    (Cause.TURNED_MAGNET, {}, "customs", Seen.dropouts, [(2, 4), (1, 3), (0, 0.6)]),
    (Cause.SIDE_LOBES, {}, "customs", Seen.doubled, [(0.02, 0.5), (0.3, 1.3), (1.7, 2)]),
    (Cause.WORN_CONTACT, {}, "customs", Seen.bouncier, [(2, 5), (5, 12), (15, 40)]),
    (Cause.WORN_CONTACT, {}, "customs", Seen.dropouts, [(0, 0.02), (0.01, 0.1), (0.2, 0.5)]),
    (Cause.WINDOW_TOO_SHORT, {}, "customs", Seen.doubled, [(0.01, 0.1), (0.15, 0.6), (0.8, 2)]),
    (Cause.WINDOW_TOO_LONG, {}, "dunes", Seen.missed, [(0, 0.1), (0.1, 0.35), (0.4, 0.7)]),
    (Cause.WINDOW_TOO_LONG, {}, "customs", Seen.missed, [(0, 0), (0, 0), (0, 0.05)]),
    (Cause.INTERFERENCE, {"board": "quay"}, "customs", Seen.stray, [(0, 0.5), (2, 60), (100, 600)]),
    (Cause.BAD_INPUT, {}, "customs", Seen.extra_per_minute, [(0.3, 0.6), (2, 3.2), (14, 20)]),
    (Cause.VEHICLE, {"train": "fish train"}, "customs", Seen.missed, [(0, 0.02), (0.01, 0.2), (0.15, 0.5)]),
    (Cause.SHORTED_INPUTS, {"contacts": ["crane", "customs"]}, "customs", Seen.extra,
     [(0.1, 0.3), (0.45, 0.75), (1, 1)]),
]  # fmt: skip


@pytest.mark.parametrize("size", SIZES)
@pytest.mark.parametrize("shows", SHOWS, ids=lambda shows: f"{shows[0].value}-{shows[3].__name__}")
def test_the_words_mean_what_they_say(shows: Any, size: str) -> None:
    """Four runs of each together; words and bounds are ours."""
    cause, whom, name, measure, bounds = shows
    low, high = bounds[SIZES.index(size)]
    found = measure(Seen(name, (faulty(cause, size, **(whom or {"contact": name})),)))
    assert low <= found <= high, f"{cause.value} {size}: {found:.3f}, seeds {SEEDS}"


@pytest.mark.parametrize(
    ("cause", "what", "bounds"),
    [
        (Cause.WEAK_MAGNET, "missed", [(0, 0.03), (0.01, 0.5), (0.4, 1)]),
        (Cause.TURNED_MAGNET, "doubled", [(0, 0.1), (0.1, 0.6), (0.7, 1)]),
        (Cause.SIDE_LOBES, "doubled", [(0, 0.7), (0.1, 1.5), (1.4, 2)]),
    ],
)
@pytest.mark.parametrize(
    "physics",
    [
        Physics(distance_mm=11.0),
        Physics(
            diameter_mm=6, length_mm=13, remanence_t=1.2, distance_mm=17, operate_mt=2.6, release_mt=1.75
        ),
    ],
    ids=["nearer", "larger"],
)
def test_words_mean_the_same_with_another_magnet(
    cause: Cause, what: str, bounds: list[tuple[float, float]], physics: Physics
) -> None:
    for size, (low, high) in zip(SIZES, bounds, strict=True):
        given = Scenario(HARBOUR.sheet, 62, physics=physics, faults=(faulty(cause, size, contact="customs"),))
        closures = [of(run_scenario(given, seed=seed), HARBOUR, "customs") for seed in SEEDS]
        passes = 124 * len(closures)
        doubled = sum(int((np.diff(each.made_s) < 1).sum()) for each in closures)
        missed = passes - sum(map(len, closures)) + doubled
        found = {"missed": missed, "doubled": doubled}[what] / passes
        assert low <= found <= high, f"{size}: {found:.3f}"


def test_swapped_plugs_exchange_two_contacts_from_a_time_on() -> None:
    fault = faulty(Cause.SWAPPED_PLUGS, "mild", contacts=["crane", "ropewalk"])
    swapped, healthy = run(fault, seed=3), run(seed=3)
    from_s = healthy.end_s * 0.7
    for one, other in (("crane", "ropewalk"), ("ropewalk", "crane")):
        wanted = [
            *(at for at in of(healthy, HARBOUR, one).made_s if at < from_s),
            *(at for at in of(healthy, HARBOUR, other).made_s if at >= from_s),
        ]
        assert of(swapped, HARBOUR, one).made_s.tolist() == wanted


@pytest.mark.parametrize(("size", "long_s"), [("mild", 20), ("moderate", 120), ("severe", 600)])
def test_a_parked_magnet_holds_a_contact_closed_once_and_between_trains(size: str, long_s: float) -> None:
    healthy = of(run(seed=4), HARBOUR, "crane")
    start_s = float(healthy.made_s[20])  # just when a train comes
    closures = of(
        run(faulty(Cause.PARKED_MAGNET, size, contact="crane", start_s=start_s), seed=4), HARBOUR, "crane"
    )
    long = closures.duration_ms > 5000
    assert np.count_nonzero(long) == 1
    assert float(closures.duration_ms[long][0]) == pytest.approx(long_s * 1000, rel=0.02)
    begun_s = float(closures.made_s[long][0])
    assert start_s + 0.9 < begun_s < start_s + 5
    assert np.min(np.abs(healthy.made_s - begun_s)) > 0.9


def test_a_size_of_one_is_for_good() -> None:
    stuck = of(run(faulty(Cause.STUCK_CONTACT, 1.0, contact="crane", start_s=500)), HARBOUR, "crane")
    assert np.isnan(stuck.duration_ms).tolist() == [False] * (len(stuck) - 1) + [True]
    assert 500 < stuck.made_s[-1] < 530
    assert stuck.dropouts[-1] == 0, "it does not bounce when the magnet leaves"
    cut = of(run(faulty(Cause.OPEN_LEAD, 1.0, contact="crane", start_s=500)), HARBOUR, "crane")
    assert cut.made_s.tolist() == stuck.made_s[:-1].tolist()


def test_a_fault_lasts_as_long_as_it_says() -> None:
    fault = faulty(Cause.WEAK_MAGNET, 6.0, contact="crane", start_s=400, duration_s=200)
    made_s, healthy_s = (of(each, HARBOUR, "crane").made_s for each in (run(fault), run()))
    assert not np.any((made_s > 400) & (made_s < 600))
    assert np.count_nonzero(made_s < 400) == np.count_nonzero(healthy_s < 400)
    assert np.count_nonzero(made_s > 600) == np.count_nonzero(healthy_s > 600)


def test_interference_reaches_all_inputs_of_its_board_in_step_with_the_mains() -> None:
    layout = layout_of(scenario(faulty(Cause.INTERFERENCE, "mild", board="quay", period_ms=16.6), laps=20))
    raw = layout.replays()["quay"]
    assert set(raw.inputs.tolist()) == set(range(1, 17))
    starts_us = raw.times_us[raw.inputs == 16][::2]
    assert len(starts_us) > 100
    assert np.all(starts_us % 16600 <= 100)
    assert np.all(np.isin(starts_us[:20], raw.times_us[raw.inputs == 15])), "the same moments on each input"


def test_faults_meet_on_one_contact() -> None:
    """Each takes its share of what the other leaves."""
    weak = faulty(Cause.WEAK_MAGNET, "severe", contact="customs")
    loose = faulty(Cause.LOOSE_LEAD, "severe", contact="customs")
    both, first = Seen("customs", (weak, loose)), Seen("customs", (weak,))
    assert both.missed() > first.missed()
    assert both.doubled() > 0
    assert first.doubled() == 0


def test_a_turned_magnet_can_be_too_far_away_as_well() -> None:
    turned, weak = (
        faulty(Cause.TURNED_MAGNET, 12.0, contact="crane"),
        faulty(Cause.WEAK_MAGNET, 2.0, contact="crane"),
    )
    for both in ((turned, weak), (weak, turned)):
        one = of(run(*both), HARBOUR, "crane")
        other = of(run(faulty(Cause.TURNED_MAGNET, 14.0, contact="crane")), HARBOUR, "crane")
        assert one.made_s.tolist() == other.made_s.tolist()


def test_a_chain_of_shorts_connects_its_ends_and_a_board_without_contacts_is_no_trouble() -> None:
    data = HARBOUR.sheet.model_dump(mode="json", exclude_none=True)
    data["boards"]["attic"] = {"kind": "nano"}
    data["contacts"].append({"name": "siding", "board": "yard", "input": 16})  # on no route
    sheet = Sheet.model_validate(data)
    shorts = [
        faulty(Cause.SHORTED_INPUTS, "severe", contacts=["crane", "siding"]),
        faulty(Cause.SHORTED_INPUTS, "severe", contacts=["customs", "siding"]),
    ]
    for faults in (shorts, shorts[::-1]):
        ran = run_scenario(Scenario(sheet, laps=20, faults=tuple(faults)))
        counts = [len(of(ran, Scenario(sheet), name)) for name in ("crane", "customs", "siding", "lime kiln")]
        assert counts == [80, 80, 80, 40]
        assert ran.boards["attic"].totals == {}
        assert ran.truth["contacts"]["siding"] == {"passes": 0}


# ---- the self-test ----


def verdicts(board: str, *faults: ScenarioFault, seed: int = 1) -> dict[int, tuple[str, list[int]]]:
    """Of inputs that are not good."""
    told = run(*faults, seed=seed, laps=1).boards[board].settings["selftest"]
    return {
        int(n): (each["verdict"], each["partners"]) for n, each in told.items() if each["verdict"] != "good"
    }


def test_the_self_test_shows_what_is_electrically_wrong() -> None:
    short = faulty(Cause.SHORTED_INPUTS, "severe", contacts=["customs", "ropewalk"])
    dead = faulty(Cause.BAD_INPUT, contact="crane", mode="dead")
    leaky = faulty(Cause.BAD_INPUT, "severe", board="quay", input=9)
    assert verdicts("quay", short, dead, leaky) == {
        2: ("shorted", [4]), 4: ("shorted", [2]), 3: ("held_high", []), 9: ("reads_low", []),
    }  # fmt: skip
    assert verdicts("yard", short, dead, leaky) == {}
    late = faulty(Cause.SHORTED_INPUTS, "severe", contacts=["customs", "ropewalk"], start_s=60)
    assert verdicts("quay", late) == {}


@pytest.mark.parametrize(("size", "low", "high"), [("mild", 4, 20), ("moderate", 20, 36), ("severe", 40, 40)])
def test_how_often_the_self_test_finds_a_bad_input_grows_with_its_size(
    size: str, low: int, high: int
) -> None:
    found = sum(
        bool(verdicts("quay", faulty(Cause.BAD_INPUT, size, contact="crane"), seed=s)) for s in range(40)
    )
    assert low <= found <= high
