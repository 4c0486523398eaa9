"""`reedproof plan timing` as a user types it."""

from __future__ import annotations

import json
import re
from pathlib import Path
from typing import Any
from xml.etree import ElementTree

import pytest

from cli.command import Ran, run
from reedproof.layout import read_sheet

SHEET = """\
# mine
[layout]
name = "Millbrook"
scale = "1:160"

[boards.one]
kind = "virtual"

[[contacts]]
name = "mill"
board = "one"
input = 1

[[contacts]]
name = "ford"
board = "one"
input = 2
plan = { closures_mm = [12.5], shortest_mm = 11.5, longest_mm = 14.0, notch_mm = 0.0 }

[[routes]]
name = "line"
kind = "loop"
contacts = ["mill", "ford"]

[[trains]]
name = "goods"
route = "line"
magnets = 2
spacing_mm = 90.0

[[trains]]
name = "mail"
route = "line"
magnets = 2
spacing_mm = 400.0

[plan.magnet]
diameter_mm = 4.9
length_mm = 10.0
remanence_t = 1.3
orientation = "across"
distance_mm = 15.0
operate_mt = 2.0
release_mt = 1.0
closures_mm = [36.4]
shortest_mm = 30.0
longest_mm = 40.0
notch_mm = 0.0
"""


@pytest.fixture
def sheet(tmp_path: Path) -> Path:
    path = tmp_path / "millbrook.toml"
    path.write_text(SHEET)
    return path


def timing(*arguments: str) -> Ran:
    return run("plan", "timing", *arguments)


def document(*arguments: str) -> dict[str, Any]:
    ran = timing(*arguments, "--json")
    assert ran.err == ""
    return dict(json.loads(ran.out))


def test_speeds_of_the_prototype() -> None:
    found = document("--speed-km-h", "5..160", "--scale", "H0", "--closure-mm", "16")
    # NEM 010 (2011): 1:87; 160 / (3.6 x 87) km/h are 510.9 mm/s, derived here.
    assert found["inputs"]["fastest_mm_s"]["value"] == pytest.approx(510.9, abs=0.05)
    assert found["inputs"]["slowest_mm_s"]["value"] == pytest.approx(15.96, abs=0.005)
    assert found["counted"] == {"slowest": "once", "fastest": "once"}
    assert found["closure_ms"] == pytest.approx(16 / 0.5109, rel=1e-4)
    assert found["is_good"] is True
    assert {check["of"] for check in found["checks"]} == {"closure_ms", "break_us"}
    assert found["how"]["certain_mm_s"]["formula"] == "closure / (make_us + sampling_us + operate_us)"
    assert sum(part["delay_ms"] for part in found["delays"]) == pytest.approx(found["delay_ms"])


def test_units_that_are_typed() -> None:
    plain = document("--speed-mm-s", "20..500", "--closure-mm", "16", "--break-us", "12000")
    with_units = document("--speed-mm-s", "2cm/s..0.5m/s", "--closure-mm", "1.6cm", "--break-us", "12ms")
    assert plain == with_units
    assert plain["inputs"]["break_us"] == {"value": 12000, "from": "option"}


def test_the_answer_leads_and_fits_a_small_terminal() -> None:
    ran = timing("--speed-km-h", "5..160", "--scale", "H0", "--closure-mm", "16")
    assert ran.code == 0
    answer = ran.out.split("\n\n")[1]
    assert answer.startswith(
        "a pass is counted: once at 16 mm/s (5 km/h at 1:87), once at 511 mm/s (160 km/h\n  at 1:87)\n"
        "no pass is missed up to: 6275 mm/s (1965 km/h at 1:87)\n"
    )
    assert max(map(len, ran.out.splitlines())) <= 80
    assert len(ran.out.splitlines()) < 70


def test_a_plan_that_fails_says_what_to_change() -> None:
    ran = timing(
        "--speed-mm-s", "20..500", "--closure-mm", "19.6", "--notch-mm", "0.68", "--footprint-mm", "45",
        "--spacing-mm", "60",
    )  # fmt: skip
    assert ran.code == 1
    assert "a pass is counted: twice at 20 mm/s, once at 500 mm/s" in ran.out
    assert "break_us may be: nothing" in ran.out
    assert "NOT KEPT: break_us over the notch" in ran.out
    todo = ran.out.split("What to do:")[1].split("How it was")[0]
    assert "turn the magnet across the travel" in todo
    assert re.search(r"magnets [\d.]+ mm or further apart", todo)


def test_stopping() -> None:
    options = (
        "--speed-mm-s", "20..300", "--closure-mm", "16", "--deceleration-mm-s2", "0.2m/s2", "--slow-mm-s",
        "60", "--braking-to-stopping-mm", "30cm", "--front-mm", "15",
    )  # fmt: skip
    good = document(*options, "--stopping-to-signal-mm", "40")
    # 60 mm/s x 122.23 ms + 60^2 / 400
    assert good["stopping_mm"] == pytest.approx(16.334, abs=0.001)
    assert good["room_mm"] == pytest.approx(40 - 15 - 16.334, abs=0.001)
    ran = timing(*options, "--stopping-to-signal-mm", "31")
    assert ran.code == 1
    assert "NOT KEPT: stopping contact to signal" in ran.out
    assert "caution: any contact can be missed" in ran.out


def test_a_sheet_tells_scale_closures_and_trains(sheet: Path) -> None:
    found = document("--sheet", str(sheet), "--speed-km-h", "40..100")
    assert found["inputs"]["closure_mm"] == {"value": 11.5, "from": "sheet"}
    assert found["inputs"]["footprint_mm"] == {"value": 40.0, "from": "sheet"}
    assert found["inputs"]["spacing_mm"] == {"value": 90.0, "from": "sheet"}
    assert found["inputs"]["fastest_mm_s"]["value"] == pytest.approx(173.6, abs=0.05)  # 1:160
    assert found["between_ms"] == pytest.approx((90 - 40) / 0.17361, rel=1e-4)
    found = document("--sheet", str(sheet), "--speed-km-h", "40..100", "--scale", "Z", "--closure-mm", "8")
    assert found["inputs"]["closure_mm"] == {"value": 8.0, "from": "option"}
    assert found["inputs"]["fastest_mm_s"]["value"] == pytest.approx(126.3, abs=0.05)


SPEEDS = ("--speed-km-h", "40..100")


def given(sheet: Path, *options: str) -> dict[str, Any]:
    inputs = document("--sheet", str(sheet), *SPEEDS, *options)["inputs"]
    return {key: inputs[key]["value"] for key in ("closure_mm", "notch_mm", "footprint_mm", "spacing_mm")}


def test_the_longest_opening_is_that_of_the_worst_contact(sheet: Path) -> None:
    sheet.write_text(SHEET.replace("longest_mm = 14.0, notch_mm = 0.0", "longest_mm = 52.0, notch_mm = 0.7"))
    expected = {"closure_mm": 11.5, "notch_mm": 0.7, "footprint_mm": 52.0, "spacing_mm": 90.0}
    assert given(sheet) == expected
    assert given(sheet, "--notch-mm", "0") == expected | {"notch_mm": 0.0}


def test_what_the_plan_itself_tells_goes_over_magnets_and_trains_and_options_over_both(sheet: Path) -> None:
    own = "closure_mm = 20.0\nspacing_mm = 300.0"
    sheet.write_text(f"{SHEET}[plan.timing]\nslowest_mm_s = 50.0\nfastest_mm_s = 100.0\n{own}\n")
    expected = {"closure_mm": 20.0, "notch_mm": 0.0, "footprint_mm": 40.0, "spacing_mm": 300.0}
    assert given(sheet) == expected
    assert given(sheet, "--spacing-mm", "80") == expected | {"spacing_mm": 80.0}
    # A pass is at least as long as a closure of it.
    assert given(sheet, "--closure-mm", "50") == expected | {"closure_mm": 50.0, "footprint_mm": 50.0}


@pytest.mark.parametrize("closures", ["[]", "[12.5]"])
def test_a_contact_that_may_not_close_at_all_is_told(sheet: Path, closures: str) -> None:
    sheet.write_text(SHEET.replace("[12.5], shortest_mm = 11.5", f"{closures}, shortest_mm = 0.0"))
    assert timing("--sheet", str(sheet), *SPEEDS).complaint() == (
        "--closure-mm is missing; as planned, a magnet may pass 'ford' without closing it, and 'reedproof "
        "plan magnet' tells what to change"
    )
    assert given(sheet, "--closure-mm", "8")["closure_mm"] == 8.0


def test_contacts_that_are_not_worked_out_are_told(sheet: Path) -> None:
    assert document("--sheet", str(sheet), *SPEEDS)["advice"] == []
    sheet.write_text(re.sub(r"plan = .*", "plan = { distance_mm = 12.0 }", SHEET))
    found = document("--sheet", str(sheet), *SPEEDS)
    assert found["inputs"]["closure_mm"]["value"] == 30.0
    assert found["advice"][0].endswith("'reedproof plan magnet --contact NAME --save': ford")
    assert document("--sheet", str(sheet), *SPEEDS, "--closure-mm", "9")["advice"] == []


def test_what_is_saved_is_taken_again(sheet: Path) -> None:
    first = document(
        "--sheet", str(sheet), *SPEEDS, "--break-us", "12ms", "--deceleration-mm-s2", "150", "--save"
    )
    assert sheet.read_text().startswith("# mine\n")
    saved = read_sheet(sheet).plan.timing
    assert saved is not None
    # Neither what followed from magnets and trains, nor defaults.
    assert saved.model_fields_set == {"slowest_mm_s", "fastest_mm_s", "break_us", "deceleration_mm_s2"}
    assert saved.break_us == 12_000
    again = document("--sheet", str(sheet))
    assert again["inputs"]["break_us"] == {"value": 12_000, "from": "sheet"}
    told = ("inputs", "saved_in")
    assert {key: value for key, value in again.items() if key not in told} == {
        key: value for key, value in first.items() if key not in told
    }
    # What follows from the magnets is not taken from what was saved before they were changed.
    sheet.write_text(sheet.read_text().replace("shortest_mm = 11.5", "shortest_mm = 11.0"))
    assert document("--sheet", str(sheet))["inputs"]["closure_mm"]["value"] == 11.0
    # What the table has stays there when something else is told.
    document("--sheet", str(sheet), "--closure-mm", "9", "--save")
    saved = read_sheet(sheet).plan.timing
    assert saved is not None
    assert (saved.closure_mm, saved.break_us) == (9.0, 12_000)


def test_a_table_that_contradicts_itself_is_told_with_the_sheet(sheet: Path) -> None:
    table = (
        "[plan.timing]\nslowest_mm_s = 50.0\nfastest_mm_s = 100.0\nfootprint_mm = 20.0\nspacing_mm = 15.0\n"
    )
    sheet.write_text(SHEET + table)
    assert (
        "plan.timing: spacing_mm holds 15; expected more than 20" in timing("--sheet", str(sheet)).complaint()
    )


@pytest.mark.parametrize("orientation", ["across", "upright"])
def test_the_worst_of_the_planned_magnet_is_what_is_reckoned_with(sheet: Path, orientation: str) -> None:
    """A contact of 18 AT, a factor of 2 either way: the longest closure is more than twice the shortest."""
    planned = (
        "--diameter-mm", "3", "--length-mm", "10", "--grade", "N42", "--gap-mm", "4", "--orientation",
        orientation, "--operate-at", "18", "--release-at", "10",
    )  # fmt: skip
    sheet.write_text(re.sub(r"plan = .*\n", "", SHEET[: SHEET.index("[plan.magnet]")]))
    told = json.loads(run("plan", "magnet", *planned, "--sheet", str(sheet), "--save", "--json").out)
    inputs = given(sheet)
    assert inputs["closure_mm"] <= min(told["levels"][0]["closures_mm"])
    assert inputs["footprint_mm"] > sum(told["levels"][2]["closures_mm"])
    assert (inputs["notch_mm"] > 0) is (orientation == "upright")


def test_the_drawing(tmp_path: Path) -> None:
    plain, stopping = tmp_path / "plain.svg", tmp_path / "stopping.svg"
    options = ("--speed-mm-s", "20..300", "--closure-mm", "16")
    assert timing(*options, "--plot", str(plain)).code == 0
    text = " ".join(ElementTree.parse(plain).getroot().itertext())
    for words in ("20 mm/s", "300 mm/s", "break_us 10000", "what break_us may be", "1000"):
        assert words in text
    assert "$" not in text
    assert "stopping contact" not in text
    options += (
        "--notch-mm",
        "0.3",
        "--spacing-mm",
        "200",
        "--deceleration-mm-s2",
        "200",
        "--slow-mm-s",
        "60",
    )
    assert timing(*options, "--stopping-to-signal-mm", "50", "--plot", str(stopping)).code == 1
    text = " ".join(ElementTree.parse(stopping).getroot().itertext())
    for words in ("opening within a pass", "opening between two magnets", "braking contact", "front at the"):
        assert words in text


@pytest.mark.parametrize(
    ("arguments", "complaint"),
    [
        ("--speed-mm-s 0..100 --closure-mm 5", "holds 0..100; expected more than 0 and at most 10000 mm/s"),
        ("--speed-km-h 0 --scale N --closure-mm 5", "--speed-km-h holds 0..0; expected more than 0"),
        ("--speed-mm-s 100..20 --closure-mm 5", "100..20: expected the smaller one first, such as 20..100"),
        ("--speed-mm-s 20..20000 --closure-mm 5", "--speed-mm-s holds 20..20000; expected more than 0"),
        ("--speed-km-h 5..100 --closure-mm 5", "--speed-km-h needs a scale; give --scale"),
        ("--speed-km-h 5..100 --scale G --closure-mm 5", "such as 1:87, or one of Z (1:220), N (1:160)"),
        ("--speed-km-h 5 --speed-mm-s 5 --closure-mm 5", "two ways to say the same; give one of them"),
        ("--speed-mm-s 5kg --closure-mm 5", "'5kg': expected a number of mm/s, alone or with such a unit"),
        ("--speed-mm-s 5..70 --closure-mm 5s", "'5s': expected a number of mm"),
        ("--speed-mm-s nan --closure-mm 5", "'nan': expected a finite number"),
        ("--closure-mm 5", "--speed-mm-s is missing; give it, --speed-km-h, or a --sheet that has it"),
        ("--speed-mm-s 5..70", "--closure-mm is missing; give it, or a --sheet that has it"),
        ("--speed-mm-s 5..70 --closure-mm 0", "--closure-mm holds 0.0; expected more than 0"),
        ("--speed-mm-s 5..70 --closure-mm 5 --break-us 65536", "holds 65536; expected at most 65535"),
        ("--speed-mm-s 5..70 --closure-mm 5 --break-us 0", "--break-us holds 0; expected at least 1"),
        ("--speed-mm-s 5..70 --closure-mm 5 --make-us 0.5", "--make-us holds 0.5; expected a whole number"),
        ("--speed-mm-s 5..70 --closure-mm 5 --make-us 10mm", "'10mm': expected a number of us"),
        ("--speed-mm-s 5..70 --closure-mm 50 --spacing-mm 40", "holds 40; expected more than 50"),
        ("--speed-mm-s 5..70 --closure-mm 5 --slow-mm-s 9", "give --deceleration-mm-s2 with it"),
        ("--speed-mm-s 5..70 --closure-mm 5 --save", "--save: into which sheet?"),
    ],
)  # fmt: skip
def test_what_is_wrong_is_told_in_a_line(arguments: str, complaint: str) -> None:
    ran = timing(*arguments.split())
    assert ran.code == 2
    assert complaint in ran.complaint()
    assert ran.out == ""
