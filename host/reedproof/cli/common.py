"""What the commands share: the console, options, opening a port, and JSON."""

from __future__ import annotations

import contextlib
import json
import os
import re
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer
from rich.box import SIMPLE_HEAD
from rich.console import Console
from rich.progress import BarColumn, Progress, TextColumn, TimeElapsedColumn
from rich.table import Table

from reedproof.errors import ReedproofError
from reedproof.files import write_whole
from reedproof.transport import SerialTransport, Transport

if TYPE_CHECKING:  # they need compiled parts, and 'doctor' must start without
    from reedproof.link import Link
    from reedproof.report import Progress as Told

PLAIN_WIDTH = 200  # columns where there is no terminal: wide enough for nothing to be cut or broken
BEGINNING = 2000  # characters in which a file says what it is

JsonOption = Annotated[bool, typer.Option("--json", help="Print one JSON document instead of text.")]


def _not_empty(where: str | None) -> str | None:
    """An empty name is a database in memory: what it kept would be gone at the end."""
    if where is not None and not where.strip():
        raise typer.BadParameter("the name of a file or a database URL is missing")
    return where


# Text and no path: a path would fold the two slashes of a database URL into one.
StoreOption = Annotated[
    str | None,
    typer.Option(
        "--store",
        callback=_not_empty,
        help="File or database URL that keeps the data. [default: $REEDPROOF_STORE, or "
        "reedproof/store.sqlite in your data folder]",
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
        stderr=stderr, width=None if stream.isatty() else PLAIN_WIDTH, highlight=False, soft_wrap=False,
        emoji=False, markup=False,  # ':x:' or '[red]' in a name is no picture and no colour
    )  # fmt: skip


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


@contextlib.contextmanager
def reading_progress() -> Iterator[Told]:
    """A bar while runs are read, on a terminal only."""
    out = console(stderr=True)
    if not out.is_terminal:
        yield lambda *_: None
        return
    columns = (TextColumn("{task.description}"), BarColumn(), TimeElapsedColumn())
    with Progress(*columns, console=out, transient=True) as bar:
        tasks = {}

        def tell(run_id: int, part: float) -> None:
            if run_id not in tasks:
                tasks[run_id] = bar.add_task(f"reading run {run_id}", total=1.0)
            bar.update(tasks[run_id], completed=part)

        yield tell


def write_over(file: Path, text: str, ours: str, what: str) -> None:
    """Writes a file whole or not at all. It may replace ``what`` it was before, which has ``ours`` in its
    beginning, and nothing else. Raises ReedproofError."""
    try:
        if file.exists():
            with file.open(encoding="utf-8", errors="replace") as there:
                if ours not in there.read(BEGINNING):
                    raise ReedproofError(
                        f"{file}: exists already and is not {what}; choose another name, or delete it first"
                    )
        write_whole(file, text)
    except OSError as error:
        raise ReedproofError(
            f"{file}: cannot be written ({error.strerror}); choose another place for the file"
        ) from None


def writable_svg(file: Path | None) -> Path | None:
    """For an option that names a plot: told before the work, not after it."""
    if file is not None and file.suffix.lower() != ".svg":
        raise typer.BadParameter(f"{file}: expected a name that ends in .svg")
    if file is not None and not (file.parent.is_dir() and os.access(file.parent, os.W_OK)):
        raise typer.BadParameter(f"{file}: nothing can be written there; choose another folder")
    return file


def open_transport(port: str, *, real_time: bool = False) -> Transport:
    """The line behind a port name; raises LineError."""
    if port.startswith("virtual:"):
        from reedproof.sim.board import open_virtual

        return open_virtual(port, speed=1.0 if real_time else 0.0)
    return SerialTransport(port)


def open_link(port: str, *, real_time: bool = False) -> Link:
    from reedproof.link import Link

    return Link(lambda: open_transport(port, real_time=real_time))


def parse_inputs(text: str | None, option: str = "--inputs") -> list[int] | None:
    """'1-4,7' -> [1, 2, 3, 4, 7]; None stays None. Raises ReedproofError."""
    if text is None:
        return None
    chosen: list[int] = []
    for part in text.split(","):
        found = re.fullmatch(r"([0-9]{1,3})(?:-([0-9]{1,3}))?", part.strip())
        first, last = (int(found[1]), int(found[2] or found[1])) if found else (1, 0)
        if first > last:
            raise ReedproofError(f"{option} {text}: expected numbers and ranges such as 1-4,7")
        chosen += range(first, last + 1)
    return chosen


def board_name(board: int) -> str:
    """A board's id as it is shown everywhere."""
    return f"{board:08x}" if board else "unnamed"
