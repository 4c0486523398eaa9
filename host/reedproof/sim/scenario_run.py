"""A scenario from end to end without boards, lines and store: for campaigns of thousands of runs.

Closures and counters are the boards' own code's. What a board adds to that, the muting of inputs that chatter
and its faults with their times, is followed here; `tests/sim/test_scenario_run.py` holds it against runs with
boards, links and a store. Not followed are storms (255 edges of an input within a second) and a ring that
overflows.
"""

from __future__ import annotations

import contextlib
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from reedproof.analysis.case import FaultSpan
from reedproof.analysis.closures import Closures
from reedproof.link import Link
from reedproof.records import Fault
from reedproof.sim.core import CHATTER_EDGES_DEFAULT, STILL_CLOSED, STUCK_MS_DEFAULT, InputTotals
from reedproof.sim.layout import Conditions, Replayed, VirtualLayout
from reedproof.sim.scenario import Scenario
from reedproof.store_runs import stored_settings

SECOND_US = 1_000_000


@dataclass(frozen=True)
class BoardRun:
    """What a board tells of itself and its inputs. ``settings`` are as the store keeps them, the self-test
    included; ``totals`` has inputs with edges only; ``lost`` are closures that were counted and not recorded
    because the input was muted."""

    settings: dict[str, Any]
    totals: dict[int, InputTotals]
    lost: dict[int, int]
    faults: dict[int, list[FaultSpan]]


@dataclass(frozen=True)
class ScenarioRun:
    """``closures`` are those that were recorded, of inputs with a contact, in host time; ``stray`` when the
    recorded ones of inputs without a contact were made, by (board, input). ``truth`` is as in truth.json."""

    closures: Closures
    stray: dict[tuple[str, int], tuple[float, ...]]
    boards: dict[str, BoardRun]
    start_s: float
    end_s: float
    truth: dict[str, Any]


def run_scenario(
    scenario: Scenario,
    *,
    laps: int | None = None,
    seed: int | None = None,
    start_s: float = 0.0,
    speed_spread: float | None = None,
) -> ScenarioRun:
    """Runs a scenario; ``laps`` and ``seed`` instead of its own. ``start_s``: host time of the run's begin.
    Raises ReedproofError when trains cannot run on the sheet, or a magnet would go through a contact."""
    layout = layout_of(scenario, laps=laps, seed=seed, speed_spread=speed_spread)
    kept: dict[str, NDArray[Any]] = {}
    boards = {}
    stray: dict[tuple[str, int], tuple[float, ...]] = {}
    positions = scenario.sheet.positions()
    for name, replayed in layout.replays().items():
        kept[name], boards[name] = _board_run(layout, name, replayed, start_s)
        for number in np.unique(kept[name]["input"]).tolist():
            if (name, number) not in positions:
                made_us = kept[name]["made_us"][kept[name]["input"] == number]
                stray[name, number] = tuple((start_s + made_us / 1e6).tolist())
    assert layout.end_us is not None
    return ScenarioRun(
        layout.joined(kept, start_s), stray, boards, start_s, start_s + layout.end_us / 1e6, layout.truth()
    )


def layout_of(
    scenario: Scenario,
    *,
    laps: int | None = None,
    seed: int | None = None,
    speed_spread: float | None = None,
) -> VirtualLayout:
    """The virtual layout of a scenario."""
    conditions = Conditions() if speed_spread is None else Conditions(speed_spread=speed_spread)
    return VirtualLayout(
        scenario.sheet,
        scenario.laps if laps is None else laps,
        seed=scenario.seed if seed is None else seed,
        conditions=conditions,
        physics=scenario.physics,
        faults=scenario.faults,
    )


def _board_run(
    layout: VirtualLayout, name: str, replayed: Replayed, start_s: float
) -> tuple[NDArray[Any], BoardRun]:
    """(the closures that were recorded, the rest). The layout's edges have been taken already, so that its
    board is asked for settings and self-test as long as nothing moves."""
    with contextlib.closing(Link(layout.boards[name].plug_in)) as link:
        settings = stored_settings(*link.settings(), link.selftest())
    assert layout.end_us is not None
    closures = replayed.replay.closures
    is_lost = np.zeros(len(closures), dtype=bool)
    spans: list[tuple[int, Fault, int, int | None]] = []
    for number, totals in replayed.replay.totals.items():
        window = settings["inputs"][str(number)]
        mine = np.flatnonzero(closures["input"] == number)
        if Fault.CHATTER in totals.faults:
            times_us = replayed.times_us[replayed.inputs == number]
            seconds = _chatter(times_us)
            counted_us = _counted_us(closures["made_us"][mine], times_us, window["make_us"])
            for first, last, noticed_us in seconds:
                is_muted = (counted_us > (first + 1) * SECOND_US) & (counted_us <= (last + 2) * SECOND_US)
                is_lost[mine[is_muted]] = True
                over_us = (last + 2) * SECOND_US
                spans.append((number, Fault.CHATTER, noticed_us, over_us))
        if Fault.STUCK_CLOSED in totals.faults:
            spans += [
                (number, Fault.STUCK_CLOSED, *span)
                for span in _stuck(closures[mine], layout.end_us, window["break_us"])
            ]
    faults: dict[int, list[FaultSpan]] = {}
    for number, fault, from_us, to_us in sorted(spans, key=lambda span: span[2]):
        to_s = None if to_us is None or to_us > layout.end_us else start_s + to_us / 1e6
        faults.setdefault(number, []).append(FaultSpan(fault, start_s + from_us / 1e6, to_s))
    lost = np.unique(closures["input"][is_lost], return_counts=True)
    return closures[~is_lost], BoardRun(
        settings,
        replayed.replay.totals,
        dict(zip(lost[0].tolist(), lost[1].tolist(), strict=True)),
        faults,
    )


def _chatter(times_us: NDArray[np.int64]) -> list[tuple[int, int, int]]:
    """(first, last second of those with too many edges in a row, when that was noticed)."""
    seconds, starts, counts = np.unique(times_us // SECOND_US, return_index=True, return_counts=True)
    noisy = counts > CHATTER_EDGES_DEFAULT
    seconds, noticed = seconds[noisy], times_us[starts[noisy] + CHATTER_EDGES_DEFAULT]
    new = np.flatnonzero(np.diff(seconds, prepend=-2) > 1)
    last = np.append(new[1:] - 1, len(seconds) - 1)
    return list(zip(seconds[new].tolist(), seconds[last].tolist(), noticed[new].tolist(), strict=True))


def _counted_us(made_us: NDArray[np.int64], times_us: NDArray[np.int64], make_us: int) -> NDArray[np.int64]:
    """When each closing counted: its first edge is earlier, by its bounces and make_us."""
    closings = times_us[::2]
    openings = np.append(times_us[1::2], np.iinfo(np.int64).max)[: len(closings)]
    steady = closings[openings - closings >= make_us]
    counted: NDArray[np.int64] = steady[np.searchsorted(steady, made_us)] + make_us
    return counted


def _stuck(closures: NDArray[Any], end_us: int, break_us: int) -> list[tuple[int, int | None]]:
    """The board looks at the end of each second."""
    found: list[tuple[int, int | None]] = []
    for made_us, broke_us in zip(closures["made_us"].tolist(), closures["broke_us"].tolist(), strict=True):
        noticed_us = -(-(made_us + (STUCK_MS_DEFAULT + 1) * 1000) // SECOND_US) * SECOND_US
        is_open = broke_us != STILL_CLOSED
        if noticed_us < (broke_us + break_us if is_open else end_us):
            found.append((noticed_us, broke_us if is_open else None))
    return found
