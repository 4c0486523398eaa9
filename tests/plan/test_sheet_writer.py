"""Plans in a layout sheet: written without touching the rest of it, and read back."""

from __future__ import annotations

import difflib
from pathlib import Path

import pytest

from reedproof.layout import SheetError, read_sheet
from reedproof.plan_tables import ContactPlan
from reedproof.sheet_writer import forget_contact_answers, save_contact_plan, save_plan

EXAMPLE = Path(__file__).parents[2] / "host" / "reedproof" / "examples" / "fernhollow.toml"
MAGNET = {
    "diameter_mm": 4.9, "length_mm": 10.0, "remanence_t": 1.3, "orientation": "across",
    "distance_mm": 10.0, "operate_mt": 2.0, "release_mt": 1.0, "closures_mm": [42.9],
}  # fmt: skip


@pytest.fixture
def sheet(tmp_path: Path) -> Path:
    path = tmp_path / "layout.toml"
    path.write_bytes(EXAMPLE.read_bytes())
    return path


def added(path: Path) -> list[str]:
    """The lines that are new; fails if one of the old ones is gone."""
    lines = list(difflib.ndiff(EXAMPLE.read_text().splitlines(), path.read_text().splitlines()))
    assert not [line for line in lines if line.startswith("- ")]
    return [line[2:] for line in lines if line.startswith("+ ")]


def test_a_plan_is_added_and_nothing_else_changes(sheet: Path) -> None:
    save_plan(sheet, "run", {"claim": "0.99@0.95", "allow": 1})
    assert added(sheet) == ["", "[plan.run]", 'claim = "0.99@0.95"', "allow = 1"]
    found = read_sheet(sheet).plan.run
    assert found is not None
    assert (found.claim, found.allow) == ("0.99@0.95", 1)


def test_a_plan_takes_the_place_of_an_older_one(sheet: Path) -> None:
    save_plan(sheet, "run", {"claim": "0.99@0.95", "allow": 1})
    save_plan(sheet, "magnet", MAGNET)
    save_plan(sheet, "run", {"claim": "0.999@0.95"})
    found = read_sheet(sheet).plan
    assert found.run is not None
    assert found.magnet is not None
    assert (found.run.claim, found.run.allow, found.magnet.distance_mm) == ("0.999@0.95", 0, 10)
    assert sheet.read_text().count("[plan.run]") == 1


def test_what_is_different_at_one_contact(sheet: Path) -> None:
    save_plan(sheet, "magnet", MAGNET)
    save_contact_plan(sheet, "crusher", {"distance_mm": 12.0, "closures_mm": [40.7]})
    save_contact_plan(sheet, "tunnel", {"distance_mm": 13.0})
    assert "plan = {distance_mm = 12.0, closures_mm = [40.7]}" in added(sheet)
    read = read_sheet(sheet)
    planned = {contact.name: read.planned_at(contact) for contact in read.contacts}
    closures_mm = {name: plan.closures_mm for name, plan in planned.items() if plan is not None}
    assert closures_mm["crusher"] == [40.7]
    assert closures_mm["tunnel"] is None, "what was worked out at 10 mm says nothing of 13 mm"
    assert closures_mm["fern bridge"] == [42.9]


def test_what_was_worked_out_for_contacts_is_forgotten_and_what_was_told_stays(sheet: Path) -> None:
    save_plan(sheet, "magnet", MAGNET)
    save_contact_plan(sheet, "crusher", {"distance_mm": 12.0, "closures_mm": [40.7], "shortest_mm": 39.0})
    save_contact_plan(sheet, "tunnel", {"closures_mm": [41.0], "longest_mm": 42.0, "notch_mm": 0.0})
    forget_contact_answers(sheet)
    assert [line for line in added(sheet) if line.startswith("plan")] == ["plan = {distance_mm = 12.0}"]
    plans = {contact.name: contact.plan for contact in read_sheet(sheet).contacts}
    assert plans["crusher"] == ContactPlan(distance_mm=12.0)
    assert plans["tunnel"] is None


def test_a_sheet_without_plans_plans_nothing() -> None:
    read = read_sheet(EXAMPLE)
    assert [read.planned_at(contact) for contact in read.contacts] == [None] * len(read.contacts)


def test_an_unknown_contact_is_told_with_those_there_are(sheet: Path) -> None:
    with pytest.raises(SheetError, match=r"no contact 'crushr'; expected one of .*'crusher'"):
        save_contact_plan(sheet, "crushr", {"distance_mm": 12.0})
    assert not added(sheet)


def test_a_plan_that_would_not_be_read_again_is_not_written(sheet: Path) -> None:
    with pytest.raises(SheetError, match=r"plan\.magnet\.diameter_mm holds -1"):
        save_plan(sheet, "magnet", {**MAGNET, "diameter_mm": -1.0})
    assert not added(sheet)


def test_a_broken_sheet_is_left_as_it_is(tmp_path: Path) -> None:
    path = tmp_path / "layout.toml"
    path.write_text("[layout\n")
    with pytest.raises(SheetError, match="not TOML"):
        save_plan(path, "run", {"claim": "0.99@0.95"})
    assert path.read_text() == "[layout\n"


def test_where_nothing_can_be_written_nothing_is_lost(sheet: Path) -> None:
    (sheet.parent / f"{sheet.name}.part").mkdir()  # in the way of what is written first
    with pytest.raises(SheetError, match="nothing was saved"):
        save_plan(sheet, "run", {"claim": "0.99@0.95"})
    assert not added(sheet)
