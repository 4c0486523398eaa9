"""`reedproof sheet`: a sheet begun by asking, and its wiring list."""

from __future__ import annotations

import json
import subprocess
from pathlib import Path

import pytest

from cli.command import PATIENCE_S, PROGRAM, Ran, run
from layout.test_layout import GOOD
from reedproof.layout import read_sheet


def asked(path: Path, *answers: str) -> Ran:
    done = subprocess.run(
        [PROGRAM, "sheet", "new", str(path)], input="\n".join(answers) + "\n", capture_output=True, text=True,
        timeout=PATIENCE_S, check=False,
    )  # fmt: skip
    return Ran(done.returncode, done.stdout, done.stderr)


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "layout.toml"


def test_the_wiring_list(path: Path) -> None:
    path.write_text(GOOD)
    ran = run("sheet", "check", str(path))
    assert (ran.code, ran.err) == (0, "")
    lines = [line.split() for line in ran.out.splitlines()]
    assert ["quarry", "1", "D2", "crusher", "passing", "-"] in lines
    assert ["quarry", "2", "D3", "quarry,", "braking", "braking", "-"] in lines
    assert ["wharf", "32", "D30", "wharf,", "stopping", "stopping", "W4"] in lines
    assert "Fernhollow slate tramway, 1:32" in ran.out
    assert ran.out.splitlines()[-1] == "3 contacts, 2 boards, 2 routes, 1 train"


def test_json(path: Path) -> None:
    path.write_text(GOOD)
    document = json.loads(run("sheet", "check", str(path), "--json").out)
    assert document["layout"] == "Fernhollow slate tramway"
    assert document["wiring"][2] == {
        "board": "wharf", "input": 32, "pin": "D30", "contact": "wharf, stopping", "purpose": "stopping",
        "plug": "W4",
    }  # fmt: skip


def test_every_problem_on_a_line(path: Path) -> None:
    path.write_text(GOOD.replace('board = "wharf"', 'board = "dock"').replace("magnets = 2", "magnets = 0"))
    ran = run("sheet", "check", str(path))
    assert ran.code == 2
    assert ran.complaint() == f"{path}: trains[1].magnets holds 0; expected at least 1"
    path.write_text(
        GOOD.replace('board = "wharf"', 'board = "dock"')
        .replace('"slate"', "")
        .replace('route = "stone"', 'route = "slate"')
    )
    ran = run("sheet", "check", str(path))
    assert ran.code == 2
    assert [line.partition(": ")[2].partition(": ")[2].split()[0] for line in ran.err.splitlines()] == [
        "contacts[1].board", "trains[1].route",
    ]  # fmt: skip
    assert len(json.loads(run("sheet", "check", str(path), "--json").out)["problems"]) == 2


def test_begun_by_asking(path: Path) -> None:
    answers = [
        "Fernhollow",
        "1:32",
        "quarry",
        "",
        "quarry, braking",
        "braking",
        'the "old" mill',
        "",
        "",
        "",
        "shuttle",
    ]
    ran = asked(path, *answers)
    assert ran.code == 0, ran
    assert f"written: {path}; edit it, then: reedproof sheet check {path}" in ran.out
    sheet = read_sheet(path)
    assert (sheet.layout.name, sheet.layout.scale) == ("Fernhollow", "1:32")
    assert [(c.name, c.board, c.input, c.purpose.value) for c in sheet.contacts] == [
        ("quarry, braking", "quarry", 1, "braking"), ('the "old" mill', "quarry", 2, "passing"),
    ]  # fmt: skip
    assert (sheet.routes[0].kind, sheet.routes[0].contacts) == (
        "shuttle",
        ["quarry, braking", 'the "old" mill'],
    )
    assert sheet.trains[0].route == sheet.routes[0].name


def test_an_answer_that_cannot_be_is_told_and_the_file_kept(path: Path) -> None:
    ran = asked(path, "Fernhollow", "32", "quarry", "", "crusher", "", "", "", "loop")
    assert ran.code == 2
    assert "layout.scale holds '32'; expected a ratio such as '1:87'" in ran.err
    assert 'scale = "32"' in path.read_text()


def test_a_sheet_that_exists_is_not_touched(path: Path) -> None:
    path.write_text("mine")
    ran = run("sheet", "new", str(path))
    assert ran.code == 2
    assert "exists already; choose another name, or delete it first" in ran.complaint()
    assert path.read_text() == "mine"


def test_brackets_in_names_are_printed_as_they_are(path: Path) -> None:
    text = GOOD.replace('"Fernhollow slate tramway"', '"slate [red]tramway[/red]"')
    path.write_text(text.replace('"crusher"', '"crusher [/inner]"'))
    ran = run("sheet", "check", str(path))
    assert (ran.code, ran.err) == (0, "")
    assert "slate [red]tramway[/red], 1:32" in ran.out
    assert "crusher [/inner]" in ran.out
