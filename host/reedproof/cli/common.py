"""What the commands share: the console, options, opening a port, and JSON."""

from __future__ import annotations

import json
import sys
from pathlib import Path
from typing import Annotated, Any

import typer
from rich.box import SIMPLE_HEAD
from rich.console import Console
from rich.table import Table

from reedproof.errors import ReedproofError
from reedproof.link import Link
from reedproof.transport import SerialTransport, Transport

PLAIN_WIDTH = 100  # columns where there is no terminal

JsonOption = Annotated[bool, typer.Option("--json", help="Print one JSON document instead of text.")]
StoreOption = Annotated[
    Path | None,
    typer.Option(
        "--store",
        help="File that keeps the data. [default: $REEDPROOF_STORE, or reedproof/store.sqlite in your "
        "data folder]",
        show_default=False,
    ),
]
PortArgument = Annotated[
    str, typer.Argument(help="Serial port or URL; 'virtual:' and 'virtual:faulty' need no hardware.")
]


def console(*, stderr: bool = False) -> Console:
    """Colour and live parts only on a terminal; NO_COLOR is obeyed."""
    stream = sys.stderr if stderr else sys.stdout
    return Console(
        stderr=stderr, width=None if stream.isatty() else PLAIN_WIDTH, highlight=False, soft_wrap=False
    )


def table(*columns: str, title: str | None = None) -> Table:
    """The look of every table; a column whose name starts with '>' is aligned to the right."""
    made = Table(box=SIMPLE_HEAD, title=title, title_justify="left", pad_edge=False)
    for name in columns:
        made.add_column(name.removeprefix(">"), justify="right" if name.startswith(">") else "left")
    return made


def print_json(document: Any) -> None:
    json.dump(document, sys.stdout, indent=2)
    sys.stdout.write("\n")
    sys.stdout.flush()


def open_transport(port: str, *, real_time: bool = False) -> Transport:
    """The line behind a port name; raises LineError."""
    if port.startswith("virtual:"):
        from reedproof.sim.board import open_virtual

        return open_virtual(port, speed=1.0 if real_time else 0.0)
    return SerialTransport(port)


def open_link(port: str, *, real_time: bool = False) -> Link:
    return Link(lambda: open_transport(port, real_time=real_time))


def parse_inputs(text: str | None) -> list[int] | None:
    """'1-4,7' -> [1, 2, 3, 4, 7]; None stays None. Raises ReedproofError."""
    if text is None:
        return None
    chosen: list[int] = []
    try:
        for part in text.split(","):
            first, _, last = part.partition("-")
            chosen += range(int(first), int(last or first) + 1)
    except ValueError:
        chosen = []
    if not chosen:
        raise ReedproofError(f"--inputs {text}: expected numbers and ranges such as 1-4,7")
    return chosen


def board_name(board: int) -> str:
    """A board's id as it is shown everywhere."""
    return f"{board:08x}" if board else "unnamed"
