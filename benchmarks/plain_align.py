"""The search of `reedproof.analysis.align` for one train without gaps, in plain Python written to be fast."""

from __future__ import annotations

from math import exp, inf, log, log1p
from typing import Any, NamedTuple

from reedproof.analysis.align import TrainTables

SHORTEST_S = 1e-4
WAY_KEEP = 16.0


class Explanation(NamedTuple):
    """``passes`` has (station, steps) of each closure, None for an extra one."""

    best: float
    total: float
    passes: list[tuple[int, int] | None]


def explain(train: TrainTables, rows: Any, keep: float) -> Explanation:
    """``rows`` has dtype align.CLOSURE."""
    stations, reach = train.mean.shape
    mean, precision = train.mean.tolist(), train.precision.tolist()
    on_time, off_time, turned = train.on_time.tolist(), train.off_time.tolist(), train.turned.tolist()
    made, halted, rushed, moved = train.made.tolist(), train.halted, train.rushed, train.moved
    begun = train.begun
    here: dict[int, list[int]] = {}
    for station, contact in enumerate(train.contact.tolist()):
        here.setdefault(contact, []).append(station)

    # Alive: [best, total, station, depart_s, node]; a node is (before, closure, station, steps).
    alive: list[list[Any]] = [[0.0, 0.0, -1, 0.0, None]]
    for number, (made_s, depart_s, ln_pass, ln_extra, contact, is_long) in enumerate(rows.tolist()):
        least = max(state[0] for state in alive) + ln_extra - keep
        new: dict[int, list[Any]] = {}
        for best, total, start, left_s, node in reversed(alive):
            ways: list[tuple[float, int, int]] = []
            if start < 0:
                for station in here.get(contact, ()):
                    ways.append((begun + made[station] + ln_pass, station, 0))
            else:
                ln_s = log(max(SHORTEST_S, made_s - left_s))
                means, precisions = mean[start], precision[start]
                usuals, odds, turns = on_time[start], off_time[start], turned[start]
                for station in here.get(contact, ()):
                    for cell in range((station - start - 1) % stations, reach, stations):
                        late = ln_s - means[cell]
                        weight = usuals[cell] - ln_s - late * late * precisions[cell]
                        odd = odds[cell] - ln_s + (halted if late > 0 else rushed)
                        if odd > weight:
                            weight = odd
                        if is_long and turns[cell] > -inf:
                            late = ln_s - means[cell - 1]
                            turn = (
                                usuals[cell - 1] + turns[cell] - odds[cell - 1]
                                - ln_s - late * late * precisions[cell - 1]
                            )  # fmt: skip
                            odd = turns[cell] - ln_s + (halted if late > 0 else rushed)
                            weight = max(weight, turn, odd)
                        ways.append((weight + ln_pass, station, cell + 1))
                    if moved > -inf:
                        ways.append((moved - ln_s + made[station] + ln_pass, station, 0))
            for weight, station, steps in ways:
                way = best + weight
                if way < least:
                    continue
                if way - keep > least:
                    least = way - keep
                sum_of = total + weight
                state = new.get(station)
                if state is None:
                    new[station] = [way, sum_of, station, depart_s, (node, number, station, steps)]
                elif way >= state[0] - WAY_KEEP:
                    other = state[1]
                    high, low = (sum_of, other) if sum_of > other else (other, sum_of)
                    state[1] = high + log1p(exp(low - high))
                    if way > state[0]:
                        state[0] = way
                        state[4] = (node, number, station, steps)
        kept = []
        for state in alive:
            state[0] += ln_extra
            state[1] += ln_extra
            if state[0] >= least:
                kept.append(state)
        alive = kept + [state for state in new.values() if state[0] >= least]

    best_state = max(alive, key=lambda state: state[0])
    high = best_state[0]
    passes: list[tuple[int, int] | None] = [None] * len(rows)
    node = best_state[4]
    while node is not None:
        node, number, station, steps = node
        passes[number] = (station, steps)
    return Explanation(high, high + log(sum(exp(state[1] - high) for state in alive)), passes)
