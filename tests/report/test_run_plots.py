"""The plots: what is drawn is where it belongs, and how much is drawn is bounded."""

from __future__ import annotations

import itertools
import math
import re
import time

import numpy as np
import pytest

from reedproof.run_plots import Bound, Marks, Series, Span, bounds, hourly, misses, over_time, timeline
from report.page import Element, read

FROM_S = 1_764_000_000.0
DAY = Span(FROM_S, FROM_S + 86_400.0)


def number(element: Element, name: str) -> float:
    return float(element.attributes[name] or "")


def of_class(plot: Element, kind: str) -> list[Element]:
    return [each for each in plot.every() if kind in each.classes]


def test_a_miss_is_where_it_happened() -> None:
    """Against the bar of the time line, which spans the same time on the same scale."""
    (heard,) = of_class(read(timeline(DAY, [("mill", [])])), "heard")
    left, width = number(heard, "x"), number(heard, "width")
    assert (left, left + width) == (170, 706), "beside the names, and up to the margin"
    for part in (0.0, 0.1, 0.5, 0.77, 1.0):
        plot = read(misses(DAY, [Marks("crusher", [FROM_S + part * 86_400], [], [])]))
        (path,) = of_class(plot, "missed")
        x = re.fullmatch(r"M([\d.]+) [\d.]+v[\d.]+", path.attributes["d"] or "")
        assert x
        assert float(x[1]) == pytest.approx(left + part * width, abs=1.0)
        assert not of_class(plot, "extra")


def test_marks_on_one_spot_are_drawn_once() -> None:
    rng = np.random.default_rng(1)
    times_s = (FROM_S + rng.uniform(0, 86_400, 100_000)).tolist()
    away = [Span(FROM_S + at * 10, FROM_S + at * 10 + 2) for at in range(8640)]
    text = misses(DAY, [Marks("crusher", times_s, times_s, away)] * 24)
    spots = (720 - 170) / 2
    assert len(text) < 24 * spots * (80 + 2 * 14), (
        "a bar and two strokes on each spot of each row, and no more"
    )
    (first, *_) = of_class(read(text), "missed")
    assert 200 < (first.attributes["d"] or "").count("M") < 360


def test_a_short_gap_can_be_seen() -> None:
    (away,) = of_class(read(timeline(DAY, [("mill", [Span(FROM_S + 100, FROM_S + 100.5)])])), "away")
    assert number(away, "width") == 2


def test_bounds_are_logarithmic_and_the_claim_is_a_line_among_them() -> None:
    """A tenfold bound is one step of the scale further to the right, wherever it begins."""
    shares = [0.1, 0.01, 0.001, 0.0001]
    plot = read(bounds([Bound(f"{share}", 0.0, share) for share in shares], 0.001, "missed passes"))
    rights = [number(bar, "x") + number(bar, "width") for bar in of_class(plot, "bound")]
    steps = [a - b for a, b in itertools.pairwise(rights)]
    assert steps == pytest.approx([steps[0]] * 3, abs=0.05)
    (claim,) = of_class(plot, "claim")
    assert number(claim, "x1") == pytest.approx(rights[2], abs=0.05)
    assert ["over" in bar.classes for bar in of_class(plot, "bound")] == [True, True, False, False]
    (name,) = of_class(plot, "claim-name")
    assert name.text == "claim: 1 in 1\N{NO-BREAK SPACE}000"


def test_a_bound_that_cannot_be_told_has_no_bar() -> None:
    plot = read(bounds([Bound("crusher", None, None), Bound("mill", 0.02, 0.05)], None, "missed passes"))
    assert len(of_class(plot, "bound")) == len(of_class(plot, "seen")) == 1
    assert [each.text for each in of_class(plot, "tick")][-1] == "cannot tell"
    assert not of_class(plot, "claim")


@pytest.mark.parametrize("hours", [0.05, 0.9, 1.0, 7.3, 24.0, 168.0, 2000.0, 50_000.0])
def test_passes_per_hour_add_up(hours: float) -> None:
    """100 passes an hour are bars of one height, and at most 180 of them."""
    length_s = hours * 3600
    count = math.ceil(length_s / 36)
    passes = [(FROM_S + (at + 0.5) / count * length_s, 1) for at in range(count)]
    plot = read(hourly(Span(FROM_S, FROM_S + length_s), passes))
    bars = of_class(plot, "bar")
    assert 1 <= len(bars) <= 180
    ticks = [each for each in of_class(plot, "tick") if each.attributes["text-anchor"] == "end"]
    heights = {each.text: number(each, "y") - 4 for each in ticks if each.text.isdigit()}
    top = max(heights, key=int)
    per_pass = (heights["0"] - heights[top]) / int(top)
    tallest = max(number(bar, "height") for bar in bars[: max(1, len(bars) - 1)])
    assert tallest / per_pass == pytest.approx(100, rel=0.12)


def test_the_alarm_stands_where_it_came() -> None:
    at_s = np.linspace(DAY.from_s, DAY.to_s, 100)
    text = over_time(
        DAY, "Effective length", Series(at_s.tolist(), np.linspace(60, 30, 100).tolist()), at_s[50], 60.0
    )
    plot = read(text)
    (curve,) = of_class(plot, "curve")
    points = [tuple(map(float, pair.split(","))) for pair in (curve.attributes["points"] or "").split()]
    assert len(points) == 100
    (alarm,) = of_class(plot, "claim")
    assert number(alarm, "x1") == pytest.approx(points[50][0], abs=0.01)
    (reference,) = of_class(plot, "reference")
    assert number(reference, "y1") == pytest.approx(points[0][1], abs=0.01)
    assert points[-1][1] > points[0][1], "shorter is further down"


@pytest.mark.parametrize("length_s", [0.0, 1.0, 59.0, 600.0, 4000.0, 90_000.0, 6e5, 5e6, 4e7, 3e9])
def test_every_length_of_run_has_an_axis(length_s: float) -> None:
    plot = read(timeline(Span(FROM_S, FROM_S + length_s), [("mill", [])]))
    texts = [each.text for each in of_class(plot, "tick")]
    assert len(texts) <= 9
    assert len(texts) >= 1 or length_s < 1


def test_midnight_is_told_by_its_date(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("TZ", "Etc/GMT-5")  # five hours east of Greenwich
    time.tzset()
    try:
        plot = read(timeline(DAY, [("mill", [])]))  # begins at 21:00 there
    finally:
        monkeypatch.undo()
        time.tzset()
    assert [each.text for each in of_class(plot, "tick")] == [
        "21:00", "25 Nov", "03:00", "06:00", "09:00", "12:00", "15:00", "18:00", "21:00",
    ]  # fmt: skip
