"""The layout sheet: what is right is read, what is wrong is named by its key, with what it holds and what was
expected. The Fernhollow slate tramway is invented."""

# ruff: noqa: E501 - a row of the table of mistakes is read best on one line

from __future__ import annotations

import re
from pathlib import Path

import pytest

from reedproof.errors import ReedproofError
from reedproof.layout import PINS, Purpose, SheetError, pin_name, read_sheet

ROOT = Path(__file__).resolve().parents[2]

GOOD = """
[layout]
name = "Fernhollow slate tramway"
scale = "1:32"

[boards.quarry]
kind = "nano"
id = "0123abcd"

[boards.wharf]
kind = "mega"

[[contacts]]
name = "wharf, stopping"
board = "wharf"
input = 32
purpose = "stopping"
place_mm = 7150
plug = "W4"

[[contacts]]
name = "quarry, braking"
board = "quarry"
input = 2
purpose = "braking"
place_mm = 350.5

[[contacts]]
name = "crusher"
board = "quarry"
input = 1

[[routes]]
name = "stone"
kind = "shuttle"
contacts = ["quarry, braking", "crusher", "wharf, stopping"]
times_s = [3, 12.5]

[[routes]]
name = "workmen"
kind = "loop"
contacts = ["crusher", "wharf, stopping"]
times_s = [3.0, 4.0]
speed_mm_s = 150

[[trains]]
name = "stone train"
route = "stone"
magnets = 2
spacing_mm = 480
"""


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "layout.toml"


def problems(path: Path, text: str) -> list[str]:
    path.write_text(text)
    with pytest.raises(SheetError) as error:
        read_sheet(path)
    assert error.value.exit_code == 2
    assert all(problem.startswith(f"{path}: ") and "\n" not in problem for problem in error.value.problems)
    return [problem.removeprefix(f"{path}: ") for problem in error.value.problems]


def test_a_good_sheet(path: Path) -> None:
    path.write_text(GOOD)
    sheet = read_sheet(path)
    assert (sheet.layout.name, sheet.layout.ratio) == ("Fernhollow slate tramway", 32.0)
    assert (sheet.boards["quarry"].inputs, sheet.boards["wharf"].inputs) == (16, 32)
    assert [contact.name for contact in sheet.wiring()] == ["crusher", "quarry, braking", "wharf, stopping"]
    first = sheet.contacts[0]
    assert (first.purpose, first.place_mm, first.plug) == (Purpose.STOPPING, 7150, "W4")
    assert sheet.contacts[2].purpose is Purpose.PASSING
    assert [route.steps for route in sheet.routes] == [2, 2]
    assert (sheet.trains[0].magnets, sheet.trains[0].spacing_mm) == (2, 480)


@pytest.mark.parametrize(
    ("change", "problem"),
    [
        (('name = "crusher"\n', ""), "contacts[3].name: this key is missing"),
        (("input = 32", 'input = "32"'), "contacts[1].input holds '32'; expected a whole number"),
        (("input = 32", "input = 0"), "contacts[1].input holds 0; expected at least 1"),
        (("input = 32", "inputs = 32"), "contacts[1].input: this key is missing"),
        (("input = 32", "input = 33"), "contacts[1].input holds 33; expected 1 to 32, board 'wharf' is a mega"),
        (("input = 2\n", "input = 17\n"), "contacts[2].input holds 17; expected 1 to 16, board 'quarry' is a nano"),
        (
            ("input = 1\n", "input = 2\n"),
            "contacts[3].input holds 2; expected a free one, on board 'quarry' that is the input of 'quarry, braking'",
        ),
        (('kind = "mega"', 'kind = "huge"'), "boards.wharf.kind holds 'huge'; expected 'nano', 'uno', 'mega', 'pico' or 'virtual'"),
        (('id = "0123abcd"', 'id = "12"'), "boards.quarry.id holds '12'; expected the eight digits that 'reedproof boards' shows"),
        (('scale = "1:32"', 'scale = "32"'), "layout.scale holds '32'; expected a ratio such as '1:87'"),
        (('purpose = "braking"', 'purpose = "slowing"'), "contacts[2].purpose holds 'slowing'; expected 'braking', 'stopping' or 'passing'"),
        (('board = "wharf"', 'board = "dock"'), "contacts[1].board holds 'dock'; expected one of 'quarry', 'wharf'"),
        (("place_mm = 7150", "place_mm = inf"), "contacts[1].place_mm holds inf; expected a finite number"),
        (('name = "crusher"', 'name = "*"'), "contacts[3].name holds '*'; expected another name, '*' stands for all contacts"),
        (('name = "crusher"', 'name = "wharf, stopping"'), "contacts: 2 of them are called 'wharf, stopping'; expected names that differ"),
        (('name = "crusher"', 'name = " crusher"'), "contacts[3].name holds ' crusher'; expected a name without blanks around it"),
        (("times_s = [3, 12.5]", "times_s = [3]"), "routes[1].times_s holds 1 times; expected 2, from each contact of the shuttle to the next"),
        (("times_s = [3, 12.5]", "times_s = [3, 0]"), "routes[1].times_s[2] holds 0; expected more than 0"),
        (('contacts = ["crusher", ', 'contacts = ["crushr", '), "routes[2].contacts[1] holds 'crushr'; expected the name of a contact"),
        (('kind = "loop"', 'kind = "circle"'), "routes[2].kind holds 'circle'; expected 'loop' or 'shuttle'"),
        (("speed_mm_s = 150", "speed_mm_s = -1"), "routes[2].speed_mm_s holds -1; expected more than 0"),
        (('route = "stone"', 'route = "slate"'), "trains[1].route holds 'slate'; expected the name of a route"),
        (("spacing_mm = 480", ""), "trains[1].spacing_mm: this key is missing; the train has 2 magnets"),
        (("magnets = 2", "magnets = 2.5"), "trains[1].magnets holds 2.5; expected a whole number"),
        (("magnets = 2", "magnts = 2"), "trains[1].magnts: there is no such key"),
        (("[layout]", "[lay]"), "layout: this key is missing"),
    ],
)  # fmt: skip
def test_what_is_wrong_is_named(path: Path, change: tuple[str, str], problem: str) -> None:
    assert GOOD.count(change[0]) == 1
    assert problem in problems(path, GOOD.replace(*change))


MAGNET = """
[plan.magnet]
diameter_mm = 4.9
length_mm = 10
remanence_t = 1.3
orientation = "across"
distance_mm = 10
operate_mt = 2
release_mt = 1
"""


@pytest.mark.parametrize(
    ("own", "problem"),
    [
        (
            "distance_mm = 12, gap_mm = 5",
            "expected distance_mm, or gap_mm; there is distance_mm 12.0 and gap_mm 5.0",
        ),
        (
            "operate_mt = 0.8",
            "release_mt holds 1; expected more than 0 and less than operate_mt, which holds 0.8",
        ),
        (
            "operate_at = 20",
            "expected operate_mt and release_mt, or operate_at and release_at; there is operate_at 20.0",
        ),
    ],
)
def test_a_contact_s_plan_goes_together_with_that_for_all(path: Path, own: str, problem: str) -> None:
    text = GOOD.replace("place_mm = 350.5", f"place_mm = 350.5\nplan = {{{own}}}")
    assert problems(path, text + MAGNET) == [f"contacts[2].plan: {problem}"]
    path.write_text(text.replace(own, "gap_mm = 5, operate_mt = 3") + MAGNET)
    assert read_sheet(path).contacts[1].plan is not None


def test_a_contact_is_looked_up_by_its_name(path: Path) -> None:
    path.write_text(GOOD)
    sheet = read_sheet(path)
    assert sheet.contacts[sheet.place_of("crusher")].name == "crusher"
    there = "expected one of 'wharf, stopping', 'quarry, braking', 'crusher'"
    with pytest.raises(ReedproofError, match=f"no contact 'crushr'; {there}$"):
        sheet.place_of("crushr")


def test_everything_is_told_at_once(path: Path) -> None:
    wrong = GOOD.replace('board = "wharf"', 'board = "dock"').replace('route = "stone"', 'route = "slate"')
    assert len(problems(path, wrong)) == 2
    with pytest.raises(SheetError, match=r"and 1 more: 'reedproof sheet check .*'\)$"):
        read_sheet(path)


@pytest.mark.parametrize(
    ("content", "part"),
    [
        (b"", "layout: this key is missing"),
        (b"[layout\n", "this is not TOML: "),
        (b"name = \xff", "this is not text in UTF-8; save it again as such"),
        (b"boards = 3\n[layout]\nname = 'x'\n", "boards holds 3; expected tables such as [boards.quarry]"),
        (
            b"contacts = {}\n[layout]\nname = 'x'\n[boards.a]\nkind = 'uno'\n",
            "contacts holds {}; expected a list",
        ),
    ],
)
def test_files_that_are_no_sheet(path: Path, content: bytes, part: str) -> None:
    path.write_bytes(content)
    with pytest.raises(SheetError) as error:
        read_sheet(path)
    assert any(part in problem for problem in error.value.problems), error.value.problems


def test_a_syntax_error_tells_its_line(path: Path) -> None:
    (problem,) = problems(path, "[layout]\nname = \n")
    assert re.search(r"line 2", problem)


def test_no_file(tmp_path: Path) -> None:
    with pytest.raises(SheetError, match=r"cannot be read \(No such file or directory\); check the name"):
        read_sheet(tmp_path / "none.toml")


def test_pins_are_those_of_the_readme() -> None:
    """'1 to 11 = D2 to D12' and so on, in the table of README.md."""
    readme = (ROOT / "README.md").read_text()
    for names, kinds in (("Nano, Uno", ("nano", "uno")), ("Mega", ("mega",)), ("Pico", ("pico",))):
        row = re.search(rf"^\| {names} \| (.*), lamp (?:D13|GP25) \|$", readme, re.MULTILINE)
        assert row is not None
        told = {}
        for first, last, letter, begin, end in re.findall(
            r"(\d+) to (\d+) = ([AD]|GP)(\d+) (?:down )?to (?:[AD]|GP)(\d+)", row[1]
        ):
            step = 1 if int(end) > int(begin) else -1
            for at, number in enumerate(range(int(first), int(last) + 1)):
                told[number] = f"{letter}{int(begin) + step * at}"
        for kind in kinds:
            assert {number: pin_name(kind, number) for number in range(1, len(PINS[kind]) + 1)} == told
