"""`reedproof demo`: the first thing a new user runs."""

from __future__ import annotations

import json
import re
import shlex
from pathlib import Path

import pytest

from cli.command import Ran, run
from reedproof.cli import demo as demo_module
from reedproof.cli.demo import INJECTED
from reedproof.sim.contacts import ContactFault


@pytest.fixture(scope="module")
def where(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("the data") / "demo.sqlite"


@pytest.fixture(scope="module")
def shown(where: Path) -> Ran:
    return run("demo", "--store", str(where))


def test_finds_exactly_what_was_broken(shown: Ran) -> None:
    assert shown.code == 0
    assert shown.err == ""
    complaints = re.findall(r"^input (\d+) \(.*?\): (.*?) - ", shown.out, re.MULTILINE)
    assert complaints == [("4", "no closure"), ("9", "stuck closed"), ("13", "chatter")]
    assert "320 passes, 0 missed, 0 extra closures" in shown.out
    assert "exactly the three that were broken" in shown.out


def test_says_where_the_data_is(shown: Ran, where: Path) -> None:
    last = shown.out.splitlines()[-1]
    assert last.startswith(f"data: {where}; again: reedproof ")
    again = run(*shlex.split(last.partition("again: reedproof ")[2]))
    assert again.code == 0
    assert "13 of 16 inputs good" in again.out


def test_both_proofs_are_stored(shown: Ran, where: Path) -> None:
    assert shown.code == 0
    kept = json.loads(run("proofs", "--store", str(where), "--json").out)["proofs"]
    assert [proof["good"] for proof in kept] == [True, False]


@pytest.fixture
def short(monkeypatch: pytest.MonkeyPatch) -> None:
    """A few laps are enough where it is not about the findings."""
    for name in ("LAPS_GOOD", "LAPS_FAULTY"):
        monkeypatch.setattr(demo_module, name, 3)


@pytest.mark.usefixtures("short")
def test_without_a_store_the_users_own_stays_clean(store_path: Path) -> None:
    ran = run("demo", "--json")
    document = json.loads(ran.out)
    assert ran.code == 0
    assert document["as_injected"] is True
    assert document["store"] == str(store_path.parent / "reedproof" / "demo.sqlite")
    assert not store_path.exists()
    assert [proof["good"] for proof in document["proofs"]] == [True, False]
    assert "exactly the three that were broken" in ran.err  # the story goes where it is in nobody's way


@pytest.mark.usefixtures("short")
def test_another_finding_than_injected_is_a_failure(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    """A demo that cannot fail would prove nothing."""
    _, wanted = INJECTED[4]
    monkeypatch.setitem(INJECTED, 4, (ContactFault.STUCK, wanted))
    ran = run("demo", "--store", str(tmp_path / "demo.sqlite"))
    assert ran.code == 1
    assert "NOT what was broken" in ran.out
