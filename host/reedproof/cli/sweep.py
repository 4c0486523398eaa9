"""`reedproof replay --sweep`: one recording, many settings."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

import numpy as np
from rich.console import Console
from rich.progress import Progress

from reedproof.analysis.advice import pauses_of
from reedproof.analysis.bounce import Passes, Times, ended, find_passes
from reedproof.cli.common import table
from reedproof.errors import ReedproofError
from reedproof.sim.sweep import NOTHING, Count, Setting, sweep
from reedproof.trace_reader import read_trace

AXES = ("make_us", "break_us")
STEPS = 10
SETTING_MAX_US = 65_535
_UNITS_US = {"us": 1, "ms": 1000}
_RANGE = re.compile(r"(\d+\.?\d*|\.\d+)(?:\.\.(\d+\.?\d*|\.\d+))?(us|ms)", re.ASCII)


def parse_axis(text: str) -> tuple[str, list[int]]:
    """'make_us=0.5..10ms' -> ('make_us', ten values of equal ratio, in us); '=2ms' -> one.

    Raises ReedproofError.
    """
    name, _, values = text.partition("=")
    found = _RANGE.fullmatch(values)
    if name not in AXES or found is None:
        raise ReedproofError(
            f"{text}: expected make_us= or break_us= with a range and its unit, such as make_us=0.5..10ms"
        )
    unit_us = _UNITS_US[found[3]]
    first_us = float(found[1]) * unit_us
    last_us = float(found[2]) * unit_us if found[2] else first_us
    if not 1 <= first_us <= last_us <= SETTING_MAX_US:
        raise ReedproofError(f"{text}: expected 1us to {SETTING_MAX_US}us, the smaller one first")
    ends = {round(first_us), round(last_us)}
    # Two digits are enough in between: nobody sets 2214 us.
    between = {round(float(f"{value:.2g}")) for value in np.geomspace(first_us, last_us, STEPS)[1:-1]}
    return name, sorted(ends | {value for value in between if min(ends) < value < max(ends)})


def passes_in(file: Path, pause_us: int | None) -> dict[int, tuple[Times, Passes]]:
    """By input, its edges and passes. Raises TraceError and ReedproofError."""
    trace = read_trace(file)
    found = {}
    for number in np.unique(trace.inputs).tolist():
        times = trace.times_us[trace.inputs == number]
        pauses = pauses_of([trace], number, pause_us)
        if pauses is None:
            raise ReedproofError(
                f"{file}: input {number}: bounce cannot be told from pauses between passes; say how short "
                "those are with --pause-ms"
            )
        found[number] = ended(times, pauses[0]), find_passes([times], pauses)
    return found


def run_sweep(
    file: Path, make_us: list[int], break_us: list[int], pause_us: int | None, out: Console
) -> tuple[dict[int, int], dict[Setting, dict[int, Count]]]:
    """(passes by input, counts by setting and input), with a progress bar on a terminal."""
    recordings = passes_in(file, pause_us)
    settings = [Setting(make, broke) for make in make_us for broke in break_us]
    with Progress(console=out, transient=True, disable=not out.is_terminal) as progress:
        task = progress.add_task("settings", total=len(settings))
        counts = sweep(
            {number: [recording] for number, recording in recordings.items()},
            settings,
            lambda: progress.advance(task),
        )
    return {number: len(passes) for number, (_, passes) in recordings.items()}, counts


def document(passes: dict[int, int], counts: dict[Setting, dict[int, Count]]) -> dict[str, Any]:
    return {
        "passes": {str(number): count for number, count in passes.items()},
        "settings": [
            {
                **setting._asdict(),
                **total(inputs)._asdict(),
                "inputs": {str(number): count._asdict() for number, count in inputs.items()},
            }
            for setting, inputs in counts.items()
        ],
    }


def total(inputs: dict[int, Count]) -> Count:
    summed = NOTHING
    for count in inputs.values():
        summed = summed.plus(count)
    return summed


def show(file: Path, passes: dict[int, int], counts: dict[Setting, dict[int, Count]], out: Console) -> None:
    """A row per make_us, a column per break_us."""
    made = sorted({setting.make_us for setting in counts})
    broken = sorted({setting.break_us for setting in counts})
    title = f"{file.name}: {sum(passes.values())} passes on {len(passes)} input" + "s" * (len(passes) != 1)
    rows = table(">make_us", *(f">{value}" for value in broken), title=f"{title}; columns: break_us")
    for make in made:
        rows.add_row(str(make), *(_cell(total(counts[Setting(make, value)])) for value in broken))
    out.print(rows)
    out.print("2s 1l 3x: 2 passes counted twice, 1 lost, 3 closures outside of any pass; good: one for one")


def _cell(count: Count) -> str:
    parts = [
        f"{number}{letter}"
        for number, letter in ((count.splits, "s"), (count.losses, "l"), (count.extras, "x"))
        if number
    ]
    return " ".join(parts) if parts else "good"
