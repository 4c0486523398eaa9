"""`reedproof proofs`: what was proved can always be read again."""

from __future__ import annotations

import json
import re
import time
from pathlib import Path

from cli.command import run
from reedproof.store import Store


def prove_two(*more: str) -> None:
    assert run("prove", "virtual:", "--inputs", "1-3", *more).code == 0
    assert run("prove", "virtual:faulty", "--inputs", "2-4,7", *more).code == 1


def test_no_store_yet(store_path: Path) -> None:
    assert (
        run("proofs").complaint() == f"{store_path}: there is no store yet; 'reedproof prove PORT' makes one"
    )
    assert not store_path.exists(), "looking must not make one"


def test_none_yet() -> None:
    Store().close()
    ran = run("proofs")
    assert (ran.code, ran.err) == (0, "")
    assert ran.out == "no proofs yet; 'reedproof prove PORT' makes one\n"
    assert json.loads(run("proofs", "--json").out) == {"proofs": []}


def test_the_list() -> None:
    before_s = time.time()
    prove_two()
    ran = run("proofs")
    assert ran.code == 0
    rows = re.findall(
        r"^ +(\d) +(\d{4}-\d\d-\d\d \d\d:\d\d) +([0-9a-f]{8}) +virtual +(.*?) *$", ran.out, re.MULTILINE
    )
    assert [(row[0], row[3]) for row in rows] == [("1", "good"), ("2", "not good: input 3, 7")]
    assert rows[0][2] != rows[1][2]  # two boards
    first, second = json.loads(run("proofs", "--json").out)["proofs"]
    assert (first["proof"], first["good"], second["proof"], second["good"]) == (1, True, 2, False)
    assert f"{first['board']:08x}" == rows[0][2]
    assert before_s <= first["made_at_s"] <= second["made_at_s"] <= time.time()


def test_each_keeps_its_own() -> None:
    prove_two()
    assert "3 of 3 inputs good" in run("proofs", "1").out
    assert "2 of 4 inputs good" in run("proofs", "2").out


def test_a_bad_proof_is_no_bad_look_at_it() -> None:
    """Looking is not proving: the exit code is about this command."""
    prove_two()
    assert run("proofs", "2").code == 0


def test_one_that_there_is_not() -> None:
    prove_two()
    ran = run("proofs", "3")
    assert ran.code == 2
    assert "no proof number 3" in ran.complaint()
    assert ran.out == ""


def test_another_store(tmp_path: Path) -> None:
    other = tmp_path / "a folder" / "that is not there" / "club.sqlite"
    prove_two("--store", str(other))
    assert "there is no store yet" in run("proofs").err
    assert "3 of 3 inputs good" in run("proofs", "1", "--store", str(other)).out
    assert "3 of 3 inputs good" in run("proofs", "1", "--store", f"sqlite:///{other}").out
