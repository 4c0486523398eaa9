"""`reedproof diagnose`: what it prints, draws and answers. What is to blame is made by hand here; whether the
rules find it is for `tests/analysis`."""

from __future__ import annotations

import json
import os
import re
import subprocess
import sys
from pathlib import Path
from typing import Any
from xml.etree import ElementTree

import pytest

from cli.command import on_terminal, plain, run
from reedproof.analysis import diagnosis
from reedproof.analysis.case import Case
from reedproof.analysis.finding import Cause, Diagnosis, Finding, Sketch
from reedproof.cli import diagnose_live
from reedproof.store import Store
from report.made import NAMES, Wrong, write_run

PLAN = {"kind": "passes", "passes": 100}
SKETCH = Sketch("a pass of the stone train", ((20.0, 60.0), (61.0, 80.0)), 120.0)
LOOSE = Finding(
    Cause.LOOSE_LEAD, ("crusher",), None, (), 0.97,
    ("58 of 60 closures open for a moment, 1.1 times each",), "hold a magnet over it and move the lead",
    "solder the joint anew and watch fifty passes", (SKETCH,),
)  # fmt: skip
TRAIN = Finding(
    Cause.VEHICLE, (), None, ("stone train",), 0.6, ("closures of this train are 31 % shorter",),
    "measure the height of its magnet", "a pass of another train",
)  # fmt: skip
NOISE = Finding(
    Cause.INTERFERENCE, (), "mill", (), 0.31, ("12 blips on 7 inputs",), "look where the motor leads run",
    "a minute with the motors off", (SKETCH,),
)  # fmt: skip
LOOKED_AT, LIMITS = ("960 passes of 8 contacts",), ("the sheet tells no distances",)


def found(*findings: Finding) -> Diagnosis:
    return Diagnosis("run 1", findings, LOOKED_AT, LIMITS)


@pytest.fixture
def _run(store_path: Path) -> None:
    with Store(store_path) as store:
        write_run(store, 12, PLAN, Wrong(missed={2: 0.5}))


@pytest.fixture
def says(monkeypatch: pytest.MonkeyPatch) -> Any:
    """Sets what the rules find."""

    def put(*findings: Finding) -> None:
        monkeypatch.setattr(diagnosis, "diagnose", lambda _: found(*findings))

    return put


# ---- the screen ----


@pytest.mark.usefixtures("_run")
def test_the_screen(says: Any) -> None:
    says(LOOSE, TRAIN, NOISE)
    ran = run("diagnose", "1")
    assert (ran.code, ran.err) == (1, "")
    head, *lines = ran.out.splitlines()
    assert head.startswith("run 1: Fernhollow slate tramway, ")
    assert lines == [
        "",
        "2 findings, the surest first",
        "",
        '1. contact "crusher": loose lead or plug (nearly certain, 97\N{NO-BREAK SPACE}%)',
        "   - 58 of 60 closures open for a moment, 1.1 times each",
        "   a pass of the stone train:",
        "   closed            ████████████████████████████████████",
        "   open   ▁▁▁▁▁▁▁▁▁▁▁▁                       ▁          ▁▁▁▁▁▁▁▁▁▁▁▁▁▁▁▁▁▁▁▁▁▁▁▁",
        "   ms     |0         |20         |40         |60        |80         |100",
        "   next: hold a magnet over it and move the lead",
        "   to confirm: solder the joint anew and watch fifty passes",
        "",
        '2. train "stone train": the magnet of this train is weak or too high (likely,',
        "   60\N{NO-BREAK SPACE}%)",
        "   - closures of this train are 31 % shorter",
        "   next: measure the height of its magnet",
        "   to confirm: a pass of another train",
        "",
        "Also possible, with little behind it:",
        '3. board "mill": electrical interference (possible, 31\N{NO-BREAK SPACE}%)',
        "   - 12 blips on 7 inputs",
        "   next: look where the motor leads run",
        "   to confirm: a minute with the motors off",
        "",
        "Could not be looked at:",
        "- the sheet tells no distances",
        "",
        "caution: power off first; a short can destroy a board and heat a cable",
        "caution: solder with the power off and in fresh air",
        "caution: magnets are dangerous when swallowed and near implants; count them",
    ]


@pytest.mark.usefixtures("_run")
def test_nothing_wrong_is_an_answer(says: Any) -> None:
    says()
    ran = run("diagnose")
    assert (ran.code, ran.err) == (0, "")
    assert ran.out.splitlines()[1:] == [
        "",
        "Nothing wrong was found.",
        "",
        "Looked at:",
        "- 960 passes of 8 contacts",
        "",
        "Could not be looked at:",
        "- the sheet tells no distances",
    ]


@pytest.mark.usefixtures("_run")
def test_what_is_only_possible_is_no_fault(says: Any) -> None:
    says(NOISE)
    ran = run("diagnose")
    assert ran.code == 0
    lines = ran.out.splitlines()
    assert lines[2] == "Nothing certain was found."
    assert lines[5] == '1. board "mill": electrical interference (possible, 31\N{NO-BREAK SPACE}%)'
    assert "Looked at:" in lines


def test_a_simulated_run_says_so(store_path: Path, says: Any) -> None:
    with Store(store_path) as store:
        write_run(store, 12, PLAN, Wrong(), simulated=True)
    says()
    assert run("diagnose").out.splitlines()[0] == "SIMULATED: no real contact was tested"
    assert json.loads(run("diagnose", "--json").out)["simulated"] is True


@pytest.mark.parametrize("columns", [80, 60])
@pytest.mark.usefixtures("_run")
def test_it_fits_the_terminal(columns: int) -> None:
    ran = on_terminal("diagnose", columns=columns)
    screen = plain(ran.out)
    assert "run 1: " in screen
    assert max(map(len, screen[screen.index("run 1: ") :].splitlines())) <= columns


# ---- which run, which contact ----


@pytest.mark.usefixtures("_run")
def test_the_newest_run_unless_one_is_named(store_path: Path, says: Any) -> None:
    with Store(store_path) as store:
        write_run(store, 12, PLAN, Wrong())
    says()
    assert run("diagnose").out.startswith("run 2: ")
    assert run("diagnose", "1").out.startswith("run 1: ")


@pytest.mark.usefixtures("_run")
def test_only_one_contact(says: Any) -> None:
    other = Finding(Cause.WORN_CONTACT, (NAMES[7],), None, (), 0.8, (), "look", "look again")
    says(LOOSE, other, TRAIN)
    for option in (("--contact", NAMES[7]), ("--input", "4")):
        ran = run("diagnose", "1", *option)
        assert ran.code == 1
        assert "crusher" not in ran.out
        assert f'contact "{NAMES[7]}": worn contact' in ran.out
        assert 'train "stone train"' in ran.out, "a train may be to blame at every contact"
    assert f'\nonly what concerns "{NAMES[3]}", "{NAMES[7]}"\n' in ran.out, "both boards have an input 4"
    says(other)
    assert run("diagnose", "--contact", "crusher").code == 0


@pytest.mark.usefixtures("_run")
def test_a_contact_that_is_not_there() -> None:
    for option in (("--contact", "wharf"), ("--input", "9")):
        said = run("diagnose", *option).complaint()
        assert said.startswith(
            f"{' '.join(option)}: the sheet of the run has no such contact; expected one of"
        )
        assert "crusher (quarry, input 3)" in said


def test_no_run_yet(store_path: Path) -> None:
    ran = run("diagnose")
    assert ran.code == 2
    assert not store_path.exists()
    Store(store_path).close()
    for arguments, complaint in (
        (("diagnose",), "no run yet; 'reedproof endure SHEET' makes one"),
        (("diagnose", "7"), "no run number 7; 'reedproof runs' lists them"),
    ):
        ran = run(*arguments)
        assert (ran.code, ran.out) == (2, "")
        assert ran.complaint() == f"{store_path}: {complaint}"


# ---- JSON ----


@pytest.mark.usefixtures("_run")
def test_json(says: Any) -> None:
    says(LOOSE, TRAIN)
    ran = run("diagnose", "--json")
    assert (ran.code, ran.err) == (1, "")
    document = json.loads(ran.out)
    assert list(document) == ["run", "simulated", "source", "findings", "looked_at", "limits", "enough"]
    assert (document["run"], document["simulated"]) == (1, False)
    assert [each["cause"] for each in document["findings"]] == ["loose_lead", "vehicle"]
    first = document["findings"][0]
    assert (first["contact"], first["confidence"], first["certainty"]) == ("crusher", 0.97, "nearly certain")
    assert document["limits"] == list(LIMITS)


# ---- where the output goes ----


@pytest.mark.parametrize("encoding", ["ascii", "latin-1"])
def test_an_output_without_blocks_and_umlauts(encoding: str, store_path: Path, tmp_path: Path) -> None:
    """The strip is drawn in ASCII, and names are told as far as there are characters for them."""
    names = ("Brücke", "\N{BULLET} mill", "wharf", "quarry")
    with Store(store_path) as store:
        write_run(store, 12, PLAN, Wrong(), names=names)
    script = tmp_path / "say.py"
    script.write_text(
        "import sys\n"
        "from unittest.mock import patch\n"
        "from reedproof.analysis.finding import *\n"
        "from reedproof.cli import main\n"
        "sketch = Sketch('Brücke', ((20.0, 60.0), (61.0, 80.0)), 120.0)\n"
        "worn = Finding(Cause.WORN_CONTACT, ('Brücke',), None, (), 0.8, ('\u2022',), '', '', (sketch,))\n"
        "found = Diagnosis('run 1', (worn,), (), ())\n"
        "with patch('reedproof.analysis.diagnosis.diagnose', lambda _: found):\n"
        "    sys.argv = ['reedproof', 'diagnose']\n"
        "    main.run()\n",
        encoding="utf-8",
    )
    environment = {**os.environ, "PYTHONIOENCODING": encoding}
    ran = subprocess.run([sys.executable, script], capture_output=True, env=environment, check=False)
    assert (ran.returncode, ran.stderr) == (1, b"")
    lines = ran.stdout.decode(encoding).splitlines()
    assert f'1. contact "Br{"?" if encoding == "ascii" else "ü"}cke": worn contact (likely, 80 %)' in lines
    assert "   - ?" in lines
    assert "   closed            ####################################" in lines
    assert "   open   ____________                       _          ________________________" in lines


# ---- the plot ----


@pytest.mark.usefixtures("_run")
def test_the_plot(says: Any, tmp_path: Path) -> None:
    file, again = tmp_path / "found.svg", tmp_path / "again.svg"
    priced = Finding(Cause.WORN_CONTACT, ("$a$ & <b>",), None, (), 0.8, (), "", "", (SKETCH, SKETCH))
    says(LOOSE, priced, TRAIN)
    ran = run("diagnose", "--plot", str(file))
    assert ran.code == 1
    assert ran.out.splitlines()[-1] == f"drawn: {file}"
    assert run("diagnose", "--plot", str(again), "--json").err == f"drawn: {again}\n"
    assert file.read_bytes() == again.read_bytes()
    texts = [
        "".join(each.itertext()) for each in ElementTree.parse(file).iter() if each.tag.endswith("}text")
    ]
    assert texts.count('contact "$a$ & <b>": worn contact (likely, 80 %) - a pass of the stone train') == 2
    assert (texts.count("ms"), texts.count("closed")) == (3, 3)
    assert run("diagnose", "--plot", str(file)).code == 1, "a plot may be made again"
    assert sorted(os.listdir(tmp_path)) == ["again.svg", "found.svg", "store.sqlite"]


@pytest.mark.usefixtures("_run")
def test_nothing_to_draw(says: Any, tmp_path: Path) -> None:
    says()
    ran = run("diagnose", "--plot", str(tmp_path / "found.svg"))
    assert ran.code == 0, "a good run is no wrong use"
    assert ran.out.splitlines()[-1] == (
        f"not drawn: {tmp_path / 'found.svg'}; there is no finding with a sketch"
    )
    assert os.listdir(tmp_path) == ["store.sqlite"]


@pytest.mark.usefixtures("_run")
def test_a_drawing_of_the_user_is_left_alone(says: Any, tmp_path: Path) -> None:
    says(LOOSE)
    file = tmp_path / "plan.svg"
    file.write_text("<svg xmlns='http://www.w3.org/2000/svg'/>")
    ran = run("diagnose", "--plot", str(file))
    assert ran.code == 2
    assert ran.complaint() == (
        f"{file}: exists already and is not a plot of a diagnosis; choose another name, or delete it first"
    )
    assert file.read_text() == "<svg xmlns='http://www.w3.org/2000/svg'/>"


# ---- at a board ----


@pytest.mark.parametrize(
    ("arguments", "expected"),
    [
        (["--input", "3", "--wait-s", "2"], {"number": 3, "contact": None, "sheet": None, "wait_s": 2.0}),
        (
            ["--contact", "mill", "--sheet", "layout.toml", "-o", "edges.csv"],
            {"number": None, "contact": "mill", "sheet": Path("layout.toml"), "output": Path("edges.csv")},
        ),
    ],
)
def test_anything_else_is_a_port(
    arguments: list[str], expected: dict[str, Any], says: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    asked: dict[str, Any] = {}

    def session(port: str, **options: Any) -> Case:
        asked.update(options, port=port)
        return Case("guided session on virtual:, input 3", 0.0, 60.0, (), (), (), (), "ms")

    monkeypatch.setattr(diagnose_live, "session", session)
    says(LOOSE)
    ran = run("diagnose", "virtual:", *arguments)
    assert (ran.code, ran.err) == (1, "")
    assert {"port": "virtual:", **expected}.items() <= asked.items()
    assert ran.out.startswith(
        "\nSIMULATED: no real contact was tested\nguided session on virtual:, input 3\n\n1 finding\n"
    )
    document = json.loads(run("diagnose", "virtual:", *arguments, "--json").out)
    assert (document["port"], document["simulated"]) == ("virtual:", True)
    assert asked["out"].stderr, "questions must not end up in the JSON"


def test_a_dead_lead_is_found_at_the_board() -> None:
    """The whole way: a virtual hand makes the passes, over a contact whose lead is open."""
    ran = run("diagnose", "virtual:faulty", "--input", "3", "--json")
    document = json.loads(ran.out)
    assert (ran.code, document["simulated"]) == (1, True)
    first = document["findings"][0]
    assert (first["cause"], first["contact"], first["certainty"]) == (
        "open_lead",
        "input 3",
        "nearly certain",  # though a magnet that never reaches the contact looks the same
    )
    assert "electrical self-test" in ran.err, "what is asked goes beside the JSON"


@pytest.mark.parametrize(
    ("arguments", "complaint"),
    [
        (["virtual:"], "virtual:: which contact? expected --input N, or --contact NAME --sheet SHEET"),
        (
            ["virtual:", "--contact", "mill"],
            "--contact mill: on which input is it? expected --sheet SHEET, or --input N",
        ),
        (["--contact", "mill", "--input", "3"], "--contact and --input exclude each other; choose one"),
        (["1", "--sheet", "a.toml"], "--sheet is for a board; expected a port with it, a run needs none"),
        (["-o", "edges.csv"], "--output is for a board; expected a port with it, a run needs none"),
        (["0"], "0: expected the number of a run, see 'reedproof runs'"),
    ],
)
def test_what_does_not_go_together(arguments: list[str], complaint: str, store_path: Path) -> None:
    ran = run("diagnose", *arguments)
    assert (ran.code, ran.out) == (2, "")
    assert ran.complaint() == complaint
    assert not store_path.exists()


def test_help_says_what_the_exit_codes_mean() -> None:
    text = " ".join(run("diagnose", "--help").out.split())
    assert "Exit code 0 if nothing was found that is more than possible, else 1." in text


# ---- from the report ----


@pytest.mark.usefixtures("_run")
def test_a_report_with_findings_says_how_to_go_on(store_path: Path) -> None:
    assert run("report").out.splitlines()[-1] == "which part is to blame: reedproof diagnose 1"
    with Store(store_path) as store:
        write_run(store, 120, PLAN, Wrong())
    assert not re.search(r"reedproof diagnose", run("report", "2").out)
