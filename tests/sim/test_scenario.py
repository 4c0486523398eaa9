"""Scenario files: what they say, and what is wrong with them in one line."""

from __future__ import annotations

from pathlib import Path

import pytest

from reedproof.analysis.finding import Cause
from reedproof.errors import ReedproofError
from reedproof.layout import SheetError
from reedproof.sim.layout import VirtualLayout
from reedproof.sim.scenario import EFFECTS, WHOM, Physics, ScenarioError, read_scenario
from reedproof.sim.scenario_run import run_scenario

SHEET = """
[layout]
name = "ring"
[boards.north]
kind = "uno"
[boards.south]
kind = "uno"
[[contacts]]
name = "mill"
board = "north"
input = 1
[[contacts]]
name = "tunnel"
board = "north"
input = 2
[[contacts]]
name = "bridge"
board = "south"
input = 3
[[routes]]
name = "round"
kind = "loop"
contacts = ["mill", "tunnel", "bridge"]
"""


def written(folder: Path, text: str) -> Path:
    path = folder / "scenario.toml"
    path.write_text(text)
    return path


def problems(folder: Path, text: str) -> list[str]:
    path = written(folder, text)
    with pytest.raises(ScenarioError) as error:
        read_scenario(path)
    assert all(problem.startswith(f"{path}: ") for problem in error.value.problems)
    return [problem.removeprefix(f"{path}: ") for problem in error.value.problems]


def test_all_keys(tmp_path: Path) -> None:
    text = """
    laps = 7
    seed = 3
    """ + SHEET + """
    [physics]
    diameter_mm = 5
    length_mm = 8
    remanence_t = 1.2
    distance_mm = 12.5
    operate_mt = 2.5
    release_mt = 1.5
    [[faults]]
    cause = "interference"
    board = "south"
    start_s = 10
    duration_s = 5.5
    size = 700
    period_ms = 16.7
    [[faults]]
    cause = "swapped_plugs"
    contacts = ["mill", "bridge"]
    size = "mild"
    [[faults]]
    cause = "bad_input"
    board = "north"
    input = 16
    mode = "dead"
    """  # fmt: skip
    found = read_scenario(written(tmp_path, text))
    assert (found.laps, found.seed) == (7, 3)
    assert found.physics == Physics(
        diameter_mm=5, length_mm=8, remanence_t=1.2, distance_mm=12.5, operate_mt=2.5, release_mt=1.5
    )
    noise, swap, pin = found.faults
    assert (noise.cause, noise.amount, noise.start_s, noise.duration_s) == (Cause.INTERFERENCE, 700, 10, 5.5)
    assert (noise.whom, swap.whom, pin.whom) == (
        "all inputs of south",
        "mill and bridge",
        "input 16 of north",
    )
    assert (swap.size, swap.amount) == ("mild", EFFECTS[Cause.SWAPPED_PLUGS].mild)
    assert (pin.size, pin.is_dead) == ("moderate", True)
    assert noise.as_given() == {
        "cause": "interference", "board": "south", "start_s": 10.0, "duration_s": 5.5, "size": 700.0,
        "period_ms": 16.7,
    }  # fmt: skip
    assert run_scenario(found).truth["laps_run"] == {"train on round": 7}


def test_defaults_and_a_sheet_of_its_own_file(tmp_path: Path) -> None:
    (tmp_path / "ring.toml").write_text(SHEET)
    (tmp_path / "deeper").mkdir()
    path = written(tmp_path / "deeper", 'sheet = "../ring.toml"')
    found = read_scenario(path)
    assert (found.laps, found.seed, found.faults) == (30, 1, ())
    assert found.physics == Physics(
        diameter_mm=4.9, length_mm=10, remanence_t=1.3, distance_mm=14, operate_mt=3, release_mt=2
    )
    assert [contact.name for contact in found.sheet.contacts] == ["mill", "tunnel", "bridge"]
    (tmp_path / "ring.toml").write_text(SHEET.replace("input = 3", "input = 30"))
    with pytest.raises(SheetError, match=r"ring\.toml: contacts\[3\].input holds 30"):
        read_scenario(path)
    (tmp_path / "ring.toml").unlink()
    with pytest.raises(SheetError, match=r"ring\.toml: cannot be read"):
        read_scenario(path)


WRONG = [
    ('cause = "rust"', "faults[1].cause holds 'rust'; expected 'open_lead', 'loose_lead', "),
    ('cause = "open_lead"', "faults[1]: expected 'contact' for 'open_lead', none is given"),
    (
        'cause = "open_lead"\nboard = "north"',
        "faults[1]: expected 'contact' for 'open_lead', 'board' is given",
    ),
    (
        'cause = "shorted_inputs"\ncontact = "mill"',
        "faults[1]: expected 'contacts' for 'shorted_inputs', 'contact' is given",
    ),
    (
        'cause = "shorted_inputs"\ncontacts = ["mill"]',
        "faults[1].contacts holds ['mill']; expected at least 2",
    ),
    (
        'cause = "swapped_plugs"\ncontacts = ["mill", "mill"]',
        "faults[1].contacts holds 'mill' twice; expected two contacts",
    ),
    (
        'cause = "swapped_plugs"\ncontacts = ["mill", "quarry"]',
        "faults[1]: there is no contact 'quarry'; expected one of 'mill', 'tunnel', 'bridge'",
    ),
    (
        'cause = "vehicle"\ntrain = "mail"',
        "faults[1]: there is no train 'mail'; expected one of 'train on round'",
    ),
    (
        'cause = "interference"\nboard = "west"',
        "faults[1]: there is no board 'west'; expected one of 'north', 'south'",
    ),
    (
        'cause = "bad_input"\nboard = "north"',
        "faults[1]: expected 'contact' or 'board' and 'input' for 'bad_input', 'board' is given",
    ),
    (
        'cause = "bad_input"\nboard = "north"\ninput = 17',
        "faults[1].input holds 17; expected 1 to 16",
    ),
    (
        'cause = "open_lead"\ncontact = "mill"\nsize = 1.5',
        "faults[1].size holds 1.5; expected more than 0 to 1 (share of the time)",
    ),
    (
        'cause = "open_lead"\ncontact = "mill"\nsize = 0',
        "faults[1].size holds 0; expected more than 0 to 1 (share of the time)",
    ),
    (
        'cause = "window_too_long"\ncontact = "mill"\nsize = 70000',
        "faults[1].size holds 70000; expected 1 to 65535 (us)",
    ),
    (
        'cause = "open_lead"\ncontact = "mill"\nsize = "bad"',
        "faults[1].size holds 'bad'; expected a number, or 'mild', 'moderate' or 'severe'",
    ),
    (
        'cause = "open_lead"\ncontact = "mill"\nsize = true',
        "faults[1].size holds True; expected a number, or 'mild', 'moderate' or 'severe'",
    ),
    (
        'cause = "open_lead"\ncontact = "mill"\nstart_s = -1',
        "faults[1].start_s holds -1; expected at least 0",
    ),
    (
        'cause = "open_lead"\ncontact = "mill"\nduration_s = 0',
        "faults[1].duration_s holds 0; expected more than 0",
    ),
    ('cause = "open_lead"\ncontact = "mill"\nspeed = 1', "faults[1].speed: there is no such key"),
    (
        'cause = "open_lead"\ncontact = "mill"\nperiod_ms = 20',
        "faults[1].period_ms: 'open_lead' has no such key; it belongs to 'interference'",
    ),
    (
        'cause = "interference"\nboard = "north"\nperiod_ms = 5',
        "faults[1].period_ms holds 5; expected at least 10",
    ),
    (
        'cause = "vehicle"\ntrain = "train on round"\nmode = "dead"',
        "faults[1].mode: 'vehicle' has no such key; it belongs to 'bad_input'",
    ),
    (
        'cause = "window_too_short"\ncontact = "mill"\nstart_s = 3',
        "faults[1]: 'window_too_short' is a setting, for the whole run; expected neither start_s nor ",
    ),
    (
        'cause = "side_lobes"\ncontact = "mill"\n[[faults]]\ncause = "turned_magnet"\ncontact = "mill"',
        "faults[2]: 'turned_magnet' contradicts faults[1], 'side_lobes' of the same contact; expected one",
    ),
]


@pytest.mark.parametrize(("fault", "problem"), WRONG)
def test_what_is_wrong_is_told_with_its_key(fault: str, problem: str, tmp_path: Path) -> None:
    (found,) = problems(tmp_path, f"{SHEET}\n[[faults]]\n{fault}\n")
    assert found.startswith(problem)


@pytest.mark.parametrize(
    ("text", "wanted"),
    [
        ("laps = 0" + SHEET, ["laps holds 0; expected at least 1"]),
        ("lapse = 1" + SHEET, ["lapse: there is no such key"]),
        (
            SHEET + "[physics]\nrelease_mt = 3.5",
            ["physics.release_mt holds 3.5; expected less than operate_mt, 3"],
        ),
        (SHEET + "[physics]\ngap_mm = 3.5", ["physics.gap_mm: there is no such key"]),
        ("sheet = 3", ["sheet holds 3; expected the name of a sheet's file in quotes"]),
        (
            'sheet = "ring.toml"' + SHEET,
            ["layout: this comes from the sheet 'ring.toml'; expected one of the two"],
        ),
        (
            "laps = 0" + SHEET.replace('board = "north"\ninput = 2', 'board = "west"\ninput = 2'),
            [
                "contacts[2].board holds 'west'; expected one of 'north', 'south'",
                "laps holds 0; expected at least 1",
            ],
        ),
        ("", ["layout: this key is missing", "boards: this key is missing", "contacts: this key is missing"]),
    ],
)
def test_what_is_wrong_beside_the_faults(text: str, wanted: list[str], tmp_path: Path) -> None:
    assert problems(tmp_path, text) == wanted


def test_the_first_problem_is_the_message(tmp_path: Path) -> None:
    path = written(tmp_path, "laps = 0\nseed = -1" + SHEET)
    with pytest.raises(ScenarioError, match=r"laps holds 0; expected at least 1 \(and 1 more\)$"):
        read_scenario(path)


def test_every_cause_has_sizes_from_mild_to_severe_within_its_limits() -> None:
    assert set(EFFECTS) == set(WHOM) == set(Cause)
    closer_is_worse = {Cause.SIDE_LOBES, Cause.WINDOW_TOO_SHORT}
    for cause, effect in EFFECTS.items():
        sizes = [effect.mild, effect.moderate, effect.severe]
        assert sizes == sorted(sizes, reverse=cause in closer_is_worse)
        assert all(effect.least <= size <= effect.most for size in sizes)


def test_what_a_layout_with_physics_refuses(tmp_path: Path) -> None:
    found = read_scenario(written(tmp_path, SHEET + '[[faults]]\ncause = "open_lead"\ncontact = "mill"\n'))
    with pytest.raises(ReedproofError, match="has an end; give it laps"):
        VirtualLayout(found.sheet, None, physics=found.physics)
    with pytest.raises(ReedproofError, match="give the physics, too"):
        VirtualLayout(found.sheet, 3, faults=found.faults)
    near = written(tmp_path, SHEET + "[physics]\ndistance_mm = 2\n")
    with pytest.raises(ReedproofError, match="would be inside the magnet"):
        run_scenario(read_scenario(near), laps=1)
