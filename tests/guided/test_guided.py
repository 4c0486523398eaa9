"""A guided session: whatever happened at the contact is in the case, and nothing else."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from pathlib import Path

import numpy as np
import pytest

from guided.people import Edge, Person, closures_of, flat, guide, of_step
from reedproof.analysis.case import Step
from reedproof.errors import LineError
from reedproof.guided import PLAN, Ask, Phase, Session
from reedproof.records import Fault, Verdict
from reedproof.sim.board import FAULTY, SWAPPED, VirtualBoard
from reedproof.sim.faulty_line import FaultyLine, LineFaults
from reedproof.transport import Transport
from virtual_lines import Cable, Plug, make_board

PASSES = {ask.step: ask.passes for ask in PLAN if ask.passes}
USUAL = (Ask(Step.USUAL, passes=3),)


def run(board: VirtualBoard, seconds: float) -> None:
    """Before anybody listens."""
    while board.now_us < seconds * 1e6:
        board.read(0.1)


def faulty() -> VirtualBoard:
    return make_board(3, faults=FAULTY, swapped=SWAPPED)


def note_schedule(board: VirtualBoard, number: int) -> list[Edge]:
    """The edges that are going to reach an input; filled while the board runs."""
    edges: list[Edge] = []
    schedule = board.schedule

    def spy(where: int, what: Iterable[Edge]) -> None:
        rows = list(what)
        schedule(where, rows)
        if where == number:
            edges.extend(rows)

    board.schedule = spy  # type: ignore[method-assign]
    return edges


def test_a_healthy_contact(tmp_path: Path) -> None:
    board = make_board(3)
    edges = note_schedule(board, 5)
    session, case = guide(tmp_path, board, 5, board_name="mill", names={5: "tunnel", 4: "weighbridge"})
    contact, reference = case.contacts
    assert case.source == "guided session on virtual:, input 5"
    assert (contact.name, contact.at.board, contact.at.input, contact.unclear) == ("tunnel", "mill", 5, "")
    for step, count in PASSES.items():
        assert closures_of(contact.passes, step) == ([1] * count if step is not Step.REFERENCE else [])
    assert closures_of(contact.passes, Step.WIGGLE) == [1]
    assert len(contact.extras) == 0
    assert np.all(np.diff(contact.passes.at_s) > 0)
    assert (reference.name, closures_of(reference.passes, Step.REFERENCE)) == ("weighbridge", [1, 1, 1])
    assert (case.trains, case.alike) == (("this vehicle", "another vehicle"), ((0,), (1,)))
    assert contact.passes.train.tolist() == [int(step == Step.OTHER) for step in contact.passes.step]
    assert case.notes == ()
    usual = np.isin(contact.passes.step, [Step.USUAL, Step.OTHER])
    assert (case.length_unit, contact.passes.speed[usual].tolist()) == ("ms", [1.0] * usual.sum())
    assert np.isnan(contact.passes.speed[~usual]).all(), "nobody knows how fast that was"
    assert sorted(each.input for each in case.inputs) == list(range(1, 17))
    assert all(each.selftest and each.selftest.verdict is Verdict.GOOD for each in case.inputs)
    assert (contact.at.make_us, contact.at.break_us, contact.at.faults) == (1000, 10000, ())
    # The magnet closes it for 60 ms give or take a tenth, for longer when it is slow.
    for step, share in ((Step.USUAL, 1.0), (Step.SLOW, 4.0), (Step.FAST, 0.5), (Step.OTHER, 1.0)):
        ms = of_step(contact.passes, step).parts_ms[:, 0]
        assert np.all((52 * share < ms) & (ms < 68 * share)), f"{step}: {ms}"
    assert session.outcomes[0].seen == 0
    # Every edge, with the time between them as it was.
    recorded = contact.at.edges
    assert recorded is not None
    assert recorded.closed.tolist() == [closed for _, closed in edges]
    true_s = np.array([time_us for time_us, _ in edges]) / 1e6
    assert np.abs(np.diff(recorded.at_s) - np.diff(true_s)).max() < 5e-6
    assert contact.at.counts is not None
    assert (contact.at.counts.edges, contact.at.counts.blips) == (len(edges), 0)
    assert contact.at.counts.closures == len(contact.passes) == len(contact.at.closures_at_s)


def test_the_speed_on_the_sheet_is_of_passes_at_usual_speed(tmp_path: Path) -> None:
    _, case = guide(tmp_path, make_board(3), 5, speed_mm_s=180.0)
    passes = case.contacts[0].passes
    assert case.length_unit == "mm"
    assert of_step(passes, Step.USUAL).speed.tolist() == [180.0] * 5
    usual = np.isin(passes.step, [Step.USUAL, Step.OTHER])
    assert np.isnan(passes.speed[~usual]).all()
    assert case.contacts[1].passes.speed.tolist() == [180.0] * 3, "the same vehicle over another contact"
    assert of_step(passes, Step.USUAL).length == pytest.approx(
        of_step(passes, Step.USUAL).parts_ms[:, 0] * 0.18
    )


def test_the_same_board_gives_the_same_case(tmp_path: Path) -> None:
    cases = [guide(tmp_path / name, faulty(), 12)[1] for name in ("first", "second")]
    assert flat(cases[0]) == flat(cases[1])


@pytest.fixture(autouse=True)
def _folders(tmp_path: Path) -> None:
    for name in ("first", "second"):
        (tmp_path / name).mkdir()


# ---- the faults of the virtual board ----


def test_an_open_lead_misses_all(tmp_path: Path) -> None:
    session, case = guide(tmp_path, faulty(), 3)
    contact = case.contacts[0]
    expected = {**PASSES, Step.WIGGLE: 1}
    del expected[Step.REFERENCE]
    for step, count in expected.items():
        assert closures_of(contact.passes, step) == [0] * count, step
    assert contact.at.edges is not None
    assert (len(contact.at.edges.at_s), contact.unclear) == (0, "")
    ends_s = [of_step(contact.passes, step).at_s for step in expected]
    assert all(len(set(each.tolist())) == 1 for each in ends_s), "missed by the end of the step"
    assert [len(each.passes) for each in case.contacts[1:]] == [3], "the neighbour works"
    assert session.saw_anything


def test_a_stuck_contact_closes_once(tmp_path: Path) -> None:
    _, case = guide(tmp_path, faulty(), 7)
    contact = case.contacts[0]
    assert closures_of(contact.passes, Step.USUAL) == [1, 0, 0, 0, 0]
    assert contact.passes.parts_ms[0, 0] == pytest.approx((case.to_s - contact.passes.at_s[0]) * 1000, abs=1)
    assert closures_of(contact.passes, Step.SLOW) == [0, 0, 0]
    assert closures_of(contact.passes, Step.WIGGLE) == [1], "it is closed, magnet or not"


def test_a_rubbing_lead_chatters(tmp_path: Path) -> None:
    _, case = guide(tmp_path, faulty(), 12)
    contact = case.contacts[0]
    assert {span.fault for span in contact.at.faults} == {Fault.CHATTER}
    assert all(case.from_s <= span.from_s <= (span.to_s or case.to_s) for span in contact.at.faults)
    assert contact.at.counts is not None
    assert contact.at.counts.blips > 100
    assert contact.at.counts.longest_blip_us > 400, "it is closed for up to 0.9 ms between two openings"
    assert contact.at.edges is not None
    closed = contact.at.edges.closed
    assert len(closed) > 200
    assert closed[0]
    assert np.all(closed[1:] != closed[:-1]), "what repeats a level after a loss is no edge"
    assert "edges were lost on the way" in case.notes[0]


@pytest.mark.parametrize("asked", SWAPPED)
def test_swapped_plugs_answer_elsewhere(tmp_path: Path, asked: int) -> None:
    _, case = guide(tmp_path, faulty(), asked)
    (other,) = set(SWAPPED) - {asked}
    contact = case.contacts[0]
    assert contact.passes.closures.max() == 0
    (answered,) = [each for each in case.spares if each.input == other]
    assert len(answered.closures_at_s) == sum(PASSES.values()) - PASSES[Step.REFERENCE] + 1
    usual_end_s = of_step(contact.passes, Step.USUAL).at_s[0]
    assert np.sum(answered.closures_at_s < usual_end_s) == PASSES[Step.USUAL]


def test_shorted_inputs(tmp_path: Path) -> None:
    board = make_board(3, shorts=[frozenset({3, 12})])
    _, case = guide(tmp_path, board, 3)
    told = {each.input: each.selftest for each in case.inputs}
    assert told[3] is not None
    assert (told[3].verdict, told[3].partners) == (Verdict.SHORTED, (12,))
    assert told[12] is not None
    assert told[12].partners == (3,)


# ---- what people do and say ----


def passes(*closings_ms: tuple[float, float], number: int = 5) -> Callable[[Person], None]:
    return lambda person: person.close(number, *closings_ms)


def test_what_is_missing_was_missed(tmp_path: Path) -> None:
    """Three were asked for, two were seen, and the user says that this was all."""

    def does(person: Person) -> None:
        person.close(5, (500, 560), (2500, 2560))
        person.later(5.0, person.session.done)

    _, case = guide(tmp_path, make_board(), 5, {Step.USUAL: does}, plan=USUAL)
    seen = case.contacts[0].passes
    assert seen.closures.tolist() == [1, 1, 0]
    assert seen.parts_ms[:2, 0] == pytest.approx([60, 60], abs=0.1)
    assert np.isnan(seen.parts_ms[2]).all()


def test_only_so_many_were_made(tmp_path: Path) -> None:
    def does(person: Person) -> None:
        person.close(5, (500, 560), (2500, 2560))
        person.later(5.0, lambda: person.session.done(2))

    _, case = guide(tmp_path, make_board(), 5, {Step.USUAL: does}, plan=USUAL)
    assert case.contacts[0].passes.closures.tolist() == [1, 1]
    assert len(case.contacts[0].extras) == 0


def test_more_than_were_made_are_extra(tmp_path: Path) -> None:
    """The shortest is none: a magnet closes the contact for longer."""

    def does(person: Person) -> None:
        person.close(5, (500, 560), (1500, 1505), (2500, 2560))
        person.later(3.0, lambda: person.session.done(2))

    plan = (Ask(Step.USUAL, passes=5),)
    _, case = guide(tmp_path, make_board(), 5, {Step.USUAL: does}, plan=plan)
    contact = case.contacts[0]
    assert contact.passes.closures.tolist() == [1, 1]
    assert contact.extras.ms == pytest.approx([5], abs=0.1)


def test_more_than_were_asked_for_are_passes(tmp_path: Path) -> None:
    """A vehicle has several magnets: nobody said that there were no more."""
    does = passes((500, 560), (1000, 1060), (1500, 1560), (2000, 2060))
    _, case = guide(tmp_path, make_board(), 5, {Step.USUAL: does}, plan=USUAL)
    assert case.contacts[0].passes.closures.tolist() == [1, 1, 1, 1]
    assert len(case.contacts[0].extras) == 0


def test_side_lobes_are_one_pass(tmp_path: Path) -> None:
    """Slow: the openings between are short beside the closures, though longer than 0.3 s."""
    slow = [(0, 500), (900, 3400), (3850, 4350)]
    does = passes(*((at + a, at + b) for at in (500, 12000, 24000) for a, b in slow))
    _, case = guide(tmp_path, make_board(), 5, {Step.SLOW: does}, plan=(Ask(Step.SLOW, passes=3),))
    seen = case.contacts[0].passes
    assert seen.closures.tolist() == [3, 3, 3]
    assert seen.parts_ms[0] == pytest.approx([500, 2500, 500], abs=0.1)
    assert seen.gaps_ms[0] == pytest.approx([400, 450], abs=0.1)


def test_no_magnet_passes_in_a_millisecond(tmp_path: Path) -> None:
    does = passes((500, 560), (1000, 1001.5), (1500, 1560), (2500, 2560))
    _, case = guide(tmp_path, make_board(), 5, {Step.USUAL: does}, plan=USUAL)
    contact = case.contacts[0]
    assert contact.passes.closures.tolist() == [1, 1, 1]
    assert contact.extras.ms == pytest.approx([1.5], abs=0.1)


def test_what_closes_by_itself_is_extra(tmp_path: Path) -> None:
    session, case = guide(
        tmp_path,
        make_board(),
        5,
        {
            Step.STILL: passes((1000, 1020), (3000, 3060)),
            Step.USUAL: passes((500, 560), (1500, 1560), (2500, 2560)),
        },
        plan=(PLAN[0], *USUAL),
    )
    contact = case.contacts[0]
    assert contact.extras.ms == pytest.approx([20, 60], abs=0.1)
    assert contact.passes.closures.tolist() == [1, 1, 1]
    assert [outcome.seen for outcome in session.outcomes] == [2, 3]


def test_a_parked_magnet(tmp_path: Path) -> None:
    """Closed from before the session to its end."""
    board = make_board()
    board.schedule(5, [(1000, True)])
    run(board, 0.2)
    _, case = guide(
        tmp_path, board, 5, {Step.USUAL: lambda person: person.session.done()}, plan=(PLAN[0], *USUAL)
    )
    contact = case.contacts[0]
    assert contact.at.selftest is not None
    assert contact.at.selftest.verdict is Verdict.READS_LOW
    assert contact.extras.at_s == pytest.approx([case.from_s])
    assert contact.extras.ms == pytest.approx([(case.to_s - case.from_s) * 1000], abs=1)
    assert contact.passes.closures.tolist() == [0, 0, 0]
    assert contact.at.edges is not None
    assert contact.at.edges.closed.tolist() == [True]


def test_a_magnet_that_leaves_during_the_session(tmp_path: Path) -> None:
    board = make_board()
    board.schedule(5, [(1000, True), (4_000_000, False)])
    run(board, 0.2)
    _, case = guide(tmp_path, board, 5, {}, plan=PLAN[:1])
    contact = case.contacts[0]
    assert contact.extras.at_s == pytest.approx([case.from_s])
    assert 2000 < contact.extras.ms[0] < 4000


def test_a_parked_magnet_and_a_dropout(tmp_path: Path) -> None:
    board = make_board()
    board.schedule(5, [(1000, True), (3_000_000, False), (3_002_000, True)])
    run(board, 0.2)
    _, case = guide(tmp_path, board, 5, {}, plan=PLAN[:1])
    assert case.contacts[0].extras.at_s == pytest.approx([case.from_s])


def test_what_chatters_is_not_closed_all_the_time(tmp_path: Path) -> None:
    """It reads closed nearly always, and never long enough to count."""
    board = make_board()
    openings_us = range(0, 9_000_000, 900)
    board.schedule(5, [(start + late, late > 0) for start in openings_us for late in (0, 20)])
    _, case = guide(tmp_path, board, 5, {}, plan=PLAN[:1])
    assert len(case.contacts[0].extras) == 0
    assert {span.fault for span in case.contacts[0].at.faults} == {Fault.CHATTER}


def test_closed_in_the_end_is_not_closed_all_the_time(tmp_path: Path) -> None:
    """What the board says of the closing never arrives."""
    board = make_board()
    board.schedule(5, [(4_000_000, True)])
    cable = Cable(board)
    cable.loses_message = lambda type_: type_ == 0x02
    _, case = guide(tmp_path, board, 5, {}, plan=PLAN[:1], connect=lambda: cable)
    assert len(case.contacts[0].at.closures_at_s) == 0


def test_a_closure_that_began_just_before(tmp_path: Path) -> None:
    """It is known from the beginning of the session on, which is the first heartbeat's."""
    first, _ = guide(tmp_path / "first", make_board(), 5, {}, plan=PLAN[:1])
    for before_us in (5000, 10_000, 20_000, 40_000):
        board = make_board()
        board.schedule(
            5, [(first._board.start_us - before_us, True), (first._board.start_us + 60_000, False)]
        )
        _, case = guide(tmp_path / "second", board, 5, {}, plan=PLAN[:1])
        assert case.contacts[0].extras.at_s == pytest.approx([case.from_s], abs=1e-5), before_us


def test_what_the_board_kept_from_before_is_not_of_the_session(tmp_path: Path) -> None:
    board = make_board()
    board.schedule(5, [(100_000, True), (160_000, False)])
    run(board, 0.5)
    _, case = guide(tmp_path, board, 5, {}, plan=PLAN[:1])
    assert len(case.contacts[0].at.closures_at_s) == 0


WIGGLE = (Ask(Step.WIGGLE, seconds=10.0),)


def test_a_loose_lead_opens_while_it_is_moved(tmp_path: Path) -> None:
    """Putting the magnet there by hand closes it three times; that is not the lead."""
    does = {
        Phase.PLACE: passes((300, 340), (700, 900), (1500, 4000), (4100, 5000), (5600, 8000), (8050, 16000)),
        Phase.REMOVE: passes((4300, 4400)),
    }
    _, case = guide(tmp_path, make_board(), 5, does, plan=WIGGLE)
    contact = case.contacts[0]
    (count,) = closures_of(contact.passes, Step.WIGGLE)
    assert count == 4
    assert contact.passes.gaps_ms[0] == pytest.approx([100, 600], abs=0.1)
    assert contact.passes.parts_ms[0, 1:] == pytest.approx([900, 2400], abs=0.1)
    assert contact.passes.parts_ms[0, 0] < 2100, "from when the magnet stood there"
    assert len(contact.extras) == 0


def test_a_sound_lead_stays_closed(tmp_path: Path) -> None:
    """For longer than anybody is waited for."""
    does = {Phase.PLACE: passes((300, 14000))}
    session, case = guide(tmp_path, make_board(), 5, does, plan=WIGGLE, wait_s=6.0)
    passes_ = case.contacts[0].passes
    assert (passes_.closures.tolist(), session.outcomes[0].seen) == ([1], 1)
    assert passes_.parts_ms[0, 0] == pytest.approx(10_000, abs=150)


def test_dropouts_while_it_is_moved(tmp_path: Path) -> None:
    def does(person: Person) -> None:
        now_us = person.board.now_us
        person.board.schedule(5, [(now_us + 300_000, True), (now_us + 13_000_000, False)])
        for at_us in (5_000_000, 6_000_000):
            person.board.schedule(5, [(now_us + at_us, False), (now_us + at_us + 4000, True)])

    _, case = guide(tmp_path, make_board(), 5, {Phase.PLACE: does}, plan=WIGGLE)
    passes_ = case.contacts[0].passes
    assert (passes_.closures.tolist(), passes_.dropouts.tolist()) == ([1], [2])


def test_skipped_steps_are_told(tmp_path: Path) -> None:
    does = {step: (lambda person: person.session.skip()) for step in Step}
    does[Phase.PLACE] = lambda person: person.session.skip()  # type: ignore[index]
    _, case = guide(tmp_path, make_board(), 5, dict(does))
    assert case.notes == (
        "not done: nothing moves, passes at usual speed, slow passes, fast passes, lead and plug moved, "
        "another vehicle, a contact that works",
    )
    assert len(case.contacts[0].passes) == 0
    assert case.contacts[0].unclear == "no pass was seen, and nobody said that one was made"


def test_stopped_in_the_middle_what_is_there_counts(tmp_path: Path) -> None:
    def does(person: Person) -> None:
        person.close(5, (500, 560))
        person.later(2.0, person.session.stop)

    _, case = guide(tmp_path, make_board(), 5, {Step.USUAL: does})
    assert case.contacts[0].passes.closures.tolist() == [1]
    assert case.notes == (
        "not done: slow passes, fast passes, lead and plug moved, another vehicle, a contact that works",
    )


def test_a_train_over_all_contacts(tmp_path: Path) -> None:
    """The reference is one that answered as often as was asked for."""

    def laps(person: Person) -> None:
        person.later(5.0, lambda: person.board.carousel(rounds=3))

    plan = (Ask(Step.USUAL, passes=3), Ask(Step.REFERENCE, passes=3))
    board = make_board()
    _, case = guide(tmp_path, board, 8, {Step.USUAL: laps, Step.REFERENCE: laps}, plan=plan)
    contact, reference = case.contacts
    assert closures_of(contact.passes, Step.USUAL) == [1, 1, 1]
    assert closures_of(contact.passes, Step.REFERENCE) == [1, 1], "the third one came after the end"
    assert closures_of(reference.passes, Step.REFERENCE) == [1, 1, 1]


# ---- nobody answers, lines break ----


def test_nobody_is_there(tmp_path: Path) -> None:
    session, case = guide(tmp_path, make_board(), 5, {}, wait_s=20.0, limit_s=40.0)
    assert not session.saw_anything
    assert len(case.contacts[0].passes) == 0
    assert case.contacts[0].unclear
    assert 25 < case.to_s - case.from_s < 30, "5 s of stillness, 20 s of waiting, and the last counts"


def test_time_over_tells_nothing_of_what_is_missing(tmp_path: Path) -> None:
    session, case = guide(
        tmp_path, make_board(), 5, {Step.USUAL: passes((500, 560))}, plan=USUAL, wait_s=10.0
    )
    assert case.contacts[0].passes.closures.tolist() == [1]
    assert session.outcomes[0].passes is None


def test_another_input_that_answers_as_often_shows_that_passes_were_made(tmp_path: Path) -> None:
    does = passes((500, 560), (1500, 1560), (2500, 2560), number=6)
    _, case = guide(tmp_path, make_board(), 5, {Step.USUAL: does}, plan=USUAL, wait_s=10.0)
    assert case.contacts[0].passes.closures.tolist() == [0, 0, 0]
    assert [len(each.closures_at_s) for each in case.spares if each.input == 6] == [3]


class Breaking:
    """Breaks the line in the middle of a step, once."""

    def __init__(self, step: Step, what: Callable[[], None]) -> None:
        self.step, self.what, self.is_done = step, what, False

    def __call__(self, session: Session) -> None:
        if not self.is_done and session.ask.step is self.step and session.seen == 2:
            self.is_done = True
            self.what()


def five_and_two(person: Person) -> None:
    person.close(5, (500, 560), (1500, 1560), (2500, 2560), (3500, 3560), (4500, 4560))


SEVERAL = {Step.USUAL: five_and_two, Step.SLOW: five_and_two}


def test_unplugged_half_way(tmp_path: Path) -> None:
    board = make_board()
    plug = Plug(lambda _: Cable(board))
    broken = Breaking(Step.SLOW, lambda: plug.lines[-1].close())
    session, case = guide(tmp_path, board, 5, SEVERAL, connect=plug.connect, while_running=broken)
    contact = case.contacts[0]
    assert session.interrupted == "virtual:: the line is gone (unplugged?)"
    assert closures_of(contact.passes, Step.USUAL) == [1] * 5
    assert closures_of(contact.passes, Step.SLOW) == [1, 1], "what was seen until then"
    assert case.notes[0] == f"the session was cut off: {session.interrupted}"
    assert (
        case.notes[1] == "not done: fast passes, lead and plug moved, another vehicle, a contact that works"
    )
    assert np.all(np.isfinite(contact.passes.at_s))
    assert len(plug.lines) == 1


def test_a_board_that_starts_anew_half_way(tmp_path: Path) -> None:
    board = make_board()
    broken = Breaking(Step.SLOW, board.reset)
    session, case = guide(tmp_path, board, 5, SEVERAL, while_running=broken)
    contact = case.contacts[0]
    assert "started anew" in session.interrupted
    assert closures_of(contact.passes, Step.USUAL) == [1] * 5
    assert closures_of(contact.passes, Step.SLOW) == [1, 1]
    assert contact.at.edges is not None
    assert case.from_s < contact.at.edges.at_s[0] < contact.at.edges.at_s[-1] < case.to_s
    assert len(contact.at.edges.at_s) == 13, "the last closure had not ended"
    assert np.isfinite(contact.passes.parts_ms[:, 0]).tolist() == [True] * 6 + [False]


@pytest.mark.parametrize("seed", range(3))
def test_edges_lost_on_the_line(tmp_path: Path, seed: int) -> None:
    """Edges are not sent again, and the case says so; closures are, and none is missing."""
    board = make_board(seed)

    def connect() -> Transport:
        return FaultyLine(Cable(board), LineFaults(flip=0.002, drop=0.001, repeat=0.0005), seed)

    def does(person: Person) -> None:
        for _ in range(3):
            person.board.pass_magnet(5)
            person.later(1.2, lambda: None)

    plan = (Ask(Step.USUAL, passes=3), Ask(Step.OTHER, passes=3))
    edges = note_schedule(board, 5)
    _, case = guide(tmp_path, board, 5, {Step.USUAL: does, Step.OTHER: does}, connect=connect, plan=plan)
    contact = case.contacts[0]
    assert contact.passes.closures.tolist() == [1] * 6, f"seed {seed}"
    assert contact.at.counts is not None
    assert contact.at.counts.edges == len(edges), "the board counts them all"
    assert contact.at.edges is not None
    lost = len(edges) - len(contact.at.edges.at_s)
    said = [note for note in case.notes if note.startswith("edges were lost")]
    assert bool(lost) == bool(said), f"seed {seed}: {lost} edges are missing, {said}"


def test_an_input_that_is_not_there(tmp_path: Path) -> None:
    with pytest.raises(Exception, match="there is no input 17"):
        guide(tmp_path, make_board(), 17)


def test_a_board_that_falls_silent_at_once(tmp_path: Path) -> None:
    board = make_board()
    cable = Cable(board)
    cable.loses_message = lambda type_: type_ == 0x06
    with pytest.raises(LineError, match="does not tell its counts"):
        guide(tmp_path, board, 5, connect=lambda: cable)


def test_closures_that_were_not_recorded_are_not_missed(tmp_path: Path) -> None:
    """A chattering input is muted: its passes are counted and not recorded."""

    def does(person: Person) -> None:
        now_us = person.board.now_us
        burst = [(now_us + 100_000 + 3000 * n, n % 2 == 0) for n in range(200)]
        closings = [(now_us + us, us % 40_000 == 0) for us in range(1_000_000, 9_000_000, 20_000)]
        person.board.schedule(5, [*burst, *closings])
        person.later(10.0, person.session.done)

    _, case = guide(tmp_path, make_board(), 5, {Step.USUAL: does}, plan=(Ask(Step.USUAL, passes=9),))
    contact = case.contacts[0]
    assert contact.unclear.endswith("of its closures were counted and not recorded, as it chattered")
    assert contact.passes.closures.min(initial=1) > 0
