"""`reedproof replay`: recorded edges through the code of the boards; every bad file named with its line."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from cli.command import Ran, run, shell
from reedproof.trace import CSV_HEADER
from reedproof.trace_reader import read_trace
from reedproof.trace_writer import write_vcd

GOLDEN = Path(__file__).resolve().parents[1] / "golden" / "rocker-bounce.csv"

#: Input 1: a closing that bounces once, a dropout of 3 ms, a clean opening; then a blip of 0.4 ms.
#: Input 2: closes and stays so.
EDGES = [
    (100_000, 1, 1), (100_200, 1, 0), (100_300, 1, 1), (150_000, 1, 0), (153_000, 1, 1), (200_000, 1, 0),
    (250_000, 2, 1), (300_000, 1, 1), (300_400, 1, 0),
]  # fmt: skip

CLOSURE = {"made_us": 100_000, "broke_us": 200_000, "make_bounces": 1, "break_bounces": 0, "dropouts": 1}
LASTING = {"made_us": 250_000, "broke_us": None, "make_bounces": 0, "break_bounces": 0, "dropouts": 0}


@pytest.fixture
def csv(tmp_path: Path) -> Path:
    path = tmp_path / "edges.csv"
    path.write_text(
        "\n".join([CSV_HEADER, *(f"{t},{number},{closed}" for t, number, closed in EDGES)]) + "\n"
    )
    return path


def replayed(*arguments: str) -> dict[str, Any]:
    ran = run("replay", *arguments, "--json")
    assert ran.code == 0, ran
    document: dict[str, Any] = json.loads(ran.out)
    return document


def test_json_is_exactly_this(csv: Path) -> None:
    assert replayed(str(csv)) == {
        "inputs": {
            "1": {"closures": [CLOSURE], "blips": 1, "edges": 8, "faults": []},
            "2": {"closures": [LASTING], "blips": 0, "edges": 1, "faults": []},
        },
        "settings": {"make_us": 1000, "break_us": 10_000, "stuck_ms": 60_000, "chatter_edges": 95},
    }


def test_table(csv: Path) -> None:
    ran = run("replay", str(csv))
    assert (ran.code, ran.err) == (0, "")
    first, second = ran.out.splitlines()[-4:-2]
    assert first.split() == ["1", "8", "1", "1+0", "1", "1", "100.0/100.0/100.0"]
    assert second.split() == ["2", "1", "1", "0+0", "0", "0", "-"]
    assert "edges.csv: make_us 1000, break_us 10000" in ran.out


@pytest.mark.parametrize(("make_us", "closures"), [(1, 3), (399, 2), (401, 1), (1000, 1), (65_535, 0)])
def test_make_us_decides_what_counts(csv: Path, make_us: int, closures: int) -> None:
    """The blip lasts 400 us, the bounce 200 us, the stretches around the dropout 50 and 47 ms."""
    first = replayed(str(csv), "--make-us", str(make_us), "--break-us", "50")["inputs"]["1"]
    merged = replayed(str(csv), "--make-us", str(make_us))["inputs"]["1"]
    assert len(merged["closures"]) == min(closures, 2 if make_us < 400 else 1)
    assert len(first["closures"]) == {1: 4, 399: 3, 401: 2, 1000: 2, 65_535: 0}[make_us]


@pytest.mark.parametrize(("break_us", "closures", "dropouts"), [(2999, 2, 0), (3001, 1, 1), (65_535, 1, 1)])
def test_break_us_decides_what_is_a_dropout(csv: Path, break_us: int, closures: int, dropouts: int) -> None:
    found = replayed(str(csv), "--break-us", str(break_us))
    first = found["inputs"]["1"]["closures"]
    assert found["settings"]["break_us"] == break_us
    assert len(first) == closures
    assert sum(closure["dropouts"] for closure in first) == dropouts


def test_a_vcd_of_it_gives_the_same(csv: Path, tmp_path: Path) -> None:
    vcd = tmp_path / "edges.vcd"
    write_vcd(read_trace(csv), vcd)
    assert replayed(str(vcd)) == replayed(str(csv))


def test_rocker_switch() -> None:
    """55 presses make 56 closures: in test 102, a release, the contact really closed again."""
    found = replayed(str(GOLDEN))["inputs"]
    assert list(found) == ["1"]
    closures = found["1"]["closures"]
    assert len(closures) == 56
    # Each press and its release are two tests, and a second of pause comes before every test.
    ordinary = [c for c in closures if c["broke_us"] - c["made_us"] > 900_000]
    (again,) = (c for c in closures if c not in ordinary)
    assert len(ordinary) == 55
    assert closures.index(again) == 51  # after the 51st press, in whose release, test 102, it comes
    assert 10_000 < again["broke_us"] - again["made_us"] < 100_000


def test_no_number_is_cut_where_there_is_no_terminal() -> None:
    row = run("replay", str(GOLDEN)).out.splitlines()[-3].split()
    assert row == ["1", "1472", "56", "674+5", "1", "0", "23.6/1000.4/1001.1"]


def test_rocker_switch_without_debouncing_is_a_mess() -> None:
    ran = run("replay", str(GOLDEN), "--make-us", "1", "--break-us", "1", "--json")
    assert len(json.loads(ran.out)["inputs"]["1"]["closures"]) > 200


def test_a_fault_ends_with_1(tmp_path: Path) -> None:
    path = tmp_path / "rubbing.csv"
    rows = [f"{1000 * n},4,{n % 2}" for n in range(1, 400)]
    path.write_text("\n".join([CSV_HEADER, *rows]) + "\n")
    ran = run("replay", str(path))
    assert ran.code == 1
    assert ran.out.splitlines()[-3].split()[-1] == "chatter"
    ran = run("replay", str(path), "--json")
    assert ran.code == 1
    assert json.loads(ran.out)["inputs"]["4"]["faults"] == ["chatter"]


def test_what_the_recorder_lost_is_not_hidden(csv: Path) -> None:
    csv.write_text("# lost: 12\n" + csv.read_text())
    assert "the recorder lost 12 edges" in run("replay", str(csv)).out
    csv.write_text(csv.read_text().replace("12", "0"))
    assert "lost" not in run("replay", str(csv)).out


def test_a_torn_end_is_no_error(csv: Path) -> None:
    whole = replayed(str(csv))
    csv.write_text(csv.read_text() + "400000,1")
    assert replayed(str(csv)) == whole


VCD_HEAD = "$timescale 1 us $end\n$var wire 1 ! input1 $end\n$enddefinitions $end\n"

BAD_FILES = {
    "wrong header": ("time,in,level\n1,1,1\n", "line 1", "header t_us,input,closed"),
    "header of another program": ("Time [s],Channel 0\n0,1\n", "line 1", "starts no trace"),
    "backwards": (f"{CSV_HEADER}\n200,1,1\n100,1,0\n", "line 3", "100 us comes after 200 us"),
    "unknown input": (f"{CSV_HEADER}\n100,33,1\n", "line 2", "input is 33; inputs are numbered 1 to 32"),
    "input 0": (f"{CSV_HEADER}\n100,0,1\n", "line 2", "inputs are numbered 1 to 32"),
    "no number": (f"{CSV_HEADER}\n100,1,1\nsoon,1,0\n300,1,1\n", "line 3", "t_us is 'soon'"),
    "level 2": (f"{CSV_HEADER}\n100,1,2\n", "line 2", "closed is 2"),
    "too few columns": (f"{CSV_HEADER}\n100,1\n200,1,0\n", "line 2", ""),
    "too many columns": (f"{CSV_HEADER}\n100,1,1,1\n", "line 2", ""),
    "header only": (f"{CSV_HEADER}\n", None, "holds no edges"),
    "nothing at all": ("", None, ""),
    "only comments": ("# lost: 3\n# hello\n", None, ""),
    "bad note": (f"# lost: many\n{CSV_HEADER}\n100,1,1\n", "line 1", "lost is 'many'"),
    "binary": (b"\x00\x01\x02\xff" * 100, "line 1", "not text"),
    "vcd backwards": (f"{VCD_HEAD}#200\n1!\n#100\n0!\n", "line 6", "100 us comes after 200 us"),
    "vcd without time": ("$var wire 1 ! a1 $end\n$enddefinitions $end\n#5\n1!\n", "line 3", "$timescale"),
    "vcd with a bus": (f"$var wire 8 ! a $end\n{VCD_HEAD}#5\n1!\n", "line 1", "no one-bit level"),
    "vcd undeclared": (f"{VCD_HEAD}#5\n1?\n", "line 5", "not declared"),
    "vcd nonsense": (f"{VCD_HEAD}#5\n$nonsense $end\n#6\n1!\n", "line 5", "cannot be understood"),
    "recording backwards": (
        "test,transition,t_ns,level,rising_edges\n1,press,9,1,0\n1,press,5,0,0\n",
        "line 3", "5 ns comes after 9 ns",
    ),
    "recording of a wiggle": (
        "test,transition,t_ns,level,rising_edges\n1,wiggle,0,1,0\n", "line 2", "write press or release",
    ),
}  # fmt: skip


def assert_refused(ran: Ran, path: Path, line: str | None, part: str) -> None:
    assert ran.code == 2
    assert ran.out == ""
    said = ran.complaint()
    assert said.startswith(f"{path}, {line}: " if line else f"{path}")
    assert part in said
    assert ";" in said, "what to do next is missing"


@pytest.mark.parametrize("name", BAD_FILES)
def test_bad_files(name: str, tmp_path: Path) -> None:
    content, line, part = BAD_FILES[name]
    path = tmp_path / "recording"
    path.write_bytes(content if isinstance(content, bytes) else content.encode())
    assert_refused(run("replay", str(path)), path, line, part)
    assert_refused(run("replay", str(path), "--json"), path, line, part)


def test_no_file_there(tmp_path: Path) -> None:
    path = tmp_path / "missing.csv"
    assert_refused(run("replay", str(path)), path, None, "No such file")


def test_a_folder(tmp_path: Path) -> None:
    assert_refused(run("replay", str(tmp_path)), tmp_path, None, "Is a directory")


def test_no_standard_input_by_accident() -> None:
    """A dash is a file name like any other."""
    ran = shell("echo nonsense | reedproof replay -")
    assert ran.code == 2
    assert ran.complaint().startswith("-")
