"""A contact that stays closed: it sticks, or a magnet was left there."""

from __future__ import annotations

from collections.abc import Iterator

from reedproof.analysis.clue import (
    CAP,
    Clue,
)
from reedproof.analysis.finding import Cause
from reedproof.analysis.symptoms import Held, Signs, Symptoms


def _held_told(held: list[Held]) -> str:
    longest = max(each.seconds for each in held)
    often = "once" if len(held) == 1 else f"{len(held)} times"
    return f"it stayed closed {often}, for up to {longest:.0f} s"


def _sticks(held: Held) -> float:
    """How much likelier it stuck after a train than that a magnet was put down: by the moment it began, and
    by the trains that went over it, any of which might have freed a contact that sticks."""
    return held.timing - (0.0 if held.lasts else 0.35 * min(held.over, 8))


def stuck_contact(signs: Signs, seen: Symptoms) -> Iterator[Clue]:
    """It stays closed after a train that has gone on."""
    held = [each for each in seen.held if each.went_on]
    if not held:
        return
    trains = signs.case.trains
    evidence = [_held_told(held)]
    with_train = [each for each in held if each.train is not None]
    score = 2.0 + sum(_sticks(each) for each in held) + 2.0 * (len(held) - 1)
    if signs.case.is_session:  # whoever passes the magnets sees one that is left there
        score = 5.0
        evidence.append(f"{sum(each.over for each in held)} passes were made meanwhile")
    elif with_train:
        evidence.append(
            f"{len(with_train)} time{'s' * (len(with_train) > 1)} from when "
            f"{trains[with_train[0].train or 0]!r} came, "
            "which was seen elsewhere before it opened"
        )
    yield Clue(Cause.STUCK_CONTACT, min(CAP, score), tuple(evidence), (seen.at,))


def parked_magnet(signs: Signs, seen: Symptoms) -> Iterator[Clue]:
    """It closed without a train, and stayed closed."""
    held = [each for each in seen.held if each.went_on]
    if not held:
        return
    over = sum(each.over for each in held)
    evidence = [_held_told(held), "no train was due when it closed"]
    if over:
        evidence.append(f"{over} passes went over it meanwhile and left it closed")
    score = 2.0 - sum(_sticks(each) for each in held) - 3.0 * (len(held) - 1)
    if signs.case.is_session:
        score = -1.0
    yield Clue(Cause.PARKED_MAGNET, min(CAP, score), tuple(evidence), (seen.at,))
