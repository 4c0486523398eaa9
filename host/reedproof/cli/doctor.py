"""`reedproof doctor`: whether this computer has what reedproof needs, and what to do where not."""

from __future__ import annotations

import importlib
import os
from dataclasses import asdict
from functools import partial

import typer
from rich.text import Text

from reedproof import doctor as checks_of
from reedproof.cli.common import JsonOption, StoreOption, console, print_json, table
from reedproof.doctor import ATTENTION, BAD, Check, text_to_paste, worst
from reedproof.firmware_image import IMAGES
from reedproof.ports import holders, serial_ports

#: What loads the compiled parts, and refuses those that are older than their sources.
COMPILED = {"core": "reedproof.sim.core", "align": "reedproof.analysis.align"}
COLOURS = {"good": "green", "attention": "yellow", "bad": "red"}


def _place(store: str | None) -> str:
    """How the store was named; where that is, is private."""
    if store is not None:
        return "--store"
    if os.environ.get("REEDPROOF_STORE"):
        return "$REEDPROOF_STORE"
    return (
        f"{'$XDG_DATA_HOME' if os.environ.get('XDG_DATA_HOME') else '~/.local/share'}/reedproof/store.sqlite"
    )


def _examine(store: str | None) -> list[Check]:
    parts = {name: partial(importlib.import_module, module) for name, module in COMPILED.items()}
    return [
        *checks_of.check_program(checks_of.required(), checks_of.system_name()),
        checks_of.check_compiled(parts),
        checks_of.check_images(IMAGES),
        checks_of.check_avrdude(),
        *checks_of.check_ports(serial_ports(), checks_of.access, holders),
        *_examine_store(store),
    ]


def _examine_store(store: str | None) -> list[Check]:
    try:
        from reedproof.store import default_store
        from reedproof.store_health import health
    except ImportError:
        return [Check("store", ATTENTION, "not looked at, packages are missing", "first see to the packages")]
    return checks_of.check_store(health(default_store() if store is None else store), _place(store))


def doctor(store: StoreOption = None, json: JsonOption = False) -> None:
    """Look whether this computer has what reedproof needs, and say what to do where not.

    Changes nothing and opens no port. The text at the end can be shown to whoever helps: it holds no names
    of users, computers, folders or layouts, no serial numbers and no board ids.

    Example: reedproof doctor
    """
    checks = _examine(store)
    if json:
        print_json(
            {
                "state": worst(checks),
                "checks": [asdict(check) for check in checks],
                "text": text_to_paste(checks),
            }
        )
    else:
        _show(checks)
    raise typer.Exit(1 if worst(checks) == BAD else 0)


def _show(checks: list[Check]) -> None:
    out = console()
    rows = table("check", "state", "found")
    for check in checks:
        rows.add_row(check.name, Text(check.state, style=COLOURS[check.state]), check.found)
    out.print(rows)
    if any(check.advice for check in checks):
        out.print("What to do:\n")
    for check in checks:
        if check.advice:
            out.print(f"{check.name}: {check.advice}", soft_wrap=True)
            for line in check.lines:
                out.print(f"    {line}", soft_wrap=True)  # whole, to be copied
            out.print()
    out.print("To paste when you ask for help (nothing private is in it):\n")
    out.print(text_to_paste(checks), soft_wrap=True)
