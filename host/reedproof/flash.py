"""Puts our firmware on a board and makes sure that it is what runs there."""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import dataclass

from reedproof import uf2
from reedproof.avrdude import Recipe, Tell, find_avrdude, write
from reedproof.errors import LineError, NoAnswer, PortBusy, ReedproofError, WrongVersion
from reedproof.firmware_image import PICO_FLASH_AT, Image
from reedproof.link import Link
from reedproof.pico_drive import BOOTSEL, Drive, copy
from reedproof.ports import holders, pico_ports
from reedproof.records import BoardKind, BoardSettings, Hello, InputSettings, OtherVersion
from reedproof.transport import Transport

BACK_S = 10.0  # until the new firmware must have answered; a loader waits for two seconds first
AGAIN_S = 0.5
#: A board needs half a second to store the settings of a Mega, and avrdude resets it.
STORE_S = 1.0

RECIPES = {
    "nano": Recipe("arduino", "m328p", 115_200, 0x7800, "an older Nano needs '--board nano-old'"),
    "nano-old": Recipe("arduino", "m328p", 57_600, 0x7800, "a newer Nano needs '--board nano'"),
    "uno": Recipe(
        "arduino", "m328p", 115_200, 0x7800, "is it an Uno? a Nano needs '--board nano' or 'nano-old'"
    ),
    "mega": Recipe("wiring", "m2560", 115_200, 0x3E000, "is it a Mega? else choose another --board"),
}
KINDS = {
    "nano": BoardKind.NANO,
    "nano-old": BoardKind.NANO,
    "uno": BoardKind.UNO,
    "mega": BoardKind.MEGA,
    "pico": BoardKind.PICO,
}
#: What a board that names its kind may need over its port, in the order in which it is tried.
BOARDS_OF = {BoardKind.NANO: ("nano", "nano-old"), BoardKind.UNO: ("uno",), BoardKind.MEGA: ("mega",)}

Settings = tuple[BoardSettings, dict[int, InputSettings]]


class NotRunning(ReedproofError):
    """Written without an error, but it is not what answers."""

    exit_code = 1


@dataclass(frozen=True)
class Found:
    """What answers on a port; ``settings`` None where they could not be asked for."""

    hello: Hello | OtherVersion
    settings: Settings | None = None

    @property
    def kind(self) -> BoardKind | None:
        return BoardKind(self.hello.kind) if self.hello.kind in list(BoardKind) else None

    @property
    def kind_name(self) -> str:
        return self.kind.name.lower() if self.kind is not None else f"kind {self.hello.kind}"


def look(connect: Callable[[], Transport]) -> Found | None:
    """What is on a board now; None where no firmware of ours answers. Raises LineError for the port."""
    try:
        with Link(connect) as link:
            try:
                return Found(link.hello, link.settings())
            except NoAnswer:
                return Found(link.hello)
    except NoAnswer:
        return None
    except WrongVersion as error:
        return Found(error.said)


def flash(
    connect: Callable[[], Transport], port: str, board: str, image: Image, before: Found | None, tell: Tell
) -> Found:
    """Writes ``image`` as ``board`` needs it and returns what answers then.

    Raises LineError and WrongChip like ``avrdude.write``, NotRunning when something else than the image
    answers afterwards, or another board, or nothing.
    """
    recipe = RECIPES[board]
    if len(image.memory) > recipe.room:
        raise ReedproofError(
            f"{image.file}: {len(image.memory)} bytes; a {board} board has room for {recipe.room} below its "
            "loader"
        )
    tool = find_avrdude()
    if others := holders(port):
        raise PortBusy(f"{port}: {', '.join(others)} has this port open; close it and try again")
    if before is not None:
        time.sleep(STORE_S)
    write(tool, port, recipe, image.file, tell)
    tell("starting", 0.0)
    after = _wait_for(
        lambda: look(connect),
        NotRunning(
            f"{port}: written, but nothing answers; is this the image of this kind of board? flash it again"
        ),
    )
    if not image.is_of(after.hello):
        raise NotRunning(
            f"{port}: written, but {after.kind_name} firmware {after.hello.build:08x} answers, not "
            f"{image_name(image)}; is this the image of this kind of board? flash it again with the right one"
        )
    if before is not None and before.hello.board and after.hello.board not in (0, before.hello.board):
        raise NotRunning(
            f"{port}: board {before.hello.board:08x} was written, board {after.hello.board:08x} answers; "
            "unplug the other one, and look again with 'reedproof boards'"
        )
    tell("starting", 1.0)
    return after


def flash_drive(
    connect: Callable[[str], Transport], drive: Drive, image: Image, tell: Tell
) -> tuple[str, Found]:
    """Copies ``image`` onto a Pico's drive and returns the port that comes up, and what answers there.

    Raises LineError like ``pico_drive.copy`` and when no port comes up, NotRunning when something else
    than the image answers there, or nothing.
    """
    others = set(pico_ports())
    copy(uf2.encode(image.memory, PICO_FLASH_AT), image.file.name, drive, tell)
    tell("starting", 0.0)
    port = ""

    def look_at_what_came() -> Found | None:
        nonlocal port
        came = [each for each in pico_ports() if each not in others]
        if not came:
            raise LineError(_why_no_port(drive))
        port = came[0]
        return look(lambda: connect(port))

    after = _wait_for(
        look_at_what_came,
        NotRunning(f"{drive.folder}: written, and a port came up, but nothing answers there; {BOOTSEL}, then "
                   "flash it again"),
    )  # fmt: skip
    if not image.is_of(after.hello):
        raise NotRunning(
            f"{port}: {image.file.name} was copied, but {after.kind_name} firmware {after.hello.build:08x} "
            f"answers, not {image_name(image)}; {BOOTSEL}, then flash it again"
        )
    tell("starting", 1.0)
    return port, after


def _why_no_port(drive: Drive) -> str:
    if drive.is_there():
        return (
            f"{drive.folder}: copied, but the loader did not start it: its drive is still there; unplug the "
            f"board, {BOOTSEL}, without a hub, then flash it again"
        )
    return (
        f"{drive.folder}: copied, but no port of our firmware came up; unplug the board, plug it in again "
        "without its button, and look with 'reedproof boards'; if it is not there, flash it again"
    )


def is_kept(before: Found | None, after: Found) -> bool | None:
    """Whether board id and settings came through; None where nothing is known of them."""
    if before is None:
        return None
    if before.settings is None or after.settings is None:
        return before.hello.board == after.hello.board
    return (before.hello.board, before.settings) == (after.hello.board, after.settings)


def image_name(image: Image) -> str:
    return f"firmware {image.build:08x}" if image.build is not None else str(image.file)


def _wait_for(look_again: Callable[[], Found | None], silent: NotRunning) -> Found:
    """The firmware that comes up. Raises ``silent`` when none does, LineError when the port is gone."""
    end_s = time.monotonic() + BACK_S
    while True:
        problem: ReedproofError = silent
        try:
            found = look_again()
        except LineError as error:
            found, problem = None, error
        if found is not None:
            return found
        if time.monotonic() > end_s:
            raise problem
        time.sleep(AGAIN_S)
