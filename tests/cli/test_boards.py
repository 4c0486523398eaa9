"""`reedproof boards`: which ports there are and who answers."""

from __future__ import annotations

import json

import pytest

from cli.command import PluggedBoard, run, serial_line
from reedproof import link, wire
from reedproof.cli import boards as boards_module
from reedproof.ports import Port
from reedproof.sim.board import VirtualBoard


def found(monkeypatch: pytest.MonkeyPatch, *ports: Port) -> None:
    monkeypatch.setattr(boards_module, "serial_ports", lambda: list(ports))


def test_no_ports(monkeypatch: pytest.MonkeyPatch) -> None:
    found(monkeypatch)
    ran = run("boards")
    assert ran.code == 3
    assert ran.out == "no serial ports found; is the board plugged in, and its driver there?\n"


def test_no_ports_as_json(monkeypatch: pytest.MonkeyPatch) -> None:
    found(monkeypatch)
    ran = run("boards", "--json")
    assert ran.code == 3
    assert json.loads(ran.out)["ports"] == []


def test_a_board_that_answers() -> None:
    ran = run("boards", "virtual:")
    assert ran.code == 0
    row = ran.out.splitlines()[-2].split()
    assert row[0] == "virtual:"
    assert int(row[1], 16) > 0
    assert row[2] == "virtual"
    assert len(row[3]) == 8
    assert row[4] == "16"


def test_as_json() -> None:
    ran = run("boards", "virtual:", "--json")
    (port,) = json.loads(ran.out)["ports"]
    assert ran.code == 0
    assert port["answers"] is True
    assert {name: type(value) for name, value in port.items()} == {
        "port": str, "answers": bool, "kind": str, "board": int, "build": int, "protocol": int,
        "inputs": int, "sample_us": int, "boot": int, "reset_cause": str, "settings_defaulted": bool,
    }  # fmt: skip


def test_found_ports_are_asked_and_described(monkeypatch: pytest.MonkeyPatch) -> None:
    with PluggedBoard(VirtualBoard(speed=1.0)) as plugged:
        found(monkeypatch, Port(plugged.port, "a USB bridge", "1a86:7523", None))
        ran = run("boards")
    assert ran.code == 0
    assert plugged.port in ran.out
    assert "a USB bridge" in ran.out


def test_the_problem_is_told_without_the_port_twice() -> None:
    ran = run("boards", "/dev/no-such-port")
    assert ran.code == 3
    assert ran.out.count("/dev/no-such-port") == 1
    assert "there is no such port" in ran.out


def test_every_port_that_was_named_must_answer() -> None:
    ran = run("boards", "/dev/no-such-port", "virtual:")
    assert ran.code == 3
    assert "virtual " in ran.out
    assert "there is no such port" in ran.out


def test_a_port_where_nobody_answers(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(link, "HELLO_WAIT_S", 0.3)
    with serial_line() as port:
        ran = run("boards", port, "--json")
    (answer,) = json.loads(ran.out)["ports"]
    assert ran.code == 3
    assert answer["answers"] is False
    assert answer["problem"].startswith(f"{port}: no answer; ")


@pytest.mark.parametrize(
    ("is_compiled", "said"), [(True, "compiled (C)"), (False, "pure Python, about 14 times slower")]
)
def test_verbose_tells_the_checksum(monkeypatch: pytest.MonkeyPatch, is_compiled: bool, said: str) -> None:
    monkeypatch.setattr(wire, "CRC_IS_COMPILED", is_compiled)
    assert run("boards", "virtual:", "-v").out.endswith(f"checksum: {said}\n")
    assert "checksum" not in run("boards", "virtual:").out
    assert json.loads(run("boards", "virtual:", "--json").out)["checksum"] == said
