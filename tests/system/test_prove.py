"""Proving a board, from the simulated magnet to the verdict."""

from __future__ import annotations

import json
from collections.abc import Callable, Sequence
from pathlib import Path

import pytest

from reedproof.errors import LineLost, ReedproofError
from reedproof.link import Link
from reedproof.proof import ADVICE, Proof, Prover, Result
from reedproof.recorder import Recorder
from reedproof.records import LinkEvent, Made
from reedproof.sim.board import VirtualBoard
from reedproof.sim.contacts import ContactFault
from reedproof.store import Store
from virtual_lines import Cable, make_board, rows

WAIT_S = 2.0
Hand = Callable[[int, int | None], None]


def prove(
    board: VirtualBoard,
    folder: Path,
    inputs: Sequence[int] | None = None,
    hand: Callable[[VirtualBoard], Hand] | None = None,
) -> tuple[Proof, list[tuple[int, int | None]]]:
    """Tests electrically, passes a magnet where it is asked for, and returns the proof and what was asked."""
    asked: list[tuple[int, int | None]] = []
    passes = hand(board) if hand else lambda number, _: board.pass_magnet(number)

    def prompt(number: int, other: int | None) -> None:
        asked.append((number, other))
        passes(number, other)

    with Store(folder / "store.sqlite") as store, Link(lambda: board) as link:
        prover = Prover(Recorder(link, store), 1.7e9, inputs)
        prover.test_electrically()
        prover.begin()
        for number in prover.lines:
            prover.guide(number, prompt, WAIT_S)
        return prover.finish(), asked


def also_passing(extra: int, when: int) -> Callable[[VirtualBoard], Hand]:
    """A hand that passes over ``extra`` too, just before the input ``when``."""

    def hand(board: VirtualBoard) -> Hand:
        def passes(number: int, _: int | None) -> None:
            if number == when:
                board.pass_magnet(extra)
            board.pass_magnet(number)

        return passes

    return hand


def results(proof: Proof) -> dict[int, Result]:
    """Of the inputs that are not good."""
    return {line.input: line.result for line in proof.inputs if line.result is not Result.GOOD}


def test_a_healthy_board(tmp_path: Path) -> None:
    board = make_board(5)
    proof, asked = prove(board, tmp_path)
    assert results(proof) == {}
    assert proof.is_good
    assert proof.ledger_balances is True
    assert asked == [(number, None) for number in range(1, 17)]
    assert (proof.board, proof.boot, proof.kind) == (0x5EED, board.device.boot, "virtual")
    for line in proof.inputs:
        assert (line.passes, line.closures, line.electrical, line.advice) == (1, 1, "good", "")
        assert line.closed_ms_min == line.closed_ms_max
        assert line.closed_ms_min is not None
        assert 53 < line.closed_ms_min < 68  # 60 ms, give or take a tenth, and the bounce
        assert line.edges >= 2
        assert line.bounces_max <= 3
    assert rows(tmp_path / "store.sqlite", "SELECT count(*) FROM records WHERE kind = 0") == [(16,)]


@pytest.mark.parametrize(
    ("fault", "result", "names"),
    [
        (ContactFault.OPEN_LEAD, Result.NO_CLOSURE, []),
        (ContactFault.STUCK, Result.STUCK, []),
        (ContactFault.RUBBING_LEAD, Result.CHATTER, ["chatter"]),
    ],
)
@pytest.mark.parametrize("number", [1, 6, 16])
def test_each_fault_of_a_contact(
    tmp_path: Path, fault: ContactFault, result: Result, names: list[str], number: int
) -> None:
    proof, _ = prove(make_board(5, faults={number: fault}), tmp_path)
    assert results(proof) == {number: result}
    assert not proof.is_good
    line = proof.inputs[number - 1]
    assert line.advice == ADVICE[result] != ""
    assert [name for name in line.faults if name != "never_triggered"] == names


@pytest.mark.parametrize("pair", [(1, 16), (9, 10), (4, 2)])
def test_swapped_plugs(tmp_path: Path, pair: tuple[int, int]) -> None:
    proof, asked = prove(make_board(5, swapped=pair), tmp_path)
    first, second = pair
    assert results(proof) == {first: Result.SWAPPED, second: Result.SWAPPED}
    assert proof.inputs[first - 1].answered_on == second
    assert proof.inputs[second - 1].answered_on == first
    assert f"answers on input {second}" in proof.inputs[first - 1].advice
    assert (first, second) in asked
    assert (second, first) in asked
    assert not proof.is_good


def test_shorted_inputs(tmp_path: Path) -> None:
    proof, _ = prove(make_board(5, shorts=[frozenset({3, 12})]), tmp_path)
    assert results(proof) == {3: Result.SHORTED, 12: Result.SHORTED}
    assert proof.inputs[2].partners == [12]
    assert "with input 12: power off" in proof.inputs[2].advice


def test_an_input_that_is_held_closed(tmp_path: Path) -> None:
    """A magnet parked on it: it reads closed before anything is passed over it."""
    board = make_board(5)
    board.schedule(8, [(1, True)])
    board.read(0.2)
    proof, _ = prove(board, tmp_path)
    assert results(proof) == {8: Result.READS_CLOSED}
    assert proof.inputs[7].electrical == "reads_low"


def test_an_input_that_was_held_closed_and_let_go(tmp_path: Path) -> None:
    board = make_board(5)
    board.schedule(8, [(1, True), (1_500_000, False)])
    board.read(0.2)
    proof, _ = prove(board, tmp_path)
    assert results(proof) == {8: Result.READS_CLOSED}


def test_chosen_inputs_only(tmp_path: Path) -> None:
    faults = {3: ContactFault.OPEN_LEAD, 5: ContactFault.OPEN_LEAD}
    proof, asked = prove(make_board(5, faults=faults), tmp_path, inputs=[7, 5, 2, 7])
    assert [line.input for line in proof.inputs] == [2, 5, 7]
    assert asked == [(2, None), (5, None), (7, None)]
    assert results(proof) == {5: Result.NO_CLOSURE}


@pytest.mark.parametrize("number", [0, 17, -1, 33])
def test_an_unknown_input_is_an_error(tmp_path: Path, number: int) -> None:
    with pytest.raises(ReedproofError) as caught:
        prove(make_board(), tmp_path, inputs=[1, number])
    assert str(caught.value) == f"virtual:: there is no input {number}; this virtual board has inputs 1 to 16"
    assert caught.value.exit_code == 2


def test_a_stray_closure_is_not_a_swapped_plug(tmp_path: Path) -> None:
    """Something closes input 11 just when input 4 is asked for, and the hand is slow. It happens once."""

    def hand(board: VirtualBoard) -> Hand:
        def passes(number: int, other: int | None) -> None:
            board.pass_magnet(11 if number == 4 and other is None else number)

        return passes

    proof, asked = prove(make_board(5), tmp_path, hand=hand)
    assert (4, 11) in asked
    assert results(proof) == {11: Result.EXTRA}


def test_a_stray_closure_does_not_turn_a_dead_input_into_a_swapped_one(tmp_path: Path) -> None:
    def hand(board: VirtualBoard) -> Hand:
        def passes(number: int, other: int | None) -> None:
            board.pass_magnet(number)
            if number == 4:
                board.pass_magnet(11 if other is None else 13)  # by chance, elsewhere each time

        return passes

    proof, _ = prove(make_board(5, faults={4: ContactFault.OPEN_LEAD}), tmp_path, hand=hand)
    assert results(proof) == {4: Result.NO_CLOSURE, 11: Result.EXTRA, 13: Result.EXTRA}


def test_a_closure_elsewhere_besides_the_asked_one_is_no_reason_to_ask_again(tmp_path: Path) -> None:
    proof, asked = prove(make_board(5), tmp_path, hand=also_passing(4, when=11))
    assert all(other is None for _, other in asked)
    assert results(proof) == {4: Result.EXTRA}


def test_an_input_nobody_tried(tmp_path: Path) -> None:
    board = make_board(5)
    with Store(tmp_path / "store.sqlite") as store, Link(lambda: board) as link:
        prover = Prover(Recorder(link, store), 0.0)
        prover.begin()
        board.pass_magnet(2)
        prover.watch(1.0)
        proof = prover.finish()
    assert {line.result for line in proof.inputs if line.input != 2} == {Result.NOT_TRIED}
    assert proof.inputs[1].result is Result.GOOD
    assert not proof.is_good


def test_magnets_in_any_order(tmp_path: Path) -> None:
    board = make_board(5, faults={3: ContactFault.OPEN_LEAD})
    with Store(tmp_path / "store.sqlite") as store, Link(lambda: board) as link:
        prover = Prover(Recorder(link, store), 0.0)
        prover.begin()
        prover.is_free = True
        board.carousel(rounds=2)
        prover.watch(10.0)
        proof = prover.finish()
    assert results(proof) == {3: Result.NO_CLOSURE}
    assert {line.closures for line in proof.inputs if line.input != 3} == {2}


def test_only_what_comes_after_the_beginning_counts(tmp_path: Path) -> None:
    board = make_board(5)
    with Store(tmp_path / "store.sqlite") as store, Link(lambda: board) as link:
        recorder = Recorder(link, store)
        board.carousel(rounds=1)
        for _ in range(200):
            recorder.pump(0.05)
        prover = Prover(recorder, 0.0)
        prover.begin()
        proof = prover.finish()
    assert {(line.closures, line.edges) for line in proof.inputs} == {(0, 0)}


def test_unplugged_in_the_middle(tmp_path: Path) -> None:
    board = make_board(5)
    cable = Cable(board)
    path = tmp_path / "store.sqlite"
    seen: list[LinkEvent] = []
    with Store(path) as store, Link(lambda: cable) as link:
        prover = Prover(Recorder(link, store), 0.0, seen=seen.append)
        prover.begin()

        def prompt(number: int, _: int | None) -> None:
            if number == 6:
                cable.close()
            board.pass_magnet(number)

        for number in range(1, 6):
            prover.guide(number, prompt, WAIT_S)
        with pytest.raises(LineLost) as caught:
            prover.guide(6, prompt, WAIT_S)
        text = str(caught.value)
        assert "unplugged" in text
        assert "\n" not in text
        assert prover.proof.interruptions == [text]
        assert caught.value.exit_code == 3
        assert not prover.proof.is_good
    assert rows(path, "SELECT input FROM records WHERE kind = 0 ORDER BY number") == [
        (n,) for n in range(1, 6)
    ]
    assert rows(path, "SELECT kind FROM gaps") == [("link_down",)]
    assert [event.input for event in seen if isinstance(event, Made)] == [1, 2, 3, 4, 5]


def test_a_proof_comes_back_as_it_was(tmp_path: Path) -> None:
    board = make_board(
        5,
        faults={1: ContactFault.OPEN_LEAD, 2: ContactFault.STUCK},
        swapped=(9, 10),
        shorts=[frozenset({3, 12})],
    )
    proof, _ = prove(board, tmp_path)
    assert len(results(proof)) == 6
    proof.interruptions.append("the cat")
    data = proof.as_dict()
    again = Proof.from_dict(json.loads(json.dumps(data)))
    assert again == proof
    assert again.as_dict() == data
    assert data["good"] is again.is_good is False
    assert data["inputs"][0]["advice"] == ADVICE[Result.NO_CLOSURE]
    with Store(tmp_path / "store.sqlite") as store:
        number = store.save_proof(proof.made_at_s, proof.board, data)
        assert Proof.from_dict(store.proof(number)[1]) == proof


def test_closures_from_before_are_no_proof(tmp_path: Path) -> None:
    """A board keeps what happened before anybody listened; no magnet was asked for then."""
    board = make_board(5)
    board.carousel(rounds=1)
    while board.now_us < 6_000_000:
        board._step()
    proof, _ = prove(board, tmp_path, hand=lambda _: lambda _number, _other: None)
    assert set(results(proof).values()) == {Result.NO_CLOSURE}
    assert len(results(proof)) == 16


def test_a_pass_that_gives_two_closures_is_not_good(tmp_path: Path) -> None:
    board = make_board(5)

    proof, _ = prove(board, tmp_path, hand=also_passing(6, when=6))
    assert results(proof) == {6: Result.EXTRA}


def test_a_board_that_starts_anew_interrupts_the_proof(tmp_path: Path) -> None:
    board = make_board(5)
    with Store(tmp_path / "store.sqlite") as store, Link(lambda: board) as link:
        prover = Prover(Recorder(link, store), 0.0)
        prover.begin()
        board.pass_magnet(1)
        prover.watch(0.5)
        board.reset(reset_cause=3)
        with pytest.raises(LineLost, match="started anew"):
            prover.watch(2.0)
        proof = prover.conclude()
    assert proof.interruptions == ["virtual:: the board started anew (brown_out)"]
    assert not proof.is_good


def test_without_counters_the_ledger_is_not_told(tmp_path: Path) -> None:
    board = make_board(5)
    with Store(tmp_path / "store.sqlite") as store, Link(lambda: board) as link:
        assert Prover(Recorder(link, store), 0.0).conclude().ledger_balances is None
