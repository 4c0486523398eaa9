"""`reedproof report`: what a run showed, on the screen, as a page, as JSON or CSV."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer
from rich.console import Console
from rich.text import Text

from reedproof.analysis.account import Status
from reedproof.cli.common import (
    JsonOption,
    StoreOption,
    console,
    print_json,
    reading_progress,
    table,
    write_over,
)
from reedproof.errors import ReedproofError
from reedproof.report import CSV_COLUMNS, Grade, Report, build
from reedproof.report_html import GENERATOR, render
from reedproof.report_words import (
    GAP_KINDS,
    counted,
    grouped,
    how_long,
    measured_text,
    outcome_text,
    planned_text,
    range_text,
    sentence,
    share_text,
    when,
)
from reedproof.store import Store

STYLES = {Grade.GOOD: "green", Grade.OPEN: "yellow", Grade.BAD: "red"}
GAPS_SHOWN = 10


def show(report: Report, out: Console) -> None:
    """The report on a screen: the same things in the same order as on the page, in short."""

    def say(text: str, style: str = "") -> None:
        out.print(Text(text, style=style), soft_wrap=not out.is_terminal)

    run, said = report.run, report.statement
    if run.simulated:
        say("SIMULATED: no real contact was tested", "bold yellow")
    say(f"run {run.id}: {run.layout}, {when(run.started_s)}, {how_long(report.to_s - run.started_s)}")
    say(f"{sentence(outcome_text(run))} {counted(report.account.closures, 'closure')}.")
    say("")
    say(report.verdict, f"bold {STYLES[report.grade]}")
    say(said.sentence)
    say(f"Plan: {report.plan.describe()}")
    for text in report.findings:
        say(f"- {text}", "red")
    rows = table(
        "contact",
        ">passes",
        ">missed",
        ">extra",
        ">unobserved",
        ">missed at most",
        ">extra at most",
        "verdict",
    )
    for at, count in enumerate(report.account.contacts):
        bounds = said.contacts[at].alone
        if count.status is Status.COUNTED:
            numbers = [grouped(number) for number in (count.passes, count.missed, count.extra)]
        else:
            ranges = (count.passes_range, count.missed_range, count.extra_range)
            numbers = [range_text(each) for each in ranges]
        rows.add_row(
            Text(count.contact), *numbers, grouped(count.unobserved), share_text(bounds.miss_upper),
            share_text(bounds.extra_upper), Text(report.judgement(at), style=STYLES[report.grade_of(at)]),
        )  # fmt: skip
    out.print(rows)
    say(f"'at most' with {100 * said.confidence:g} % confidence, for each contact by itself")
    if report.lengths:
        planned = table(
            "contact", ">planned mm", ">measured mm", "closures", title="closures as planned and as measured"
        )
        for length in report.lengths:
            planned.add_row(
                Text(length.contact), planned_text(length), measured_text(length),
                Text(length.sentence, style="yellow" if length.is_as_planned is False else ""),
            )  # fmt: skip
        out.print(planned)
    for text in said.cautions:
        say(f"- {text}")
    for gap in report.gaps[:GAPS_SHOWN]:
        lasted = "still open" if gap.to_s is None else how_long(gap.to_s - gap.from_s)
        place = "all boards" if gap.board is None else gap.board
        say(f"not observed: {place}, {when(gap.from_s)}, {lasted}: {GAP_KINDS.get(gap.kind, gap.kind)}")
    if report.gaps[GAPS_SHOWN:]:
        say(f"not observed: {len(report.gaps) - GAPS_SHOWN} gaps more")
    for other in (*report.earlier, *report.later):
        counts = other.together
        say(
            f"other run {other.run.id} on this layout: {when(other.run.started_s)}, "
            f"{outcome_text(other.run)}; "
            f"{counted(counts.passes, 'pass', 'passes')}, {counts.missed} missed, {counts.extra} extra"
        )
    if report.findings:
        say(f"which part is to blame: reedproof diagnose {run.id}")


def write(file: Path, report: Report) -> None:
    """Raises ReedproofError when the file is something else than a report, or cannot be written."""
    is_page = file.suffix.lower() == ".html"
    text = render(report) if is_page else report.as_csv()
    write_over(file, text, GENERATOR if is_page else ",".join(CSV_COLUMNS), "a report")


def _file(file: Path | None) -> Path | None:
    if file is not None and file.suffix.lower() not in (".html", ".csv"):
        raise typer.BadParameter(f"{file}: expected a name that ends in .html or .csv")
    return file


def report(
    number: Annotated[
        int | None,
        typer.Argument(
            metavar="RUN", help="Which run; without it the newest one.", min=1, max=10**9, show_default=False
        ),
    ] = None,
    output: Annotated[
        Path | None,
        typer.Option(
            "--output", "-o", callback=_file,
            help="Also write a page (.html) or a table (.csv). Replaces an older report, nothing else.",
        ),
    ] = None,
    json: JsonOption = False,
    csv: Annotated[bool, typer.Option("--csv", help="Print a CSV line for each contact instead.")] = False,
    store: StoreOption = None,
) -> None:  # fmt: skip
    """Report what a run showed: what was proved of each contact, and what was not.

    The page needs nothing but itself and can be printed; earlier and abandoned runs on the layout are in it.

    Exit code 0 if the plan is met and nothing speaks against any contact: each saw passes and was counted,
    none drifts, and none closes without a pass more often than the claim allows misses; where nothing is
    claimed, none missed a pass or closed without one. Else 1: the claim has failed or is not proved yet, the
    plan is not met, or something was found.

    Example: reedproof report 3 -o run-3.html
    """
    if json and csv:
        raise ReedproofError("--json and --csv exclude each other; choose one, '-o FILE.csv' makes a file")
    with Store(store, create=False) as kept, reading_progress() as told:
        made = build(kept, number, told)
    if output is not None:
        write(output, made)
    if json:
        print_json(made.as_dict())
    elif csv:
        typer.echo(made.as_csv(), nl=False)
    else:
        out = console()
        show(made, out)
        if output is not None:
            out.print(f"written: {output}", markup=False, soft_wrap=True)
    raise typer.Exit(0 if made.grade is Grade.GOOD else 1)
