"""`reedproof plan magnet`, as a user types it."""

from __future__ import annotations

import json
import shlex
from pathlib import Path
from typing import Any

import pytest

from cli.command import on_terminal, plain, run
from reedproof.layout import read_sheet

EXAMPLE = Path(__file__).parents[2] / "host" / "reedproof" / "examples" / "fernhollow.toml"
SIZE = "--diameter-mm 4.9 --length-mm 10"
PLACE = "--distance-mm 10 --orientation across"
CONTACT = "--operate-mt 2 --release-mt 1"
USUAL = f"{SIZE} --remanence-t 1.30 {PLACE} {CONTACT}"


@pytest.fixture
def sheet(tmp_path: Path) -> Path:
    path = tmp_path / "layout.toml"
    path.write_bytes(EXAMPLE.read_bytes())
    return path


def found(options: str, *more: str) -> Any:
    ran = run("plan", "magnet", *shlex.split(options), *more, "--json")
    assert ran.code in (0, 1), ran.err
    assert ran.err == ""
    return json.loads(ran.out)


def test_the_answer_as_json() -> None:
    """14.47 mT and 42.9 mm, recomputed with magpylib 6.3.0."""
    told = found(USUAL)
    assert told["peak_mt"] == pytest.approx(14.47, abs=0.01)
    (closure,) = told["closures"]
    assert closure["end_mm"] - closure["start_mm"] == pytest.approx(42.9, abs=0.06)
    assert told["notches_mm"] == []
    assert told["inputs"]["distance_mm"] == {"value": 10.0, "from": "option"}
    assert told["inputs"]["spread_mm"] == {"value": 1.0, "from": "default"}
    assert told["is_good"] is True


def test_the_answer_as_text() -> None:
    ran = run("plan", "magnet", *shlex.split(USUAL))
    assert (ran.code, ran.err) == (0, "")
    lines = ran.out.splitlines()
    assert lines[0] == "One closure of 42.9 mm in a pass; every margin is kept"
    assert "peak field along the contact: 14.5 mT" in lines
    assert "distances with exactly one closure: 3.45 to 20.9 mm" in lines
    assert any(
        line.split() == ["along", "14.5", "13.7,", "14.7,", "21.2", "1.75,", "2.11", "12.2,", "20.9"]
        for line in lines
    )
    assert "caution: keep magnets 15 cm away from pacemakers" in ran.out


def test_it_ends_with_1_where_a_margin_is_not_kept() -> None:
    ran = run("plan", "magnet", *shlex.split(f"{USUAL} --orientation upright"))
    assert ran.code == 1
    assert "NOT KEPT: closures in a pass, most over the spread: 2, at most 1" in ran.out


@pytest.mark.parametrize(
    "options",
    [
        USUAL,
        f"{SIZE} --grade N42 --temperature-c 60 --gap-mm 6 --orientation along --operate-at 9 --release-at 5",
    ],
)
def test_it_fits_a_terminal_of_80_columns(options: str) -> None:
    ran = on_terminal("plan", "magnet", *shlex.split(options), columns=80)
    lines = [line.rstrip() for line in plain(ran.out).splitlines()]
    assert max(map(len, lines)) <= 80
    assert not [line for line in lines if line.endswith("…")]
    heads = [line for line in lines if "peak mT" in line]
    assert len(heads) == (3 if options == USUAL else 4)
    assert all(line.endswith(" mm") for line in heads)  # no heading is broken


def test_lengths_may_have_a_unit_and_grades_small_letters() -> None:
    told = found(
        "--diameter-mm 4.9 --length-mm 1cm --grade n42 --orientation across --gap-mm 6.55 --operate-mt 20G "
        "--release-mt 1"
    )
    assert told["peak_mt"] == pytest.approx(14.47, abs=0.01)
    assert told["remanence_t"] == pytest.approx([1.28, 1.32])


def test_a_block_and_ampere_turns() -> None:
    told = found(
        "--width-mm 5 --height-mm 3 --length-mm 10 --remanence-t 1.3 --gap-mm 7.5 --orientation across "
        "--operate-at 18 --release-at 9 --steel-rail"
    )
    assert told["distance_mm"] == pytest.approx(10)
    assert told["operate_mt"] == pytest.approx([0.99, 1.98, 3.96])
    assert "steel" in told["advice"][-1]


def test_the_magnets_of_the_table_are_chosen() -> None:
    told = found(USUAL, "--compare", "3x6, 4.9 x 10,5x3x10")
    assert [row["magnet_mm"] for row in told["magnets"]] == ["3 x 6", "4.9 x 10", "5 x 3 x 10"]
    assert told["magnets"][1]["peak_mt"] == told["peak_mt"]


# ---- the sheet ----


def test_a_plan_is_saved_with_its_closures_and_taken_from_there(sheet: Path) -> None:
    told = found(USUAL, "--sheet", str(sheet), "--save")
    saved = read_sheet(sheet).plan.magnet
    assert saved is not None
    assert (saved.diameter_mm, saved.remanence_t, saved.spread_mm, saved.grade) == (4.9, 1.3, 1.0, None)
    for key in ("closures_mm", "shortest_mm", "longest_mm", "notch_mm"):
        assert getattr(saved, key) == pytest.approx(told[key], abs=0.005), key
    again = found("", "--sheet", str(sheet))
    assert again["peak_mt"] == told["peak_mt"]
    assert again["inputs"]["operate_mt"] == {"value": 2.0, "from": "sheet"}
    assert found("--distance-mm 12", "--sheet", str(sheet))["peak_mt"] == pytest.approx(9.152, abs=1e-3)


def test_closures_are_saved_in_order_of_travel(sheet: Path) -> None:
    found(f"{USUAL} --orientation along", "--sheet", str(sheet), "--save")
    saved = read_sheet(sheet).plan.magnet
    assert saved is not None
    assert saved.closures_mm == pytest.approx([13.8, 14.7, 21.2], abs=0.06)


def test_a_contact_keeps_only_what_is_different_there(sheet: Path) -> None:
    found(USUAL, "--sheet", str(sheet), "--save")
    at = ("--sheet", str(sheet), "--contact", "tunnel")
    told = found("--gap-mm 4 --orientation upright", *at, "--save")
    contacts = {contact.name: contact for contact in read_sheet(sheet).contacts}
    here = contacts["tunnel"].plan
    assert here is not None
    closures = here.closures_mm
    assert here.model_dump(exclude_none=True) == {
        "orientation": "upright", "gap_mm": 4.0, "closures_mm": closures, "shortest_mm": here.shortest_mm,
        "longest_mm": here.longest_mm, "notch_mm": here.notch_mm,
    }  # fmt: skip
    assert closures == pytest.approx(told["closures_mm"], abs=0.005)
    assert [name for name, contact in contacts.items() if contact.plan is not None] == ["tunnel"]
    again = found("", *at)
    assert again["closures_mm"] == told["closures_mm"]
    assert again["inputs"]["gap_mm"] == {"value": 4.0, "from": "sheet"}
    assert again["inputs"]["distance_mm"]["value"] is None


def test_contacts_that_were_planned_before_are_told_when_the_plan_for_all_changes(sheet: Path) -> None:
    assert "work each out again" not in " ".join(found(USUAL, "--sheet", str(sheet), "--save")["advice"])
    found("--distance-mm 12", "--sheet", str(sheet), "--contact", "tunnel", "--save")
    told = found("--diameter-mm 5", "--sheet", str(sheet), "--save")
    assert told["advice"][-1].endswith("work each out again: tunnel")
    saved = read_sheet(sheet)
    assert saved.plan.magnet is not None
    assert saved.plan.magnet.diameter_mm == 5
    (tunnel,) = (saved.planned_at(contact) for contact in saved.contacts if contact.name == "tunnel")
    assert tunnel is not None
    # What the magnet of 4.9 mm did there says nothing of this one.
    assert (tunnel.distance_mm, tunnel.closures_mm, tunnel.shortest_mm) == (12.0, None, None)


@pytest.mark.parametrize(
    ("options", "told"),
    [
        ("--contact tunnel", "--contact tunnel: of which sheet? expected --sheet SHEET with it"),
        (f"{USUAL} --save", "--save: into which sheet? expected --sheet SHEET with it"),
        (
            f"{USUAL} --sheet SHEET --contact tunl --save",
            "the sheet has no contact 'tunl'; expected one of 'quarry, braking', ",
        ),
        (f"{USUAL} --sheet SHEET --contact tunnel --save", "the sheet has no plan for all contacts yet"),
    ],
)
def test_what_cannot_be_saved_is_told(sheet: Path, options: str, told: str) -> None:
    before = sheet.read_bytes()
    ran = run("plan", "magnet", *shlex.split(options.replace("SHEET", str(sheet), 1)))
    assert ran.code == 2
    assert told in ran.complaint()
    assert sheet.read_bytes() == before


def test_steel_that_is_gone_can_be_told(sheet: Path) -> None:
    found(f"{USUAL} --steel-rail", "--sheet", str(sheet), "--save")
    assert found("--sheet", str(sheet))["inputs"]["steel_rail"] == {"value": True, "from": "sheet"}
    found("--no-steel-rail", "--sheet", str(sheet), "--save")
    assert found("--sheet", str(sheet))["inputs"]["steel_rail"]["value"] is False


def test_a_contact_has_no_magnet_of_its_own(sheet: Path) -> None:
    found(USUAL, "--sheet", str(sheet), "--save")
    before = sheet.read_bytes()
    ran = run("plan", "magnet", "--sheet", str(sheet), "--contact", "tunnel", "--diameter-mm", "3", "--save")
    assert ran.code == 2
    assert ran.complaint().startswith("--diameter-mm 3.0: other than in the plan for all contacts")
    assert sheet.read_bytes() == before


# ---- the plot ----


@pytest.mark.parametrize(
    ("orientation", "texts", "absent"),
    [
        ("across", ("42.9 mm", "10 mm away", "9 mm away", "11 mm away", "operates at 2 mT"), "red"),
        ("upright", ("19.8 mm", "24.7 mm", "0.28 mm", "releases at 1 mT", "red: open in between"), "none"),
        ("crosswise", ("magnet crosswise", "operates at 2 mT"), "red"),
    ],
)
def test_the_plot(tmp_path: Path, orientation: str, texts: tuple[str, ...], absent: str) -> None:
    plot = tmp_path / "magnet.svg"
    ran = run("plan", "magnet", *shlex.split(f"{USUAL} --orientation {orientation}"), "--plot", str(plot))
    assert ran.code == (0 if orientation == "across" else 1)
    text = plot.read_text()
    assert text.startswith("<?xml")
    assert "reedproof plan magnet" in text
    for each in texts:
        assert f">{each}" in text or each in text, each
    assert f"{absent}: open" not in text
    drawn = run("plan", "magnet", *shlex.split(f"{USUAL} --orientation {orientation}"), "--plot", str(plot))
    assert (drawn.code, plot.read_text()) == (ran.code, text)  # the same bytes, over the first drawing


# ---- wrong use ----


@pytest.mark.parametrize(
    ("options", "told"),
    [
        ("", "--length-mm is missing; give it, or a --sheet that has it"),
        (
            f"--length-mm 10 --remanence-t 1.3 {PLACE} {CONTACT}",
            "expected --diameter-mm, or --width-mm and --height-mm; there is none of them",
        ),
        (f"{USUAL} --width-mm 3", "expected --diameter-mm, or --width-mm and --height-mm; there is"),
        (
            f"{USUAL} --grade N42",
            "expected --remanence-t, or --grade; there is --remanence-t 1.3 and --grade N42",
        ),
        (f"{USUAL} --gap-mm 4", "expected --distance-mm, or --gap-mm"),
        (f"{USUAL} --operate-at 18", "or --operate-at and --release-at"),
        (
            f"{SIZE} --grade N43 {PLACE} {CONTACT}",
            "--grade holds 'N43'; expected one of N35, N38, N40, N42, N45, N48, N50, N52",
        ),
        (
            f"{USUAL} --distance-mm 2",
            "--distance-mm 2: the contact would be inside the magnet, or its glass; expected at least 3.45",
        ),
        (
            f"{USUAL} --release-mt 3",
            "--release-mt holds 3; expected more than 0 and less than --operate-mt, which holds 2",
        ),
        (f"{USUAL} --release-mt 0", "--release-mt holds 0.0; expected at least 0.05"),
        (
            f"{USUAL} --temperature-c 81",
            "--temperature-c holds 81.0; expected at most 80, above it these magnets lose",
        ),
        (f"{USUAL} --temperature-c=-60", "--temperature-c holds -60.0; expected at least -40"),
        (f"{USUAL} --length-mm 10kg", "'10kg': expected a number of mm, alone or with such a unit behind it"),
        (f"{USUAL} --operate-mt nan", "'nan': expected a finite number"),
        (f"{USUAL} --diameter-mm 0", "--diameter-mm holds 0.0; expected more than 0"),
        (f"{USUAL} --remanence-t 13", "--remanence-t holds 13.0; expected at most 2"),
        (f"{USUAL} --spread-mm=-1", "--spread-mm holds -1.0; expected at least 0"),
        (
            f"{USUAL} --orientation sideways",
            "--orientation holds 'sideways'; expected 'across', 'along', 'upright' or",
        ),
        (f"{USUAL} --compare 4", "--compare '4': expected sizes in mm up to 100"),
        (f"{USUAL} --compare 4x10,1x2x3x4", "--compare '1x2x3x4': expected sizes"),
        (f"{USUAL} --compare 4x-1", "--compare '4x-1': expected sizes"),
        (f"{USUAL} --compare 4xnan", "--compare '4xnan': expected sizes"),
        (f"{USUAL} --plot magnet.png", "expected a name that ends in .svg"),
        (f"{USUAL} --sheet none.toml", "none.toml: cannot be read"),
    ],
)
def test_wrong_use_is_told_in_one_line(options: str, told: str) -> None:
    ran = run("plan", "magnet", *shlex.split(options))
    assert ran.code == 2
    assert told in ran.complaint()
    assert ran.out == ""


def test_a_plan_that_is_wrong_in_the_sheet_is_told_with_its_key(sheet: Path) -> None:
    found(USUAL, "--sheet", str(sheet), "--save")
    good = sheet.read_text()
    for before, after, told in (
        ("release_mt = 1.0", "release_mt = 2.5", "plan.magnet: release_mt holds 2.5; expected"),
        (
            "remanence_t = 1.3",
            'remanence_t = 1.3\ngrade = "N42"',
            "plan.magnet: expected remanence_t, or grade",
        ),
        (
            "temperature_c = 20.0",
            "temperature_c = 90",
            "plan.magnet.temperature_c holds 90; expected at most 80",
        ),
    ):
        sheet.write_text(good.replace(before, after))
        ran = run("plan", "magnet", "--sheet", str(sheet))
        assert ran.code == 2
        assert told in ran.complaint()
