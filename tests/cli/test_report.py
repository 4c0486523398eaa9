"""`reedproof report`: on the screen, as a page, as JSON and CSV; what it answers and what it leaves alone."""

from __future__ import annotations

import csv
import json
import os
from pathlib import Path

import pytest

from cli.command import on_terminal, plain, run
from reedproof.store import Store
from report.made import NAMES, STARTED_S, Wrong, write_run

PLAN = {"kind": "passes", "passes": 100}


@pytest.fixture
def runs(store_path: Path) -> None:
    """An abandoned run and a good one after it."""
    with Store(store_path) as store:
        write_run(store, 40, PLAN, Wrong(missed={3: 0.2}), outcome=None)
        write_run(store, 120, PLAN, Wrong(), begun_s=STARTED_S + 1e5)


@pytest.mark.usefixtures("runs")
def test_the_newest_run_on_the_screen() -> None:
    ran = run("report")
    assert (ran.code, ran.err) == (0, "")
    lines = ran.out.splitlines()
    assert lines[0].startswith("run 2: Fernhollow slate tramway, ")
    assert "Nothing speaks against any contact; no claim was tested." in lines
    for name in NAMES:
        (line,) = (line for line in lines if line.startswith(f" {name} "))
        assert line.removeprefix(f" {name} ").split()[:4] == ["120", "0", "0", "0"]
        assert line.split()[-7:] == ["1", "in", "40", "1", "in", "40", "clean"]
    assert any(line.startswith("other run 1 on this layout: ") and "abandoned" in line for line in lines)


@pytest.mark.usefixtures("runs")
def test_an_older_run_is_asked_for_by_its_number() -> None:
    ran = run("report", "1")
    assert ran.code == 1, "the plan was not met, and a contact misses"
    assert "run 1: " in ran.out
    assert '"incline foot, braking" missed ' in ran.out
    assert "other run 2 on this layout" in ran.out


@pytest.mark.usefixtures("runs")
def test_json_has_the_keys_of_the_truth() -> None:
    ran = run("report", "--json")
    assert (ran.code, ran.err) == (0, "")
    found = json.loads(ran.out)
    assert found["run"]["number"] == 2
    assert list(found["contacts"]) == list(NAMES)
    for contact in found["contacts"].values():
        assert {
            "passes", "missed", "extra", "good", "doubled", "unobserved", "miss_upper", "extra_upper",
            "confidence", "status", "reason", "passes_range",
        } <= set(contact)  # fmt: skip
        assert (contact["passes"], contact["missed"], contact["extra"], contact["status"]) == (
            120, 0, 0, "counted",
        )  # fmt: skip
    assert found["earlier_runs"][0]["outcome"] == "abandoned"
    assert isinstance(found["statement"], list)
    assert {"gaps", "drift", "layout"} <= set(found)


@pytest.mark.usefixtures("runs")
def test_csv_on_the_screen_and_in_a_file(tmp_path: Path) -> None:
    ran = run("report", "--csv")
    lines = list(csv.DictReader(ran.out.splitlines()))
    assert [line["contact"] for line in lines] == list(NAMES)
    assert {line["passes"] for line in lines} == {"120"}
    file = tmp_path / "run.csv"
    assert run("report", "-o", str(file)).code == 0
    assert file.read_text() == ran.out


@pytest.mark.usefixtures("runs")
def test_a_page_may_be_made_again(tmp_path: Path) -> None:
    file = tmp_path / "run.html"
    first = run("report", "1", "-o", str(file))
    assert first.out.splitlines()[-1] == f"written: {file}"
    assert "<title>Reliability run 1: " in file.read_text()
    assert run("report", "2", "-o", str(file)).code == 0
    assert "<title>Reliability run 2: " in file.read_text()
    assert sorted(os.listdir(tmp_path)) == ["run.html", "store.sqlite"], "nothing else is left there"


@pytest.mark.parametrize("name", ["run.html", "run.csv", "RUN.CSV"])
@pytest.mark.usefixtures("runs")
def test_what_is_not_a_report_is_left_alone(tmp_path: Path, name: str) -> None:
    file = tmp_path / name
    file.write_bytes(b"time_us,input,level\n\xff1,1,1\n")
    ran = run("report", "-o", str(file))
    assert (ran.code, ran.out) == (2, "")
    assert ran.complaint() == (
        f"{file}: exists already and is not a report; choose another name, or delete it first"
    )
    assert file.read_bytes() == b"time_us,input,level\n\xff1,1,1\n"


@pytest.mark.usefixtures("runs")
def test_a_file_that_cannot_be_written(tmp_path: Path) -> None:
    ran = run("report", "-o", str(tmp_path / "missing" / "run.html"))
    assert (ran.code, ran.out) == (2, "")
    assert "cannot be written (No such file or directory); choose another place" in ran.complaint()
    if Path("/dev/full").exists():
        (tmp_path / "run.html.part").symlink_to("/dev/full")
        ran = run("report", "-o", str(tmp_path / "run.html"))
        assert "cannot be written (No space left on device)" in ran.complaint()
        assert sorted(os.listdir(tmp_path)) == ["store.sqlite"], "half a page is none"


def test_it_does_not_make_a_store(store_path: Path) -> None:
    assert run("report").code == 2
    assert not store_path.exists()


def test_no_run_yet(store_path: Path) -> None:
    Store(store_path).close()
    for arguments, complaint in (
        (("report",), "no run yet; 'reedproof endure SHEET' makes one"),
        (("report", "7"), "no run number 7; 'reedproof runs' lists them"),
    ):
        ran = run(*arguments)
        assert ran.code == 2
        assert ran.complaint() == f"{store_path}: {complaint}"


def test_names_are_told_back_as_they_are(store_path: Path) -> None:
    names = ("[red]mill[/red]", ":x: crusher", "<b>wharf</b>", "\N{BULLET} bridge")
    with Store(store_path) as store:
        write_run(store, 120, PLAN, Wrong(), names=names, simulated=True)
    ran = run("report")
    assert ran.out.startswith("SIMULATED: no real contact was tested\n")
    for name in names:
        assert f" {name} " in ran.out


@pytest.mark.usefixtures("runs")
def test_a_small_terminal_shows_everything() -> None:
    ran = on_terminal("report", columns=80)
    assert ran.code == 0
    screen = plain(ran.out)
    screen = screen[screen.index("run 2: ") :]  # what the bar leaves there goes by itself
    assert max(map(len, screen.splitlines())) <= 80
    text = " ".join(screen.split())
    assert "Nothing speaks against any contact; no claim was tested." in text
    assert "other run 1 on this layout" in text


def test_help_says_what_the_exit_codes_mean() -> None:
    text = " ".join(run("report", "--help").out.split())
    assert "Exit code 0 if the plan is met and nothing speaks against any contact" in text
    assert "Example: reedproof report 3 -o run-3.html" in text
