"""The virtual layout: what it says happened is what the boards' own code counts, and chances and speeds are
those that were asked for."""

from __future__ import annotations

import dataclasses
import itertools
from collections import Counter
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from scipy.stats import binom, kstest

import reedproof
from reedproof.analysis.closures import Closures
from reedproof.cli.simulate import record_run
from reedproof.errors import ReedproofError
from reedproof.layout import Sheet, read_sheet
from reedproof.link import Link
from reedproof.records import Broke, LinkEvent, LinkUp, Made
from reedproof.sim.core import replay
from reedproof.sim.layout import LENGTH_MM, Conditions, Outage, VirtualLayout, board_id
from reedproof.store import Store

EXAMPLE = Path(reedproof.__file__).parent / "examples" / "fernhollow.toml"
SPREAD = 0.33
RARE = 1e-6  # by chance alone, so seldom does a right program fail; seeds are fixed, so it does not here


def make_sheet(
    contacts: int = 6, boards: int = 1, kind: str = "loop", trains: int = 1, **train: Any
) -> Sheet:
    """A ring or a line of contacts, 2 s from each to the next at 150 mm/s."""
    names = [f"contact {number}" for number in range(1, contacts + 1)]
    route = {"name": "route", "kind": kind, "contacts": names}
    return Sheet.model_validate(
        {
            "layout": {"name": "test"},
            "boards": {f"board {number}": {"kind": "nano"} for number in range(boards)},
            "contacts": [
                {"name": name, "board": f"board {at % boards}", "input": at // boards + 1}
                for at, name in enumerate(names)
            ],
            "routes": [{**route, "times_s": [2.0] * (contacts - (kind == "shuttle"))}],
            "trains": [{"name": f"train {n}", "route": "route", **train} for n in range(trains)],
        }
    )


def chances(sheet: Sheet, chance: float) -> dict[str, float]:
    return {contact.name: chance for contact in sheet.contacts}


def counted(closures: Closures, sheet: Sheet) -> dict[str, int]:
    counts = Counter(closures.contact.tolist())
    return {contact.name: counts[at] for at, contact in enumerate(sheet.contacts)}


def expected(layout: VirtualLayout) -> dict[str, int]:
    return {name: tally.passes - tally.missed + tally.extra for name, tally in layout.tallies.items()}


SHEETS = {
    "loop": make_sheet(),
    "one contact": make_sheet(1),
    "shuttle": make_sheet(kind="shuttle", boards=2),
    "shuttle of one": make_sheet(1, kind="shuttle"),
    "magnets": make_sheet(magnets=3, spacing_mm=120.0),
    "long train": make_sheet(4, kind="shuttle", magnets=5, spacing_mm=410.0),
    "trains": make_sheet(8, boards=3, trains=2, magnets=2, spacing_mm=90.0),
    "example": read_sheet(EXAMPLE),
}


@pytest.mark.parametrize("which", SHEETS)
@pytest.mark.parametrize("seed", range(3))
def test_the_truth_is_what_the_core_counts(which: str, seed: int) -> None:
    sheet = SHEETS[which]
    alone = which != "trains"
    conditions = Conditions(
        miss=chances(sheet, 0.1), extra=chances(sheet, 0.1),
        halt=0.05 if alone else 0.0, halt_on_contact=0.05 if alone else 0.0,
    )  # fmt: skip
    layout = VirtualLayout(sheet, 60, seed=seed, conditions=conditions)
    closures = layout.replayed()
    assert counted(closures, sheet) == expected(layout), f"sheet {which}, seed {seed}"
    assert np.all(np.diff(closures.made_s) >= 0)
    per_lap = {
        contact: train.magnets * (2 if route.kind == "shuttle" else 1)
        for route in sheet.routes for contact in route.contacts
        for train in sheet.trains if train.route == route.name
    }  # fmt: skip
    trains = len(sheet.trains) if which == "trains" else 1
    for name, tally in layout.tallies.items():
        assert tally.passes + tally.outside == 60 * per_lap[name] * trains
    assert set(layout.laps_run.values()) == {60}
    assert layout.passes_run == layout.passes_planned


def test_a_seed_gives_the_same_run_again_and_another_seed_another() -> None:
    def run(seed: int) -> tuple[Any, Any]:
        sheet = SHEETS["shuttle"]
        layout = VirtualLayout(
            sheet, 20, seed=seed, conditions=Conditions(chances(sheet, 0.1), chances(sheet, 0.1))
        )
        closures = layout.replayed()
        return layout.truth(), [each.tolist() for each in dataclasses.astuple(closures)]

    assert run(1) == run(1)
    assert run(1) != run(2)


def test_what_is_missed_before_the_first_closure_or_after_the_last_is_not_of_the_run() -> None:
    sheet = make_sheet()
    names = [contact.name for contact in sheet.contacts]
    layout = VirtualLayout(sheet, 5, conditions=Conditions(miss={names[0]: 1.0, names[-1]: 1.0}))
    layout.replayed()
    first, last = layout.tallies[names[0]], layout.tallies[names[-1]]
    assert (first.passes, first.missed, first.outside) == (4, 4, 1)
    assert (last.passes, last.missed, last.outside) == (4, 4, 1)
    assert layout.passes_run == 30


def test_chances_are_those_that_were_asked_for() -> None:
    """Within the limits of the binomial distribution, for each contact and each chance."""
    sheet = make_sheet()
    names = [contact.name for contact in sheet.contacts]
    asked = dict(zip(names, (0.0, 0.001, 0.01, 0.05, 0.3, 1.0), strict=True))
    layout = VirtualLayout(
        sheet,
        3000,
        conditions=Conditions(miss=asked, extra=dict(zip(names, reversed(asked.values()), strict=True))),
    )
    layout.replayed()
    for name, tally in layout.tallies.items():
        extra = layout.conditions.extra[name]
        for count, chance in ((tally.missed + tally.outside, asked[name]), (tally.extra, extra)):
            low, high = binom.ppf([RARE, 1 - RARE], 3000, chance)
            assert max(low, 0) <= count <= high, (name, count, chance)


def test_half_of_the_missed_passes_are_blips_and_half_of_the_extras_side_lobes() -> None:
    sheet = make_sheet(1)
    layout = VirtualLayout(sheet, 4000, conditions=Conditions(miss=chances(sheet, 0.5)))
    times_us = np.array([at_us for at_us, _, _ in layout.edges_before("board 0", 10**15)])
    blips = replay(times_us, np.ones(len(times_us), np.uint8)).totals[1].blips
    low, high = binom.ppf([RARE, 1 - RARE], layout.tallies["contact 1"].missed, 0.5)
    assert low <= blips <= high
    layout = VirtualLayout(sheet, 4000, conditions=Conditions(extra=chances(sheet, 0.5)))
    closures = layout.replayed()
    extra = layout.tallies["contact 1"].extra
    after_ms = np.diff(closures.made_s) * 1000 - closures.duration_ms[:-1]
    beside = (after_ms > 19) & (after_ms < 66) & (closures.duration_ms[:-1] > 9)
    lobes = int(np.count_nonzero(beside & (closures.duration_ms[1:] > 20)))
    strays = int(np.count_nonzero(closures.duration_ms < 9))
    assert lobes + strays == extra
    low, high = binom.ppf([RARE, 1 - RARE], extra, 0.5)
    assert low <= strays <= high


def test_speeds_lie_evenly_within_a_third() -> None:
    """Kolmogorov-Smirnov against the even distribution that was promised."""
    layout = VirtualLayout(make_sheet(), 500, conditions=Conditions(speed_spread=SPREAD))
    closures = layout.replayed()
    between_s = np.diff(closures.made_s)
    # The train starts in the middle of the section before the first contact: that one is drawn in halves.
    whole = between_s[closures.contact[1:] != 0]
    speed = 2.0 / whole
    beside = 0.6 * LENGTH_MM / 150 / (1 - SPREAD) / 2  # a closing begins before the middle of the contact
    assert speed.min() > (1 - SPREAD) * (1 - beside)
    assert speed.max() < (1 + SPREAD) * (1 + beside)
    assert kstest(speed, "uniform", (1 - SPREAD, 2 * SPREAD)).pvalue > 1e-3
    assert closures.contact.tolist() == [0, 1, 2, 3, 4, 5] * 500
    fixed = VirtualLayout(make_sheet(), 5, conditions=Conditions(speed_spread=0.0)).replayed()
    assert np.diff(fixed.made_s) == pytest.approx(2.0, abs=0.02)


def test_the_length_of_a_closure_is_that_of_the_contact_at_that_speed() -> None:
    layout = VirtualLayout(make_sheet(), 500, conditions=Conditions(speed_spread=0.0))
    closures = layout.replayed()
    means = [float(closures.duration_ms[closures.contact == at].mean()) * 0.150 for at in range(6)]
    assert LENGTH_MM * 0.92 < min(means) < max(means) < LENGTH_MM * 1.07
    assert max(means) / min(means) > 1.02


def test_trains_on_one_loop_never_pass_each_other() -> None:
    layout = VirtualLayout(make_sheet(8, trains=3), 400, seed=4)
    passes = list(layout._turns(layout.groups[0]))
    for contact in range(8):
        trains = [each.train for each in passes if each.contact == contact]
        assert len(trains) == 3 * 400
        # In every three passes each train comes once, save at the ends, where some have not begun.
        assert all(len(set(trains[at : at + 3])) == 3 for at in range(len(trains) - 2))


def test_routes_that_share_a_contact_take_turns() -> None:
    sheet = make_sheet()
    other = {"name": "other", "kind": "loop", "contacts": ["contact 2", "contact 1"], "times_s": [3.0, 3.0]}
    data = sheet.model_dump(mode="json", exclude_none=True)
    data["routes"].append(other)
    data["trains"].append({"name": "second", "route": "other"})
    layout = VirtualLayout(Sheet.model_validate(data), 10)
    closures = layout.replayed()
    assert closures.contact.tolist() == [0, 1, 2, 3, 4, 5] * 10 + [1, 0] * 10
    assert layout.laps_run == {"train 0": 10, "second": 10}


def test_without_trains_every_route_gets_one() -> None:
    layout = VirtualLayout(make_sheet(trains=0), 7)
    layout.replayed()
    assert {tally.passes for tally in layout.tallies.values()} == {7}


# ---- what else happens ----


def test_halts_lengthen_closures_or_the_time_between_them() -> None:
    halting = VirtualLayout(make_sheet(), 100, conditions=Conditions(halt_on_contact=0.1)).replayed()
    long = np.count_nonzero(halting.duration_ms > 2500)
    assert binom.ppf(RARE, 600, 0.08) <= long <= binom.ppf(1 - RARE, 600, 0.1)
    between = VirtualLayout(make_sheet(), 100, conditions=Conditions(halt=0.1)).replayed()
    assert between.duration_ms.max() < 300
    late = np.count_nonzero(np.diff(between.made_s) > 2.0 / (1 - SPREAD) + 2)
    assert binom.ppf(RARE, 600, 0.08) <= late <= binom.ppf(1 - RARE, 600, 0.12)


@pytest.mark.parametrize("kind", ["loop", "shuttle"])
def test_a_train_that_is_lifted_goes_on_elsewhere(kind: str) -> None:
    skipped = 0
    for seed in range(10):
        sheet = make_sheet(kind=kind)
        layout = VirtualLayout(sheet, 30, seed=seed, conditions=Conditions(lifts={"train 0": 10}))
        closures = layout.replayed()
        assert counted(closures, sheet) == expected(layout)
        order = closures.contact.tolist()
        steps = [(b - a) % 6 for a, b in itertools.pairwise(order)]
        usual = {1} if kind == "loop" else {0, 1, 5}
        skipped += sum(step not in usual for step in steps)
        assert sum(step not in usual for step in steps) <= 1
        assert layout.laps_run == {"train 0": 30}
    assert skipped > 0


def test_a_contact_weakens_until_it_misses() -> None:
    sheet = make_sheet()
    layout = VirtualLayout(sheet, 600, conditions=Conditions(weaken={"contact 3": 1.0}))
    closures = layout.replayed()
    assert counted(closures, sheet) == expected(layout)
    lengths = closures.duration_ms[closures.contact == 2]
    assert lengths[:50].mean() > 1.8 * lengths[250:350].mean()
    missed = {name: tally.missed for name, tally in layout.tallies.items() if tally.missed}
    assert list(missed) == ["contact 3"]
    assert 50 < missed["contact 3"] < 200


# ---- through the boards ----


def heard(link: Link) -> list[LinkEvent]:
    events = link.poll(0.2)
    for event in events:
        if isinstance(event, Made | Broke):
            link.acknowledge(link.hello.boot, event.number + 1)
    return events


def test_boards_and_core_give_the_same_closures(tmp_path: Path) -> None:
    """The whole way through virtual boards, protocol, links, recorders and store, or straight to the core."""
    sheet = make_sheet(12, boards=2, magnets=2, spacing_mm=150.0)
    conditions = Conditions(chances(sheet, 0.05), chances(sheet, 0.05))
    start_s = 1_700_000_000.0
    straight = VirtualLayout(sheet, 8, seed=3, conditions=conditions)
    wanted = straight.replayed(start_s)
    layout = VirtualLayout(sheet, 8, seed=3, conditions=conditions)
    contacts = {(contact.board, contact.input): at for at, contact in enumerate(sheet.contacts)}
    with Store(tmp_path / "store.sqlite") as store:
        run_id = record_run(layout, store, start_s)
        found = Closures.join(list(store.closures(run_id, contacts)))
        run = store.run(run_id)
    assert (run.outcome, run.simulated, run.seed, run.plan) == (
        "met",
        True,
        3,
        {"kind": "passes", "passes": 8},
    )
    assert layout.truth() == straight.truth()
    assert expected(layout) == counted(found, sheet)
    assert found.contact.tolist() == wanted.contact.tolist()
    assert found.made_s == pytest.approx(wanted.made_s, abs=0.002)
    for name in ("duration_ms", "bounces", "dropouts"):
        assert getattr(found, name).tolist() == getattr(wanted, name).tolist(), name


def test_edges_come_at_the_layouts_time_on_every_board_and_none_pile_up() -> None:
    sheet = make_sheet(6, boards=3)
    layout = VirtualLayout(sheet, 40)
    links = [Link(board.plug_in) for board in layout.boards.values()]
    made: list[tuple[int, int]] = []
    piled = 0
    while not layout.is_over(round(min(link.now_s() for link in links) * 1e6)):
        at, link = min(enumerate(links), key=lambda each: each[1].now_s())
        made += [(event.time_us, at) for event in heard(link) if isinstance(event, Made)]
        piled = max(piled, *map(len, layout._queues.values()))
    straight = VirtualLayout(sheet, 40).replayed()
    assert [at_us for at_us, _ in sorted(made)] == [round(at_s * 1e6) for at_s in straight.made_s]
    assert piled < 600, "a buffer of some laps, however long the run"


def test_boards_that_reboot_or_are_unplugged() -> None:
    sheet = make_sheet(6, boards=2)
    outages = [Outage("board 0", 60.0), Outage("board 1", 100.0, 30.0), Outage("board 0", 200.0, 5.0)]
    layout = VirtualLayout(sheet, 30, seed=2, conditions=Conditions(outages=outages))
    links = {name: Link(board.plug_in) for name, board in layout.boards.items()}
    counts: Counter[str] = Counter()
    boots: dict[str, set[int]] = {name: set() for name in links}
    names = {(contact.board, contact.input): contact.name for contact in sheet.contacts}
    while not layout.is_over(round(min(link.now_s() for link in links.values()) * 1e6)):
        name, link = min(links.items(), key=lambda each: each[1].now_s())
        for event in heard(link):
            if isinstance(event, Made):
                counts[names[name, event.input]] += 1
            elif isinstance(event, LinkUp):
                boots[name].add(event.hello.boot)
    assert {name: len(boot) for name, boot in boots.items()} == {"board 0": 3, "board 1": 2}
    assert dict(counts) == expected(layout)
    unobserved = {name: tally.unobserved for name, tally in layout.tallies.items()}
    assert all(unobserved[f"contact {number}"] in (2, 3, 4) for number in (2, 4, 6)), "30 s of 12 s a lap"
    assert all(tally.passes + tally.unobserved == 30 for tally in layout.tallies.values())


def test_ids_of_boards_are_the_sheets_or_always_the_same() -> None:
    sheet = make_sheet(boards=2)
    assert board_id(sheet, "board 0") == board_id(make_sheet(3, boards=2), "board 0")
    assert board_id(sheet, "board 0") != board_id(sheet, "board 1")
    data = sheet.model_dump(mode="json", exclude_none=True)
    data["boards"]["board 1"]["id"] = "0123abcd"
    given = Sheet.model_validate(data)
    link = Link(VirtualLayout(given, 1).boards["board 1"].plug_in)
    assert link.hello.board == 0x0123ABCD
    assert link.hello.inputs == 16
    assert link.hello.kind_name == "virtual"
    assert link.hello.boot == 1
    assert Link(VirtualLayout(given, 1, boots=41).boards["board 1"].plug_in).hello.boot == 42


# ---- what cannot run ----


@pytest.mark.parametrize(
    ("sheet", "conditions", "problem"),
    [
        (make_sheet(trains=5), {}, "route 'route': 5 trains are too many"),
        (make_sheet(kind="shuttle", trains=2), {}, "several trains on a shuttle"),
        (make_sheet(magnets=2, spacing_mm=20.0), {}, "expected at least 50 mm"),
        (make_sheet(2, magnets=40, spacing_mm=95.0), {}, "magnets of the train cover the loop"),
        (make_sheet(), {"miss": {"contact 9": 0.1}}, "contact 9: no such contact"),
        (make_sheet(), {"extra": {"contact 1": 1.5}}, "contact 1=1.5: expected a chance"),
        (make_sheet(8, trains=2), {"halt": 0.1}, "halt only where they are alone"),
        (make_sheet(8, trains=2), {"lifts": {"train 1": 3}}, "only a train alone on its route"),
    ],
)
def test_what_cannot_run_is_said(sheet: Sheet, conditions: dict[str, Any], problem: str) -> None:
    with pytest.raises(ReedproofError) as caught:
        VirtualLayout(sheet, 5, conditions=Conditions(**conditions))
    assert problem in str(caught.value)
    assert "\n" not in str(caught.value)


def test_the_example() -> None:
    sheet = read_sheet(EXAMPLE)
    assert (len(sheet.contacts), len(sheet.boards)) == (24, 2)
    assert {route.kind for route in sheet.routes} == {"shuttle", "loop"}
    assert "invented" in EXAMPLE.read_text().splitlines()[0]
