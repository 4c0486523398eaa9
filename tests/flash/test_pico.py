"""`reedproof flash --board pico`: a folder stands in for the loader's drive. Once a whole file is there, the
folder goes away, and a virtual board comes up behind a pty, which says of itself what it is told to.

The real loader is in the chip's ROM, which the emulator does not run; `tests/rp2040/test_flash.py` runs what
was copied.
"""

from __future__ import annotations

import errno
import json
import os
import re
import struct
import threading
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from cli.command import PluggedBoard, Ran, run, serial_line
from reedproof import flash as flashing
from reedproof import pico_drive, uf2
from reedproof.cli import flash as command
from reedproof.errors import ReedproofError
from reedproof.firmware_image import PICO_FLASH_AT, PICO_ROOM, packaged
from reedproof.pico_drive import Drive, find_drives
from reedproof.ports import PICO_USB_ID, Port
from reedproof.records import BoardKind
from reedproof.sim.board import VirtualBoard, named
from reedproof.sim.core import Device

ROOT = Path(__file__).resolve().parents[2]
PICO = packaged(BoardKind.PICO)
BOARD = 0xFE42
# RP2040 datasheet, "USB Mass Storage Interface", and what a Pico shows (from memory).
ABOUT = "UF2 Bootloader v3.0\r\nModel: Raspberry Pi RP2\r\nBoard-ID: RPI-RP2\r\n"
# That of the next chip, which starts with the same letters (from memory).
ABOUT_RP2350 = "UF2 Bootloader v1.0\r\nModel: Raspberry Pi RP2350\r\nBoard-ID: RP2350\r\n"


class VirtualPico(VirtualBoard):
    def __init__(self, build: int, kind: int = BoardKind.PICO) -> None:
        self.says = (build, kind)
        super().__init__(speed=1.0, inputs=26, memory=named(BOARD))

    def _power_up(self, reset_cause: int) -> Device:
        build, kind = self.says
        return Device(inputs=26, build=build, kind=kind, memory=self._memory, reset_cause=reset_cause)


class Loader:
    """The loader of a Pico at a folder, and the desk's serial ports.

    Once the whole of a file is there, the drive goes away, and ``starts`` gives what comes up instead.
    """

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        folder.mkdir(parents=True)
        (folder / pico_drive.ABOUT).write_bytes(ABOUT.encode())
        self.ports: list[Port] = []
        self.starts: Callable[[], VirtualBoard | None] = lambda: VirtualPico(PICO.build or 0)
        self.restarts = True
        self.got = b""
        self.plugged: PluggedBoard | None = None
        self._stopped = threading.Event()
        self._thread = threading.Thread(target=self._work)
        self._thread.start()

    def _work(self) -> None:
        while not self._stopped.wait(0.01):
            for file in self.folder.glob("*.[uU][fF]2"):
                if self.restarts and self._is_whole(file.read_bytes()):
                    self.restart()
                    return

    @staticmethod
    def _is_whole(data: bytes) -> bool:
        """As many blocks as the first one announces."""
        return len(data) >= 512 and len(data) == 512 * struct.unpack_from("<I", data, 24)[0]

    def restart(self) -> None:
        self.got = b"".join(file.read_bytes() for file in self.folder.glob("*.[uU][fF]2"))
        self.vanish()
        board = self.starts()
        if board is not None:
            self.plugged = PluggedBoard(board)
            self.ports = [*self.ports, Port(self.plugged.port, "", PICO_USB_ID, None)]

    def vanish(self) -> None:
        for file in self.folder.iterdir():
            file.unlink()
        self.folder.rmdir()

    def stop(self) -> None:
        self._stopped.set()
        self._thread.join()
        if self.plugged is not None:
            self.plugged.unplug()


@pytest.fixture
def loader(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Loader]:
    made = Loader(tmp_path / "media" / "RPI-RP2")
    monkeypatch.setattr("reedproof.ports.serial_ports", lambda: made.ports)
    monkeypatch.setattr(command, "serial_ports", lambda: made.ports)
    monkeypatch.setattr(command, "find_drives", lambda: find_in(tmp_path / "media"))
    monkeypatch.setattr(flashing, "AGAIN_S", 0.05)
    yield made
    made.stop()


def find_in(parent: Path) -> list[Drive]:
    """Drives, if only ``parent`` had any."""
    there = {Path("/media"): sorted(parent.glob("*"))}
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(pico_drive, "_folders_in", lambda asked: there.get(asked, []))
        return find_drives()


def flash(*arguments: str) -> Ran:
    return run("flash", *arguments, "--yes")


def test_the_image_is_copied_and_answers(loader: Loader) -> None:
    """Success is the board's own hello."""
    ran = flash("--board", "pico")
    assert ran.code == 0, ran.err
    assert loader.got == PICO.file.read_bytes()
    assert loader.plugged is not None
    assert f"on {loader.folder} now: a Pico's loader, UF2 Bootloader v3.0\n" in ran.out
    assert f"to be written: pico image, firmware {PICO.build:08x}, {len(PICO.memory)} bytes" in ran.out
    assert f"firmware {PICO.build:08x} runs on it: board 0000fe42 on {loader.plugged.port}" in ran.out
    assert f"next: reedproof prove {loader.plugged.port}" in ran.out


@pytest.mark.parametrize("how", ["nothing", "folder", "folder and board"])
def test_the_drive_tells_what_it_is(loader: Loader, how: str) -> None:
    """As a document."""
    arguments = {"nothing": [], "folder": [str(loader.folder)]}
    ran = flash(*arguments.get(how, [str(loader.folder), "--board", "pico"]), "--json")
    assert ran.code == 0, ran.err
    said = json.loads(ran.out)
    assert loader.plugged is not None
    assert (said["port"], said["board"], said["build"]) == (loader.plugged.port, "pico", PICO.build)
    assert (said["before"], said["kept"]) == (None, None)
    assert (said["now"]["board"], said["now"]["kind"]) == (BOARD, "pico")


def test_another_pico_on_the_desk_is_left_alone(loader: Loader) -> None:
    """It would answer with the right build."""
    loader.starts = lambda: VirtualPico(0x0BADF00D)
    with PluggedBoard(VirtualPico(PICO.build or 0)) as other:
        loader.ports = [Port(other.port, "", PICO_USB_ID, None)]
        ran = flash("--board", "pico")
    assert ran.code == 1
    assert "pico firmware 0badf00d answers" in ran.err


@pytest.mark.parametrize(
    ("build", "kind", "says"),
    [
        (0x0BADF00D, BoardKind.PICO, "pico firmware 0badf00d answers"),
        (PICO.build, BoardKind.NANO, f"nano firmware {PICO.build:08x} answers"),
    ],
)
def test_something_else_answers(loader: Loader, build: int, kind: int, says: str) -> None:
    loader.starts = lambda: VirtualPico(build, kind)
    ran = flash("--board", "pico")
    assert ran.code == 1
    assert says in last(ran)
    assert "hold its BOOTSEL button down" in last(ran)


def last(ran: Ran) -> str:
    """The one line of the error."""
    lines = [line for line in ran.err.splitlines() if line.startswith("reedproof: ")]
    assert len(lines) == 1, ran.err
    return lines[0]


def test_no_port_comes_up(loader: Loader, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(flashing, "BACK_S", 0.5)
    loader.starts = lambda: None
    ran = flash("--board", "pico")
    assert ran.code == 3
    assert loader.got == PICO.file.read_bytes()
    assert "no port of our firmware came up" in last(ran)
    assert "plug it in again without its button" in last(ran)


def test_the_drive_stays(loader: Loader, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(flashing, "BACK_S", 0.5)
    loader.restarts = False
    ran = flash("--board", "pico")
    assert ran.code == 3
    assert "its drive is still there" in last(ran)


def test_a_port_comes_up_and_is_silent(loader: Loader, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(flashing, "BACK_S", 0.5)
    monkeypatch.setattr("reedproof.link.HELLO_WAIT_S", 0.5)
    with serial_line() as silent:

        def starts() -> None:
            loader.ports = [Port(silent, "", PICO_USB_ID, None)]

        loader.starts = starts
        ran = flash("--board", "pico")
    assert ran.code == 1
    assert "nothing answers there" in last(ran)


class BreaksOff:
    """A file on the drive that takes this many bytes, then does ``then`` and fails with ``number``."""

    def __init__(
        self, monkeypatch: pytest.MonkeyPatch, room: int, number: int, then: Callable[[], None]
    ) -> None:
        opens = Path.open

        def open_(path: Path, mode: str = "r", **options: Any) -> Any:
            file = opens(path, mode, **options)
            return self.Full(file, room, number, then) if mode == "wb" else file

        monkeypatch.setattr(Path, "open", open_)

    class Full:
        def __init__(self, file: Any, room: int, number: int, then: Callable[[], None]) -> None:
            self.file, self.room, self.number, self.then = file, room, number, then

        def write(self, data: bytes) -> int:
            if len(data) > self.room:
                self.file.write(data[: self.room])
                self.then()
                raise OSError(self.number, os.strerror(self.number))
            self.room -= len(data)
            return int(self.file.write(data))

        def fileno(self) -> int:
            return int(self.file.fileno())

        def __enter__(self) -> Any:
            return self

        def __exit__(self, *_: object) -> None:
            self.file.close()


SIZE = PICO.file.stat().st_size


@pytest.mark.parametrize(
    ("room", "number", "says"),
    [
        (8192, errno.ENOSPC, "the drive is full"),
        (SIZE - 1, errno.ENOSPC, "the drive is full"),
        (0, errno.EROFS, "may not be written (Read-only file system)"),
        (0, errno.EACCES, "may not be written (Permission denied)"),
        (8192, errno.EIO, f"the drive was gone at {8192 / SIZE:.0%} of writing"),
        (0, errno.ENOENT, "the drive was gone at 0% of writing"),
    ],
)
def test_copying_breaks_off(
    loader: Loader, monkeypatch: pytest.MonkeyPatch, room: int, number: int, says: str
) -> None:
    BreaksOff(monkeypatch, room, number, lambda: None)
    ran = flash("--board", "pico")
    assert ran.code == 3
    assert says in last(ran)
    assert "flash it again" in last(ran)
    assert loader.plugged is None


def test_the_drive_vanishes_with_the_last_bytes(loader: Loader, monkeypatch: pytest.MonkeyPatch) -> None:
    """The loader has restarted the board before the computer heard that all is written."""
    loader.restarts = False
    BreaksOff(monkeypatch, SIZE - 1, errno.EIO, loader.restart)
    ran = flash("--board", "pico")
    assert ran.code == 0, ran.err


def test_the_drive_vanishes_before_it_is_synchronised(
    loader: Loader, monkeypatch: pytest.MonkeyPatch
) -> None:
    loader.restarts = False

    def fsync(_: int) -> None:
        loader.restart()
        raise OSError(errno.EIO, "Input/output error")

    monkeypatch.setattr("os.fsync", fsync)
    ran = flash("--board", "pico")
    assert ran.code == 0, ran.err
    assert loader.got == PICO.file.read_bytes()


def test_nobody_is_there_to_be_asked(loader: Loader) -> None:
    ran = run("flash", "--board", "pico")
    assert ran.code == 2
    assert "nothing was written" in ran.complaint()
    assert list(loader.folder.iterdir()) == [loader.folder / "INFO_UF2.TXT"]


def test_no_drive(loader: Loader) -> None:
    """And a Pico that runs our firmware is shown."""
    loader.vanish()
    assert loader.folder.parent.is_dir()
    ran = flash("--board", "pico")
    assert ran.code == 3
    for part in ("hold its BOOTSEL button down while you plug it in", "no data lines", "not mounted"):
        assert part in ran.complaint()
    with PluggedBoard(VirtualPico(0x0BADF00D)) as running:
        loader.ports = [Port(running.port, "", PICO_USB_ID, None)]
        ran = flash("--board", "pico")
    assert ran.code == 3
    assert f"on {running.port} now: pico board 0000fe42, firmware 0badf00d" in ran.out


def test_several_drives(loader: Loader) -> None:
    second = loader.folder.with_name("RPI-RP21")
    second.mkdir()
    (second / "INFO_UF2.TXT").write_text(ABOUT)
    ran = flash("--board", "pico")
    assert ran.code == 2
    assert f"{loader.folder}, {second}; say which" in ran.complaint()
    assert f"'reedproof flash {loader.folder}'" in ran.complaint()


def test_one_drive_in_two_places(loader: Loader) -> None:
    loader.folder.with_name("linked").symlink_to(loader.folder)
    assert len(find_in(loader.folder.parent)) == 1


@pytest.mark.parametrize("board", [(), ("--board", "pico")])
def test_a_pico_given_as_a_port(board: tuple[str, ...]) -> None:
    with PluggedBoard(VirtualPico(0x0BADF00D)) as running:
        ran = flash(running.port, *board)
    assert ran.code == 2
    assert f"on {running.port} now: pico board 0000fe42, firmware 0badf00d" in ran.out
    assert "hold its BOOTSEL button down" in ran.complaint()
    assert "'reedproof flash --board pico'" in ran.complaint()


@pytest.mark.parametrize(
    ("about", "says"), [(None, "no INFO_UF2.TXT can be read there"), (ABOUT_RP2350, "another board's loader")]
)
def test_a_folder_that_is_no_drive_of_a_pico(tmp_path: Path, about: str | None, says: str) -> None:
    if about is not None:
        (tmp_path / "INFO_UF2.TXT").write_text(about)
    ran = flash(str(tmp_path))
    assert ran.code == 2
    assert says in ran.complaint()
    assert find_in(tmp_path.parent) == []


def other_family() -> bytes:
    return uf2.encode(PICO.memory, PICO_FLASH_AT, 0xE48BFF59)


@pytest.mark.parametrize(
    ("image", "says"),
    [
        (other_family(), "block 0 is for another chip (family 0xe48bff59)"),
        (PICO.file.read_bytes()[:-512], "not an image of a Pico"),
        (packaged(BoardKind.NANO).file.read_bytes(), "not an image of a Pico"),
        (uf2.encode(PICO.memory, 0x20000000), "goes to 0x20000000"),
        (uf2.encode(bytes(PICO_ROOM + 1), PICO_FLASH_AT), "below its settings and board id"),
    ],
    ids=["family", "cut", "hex", "ram", "settings"],
)
def test_a_wrong_image_is_not_copied(loader: Loader, tmp_path: Path, image: bytes, says: str) -> None:
    file = tmp_path / "own.uf2"
    file.write_bytes(image)
    ran = flash("--board", "pico", "--image", str(file))
    assert ran.code == 2
    assert says in ran.complaint()
    assert list(loader.folder.iterdir()) == [loader.folder / "INFO_UF2.TXT"]


def test_own_image(loader: Loader, tmp_path: Path) -> None:
    """Known by what it contains: nobody wrote down its build."""
    memory = PICO.memory.replace(struct.pack("<IB", PICO.build, 4), struct.pack("<IB", 0x0BADF00D, 4))
    assert memory != PICO.memory
    file = tmp_path / "own.uf2"
    file.write_bytes(uf2.encode(memory, PICO_FLASH_AT))
    loader.starts = lambda: VirtualPico(0x0BADF00D)
    ran = flash("--board", "pico", "--image", str(file))
    assert ran.code == 0, ran.err
    assert "firmware 0badf00d runs on it" in ran.out


def test_no_block_of_the_image_reaches_what_the_board_remembers() -> None:
    """Read here block by block, without our reader: address at byte 12, size at byte 16 (UF2 specification,
    "File format"; from memory)."""
    data = PICO.file.read_bytes()
    header = (ROOT / "firmware/boards/rp2040/nv.h").read_text()
    (nv_at,) = re.findall(r"#define NV_FLASH_AT (0x[0-9A-F]+)u", header)
    ranges = [struct.unpack_from("<II", data, at + 12) for at in range(0, len(data), 512)]
    assert min(start for start, _ in ranges) == PICO_FLASH_AT
    assert max(start + size for start, size in ranges) <= PICO_FLASH_AT + int(nv_at, 16)
    assert int(nv_at, 16) == PICO_ROOM


def test_usb_id_is_that_of_the_firmware() -> None:
    header = (ROOT / "firmware/boards/rp2040/usb_descriptors.h").read_text()
    vendor, product = re.findall(r"U16\(0x([0-9a-f]{4})\), U16\(0x([0-9a-f]{4})\), U16\(0x0100\)", header)[0]
    assert f"{vendor}:{product}" == PICO_USB_ID


@pytest.mark.parametrize(
    "place",
    [
        "/media/ann/RPI-RP2",
        "/run/media/ann/RPI-RP2",
        "/media/RPI-RP2",
        "/mnt",
        "/mnt/pico",
        "/Volumes/RPI-RP2",
    ],
)
def test_where_drives_are_looked_for(monkeypatch: pytest.MonkeyPatch, place: str) -> None:
    """Without such folders on this computer: what is in a folder, and what the file says, is put in."""
    monkeypatch.setattr("getpass.getuser", lambda: "ann")
    folder = Path(place)

    def at(asked: Path) -> Drive:
        if asked != folder:
            raise ReedproofError("none")
        return Drive(asked, "")

    monkeypatch.setattr(pico_drive, "_folders_in", lambda parent: [folder] if parent == folder.parent else [])
    monkeypatch.setattr(pico_drive, "drive_at", at)
    assert find_drives() == [Drive(folder, "")]
