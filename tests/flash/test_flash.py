"""The real avrdude, through the loaders of the boards, onto the simulated chips; then the real host library.

In about real time, by the operating system's clock: every wait is bounded.
"""

from __future__ import annotations

import dataclasses
import os
import random
import struct
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path

import pytest
from boot_board import BootBoard, Damage, loader_code

from reedproof import avrdude
from reedproof import flash as flashing
from reedproof.avrdude import WrongChip, find_avrdude, write
from reedproof.errors import LineError, LineLost, NoAnswer, PortBusy, ReedproofError
from reedproof.firmware_image import IMAGES, Image, own, packaged
from reedproof.flash import KINDS, RECIPES, Found, NotRunning, flash, is_kept, look
from reedproof.link import Link
from reedproof.records import BoardKind, Hello, SetBoard, SetInput
from reedproof.transport import SerialTransport

PlugIn = Callable[..., BootBoard]
OLD_BUILD = 0x0BADF00D
BOARDS = ("nano", "nano-old", "mega")
PAGE = 256  # bytes; the last page is written whole


def older(image: Image) -> bytes:
    """The same firmware, but another build by what it says."""
    new = image.memory.replace(
        struct.pack("<IB", image.build, image.kind), struct.pack("<IB", OLD_BUILD, image.kind)
    )
    assert new != image.memory
    return new


class Desk:
    """A board, and what a user does with it."""

    def __init__(self, board: BootBoard, as_board: str) -> None:
        self.board = board
        self.as_board = as_board
        self.told: list[tuple[str, float]] = []

    def connect(self) -> SerialTransport:
        return SerialTransport(self.board.port)

    def let_it_store(self) -> None:
        """Lets a second pass on the board: opening its port again resets it, and would cut storing short."""
        end = self.board.simulator.cycle + self.board.simulator.frequency_hz
        while self.board.simulator.cycle < end:
            time.sleep(0.01)

    def look(self) -> Found | None:
        return look(self.connect)

    def flash(self, image: Image | None = None, before: Found | None = None) -> Found:
        image = image or packaged(KINDS[self.as_board])
        return flash(
            self.connect, self.board.port, self.as_board, image, before, lambda *step: self.told.append(step)
        )

    def holds(self, memory: bytes) -> bool:
        """Flash is exactly this, up to the page's end; after it nothing, and the loader is whole."""
        with self.board.lock:
            there = self.board.flash()
            loader = self.board.simulator.read_flash(
                self.board.loader.base, self.board.loader.size - self.board.loader.base
            )
        padded = memory.ljust(-(-len(memory) // PAGE) * PAGE, b"\xff")
        code = loader_code(self.as_board)
        return there == padded.ljust(len(there), b"\xff") and loader[: len(code)] == code


@pytest.mark.parametrize("name", BOARDS)
def test_settings_and_board_id_outlive_the_update(plug_in: PlugIn, name: str) -> None:
    image = packaged(KINDS[name])
    desk = Desk(plug_in(name, older(image)), name)
    with Link(desk.connect) as link:
        link.name_board(0xFE42)
        link.obey(SetBoard(50_000, 0, 30, 100))
        link.obey(SetInput(5, 1500, 7000))
        wanted = link.settings()
        desk.let_it_store()
    before = desk.look()
    assert before is not None
    assert (before.hello.build, before.hello.board, before.settings) == (OLD_BUILD, 0xFE42, wanted)
    after = desk.flash(before=before)
    assert desk.holds(image.memory)
    assert after.hello.build == image.build
    assert (after.hello.board, after.settings) == (0xFE42, wanted)
    assert after.hello.boot > before.hello.boot
    assert is_kept(before, after)
    # Progress: each thing in its order, never backwards, to its end.
    doing = list(dict.fromkeys(step for step, _ in desk.told))
    assert doing == ["connecting", "writing", "reading back", "starting"]
    for step in doing[1:]:
        parts = [part for what, part in desk.told if what == step]
        assert parts == sorted(parts)
        assert parts[-1] == 1.0
    assert len(desk.told) > 50


def test_a_board_from_the_shop(plug_in: PlugIn) -> None:
    desk = Desk(plug_in("uno"), "uno")
    assert desk.look() is None
    after = desk.flash()
    assert desk.holds(packaged(BoardKind.UNO).memory)
    assert isinstance(after.hello, Hello)
    assert (after.kind, after.hello.inputs, is_kept(None, after)) == (BoardKind.UNO, 16, None)


# ---- what is written is not what runs ----


def test_the_old_firmware_still_runs(plug_in: PlugIn) -> None:
    """Written and read back, and yet something else answers: the wrong board, or a cache of some kind."""
    image = packaged(BoardKind.NANO)
    desk = Desk(plug_in("nano", older(image)), "nano")

    def put_back(doing: str, _part: float) -> None:
        if doing == "starting":
            with desk.board.lock:
                desk.board.simulator.write_flash(0, older(image))

    with pytest.raises(NotRunning, match="nano firmware 0badf00d answers, not firmware") as caught:
        flash(desk.connect, desk.board.port, "nano", image, None, put_back)
    assert caught.value.exit_code == 1


def test_the_image_of_another_board(plug_in: PlugIn) -> None:
    desk = Desk(plug_in("nano"), "nano")
    with pytest.raises(NotRunning, match="uno firmware"):
        desk.flash(own(IMAGES / "uno.hex", BoardKind.NANO))


def test_an_image_that_says_nothing(plug_in: PlugIn, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(flashing, "BACK_S", 1.0)
    file = tmp_path / "idle.hex"
    file.write_text(":02000000FFCF30\n:00000001FF\n")  # an endless jump to itself
    desk = Desk(plug_in("nano"), "nano")
    with pytest.raises(NotRunning, match="nothing answers"):
        desk.flash(own(file, BoardKind.NANO))
    assert desk.holds(b"\xff\xcf")


def test_another_board_answers(plug_in: PlugIn, monkeypatch: pytest.MonkeyPatch) -> None:
    """Ports may change places while a board restarts."""
    desk = Desk(plug_in("nano", packaged(BoardKind.NANO).memory), "nano")
    with Link(desk.connect) as link:
        link.name_board(0xFE42)
        desk.let_it_store()
    found = desk.look()
    assert found is not None
    waited: list[float] = []
    monkeypatch.setattr(flashing.time, "sleep", waited.append)
    # What the board was told a moment ago has to be stored before avrdude resets it.
    monkeypatch.setattr(flashing, "write", lambda *_: waited.append(-1.0))
    before = dataclasses.replace(found, hello=found.hello._replace(board=0xFE43))
    with pytest.raises(NotRunning, match="board 0000fe43 was written, board 0000fe42 answers"):
        desk.flash(before=before)
    assert waited[:2] == [flashing.STORE_S, -1.0]


def test_settings_that_are_lost_are_noticed() -> None:
    hello = Hello(1, 2, 1, 0xFE42, 1, 0, 16, 50, 0, 0, 0, 0, 64)
    before = Found(hello)
    assert is_kept(before, Found(hello._replace(build=3, boot=2)))
    assert is_kept(before, Found(hello._replace(board=0))) is False


# ---- what goes wrong on the way ----


def test_the_loader_talks_at_another_speed(plug_in: PlugIn, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(avrdude, "QUIET_S", 3.0)
    board = plug_in("nano-old")
    with pytest.raises(NoAnswer, match=r"no loader answers at 115200 baud.*--board nano-old"):
        Desk(board, "nano").flash()
    with pytest.raises(NoAnswer, match="choose another --board"):
        Desk(board, "mega").flash()
    assert board.flash() == b"\xff" * board.loader.base


def test_another_chip(plug_in: PlugIn) -> None:
    board = plug_in("nano")
    recipe = dataclasses.replace(RECIPES["nano"], part="m2560")
    with pytest.raises(WrongChip, match="that of a Nano or an Uno; nothing was written"):
        write(find_avrdude(), board.port, recipe, IMAGES / "nano.hex", lambda *_: None)
    assert board.flash() == b"\xff" * board.loader.base


def test_another_program_has_the_port(plug_in: PlugIn) -> None:
    desk = Desk(plug_in("nano"), "nano")
    with (
        Holder(desk.board.port, locks=True),
        pytest.raises(PortBusy, match="another program has this port open"),
    ):
        desk.look()
    with Holder(desk.board.port, locks=False) as holder, pytest.raises(PortBusy) as caught:
        desk.flash()
    assert f"(process {holder.pid}) has this port open" in str(caught.value)
    assert desk.board.flash() == b"\xff" * desk.board.loader.base


class Holder:
    """A program that has a port open, with or without claiming it for itself."""

    def __init__(self, port: str, *, locks: bool) -> None:
        lock = "fcntl.flock(port, fcntl.LOCK_EX);" if locks else ""
        text = f"import fcntl, sys; port = open({port!r}, 'rb', 0); {lock} print('open', flush=True); "
        self._process = subprocess.Popen(
            [sys.executable, "-c", text + "sys.stdin.read()"], stdin=subprocess.PIPE, stdout=subprocess.PIPE
        )
        self.pid = self._process.pid

    def __enter__(self) -> Holder:
        assert self._process.stdout is not None
        assert self._process.stdout.readline() == b"open\n"
        return self

    def __exit__(self, *_: object) -> None:
        self._process.communicate(timeout=10)


@pytest.mark.parametrize(("name", "seed"), [("nano", 1), ("mega", 2)])
def test_unplugged_half_way(plug_in: PlugIn, name: str, seed: int) -> None:
    image = packaged(KINDS[name])
    desk = Desk(plug_in(name, older(image)), name)
    desk.board.unplug_at = random.Random(seed).randrange(2_000, 12_000)
    print(f"seed {seed}: unplugged after {desk.board.unplug_at} bytes")
    with pytest.raises(LineLost, match=r"unplugged at .* of writing; plug it in, then flash it again"):
        desk.flash()
    assert not desk.holds(image.memory)
    again = Desk(plug_in(name, desk.board.flash(), desk.board.simulator.eeprom), name)
    assert again.flash().hello.build == image.build
    assert again.holds(image.memory)


def flipped(at: int) -> Damage:
    """One bit of the byte number `at` arrives wrong."""

    def damage(data: bytes, before: int) -> bytes:
        place = at - before
        if not 0 <= place < len(data):
            return data
        return data[:place] + bytes([data[place] ^ 0x10]) + data[place + 1 :]

    return damage


def dropped(at: int) -> Damage:
    def damage(data: bytes, before: int) -> bytes:
        place = at - before
        return data if not 0 <= place < len(data) else data[:place] + data[place + 1 :]

    return damage


def silent(at: int) -> Damage:
    """Nothing arrives any more."""
    return lambda data, before: data[: max(at - before, 0)]


HARMS = [(flipped, "to_board"), (flipped, "to_host"), (dropped, "to_board"), (silent, "to_host")]


@pytest.mark.parametrize(("name", "seed", "least"), [("nano", 11, 4), ("mega", 12, 1)])
def test_broken_transfers(
    plug_in: PlugIn, monkeypatch: pytest.MonkeyPatch, name: str, seed: int, least: int
) -> None:
    """Whatever breaks: either an error of one line, or flash is exactly the image (the Mega's loader has
    checksums, and avrdude repeats). In the end the board is written as if nothing had been."""
    monkeypatch.setattr(avrdude, "QUIET_S", 2.0)
    image = packaged(KINDS[name])
    desk = Desk(plug_in(name), name)
    chance = random.Random(seed)
    failures = 0
    for harm, direction in HARMS:
        passed = desk.board.bytes_from_host if direction == "to_board" else desk.board.bytes_to_host
        at = passed + chance.randrange(100, 10_000)  # while it is written, or while it is read back
        print(f"seed {seed}: {harm.__name__} {direction} at {at - passed}")
        setattr(desk.board, direction, harm(at))
        error = None
        try:
            write(find_avrdude(), desk.board.port, RECIPES[name], image.file, lambda *_: None)
        except LineError as raised:
            error = str(raised)
        setattr(desk.board, direction, lambda data, _: data)
        print(error)
        if error is None:
            assert desk.holds(image.memory)
        else:
            assert "\n" not in error
            assert "flash it again" in error
            failures += 1
    assert failures >= least
    desk.flash()
    assert desk.holds(image.memory)


# ---- the tool ----


def test_the_copy_that_platformio_has_installed(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    real = find_avrdude()[0]
    folder = tmp_path / "packages" / "tool-avrdude"
    folder.mkdir(parents=True)
    (folder / "avrdude").symlink_to(real)
    (folder / "avrdude.conf").write_text(Path("/etc/avrdude.conf").read_text())
    monkeypatch.setenv("PATH", str(tmp_path))
    monkeypatch.setenv("PLATFORMIO_CORE_DIR", str(tmp_path))
    tool = find_avrdude()
    assert tool == [str(folder / "avrdude"), "-C", str(folder / "avrdude.conf")]
    parts = subprocess.run([*tool, "-c", "arduino", "-p", "?"], capture_output=True, text=True, check=False)
    assert "m328p" in parts.stderr


@pytest.mark.parametrize(
    ("there", "line"),
    [("apt-get", "sudo apt-get install avrdude"), ("brew", "brew install avrdude"), ("", "tool-avrdude")],
)
def test_no_avrdude(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, there: str, line: str) -> None:
    if there:
        (tmp_path / there).write_text("")
        (tmp_path / there).chmod(0o755)
    monkeypatch.setenv("PATH", str(tmp_path))
    monkeypatch.setenv("PLATFORMIO_CORE_DIR", str(tmp_path))
    with pytest.raises(ReedproofError, match=line) as caught:
        find_avrdude()
    assert caught.value.exit_code == 2


@pytest.mark.parametrize(
    ("said", "expected"),
    [
        ("", ("connecting", 0.0)),
        ("Reading | " + "#" * 50 + " | 100% 0.00s", ("connecting", 0.0)),  # avrdude 6 reads the signature so
        ("Reading | " + "#" * 50 + " |\n\nWriting | ###", ("writing", 0.06)),
        ("Writing | " + "#" * 50 + " | 100% 1.26s", ("writing", 1.0)),
        ("Writing | " + "#" * 50 + " | 100%\n\nReading | ", ("reading back", 0.0)),
    ],
)
def test_progress(said: str, expected: tuple[str, float]) -> None:
    assert avrdude.progress_in(said) == expected


def test_a_tool_that_gets_nowhere_is_ended(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(avrdude, "QUIET_S", 0.3)
    pid_file = tmp_path / "pid"
    script = tmp_path / "avrdude"
    script.write_text(f"#!/bin/sh\necho $$ > {pid_file}\nexec sleep 60\n")
    script.chmod(0o755)
    with pytest.raises(NoAnswer):
        write([str(script)], os.devnull, RECIPES["nano"], IMAGES / "nano.hex", lambda *_: None)
    with pytest.raises(ProcessLookupError):
        os.kill(int(pid_file.read_text()), 0)


@pytest.mark.parametrize(
    ("said", "kind", "text"),
    [
        ("avrdude OS error: cannot open port x: Permission denied", LineError, "group that owns it"),
        ("avrdude: ser_open(): can't open device: Device or resource busy", PortBusy, "another program"),
        ("avrdude: Device signature = 0x1e9801\navrdude: Expected signature for ATmega328P is 1E 95 0F",
         WrongChip, "that of a Mega"),
        ("Device signature = 1E 98 01 (ATmega2560)\nError: expected signature for ATmega328P is 1E 95 0F",
         WrongChip, "that of a Mega"),
        ("avrdude: Device signature = 0x1e9406\nExpected signature for ATmega328P", WrongChip, "(1e9406)"),
        ("Writing | ##| \navrdude: verification error, first mismatch at byte 0", LineError, "read back"),
        ('avrdude OS error: ioctl("TIOCMGET"): no\navrdude error: something new\nmore', LineError,
         "avrdude says: avrdude error: something new"),
    ],
)  # fmt: skip
def test_what_avrdude_says(said: str, kind: type[ReedproofError], text: str) -> None:
    """Texts of avrdude 7.1 as seen here, of 6.3 and 8.0 from memory."""
    error = avrdude._failure(os.devnull, RECIPES["nano"], said, ended=False)
    assert type(error) is kind
    assert text in str(error)
    assert "\n" not in str(error)


def test_an_image_that_would_overwrite_the_loader(tmp_path: Path) -> None:
    file = tmp_path / "big.hex"
    file.write_text(":017800000087\n:00000001FF\n")
    with pytest.raises(ReedproofError, match="room for 30720"):
        flash(lambda: SerialTransport("x"), "x", "nano", own(file, BoardKind.NANO), None, lambda *_: None)
