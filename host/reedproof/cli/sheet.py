"""`reedproof sheet`: the layout sheet, begun by asking and checked before anything rests on it."""

from __future__ import annotations

import json as json_module
from pathlib import Path
from typing import Annotated

import typer

from reedproof.cli.common import JsonOption, console, print_json, table
from reedproof.errors import ReedproofError
from reedproof.layout import KINDS, Sheet, SheetError, pin_name, read_sheet

sheet = typer.Typer(
    name="sheet",
    no_args_is_help=True,
    help="Begin a layout sheet, check it, and print its wiring list.\n\n"
    "Example: reedproof sheet check layout.toml",
)

SheetArgument = Annotated[Path, typer.Argument(help="The layout sheet, a TOML file.")]


def _quoted(text: str) -> str:
    return json_module.dumps(text, ensure_ascii=False)  # TOML's basic strings are JSON's


def ask() -> str:
    """Asks for what a sheet needs at least; returns its text."""
    lines = [
        "# Layout sheet. 'reedproof sheet check FILE' says what is wrong with it and prints the wiring list.",
        "",
        "[layout]",
        f"name = {_quoted(typer.prompt('Name of the layout'))}",
        f"scale = {_quoted(typer.prompt('Scale', default='1:87'))}",
    ]
    contacts: list[str] = []
    names: list[str] = []
    while True:
        board = typer.prompt("Name of a board (empty: no more)", default="", show_default=False).strip()
        if not board:
            break
        kind = typer.prompt(f"Kind of board {board} ({', '.join(KINDS)})", default="nano")
        lines += ["", f"[boards.{_quoted(board)}]", f"kind = {_quoted(kind)}"]
        lines.append('# id = "0123abcd"  # as `reedproof boards` shows it')
        number = 0
        while True:
            number += 1
            question = f"Contact on input {number} (empty: no more)"
            name = typer.prompt(question, default="", show_default=False).strip()
            if not name:
                break
            names.append(name)
            purpose = typer.prompt("Purpose (braking, stopping, passing)", default="passing")
            contacts += [
                "", "[[contacts]]", f"name = {_quoted(name)}", f"board = {_quoted(board)}",
                f"input = {number}", f"purpose = {_quoted(purpose)}", "# place_mm = 0", '# plug = "A1"',
            ]  # fmt: skip
    lines += contacts
    if names:
        kind = typer.prompt(
            "The train runs round and round (loop) or there and back (shuttle)", default="loop"
        )
        order = ", ".join(map(_quoted, names))
        lines += [
            "", "[[routes]]", 'name = "first route"', f"kind = {_quoted(kind)}",
            "# in the order in which the train meets them", f"contacts = [{order}]", "# speed_mm_s = 150",
            "", "[[trains]]", 'name = "first train"', 'route = "first route"', "magnets = 1",
        ]  # fmt: skip
    return "\n".join(lines) + "\n"


@sheet.command()
def new(file: Annotated[Path, typer.Argument(help="The file to write.")]) -> None:
    """Begin a layout sheet by asking. What is written can be edited like any text.

    Example: reedproof sheet new layout.toml
    """
    if file.exists():
        raise ReedproofError(f"{file}: exists already; choose another name, or delete it first")
    text = ask()
    try:
        file.write_text(text, encoding="utf-8")
    except OSError as error:
        raise ReedproofError(
            f"{file}: cannot be written ({error.strerror}); choose another place for the file"
        ) from None
    out = console()
    out.print(f"written: {file}; edit it, then: reedproof sheet check {file}", markup=False, soft_wrap=True)
    read_sheet(file)


def wiring(one: Sheet) -> list[dict[str, object]]:
    """A line for each contact, as it is plugged."""
    return [
        {
            "board": contact.board,
            "input": contact.input,
            "pin": pin_name(one.boards[contact.board].kind, contact.input),
            "contact": contact.name,
            "purpose": contact.purpose.value,
            "plug": contact.plug,
        }
        for contact in one.wiring()
    ]


@sheet.command()
def check(file: SheetArgument, json: JsonOption = False) -> None:
    """Check a layout sheet and print its wiring list, to be kept in the tool box.

    A contact goes between its pin and ground. Power off before plugging; use plugs that cannot be reversed.

    Example: reedproof sheet check layout.toml
    """
    try:
        one = read_sheet(file)
    except SheetError as error:
        if json:
            print_json({"problems": error.problems})
            raise typer.Exit(2) from None
        for problem in error.problems[:-1]:
            typer.echo(f"reedproof: {problem}", err=True)
        raise ReedproofError(error.problems[-1]) from None
    lines = wiring(one)
    if json:
        print_json({"layout": one.layout.name, "wiring": lines})
        return
    out = console()
    rows = table(
        "board", ">input", "pin", "contact", "purpose", "plug", title=f"{one.layout.name}, {one.layout.scale}"
    )
    for line in lines:
        rows.add_row(*(str(cell if cell is not None else "-") for cell in line.values()))
    out.print(rows)
    counts = {
        "contact": len(one.contacts),
        "board": len(one.boards),
        "route": len(one.routes),
        "train": len(one.trains),
    }
    out.print(", ".join(f"{count} {name}{'s' * (count != 1)}" for name, count in counts.items()))
