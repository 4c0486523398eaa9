"""Every explanation of a few closures, one by one, from what `align.h` says and from nothing else. Slow, and
without any of the shortcuts of the search."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from reedproof.analysis.align import TrainTables

SHORTEST_S = 1e-4


@dataclass(frozen=True)
class Gap:
    from_s: float
    to_s: float
    contacts: frozenset[int]


@dataclass(frozen=True)
class Closure:
    made_s: float
    depart_s: float
    ln_pass: float
    ln_extra: float
    contact: int
    is_long: bool = False


@dataclass(frozen=True)
class Explained:
    """``passes`` says of each closure (train, station, steps), None for an extra one; ``counts`` has shape
    (contacts, 3): passes, missed, extra."""

    weight: float
    passes: tuple[tuple[int, int, int] | None, ...]
    counts: NDArray[np.int64]


@dataclass(frozen=True)
class _Step:
    station: int
    steps: int
    weight: float
    missed: tuple[int, ...]  # contacts


def _weight(train: TrainTables, cell: tuple[int, int], on: float, off: float, time_s: float | None) -> float:
    """As usual, or (if that is likelier) on a halt or in a rush; the order alone where there is no time."""
    if time_s is None:
        return on
    ln_s = math.log(time_s)
    late = ln_s - float(train.mean[cell])
    usual = on - ln_s - late * late * float(train.precision[cell])
    return max(usual, off - ln_s + (train.halted if late > 0 else train.rushed))


def _steps(
    train: TrainTables, was: tuple[int, float] | None, now: Closure, gaps: Sequence[Gap], is_timed: bool
) -> Iterator[_Step]:
    stations, reach = train.mean.shape
    here = [s for s in range(stations) if train.contact[s] == now.contact]
    hidden: set[int] = set()
    if was is not None:
        for gap in gaps:
            if gap.from_s < now.made_s and gap.to_s > was[1]:
                hidden |= gap.contacts
    if was is None or (hidden and {int(c) for c in train.contact} <= hidden):
        for station in here:
            yield _Step(station, 0, train.begun + float(train.made[station]), ())
        return
    start, time_s = was[0], max(SHORTEST_S, now.made_s - was[1])
    for station in here:
        for steps in range(1, reach + 1):
            if (start + steps) % stations != station:
                continue
            between = [(start + n) % stations for n in range(1, steps)]
            ways = []
            cell = (start, steps - 1)
            on, off = float(train.on_time[cell]), float(train.off_time[cell])
            ways.append((_weight(train, cell, on, off, time_s if is_timed else None), between))
            turned = float(train.turned[cell])
            if now.is_long and turned > -math.inf:
                nearer = (start, steps - 2)
                on = float(train.on_time[nearer]) - float(train.off_time[nearer]) + turned
                ways.append((_weight(train, nearer, on, turned, time_s if is_timed else None), between[:-1]))
            told = [
                (
                    weight - sum(float(train.missed[s]) for s in skipped if train.contact[s] in hidden),
                    tuple(int(train.contact[s]) for s in skipped if train.contact[s] not in hidden),
                )
                for weight, skipped in ways
            ]
            weight, missed = max(told, key=lambda each: each[0])
            yield _Step(station, steps, weight, missed)
        if train.moved > -math.inf:
            ln_s = math.log(time_s) if is_timed else 0.0
            yield _Step(station, 0, train.moved - ln_s + float(train.made[station]), ())


def every_explanation(
    contacts: int,
    trains: Sequence[TrainTables],
    closures: Sequence[Closure],
    gaps: Sequence[Gap] = (),
    *,
    is_timed: bool = True,
) -> list[Explained]:
    found: list[Explained] = []

    def go_on(
        weight: float,
        passes: tuple[tuple[int, int, int] | None, ...],
        places: tuple[tuple[int, float] | None, ...],
        counts: NDArray[np.int64],
    ) -> None:
        if len(passes) == len(closures):
            found.append(Explained(weight, passes, counts))
            return
        now = closures[len(passes)]
        extra = counts.copy()
        extra[now.contact, 2] += 1
        go_on(weight + now.ln_extra, (*passes, None), places, extra)
        for t, train in enumerate(trains):
            for step in _steps(train, places[t], now, gaps, is_timed):
                after = counts.copy()
                after[now.contact, 0] += 1
                for contact in step.missed:
                    after[contact, :2] += 1
                go_on(
                    weight + step.weight + now.ln_pass,
                    (*passes, (t, step.station, step.steps)),
                    (*places[:t], (step.station, now.depart_s), *places[t + 1 :]),
                    after,
                )

    go_on(0.0, (), (None,) * len(trains), np.zeros((contacts, 3), dtype=np.int64))
    return found
