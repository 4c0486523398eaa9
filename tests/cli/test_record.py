"""`reedproof record`: a file that says what is in it and what is not."""

from __future__ import annotations

import json
import re
import signal
import time
from collections.abc import Callable
from pathlib import Path

import pytest

from cli.command import PATIENCE_S, PROGRAM, PluggedBoard, on_terminal, plain, run, start
from reedproof.sim.board import VirtualBoard
from reedproof.store import Store
from reedproof.trace_reader import read_trace
from virtual_lines import make_board

PlugIn = Callable[[Callable[..., VirtualBoard]], None]


@pytest.mark.parametrize("suffix", ["csv", "vcd"])
def test_a_virtual_minute(tmp_path: Path, suffix: str) -> None:
    path = tmp_path / f"minute.{suffix}"
    ran = run("record", "virtual:", "-o", str(path), "--seconds", "60")
    assert (ran.code, ran.err) == (0, "")
    found = re.fullmatch(r"(\d+) edges of 16 inputs in (\S+) s, 0 lost, in (\S+)", ran.out.splitlines()[-1])
    assert found, ran.out
    assert found[3] == str(path)
    assert 60 <= float(found[2]) < 62
    trace = read_trace(path)
    assert (len(trace), trace.sample_us, trace.lost, trace.gaps) == (int(found[1]), 50, 0, 0)
    assert set(trace.inputs.tolist()) == set(trace.recorded) == set(range(1, 17))


def test_chosen_inputs_as_json(tmp_path: Path) -> None:
    path = tmp_path / "some.csv"
    ran = run("record", "virtual:", "-o", str(path), "--seconds", "20", "--inputs", "2,5-6", "--json")
    assert ran.code == 0
    document = json.loads(ran.out)
    edges = document.pop("edges")
    assert list(edges) == ["2", "5", "6"]
    assert sum(edges.values()) == len(read_trace(path)) > 10
    assert 20 <= document.pop("seconds") < 22
    assert document == {
        "file": str(path), "sample_us": 50, "lost": {"2": 0, "5": 0, "6": 0}, "gaps": 0,
    }  # fmt: skip
    assert "virtual board" in ran.err  # the identity of the board is no part of the document


def test_what_was_recorded_is_stored_too(tmp_path: Path) -> None:
    run("record", "virtual:", "-o", str(tmp_path / "x.csv"), "--seconds", "10")
    with Store() as store:
        assert sum(store.closures_of_boot(1).values()) > 20


def test_lost_edges_are_a_fault(tmp_path: Path, plug_in: PlugIn) -> None:
    """A rubbing lead is muted; what is not traced is counted."""

    def make(speed: float) -> VirtualBoard:
        board = make_board(inputs=2, speed=speed)
        board.schedule(1, [(1_000_000 + 1000 * n, n % 2 == 0) for n in range(6000)])
        return board

    plug_in(make)
    path = tmp_path / "rubbing.csv"
    ran = run("record", "virtual:", "-o", str(path), "--seconds", "9")
    assert ran.code == 1
    found = re.search(r"(\d+) lost \(input 1\), 1 gap of unknown size, in", ran.out)
    assert found
    trace = read_trace(path)
    assert (trace.lost, trace.gaps) == (int(found[1]), 1)
    assert trace.lost > 1000


def test_a_file_that_exists_is_not_touched(tmp_path: Path) -> None:
    path = tmp_path / "mine.csv"
    path.write_text("precious")
    ran = run("record", "virtual:", "-o", str(path), "--seconds", "1")
    assert ran.code == 2
    assert ran.complaint() == f"{path}: exists already; choose another name, or delete it first"
    assert path.read_text() == "precious"


@pytest.mark.parametrize(
    ("arguments", "code", "part"),
    [
        (("virtual:", "-o", "{}/no/such/folder.csv"), 2, "cannot be written (No such file or directory)"),
        (("virtual:", "-o", "{}/x.csv", "--inputs", "17"), 2, "there is no input 17; this virtual board has"),
        (("virtual:", "-o", "{}/x.csv", "--inputs", "one"), 2, "expected numbers and ranges such as 1-4,7"),
        (("virtual:nowhere", "-o", "{}/x.csv"), 3, "no such virtual board"),
        (("virtual:",), 2, "Missing option '--output'"),
    ],
)
def test_wrong_use(tmp_path: Path, arguments: tuple[str, ...], code: int, part: str) -> None:
    ran = run("record", *(argument.format(tmp_path) for argument in arguments), "--seconds", "1")
    assert ran.code == code
    assert part in ran.complaint()


def test_ctrl_c_ends_it_well(tmp_path: Path) -> None:
    path = tmp_path / "cut.vcd"
    process = start("record", "virtual:", "-o", str(path))
    wait_for_edges(path)
    process.send_signal(signal.SIGINT)
    out, err = process.communicate(timeout=PATIENCE_S)
    assert (process.returncode, err) == (0, "")
    found = re.search(r"^(\d+) edges of 16 inputs in \S+ s, 0 lost, in", out, re.MULTILINE)
    assert found, out
    assert len(read_trace(path)) == int(found[1])


def test_killed_in_the_middle_the_file_opens(tmp_path: Path) -> None:
    path = tmp_path / "killed.csv"
    process = start("record", "virtual:", "-o", str(path))
    wait_for_edges(path)
    process.kill()
    process.communicate(timeout=PATIENCE_S)
    trace = read_trace(path)
    assert len(trace) > 0
    assert (trace.sample_us, trace.gaps) == (50, 1), "what it lost in the end, it does not tell"


def wait_for_edges(path: Path) -> None:
    """Until some are in the file: the program runs in real time."""
    end_s = time.monotonic() + PATIENCE_S
    while time.monotonic() < end_s:
        if path.exists() and len(re.findall(rb"^#?[0-9]", path.read_bytes(), re.MULTILINE)) > 4:
            return
        time.sleep(0.05)
    raise AssertionError(f"{PROGRAM} records nothing into {path}")


@pytest.mark.parametrize("how", ["--seconds", "Ctrl-C"])
def test_unplugged_the_file_stays(tmp_path: Path, how: str) -> None:
    """It ends by itself when its time is over, also while the line is gone."""
    path = tmp_path / "unplugged.csv"
    seconds = "3" if how == "--seconds" else "600"
    board = make_board(speed=1.0)
    board.carousel(rounds=20)
    with PluggedBoard(board) as plugged:
        process = start("record", plugged.port, "-o", str(path), "--seconds", seconds)
        wait_for_edges(path)
        plugged.unplug()
        if how == "Ctrl-C":
            process.send_signal(signal.SIGINT)
        out, err = process.communicate(timeout=PATIENCE_S)
    assert process.returncode == 3, (out, err)
    assert f"the line is gone (unplugged?); {path} holds what came before" in err
    assert "1 gap of unknown size" in out
    assert read_trace(path).gaps == 1


def test_progress_on_a_terminal(tmp_path: Path) -> None:
    ran = on_terminal("record", "virtual:", "-o", str(tmp_path / "x.csv"), "--seconds", "30")
    screen = plain(ran.out)
    assert "waiting for the board's counts" in screen
    assert re.search(r"recording, \d+ s: \d+ edges on inputs 1 2", screen)
    assert "Ctrl-C ends" in screen
