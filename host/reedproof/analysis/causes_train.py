"""A train rather than the track."""

from __future__ import annotations

import math
from collections.abc import Iterator

import numpy as np

from reedproof.analysis.clue import (
    CAP,
    MISS_USUAL,
    Clue,
    often,
    percent,
    surprise,
    times,
)
from reedproof.analysis.finding import Cause
from reedproof.analysis.symptoms import Floats, Signs


def vehicle(signs: Signs) -> Iterator[Clue]:
    """One train is short or missed at most contacts, the others are not."""
    trains = range(len(signs.case.trains))
    if len(trains) == 1:
        yield from _alone(signs)
        return
    usual = [_median(signs.lengths[:, train]) for train in trains]
    for train in trains:
        others = [other for other in trains if other != train]
        clue = _absent(signs, train) or _ailing(signs, train, others, usual)
        if clue is not None and clue.score > -3:
            yield clue


def _alone(signs: Signs) -> Iterator[Clue]:
    """Nothing tells the only train from the track, unless it is missed at many contacts."""
    seen = [each for each in signs.contacts if each.count]
    missing = [each for each in seen if each.missed > max(1, 0.02 * each.count)]
    if len(missing) >= 2 and len(missing) >= 0.4 * len(seen):
        told = (
            f"{_called(signs, 0)} is missed at {len(missing)} of {len(seen)} contacts; it is the only "
            "one, so that nothing tells it from the track"
        )
        yield Clue(Cause.VEHICLE, 1.0, (told,), trains=signs.case.alike[0])


def _median(values: Floats) -> float:
    known = values[np.isfinite(values)]
    return float(np.median(known)) if len(known) else math.nan


def _called(signs: Signs, train: int) -> str:
    """The train, or those that it may be."""
    names = [repr(signs.case.trains[at]) for at in signs.case.alike[train]]
    return f"one of {' and '.join(names)}" if len(names) > 1 else f"train {names[0]}"


def _absent(signs: Signs, train: int) -> Clue | None:
    """Of trains that look alike, one is hardly seen at all. One that is never seen may stand in a siding."""
    alike = signs.case.alike[train]
    seen = {at: sum(int(np.sum(each.passes.train == at)) for each in signs.contacts) for at in alike}
    most, least = max(seen.values()), min(seen.values())
    if len(alike) < 2 or train != alike[0] or most < 30 or least > 0.2 * most:
        return None
    told = f"{_called(signs, train)} was seen {often(least)}, another one {often(most)}: does it run?"
    return Clue(Cause.VEHICLE, 4.0 if least else -1.0, (told,), trains=alike)


def _ailing(signs: Signs, train: int, others: list[int], usual: list[float]) -> Clue | None:
    """It is missed, or its closures are short, at most contacts."""
    missed, passes = _missed_by(signs, [train])
    missed_else, passes_else = _missed_by(signs, others)
    if passes < 5 or not passes_else:
        return None
    shorter = usual[train] - _median(np.array([usual[other] for other in others]))
    mine = [each.passes.missed[each.passes.train == train] for each in signs.contacts]
    contacts = sum(len(each) >= 3 for each in mine)
    hit = sum(len(each) > 0 and float(each.mean()) > 0.02 for each in mine)
    spread = signs.spread * 1.25 * math.sqrt(1 / max(contacts, 1) + 0.3)
    off = -shorter / spread if math.isfinite(shorter) else 0.0
    score = math.copysign(0.5 * off**2, off) - 4
    if missed >= 3 and hit >= 0.4 * contacts:
        usual_share = max(MISS_USUAL, (missed_else + 0.5) / (passes_else + 1))
        score += min(6.0, surprise(missed, passes, usual_share) / 2)
    evidence = []
    if math.isfinite(shorter):
        evidence.append(
            f"{_called(signs, train)}: closures are {percent(shorter)} than those of the other trains, "
            f"over {contacts} contacts"
        )
    if missed:
        evidence.append(
            f"{_called(signs, train)}: {times(missed, passes)} are missed, at {hit} contacts; of other "
            f"trains {times(missed_else, passes_else)}"
        )
    return Clue(Cause.VEHICLE, min(CAP, score), tuple(evidence), trains=signs.case.alike[train])


def _missed_by(signs: Signs, trains: list[int]) -> tuple[int, int]:
    missed = passes = 0
    for each in signs.contacts:
        mine = np.isin(each.passes.train, trains)
        missed += int(each.passes.missed[mine].sum())
        passes += int(mine.sum())
    return missed, passes
