"""`reedproof flash`: our firmware onto a board, and proof that it runs there."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from enum import Enum
from pathlib import Path
from typing import Annotated, Any

import typer
from rich.console import Console
from rich.progress import BarColumn, Progress, TaskID, TaskProgressColumn, TextColumn

from reedproof import flash as flashing
from reedproof.avrdude import Tell, find_avrdude
from reedproof.cli.common import JsonOption, board_name, console, open_transport, print_json
from reedproof.errors import LineError, NoAnswer, ReedproofError
from reedproof.firmware_image import Image, own, packaged
from reedproof.flash import BOARDS_OF, KINDS, Found, image_name, is_kept, look
from reedproof.pico_drive import BOOTSEL, NO_DRIVE, Drive, drive_at, find_drives
from reedproof.ports import is_there, pico_ports, serial_ports
from reedproof.records import BoardKind, Hello
from reedproof.transport import Transport

KEPT = {
    None: "",
    True: "; board id and settings are kept",
    False: "; BOARD ID OR SETTINGS ARE NOT WHAT THEY WERE",
}
BoardChoice = Enum("BoardChoice", {name: name for name in KINDS}, type=str)  # type: ignore[misc]


def _choose_port(given: str | None) -> str:
    """The port to use. Raises ReedproofError where it has to be told, LineError where there is none."""
    if given is None:
        ports = serial_ports()
        likely = [port.url for port in ports if port.usb_id] or [port.url for port in ports]
        if len(likely) > 1:
            raise ReedproofError(f"there are several ports: {', '.join(likely)}; say which, for example "
                                 f"'reedproof flash {likely[0]}'")  # fmt: skip
        if not likely:
            raise LineError(
                "no serial port found; plug the board in, with a cable that carries data (many only charge)"
            )
        return likely[0]
    if "://" in given or given.startswith("virtual:"):
        raise ReedproofError(f"{given}: only a board on a serial port of this computer can be written")
    if not is_there(given):
        raise LineError(
            f"{given}: there is no such port; 'reedproof boards' lists those there are; a board that is on "
            "none may hang on a cable without data lines (many only charge)"
        )
    return given


def _is_for_drive(given: str | None, board: str | None) -> bool:
    """Whether a Pico's drive is meant, rather than a serial port."""
    if given is not None:
        return board in (None, "pico") and Path(given).is_dir()
    return board == "pico" or (board is None and not serial_ports() and bool(find_drives()))


def _choose_drive(given: str | None, out: Console) -> Drive:
    """The drive to use. Raises ReedproofError where it has to be told or is none, LineError where there is
    none; Picos that run our firmware are shown then."""
    if given is not None:
        return drive_at(Path(given))
    drives = find_drives()
    if len(drives) > 1:
        folders = [str(drive.folder) for drive in drives]
        raise ReedproofError(
            f"there are several drives of Picos: {', '.join(folders)}; say which, for example "
            f"'reedproof flash {folders[0]}'"
        )
    if not drives:
        for port in pico_ports():
            found = look(lambda port=port: open_transport(port))  # type: ignore[misc]
            out.print(_described(found, port), soft_wrap=not out.is_terminal)
        raise LineError(NO_DRIVE)
    return drives[0]


def _choose_boards(port: str, given: str | None, found: Found | None) -> tuple[str, ...]:
    """What to write it as, in the order to try. Raises ReedproofError where that cannot be known, or is not
    done over a port."""
    if given == "pico" or (given is None and found is not None and found.kind == BoardKind.PICO):
        raise ReedproofError(
            f"{port}: a Pico is not written over its port but over its loader's drive; unplug it, {BOOTSEL}, "
            "then 'reedproof flash --board pico'"
        )
    if given is not None:
        return (given,)
    if found is not None and found.kind in BOARDS_OF:
        return BOARDS_OF[found.kind]
    raise ReedproofError(
        f"{port}: what answers there does not tell what kind of board it is; say so with --board "
        f"{', '.join(KINDS)}"
    )


def _described(found: Found | None, port: str) -> str:
    if found is None:
        return f"on {port} now: no firmware of ours answers"
    hello = found.hello
    return (
        f"on {port} now: {found.kind_name} board {board_name(hello.board)}, firmware {hello.build:08x}, "
        f"protocol {hello.protocol}"
    )


def _as_dict(found: Found | None) -> dict[str, Any] | None:
    if found is None:
        return None
    hello = found.hello
    return {
        "kind": found.kind_name,
        "board": hello.board, "build": hello.build, "protocol": hello.protocol, "boot": hello.boot,
        "settings_defaulted": hello.settings_defaulted if isinstance(hello, Hello) else None,
    }  # fmt: skip


def _agrees(out: Console) -> None:
    """Raises ReedproofError unless somebody says yes."""
    if not sys.stdin.isatty():
        raise ReedproofError("nothing was written: nobody is there to be asked; --yes writes without asking")
    out.print("write it, and leave the board plugged in meanwhile? [y/N]", end=" ", markup=False)
    if sys.stdin.readline().strip().lower() not in ("y", "yes"):
        raise ReedproofError("nothing was written")


@contextmanager
def _bars(out: Console) -> Iterator[Tell]:
    """A bar for each thing that is done; without a terminal only their ends are printed."""
    columns = (TextColumn("{task.description:12}"), BarColumn(), TaskProgressColumn())
    with Progress(*columns, console=out) as bars:
        tasks: dict[str, TaskID] = {}

        def tell(doing: str, part: float) -> None:
            if doing not in tasks:
                tasks[doing] = bars.add_task(doing, total=1.0)
            bars.update(tasks[doing], completed=part)

        yield tell


def _write(
    connect: Callable[[], Transport], port: str, boards: tuple[str, ...], image: Image, before: Found | None,
    out: Console,
) -> tuple[str, Found]:  # fmt: skip
    """Which of the boards it was, and what answers now. Raises as `flashing.flash` does for the last."""
    for board in boards[:-1]:
        try:
            with _bars(out) as tell:
                return board, flashing.flash(connect, port, board, image, before, tell)
        except NoAnswer as error:
            out.print(f"{error}: trying that", markup=False, soft_wrap=not out.is_terminal)
    with _bars(out) as tell:
        return boards[-1], flashing.flash(connect, port, boards[-1], image, before, tell)


def _image(file: Path | None, kind: BoardKind, out: Console) -> Image:
    """What is to be written; says so."""
    chosen = own(file, kind) if file else packaged(kind)
    out.print(
        f"to be written: {kind.name.lower()} image, {image_name(chosen)}, {len(chosen.memory)} bytes",
        markup=False,
        soft_wrap=not out.is_terminal,
    )
    return chosen


def _flash_drive(drive: Drive, file: Path | None, *, yes: bool, json: bool, out: Console) -> None:
    out.print(
        f"on {drive.folder} now: a Pico's loader, {drive.about}", markup=False, soft_wrap=not out.is_terminal
    )
    chosen = _image(file, BoardKind.PICO, out)
    if not yes:
        _agrees(out)
    with _stopped_half_way(out), _bars(out) as tell:
        port, after = flashing.flash_drive(open_transport, drive, chosen, tell)
    if json:
        print_json(_document(port, "pico", chosen, None, after))
        return
    out.print(
        f"firmware {after.hello.build:08x} runs on it: board {board_name(after.hello.board)} on {port}",
        markup=False,
    )
    out.print(f"next: reedproof prove {port}", markup=False)


@contextmanager
def _stopped_half_way(out: Console) -> Iterator[None]:
    try:
        yield
    except KeyboardInterrupt:
        out.print("stopped half way: the firmware may not be whole; flash it again", markup=False)
        raise


def _document(port: str, board: str, image: Image, before: Found | None, after: Found) -> dict[str, Any]:
    return {
        "port": port, "board": board, "image": str(image.file), "build": after.hello.build,
        "before": _as_dict(before), "now": _as_dict(after), "kept": is_kept(before, after),
    }  # fmt: skip


def flash(
    port: Annotated[
        str | None,
        typer.Argument(
            help="Serial port of the board, or folder of a Pico's drive; without it, the only one there is."
        ),
    ] = None,
    board: Annotated[
        BoardChoice | None,
        typer.Option(
            help="Kind of board; only needed where nothing of ours answers yet. 'nano-old': a Nano "
            "whose loader talks at 57600 baud, as on many older and cheap ones. "
            "'pico': through its drive, see above."
        ),
    ] = None,
    image: Annotated[
        Path | None,
        typer.Option(
            help="Write this image (.hex; of a Pico .uf2) instead of the one that comes with reedproof."
        ),
    ] = None,
    yes: Annotated[bool, typer.Option("--yes", "-y", help="Write without asking.")] = False,
    json: JsonOption = False,
) -> None:
    """Write the firmware onto a board, and make sure that it runs there.

    Shows what is on the board, asks, writes with avrdude, reads back, and waits until the board answers
    with the firmware written. Board id and settings are kept. A write that breaks off does no harm:
    flash again. What the board recorded and nobody has fetched is lost.

    A Pico is written by copying the image to its loader's drive, RPI-RP2: hold its BOOTSEL button down while
    you plug it in.

    Leave the board plugged in meanwhile, and power off what else feeds it: it restarts several times.

    Example: reedproof flash /dev/ttyUSB0 --board nano-old
    """
    out = console(stderr=json)
    if _is_for_drive(port, board.value if board else None):
        _flash_drive(_choose_drive(port, out), image, yes=yes, json=json, out=out)
        return
    port = _choose_port(port)

    def connect() -> Transport:
        return open_transport(port)

    before = look(connect)
    out.print(_described(before, port), markup=False, soft_wrap=not out.is_terminal)
    boards = _choose_boards(port, board.value if board else None, before)
    find_avrdude()  # told before anybody is asked
    chosen = _image(image, KINDS[boards[0]], out)
    if not yes:
        _agrees(out)
    with _stopped_half_way(out):
        written_as, after = _write(connect, port, boards, chosen, before, out)
    if json:
        print_json(_document(port, written_as, chosen, before, after))
        return
    out.print(f"firmware {after.hello.build:08x} runs on it", end="")
    out.print(KEPT[is_kept(before, after)])
    out.print(f"next: reedproof prove {port}", markup=False)
