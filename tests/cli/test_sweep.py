"""`reedproof replay --sweep`: a grid of settings over one recording."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from cli.command import on_terminal, plain, run
from reedproof.cli.sweep import parse_axis
from reedproof.errors import ReedproofError
from reedproof.trace import CSV_HEADER

#: A pass with a dropout of 3 ms, one that lasts 4 ms, a blip of 0.7 ms; a second apart.
EDGES = [
    0, 30_000, 33_000, 60_000, 1_000_000, 1_004_000, 2_000_000, 2_000_700, 3_000_000, 3_060_000,
]  # fmt: skip


@pytest.fixture
def csv(tmp_path: Path) -> Path:
    path = tmp_path / "edges.csv"
    rows = [f"{t},{number},{1 - at % 2}" for at, t in enumerate(EDGES) for number in (1, 4)]
    path.write_text("\n".join([CSV_HEADER, *rows]) + "\n")
    return path


def swept(*arguments: str) -> dict[tuple[int, int], dict[str, Any]]:
    ran = run("replay", *arguments, "--sweep", "--json")
    assert (ran.code, ran.err) == (0, "")
    document = json.loads(ran.out)
    assert document["passes"] == {"1": 3, "4": 3}
    return {(one.pop("make_us"), one.pop("break_us")): one for one in document["settings"]}


def test_what_each_setting_does(csv: Path) -> None:
    found = swept(str(csv), "make_us=0.5..10ms", "break_us=2..5ms")
    assert len(found) == 100
    makes, breaks = ({setting[at] for setting in found} for at in (0, 1))
    assert (min(makes), max(makes), min(breaks), max(breaks)) == (500, 10_000, 2000, 5000)
    for (make_us, break_us), one in found.items():
        assert one.pop("inputs") == {
            number: {name: value // 2 for name, value in one.items()} for number in ("1", "4")
        }
        assert one == {
            "closures": 2 * (2 + (make_us <= 4000) + (break_us <= 3000)),
            "splits": 2 * (break_us <= 3000),
            "losses": 2 * (make_us > 4000),
            "extras": 2 * (make_us <= 700),
        }, (make_us, break_us)


def test_one_axis_is_enough(csv: Path) -> None:
    assert {setting[1] for setting in swept("break_us=1..9ms", str(csv))} >= {1000, 9000}
    assert {setting[0] for setting in swept("break_us=1..9ms", str(csv))} == {1000}
    assert list(swept(str(csv), "make_us=2ms", "break_us=800us")) == [(2000, 800)]
    assert list(swept(str(csv), "--make-us", "300", "--break-us", "7")) == [(300, 7)]


def test_table(csv: Path) -> None:
    ran = run("replay", str(csv), "--sweep", "make_us=0.5..10ms", "break_us=2..5ms")
    assert (ran.code, ran.err) == (0, "")
    lines = [line.split() for line in ran.out.splitlines()]
    assert "edges.csv: 6 passes on 2 inputs; make_us in rows, break_us in columns, both in ms" in ran.out
    assert lines[2] == ["ms", "2", "2.2", "2.5", "2.7", "3", "3.3", "3.7", "4.1", "4.5", "5"]
    assert lines[4] == ["0.5", *["2s", "2x"] * 5, *["2x"] * 5]
    assert lines[6] == ["0.97", *["2s"] * 5, *["ok"] * 5]
    assert lines[13] == ["10", *["2s", "2m"] * 5, *["2m"] * 5]


def test_the_table_fits_a_small_terminal() -> None:
    golden = Path(__file__).resolve().parents[1] / "golden" / "rocker-bounce.csv"
    ran = on_terminal("replay", str(golden), "--sweep", "make_us=0.5..10ms", "break_us=1..50ms", columns=80)
    screen = plain(ran.out)
    screen = screen[screen.index("rocker-bounce.csv: ") :]
    assert max(map(len, screen.splitlines())) <= 80
    header = next(line.split() for line in screen.splitlines() if line.split()[:1] == ["ms"])
    assert header == ["ms", "1", "1.5", "2.4", "3.7", "5.7", "8.8", "14", "21", "32", "50"]


def test_pauses_the_user_knows(tmp_path: Path) -> None:
    lengths = [round(100 * 1.3**i) for i in range(40)]
    edges = [0]
    for length_us in lengths:
        edges += [edges[-1] + 60_000, edges[-1] + 60_000 + length_us]
    path = tmp_path / "all_lengths.csv"
    path.write_text("\n".join([CSV_HEADER, *(f"{t},1,{1 - at % 2}" for at, t in enumerate(edges))]) + "\n")
    ran = run("replay", str(path), "--sweep")
    assert ran.code == 2
    assert "bounce cannot be told from pauses between passes on any input" in ran.complaint()
    assert run("replay", str(path), "--sweep", "--pause-ms", "500").code == 0
    ordinary = [f"{at * 1_000_000 + t},3,{t == 0:d}" for at in range(5, 30) for t in (0, 60_000)]
    both = sorted([*path.read_text().splitlines()[1:], *ordinary], key=lambda row: int(row.split(",")[0]))
    path.write_text("\n".join([CSV_HEADER, *both]) + "\n")
    ran = run("replay", str(path), "--sweep")
    assert ran.code == 0
    assert "25 passes on 1 input" in ran.out
    assert ran.out.splitlines()[-1].endswith("without --pause-ms: input 1")
    assert json.loads(run("replay", str(path), "--sweep", "--json").out)["left_out"] == [1]


@pytest.mark.parametrize(
    ("text", "values"),
    [
        ("make_us=2ms", [2000]),
        ("break_us=700us", [700]),
        ("make_us=1..65535us", [1, 3, 12, 40, 140, 470, 1600, 5600, 19000, 65535]),
        ("make_us=.5..0.50ms", [500]),
        ("make_us=1..3us", [1, 2, 3]),
    ],
)
def test_ranges(text: str, values: list[int]) -> None:
    name, found = parse_axis(text)
    assert (name, found) == (text.partition("=")[0], values)


@pytest.mark.parametrize(
    ("text", "part"),
    [
        ("make_us=1..5", "with a range and its unit"),
        ("make_us=ms", "with a range and its unit"),
        ("make_us=1-5ms", "with a range and its unit"),
        ("stuck_ms=1..5ms", "expected make_us= or break_us="),
        ("make_us=5..1ms", "the smaller one first"),
        ("make_us=0..1ms", "expected 1us to 65535us"),
        ("break_us=1..66ms", "expected 1us to 65535us"),
    ],
)
def test_ranges_that_cannot_be(text: str, part: str) -> None:
    with pytest.raises(ReedproofError, match=part):
        parse_axis(text)


@pytest.mark.parametrize(
    ("arguments", "part"),
    [
        (["--sweep", "make_us=1..2ms"], "the file is missing; name the recording to replay"),
        (["a.csv", "b.csv"], "b.csv: a.csv is named already; replay one file at a time"),
        (["a.csv", "make_us=1..2ms"], "make_us=1..2ms: ranges go with --sweep"),
        (["a.csv", "--sweep", "foo=1..2ms"], "foo=1..2ms: expected make_us= or break_us="),
        (["a.csv", "--sweep", "make_us=1ms", "make_us=2ms"], "there is a range of make_us already"),
        (["a.csv", "--sweep", "make_us=1..2s"], "make_us=1..2s: expected make_us="),
    ],
)
def test_wrong_use(arguments: list[str], part: str) -> None:
    ran = run("replay", *arguments)
    assert ran.code == 2
    assert part in ran.complaint()


def test_a_pass_that_has_not_ended_is_no_extra(csv: Path) -> None:
    csv.write_text(csv.read_text() + "5000000,1,1\n5000000,4,1\n")
    (one,) = swept(str(csv), "make_us=2ms", "break_us=5ms").values()
    assert (one["closures"], one["extras"]) == (6, 0)
