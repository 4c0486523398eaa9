"""The sketches of a diagnosis, as an SVG file. matplotlib is imported when something is drawn."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence

from reedproof.analysis.finding import Sketch
from reedproof.plots import CLOSED, house_style, svg

#: What such a file says of itself.
GENERATOR = "reedproof diagnose"
INCHES = (9.0, 1.2)  # of one sketch
TITLE_MAX = 120  # characters that fit above one
SECONDS_FROM_MS = 10_000.0  # what is longer has a scale in seconds


def time_unit(until_ms: float) -> tuple[str, float]:
    """That of a scale so long, and how many ms it has."""
    return ("ms", 1.0) if until_ms < SECONDS_FROM_MS else ("s", 1000.0)


def sketches_plot(sketches: Sequence[tuple[str, Sketch]]) -> str:
    """Each sketch (at least one) in a row of its own, under what is said of it; an SVG document."""
    from matplotlib.figure import Figure

    with house_style():
        figure = Figure(figsize=(INCHES[0], INCHES[1] * len(sketches)), layout="constrained")
        rows = figure.subplots(len(sketches), 1, squeeze=False)
        for (axes,), (said, sketch) in zip(rows, sketches, strict=True):
            unit, unit_ms = time_unit(sketch.until_ms)
            edges = [0.0, *(edge / unit_ms for stretch in sketch.closed_ms for edge in stretch)]
            edges.append(sketch.until_ms / unit_ms)
            levels = [0, *(1, 0) * len(sketch.closed_ms), 0]
            # A line as well: what is too short for an area still shows.
            axes.fill_between(edges, levels, step="post", color=CLOSED, alpha=0.4, linewidth=0)
            axes.step(edges, levels, where="post", color=CLOSED, linewidth=0.8)
            axes.set_xlim(0.0, edges[-1])
            axes.set_ylim(-0.1, 1.2)
            axes.set_yticks([0, 1], ["open", "closed"])
            title = textwrap.shorten(f"{said} - {sketch.title}", TITLE_MAX, placeholder="...")
            axes.set_title(title, loc="left", fontsize=8)
            axes.set_xlabel(unit, fontsize=8)
        return svg(figure, GENERATOR)
