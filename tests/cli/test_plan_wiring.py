"""`reedproof plan wiring` as a user types it: values, errors, the sheet, and the drawing."""

from __future__ import annotations

import json
import xml.etree.ElementTree as ET
from pathlib import Path
from typing import Any

import pytest

from cli.command import Ran, run
from layout.test_layout import GOOD
from reedproof.layout import read_sheet
from reedproof.plan_tables import WiringPlan

SVG = "{http://www.w3.org/2000/svg}"


def plan(*arguments: str) -> Ran:
    return run("plan", "wiring", *arguments)


def document(*arguments: str) -> dict[str, Any]:
    ran = plan(*arguments, "--json")
    assert ran.code in (0, 1), ran.err
    answer: dict[str, Any] = json.loads(ran.out)
    return answer


def words(svg: Path) -> str:
    return " ".join(each.text or "" for each in ET.parse(svg).iter(f"{SVG}text"))


def saved_wiring(sheet: Path) -> WiringPlan:
    plans = read_sheet(sheet).plan
    assert plans.wiring is not None
    return plans.wiring


@pytest.fixture
def sheet(tmp_path: Path) -> Path:
    path = tmp_path / "layout.toml"
    path.write_text(GOOD)
    return path


def test_the_answer_comes_first_and_is_read_at_80_columns() -> None:
    ran = plan("--cable-m", "10")
    assert (ran.code, ran.err) == (0, "")
    lines = ran.out.splitlines()
    assert max(map(len, lines)) <= 80
    assert lines[0].startswith("Every margin is kept with 470 Ohm in series at the contact; 4.7 nF")
    answer = next(at for at, line in enumerate(lines) if line.startswith("parts: "))
    assert answer < 10
    assert lines[answer].startswith("parts: 470 Ohm in series at the contact; 4.7 nF from input to ground")
    assert "  kept: current as it closes: 10.6 mA, at most 500 mA, 47.3 times what is needed" in lines
    assert "caution: a short between supply and ground destroys a board" in ran.out
    assert len(lines) < 95


def test_units_behind_a_number() -> None:
    plain = document("--cable-m", "0.3", "--filter-nf", "0.1", "--pull-up-ohm", "20000..50000")
    with_units = document("--cable-m", "30cm", "--filter-nf", "100pF", "--pull-up-ohm", "20kOhm..50kOhm")
    assert with_units["rise_us"] == pytest.approx(plain["rise_us"])
    assert with_units["inputs"]["cable_m"] == {"value": pytest.approx(0.3), "from": "option"}
    assert with_units["inputs"]["supply_v"] == {"value": 5, "from": "default"}


def test_code_1_where_a_limit_is_not_kept() -> None:
    ran = plan("--cable-m", "5", "--filter-nf", "10uF", "--extra-pull-up-ohm", "0")
    assert ran.code == 1
    assert ran.out.startswith("NOT every margin is kept with ")
    assert "NOT KEPT: rise after opening: " in ran.out
    assert "solder in 470 Ohm in series at the contact; 2.7 nF" in ran.out
    assert document("--cable-m", "5", "--series-ohm", "0", "--filter-nf", "1")["is_good"] is False


@pytest.mark.parametrize(
    ("arguments", "complaint"),
    [
        ((), "--cable-m is missing; give it, or a --sheet that has it"),
        (("--cable-m", "0"), "--cable-m holds 0.0; expected more than 0"),
        (("--cable-m=-3",), "--cable-m holds -3.0; expected more than 0"),
        (("--cable-m", "2000"), "--cable-m holds 2000.0; expected at most 1000"),
        (("--cable-m", "5V"), "'5V': expected a number of m, alone or with such a unit behind it"),
        (("--cable-m", "long"), "'long': expected a number of m"),
        (("--cable-m", "nan"), "'nan': expected a finite number"),
        (("--cable-m", "5", "--cable-pf-m", "100pF"), "'100pF': expected a number of pF/m"),
        (("--cable-m", "5", "--filter-nf", "4.7Ohm"), "'4.7Ohm': expected a number of nF"),
        (("--cable-m", "5", "--filter-nf=-1"), "--filter-nf holds -1.0; expected at least 0"),
        (("--cable-m", "5", "--series-ohm", "470k"), "'470k': expected a number of Ohm"),
        (("--cable-m", "5", "--supply-v", "12"), "--supply-v holds 12.0; expected at most 5.5"),
        (("--cable-m", "5", "--pull-up-ohm", "50000..20000"), "expected the smaller one first"),
        (("--cable-m", "5", "--pull-up-ohm", "1..20000"), "holds 1.0; expected at least 100"),
        (("--cable-m", "5", "--vil-v", "4"), "expected the first below the second"),
        (
            ("--cable-m", "5", "--parallel-m", "6"),
            "--parallel-m holds 6; expected at most the 5 m of the cable",
        ),
        (("--cable-m", "5", "--parallel-m=-1"), "--parallel-m holds -1.0; expected at least 0"),
        (("--cable-m", "5", "--contact-ma", "0"), "--contact-ma holds 0.0; expected more than 0"),
        (("--cable-m", "5", "--save"), "expected --sheet SHEET with it"),
        (("--cable-m", "5", "--plot", "wiring.png"), "expected a name that ends in .svg"),
    ],
)
def test_bad_input(arguments: tuple[str, ...], complaint: str) -> None:
    ran = plan(*arguments)
    assert ran.code == 2
    assert complaint in ran.complaint()
    assert ran.out == ""


def test_the_sheet(sheet: Path) -> None:
    """What no option says comes from it; what was told is saved, and the rest of it stays. Parts are chosen
    anew each time, if nobody says which are there."""
    before = sheet.read_text()
    sheet.write_text(before + "\n[plan.wiring]\ncable_m = 7\nstep_v = 24 # old motors\n")
    answer = document("--sheet", str(sheet), "--step-v", "16")
    assert answer["inputs"]["cable_m"] == {"value": 7, "from": "sheet"}
    assert answer["inputs"]["step_v"] == {"value": 16, "from": "option"}
    assert "series_ohm" not in saved_wiring(sheet).model_fields_set
    saved = document("--sheet", str(sheet), "--step-v", "16", "--save")
    assert saved["parts"] == answer["parts"]
    wiring = saved_wiring(sheet)
    assert (wiring.cable_m, wiring.step_v) == (7, 16)
    assert wiring.model_fields_set == {"cable_m", "step_v"}
    assert sheet.read_text().startswith(before)
    again = document("--sheet", str(sheet))
    assert again["inputs"]["series_ohm"] == {"value": None, "from": "default"}
    assert again["checks"] == answer["checks"]
    document("--sheet", str(sheet), "--series-ohm", "100", "--save")
    assert document("--sheet", str(sheet))["inputs"]["series_ohm"] == {"value": 100, "from": "sheet"}


def test_a_sheet_that_is_wrong(sheet: Path) -> None:
    sheet.write_text(sheet.read_text() + '\n[plan.wiring]\ncable_m = "far"\n')
    ran = plan("--sheet", str(sheet))
    assert ran.code == 2
    assert ran.complaint() == f"{sheet}: plan.wiring.cable_m holds 'far'; expected a number"


def test_the_drawing(tmp_path: Path) -> None:
    file = tmp_path / "wiring.svg"
    ran = plan("--cable-m", "60", "--plot", str(file))
    assert ran.code == 0
    assert ran.out.endswith(f"drawn: {file}\n")
    said = words(file)
    for expected in (
        "Input circuit of a contact 60 m from its board",
        "20 to 50 kOhm",
        "10 kOhm",
        "27 nF",
        "6 nF, 15 Ohm",
        "470 Ohm, at the contact",
        "motor lead beside 60 m, steps of 12 V",
        "VIH: high above 3 V",
        "supply and USB off",
        "current as it closes 10.3 mA, at most 500 mA",
    ):
        assert expected in said
    first = file.read_bytes()
    assert b"reedproof plan wiring" in first
    assert plan("--cable-m", "60", "--plot", str(file)).code == 0
    assert file.read_bytes() == first


def test_the_drawing_has_no_parts_that_there_are_not(tmp_path: Path) -> None:
    file = tmp_path / "wiring.svg"
    parts = ("--series-ohm", "0", "--filter-nf", "0", "--extra-pull-up-ohm", "0", "--parallel-m", "0")
    assert plan("--cable-m", "2", *parts, "--plot", str(file)).code == 0
    said = words(file)
    for unexpected in ("at the contact", "motor lead beside", "filter 1"):
        assert unexpected not in said
    assert "no series resistor; no filter capacitor" in said


def test_the_drawing_marks_what_is_not_kept(tmp_path: Path) -> None:
    file = tmp_path / "wiring.svg"
    assert plan("--cable-m", "10", "--series-ohm", "0", "--filter-nf", "10", "--plot", str(file)).code == 1
    assert "NOT KEPT: current as it closes 1887 mA, at most 500 mA" in words(file)


def test_a_file_of_the_users_is_not_replaced(tmp_path: Path) -> None:
    file = tmp_path / "mine.svg"
    file.write_text("<svg>mine</svg>")
    ran = plan("--cable-m", "10", "--plot", str(file))
    assert ran.code == 2
    assert file.read_text() == "<svg>mine</svg>"


def test_help_has_an_example_and_a_caution() -> None:
    ran = plan("--help")
    assert ran.code == 0
    assert "Example: reedproof plan wiring --cable-m 10" in ran.out
    assert "Power off before plugging" in " ".join(ran.out.split())
