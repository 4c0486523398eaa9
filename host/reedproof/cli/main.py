"""The `reedproof` command: puts the commands together and turns errors into one line."""

from __future__ import annotations

import errno
import os
import sys
from typing import Any

import typer

from reedproof.errors import ReedproofError

INTERRUPTED = 130  # as a shell reports Ctrl-C
NOT_READ = 141  # as a shell reports a program whose reader has gone: neither good nor bad was said

#: Typer brings a click of its own and does not export the base of its errors.
_UsageProblem: Any = next(base for base in typer.BadParameter.__mro__ if base.__name__ == "ClickException")


def _empty_app() -> typer.Typer:
    return typer.Typer(
        name="reedproof",
        no_args_is_help=True,
        add_completion=False,
        rich_markup_mode="markdown",  # "rich" keeps line breaks and eats [brackets]
        pretty_exceptions_enable=False,
        help="Proves reed contacts: board, input, lead, plug and magnet, one by one.\n\n"
        "Exit codes: 0 good, 1 a fault was found, 2 wrong use, 3 no board or no line to it.",
    )


def build_app() -> typer.Typer:
    """The commands. Imported here and not above, so that a Ctrl-C or a missing part while the
    program starts is told in one line, too."""
    from reedproof.cli import (
        boards,
        demo,
        diagnose,
        doctor,
        endure,
        export,
        flash,
        plan,
        proofs,
        prove,
        record,
        replay,
        report,
        runs,
        sheet,
        simulate,
        tune,
        watch,
    )

    app = _empty_app()
    for command in (
        demo.demo, boards.boards, flash.flash, prove.prove, proofs.proofs, watch.watch, record.record,
        tune.tune, replay.replay, endure.endure, report.report, diagnose.diagnose, doctor.doctor, runs.runs,
        export.export, simulate.simulate,
    ):  # fmt: skip
        app.command()(command)
    app.add_typer(plan.plan)
    app.add_typer(sheet.sheet)
    return app


def _build_doctor() -> typer.Typer:
    """`reedproof doctor` alone: it starts where parts are missing that the other commands need."""
    from reedproof.cli import doctor

    app = _empty_app()
    app.callback()(lambda: None)  # else Typer would leave out the command's name
    app.command()(doctor.doctor)
    return app


def _app_for(arguments: list[str]) -> typer.Typer:
    try:
        return build_app()
    except ImportError:
        if arguments[:1] != ["doctor"]:
            raise
        return _build_doctor()


def _complain(text: str) -> None:
    print(f"reedproof: {text}", file=sys.stderr)


def _usage_text(error: Any) -> str:
    """One line; the command whose help is of use comes from the error."""
    text = " ".join(error.format_message().split()).rstrip(".")
    context = getattr(error, "ctx", None)
    return f"{text}; try '{context.command_path if context else 'reedproof'} --help'"


def _drop_output() -> None:
    """What is still buffered can go nowhere; do not let the interpreter complain about it at exit."""
    os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())


def _run() -> int:
    try:
        code = _app_for(sys.argv[1:])(standalone_mode=False)
    except _UsageProblem as error:
        if not sys.argv[1:]:  # the help was shown instead
            error.show()
        else:
            _complain(_usage_text(error))
        return 2
    except ReedproofError as error:
        _complain(str(error))
        return error.exit_code
    except ImportError as error:
        _complain(str(error))
        return 2
    except KeyboardInterrupt:
        code = INTERRUPTED
    except SystemExit as ended:
        # Typer's answer to a broken pipe is an exit with 1, which here means a fault.
        if not isinstance(ended.__context__, BrokenPipeError):
            raise
        _drop_output()
        return NOT_READ
    except OSError as error:
        if error.errno not in (errno.ENOSPC, errno.EDQUOT):
            raise
        _drop_output()
        _complain("the output cannot be written: the disk is full; free some space or send it elsewhere")
        return 2
    if code == INTERRUPTED:  # what Typer makes of Ctrl-C
        _complain("stopped")
    return code or 0


def run() -> None:
    """Entry point. Every error that a user can cause ends in one line and the right exit code."""
    sys.exit(_run())
