"""`reedproof diagnose`: which part is to blame, from a run or at the layout."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Any

import typer
from rich.console import Console

from reedproof.analysis import diagnosis
from reedproof.analysis.finding import Diagnosis
from reedproof.cli import diagnose_live, diagnosis_words
from reedproof.cli.common import (
    JsonOption,
    StoreOption,
    console,
    print_json,
    reading_progress,
    writable_svg,
    write_over,
)
from reedproof.diagnosis_plots import GENERATOR, sketches_plot
from reedproof.errors import ReedproofError
from reedproof.guided import WAIT_S
from reedproof.layout import Sheet
from reedproof.report_words import how_long, when
from reedproof.run_case import read_case
from reedproof.store import Store

RUN_MAX = 10**9


def _chosen(sheet: Sheet, contact: str | None, number: int | None) -> list[str] | None:
    """The contacts that are asked for; None: all. Raises ReedproofError when the sheet has no such one."""
    if contact is None and number is None:
        return None
    names = [each.name for each in sheet.contacts if contact == each.name or number == each.input]
    if not names:
        asked = f"--contact {contact}" if number is None else f"--input {number}"
        there = "; ".join(f"{each.name} ({each.board}, input {each.input})" for each in sheet.wiring())
        raise ReedproofError(f"{asked}: the sheet of the run has no such contact; expected one of: {there}")
    return names


@dataclass(frozen=True)
class _Asked:
    """What was found, what JSON says of where, and the lines above it on the screen."""

    found: Diagnosis
    about: dict[str, Any]
    header: list[str]


def _of_run(run_id: int | None, contact: str | None, number: int | None, store: str | None) -> _Asked:
    with Store(store, create=False) as kept, reading_progress() as told:
        run = kept.run(run_id)
        names = _chosen(Sheet.model_validate(run.sheet), contact, number)
        case = read_case(kept, run.id, lambda part: told(run.id, part))
    found = diagnosis.diagnose(case)
    header = [f"run {run.id}: {run.layout}, {when(run.started_s)}, {how_long(case.to_s - case.from_s)}"]
    if names is not None:
        found = found.of(names)
        header += [f"only what concerns {_listed(names)}"]
    return _Asked(found, {"run": run.id, "simulated": run.simulated}, header)


def _at_board(
    port: str,
    contact: str | None,
    number: int | None,
    sheet: Path | None,
    store: str | None,
    output: Path | None,
    wait_s: float,
    out: Console,
) -> _Asked:
    if contact is None and number is None:
        raise ReedproofError(f"{port}: which contact? expected --input N, or --contact NAME --sheet SHEET")
    if contact is not None and sheet is None:
        raise ReedproofError(
            f"--contact {contact}: on which input is it? expected --sheet SHEET, or --input N"
        )
    case = diagnose_live.session(
        port, number=number, contact=contact, sheet=sheet, store=store, output=output, wait_s=wait_s, out=out
    )
    diagnosis_words.say("", out)
    simulated = port.startswith("virtual:")
    return _Asked(diagnosis.diagnose(case), {"port": port, "simulated": simulated}, [case.source])


def _listed(names: Sequence[str]) -> str:
    return ", ".join(f'"{name}"' for name in names)


def _draw(file: Path, found: Diagnosis, out: Console) -> None:
    drawn = [
        (diagnosis_words.heading(finding), sketch)
        for finding in found.findings
        for sketch in finding.sketches
    ]
    if drawn:
        write_over(file, sketches_plot(drawn), GENERATOR, "a plot of a diagnosis")
        diagnosis_words.say(f"drawn: {file}", out)
    else:
        diagnosis_words.say(f"not drawn: {file}; there is no finding with a sketch", out)


def _run_number(text: str | None) -> int | None:
    if text is not None and not 1 <= int(text) <= RUN_MAX:
        raise ReedproofError(f"{text}: expected the number of a run, see 'reedproof runs'")
    return None if text is None else int(text)


def diagnose(
    what: Annotated[
        str | None,
        typer.Argument(
            metavar="RUN|PORT",
            help="A number is a run, anything else the serial port or URL of a board; without it the newest "
            "run.",
            show_default=False,
        ),
    ] = None,
    contact: Annotated[
        str | None, typer.Option(help="Only this contact.", metavar="NAME", show_default=False)
    ] = None,
    number: Annotated[
        int | None, typer.Option("--input", help="Only the contact on this input.", min=1, show_default=False)
    ] = None,
    sheet: Annotated[
        Path | None,
        typer.Option(help="The layout sheet, for --contact at a port; runs have theirs.", show_default=False),
    ] = None,
    output: Annotated[
        Path | None,
        typer.Option(
            "--output", "-o", help="At a port: keep the raw edges in this file as well.", show_default=False
        ),
    ] = None,
    wait_s: Annotated[
        float,
        typer.Option(help="At a port: a step in which nothing happens ends after this long.", min=1.0),
    ] = WAIT_S,
    plot: Annotated[
        Path | None,
        typer.Option(
            callback=writable_svg,
            help="Draw what the findings rest on into this SVG file.",
            show_default=False,
        ),
    ] = None,
    store: StoreOption = None,
    json: JsonOption = False,
) -> None:  # fmt: skip
    """Find which part is to blame when a contact is flaky: magnet, contact, lead, plug, input or settings.

    Reads a run; or, at a board, asks for a few passes of one contact and looks at every edge. Each finding
    tells how sure it is, the numbers it rests on, what to do next, and the test that would confirm it.

    Exit code 0 if nothing was found that is more than possible, else 1.

    Power off before plugging. Keep magnets away from children and implants, and count them.

    Example: reedproof diagnose 3 --contact "mill, braking"
    """
    if contact is not None and number is not None:
        raise ReedproofError("--contact and --input exclude each other; choose one")
    out = console(stderr=json)
    if what is None or what.isdecimal():
        if sheet is not None or output is not None:
            option = "--output" if sheet is None else "--sheet"
            raise ReedproofError(f"{option} is for a board; expected a port with it, a run needs none")
        asked = _of_run(_run_number(what), contact, number, store)
    else:
        asked = _at_board(what, contact, number, sheet, store, output, wait_s, out)
    if json:
        print_json({**asked.about, **asked.found.as_dict()})
    else:
        if asked.about["simulated"]:
            diagnosis_words.say("SIMULATED: no real contact was tested", out, "bold yellow")
        for line in asked.header:
            diagnosis_words.say(line, out)
        diagnosis_words.say("", out)
        diagnosis_words.show(asked.found, out)
    if plot is not None:
        _draw(plot, asked.found, out)
    raise typer.Exit(0 if asked.found.is_clear else 1)
