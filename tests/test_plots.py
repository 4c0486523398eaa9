"""What is drawn: rows, windows and axes. That it is an SVG with the right words is in `cli/test_tune.py`."""

from __future__ import annotations

from typing import Any

import pytest
from matplotlib.figure import Figure

from analysis.test_bounce import BOUNCY, CLEAN, PAUSE_US, times
from reedproof.analysis.bounce import find_passes
from reedproof.plots import ROWS_MAX, _draw, _plot_trains, _rows


def drawn(rows: Any) -> list[Any]:
    return [([tuple(round(x, 3) for x in bar) for bar in bars], round(settled, 3)) for bars, settled in rows]


def test_rows_of_the_plot() -> None:
    """Least bounce first; from the first edge of the train; nothing beyond the axes."""
    passes = find_passes([times(*BOUNCY, *CLEAN)], [PAUSE_US])
    assert drawn(_rows(passes, 1000, breaking=False, until_ms=5.0)) == [
        ([(0, 5)], 0),
        ([(0, 0.05), (0.08, 0.01), (0.2, 4.8)], 0.2),
    ]
    assert drawn(_rows(passes, 1000, breaking=True, until_ms=5.0)) == [
        ([(-5, 5)], 0),
        ([(-5, 5), (3, 2)], 30.03),  # a dropout of 3 ms, long before the end
    ]
    assert drawn(_rows(passes, 1000, breaking=False, until_ms=0.06))[1] == ([(0, 0.05)], 0.2)


def test_the_plot_keeps_those_that_bounce_longest() -> None:
    quiet = [
        at + edge for at in range(3_000_000, (3 + ROWS_MAX) * 1_000_000, 1_000_000) for edge in (0, 50_000)
    ]
    passes = find_passes([times(*BOUNCY, *quiet)], [PAUSE_US])
    rows = _rows(passes, 1000, breaking=False, until_ms=5.0)
    assert (len(passes), len(rows), round(rows[-1][1], 3)) == (ROWS_MAX + 1, ROWS_MAX, 0.2)


def test_the_window_begins_where_the_bounce_ends_and_the_axis_at_what_is_sensible() -> None:
    axes = Figure().subplots()
    _draw(axes, [([(0.0, 0.05)], 0.2)], 1.5)
    window = axes.collections[0].get_datalim(axes.transData)
    assert (round(window.x0, 3), round(window.x1, 3)) == (0.2, 1.7)
    _plot_trains(
        axes, "", find_passes([times(0, 400, 400_000, 460_000)], [500_000]), 1000, 1000, breaking=False
    )
    assert axes.get_xlim()[1] == pytest.approx(1.15 * 301)
