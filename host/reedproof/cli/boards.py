"""`reedproof boards`: serial ports, and which of them have a board behind them."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from typing import Annotated, Any

import typer

from reedproof import wire
from reedproof.cli.common import JsonOption, board_name, console, open_link, print_json, table
from reedproof.errors import LineError
from reedproof.ports import serial_ports


def _ask(url: str) -> dict[str, Any]:
    """Who answers on a port. Never raises: what is wrong is part of the answer."""
    try:
        with open_link(url) as link:
            hello = link.hello
    except LineError as error:
        return {"port": url, "answers": False, "problem": str(error)}
    return {
        "port": url, "answers": True, "kind": hello.kind_name, "board": hello.board,
        "build": hello.build, "protocol": hello.protocol, "inputs": hello.inputs,
        "sample_us": hello.sample_us, "boot": hello.boot, "reset_cause": hello.reset_name,
        "settings_defaulted": hello.settings_defaulted,
    }  # fmt: skip


def boards(
    port: Annotated[
        list[str] | None, typer.Argument(help="Ports to ask; without any, all that are found.")
    ] = None,
    verbose: Annotated[
        bool, typer.Option("--verbose", "-v", help="Also what this computer uses to read the line.")
    ] = False,
    json: JsonOption = False,
) -> None:
    """List serial ports, and the boards that answer on them.

    Asking opens each port for a moment; some boards restart when that happens.

    Example: reedproof boards -v
    """
    listed = {found.url: found for found in serial_ports()}
    urls = list(port or listed)
    with ThreadPoolExecutor(max_workers=8) as asking:  # a port where nobody answers takes 3 s
        answers = list(asking.map(_ask, urls))
    checksum = "compiled (C)" if wire.CRC_IS_COMPILED else "pure Python, about 14 times slower"
    if json:
        print_json({"ports": answers, "checksum": checksum})
    else:
        out = console()
        rows = table("port", "board", "kind", "firmware", ">inputs", "what it is")
        for answer in answers:
            known = listed.get(answer["port"])
            if answer["answers"]:
                rows.add_row(
                    answer["port"], board_name(answer["board"]), answer["kind"], f"{answer['build']:08x}",
                    str(answer["inputs"]), known.description if known else "",
                )  # fmt: skip
            else:
                problem = answer["problem"].removeprefix(f"{answer['port']}: ")
                rows.add_row(answer["port"], "-", "-", "-", "-", problem)
        out.print(
            rows if answers else "no serial ports found; is the board plugged in, and its driver there?"
        )
        if verbose:
            out.print(f"checksum: {checksum}")
    answered = [answer["answers"] for answer in answers]
    raise typer.Exit(0 if any(answered) and (not port or all(answered)) else 3)
