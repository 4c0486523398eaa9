"""`reedproof replay --sweep`: one recording, many settings."""

from __future__ import annotations

import re
from dataclasses import dataclass
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


@dataclass(frozen=True)
class Swept:
    """``passes`` by input, ``counts`` by setting and input; of the inputs ``left_out`` passes cannot be told
    apart."""

    passes: dict[int, int]
    counts: dict[Setting, dict[int, Count]]
    left_out: list[int]


def passes_in(file: Path, pause_us: int | None) -> tuple[dict[int, tuple[Times, Passes]], list[int]]:
    """By input, its edges and passes; and the inputs whose passes cannot be told apart. Raises TraceError."""
    trace = read_trace(file)
    found, left_out = {}, []
    for number in np.unique(trace.inputs).tolist():
        times = trace.times_us[trace.inputs == number]
        pauses = pauses_of([trace], number, pause_us)
        if pauses is None:
            left_out.append(number)
        else:
            found[number] = ended(times, pauses[0]), find_passes([times], pauses)
    return found, left_out


def run_sweep(
    file: Path, make_us: list[int], break_us: list[int], pause_us: int | None, out: Console
) -> Swept:
    """Every setting over every input, with a progress bar on a terminal. Raises ReedproofError."""
    recordings, left_out = passes_in(file, pause_us)
    if not recordings:
        raise ReedproofError(
            f"{file}: bounce cannot be told from pauses between passes on any input; say how short those are "
            "with --pause-ms"
        )
    settings = [Setting(make, broke) for make in make_us for broke in break_us]
    with Progress(console=out, transient=True, disable=not out.is_terminal) as progress:
        task = progress.add_task("settings", total=len(settings))
        counts = sweep(
            {number: [recording] for number, recording in recordings.items()},
            settings,
            lambda: progress.advance(task),
        )
    passes = {number: len(found) for number, (_, found) in recordings.items()}
    return Swept(passes, counts, left_out)


def document(swept: Swept) -> dict[str, Any]:
    return {
        "passes": {str(number): count for number, count in swept.passes.items()},
        "left_out": swept.left_out,
        "settings": [
            {
                **setting._asdict(),
                **total(inputs)._asdict(),
                "inputs": {str(number): count._asdict() for number, count in inputs.items()},
            }
            for setting, inputs in swept.counts.items()
        ],
    }


def total(inputs: dict[int, Count]) -> Count:
    summed = NOTHING
    for count in inputs.values():
        summed = summed.plus(count)
    return summed


def show(file: Path, swept: Swept, out: Console) -> None:
    """A row per make_us, a column per break_us; in ms, to fit a small terminal."""
    made = sorted({setting.make_us for setting in swept.counts})
    broken = sorted({setting.break_us for setting in swept.counts})
    count = len(swept.passes)
    out.print(
        f"{file.name}: {sum(swept.passes.values())} passes on {count} input{'s' * (count != 1)}; make_us in "
        "rows, break_us in columns, both in ms",
        markup=False, soft_wrap=not out.is_terminal,
    )  # fmt: skip
    rows = table(">ms", *(f">{value / 1000:g}" for value in broken))
    for make in made:
        cells = (_cell(total(swept.counts[Setting(make, value)])) for value in broken)
        rows.add_row(f"{make / 1000:g}", *cells)
    out.print(rows)
    out.print("2s 1m 3x: 2 passes counted twice, 1 missed, 3 closures outside of any pass; ok: one for one")
    if swept.left_out:
        numbers = ", ".join(map(str, swept.left_out))
        out.print(f"left out, as its passes cannot be told apart without --pause-ms: input {numbers}")


def _cell(count: Count) -> str:
    parts = [
        f"{number}{letter}"
        for number, letter in ((count.splits, "s"), (count.losses, "m"), (count.extras, "x"))
        if number
    ]
    return " ".join(parts) if parts else "ok"
