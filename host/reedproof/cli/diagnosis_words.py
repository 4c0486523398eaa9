"""A diagnosis in words, and contacts drawn over time, for the terminal. Nothing is wider than 80 columns."""

from __future__ import annotations

import math
import re
import textwrap
from collections.abc import Sequence

from rich.console import Console
from rich.text import Text

from reedproof.analysis.finding import Cause, Certainty, Diagnosis, Finding, Sketch
from reedproof.diagnosis_plots import time_unit
from reedproof.report_words import counted

WIDTH = 80
INDENT = "   "
POSSIBLE = "Also possible, with little behind it:"
LABEL = 7  # columns to the left of what is drawn
TICK = 10  # columns for what stands at a mark of the scale, at least

CAUSES = {
    Cause.OPEN_LEAD: "open lead or plug",
    Cause.LOOSE_LEAD: "loose lead or plug",
    Cause.STUCK_CONTACT: "contact sticks closed",
    Cause.PARKED_MAGNET: "a magnet stands over the contact",
    Cause.SHORTED_INPUTS: "two inputs are shorted",
    Cause.SWAPPED_PLUGS: "plugs are swapped",
    Cause.WEAK_MAGNET: "magnets pass too far from this contact",
    Cause.TURNED_MAGNET: "contact and magnets are turned against each other, a pass closes it twice",
    Cause.SIDE_LOBES: "magnets in line with the contact close it beside the middle, too",
    Cause.WINDOW_TOO_SHORT: "break_us is too short, bounces are counted as closures",
    Cause.WINDOW_TOO_LONG: "make_us is too long, short closures are not counted",
    Cause.INTERFERENCE: "electrical interference",
    Cause.BAD_INPUT: "the board's input is bad",
    Cause.WORN_CONTACT: "worn contact",
    Cause.VEHICLE: "the magnet of this train is weak or too high",
}

STYLES = {Certainty.NEARLY_CERTAIN: "bold red", Certainty.LIKELY: "red", Certainty.POSSIBLE: ""}

#: What is told to whoever is going to touch such a thing.
CAUTIONS = {
    "plug|lead|cable|wire|wiring|supply|fuse|pin": "power off first; a short can destroy a board and heat a "
    "cable",
    "solder": "solder with the power off and in fresh air",
    "magnet": "magnets are dangerous when swallowed and near implants; count them",
}


def place(finding: Finding) -> str:
    """Which contact, board or train it is about; of trains that look alike any may be meant."""
    contacts, trains = ([f'"{name}"' for name in names] for names in (finding.contacts, finding.trains))
    parts = [f"contact{'s' * (len(contacts) > 1)} {' and '.join(contacts)}"] if contacts else []
    parts += [f'board "{finding.board}"'] if finding.board is not None else []
    parts += [f"train {' or '.join(trains)}"] if trains else []
    return ", ".join(parts)


def heading(finding: Finding) -> str:
    """Where, what and how sure; that is never 100 %."""
    percent = min(round(100 * finding.confidence), 99)
    sure = f"{finding.certainty.value}, {percent}\N{NO-BREAK SPACE}%"
    return f"{place(finding)}: {CAUSES[finding.cause]} ({sure})"


def cautions(findings: Sequence[Finding]) -> list[str]:
    """For what the next steps touch, a line each."""
    steps = " ".join(f"{finding.next_step} {finding.confirm}" for finding in findings)
    return [said for touched, said in CAUTIONS.items() if re.search(rf"\b(un)?({touched})", steps, re.I)]


# ---- drawing ----


def _scale(until: float, columns: int) -> str:
    """Marks at round times: the steps are 1, 2 or 5 times a power of ten."""
    marks_max = max(1, columns // TICK)
    power = 10.0 ** math.floor(math.log10(until / marks_max))
    step = next(power * factor for factor in (1, 2, 5, 10) if until / (power * factor) <= marks_max)
    line = [" "] * columns
    for n in range(int(until / step * (1 + 1e-9)) + 1):
        text = f"|{step * n:g}"
        at = math.floor(step * n / until * columns)
        if at + len(text) <= columns:
            line[at : at + len(text)] = text
    return "".join(line).rstrip()


def strip(sketch: Sketch, columns: int, *, unicode: bool) -> list[str]:
    """A sketch as three lines of at most ``columns``: closed, open, and the time. A column in which the
    contact was both, however shortly, is marked in both lines."""
    cells = columns - LABEL
    width_ms = sketch.until_ms / cells
    closed_mark, open_mark = "\N{FULL BLOCK}\N{LOWER ONE EIGHTH BLOCK}" if unicode else "#_"
    closed_line, open_line = "", ""
    for cell in range(cells):
        from_ms, to_ms = cell * width_ms, (cell + 1) * width_ms
        closed_ms = sum(max(0.0, min(b, to_ms) - max(a, from_ms)) for a, b in sketch.closed_ms)
        closed_line += closed_mark if closed_ms > 1e-6 * width_ms else " "
        open_line += open_mark if closed_ms < (1 - 1e-6) * width_ms else " "
    unit, unit_ms = time_unit(sketch.until_ms)
    lines = {"closed": closed_line, "open": open_line, unit: _scale(sketch.until_ms / unit_ms, cells)}
    return [f"{label:<{LABEL}}{line}".rstrip() for label, line in lines.items()]


# ---- text ----


def wrapped(text: str, width: int, first: str = "", rest: str | None = None) -> list[str]:
    """Lines that begin with ``first`` and ``rest``; without one, below the text of the first."""
    indent = " " * len(first) if rest is None else rest
    return textwrap.wrap(text, width, initial_indent=first, subsequent_indent=indent, break_on_hyphens=False)


Lines = list[tuple[str, str]]  # each with its style


def _told(number: int, finding: Finding, width: int, unicode: bool) -> Lines:
    style = STYLES[finding.certainty]
    told = [(line, style) for line in wrapped(heading(finding), width, f"{number}. ", INDENT)]
    rest: list[str] = []
    for evidence in finding.evidence:
        rest += wrapped(evidence, width, f"{INDENT}- ")
    if finding.certainty is not Certainty.POSSIBLE:
        for sketch in finding.sketches:
            rest += wrapped(f"{sketch.title}:", width, INDENT)
            rest += [INDENT + line for line in strip(sketch, width - len(INDENT), unicode=unicode)]
    for label, text in (("next: ", finding.next_step), ("to confirm: ", finding.confirm)):
        rest += wrapped(label + text, width, INDENT, f"{INDENT}  ")
    return told + [(line, "") for line in rest]


def _listed(title: str, texts: Sequence[str], width: int) -> Lines:
    listed = [line for text in texts for line in wrapped(text, width, "- ")]
    return [(line, "") for line in [title, *listed]] if texts else []


def lines(diagnosis: Diagnosis, width: int = WIDTH, *, unicode: bool = True) -> Lines:
    """A diagnosis as lines, each with its style."""
    sure = [finding for finding in diagnosis.findings if finding.certainty is not Certainty.POSSIBLE]
    possible = [finding for finding in diagnosis.findings if finding.certainty is Certainty.POSSIBLE]
    first: Lines = [("Nothing wrong was found.", "bold green")]
    if possible:
        first = [("Nothing certain was found.", "bold green")]
    if not diagnosis.is_enough:
        first = [("Cannot tell: too few passes were seen at any contact.", "bold yellow")]
    if sure:
        first = [(counted(len(sure), "finding") + (", the surest first" if sure[1:] else ""), "bold red")]
    parts = [first, *(_told(number, each, width, unicode) for number, each in enumerate(sure, start=1))]
    for number, finding in enumerate(possible, start=len(sure) + 1):
        told = _told(number, finding, width, unicode)
        parts.append([(POSSIBLE, ""), *told] if finding is possible[0] else told)
    if not sure:
        parts.append(_listed("Looked at:", diagnosis.looked_at, width))
    parts.append(_listed("Could not be looked at:", diagnosis.limits, width))
    warned = [wrapped(f"caution: {each}", width, "", "  ") for each in cautions(diagnosis.findings)]
    parts.append([(line, "yellow") for wrapped in warned for line in wrapped])
    # A blank line between two parts.
    return [line for part in parts if part for line in [("", ""), *part]][1:]


def show(diagnosis: Diagnosis, out: Console) -> None:
    """The diagnosis on a screen, whatever characters and columns that has."""
    unicode = out.encoding.lower().startswith("utf")
    for line, style in lines(diagnosis, min(out.width, WIDTH), unicode=unicode):
        say(line, out, style)


def say(text: str, out: Console, style: str = "") -> None:
    """A line as it is; what the output has no character for is shown as '?'."""
    if not out.encoding.lower().startswith("utf"):
        plain = text.replace("\N{NO-BREAK SPACE}", " ")
        text = plain.encode(out.encoding, "replace").decode(out.encoding)
    out.print(Text(text, style=style), soft_wrap=True)
