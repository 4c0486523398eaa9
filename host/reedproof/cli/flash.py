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
from reedproof.flash import BOARDS_OF, KINDS, RECIPES, Found, image_name, is_kept, look
from reedproof.ports import is_there, serial_ports
from reedproof.records import Hello
from reedproof.transport import Transport

KEPT = {
    None: "",
    True: "; board id and settings are kept",
    False: "; BOARD ID OR SETTINGS ARE NOT WHAT THEY WERE",
}
BoardChoice = Enum("BoardChoice", {name: name for name in RECIPES}, type=str)  # type: ignore[misc]


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


def _choose_boards(port: str, given: str | None, found: Found | None) -> tuple[str, ...]:
    """What to write it as, in the order to try."""
    if given is not None:
        return (given,)
    if found is not None and found.kind in BOARDS_OF:
        return BOARDS_OF[found.kind]
    raise ReedproofError(
        f"{port}: what answers there does not tell what kind of board it is; say so with --board "
        f"{', '.join(RECIPES)}"
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


def flash(
    port: Annotated[
        str | None, typer.Argument(help="Serial port of the board; without it, the only one there is.")
    ] = None,
    board: Annotated[
        BoardChoice | None,
        typer.Option(
            help="Kind of board; only needed where nothing of ours answers yet. 'nano-old': a Nano "
            "whose loader talks at 57600 baud, as on many older and cheap ones."
        ),
    ] = None,
    image: Annotated[
        Path | None,
        typer.Option(help="Write this image (.hex) instead of the one that comes with reedproof."),
    ] = None,
    yes: Annotated[bool, typer.Option("--yes", "-y", help="Write without asking.")] = False,
    json: JsonOption = False,
) -> None:
    """Write the firmware onto a board, and make sure that it runs there.

    Shows what is on the board, asks, writes with avrdude, reads back, and waits until the board answers
    with the firmware written. Board id and settings are kept. A write that breaks off does no harm:
    flash again. What the board recorded and nobody has fetched is lost.

    Leave the board plugged in meanwhile, and power off what else feeds it: it restarts several times.

    Example: reedproof flash /dev/ttyUSB0 --board nano-old
    """
    out = console(stderr=json)
    port = _choose_port(port)

    def connect() -> Transport:
        return open_transport(port)

    before = look(connect)
    out.print(_described(before, port), markup=False, soft_wrap=not out.is_terminal)
    boards = _choose_boards(port, board.value if board else None, before)
    kind = KINDS[boards[0]]
    chosen = own(image, kind) if image else packaged(kind)
    find_avrdude()  # told before anybody is asked
    out.print(
        f"to be written: {kind.name.lower()} image, {image_name(chosen)}, {len(chosen.memory)} bytes",
        markup=False,
        soft_wrap=not out.is_terminal,
    )
    if not yes:
        _agrees(out)
    try:
        written_as, after = _write(connect, port, boards, chosen, before, out)
    except KeyboardInterrupt:
        out.print("stopped half way: the firmware may not be whole; flash it again", markup=False)
        raise
    kept = is_kept(before, after)
    if json:
        print_json({
            "port": port, "board": written_as, "image": str(chosen.file), "build": after.hello.build,
            "before": _as_dict(before), "now": _as_dict(after), "kept": kept,
        })  # fmt: skip
        return
    out.print(f"firmware {after.hello.build:08x} runs on it", end="")
    out.print(KEPT[kept])
    out.print(f"next: reedproof prove {port}", markup=False)
