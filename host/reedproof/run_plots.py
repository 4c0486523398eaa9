"""The plots of a run, as SVG inside a page: its size, colours and fonts are those of the page.

Written by hand and not with matplotlib, whose figures are ten times as long, repeat their ids on one page
and cannot follow the reader's light or dark colours. Whatever the length of the run, what is drawn is
bounded: marks that fall on one spot are drawn once.
"""

from __future__ import annotations

import math
import time
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass

from reedproof.markup import Markup, join, number, tag
from reedproof.report_words import one_in

WIDTH = 720.0
LABEL = 170.0  # to the left of a plot with a row for each contact
VALUE = 46.0  # to the left of a plot with values
RIGHT = 14.0
ROW = 20.0
AXIS = 22.0  # below a plot
NAME_MAX = 22  # characters that fit into LABEL
HOUR_S = 3600.0
DAY_S = 24 * HOUR_S
TICKS_MAX = 8
BARS_MAX = 180
SPOT = 2.0  # marks closer than this fall on one spot

_STEPS_S = [1, 2, 5, 10, 15, 30, 60, 120, 300, 600, 900, 1800, *(HOUR_S * n for n in (1, 2, 3, 6, 12)),
            *(DAY_S * n for n in (1, 2, 7, 14, 28, 91, 364))]  # fmt: skip

_BARS_S = [600.0, HOUR_S, 6 * HOUR_S, DAY_S, 7 * DAY_S]


@dataclass(frozen=True)
class Span:
    """A stretch of host time, seconds since 1970."""

    from_s: float
    to_s: float


@dataclass(frozen=True)
class Marks:
    """A row of the plot of misses. ``crowded`` are stretches with more of them than are known one by one."""

    name: str
    missed_s: Sequence[float]
    extra_s: Sequence[float]
    away: Sequence[Span]
    crowded: Sequence[Span] = ()


@dataclass(frozen=True)
class Bound:
    """A row of the plot of bounds: what was seen and what it may be at most, as shares; None where it cannot
    be told."""

    name: str
    seen: float | None
    upper: float | None


@dataclass(frozen=True)
class Series:
    """Values over the run, in order of time. ``limits`` are lines across, by name."""

    at_s: Sequence[float]
    values: Sequence[float]


# ---- axes ----


@dataclass(frozen=True)
class _Axis:
    """From values to pixels, with ticks and what is written at them."""

    place: Callable[[float], float]
    ticks: Sequence[tuple[float, str]]


def _time_axis(span: Span, left: float) -> _Axis:
    length_s = max(span.to_s - span.from_s, 1.0)
    step_s = next((step for step in _STEPS_S if length_s / step <= TICKS_MAX), length_s)
    # Ticks at round times of the place where the report is read, as everywhere in it.
    offset_s = time.localtime(span.from_s).tm_gmtoff
    tick_s = math.ceil((span.from_s + offset_s) / step_s) * step_s - offset_s
    ticks = []
    last_day = time.strftime("%d %b", time.localtime(span.from_s))
    while tick_s <= span.from_s + length_s:
        local = time.localtime(tick_s)
        day = time.strftime("%d %b", local).lstrip("0")
        if step_s >= DAY_S or (day != last_day and local.tm_hour == local.tm_min == 0):
            text = day
        else:
            text = time.strftime("%H:%M" if step_s >= 60 else "%H:%M:%S", local)
        last_day = day
        ticks.append((tick_s, text))
        tick_s += step_s
    scale = (WIDTH - left - RIGHT) / length_s

    def place(at_s: float) -> float:
        return left + min(max(at_s - span.from_s, 0.0), length_s) * scale

    return _Axis(place, ticks)


def _share_axis(shares: Iterable[float], left: float) -> _Axis:
    smallest = min([share for share in shares if share > 0], default=0.1)
    low = math.floor(math.log10(min(smallest, 0.5)) - 0.05)
    scale = (WIDTH - left - RIGHT - 20) / -low

    def place(share: float) -> float:
        return left + max(0.0, math.log10(max(share, 1e-300)) - low) * scale

    ticks = [(10.0**power, one_in(10.0**power) if power else "all") for power in range(low, 1)]
    return _Axis(place, ticks)


def _value_axis(values: Iterable[float], top: float, height: float) -> _Axis:
    """Upwards, from 0, with two to five round ticks."""
    highest = max(values, default=0.0) or 1.0
    power = 10.0 ** math.floor(math.log10(highest / 2))
    step = next(power * factor for factor in (1, 2, 5, 10) if highest / (power * factor) <= 5)
    count = math.ceil(highest / step - 1e-9)
    ticks = [(step * n, f"{step * n:g}") for n in range(count + 1)]

    def place(value: float) -> float:
        return top + height * (1.0 - value / float(step * count))

    return _Axis(place, ticks)


# ---- parts ----


def _svg(height: float, title: str, *parts: Markup) -> Markup:
    return tag(
        "svg", tag("title", title), *parts, role="img", viewBox=f"0 0 {number(WIDTH)} {number(height)}",
        preserveAspectRatio="xMidYMin",
    )  # fmt: skip


def _rect(x: float, y: float, width: float, height: float, kind: str) -> Markup:
    return tag("rect", x=x, y=y, width=width, height=height, class_=kind)


def _text(x: float, y: float, text: str, anchor: str = "start", kind: str | None = None) -> Markup:
    return tag("text", text, x=x, y=y, text_anchor=anchor, class_=kind)


def _line(x1: float, y1: float, x2: float, y2: float, kind: str) -> Markup:
    return tag("line", x1=x1, y1=y1, x2=x2, y2=y2, class_=kind)


def _below(axis: _Axis, top: float, bottom: float) -> Markup:
    """The lines upwards from an axis below a plot, and what stands under them."""
    parts = []
    for value, text in axis.ticks:
        x = axis.place(value)
        anchor = "end" if x > WIDTH - RIGHT - 16 else "middle"
        parts += [_line(x, top, x, bottom + 4, "grid"), _text(x, bottom + 17, text, anchor, "tick")]
    return join(parts)


def _beside(axis: _Axis) -> Markup:
    parts = []
    for value, text in axis.ticks:
        y = axis.place(value)
        parts += [_line(VALUE, y, WIDTH - RIGHT, y, "grid"), _text(VALUE - 6, y + 4, text, "end", "tick")]
    return join(parts)


def _name(text: str, y: float) -> Markup:
    short = text if len(text) <= NAME_MAX else text[: NAME_MAX - 1].rstrip() + "\N{HORIZONTAL ELLIPSIS}"
    return tag("text", tag("title", text), short, x=LABEL - 10, y=y + ROW / 2 + 4, text_anchor="end")


def _stretches(axis: _Axis, spans: Iterable[Span], top: float, height: float, kind: str) -> Markup:
    """Bars along the time, at least one spot wide; what touches is one bar."""
    joined: list[list[float]] = []
    for x1, x2 in sorted((axis.place(span.from_s), axis.place(span.to_s)) for span in spans):
        if joined and x1 <= joined[-1][1]:
            joined[-1][1] = max(joined[-1][1], x2)
        else:
            joined.append([x1, max(x2, x1 + SPOT)])
    return join(_rect(x1, top, x2 - x1, height, kind) for x1, x2 in joined)


def _spots(axis: _Axis, times_s: Iterable[float], top: float, height: float, kind: str) -> Markup:
    """Strokes across a row, one path for all of them."""
    spots = sorted({round(axis.place(at_s) / SPOT) for at_s in times_s})
    if not spots:
        return Markup()
    path = "".join(f"M{number(spot * SPOT)} {number(top)}v{number(height)}" for spot in spots)
    return tag("path", d=path, class_=kind)


# ---- plots ----


def timeline(span: Span, rows: Sequence[tuple[str, Sequence[Span]]]) -> Markup:
    """Which board was heard when. ``rows``: the name of a board, and when it was away."""
    axis = _time_axis(span, LABEL)
    bottom = ROW * len(rows) + 4
    parts = [_below(axis, 0, bottom)]
    for at, (name, away) in enumerate(rows):
        top = at * ROW + 4
        parts += [
            _name(name, at * ROW + 2),
            _stretches(axis, [span], top, ROW - 6, "heard"),
            _stretches(axis, away, top, ROW - 6, "away"),
        ]
    return _svg(bottom + AXIS, "Timeline: which board was observed when", *parts)


def misses(span: Span, rows: Sequence[Marks]) -> Markup:
    """When each contact missed a pass (stroke in the upper half) or closed without one (lower half)."""
    axis = _time_axis(span, LABEL)
    bottom = ROW * len(rows) + 2
    parts = [_below(axis, 0, bottom)]
    for at, row in enumerate(rows):
        top = at * ROW + 2
        parts += [
            _name(row.name, at * ROW),
            _line(LABEL, top + ROW / 2 - 1, WIDTH - RIGHT, top + ROW / 2 - 1, "axis"),
            _stretches(axis, row.away, top, ROW - 2, "away faint"),
            _stretches(axis, row.crowded, top, ROW - 2, "crowded"),
            _spots(axis, row.missed_s, top, ROW / 2 - 1, "missed"),
            _spots(axis, row.extra_s, top + ROW / 2 - 1, ROW / 2 - 1, "extra"),
        ]
    return _svg(bottom + AXIS, "Missed passes and extra closures over the run, a row per contact", *parts)


def bounds(rows: Sequence[Bound], claim: float | None, what: str) -> Markup:
    """How much each contact may be wrong at most, on a logarithmic scale, with the claim as a line."""
    shares = [share for row in rows for share in (row.seen, row.upper) if share is not None]
    axis = _share_axis([*shares, *([claim] if claim else [])], LABEL)
    top = 18.0 if claim else 2.0
    bottom = ROW * len(rows) + top
    parts = [_below(axis, top, bottom)]
    for at, row in enumerate(rows):
        y = at * ROW + top
        parts.append(_name(row.name, y))
        if row.upper is None:
            parts.append(_text(LABEL + 6, y + ROW / 2 + 4, "cannot tell", kind="tick"))
            continue
        is_over = bool(claim) and row.upper > (claim or 0.0)
        x = axis.place(row.upper)
        parts.append(_rect(LABEL, y + 4, x - LABEL, ROW - 8, "bound over" if is_over else "bound"))
        if row.seen:
            parts.append(tag("circle", cx=axis.place(row.seen), cy=y + ROW / 2, r=4.0, class_="seen"))
    if claim:
        x = axis.place(claim)
        anchor = "end" if x > WIDTH - 150 else "start"
        parts += [
            _line(x, top - 4, x, bottom, "claim"),
            _text(x + (-5 if anchor == "end" else 5), 12, f"claim: {one_in(claim)}", anchor, "claim-name"),
        ]
    return _svg(bottom + AXIS, f"Upper bound of {what} per contact, a bar each", *parts)


def hourly(span: Span, passes: Sequence[tuple[float, int]]) -> Markup:
    """How much the trains ran: passes per hour over all contacts, from numbers of passes and their times."""
    height = 110.0
    length_s = max(span.to_s - span.from_s, 1.0)
    width_s = next((step for step in _BARS_S if length_s / step <= BARS_MAX), length_s / BARS_MAX)
    counts = [0] * math.ceil(length_s / width_s)
    for at_s, count in passes:
        counts[min(max(int((at_s - span.from_s) / width_s), 0), len(counts) - 1)] += count
    edges_s = [span.from_s + min(at * width_s, length_s) for at in range(len(counts) + 1)]
    rates = [HOUR_S * count / (b - a) for count, a, b in zip(counts, edges_s, edges_s[1:], strict=False)]
    upward = _value_axis(rates, 6, height)
    axis = _time_axis(span, VALUE)
    bars = []
    for rate, from_s, to_s in zip(rates, edges_s, edges_s[1:], strict=False):
        x, y = axis.place(from_s), upward.place(rate)
        if rate:
            bars.append(_rect(x, y, max(axis.place(to_s) - x - 0.7, 0.5), height + 6 - y, "bar"))
    return _svg(
        height + 6 + AXIS, "Passes per hour, all contacts together", _beside(upward),
        _below(axis, height + 6, height + 6), *bars,
    )  # fmt: skip


def over_time(
    span: Span, title: str, series: Series, alarm_s: float | None = None, reference: float | None = None
) -> Markup:
    """Values over the run, the reference they are held against as a line, and where the alarm came."""
    height = 100.0
    upward = _value_axis([*series.values, *([reference] if reference else [])], 16, height)
    axis = _time_axis(span, VALUE)
    points = " ".join(
        f"{number(axis.place(at_s))},{number(upward.place(value))}"
        for at_s, value in zip(series.at_s, series.values, strict=True)
    )
    parts = [
        _beside(upward),
        _below(axis, height + 16, height + 16),
        tag("polyline", points=points, class_="curve"),
    ]
    if reference is not None:
        y = upward.place(reference)
        parts.append(_line(VALUE, y, WIDTH - RIGHT, y, "reference"))
    if alarm_s is not None:
        x = axis.place(alarm_s)
        anchor = "end" if x > WIDTH - 100 else "start"
        parts += [
            _line(x, 10, x, height + 16, "claim"),
            _text(x + (-5 if anchor == "end" else 5), 12, "alarm", anchor, "claim-name"),
        ]
    return _svg(height + 16 + AXIS, title, *parts)
