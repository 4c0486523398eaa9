"""The accounting of passes against simulated trains whose truth is known."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from analysis.trains import LENGTH_MS, START_S, Run, Trains, sheet_of, together
from reedproof.analysis.account import Account, ContactCount, Kind, Status
from reedproof.analysis.books import Passes
from reedproof.analysis.closures import Closures, Gap
from reedproof.analysis.passes import LEARN, Accountant, account
from reedproof.analysis.plans import PassesPlan
from reedproof.analysis.statement import Flag, statement
from reedproof.layout import Sheet
from strategies import examples


def closures_of(rows: Sequence[tuple[float, int, float]]) -> Closures:
    """(made_s, contact, duration_ms) each."""
    made, contact, length = (np.array(column) for column in zip(*rows, strict=True))
    zeros = np.zeros(len(rows), dtype=np.uint16)
    return Closures(
        contact.astype(np.int16), made.astype(np.float64), length.astype(np.float32), zeros, zeros
    )


def laps(count: int, order: Sequence[int], section_s: float = 2.0) -> list[tuple[float, int, float]]:
    """A train as regular as a clock."""
    return [
        (START_S + (lap * len(order) + place) * section_s, contact, LENGTH_MS)
        for lap in range(count)
        for place, contact in enumerate(order)
    ]


def counts(found: Account) -> list[list[int]]:
    return [[each.passes, each.missed, each.extra] for each in found.contacts]


def assert_adds_up(found: Account) -> None:
    for each in found.contacts:
        assert each.passes == each.good + each.doubled + each.missed
        assert min(each.passes, each.good, each.missed, each.extra, each.doubled, each.unobserved) >= 0
        told = (each.passes, each.missed, each.extra)
        assert told == tuple(
            sum(getattr(block, name) for block in each.blocks) for name in ("passes", "missed", "extra")
        )
        assert (each.reason == "") == (each.status is Status.COUNTED)
        for number, (low, high) in zip(
            told, (each.passes_range, each.missed_range, each.extra_range), strict=True
        ):
            assert 0 <= low <= number <= high
    closures = sum(each.passes - each.missed + each.extra for each in found.contacts)
    assert closures == found.closures


def assert_right(found: Account, run: Run, but: Sequence[int] = ()) -> None:
    """Counted and as it was; of the contacts ``but`` it is said that nobody can tell."""
    assert_adds_up(found)
    truth = run.truth.tolist()
    for at, each in enumerate(found.contacts):
        if at in but:
            assert each.status is Status.CANNOT_TELL, each
        else:
            assert each.status is Status.COUNTED, each
            assert counts(found)[at] == truth[at], each


# ---- trains that can be told ----

TOLD: dict[str, tuple[Trains, dict[str, Any]]] = {
    "loop": (Trains(), {}),
    "loop of 12": (Trains(contacts=12), {}),
    "loop of 3": (Trains(contacts=3), {}),
    "loop of 24": (Trains(contacts=24, laps=40), {}),
    "shuttle": (Trains(kind="shuttle"), {}),
    "shuttle of 3": (Trains(kind="shuttle", contacts=3), {}),
    "two trains": (Trains(trains=2), {}),
    "three trains": (Trains(trains=3, contacts=9, missed=0.02, extra=0.02), {}),
    "two magnets": (Trains(magnets=2), {"magnets": 2, "spacing_mm": 100.0}),
    "halts on sections": (Trains(halts=0.02), {}),
    "twice as fast at the end": (Trains(faster=2.0), {}),
    "half as fast at the end": (Trains(faster=0.5), {}),
    "a fifth missed": (Trains(missed=0.2), {}),
    "a fifth missed and extra": (Trains(missed=0.2, extra=0.2), {}),
    "a dead contact": (Trains(missed=(0.05, 0.05, 1.0, 0.05, 0.05, 0.05)), {}),
    "very short and very long sections": (Trains(sections_s=(0.2, 20.0, 0.5, 8.0, 1.0, 3.0)), {}),
    "all sections short": (Trains(sections_s=(0.2,) * 6), {}),
    "nothing goes wrong": (Trains(missed=0.0, extra=0.0), {}),
}


@pytest.mark.parametrize("name", TOLD)
@pytest.mark.parametrize("seed", [1, 2])
def test_is_right(name: str, seed: int) -> None:
    trains, keys = TOLD[name]
    run = trains.run(seed)
    found = account(sheet_of(trains.contacts, trains.kind, trains.trains, **keys), [run.closures])
    assert_right(found, run)
    assert found.closures == len(run.closures)
    for lapped in found.laps.values():
        assert abs(lapped - trains.laps) <= 1 + trains.trains


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_a_train_that_stands_on_contacts(seed: int) -> None:
    """Where it stood and the pass was missed, it may have been lifted off: then nobody can tell."""
    run = Trains(stands=0.02).run(seed)
    found = account(sheet_of(6), [run.closures])
    assert_adds_up(found)
    assert_counted_is_right(found, run)
    assert sum(each.status is Status.CANNOT_TELL for each in found.contacts) <= 1


def test_what_was_promised() -> None:
    """Six contacts, 5 % missed, 5 % extra, speed that varies by a third: right in 95 of 100 runs, and no
    count that is given off by more than one. `make accuracy` runs many more."""
    right = []
    for seed in range(40):
        run = Trains(kind=("loop", "shuttle")[seed % 2]).run(1000 + seed)
        found = account(sheet_of(6, ("loop", "shuttle")[seed % 2]), [run.closures])
        assert_adds_up(found)
        off = np.abs(np.array(counts(found)) - run.truth).max(axis=1)
        is_counted = np.array([each.status is Status.COUNTED for each in found.contacts])
        assert not (is_counted & (off > 1)).any(), f"seed {1000 + seed}"
        right.append(bool((off == 0).all() and is_counted.all()))
    assert sum(right) >= 38


def shared_routes() -> Sheet:
    names = [f"c{n}" for n in range(8)]
    return Sheet.model_validate(
        {
            "layout": {"name": "invented"},
            "boards": {"one": {"kind": "virtual"}},
            "contacts": [{"name": name, "board": "one", "input": n + 1} for n, name in enumerate(names)],
            "routes": [
                {"name": "outer", "kind": "loop", "contacts": names[:5]},
                {"name": "inner", "kind": "loop", "contacts": [names[0], names[1], *names[5:]]},
            ],
        }
    )


def test_trains_on_routes_that_share_contacts() -> None:
    outer = Trains(contacts=5, sections_s=(1.5, 3.0, 2.5, 3.5, 2.0), missed=0.02, extra=0.02, spread=0.1)
    inner = Trains(contacts=5, sections_s=(1.5, 4.0, 3.0, 2.0, 3.2), missed=0.02, extra=0.02, spread=0.1)
    run = together([outer.run(1).on([0, 1, 2, 3, 4], 8), inner.run(2).on([0, 1, 5, 6, 7], 8)])
    found = account(shared_routes(), [run.closures])
    assert_adds_up(found)
    assert set(found.laps) == {"train on outer", "train on inner"}
    assert_counted_is_right(found, run)
    assert sum(each.status is Status.COUNTED for each in found.contacts[2:]) >= 5


def assert_counted_is_right(found: Account, run: Run) -> None:
    for at, each in enumerate(found.contacts):
        if each.status is Status.COUNTED:
            assert counts(found)[at] == run.truth[at].tolist(), each


# ---- what cannot be told ----


@pytest.mark.parametrize(("every_s", "told"), [(1000.0, True), (30.0, False)])
def test_gaps_that_come_often_hide_the_misses_beside_them(every_s: float, told: bool) -> None:
    run = Trains(missed=0.1, extra=0.0).run(1)
    start_s, end_s = run.closures.made_s[[0, -1]]
    gaps = [
        Gap(at_s, at_s + 0.02, frozenset(range(6)), "samples_lost", "")
        for at_s in np.arange(start_s + every_s, end_s, every_s).tolist()
    ]
    found = account(sheet_of(6), [run.closures], gaps)
    for each in found.contacts:
        assert (each.status is Status.COUNTED) == told, each
        assert told or each.missed_range[1] >= each.passes
        assert told or "beside them" in each.reason


def test_two_dead_neighbours() -> None:
    run = Trains(missed=(0.0, 0.0, 1.0, 1.0, 0.0, 0.0), extra=0.02).run(1)
    found = account(sheet_of(6), [run.closures])
    assert_right(found, run, but=[2, 3])
    assert "its neighbour 'c3' does not close either" in found.contacts[2].reason
    assert found.contacts[2].missed_range[0] == 0
    assert found.contacts[2].passes_range[0] == 0


def test_a_dead_contact_at_the_end_of_a_shuttle() -> None:
    run = Trains(kind="shuttle", missed=(0.02, 0.02, 0.02, 0.02, 0.02, 1.0), extra=0.02).run(1)
    found = account(sheet_of(6, "shuttle"), [run.closures])
    assert_right(found, run, but=[5])
    assert "no contact beyond it" in found.contacts[5].reason


def test_a_dead_contact_is_known_by_its_neighbours() -> None:
    run = Trains(missed=(0.02, 0.02, 0.02, 1.0, 0.02, 0.02), extra=0.02).run(3)
    found = account(sheet_of(6), [run.closures])
    assert_right(found, run)
    assert found.contacts[3].missed == found.contacts[3].passes >= 148


@pytest.mark.parametrize("seed", [520, 533, 544, 550, 552])
def test_strays_of_a_dead_contact_say_nothing_of_times(seed: int) -> None:
    run = Trains(missed=(0.05, 1.0, 0.05, 0.05, 0.05, 0.05)).run(seed)
    found = account(sheet_of(6), [run.closures])
    assert_adds_up(found)
    assert_counted_is_right(found, run)
    assert sum(each.status is Status.COUNTED for each in found.contacts) >= 5


def test_one_contact_only() -> None:
    run = Trains(contacts=1, missed=0.1, extra=0.0).run(1)
    found = account(sheet_of(1), [run.closures])
    assert_adds_up(found)
    assert found.contacts[0].status is Status.CANNOT_TELL
    assert "alone on its route" in found.contacts[0].reason
    assert found.contacts[0].missed_range[0] == 0


@pytest.mark.parametrize(
    ("really", "in_the_sheet"),
    [
        pytest.param(Trains(contacts=1, missed=0.8, laps=600), sheet_of(1), id="alone, most passes missed"),
        pytest.param(Trains(contacts=6, missed=0.1), sheet_of(6, "shuttle"), id="a loop, not a shuttle"),
    ],
)
def test_nothing_is_proved_where_passes_cannot_be_told(really: Trains, in_the_sheet: Sheet) -> None:
    """Found most probable are far fewer misses than there were: four laps look like a slow one."""
    run = really.run(1)
    found = account(in_the_sheet, [run.closures])
    assert_adds_up(found)
    pairs = zip(found.contacts, run.truth, strict=True)
    assert any(each.missed / each.passes < truth[1] / truth[0] / 5 for each, truth in pairs)
    for told in statement(found, PassesPlan(10), stopped_as_planned=True).contacts:
        assert Flag.CANNOT_TELL in told.flags
        assert told.alone.miss_upper == 1
        assert told.sentence.startswith("Nothing was proved")


@pytest.mark.parametrize("order", [[0, 3, 1, 4, 2, 5], [5, 4, 3, 2, 1, 0], [0, 2, 1, 3, 5, 4]])
def test_contacts_in_the_wrong_order_in_the_sheet(order: list[int]) -> None:
    run = Trains().run(1).on(order, 6)
    found = account(sheet_of(6), [run.closures])
    assert_adds_up(found)
    for each in found.contacts:
        assert each.status is Status.CANNOT_TELL
        assert "check the order of its contacts" in each.reason


@pytest.mark.parametrize(("sheets", "really"), [("loop", "shuttle"), ("shuttle", "loop")])
@pytest.mark.parametrize("seed", range(3))
def test_a_loop_that_is_a_shuttle_in_the_sheet(seed: int, sheets: str, really: str) -> None:
    """On its way from the last contact to the first the train would be lifted off in every lap."""
    found = account(sheet_of(6, sheets), [Trains(kind=really).run(seed).closures])
    assert all("check the order of its contacts" in each.reason for each in found.contacts)


@pytest.mark.parametrize(("contacts", "trains"), [(6, 2), (9, 3)])
def test_another_number_of_trains_than_in_the_sheet(contacts: int, trains: int) -> None:
    run = Trains(contacts=contacts, trains=trains, missed=0.02, extra=0.02).run(1)
    for count in {1, 2, 3} - {trains}:
        found = account(sheet_of(contacts, "loop", count), [run.closures])
        assert_adds_up(found)
        assert_counted_is_right(found, run)


@pytest.mark.parametrize("missed", [0.0, 0.02, 0.05])
@pytest.mark.parametrize("seed", range(3))
def test_two_neighbours_swapped_in_the_sheet(seed: int, missed: float) -> None:
    run = Trains(missed=missed, extra=missed).run(seed).on([0, 1, 3, 2, 4, 5], 6)
    found = account(sheet_of(6), [run.closures])
    assert_adds_up(found)
    told = [each.reason for each in found.contacts[2:4] if each.status is Status.CANNOT_TELL]
    assert any("check the order of its contacts" in reason for reason in told)
    assert_counted_is_right(found, run)


@pytest.mark.parametrize("share", [0.3, 0.5, 0.8])
def test_turns_on_the_last_contact_or_beyond_it(share: float) -> None:
    """A train that stands on it and turns passes it once, one that goes beyond passes it twice."""
    run = Trains(kind="shuttle", turns_on_contact=share).run(1)
    found = account(sheet_of(6, "shuttle"), [run.closures])
    assert_right(found, run, but=[5])
    assert "trains turned on it" in found.contacts[5].reason
    low, high = found.contacts[5].missed_range
    assert low <= run.truth[5, 1] <= high
    low, high = found.contacts[5].passes_range
    assert low <= run.truth[5, 0] <= high


def test_turns_on_the_contact_and_never_misses() -> None:
    run = Trains(kind="shuttle", turns_on_contact=1.0, missed=0.0, extra=0.0).run(1)
    found = account(sheet_of(6, "shuttle"), [run.closures])
    assert_right(found, run)


def test_a_train_lifted_off_and_put_down_elsewhere() -> None:
    """From contact 3 to contact 1 within 0.4 s: no way along the route is as fast. What it did not pass is
    not missed."""
    order = list(range(6))
    first = laps(50, order) + [(START_S + 600 + 2 * place, place, LENGTH_MS) for place in range(4)]
    lifted_s = first[-1][0] + 0.4
    second = [
        (made_s - START_S + lifted_s, (contact + 1) % 6, length)
        for made_s, contact, length in laps(50, order)
    ]
    found = account(sheet_of(6), [closures_of(first + second)])
    assert_adds_up(found)
    assert sum(each.missed + each.extra for each in found.contacts) == 0
    moved = [each for each in found.evidence if each.kind is Kind.MOVED]
    assert [(each.contact, each.at_s) for each in moved] == [(1, pytest.approx(lifted_s))]
    assert "no way along the route" in moved[0].because


def test_too_few_laps() -> None:
    found = account(sheet_of(6), [closures_of(laps(1, range(6)))])
    assert_adds_up(found)
    for each in found.contacts:
        assert (each.status, each.reason) == (Status.CANNOT_TELL, "less than two laps were seen")
    found = account(sheet_of(6), [closures_of(laps(3, range(6)))])
    assert all(each.status is Status.COUNTED for each in found.contacts)
    assert counts(found) == [[3, 0, 0]] * 6


def test_nothing_seen() -> None:
    found = account(sheet_of(6), [])
    assert_adds_up(found)
    assert found.closures == 0
    assert found.evidence == ()
    assert found.laps == {"train 1": 0}
    assert all(each.status is Status.CANNOT_TELL for each in found.contacts)
    assert account(sheet_of(6), [closures_of(laps(20, range(6)))[:0]]).closures == 0


def test_no_route_and_too_many_trains() -> None:
    with pytest.raises(ValueError, match="no route"):
        Accountant(sheet_of(6).model_copy(update={"routes": [], "trains": []}))
    many = Accountant(sheet_of(12, "loop", 9))
    with pytest.raises(ValueError, match="1 to 8"):
        many.account()


def test_a_contact_on_no_route() -> None:
    run = Trains().run(1)
    sheet = sheet_of(7)
    route = sheet.routes[0].model_copy(update={"contacts": [f"c{n}" for n in range(6)]})
    strange = closures_of([(START_S + 7.3 * n, 6, 20.0) for n in range(50)])
    mixed = Closures.join([run.closures, strange])
    mixed = mixed[np.argsort(mixed.made_s, kind="stable")]
    found = account(sheet.model_copy(update={"routes": [route]}), [mixed])
    assert_adds_up(found)
    assert counts(found)[:6] == run.truth.tolist()
    assert found.contacts[6].reason == "no route of the sheet goes over it"
    assert (found.contacts[6].passes, found.contacts[6].extra) == (0, 50)


# ---- odd data ----


def test_lengths_that_are_not_known() -> None:
    run = Trains().run(1)
    run.closures.duration_ms[:] = np.nan
    found = account(sheet_of(6), [run.closures])
    assert_adds_up(found)
    assert_counted_is_right(found, run)
    some = Trains().run(2)
    some.closures.duration_ms[::7] = np.nan
    assert_right(account(sheet_of(6), [some.closures]), some)


def test_closures_at_the_same_time() -> None:
    rows = laps(40, range(6))
    rows += [(made_s, (contact + 3) % 6, 3.0) for made_s, contact, _ in rows[30::25]]
    found = account(sheet_of(6), [closures_of(sorted(rows))])
    assert_adds_up(found)
    assert sum(each.extra for each in found.contacts) == len(range(30, 240, 25))
    assert sum(each.missed for each in found.contacts) == 0


@examples(25)
@given(
    st.lists(
        st.tuples(
            st.one_of(st.just(0.0), st.floats(0, 5), st.floats(0, 1e7)), st.integers(0, 3),
            st.one_of(st.floats(0, 1e8, width=32), st.just(float("nan"))),
        ),
        min_size=1, max_size=60,
    ),
    st.sampled_from(["loop", "shuttle"]),
    st.integers(1, 3),
)  # fmt: skip
def test_no_data_upset_it(steps: list[tuple[float, int, float]], kind: str, trains: int) -> None:
    made_s = START_S + np.cumsum([step for step, _, _ in steps])
    rows = [(at_s, contact, length) for at_s, (_, contact, length) in zip(made_s, steps, strict=True)]
    found = account(sheet_of(4, kind, trains), [closures_of(rows)])
    assert_adds_up(found)


# ---- gaps ----


def gap_of(from_s: float, to_s: float, contacts: Sequence[int] = range(6)) -> Gap:
    return Gap(START_S + from_s, START_S + to_s, frozenset(contacts), "lost", "")


@pytest.mark.parametrize(
    "gaps",
    [
        [gap_of(500, 700)],
        [gap_of(500, 700, [0, 1, 2])],
        [gap_of(300, 400, [3]), gap_of(500, 900, [0, 1]), gap_of(600, 700, [4, 5]), gap_of(1000, 1010)],
    ],
    ids=["all boards", "one board", "several"],
)
@pytest.mark.parametrize("seed", [1, 2, 3])
def test_what_nobody_saw_is_no_miss_and_no_success(gaps: list[Gap], seed: int) -> None:
    whole = Trains(missed=0.02, extra=0.02).run(seed)
    run = whole.behind(gaps)
    found = account(sheet_of(6), [run.closures], gaps)
    assert_adds_up(found)
    off = np.array(counts(found)) - run.truth
    # A pass missed in the same stretch as the gap, just before it or after it, counts as not observed.
    assert np.abs(off).max() <= len(gaps)
    assert np.all(off[:, 1] <= 0), "the gap made a miss"
    hidden = whole.truth[:, 0] - run.truth[:, 0]
    if len(gaps[0].contacts) < 6 and len(gaps) == 1:
        unobserved = np.array([each.unobserved for each in found.contacts])
        assert np.array_equal(unobserved > 0, hidden > 0)
        assert np.abs(unobserved - hidden).max() <= 1


def test_a_gap_without_misses_changes_no_count() -> None:
    gap = gap_of(500, 800, [0, 1, 2])
    whole = Trains(missed=0.0, extra=0.0).run(1)
    run = whole.behind([gap])
    found = account(sheet_of(6), [run.closures], [gap])
    assert_right(found, run)
    without = account(sheet_of(6), [run.closures])
    assert sum(each.missed for each in without.contacts) > 30, "the gap hid nothing"


def test_a_gap_that_is_added_late() -> None:
    gap = gap_of(500, 800, [0, 1, 2])
    run = Trains(missed=0.0, extra=0.0).run(1).behind([gap])
    accountant = Accountant(sheet_of(6))
    accountant.feed(run.closures[:400])
    accountant.add_gap(gap)
    accountant.feed(run.closures[400:])
    assert accountant.finish() == account(sheet_of(6), [run.closures], [gap])


# ---- evidence, blocks ----


def test_each_miss_is_told_with_its_time() -> None:
    run = Trains().run(4)
    found = account(sheet_of(6), [run.closures])
    assert_right(found, run)
    for contact in range(6):
        true_s = np.sort(run.pass_s[run.is_missed & (run.pass_contact == contact)])
        told = [each for each in found.evidence if each.kind is Kind.MISSED and each.contact == contact]
        # The train may have been a third faster before the contact than behind it.
        assert np.allclose([each.at_s for each in told], true_s, rtol=0, atol=3.0)
        for each in told:
            assert each.train == "train 1"
            names = f"from 'c{(contact - 1) % 6}' to 'c{(contact + 1) % 6}' in "
            assert each.because.startswith((names, "from "))
            assert each.because.endswith("and no closure between")
    assert [each.at_s for each in found.evidence] == sorted(each.at_s for each in found.evidence)
    extras = [each for each in found.evidence if each.kind in (Kind.EXTRA, Kind.DOUBLED)]
    assert np.allclose([each.at_s for each in extras], np.sort(run.extra_s), rtol=0, atol=0.2)
    assert found.evidence_left_out == 0


def test_a_halt_is_told() -> None:
    rows = laps(60, range(6))
    halted = [(at_s + 200.0 * (n >= 100), contact, length) for n, (at_s, contact, length) in enumerate(rows)]
    found = account(sheet_of(6), [closures_of(halted)])
    told = [each for each in found.evidence if each.kind is Kind.HALTED]
    assert [(each.contact, each.at_s, each.because) for each in told] == [
        (100 % 6, pytest.approx(START_S + 400), "202.0 s on the way here")
    ]
    assert sum(each.missed for each in found.contacts) == 0


def test_a_doubled_pass_counts_once_however_often_it_closes() -> None:
    rows = laps(60, range(6))
    twice = [(rows[100][0] + 0.08, rows[100][1], 40.0)]
    thrice = [(rows[200][0] + 0.08, rows[200][1], 10.0), (rows[200][0] + 0.12, rows[200][1], 20.0)]
    found = account(sheet_of(6), [closures_of(sorted(rows + twice + thrice))])
    assert_adds_up(found)
    assert [each.doubled for each in found.contacts] == [0, 0, 1, 0, 1, 0]
    assert [each.extra for each in found.contacts] == [0, 0, 2, 0, 1, 0]
    assert [each.good for each in found.contacts] == [60, 60, 59, 60, 59, 60]
    assert sum(each.kind is Kind.DOUBLED for each in found.evidence) == 3


def test_no_more_than_a_thousand_of_a_kind_are_told() -> None:
    rows = laps(1300, range(3))
    found = account(
        sheet_of(3), [closures_of([row for row in rows if row[1] != 1 or row[0] < START_S + 300])]
    )
    missed = [each for each in found.evidence if each.kind is Kind.MISSED]
    assert len(missed) == 1000
    assert found.evidence_left_out == found.contacts[1].missed - 1000 > 0
    assert missed[0].at_s == pytest.approx(START_S + 302, abs=0.1)


def test_blocks_do_not_go_across_a_gap() -> None:
    gap = gap_of(700, 900)
    run = Trains(laps=300, missed=0.0, extra=0.0).run(1).behind([gap])
    found = account(sheet_of(6), [run.closures], [gap])
    for each in found.contacts:
        begins = [block.from_s - found.from_s for block in each.blocks]
        assert begins == sorted(begins)
        assert all(block.passes > 0 for block in each.blocks)
        in_same = [n for n, start in enumerate(begins) if start == 600.0]
        assert len(in_same) == 2, "what lies before and after the gap is kept apart"
        mine = run.pass_s[run.pass_contact == found.contacts.index(each)] - found.from_s
        before = int(((mine >= 600) & (mine < gap.from_s - found.from_s)).sum())
        assert each.blocks[in_same[0]].passes == before


# ---- while it goes on ----


def test_live_at_any_moment_while_it_learns() -> None:
    run = Trains().run(5)
    accountant = Accountant(sheet_of(6))
    for start in range(0, len(run.closures), 97):
        accountant.feed(run.closures[start : start + 97])
        live = accountant.account()
        assert_adds_up(live)
        assert live.closures == min(start + 97, len(run.closures))
        fresh = account(sheet_of(6), [run.closures[: start + 97]])
        off = np.abs(np.array(counts(live)) - np.array(counts(fresh)))
        # It learns anew when a tenth more has come, so it may know a little less.
        assert off.max() <= 2, f"after {start + 97}"
    assert_right(accountant.finish(), run)


@pytest.fixture(scope="module")
def long_run() -> Run:
    return Trains(laps=5000).run(6)


def test_live_after_it_has_learnt(long_run: Run) -> None:
    accountant = Accountant(sheet_of(6))
    most = 0
    for start in range(0, len(long_run.closures), 1999):
        accountant.feed(long_run.closures[start : start + 1999])
        live = accountant.account()
        assert live.closures == min(start + 1999, len(long_run.closures))
        assert_adds_up(live)
        seen_s = live.to_s
        done = long_run.pass_s < seen_s - 30
        truth = np.bincount(long_run.pass_contact[done & long_run.is_missed], minlength=6)
        most = max(most, int(np.abs(np.array(counts(live))[:, 1] - truth).max()))
    assert len(long_run.closures) > 1.4 * LEARN
    assert most <= 3, "passes missed within the last half minute"
    assert_counted_is_right(accountant.finish(), long_run)


def test_a_look_changes_nothing(long_run: Run) -> None:
    looked_at, left_alone = Accountant(sheet_of(6)), Accountant(sheet_of(6))
    for start in range(0, len(long_run.closures), 5003):
        portion = long_run.closures[start : start + 5003]
        looked_at.feed(portion)
        left_alone.feed(portion)
        if start > LEARN:
            looked_at.account()
    assert looked_at.finish() == left_alone.finish()


def test_finished_is_finished() -> None:
    run = Trains(laps=30).run(1)
    given_out: list[Passes] = []
    accountant = Accountant(sheet_of(6), on_pass=given_out.append)
    accountant.feed(run.closures)
    found = accountant.finish()
    assert accountant.account() == accountant.finish() == found
    assert sum(len(part.contact) for part in given_out) == int((~run.is_missed).sum())
    with pytest.raises(ValueError, match="finished"):
        accountant.feed(run.closures)


def test_learns_on_without_lengths() -> None:
    """The train gets three times as fast over 40 000 closures, and no board tells how long they were."""
    run = Trains(laps=6500, faster=3.0, missed=0.02, extra=0.02).run(3)
    run.closures.duration_ms[:] = np.nan
    accountant = Accountant(sheet_of(6))
    laps_s = []
    for start in range(0, len(run.closures), LEARN):
        accountant.feed(run.closures[start : start + LEARN])
        laps_s.append(float(accountant._known().mean_s[0].sum()))
    assert laps_s[-1] < 0.8 * laps_s[0]
    found = accountant.finish()
    assert_adds_up(found)
    assert_counted_is_right(found, run)


@pytest.mark.parametrize("portion", [1, 7, 1000, 50_000])
def test_portions_make_no_difference_to_a_short_run(portion: int) -> None:
    run = Trains(laps=40).run(7)
    accountant = Accountant(sheet_of(6))
    for start in range(0, len(run.closures), portion):
        accountant.feed(run.closures[start : start + portion])
    assert accountant.finish() == account(sheet_of(6), [run.closures])


def gather(run: Run, sheet: Sheet) -> tuple[Passes, Account, Accountant]:
    parts: list[Passes] = []
    accountant = Accountant(sheet, on_pass=parts.append)
    for start in range(0, len(run.closures), 3000):
        accountant.feed(run.closures[start : start + 3000])
        accountant.account()
    found = accountant.finish()
    return Passes.join(parts), found, accountant


def test_each_pass_is_given_out_once(long_run: Run) -> None:
    given_out, found, accountant = gather(long_run, sheet_of(6))
    assert np.all(np.diff(given_out.made_s) >= 0)
    closed = [each.passes - each.missed for each in found.contacts]
    assert np.bincount(given_out.contact, minlength=6).tolist() == closed
    missed = [each.missed for each in found.contacts]
    assert np.bincount(given_out.missed.contact, minlength=6).tolist() == missed
    assert not accountant.lengths_in_mm
    assert np.mean(np.isfinite(given_out.length)) > 0.99


def test_effective_lengths_do_not_depend_on_the_speed() -> None:
    """Twice as fast, half as long closed: the effective length stays."""
    run = Trains(missed=0.0, extra=0.0, spread=0.05, faster=2.0, laps=400).run(1)
    given_out, _, _ = gather(run, sheet_of(6))
    early, late = given_out.length[200:700], given_out.length[-700:-200]
    durations = run.closures.duration_ms
    assert np.median(durations[-700:-200]) < 0.7 * np.median(durations[200:700])
    assert np.nanmedian(late) == pytest.approx(np.nanmedian(early), rel=0.06)


def test_no_length_is_told_of_a_train_that_stood() -> None:
    run = Trains(stands=0.05, missed=0.0, extra=0.0, laps=300).run(2)
    given_out, _, _ = gather(run, sheet_of(6))
    stood = run.closures.duration_ms > 3000
    assert stood.sum() > 50
    assert np.isnan(given_out.length[stood]).all()
    assert np.nanmax(given_out.length) < 4 * np.nanmedian(given_out.length)


def test_time_spent_turning_is_no_speed() -> None:
    """At the ends of a shuttle the speed is that of the section, not of the way to the buffer and back."""
    run = Trains(kind="shuttle", missed=0.0, extra=0.0, laps=200, sections_s=(1.0,) * 5).run(1)
    given_out, _, _ = gather(run, sheet_of(6, "shuttle"))
    ends = np.isin(given_out.contact, [0, 5])
    assert np.nanmedian(given_out.length[ends]) == pytest.approx(
        np.nanmedian(given_out.length[~ends]), rel=0.1
    )


def test_doubled_passes_across_portions(long_run: Run) -> None:
    accountant = Accountant(sheet_of(6))
    for start in range(0, len(long_run.closures), 300):
        accountant.feed(long_run.closures[start : start + 300])
    closed_s = np.sort(long_run.pass_s[~long_run.is_missed])
    extra_s = np.sort(long_run.extra_s)
    since_s = extra_s - closed_s[np.searchsorted(closed_s, extra_s) - 1]
    found = accountant.finish()
    told = [each for each in found.evidence if each.kind is Kind.DOUBLED]
    assert sum(each.doubled for each in found.contacts) == len(told) > 400
    assert abs(len(told) - int((since_s < 0.2).sum())) < 0.1 * len(told)


def test_lengths_that_shrink_are_seen() -> None:
    run = Trains(missed=0.0, extra=0.0, spread=0.2, laps=400).run(1)
    closures = replace(run.closures)
    mine = np.flatnonzero(closures.contact == 2)
    closures.duration_ms[mine] *= np.linspace(1.0, 0.5, len(mine)).astype(np.float32)
    given_out, _, _ = gather(replace(run, closures=closures), sheet_of(6))
    for contact in range(6):
        length = given_out.length[given_out.contact == contact]
        ratio = np.nanmedian(length[-50:]) / np.nanmedian(length[:50])
        assert ratio == pytest.approx(0.5 * 1.06 if contact == 2 else 1.0, abs=0.12), f"contact {contact}"


def in_mm() -> Sheet:
    sheet = sheet_of(6)
    contacts = [each.model_copy(update={"place_mm": 500.0 * n}) for n, each in enumerate(sheet.contacts)]
    return sheet.model_copy(update={"contacts": contacts})


def test_effective_lengths_in_millimetres() -> None:
    """0.5 m each 2 s, 50 ms closed: 12.5 mm."""
    rows = laps(100, range(6))
    run = replace(Trains(laps=3).run(1), closures=closures_of(rows))
    given_out, _, accountant = gather(run, in_mm())
    assert accountant.lengths_in_mm
    assert np.nanmedian(given_out.length) == pytest.approx(250.0 * 0.05, rel=0.01)


def test_a_contact_that_begins_to_fail_half_way() -> None:
    first, second = Trains(laps=400).run(1), Trains(laps=400, missed=(0.05, 0.05, 0.6, 0.05, 0.05, 0.05))
    failing = Trains(laps=800, sections_s=(1.5, 2.5, 3.5, 2.0, 1.2, 3.0)).run(8)
    assert first.contacts == second.contacts
    late = (failing.closures.made_s > np.median(failing.closures.made_s)) & (failing.closures.contact == 2)
    lost = late & (np.random.default_rng(1).random(len(late)) < 0.5) & (failing.closures.duration_ms > 20)
    kept = replace(failing, closures=failing.closures[~lost])
    found = account(sheet_of(6), [kept.closures])
    assert_adds_up(found)
    others = [0, 1, 3, 4, 5]
    assert [counts(found)[at] for at in others] == failing.truth[others].tolist()
    # A doubled pass that lost its first closure is a pass all the same.
    assert found.contacts[2].missed == pytest.approx(
        failing.truth[2, 1] + int(lost.sum()), abs=0.1 * lost.sum()
    )


def test_a_train_that_stops_for_an_hour() -> None:
    rows = laps(200, range(6))
    stopped = [
        (at_s + 3600.0 * (n >= 600), contact, length) for n, (at_s, contact, length) in enumerate(rows)
    ]
    found = account(sheet_of(6), [closures_of(stopped)])
    assert counts(found) == [[200, 0, 0]] * 6
    assert all(each.status is Status.COUNTED for each in found.contacts)
    assert not any(isinstance(each, ContactCount) and each.unobserved for each in found.contacts)
