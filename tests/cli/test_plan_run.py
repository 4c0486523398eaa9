"""`reedproof plan run`, as a user types it."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from cli.command import run
from reedproof.layout import read_sheet

EXAMPLE = Path(__file__).parents[2] / "host" / "reedproof" / "examples" / "fernhollow.toml"


@pytest.fixture
def sheet(tmp_path: Path) -> Path:
    path = tmp_path / "layout.toml"
    path.write_bytes(EXAMPLE.read_bytes())
    return path


def test_the_answer_as_json() -> None:
    ran = run("plan", "run", "--claim", "0.99@0.95", "--json")
    assert (ran.code, ran.err) == (0, "")
    found = json.loads(ran.out)
    assert (found["passes"]["0"], found["passes"]["1"]) == (299, 473)
    assert found["inputs"]["claim"] == {"value": "0.99@0.95", "from": "option"}
    assert found["inputs"]["allow"] == {"value": 0, "from": "default"}
    assert found["how"]["passes"]["source"]


def test_the_answer_as_text() -> None:
    ran = run("plan", "run", "--claim", "0.99@0.95", "--passes-per-hour", "60")
    assert (ran.code, ran.err) == (0, "")
    assert ran.out.startswith("299 passes of each contact without a miss\n")
    assert "passes of each contact, by misses allowed: 299 for 0, 473 for 1, 628 for 2" in ran.out
    assert "hours at 60 passes of a contact per hour: 4.98 for 0" in ran.out
    assert "Clopper & Pearson" in ran.out
    assert max(map(len, ran.out.splitlines())) <= 100


def test_the_sheet_says_how_many_contacts_and_keeps_the_plan(sheet: Path) -> None:
    ran = run(
        "plan", "run", "--claim", "0.99@0.95", "--allow", "2", "--sheet", str(sheet), "--save", "--json"
    )
    assert (ran.code, ran.err) == (1, ""), "24 good contacts rather fail it"
    found = json.loads(ran.out)
    assert found["inputs"]["contacts"] == {"value": 24, "from": "sheet"}
    saved = read_sheet(sheet).plan.run
    assert saved is not None
    assert saved.model_fields_set == {"claim", "allow"}, "how many contacts there are follows from the sheet"
    assert (saved.claim, saved.allow) == ("0.99@0.95", 2)
    assert found["saved_in"] == f"[plan.run] in {sheet}"
    told = run("plan", "run", "--sheet", str(sheet), "--save").out.splitlines()[-1]
    assert told.startswith("saved: [plan.run] in ")
    assert told.endswith(", though not every margin is kept")
    again = json.loads(run("plan", "run", "--sheet", str(sheet), "--json").out)
    assert again["inputs"]["claim"] == {"value": "0.99@0.95", "from": "sheet"}
    assert again["passes"] == found["passes"]


@pytest.mark.parametrize(
    ("saved", "option", "told"),
    [
        ("sequential = true", ("--allow", "2"), (2, False)),
        ("sequential = true", ("--no-sequential",), (0, False)),
        ("allow = 1", ("--sequential",), (0, True)),
        ("allow = 1", ("--no-sequential",), (1, False)),
        ("sequential = true", (), (0, True)),
    ],
)
def test_an_option_goes_over_what_contradicts_it_in_the_sheet(
    sheet: Path, saved: str, option: tuple[str, ...], told: tuple[int, bool]
) -> None:
    sheet.write_text(sheet.read_text() + f'\n[plan.run]\nclaim = "0.99@0.9"\n{saved}\n')
    ran = run("plan", "run", "--sheet", str(sheet), *option, "--save", "--json")
    assert ran.err == ""
    kept = read_sheet(sheet).plan.run
    assert kept is not None
    assert (kept.allow, kept.sequential) == told


def test_the_plot(tmp_path: Path) -> None:
    plot = tmp_path / "run.svg"
    ran = run("plan", "run", "--claim", "0.99@0.95", "--plot", str(plot))
    assert ran.code == 0, ran.err
    text = plot.read_text()
    assert text.startswith("<?xml")
    assert "473 passes, 1 missed allowed" in text
    assert "excluded by the claim" in text


@pytest.mark.parametrize(
    ("options", "told"),
    [
        ((), "--claim is missing; give it, or a --sheet that has it"),
        (("--claim", "0.99"), "--claim holds '0.99'; expected RELIABILITY@CONFIDENCE"),
        (("--claim", "2@0.95"), "--claim holds '2@0.95'; expected"),
        (("--claim", "0.9@0.9", "--allow", "-1"), "--allow holds -1; expected at least 0"),
        (
            ("--claim", "0.9@0.9", "--allow", "1", "--sequential"),
            "--allow holds 1; expected 0 with --sequential",
        ),
        (("--claim", "0.9@0.9", "--contacts", "0"), "--contacts holds 0; expected at least 1"),
        (
            ("--claim", "0.9@0.9", "--passes-per-hour", "0"),
            "--passes-per-hour holds 0.0; expected more than 0",
        ),
        (("--claim", "0.9@0.9", "--passes-per-hour", "10kg"), "'10kg': expected a number"),
        (("--claim", "0.9@0.9", "--good-miss-share", "1"), "--good-miss-share holds 1.0; expected"),
        (("--claim", "0.9@0.9", "--save"), "--save: into which sheet? expected --sheet SHEET with it"),
        (("--claim", "0.9@0.9", "--sheet", "none.toml"), "none.toml: cannot be read"),
        (("--claim", "0.9@0.9", "--plot", "run.png"), "expected a name that ends in .svg"),
        (("--claim", "0.9@0.9", "--plot", "none/run.svg"), "nothing can be written there"),
    ],
)
def test_wrong_use_is_told_in_one_line(options: tuple[str, ...], told: str) -> None:
    ran = run("plan", "run", *options)
    assert ran.code == 2
    assert told in ran.complaint()


def test_a_plan_that_is_wrong_in_the_sheet_is_told_with_its_key(sheet: Path) -> None:
    sheet.write_text(sheet.read_text() + '\n[plan.run]\nclaim = "0.99"\n')
    ran = run("plan", "run", "--sheet", str(sheet))
    assert ran.code == 2
    assert "plan.run.claim holds '0.99'; expected RELIABILITY@CONFIDENCE" in ran.complaint()
    sheet.write_text(sheet.read_text().replace('"0.99"', '"0.99@0.9"\nallow = 1\nsequential = true'))
    assert (
        "plan.run: allow holds 1; expected 0 with sequential"
        in run("plan", "run", "--sheet", str(sheet)).complaint()
    )
