"""Plots, as SVG files. matplotlib is imported here and only when a plot is drawn: it takes a second."""

from __future__ import annotations

import io
from collections.abc import Mapping, Sequence
from contextlib import AbstractContextManager
from typing import TYPE_CHECKING

import numpy as np

from reedproof.analysis.bounce import Passes, measure, ms

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

ROWS_MAX = 60  # passes drawn per input: the ones that bounce longest
BACK_MAX_US = 300_000  # what is further from the first edge is not drawn
CLOSED = "#20435c"
WINDOW = "#e8c37b"
LIMIT = "#b3541e"


def house_style() -> AbstractContextManager[None]:
    """For matplotlib: the same data always gives the same bytes, and text stays text, dollars too."""
    import matplotlib

    return matplotlib.rc_context(
        {"svg.hashsalt": "reedproof", "svg.fonttype": "none", "text.parse_math": False, "font.size": 9}
    )


def svg(figure: Figure, creator: str = "reedproof") -> str:
    """An SVG document; ``creator`` is what it says of itself."""
    out = io.StringIO()
    figure.savefig(out, format="svg", metadata={"Date": None, "Creator": creator})
    return out.getvalue()


Bars = list[tuple[float, float]]  # (from, length) in ms


def _draw(axes: Axes, rows: Sequence[tuple[Bars, float]], window_ms: float) -> None:
    """A line per pass: closed stretches, and the window after its last bounce."""
    for y, (bars, settled_ms) in enumerate(rows):
        axes.broken_barh([(settled_ms, window_ms)], (y + 0.05, 0.9), facecolors=WINDOW)
        axes.broken_barh(bars, (y + 0.2, 0.6), facecolors=CLOSED)
    axes.set_ylim(0, max(1, len(rows)))
    axes.set_yticks([])


def _rows(passes: Passes, make_us: int, *, breaking: bool, until_ms: float) -> list[tuple[Bars, float]]:
    """The ``ROWS_MAX`` passes that bounce longest, times from the first edge of the train."""
    first, last = passes.stable(make_us)
    if breaking:
        # From the first opening on that is not too long ago, so that dropouts show.
        far_us = passes.stops_us[passes.last] - BACK_MAX_US
        begin = np.array(
            [
                a + np.searchsorted(passes.stops_us[a:b], limit)
                for a, b, limit in zip(first.tolist(), last.tolist(), far_us.tolist(), strict=True)
            ],
            dtype=np.intp,
        )
        end = passes.last
        zero, settled = passes.stops_us[begin], passes.stops_us[end]
    else:
        begin, end = passes.first, first
        zero, settled = passes.starts_us[begin], passes.starts_us[end]
    chosen = np.argsort(settled - zero, kind="stable")[-ROWS_MAX:]
    rows = []
    for at in chosen.tolist():
        starts = (passes.starts_us[begin[at] : end[at] + 1] - zero[at]) / 1000
        stops = (passes.stops_us[begin[at] : end[at] + 1] - zero[at]) / 1000
        kept = [
            (float(max(start, -until_ms)), float(min(stop, until_ms) - max(start, -until_ms)))
            for start, stop in zip(starts, stops, strict=True)
            if start < until_ms
        ]
        rows.append((kept, float(settled[at] - zero[at]) / 1000))
    return rows


def bounce_plot(inputs: Mapping[int, tuple[Passes, int, int, bool]]) -> str:
    """Making and breaking bounces of each input, with the window of the settings drawn in; an SVG document.

    ``inputs``: by number, its passes (at least one), make_us and break_us, and whether these are recommended.
    """
    from matplotlib.figure import Figure

    with house_style():
        figure = Figure(figsize=(10, 3.2 * len(inputs)), layout="constrained")
        axes = figure.subplots(len(inputs), 2, squeeze=False)
        for (left, right), (number, (passes, make_us, break_us, is_safe)) in zip(
            axes, inputs.items(), strict=True
        ):
            name = f"input {number}" if is_safe else f"input {number} (defaults)"
            _plot_trains(left, f"{name}, making", passes, make_us, make_us, breaking=False)
            _plot_trains(right, f"{name}, breaking", passes, make_us, break_us, breaking=True)
        return svg(figure)


def _plot_trains(
    axes: Axes, title: str, passes: Passes, make_us: int, window_us: int, *, breaking: bool
) -> None:
    bounce = measure(passes, make_us)
    longest = {"bounce": (bounce.breaking if breaking else bounce.making).longest_us}
    if breaking:
        longest["dropout"] = bounce.dropout.longest_us
    until_ms = 1.15 * (min(max(longest.values()), BACK_MAX_US) + window_us) / 1000
    _draw(axes, _rows(passes, make_us, breaking=breaking, until_ms=until_ms), window_us / 1000)
    axes.set_xlim(-0.02 * until_ms, until_ms)
    lengths = ", ".join(f"{name} {ms(length_us)} ms" for name, length_us in longest.items() if length_us)
    shown = min(len(passes), ROWS_MAX)
    axes.set_title(
        f"{title}: {shown} of {len(passes)} passes, longest {lengths or '0'}", loc="left", fontsize=8
    )
    window = f"{'break_us' if breaking else 'make_us'} {window_us}"
    axes.set_xlabel(f"ms after the first edge; dark: closed, light: the window, {window}")
