"""`reedproof flash` up to the moment when a loader would be asked; tests/flash has the rest."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from cli.command import PluggedBoard, run, serial_line
from reedproof.cli import flash as command
from reedproof.ports import Port
from reedproof.sim.board import VirtualBoard, named

Given = Callable[..., None]


@pytest.fixture
def there_are(monkeypatch: pytest.MonkeyPatch) -> Given:
    """Serial ports of this computer, as name or (name, usb id)."""

    def put(*ports: tuple[str, str | None]) -> None:
        found = [Port(url, "", usb_id, None) for url, usb_id in ports]
        monkeypatch.setattr(command, "serial_ports", lambda: found)

    return put


@pytest.fixture(autouse=True)
def _nobody_waits_long(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("reedproof.link.HELLO_WAIT_S", 1.0)


def test_no_port(there_are: Given) -> None:
    there_are()
    ran = run("flash")
    assert ran.code == 3
    assert "a cable that carries data" in ran.complaint()


def test_several_ports(there_are: Given) -> None:
    there_are(("/dev/ttyUSB0", "1a86:7523"), ("/dev/ttyUSB1", "1a86:7523"), ("/dev/ttyS0", None))
    ran = run("flash")
    assert ran.code == 2
    assert (
        "/dev/ttyUSB0, /dev/ttyUSB1; say which, for example 'reedproof flash /dev/ttyUSB0'" in ran.complaint()
    )
    assert "ttyS0" not in ran.err


def test_the_only_port_is_taken(there_are: Given) -> None:
    with serial_line() as port:
        there_are((port, "1a86:7523"), ("/dev/ttyS0", None))
        ran = run("flash")
    assert ran.code == 2
    assert f"on {port} now: no firmware of ours answers" in ran.out
    assert "--board nano, nano-old, uno, mega" in ran.complaint()


def test_a_port_that_is_not_there(tmp_path: Path) -> None:
    ran = run("flash", str(tmp_path / "ttyUSB7"))
    assert ran.code == 3
    assert "there is no such port" in ran.complaint()
    assert "cable without data lines" in ran.complaint()


@pytest.mark.parametrize("port", ["virtual:", "rfc2217://localhost:4000"])
def test_what_has_no_loader(port: str) -> None:
    ran = run("flash", port, "--board", "nano")
    assert ran.code == 2
    assert "serial port of this computer" in ran.complaint()


def test_an_unknown_board() -> None:
    ran = run("flash", "/dev/null", "--board", "due")
    assert ran.code == 2
    assert "'nano-old'" in ran.complaint()


def test_what_is_on_it_is_shown() -> None:
    with PluggedBoard(VirtualBoard(speed=1.0, memory=named(0xFE42))) as plugged:
        ran = run("flash", plugged.port)
    assert ran.code == 2
    assert f"on {plugged.port} now: virtual board 0000fe42, firmware " in ran.out
    assert "--board" in ran.complaint()


def test_nobody_is_there_to_be_asked() -> None:
    with serial_line() as port:
        ran = run("flash", port, "--board", "mega")
    assert ran.code == 2
    assert "to be written: mega image, firmware " in ran.out
    assert "nothing was written" in ran.complaint()
    assert "--yes" in ran.complaint()


def test_an_image_that_is_none(tmp_path: Path) -> None:
    file = tmp_path / "image.elf"
    file.write_bytes(b"\x7fELF\xff")
    with serial_line() as port:
        ran = run("flash", port, "--board", "nano", "--image", str(file), "--yes")
    assert ran.code == 2
    assert "not an image" in ran.complaint()


def test_no_avrdude_is_told_before_anybody_is_asked(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.setenv("PATH", str(tmp_path))
    monkeypatch.setenv("PLATFORMIO_CORE_DIR", str(tmp_path))
    with serial_line() as port:
        ran = run("flash", port, "--board", "nano")
    assert ran.code == 2
    assert "avrdude, which writes the board, is not installed; type: " in ran.complaint()
