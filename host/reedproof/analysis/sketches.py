"""Passes to look at beside a finding."""

from __future__ import annotations

import numpy as np

from reedproof.analysis.finding import Sketch
from reedproof.analysis.symptoms import Signs, Symptoms


def sketches_of(signs: Signs, seen: Symptoms, closures: int) -> tuple[Sketch, ...]:
    """A pass with so many closures and one with a single one, the ones that are most usual; none where there
    is no such pass."""
    rows = [row for wanted in (closures, 1) if (row := _usual(seen, wanted)) is not None]
    return tuple(_sketch(signs, seen, row) for row in rows)


def _usual(seen: Symptoms, closures: int) -> int | None:
    passes = seen.seen
    rows = np.flatnonzero((passes.closures == closures) & np.isfinite(passes.whole_ms))
    if not len(rows):
        return None
    whole_ms = passes.whole_ms[rows]
    return int(rows[np.argmin(np.abs(whole_ms - np.median(whole_ms)))])


def _sketch(signs: Signs, seen: Symptoms, row: int) -> Sketch:
    passes = seen.seen
    closed, at_ms = [], 0.0
    for part_ms, gap_ms in zip(passes.parts_ms[row], [*passes.gaps_ms[row], np.nan], strict=True):
        if not np.isfinite(part_ms):
            break
        closed.append((at_ms, at_ms + float(part_ms)))
        at_ms += float(part_ms) + (float(gap_ms) if np.isfinite(gap_ms) else 0.0)
    speed = passes.speed[row]
    how_fast = f" at {speed:.0f} mm/s" if signs.case.length_unit == "mm" and np.isfinite(speed) else ""
    count = int(passes.closures[row])
    train = signs.case.trains[int(passes.train[row])]
    title = f"{seen.contact.name}: {train}{how_fast}, {count} closure{'s' * (count > 1)}"
    return Sketch(title, tuple(closed), closed[-1][1])
