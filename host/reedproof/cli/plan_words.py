"""An answer of the planner, in the terminal. Text is no wider than 80 columns."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

import typer
from rich.console import Console

from reedproof.analysis.answer import Answer, Check, Grid, Result
from reedproof.cli.common import console, print_json, table, write_over
from reedproof.cli.diagnosis_words import WIDTH, say, wrapped
from reedproof.cli.plan_inputs import AnyPlan, Inputs
from reedproof.units import heading, unit_of, with_unit

GENERATOR = "reedproof plan"
SMALL = 0.001  # what is less is not read for its digits, in a table


def present(
    title: str,
    answer: Answer,
    inputs: Inputs[AnyPlan],
    *,
    json: bool,
    plot: Path | None,
    drawn: Callable[[], str],
    saved_in: str,
) -> None:
    """Prints the answer, writes what ``drawn`` gives into the file ``plot``, says what was ``saved_in`` the
    sheet ('' for nothing), and ends the command: with 0 if every check is kept, else 1."""
    out = console(stderr=json)
    if json:
        print_json({"inputs": inputs.as_dict(), **answer.as_dict(), "saved_in": saved_in or None})
    else:
        show(title, answer, inputs, out)
        if saved_in:
            say(f"saved: {saved_in}{'' if answer.is_good else ', though not every margin is kept'}", out)
    if plot is not None:
        write_over(plot, drawn(), GENERATOR, "a drawing of a plan")
        say(f"drawn: {plot}", out)
    raise typer.Exit(0 if answer.is_good else 1)


def show(title: str, answer: Answer, inputs: Inputs[AnyPlan], out: Console) -> None:
    _wrapped(title, out, "  ", "bold")
    _given(inputs, out)
    _results(answer.results, out)
    for grid in answer.grids:
        _grid(grid, out)
    _checks(answer.checks, out)
    _listed("What to do:", answer.advice, out, "bold")
    _how(answer.results, out)
    _listed("Assumed:", answer.assumptions, out)
    for caution in answer.cautions:
        _wrapped(f"caution: {caution}", out, "  ", "yellow")


def cell(value: Any) -> str:
    """A value of a table whose column heading has the unit."""
    if value is None:
        return "-"
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, list | tuple):
        return ", ".join(cell(each) for each in value) or "-"
    if isinstance(value, float):
        return f"<{SMALL:g}" if 0 < value < SMALL else with_unit(value, "")
    return str(value)


def _given(inputs: Inputs[AnyPlan], out: Console) -> None:
    values = inputs.plan.model_dump(mode="json")
    told = [
        f"{key} {cell(values[key])}{'' if origin == 'option' else f' ({origin})'}"
        for key, origin in inputs.origins.items()
        if values[key] is not None
    ]
    _wrapped(f"for {', '.join(told)}", out, "  ")


def _results(results: Sequence[Result], out: Console) -> None:
    say("", out)
    for result in results:
        text = result.text
        if text is None:
            value = result.value
            unit = unit_of(result.key)
            text = (
                with_unit(value, result.key) if isinstance(value, float) else f"{cell(value)} {unit}".rstrip()
            )
        _wrapped(f"{result.label}: {text}", out, "  ")


def _grid(grid: Grid, out: Console) -> None:
    """The heading of a column is its key, with the unit as people write it."""
    rows = table(*(f">{heading(key)}" for key in grid.columns), title=grid.title)
    rows.columns[0].justify = "left"
    for row in grid.rows:
        rows.add_row(*map(cell, row))
    say("", out)
    out.print(rows)


def _checks(checks: Sequence[Check], out: Console) -> None:
    if checks:
        say("", out)
        say("Margins:", out)
    for check in checks:
        margin = "" if check.margin is None else f", {with_unit(check.margin, '')} times what is needed"
        line = f"{check.label}: {with_unit(check.value, check.key)}, {check.bound}{margin}"
        if check.is_kept:
            _wrapped(f"  kept: {line}", out, "    ", "green")
        else:
            _wrapped(f"  NOT KEPT: {line}; {check.otherwise}", out, "    ", "bold red")


def _how(results: Sequence[Result], out: Console) -> None:
    told = []
    for result in results:
        if result.formula or result.source:
            source = f" ({result.source})" if result.source else ""
            told.append(f"{result.label}: {result.formula}{source}")
    _listed("How it was worked out:", told, out)


def _listed(title: str, texts: Sequence[str], out: Console, style: str = "") -> None:
    if texts:
        say("", out)
        say(title, out)
    for text in texts:
        _wrapped(f"  - {text}", out, "    ", style)


def _wrapped(text: str, out: Console, indent: str, style: str = "") -> None:
    for line in wrapped(text, min(out.width, WIDTH), rest=indent):
        say(line, out, style)
