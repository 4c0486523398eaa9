"""`reedproof simulate`: the store, the truth beside it, and what is refused."""

from __future__ import annotations

import json
from collections import Counter
from pathlib import Path

import numpy as np
import pytest

from cli.command import run
from reedproof.analysis.closures import Closures
from reedproof.layout import read_sheet
from reedproof.sim.scenario import Cause
from reedproof.store import Store
from sim.test_layout import EXAMPLE

SHEET = """
[layout]
name = "ring"

[boards.north]
kind = "uno"
[boards.south]
kind = "mega"

[[contacts]]
name = "a=b"
board = "north"
input = 16
[[contacts]]
name = "mill"
board = "south"
input = 32
[[contacts]]
name = "tunnel"
board = "south"
input = 1

[[routes]]
name = "round"
kind = "loop"
contacts = ["a=b", "mill", "tunnel"]
"""


@pytest.fixture
def sheet(tmp_path: Path) -> Path:
    path = tmp_path / "ring.toml"
    path.write_text(SHEET)
    return path


def test_the_store_holds_what_the_truth_says(sheet: Path, tmp_path: Path) -> None:
    folder = tmp_path / "new" / "run"
    ran = run(
        "simulate", str(sheet), "--laps", "12", "--seed", "5", "--miss", "*=0.2", "--miss", "a=b=0.5",
        "--extra", "mill=0.3", "--speed-spread", "0.1", "-o", str(folder),
    )  # fmt: skip
    assert (ran.code, ran.err) == (0, "")
    truth = json.loads((folder / "truth.json").read_text())
    assert set(truth["contacts"]) == {"a=b", "mill", "tunnel"}
    assert all(set(each) == {"passes", "missed", "extra"} for each in truth["contacts"].values())
    assert {each["passes"] for each in truth["contacts"].values()} == {12}
    assert truth["options"] == {
        "miss": {"a=b": 0.5, "mill": 0.2, "tunnel": 0.2}, "extra": {"mill": 0.3}, "speed_spread": 0.1,
    }  # fmt: skip
    assert (truth["seed"], truth["laps"], truth["simulated"]) == (5, 12, True)
    assert truth["laps_run"] == {"train on round": 12}
    read = read_sheet(sheet)
    contacts = {(contact.board, contact.input): at for at, contact in enumerate(read.contacts)}
    with Store(folder / "store.sqlite", create=False) as store:
        (kept,) = store.runs()
        closures = Closures.join(list(store.closures(kept.id, contacts)))
        boards = store.run_boards(kept.id)
    assert (kept.id, kept.layout, kept.outcome) == (truth["run"], "ring", "met")
    assert kept.plan == {"kind": "passes", "passes": 12}
    assert (kept.simulated, kept.seed) == (True, 5)
    assert {board.name: board.kind for board in boards} == {"north": "virtual", "south": "virtual"}
    counts = Counter(read.contacts[at].name for at in closures.contact.tolist())
    for name, each in truth["contacts"].items():
        assert counts[name] == each["passes"] - each["missed"] + each["extra"], name
        row = [str(each[key]) for key in ("passes", "missed", "extra")]
        assert [name, *row] in [line.split() for line in ran.out.splitlines()]


def test_json_and_the_same_seed(sheet: Path, tmp_path: Path) -> None:
    documents = []
    for folder in ("one", "two"):
        ran = run(
            "simulate", str(sheet), "--laps", "3", "--extra", "*=0.5", "--json", "-o", str(tmp_path / folder)
        )
        assert ran.code == 0
        documents.append(json.loads(ran.out))
        assert documents[-1].pop("store") == str(tmp_path / folder / "store.sqlite")
        assert documents[-1] == json.loads((tmp_path / folder / "truth.json").read_text())
    assert documents[0] == documents[1]


def test_a_folder_that_holds_a_run_is_left_alone(sheet: Path, tmp_path: Path) -> None:
    for name in ("store.sqlite", "truth.json"):
        folder = tmp_path / name.partition(".")[0]
        folder.mkdir()
        (folder / name).write_text("mine")
        ran = run("simulate", str(sheet), "--laps", "1", "-o", str(folder))
        assert ran.code == 2
        assert ran.complaint().startswith(f"{folder / name}: exists already; ")
        assert [path.name for path in folder.iterdir()] == [name]
        assert (folder / name).read_text() == "mine"


@pytest.mark.parametrize(
    ("arguments", "problem"),
    [
        (["--miss", "mill"], '--miss mill: expected a contact and a chance from 0 to 1, such as "a=b=0.01"'),
        (["--miss", "mill=2"], "--miss mill=2: expected a contact and a chance"),
        (["--extra", "mill=nan"], "--extra mill=nan: expected a contact and a chance"),
        (["--extra", "quarry=0.1"], "--extra quarry=0.1: there is no contact 'quarry'"),
        (["-o", "ring.toml"], "ring.toml: cannot be made"),
        (["--seed", "9" * 20], "Invalid value for '--seed'"),
    ],
)
def test_what_is_refused(
    arguments: list[str], problem: str, sheet: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    ran = run("simulate", str(sheet), "--laps", "1", "-o", "out", *arguments)
    assert ran.code == 2
    assert ran.complaint().startswith(problem)
    assert not (tmp_path / "out").exists()


def test_a_sheet_without_routes(tmp_path: Path) -> None:
    path = tmp_path / "bare.toml"
    path.write_text(SHEET.partition("[[routes]]")[0])
    ran = run("simulate", str(path), "--laps", "1", "-o", str(tmp_path / "out"))
    assert ran.complaint() == "the sheet has no route to run along; add a [[routes]]"


def test_the_example_runs(tmp_path: Path) -> None:
    ran = run("simulate", str(EXAMPLE), "--laps", "1", "-o", str(tmp_path / "out"), "--json")
    assert ran.code == 0
    contacts = json.loads(ran.out)["contacts"]
    assert contacts["tunnel"] == {"passes": 4, "missed": 0, "extra": 0}, "two magnets, there and back"
    assert contacts["smithy"] == {"passes": 1, "missed": 0, "extra": 0}


# ---- scenarios ----


@pytest.fixture
def scenario(sheet: Path) -> Path:
    path = sheet.parent / "rust.toml"
    path.write_text(
        'sheet = "ring.toml"\nlaps = 4\nseed = 9\n'
        '[[faults]]\ncause = "open_lead"\ncontact = "mill"\nsize = "severe"\nstart_s = 20\n'
        '[[faults]]\ncause = "bad_input"\nboard = "south"\ninput = 2\nmode = "dead"\n'
    )
    return path


def test_a_scenario(scenario: Path, tmp_path: Path) -> None:
    folder = tmp_path / "run"
    ran = run("simulate", "--scenario", str(scenario), "-o", str(folder))
    assert (ran.code, ran.err) == (0, "")
    truth = json.loads((folder / "truth.json").read_text())
    assert truth["contacts"] == {name: {"passes": 4} for name in ("a=b", "mill", "tunnel")}
    assert truth["faults"] == [
        {"cause": "open_lead", "contact": "mill", "start_s": 20.0, "size": "severe"},
        {
            "cause": "bad_input", "board": "south", "input": 2, "start_s": 0.0, "size": "moderate",
            "mode": "dead",
        },
    ]  # fmt: skip
    assert (truth["seed"], truth["laps"], truth["layout"]) == (9, 4, "ring")
    assert truth["options"] == {"scenario": "rust.toml", "speed_spread": 0.33}
    assert "open_lead: mill, severe, from 20 s to the end" in ran.out
    assert "bad_input: input 2 of south, dead, from 0 s to the end" in ran.out
    with Store(folder / "store.sqlite", create=False) as store:
        (kept,) = store.runs()
        selftests = {board.name: board.settings["selftest"] for board in store.run_boards(kept.id)}
        closures = Closures.join(
            list(store.closures(kept.id, read_sheet(scenario.parent / "ring.toml").positions()))
        )
    assert (kept.simulated, kept.seed, kept.plan) == (True, 9, {"kind": "passes", "passes": 4})
    assert selftests["south"].pop("2") == {"verdict": "held_high", "partners": []}
    rest = [one for board in selftests.values() for one in board.values()]
    assert len(rest) == 16 + 31
    assert all(one == {"verdict": "good", "partners": []} for one in rest)
    assert np.all(closures.made_s[closures.contact == 1] - kept.started_s < 20)
    assert np.count_nonzero(closures.contact == 2) == 4


def test_laps_and_seed_go_over_those_of_the_scenario(scenario: Path, tmp_path: Path) -> None:
    ran = run(
        "simulate",
        "--scenario",
        str(scenario),
        "--laps",
        "2",
        "--seed",
        "0",
        "--json",
        "-o",
        str(tmp_path / "run"),
    )
    document = json.loads(ran.out)
    assert (document["laps"], document["seed"]) == (2, 0)
    assert document["contacts"]["tunnel"] == {"passes": 2}


@pytest.mark.parametrize(
    ("arguments", "problem"),
    [
        ([], "there is nothing to simulate; expected a SHEET with --laps, or --scenario FILE"),
        (["ring.toml"], "--laps is missing; a sheet does not say how many, expected such as --laps 150"),
        (
            ["ring.toml", "--scenario", "rust.toml"],
            "SHEET does not go with --scenario; a scenario has its own",
        ),
        (
            ["--scenario", "rust.toml", "--miss", "*=0.1"],
            "--miss does not go with --scenario; put a fault into the scenario",
        ),
        (
            ["--scenario", "rust.toml", "--extra", "*=0.1"],
            "--extra does not go with --scenario; put a fault into the scenario",
        ),
        (
            ["--scenario", "none.toml"],
            "none.toml: cannot be read (No such file or directory); check the name",
        ),
        (["--scenario", "ring.toml", "--laps", "0"], "Invalid value for '--laps'"),
    ],
)
@pytest.mark.usefixtures("scenario")
def test_what_contradicts_a_scenario(
    arguments: list[str], problem: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    ran = run("simulate", *arguments, "-o", "out")
    assert ran.code == 2
    assert ran.complaint().startswith(problem)
    assert not (tmp_path / "out").exists()


def test_help_lists_the_causes() -> None:
    text = " ".join(run("simulate", "--help").out.split())
    assert all(cause.value in text for cause in Cause)
