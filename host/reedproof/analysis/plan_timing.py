"""Whether trains are counted at all their speeds, how late the host knows, and where they stop."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from reedproof.analysis.answer import Answer, Check, Grid, Result
from reedproof.analysis.plan_stopping import ASSUMED, CAUTIONS, stopping_of
from reedproof.analysis.rounding import down, up
from reedproof.analysis.timing import (
    BAUD,
    FRAME_MAX_BYTES,
    MADE_BYTES,
    SETTING_MAX_US,
    Counted,
    certain_speed_mm_s,
    counted,
    duration_us,
    frame_bytes,
    line_ms,
    lockout_us,
    prototype_speed_km_h,
    samples_in,
    way_mm,
)
from reedproof.plan_tables import TimingPlan
from reedproof.units import with_unit

SPEEDS = 5  # in the table, evenly apart in ratio

OUR_MODEL = "derived here"
RULES = "debouncing, DEVELOPERS.md"


@dataclass(frozen=True)
class Passes:
    """What a plan says of the passes of a contact."""

    plan: TimingPlan

    @property
    def play_us(self) -> float:
        return self.plan.operate_us + self.plan.sampling_us

    @property
    def needed_us(self) -> float:
        """How long a magnet has to hold the contact so that it counts for certain."""
        return self.plan.make_us + self.play_us

    @property
    def certain_mm_s(self) -> float:
        return certain_speed_mm_s(
            self.plan.closure_mm, self.plan.make_us + self.plan.sampling_us, self.plan.operate_us
        )

    @property
    def break_limits_us(self) -> tuple[float, float]:
        """What break_us has to be above and may at most be."""
        plan = self.plan
        needed, allowed = lockout_us(
            plan.notch_mm, plan.slowest_mm_s, plan.spacing_mm, plan.footprint_whole_mm, plan.fastest_mm_s,
            self.play_us,
        )  # fmt: skip
        return needed, min(allowed, SETTING_MAX_US)

    @property
    def break_window_us(self) -> tuple[int, int] | None:
        """The settings that keep both limits, from and to."""
        needed, allowed = self.break_limits_us
        first, last = math.floor(needed) + 1, math.floor(allowed)
        return (first, last) if first <= last else None

    def closure_us(self, speed_mm_s: float) -> float:
        return duration_us(self.plan.closure_mm, speed_mm_s)

    def notch_us(self, speed_mm_s: float) -> float:
        return duration_us(self.plan.notch_mm, speed_mm_s)

    def between_us(self, speed_mm_s: float) -> float:
        """Infinite without a second magnet."""
        if self.plan.spacing_mm is None:
            return math.inf
        return duration_us(self.plan.spacing_mm - self.plan.footprint_whole_mm, speed_mm_s)

    def counted_at(self, speed_mm_s: float) -> Counted:
        return counted(
            self.closure_us(speed_mm_s), self.notch_us(speed_mm_s), self.between_us(speed_mm_s),
            make_us=self.plan.make_us, break_us=self.plan.break_us, play_us=self.play_us,
        )  # fmt: skip


def delays_ms(plan: TimingPlan) -> dict[str, float]:
    """From the magnet to the program on the host, each part at its longest."""
    return {
        "contact closes and comes to rest": plan.operate_us / 1000,
        "until the next sample": plan.sampling_us / 1000,
        "make_us": plan.make_us / 1000,
        "what the board sends before": line_ms(FRAME_MAX_BYTES, BAUD),
        "the record's own frame": line_ms(frame_bytes(MADE_BYTES), BAUD),
        "USB bridge": plan.bridge_ms,
        "host": plan.host_ms,
    }


def plan_timing(asked: TimingPlan, ratio: float | None = None) -> Answer:
    """``ratio`` is that of the scale, for speeds of the prototype."""
    passes = Passes(asked)
    delay_ms = sum(delays_ms(asked).values())
    stopping = stopping_of(asked, delay_ms)
    results = [*_counting(passes, ratio), *_delay(asked, delay_ms)]
    checks = list(_checks(passes))
    advice = list(_advice(passes))
    assumptions = [
        "the contact follows its magnet within operate_us, closing and opening, bounces included: by default "
        "0.5 ms (0.3 ms typical: RI-02 data sheet) and 1 ms of bounces (0.5 to 1 ms: another maker's "
        "glossary)",
        "the input follows within sampling_us; a filter is later by what 'reedproof plan wiring' tells",
        "the board has no storm, no self-test, no trace and no backlog of records",
    ]
    if asked.notch_mm and asked.footprint_mm is None:
        assumptions.append("the two closures of a magnet are equally long")
    elif asked.spacing_mm is not None and asked.footprint_mm is None:
        assumptions.append("no closure is longer than the shortest; tell the longest with --footprint-mm")
    cautions: tuple[str, ...] = ()
    if stopping is not None:
        results += stopping.results()
        checks += stopping.checks()
        assumptions += ASSUMED
        cautions = CAUTIONS
    return Answer(results, checks, (_speeds(passes), _parts(asked)), advice, assumptions, cautions)


def headline(asked: TimingPlan, answer: Answer) -> str:
    """The answer in a line."""
    failed = [check for check in answer.checks if not check.is_kept]
    if not failed:
        stops = " and stops in front of the signal" if asked.stopping_to_signal_mm is not None else ""
        speeds = f"{with_unit(asked.slowest_mm_s, '')} to {with_unit(asked.fastest_mm_s, 'speed_mm_s')}"
        return f"Yes: a train is counted once from {speeds}{stops}"
    told = (f"{check.label} {with_unit(check.value, check.key)}, {check.bound} is needed" for check in failed)
    return f"NO: {'; '.join(told)}"


# ---- counting ----


def _speed(speed_mm_s: float, ratio: float | None) -> str:
    text = with_unit(speed_mm_s, "speed_mm_s")
    if ratio is None:
        return text
    return f"{text} ({prototype_speed_km_h(speed_mm_s, ratio):.0f} km/h at 1:{ratio:g})"


def _counting(passes: Passes, ratio: float | None) -> Iterator[Result]:
    plan = passes.plan
    slowest, fastest = plan.slowest_mm_s, plan.fastest_mm_s
    ends = {speed: passes.counted_at(speed).value for speed in (slowest, fastest)}
    yield Result(
        "counted", "a pass is counted", {"slowest": ends[slowest], "fastest": ends[fastest]},
        text=", ".join(f"{how} at {_speed(speed, ratio)}" for speed, how in ends.items()),
    )  # fmt: skip
    yield Result(
        "certain_mm_s", "no pass is missed up to", passes.certain_mm_s,
        "closure / (make_us + sampling_us + operate_us)", OUR_MODEL, _speed(passes.certain_mm_s, ratio),
    )  # fmt: skip
    shortest_us = passes.closure_us(fastest)
    samples = samples_in(shortest_us, plan.operate_us, plan.sampling_us)
    yield Result("closure_ms", "shortest closure", shortest_us / 1000, "closure / fastest speed")
    yield Result(
        "samples", "samples that see it closed", samples,
        "(shortest closure - operate_us) / sampling_us, rounded down", OUR_MODEL,
    )  # fmt: skip
    if plan.notch_mm:
        yield Result(
            "notch_ms", "longest opening within a pass", passes.notch_us(slowest) / 1000,
            "notch / slowest speed", OUR_MODEL,
        )  # fmt: skip
    if plan.spacing_mm is not None:
        yield Result(
            "between_ms", "shortest opening between two magnets", passes.between_us(fastest) / 1000,
            "(spacing - footprint) / fastest speed", OUR_MODEL,
        )  # fmt: skip
    window = passes.break_window_us
    yield Result(
        "break_window_us", "break_us may be", None if window is None else list(window),
        "notch / slowest + play < break_us <= (spacing - footprint) / fastest - play, "
        "with play = operate_us + sampling_us", f"{OUR_MODEL} from rules 3 and 5 of {RULES}",
        "nothing: no setting does for all speeds" if window is None else f"{window[0]} to {window[1]} us",
    )  # fmt: skip


def _checks(passes: Passes) -> Iterator[Check]:
    plan = passes.plan
    longest_us = passes.closure_us(plan.fastest_mm_s) - passes.play_us
    nearest_mm = passes.needed_us * plan.fastest_mm_s / 1e6
    ways = [f"a closure of at least {up(nearest_mm, 'closure_mm')} (magnet nearer or stronger)"]
    ways.append(f"at most {down(passes.certain_mm_s, 'speed_mm_s')}")
    if longest_us >= 1:
        ways.append(f"a make_us of at most {math.floor(longest_us)}, if the contact bounces for less")
    yield Check(
        "closure_ms", "shortest closure", passes.closure_us(plan.fastest_mm_s) / 1000,
        passes.needed_us / 1000, f"it takes {', or '.join(ways)}",
    )  # fmt: skip
    needed, allowed = passes.break_limits_us
    window = passes.break_window_us
    other = f"it takes a break_us of {_chosen(window)}" if window else "no break_us keeps both limits"
    what = "the notch" if plan.notch_mm else "the contact's bounces"
    yield Check("break_us", f"break_us over {what}", plan.break_us, math.floor(needed) + 1, other)
    if plan.spacing_mm is not None:
        yield Check(
            "break_us", "break_us between two magnets", plan.break_us, max(0, math.floor(allowed)), other,
            is_upper=True,
        )  # fmt: skip


def _chosen(window: tuple[int, int]) -> int:
    """A setting with as much room below as above, to two digits where these are in the window."""
    middle = math.sqrt(window[0] * window[1])
    rounded = round(float(f"{middle:.2g}"))
    return rounded if window[0] <= rounded <= window[1] else round(middle)


def _advice(passes: Passes) -> Iterator[str]:
    if passes.break_window_us is not None:
        return
    plan = passes.plan
    needed, allowed = passes.break_limits_us
    yield (
        f"no break_us does: it would have to be above {needed / 1000:.3g} ms and at most "
        f"{max(allowed, 0) / 1000:.3g} ms. One of these changes cures it:"
    )
    if plan.notch_mm and passes_without_notch(plan).break_window_us is not None:
        yield "turn the magnet across the travel, parallel to the contact: one closure, no notch"
    slack_us = allowed - passes.play_us - 1
    if 0 < 1e6 * plan.notch_mm <= slack_us * plan.fastest_mm_s:
        yield f"drive the slowest train at {up(1e6 * plan.notch_mm / slack_us, 'speed_mm_s')} or faster"
    if plan.spacing_mm is None or needed >= SETTING_MAX_US:
        return
    free_mm = plan.spacing_mm - passes.plan.footprint_whole_mm
    wanted_us = needed + passes.play_us + 1
    if 1e6 * free_mm / wanted_us >= plan.slowest_mm_s:
        yield f"drive the fastest train at {down(1e6 * free_mm / wanted_us, 'speed_mm_s')} or slower"
    apart_mm = passes.plan.footprint_whole_mm + wanted_us * plan.fastest_mm_s / 1e6
    yield f"put the magnets {up(apart_mm, 'spacing_mm')} or further apart, or use one magnet per train"


def passes_without_notch(plan: TimingPlan) -> Passes:
    """The same footprint closed without a break."""
    return Passes(plan.model_copy(update={"notch_mm": 0.0, "footprint_mm": plan.footprint_whole_mm}))


def _speeds(passes: Passes) -> Grid:
    plan = passes.plan
    slowest, fastest = plan.slowest_mm_s, plan.fastest_mm_s
    between = np.geomspace(slowest, fastest, SPEEDS)[1:-1].tolist()
    speeds = [slowest] if slowest == fastest else [slowest, *between, fastest]
    columns = ["speed_mm_s", "closure_ms"]
    columns += ["notch_ms"] if plan.notch_mm else []
    columns += ["between_ms"] if plan.spacing_mm is not None else []
    rows = []
    for speed in speeds:
        values = {
            "speed_mm_s": speed,
            "closure_ms": passes.closure_us(speed) / 1000,
            "notch_ms": passes.notch_us(speed) / 1000,
            "between_ms": passes.between_us(speed) / 1000,
        }
        rows.append((*(values[key] for key in columns), passes.counted_at(speed).value))
    return Grid("speeds", "what the board makes of a pass", (*columns, "counted"), rows)


# ---- delay ----


def _delay(plan: TimingPlan, delay_ms: float) -> Iterator[Result]:
    yield Result(
        "delay_ms", "the host knows at the latest after", delay_ms, "sum of the parts below",
        f"frames: protocol.md, {BAUD} baud; bridge: 16 ms by two makers' manuals, 1 ms by a third one's if "
        "nothing waits",
    )  # fmt: skip
    late_mm = way_mm(plan.fastest_mm_s, delay_ms)
    yield Result("delay_mm", "by then the fastest train has gone", late_mm, "fastest speed x delay")
    error_mm = way_mm(plan.fastest_mm_s, (plan.operate_us + plan.sampling_us) / 1000)
    yield Result(
        "position_error_mm", "a place from the record's own time is right within", error_mm,
        "fastest speed x (operate_us + sampling_us): a record has the time of the first edge",
        f"{OUR_MODEL} from rule 2 of {RULES}",
    )  # fmt: skip


def _parts(plan: TimingPlan) -> Grid:
    return Grid(
        "delays",
        "from the magnet to the host, at most",
        ("part", "delay_ms", "way_mm"),
        [(part, ms, way_mm(plan.fastest_mm_s, ms)) for part, ms in delays_ms(plan).items()],
    )
