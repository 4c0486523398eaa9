"""`reedproof prove`: every verdict reaches the screen, the exit code and the store."""

from __future__ import annotations

import json
import re
from collections.abc import Callable
from typing import Any

import pytest

from cli.command import PluggedBoard, Ran, run
from reedproof import proof as proof_module
from reedproof.proof import ADVICE, Result
from reedproof.sim.board import VirtualBoard
from reedproof.sim.contacts import ContactFault

PlugIn = Callable[[Callable[..., VirtualBoard]], None]

PROOF_KEYS = {
    "proof": int, "port": str, "board": int, "kind": str, "build": int, "boot": int, "protocol": int,
    "sample_us": int, "settings_defaulted": bool, "made_at_s": float, "inputs": list,
    "interruptions": list, "ledger_balances": bool, "good": bool,
}  # fmt: skip

INPUT_KEYS = {
    "input": int, "electrical": str, "partners": list, "passes": int, "closures": int, "edges": int,
    "bounces_max": int, "longest_bounce_us": int, "closed_ms_min": float | None,
    "closed_ms_max": float | None, "answered_on": int | None, "faults": list, "result": str,
    "advice": str,
}  # fmt: skip


def verdicts(ran: Ran) -> dict[int, str]:
    """Of the table, by input."""
    found = re.findall(r"^ +(\d+)   (\S+(?: \S+)?)  ", ran.out, re.MULTILINE)
    return {int(number): verdict for number, verdict in found}


def advice_lines(ran: Ran) -> dict[int, str]:
    """Of each input that is not good; without the board's own fault names, which tests of the core check."""
    found = re.findall(r"^input (\d+): (.*)$", ran.out, re.MULTILINE)
    return {int(number): re.sub(r" \[.*?\]", "", text) for number, text in found}


def test_all_good() -> None:
    ran = run("prove", "virtual:")
    assert ran.code == 0
    assert ran.err == ""
    assert verdicts(ran) == dict.fromkeys(range(1, 17), "good")
    assert advice_lines(ran) == {}
    assert re.findall(r"^pass the magnet over input (\d+)$", ran.out, re.MULTILINE) == [
        str(number) for number in range(1, 17)
    ]
    assert "electrical self-test ... good\n" in ran.out
    assert "16 of 16 inputs good; recorded + lost = counted on every one\n" in ran.out


def test_each_broken_contact_is_named_with_what_to_do() -> None:
    ran = run("prove", "virtual:faulty")
    assert ran.code == 1
    bad = {3: Result.NO_CLOSURE, 7: Result.STUCK, 9: Result.SWAPPED, 10: Result.SWAPPED, 12: Result.CHATTER}
    assert verdicts(ran) == {n: bad.get(n, Result.GOOD).value for n in range(1, 17)}
    assert advice_lines(ran) == {
        3: f"no closure - {ADVICE[Result.NO_CLOSURE]}",
        7: f"stuck closed - {ADVICE[Result.STUCK]}",
        9: f"swapped - it answers on input 10: {ADVICE[Result.SWAPPED]}",
        10: f"swapped - it answers on input 9: {ADVICE[Result.SWAPPED]}",
        12: f"chatter - {ADVICE[Result.CHATTER]}",
    }
    assert "input 10 answered instead; once more over input 9, please\n" in ran.out
    assert "11 of 16 inputs good" in ran.out


class _Wired(VirtualBoard):
    """Inputs 1 and 2 touch, 3 is low from the start, and something holds 5 high."""

    def __init__(self, **options: Any) -> None:
        super().__init__(inputs=6, shorts=[frozenset((1, 2))], **options)
        self.schedule(3, [(0, True)])

    def _test_levels(self) -> int:
        return super()._test_levels() & ~(1 << (5 - 1))


def test_electrical_verdicts(plug_in: PlugIn) -> None:
    plug_in(_Wired)
    ran = run("prove", "virtual:")
    assert ran.code == 1
    assert "electrical self-test ... not good on input 1, 2, 3, 5\n" in ran.out
    told = advice_lines(ran)
    assert told[1] == f"shorted - with input 2: {ADVICE[Result.SHORTED]}"
    assert told[2] == f"shorted - with input 1: {ADVICE[Result.SHORTED]}"
    assert told[3].endswith(f"{ADVICE[Result.READS_CLOSED]}")
    assert told[5] == f"held high - {ADVICE[Result.HELD_HIGH]}"
    assert set(told) == {1, 2, 3, 5}


def test_auto_asks_nothing() -> None:
    ran = run("prove", "virtual:", "--auto", "5")
    assert ran.code == 0
    assert "pass a magnet over every input within 5 s, in any order" in ran.out
    assert "pass the magnet over input" not in ran.out
    assert verdicts(ran) == dict.fromkeys(range(1, 17), "good")


def test_auto_ends_when_its_time_is_up() -> None:
    """The simulated magnet needs 250 ms per input, so two seconds are too short for sixteen."""
    ran = run("prove", "virtual:", "--auto", "2")
    assert ran.code == 1
    silent = [number for number, verdict in verdicts(ran).items() if verdict == "no closure"]
    assert silent == list(range(silent[0], 17))
    assert 6 <= silent[0] <= 14


@pytest.mark.parametrize(
    ("text", "chosen"), [("3", [3]), ("1-3,16", [1, 2, 3, 16]), ("5,2", [2, 5]), ("2,2,1-2", [1, 2])]
)
def test_only_some_inputs(text: str, chosen: list[int]) -> None:
    ran = run("prove", "virtual:", "--inputs", text)
    assert ran.code == 0
    assert list(verdicts(ran)) == chosen
    assert f"{len(chosen)} of {len(chosen)} inputs good" in ran.out


def test_a_fault_elsewhere_does_not_count() -> None:
    assert run("prove", "virtual:faulty", "--inputs", "1-2,4-6").code == 0
    assert run("prove", "virtual:faulty", "--inputs", "3").code == 1


@pytest.mark.parametrize(
    "text", ["", "a", "1-", "-3", "4-1", "1,,2", "1.5", "1-2-3", "1-999999999999", "1-3,5-4", "٣"]
)
def test_inputs_that_are_no_list(text: str) -> None:
    ran = run("prove", "virtual:", f"--inputs={text}")
    assert ran.code == 2
    assert ran.complaint() == f"--inputs {text}: expected numbers and ranges such as 1-4,7"
    assert ran.out == ""


@pytest.mark.parametrize("number", [0, 17, 999])
def test_inputs_that_the_board_does_not_have(number: int) -> None:
    ran = run("prove", "virtual:", "--inputs", f"1,{number}")
    assert ran.code == 2
    assert f"there is no input {number}" in ran.complaint()
    assert ran.complaint().endswith("has inputs 1 to 16")


def test_wait_limits_how_long_a_silent_input_is_waited_for(plug_in: PlugIn) -> None:
    boards = []

    def make(**options: Any) -> VirtualBoard:
        boards.append(VirtualBoard(inputs=2, faults={1: ContactFault.OPEN_LEAD}, **options))
        return boards[-1]

    plug_in(make)
    for wait_s in ("2", "30"):
        assert run("prove", "virtual:", "--wait", wait_s).code == 1
    quick, slow = (board.now_us / 1e6 for board in boards)
    assert slow - quick == pytest.approx(28.0, abs=0.5)


def test_as_json() -> None:
    ran = run("prove", "virtual:faulty", "--json")
    assert ran.code == 1
    document = json.loads(ran.out)
    assert set(document) == set(PROOF_KEYS)
    for name, kind in PROOF_KEYS.items():
        assert isinstance(document[name], kind), name
    assert document["good"] is False
    assert document["ledger_balances"] is True
    assert [line["input"] for line in document["inputs"]] == list(range(1, 17))
    for line in document["inputs"]:
        assert set(line) == set(INPUT_KEYS)
        for name, kind in INPUT_KEYS.items():
            assert isinstance(line[name], kind), name
        assert (line["result"] == "good") == (line["advice"] == "")
    assert document["inputs"][8]["answered_on"] == 10
    assert "pass the magnet over input 16\n" in ran.err  # prompts must be seen, and not be in the document
    assert json.loads(run("proofs", str(document["proof"]), "--json").out) == document


@pytest.mark.parametrize("port", ["virtual:", "virtual:faulty"])
def test_printed_again_as_it_was(port: str) -> None:
    run("prove", "virtual:", "--inputs", "1")
    shown = run("prove", port, "--auto", "5").out
    again = run("proofs", "2")
    assert again.code == 0
    assert again.out.startswith("proof 2: virtual board ")
    assert shown.endswith(again.out)


def test_ctrl_c_half_way_keeps_what_was_seen(monkeypatch: pytest.MonkeyPatch) -> None:
    really_pass = VirtualBoard.pass_magnet

    def pass_until_seven(board: VirtualBoard, number: int) -> None:
        if number == 7:
            raise KeyboardInterrupt
        really_pass(board, number)

    monkeypatch.setattr(VirtualBoard, "pass_magnet", pass_until_seven)
    ran = run("prove", "virtual:")
    assert ran.code == 1
    assert ran.err == ""
    expected = {n: "good" if n < 7 else "not tried" for n in range(1, 17)}
    expected[7] = verdicts(ran)[7]  # asked, and not waited for: either word is fair
    assert expected[7] in ("not tried", "no closure")
    assert verdicts(ran) == expected
    assert advice_lines(ran)[16] == "not tried - pass a magnet over it"
    assert "stopped; what was seen so far:\n" in ran.out
    assert ran.out.endswith(run("proofs", "1").out)


def test_ctrl_c_before_the_first_magnet(monkeypatch: pytest.MonkeyPatch) -> None:
    def interrupted(_: object) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr(proof_module.Prover, "test_electrically", interrupted)
    ran = run("prove", "virtual:")
    assert ran.code == 130
    assert ran.complaint() == "stopped"
    assert run("proofs").out == "no proofs yet; 'reedproof prove PORT' makes one\n"


def test_damaged_settings_are_told(plug_in: PlugIn) -> None:
    plug_in(lambda **options: VirtualBoard(inputs=1, memory=bytearray(b"\xff" * 1024), **options))
    ran = run("prove", "virtual:")
    assert ran.code == 0
    assert "it runs on the defaults\n" in ran.out
    assert "unnamed" not in run("proofs", "1").out  # proving gives a name to a board that has none


def test_over_a_real_line() -> None:
    board = VirtualBoard(speed=1.0, inputs=2)
    board.carousel(rounds=4)  # over before the proof is: a magnet over a contact at its end looks stuck
    with PluggedBoard(board) as plugged:
        ran = run("prove", plugged.port, "--auto", "2")
    assert ran.code == 0, ran
    assert verdicts(ran) == {1: "good", 2: "good"}
    assert f" on {plugged.port}, " in ran.out
