"""`reedproof flash` as a user types it, with avrdude, onto simulated boards."""

from __future__ import annotations

import json
import os
import pty
import signal
import subprocess
import time
from collections.abc import Callable

import pytest
from boot_board import BootBoard

from cli.command import PROGRAM, run, start
from reedproof.firmware_image import IMAGES, packaged
from reedproof.ports import holders
from reedproof.records import BoardKind

NANO = packaged(BoardKind.NANO)


def test_a_board_that_tells_what_it_is(
    plug_in: Callable[..., BootBoard], monkeypatch: pytest.MonkeyPatch
) -> None:
    """A Nano, but not which loader it has: both are tried. As a document."""
    monkeypatch.setattr("reedproof.avrdude.QUIET_S", 3.0)
    board = plug_in("nano-old", NANO.memory)
    ran = run("flash", board.port, "--yes", "--json")
    assert ran.code == 0, ran.err
    said = json.loads(ran.out)
    assert (said["port"], said["board"], said["build"], said["kept"]) == (
        board.port,
        "nano-old",
        NANO.build,
        True,
    )
    assert said["image"] == str(IMAGES / "nano.hex")
    for moment in ("before", "now"):
        assert (said[moment]["kind"], said[moment]["build"]) == ("nano", NANO.build)
    assert f"on {board.port} now: nano board" in ran.err
    assert "no loader answers at 115200 baud" in ran.err
    assert "writing" in ran.err


def test_ctrl_c_half_way(plug_in: Callable[..., BootBoard]) -> None:
    """avrdude is not left behind, with the port in its hands."""
    board = plug_in("nano", NANO.memory)
    process = start("flash", board.port, "--yes")
    end_s = time.monotonic() + 30
    while board.bytes_from_host < 3_000:
        assert time.monotonic() < end_s
        time.sleep(0.01)
    process.send_signal(signal.SIGINT)
    out, err = process.communicate(timeout=10)
    assert (process.returncode, err) == (130, "reedproof: stopped\n")
    assert "flash it again" in out
    assert holders(board.port) == []


@pytest.mark.parametrize(("answer", "code"), [("y\n", 0), ("\n", 2)])
def test_somebody_is_asked(plug_in: Callable[..., BootBoard], answer: str, code: int) -> None:
    board = plug_in("nano", NANO.memory)
    master, slave = pty.openpty()
    with subprocess.Popen(
        [PROGRAM, "flash", board.port], stdin=slave, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
    ) as process:
        os.write(master, answer.encode())
        out, err = process.communicate(timeout=60)
    os.close(master)
    os.close(slave)
    assert process.returncode == code, err
    assert f"to be written: nano image, firmware {NANO.build:08x}, {len(NANO.memory)} bytes" in out
    if code:
        assert err == "reedproof: nothing was written\n"
        return
    assert f"firmware {NANO.build:08x} runs on it; board id and settings are kept" in out
    assert f"next: reedproof prove {board.port}" in out
