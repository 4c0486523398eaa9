"""Durations over speed with the settings they have to keep to, and the stopping place, as an SVG file."""

from __future__ import annotations

from typing import TYPE_CHECKING, TypeAlias

import numpy as np
from numpy.typing import NDArray

from reedproof.analysis.plan_stopping import Stopping, stopping_of
from reedproof.analysis.plan_timing import Passes, delays_ms
from reedproof.analysis.timing import way_mm
from reedproof.plan_tables import TimingPlan
from reedproof.plots import CLOSED, LIMIT, WINDOW, house_style, svg

if TYPE_CHECKING:
    from matplotlib.axes import Axes

Floats: TypeAlias = NDArray[np.float64]

POINTS = 100
BEYOND = 2.0  # how many times slower and faster than the trains is drawn
DASHES = ("-", "--", ":")


def timing_plot(asked: TimingPlan) -> str:
    """An SVG document."""
    from matplotlib.figure import Figure

    passes = Passes(asked)
    stopping = stopping_of(asked, sum(delays_ms(asked).values()))
    with house_style():
        figure = Figure(figsize=(9, 4 if stopping is None else 6), layout="constrained")
        if stopping is None:
            _draw_speeds(figure.subplots(), passes)
        else:
            above, below = figure.subplots(2, 1, height_ratios=(3, 1))
            _draw_speeds(above, passes)
            _draw_place(below, stopping)
        return svg(figure, "reedproof plan timing")


def _draw_speeds(axes: Axes, passes: Passes) -> None:
    plan = passes.plan
    speeds = np.geomspace(plan.slowest_mm_s / BEYOND, plan.fastest_mm_s * BEYOND, POINTS)
    listed = speeds.tolist()
    axes.plot(speeds, [passes.closure_us(speed) / 1000 for speed in listed], color=CLOSED, label="closure")
    axes.axhline(
        passes.needed_us / 1000, color=CLOSED, linestyle="--", linewidth=1,
        label="what a closure has to last for certain",
    )  # fmt: skip
    if plan.notch_mm:
        axes.plot(
            speeds, [passes.notch_us(speed) / 1000 for speed in listed], ":", color=LIMIT,
            label="opening within a pass",
        )  # fmt: skip
    if plan.spacing_mm is not None:
        axes.plot(
            speeds, [passes.between_us(speed) / 1000 for speed in listed], "-.", color=LIMIT,
            label="opening between two magnets",
        )  # fmt: skip
    axes.axhline(plan.break_us / 1000, color=LIMIT, linewidth=1, label=f"break_us {plan.break_us}")
    window = passes.break_window_us
    if window is not None:
        axes.axhspan(
            window[0] / 1000, window[1] / 1000, color=WINDOW, alpha=0.3, linewidth=0,
            label="what break_us may be",
        )  # fmt: skip
    for speed in (plan.slowest_mm_s, plan.fastest_mm_s):
        axes.axvline(speed, color="black", linewidth=0.5)
        axes.annotate(
            f" {speed:.0f} mm/s", (speed, 1.01), xycoords=("data", "axes fraction"), fontsize=8, ha="center"
        )
    axes.set_xscale("log")
    axes.set_yscale("log")
    for axis in (axes.xaxis, axes.yaxis):
        axis.set_major_formatter("{x:g}")  # powers of ten would be written as formulas
        axis.set_minor_formatter("")
    axes.set_xlim(speeds[0], speeds[-1])
    axes.set_xlabel("speed, mm/s; the lines are the slowest and the fastest train")
    axes.set_ylabel("ms")
    axes.legend(fontsize=8, frameon=False, loc="center left", bbox_to_anchor=(1, 0.5))


def _draw_place(axes: Axes, stopping: Stopping) -> None:
    """The speed of a train over the way of its magnet, from the first contact to its standstill."""
    way, speed = _slowing(stopping.approach_mm_s, stopping.slow_mm_s or 0.0, stopping)
    places = {"contact": 0.0}
    at_mm = 0.0
    if stopping.slow_mm_s is not None:
        at_mm = stopping.braking_to_stopping_mm or way[-1]
        places = {"braking contact": 0.0, "stopping contact": at_mm}
        before = way < at_mm
        last, stopped = _slowing(stopping.arrival_mm_s, 0.0, stopping)
        way = np.concatenate([way[before], at_mm + last])
        speed = np.concatenate([speed[before], stopped])
    axes.plot(way, speed, color=CLOSED)
    if stopping.stopping_to_signal_mm is not None:
        end_mm = at_mm + stopping.stopping_to_signal_mm - stopping.front_mm
        places["front at the signal"] = end_mm
        axes.axvspan(
            *sorted((way[-1], end_mm)), color=WINDOW if end_mm >= way[-1] else LIMIT, alpha=0.3, linewidth=0
        )  # fmt: skip
    for (name, place_mm), dashes in zip(places.items(), DASHES, strict=False):
        axes.axvline(place_mm, color="black", linewidth=1, linestyle=dashes, label=name)
    axes.legend(fontsize=8, frameon=False, loc="center left", bbox_to_anchor=(1, 0.5))
    axes.set_ylim(0, None)
    axes.set_xlabel("way of the magnet from the first contact, mm")
    axes.set_ylabel("speed, mm/s")


def _slowing(speed_mm_s: float, to_mm_s: float, stopping: Stopping) -> tuple[Floats, Floats]:
    """Ways from a contact and the speeds there, until ``to_mm_s``; shape (n,) each."""
    held_mm = way_mm(speed_mm_s, stopping.delay_ms)
    falling = np.linspace(speed_mm_s, to_mm_s, POINTS)
    ways = held_mm + (speed_mm_s**2 - falling**2) / (2 * stopping.deceleration_mm_s2)
    return np.concatenate([[0.0], ways]), np.concatenate([[speed_mm_s], falling])
