"""The `reedproof` command: puts the commands together and turns errors into one line."""

from __future__ import annotations

import os
import sys
from typing import Any

import typer

from reedproof.cli import boards, demo, proofs, prove, replay, watch
from reedproof.cli.common import console
from reedproof.errors import ReedproofError

app = typer.Typer(
    name="reedproof",
    no_args_is_help=True,
    add_completion=False,
    rich_markup_mode="rich",
    pretty_exceptions_enable=False,
    help="Proves reed contacts: board, input, lead, plug and magnet, one by one.\n\n"
    "Exit codes: 0 good, 1 a fault was found, 2 wrong use, 3 no board or no line to it.",
)
app.command()(demo.demo)
app.command()(boards.boards)
app.command()(prove.prove)
app.command()(proofs.proofs)
app.command()(watch.watch)
app.command()(replay.replay)

INTERRUPTED = 130

#: Typer brings a click of its own and does not export the base of its errors.
_UsageProblem: Any = next(base for base in typer.BadParameter.__mro__ if base.__name__ == "ClickException")


def run() -> None:
    """Entry point. Every error that a user can cause ends in one line and the right exit code."""
    try:
        code = app(standalone_mode=False)
    except _UsageProblem as error:
        error.show()
        code = 2
    except ReedproofError as error:
        console(stderr=True).print(f"reedproof: {error}", markup=False, soft_wrap=True)
        code = error.exit_code
    except (KeyboardInterrupt, typer.Abort):
        console(stderr=True).print("reedproof: stopped")
        code = INTERRUPTED
    except BrokenPipeError:
        # Whoever read our output has seen enough; do not let the interpreter complain at exit.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        code = 0
    sys.exit(code or 0)
