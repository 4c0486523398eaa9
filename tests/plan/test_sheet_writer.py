"""Plans in a layout sheet: written without touching the rest of it, and read back."""

from __future__ import annotations

import difflib
import sys
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import pytest

from reedproof.errors import ReedproofError
from reedproof.files import write_whole
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
    with pytest.raises(ReedproofError, match=r"no contact 'crushr'; expected one of .*'crusher'"):
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


# ---- sheets as people write them ----

HEAD = """# my layout, begun in spring
[layout]
name = "siding"   # the short one

[boards.a]
kind = "virtual"
"""
CONTACTS = """
# ---- contacts ----

[[contacts]]
name = "one"
board = "a"
input = 1   # the left one

# this one is behind the tree
[[contacts]]
name = "two"
board = "a"
input = 2
"""
RUN = """
[plan.run]   # for the exhibition
# what the club asks for
claim = "0.9@0.9"   # enough
allow = 2
"""
BEHIND = """
# a second board, bought later
[boards.b]
kind = "nano"

# the wires
[plan.wiring]
cable_m = 3.0
"""
INLINE_CONTACTS = """
contacts = [
  # from the left
  {name = "one", board = "a", input = 1},  # the left one
  {name = "two", board = "a", input = 2},
]
"""
SHEETS = {
    "comments behind the contacts": HEAD + CONTACTS + "\n# the end\n",
    "a plan before the contacts": HEAD + RUN + CONTACTS + "# the end\n",
    "a plan behind the contacts": HEAD + CONTACTS + RUN + "# the end\n",
    "foreign tables behind the contacts": HEAD + CONTACTS + BEHIND + "# the end\n",
    "plans on both sides": HEAD + RUN + CONTACTS + BEHIND,
    "one plan inline": HEAD + CONTACTS + "\n[plan]\nrun = {claim = '0.9@0.9'}  # mine\n# the end\n",
    "all plans inline": "plan = {run = {claim = '0.9@0.9'}}  # mine\n" + HEAD + CONTACTS,
    "no plan yet, inline": "plan = {}  # none yet\n" + HEAD + CONTACTS,
    "contacts inline": INLINE_CONTACTS + HEAD,
    "a contact's plan as a table": HEAD
    + CONTACTS.replace("\n# this", "\n  [contacts.plan]  # high\n  offset_mm = 1.0\n\n# this"),
    "a contact's plan inline": HEAD
    + CONTACTS.replace("# the left one\n", "# the left one\nplan = {offset_mm = 1.0}  # high\n"),
    "indented": HEAD + "\n".join(f"  {line}" for line in (CONTACTS + RUN).splitlines()) + "\n",
    "no end to the last line": (HEAD + CONTACTS + RUN).rstrip("\n"),
}
OF_THE_PLAN = ("claim", "allow", "[plan.run]", "plan = ", "run = ", "offset_mm")
VALUES: Mapping[str, Any] = {"claim": "0.99@0.95", "sequential": True}


def foreign(text: str, *named: str) -> list[str]:
    """The lines with their ends that are none of a plan's, nor blank."""
    return [
        line
        for line in text.splitlines(keepends=True)
        if line.strip() and not line.strip().startswith((*OF_THE_PLAN, *named))
    ]


def notes(text: str) -> list[str]:
    return [line.partition("#")[2].strip() for line in text.splitlines() if "#" in line]


@pytest.mark.parametrize("end", ["\n", "\r\n"], ids=["LF", "CRLF"])
@pytest.mark.parametrize("text", SHEETS.values(), ids=SHEETS)
def test_what_is_not_the_plan_stays_as_it_was(tmp_path: Path, text: str, end: str) -> None:
    path = tmp_path / "layout.toml"
    before = text.replace("\n", end)
    path.write_bytes(before.encode())
    added = ("sequential", "distance_mm", "closures_mm", '{name = "one"')
    seen = []
    for _ in range(2):
        save_plan(path, "run", VALUES)
        save_contact_plan(path, "one", {"distance_mm": 12.0, "closures_mm": [40.7]})
        after = path.read_bytes().decode()
        whole = before if before.endswith(end) else before + end
        assert foreign(after, *added) == foreign(whole, *added)
        assert notes(after) == notes(before)
        assert after.count("\n") == after.count(end)
        found = read_sheet(path)
        assert found.plan.run is not None
        assert found.plan.run.model_dump(exclude_unset=True) == VALUES
        plan = found.contacts[0].plan
        assert plan is not None
        assert plan.model_dump(exclude_none=True) == {"distance_mm": 12.0, "closures_mm": [40.7]}
        seen.append(after)
    assert seen[0] == seen[1], "saving again changes nothing"


def test_a_key_is_added_to_its_table_not_behind_the_next_heading(tmp_path: Path) -> None:
    path = tmp_path / "layout.toml"
    path.write_text(SHEETS["a plan before the contacts"])
    save_plan(path, "run", VALUES)
    save_contact_plan(path, "one", {"distance_mm": 12.0})
    assert path.read_text() == HEAD + (
        RUN.replace("0.9@0.9", "0.99@0.95").replace("allow = 2", "sequential = true")
        + CONTACTS.replace("# the left one\n", "# the left one\nplan = {distance_mm = 12.0}\n")
        + "# the end\n"
    )


def test_a_sheet_of_both_line_ends_keeps_both(tmp_path: Path) -> None:
    path = tmp_path / "layout.toml"
    text = HEAD.replace("\n", "\r\n") + CONTACTS
    path.write_bytes(text.encode())
    save_contact_plan(path, "one", {"distance_mm": 12.0})
    own = b"plan = {distance_mm = 12.0}\n"
    assert path.read_bytes().replace(own, b"") == text.encode()


@pytest.mark.parametrize("name", ["a contact's plan inline", "a contact's plan as a table"])
def test_a_contact_without_a_plan_of_its_own(tmp_path: Path, name: str) -> None:
    path = tmp_path / "layout.toml"
    path.write_text(SHEETS[name])
    save_contact_plan(path, "one", {})
    assert foreign(path.read_text()) == foreign(SHEETS[name])
    plan = read_sheet(path).contacts[0].plan
    assert plan is None or plan == ContactPlan()


def test_plans_of_two_contacts_that_read_alike_are_told_apart(tmp_path: Path) -> None:
    path = tmp_path / "layout.toml"
    own = "[contacts.plan]\noffset_mm = 1.0\n"
    text = HEAD + CONTACTS.replace("\n# this", f"{own}\n# this") + own
    path.write_text(text)
    save_contact_plan(path, "two", {"offset_mm": 2.0})
    assert path.read_text() == "2.0".join(text.rsplit("1.0", 1))


def test_a_plan_that_cannot_be_changed_alone_is_left_and_told(tmp_path: Path) -> None:
    path = tmp_path / "layout.toml"
    text = HEAD + CONTACTS + "\n[plan]\nrun.claim = '0.9@0.9'\n"
    path.write_text(text)
    with pytest.raises(SheetError) as told:
        save_plan(path, "run", VALUES)
    by_hand = 'write it by hand, in [plan]: run = {claim = "0.99@0.95", sequential = true}'
    assert str(told.value).endswith(by_hand)
    assert path.read_text() == text


# ---- the file ----


def test_a_link_to_the_sheet_stays_a_link(sheet: Path) -> None:
    link = sheet.with_name("link.toml")
    link.symlink_to(sheet.name)
    save_plan(link, "run", VALUES)
    assert link.is_symlink()
    assert read_sheet(sheet).plan.run is not None


@pytest.mark.skipif(sys.platform == "win32", reason="Windows knows no such modes")
def test_who_may_read_it_stays(sheet: Path) -> None:
    sheet.chmod(0o600)
    save_plan(sheet, "run", VALUES)
    assert sheet.stat().st_mode & 0o777 == 0o600


def test_line_ends_are_those_of_the_text(tmp_path: Path) -> None:
    write_whole(tmp_path / "text", "one\r\ntwo\n")
    assert (tmp_path / "text").read_bytes() == b"one\r\ntwo\n"
