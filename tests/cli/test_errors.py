"""Whatever the user does wrong, and whatever breaks around them, ends in one line and the right exit code."""

from __future__ import annotations

import fcntl
import json
import os
import re
import sqlite3
import struct
from pathlib import Path
from typing import Any

import pytest

from cli.command import PluggedBoard, Ran, on_terminal, run, serial_line, shell
from reedproof import link, store, wire
from reedproof.cli.main import build_app
from reedproof.records import PROTOCOL_VERSION
from reedproof.sim.board import VirtualBoard
from reedproof.store import Store

COMMANDS = [each.callback.__name__ for each in build_app().registered_commands if each.callback]
NEED_PORT = ["prove", "watch", "diagnose --input 1"]

WRONG_USE = [
    ["nonsense"],
    ["--nonsense"],
    ["prove"],
    ["watch"],
    ["replay"],
    *[[command, "--nonsense"] for command in COMMANDS],
    ["proofs", "first"],
    ["proofs", "0"],
    ["proofs", "--", "-1"],
    ["proofs", "1"],
    ["proofs", "99999999999999999999999"],
    ["proofs", "1", "2"],
    ["report"],
    ["report", "0"],
    ["report", "first"],
    ["report", "1", "2"],
    ["report", "99999999999999999999999"],
    ["report", "-o", "run.pdf"],
    ["report", "-o", "run"],
    ["report", "--json", "--csv"],
    ["report", "--store", " "],
    ["diagnose"],
    ["diagnose", "0"],
    ["diagnose", "1", "2"],
    ["diagnose", "99999999999999999999999"],
    ["diagnose", "--input", "0"],
    ["diagnose", "--input", "3", "--contact", "mill"],
    ["diagnose", "--plot", "found.png"],
    ["diagnose", "--sheet", "layout.toml"],
    ["diagnose", "virtual:"],
    ["diagnose", "virtual:", "--contact", "mill"],
    ["diagnose", "virtual:", "--contact", "mill", "--sheet", "no-such.toml"],
    ["diagnose", "virtual:", "--input", "3", "--wait-s", "nan"],
    ["diagnose", "--store", " "],
    ["doctor", "virtual:"],
    ["doctor", "--store", " "],
    ["demo", "virtual:"],
    ["prove", "virtual:", "virtual:"],
    ["prove", "virtual:", "--auto"],
    ["prove", "virtual:", "--auto", "soon"],
    ["prove", "virtual:", "--auto", "0"],
    ["prove", "virtual:", "--auto", "-5"],
    ["prove", "virtual:", "--auto", "nan"],
    ["prove", "virtual:", "--auto", "inf"],
    ["prove", "virtual:", "--wait", "0.5"],
    ["prove", "virtual:", "--wait", "inf"],
    ["prove", "virtual:", "--inputs", "17"],
    ["watch", "virtual:", "--seconds", "0"],
    ["watch", "virtual:", "--seconds", "nan"],
    ["watch", "virtual:", "--tick", "yes"],
    ["replay", "edges.csv", "--make-us", "0"],
    ["replay", "edges.csv", "--make-us", "65536"],
    ["replay", "edges.csv", "--make-us", "1.5"],
    ["replay", "edges.csv", "--break-us", "-1"],
    ["replay", "edges.csv", "--break-us", "x"],
    ["replay", "edges.csv", "more.csv"],
    ["endure"],
    ["endure", "no-such.toml"],
    ["endure", "no-such.toml", "--passes", "0"],
    ["endure", "no-such.toml", "--hours", "nan"],
    ["endure", "--resume", "--passes", "5"],
    ["endure", "--resume"],
    ["endure", "--resume", "first"],
    ["runs", "1"],
    ["export"],
    ["export", "-o", "run.csv"],
    ["export", "first", "-o", "run.csv"],
    ["export", "0", "-o", "run.csv"],
    ["export", "1", "2", "-o", "run.csv"],
    ["export", "-o", "run.xlsx"],
    ["export", "-o", "run"],
    ["export", "-o", ""],
    ["simulate"],
    ["simulate", "no-such.toml", "--laps", "1", "-o", "out"],
    ["simulate", "no-such.toml", "--laps", "0", "-o", "out"],
    ["simulate", "no-such.toml", "--laps", "1"],
    ["simulate", "no-such.toml", "--laps", "1", "-o", "out", "--speed-spread", "1"],
    ["proofs", "--store", ""],
    ["proofs", "--store", " "],
    ["proofs", "--store", "nonsense://host/name"],
    ["prove", "virtual:", "--store", "nonsense://host/name"],
]

NO_BOARD = [
    "/dev/no-such-port", "no-such-port", "virtual", "virtual:nonsense", "virtual:x:", "nonsense://x", "",
    "/dev/null", "/", __file__, "socket://localhost:1", "socket://", "[red]x", "spy:///dev/no-such-port",
]  # fmt: skip


def assert_one_line(ran: Ran, code: int) -> str:
    assert ran.code == code, ran
    assert "Traceback" not in ran.err + ran.out
    assert ran.out == ""
    said = ran.complaint()
    assert len(said) > 20
    return said


@pytest.mark.parametrize("arguments", WRONG_USE, ids=" ".join)
def test_wrong_use(arguments: list[str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    ran = run(*arguments)
    # The board is greeted before its inputs are known; that line may stand.
    out = ran.out if not ran.out.startswith("virtual board") else "".join(ran.out.splitlines()[1:])
    said = assert_one_line(Ran(ran.code, out, ran.err), 2)
    assert re.search("; |expected|has inputs|not a file or database URL", said), "what to do next is missing"
    assert [path for path in os.listdir(tmp_path) if not path.startswith("store.sqlite")] == []


def test_usage_errors_name_the_help_that_helps() -> None:
    assert run("prove").complaint().endswith("; try 'reedproof prove --help'")
    assert run("nonsense").complaint() == "No such command 'nonsense'; try 'reedproof --help'"


@pytest.mark.parametrize("port", NO_BOARD)
@pytest.mark.parametrize("command", NEED_PORT)
def test_no_board(command: str, port: str) -> None:
    said = assert_one_line(run(*command.split(), port), 3)
    assert said.startswith(f"{port}: "), "a name must be told back as it was given"
    assert "\x1b" not in said


@pytest.mark.parametrize("port", NO_BOARD)
def test_no_board_in_the_list(port: str) -> None:
    ran = run("boards", port, "--json")
    assert (ran.code, ran.err) == (3, "")
    (answer,) = json.loads(ran.out)["ports"]
    assert answer["port"] == port
    assert answer["answers"] is False
    assert run("boards", port).code == 3


# ---- the line ----


@pytest.mark.parametrize("command", NEED_PORT)
def test_port_in_use(command: str) -> None:
    with serial_line() as port:
        holder = os.open(port, os.O_RDWR | os.O_NOCTTY)
        fcntl.flock(holder, fcntl.LOCK_EX | fcntl.LOCK_NB)
        try:
            said = assert_one_line(run(*command.split(), port), 3)
        finally:
            os.close(holder)
    assert said == f"{port}: another program has this port open; close it and try again"


@pytest.mark.parametrize("command", NEED_PORT)
def test_nobody_answers(command: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(link, "HELLO_WAIT_S", 0.4)
    with serial_line() as port:
        said = assert_one_line(run(*command.split(), port), 3)
    assert said.startswith(f"{port}: no answer; ")


@pytest.mark.parametrize(
    "greeting", [b"temperature 21.5\r\n\0", b"\0\xff\xfe\x01\0", b"\0" + bytes(range(1, 200))]
)
def test_another_firmware(greeting: bytes, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(link, "HELLO_WAIT_S", 0.4)
    with serial_line(greeting) as port:
        said = assert_one_line(run("prove", port), 3)
    assert re.match(rf"{port}: something sends \(\d+ [a-z ]+\), but no reedproof board answers;", said)


def hello_of(protocol: int) -> bytes:
    """What every version's hello begins with, and a tail that only that version knows."""
    known = struct.pack("<BIBII", protocol, 0xC0FFEE01, 1, 0xB0A2D001, 7)
    return b"\0" + wire.encode_frame(wire.HELLO_TYPE, 0, known + b"of another version")


@pytest.mark.parametrize("command", NEED_PORT)
def test_newer_board(command: str) -> None:
    with serial_line(hello_of(PROTOCOL_VERSION + 1)) as port:
        said = assert_one_line(run(*command.split(), port), 3)
    assert said == (
        f"{port}: board b0a2d001 (firmware c0ffee01) speaks protocol {PROTOCOL_VERSION + 1}, this program "
        f"{PROTOCOL_VERSION}; update reedproof on this computer"
    )


def test_older_board() -> None:
    with serial_line(hello_of(PROTOCOL_VERSION - 1)) as port:
        said = assert_one_line(run("prove", port), 3)
    assert (
        f"speaks protocol {PROTOCOL_VERSION - 1}, this program {PROTOCOL_VERSION}; update the board" in said
    )


def test_unplugged_while_proving() -> None:
    board = VirtualBoard(speed=1.0, inputs=2)
    board.carousel(rounds=1)
    board._on_step = lambda it: it.close() if it.now_us > 1_500_000 else None
    with PluggedBoard(board) as plugged:
        ran = run("prove", plugged.port, "--auto", "5")
    assert ran.code == 3
    assert "the board has been silent" in ran.complaint()
    with Store() as kept:
        assert sum(kept.closures_of_boot(1).values()) == 2, "what was counted before is stored"


# ---- the store ----


@pytest.fixture(params=["proofs", "prove", "watch", "demo", "runs", "export", "diagnose"])
def storing(request: pytest.FixtureRequest, tmp_path: Path) -> list[str]:
    arguments: dict[str, list[str]] = {
        "prove": ["virtual:"], "watch": ["virtual:", "--seconds", "0.2"],
        "export": ["-o", str(tmp_path / "run.csv")],
    }  # fmt: skip
    return [request.param, *arguments.get(request.param, [])]


def complaint_about(ran: Ran, where: Path) -> str:
    """The demo says its first sentence before it opens the store."""
    said = assert_one_line(Ran(ran.code, "", ran.err), 2)
    assert said.startswith(f"{where}: ")
    return said


def test_store_is_no_database(storing: list[str], tmp_path: Path) -> None:
    where = tmp_path / "letter.txt"
    where.write_text("Dear club,\n" * 200)
    before = where.read_bytes()
    said = complaint_about(run(*storing, "--store", str(where)), where)
    assert "not a reedproof store" in said
    assert where.read_bytes() == before


def test_store_is_a_folder(storing: list[str], tmp_path: Path) -> None:
    assert "cannot be written to" in complaint_about(run(*storing, "--store", str(tmp_path)), tmp_path)


def test_store_in_a_file_instead_of_a_folder(storing: list[str], tmp_path: Path) -> None:
    (tmp_path / "file").touch()
    where = tmp_path / "file" / "store.sqlite"
    complaint_about(run(*storing, "--store", str(where)), where)


def test_store_of_a_newer_program(storing: list[str], store_path: Path) -> None:
    run("prove", "virtual:", "--inputs", "1")
    with sqlite3.connect(store_path) as connection:
        connection.execute("UPDATE about SET schema_version = schema_version + 1")
    connection.close()
    said = complaint_about(run(*storing, "--store", str(store_path)), store_path)
    assert "made by another version of reedproof" in said


def test_disk_full_while_proving(store_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    assert run("prove", "virtual:").code == 0
    before = run("proofs", "1").out
    set_up = store._set_up_sqlite

    def set_up_small(connection: Any, record: object) -> None:
        set_up(connection, record)
        pages = connection.execute("PRAGMA page_count").fetchone()[0]
        connection.execute(f"PRAGMA max_page_count = {pages}")

    monkeypatch.setattr(store, "_set_up_sqlite", set_up_small)
    ran = run("prove", "virtual:", "--auto", "20")
    assert "the disk is full; what was stored is safe" in complaint_about(ran, store_path)
    monkeypatch.undo()
    assert run("proofs", "1", "--store", str(store_path)).out == before


# ---- where the output goes ----


@pytest.mark.parametrize("reader", ["head -n 1", "true"])
@pytest.mark.parametrize(
    "command", ["prove virtual:", "watch virtual: --json --seconds 20", "demo --store d"]
)
def test_a_reader_that_has_seen_enough(reader: str, command: str, tmp_path: Path) -> None:
    """Neither good nor bad was said, so the code is neither 0 nor 1 to 3."""
    ran = shell(f"cd '{tmp_path}'; reedproof {command} | {reader}")
    assert ran.code == 141
    assert "Traceback" not in ran.err
    assert "Exception ignored" not in ran.err


def test_output_on_a_full_disk() -> None:
    Store().close()
    for command in ("proofs", "proofs --json", "--help"):
        ran = shell(f"reedproof {command} > /dev/full")
        assert ran.code == 2
        assert "disk is full" in ran.complaint()


COLOUR = re.compile(r"\x1b\[[0-9;]*3[0-7][0-9;]*m")


def test_colour_only_on_a_terminal() -> None:
    piped = run("prove", "virtual:faulty", "--inputs", "1,3")
    assert "\x1b" not in piped.out + piped.err
    shown = on_terminal("proofs", "1")
    assert "\x1b[31mno closure" in shown.out
    assert "\x1b[32mgood" in shown.out


def test_no_color_is_obeyed() -> None:
    run("prove", "virtual:faulty", "--inputs", "1,3")
    shown = on_terminal("proofs", "1", NO_COLOR="1")
    assert "no closure" in shown.out
    assert not COLOUR.search(shown.out)


# ---- help ----


@pytest.mark.parametrize("command", COMMANDS)
def test_help_has_an_example_that_could_be_typed(command: str) -> None:
    ran = run(command, "--help")
    assert (ran.code, ran.err) == (0, "")
    assert re.search(rf"Example: reedproof {command}\b", ran.out)


@pytest.mark.parametrize(
    "command", ["demo", "diagnose", "doctor", "export", "prove", "proofs", "runs", "watch"]
)
def test_help_tells_where_the_data_goes(command: str) -> None:
    assert "$REEDPROOF_STORE" in run(command, "--help").out


def test_help_lists_every_command_and_what_the_exit_codes_mean() -> None:
    ran = run("--help")
    assert ran.code == 0
    for command in COMMANDS:
        assert re.search(rf"\b{command}  ", ran.out)
    assert "Exit codes: 0 good, 1 a fault was found, 2 wrong use, 3 no board" in ran.out


def test_no_command_shows_the_help() -> None:
    ran = run()
    assert ran.code == 2
    assert "Usage: reedproof" in ran.out
