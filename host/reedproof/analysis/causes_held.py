"""A contact that stays closed: it sticks, or a magnet was left there."""

from __future__ import annotations

from collections.abc import Iterator

from reedproof.analysis.clue import CAP, Clue, often
from reedproof.analysis.finding import Cause
from reedproof.analysis.symptoms import Held, Signs, Symptoms

#: Where nothing tells whether a train came.
UNKNOWN = -0.5


def _held_told(held: list[Held]) -> str:
    longest = max(each.seconds for each in held)
    return f"it stayed closed {often(len(held))}, for up to {longest:.0f} s"


def _sticks(held: Held) -> float:
    """How much likelier it stuck after a train than that a magnet was put down: by the moment it began, and
    by the trains that went over it, any of which might have freed a contact that sticks. A contact that never
    opens again has most likely stuck."""
    if held.lasts:
        return 1.0 if held.timing is None else held.timing
    return (UNKNOWN if held.timing is None else held.timing) - 0.35 * min(held.over, 8)


def stuck_contact(signs: Signs, seen: Symptoms) -> Iterator[Clue]:
    """It stays closed after a train that has gone on."""
    held = [each for each in seen.held if each.went_on]
    if not held:
        return
    evidence = [_held_told(held)]
    came = [signs.case.trains[each.train] for each in held if each.train is not None]
    score = 2.0 + sum(_sticks(each) for each in held) + 2.0 * (len(held) - 1)
    if signs.case.is_session:  # whoever passes the magnets sees one that is left there
        score = 5.0
        evidence.append(f"{sum(each.over for each in held)} passes were made meanwhile")
    elif came:
        evidence.append(f"{often(len(came))} from when {came[0]!r} came, which went on before it opened")
    yield Clue(Cause.STUCK_CONTACT, min(CAP, score), tuple(evidence), (seen.at,))


def parked_magnet(signs: Signs, seen: Symptoms) -> Iterator[Clue]:
    """It closed without a train, and stayed closed."""
    held = [each for each in seen.held if each.went_on]
    if not held:
        return
    evidence = [_held_told(held)]
    if all(each.timing is not None and each.timing < 0 for each in held):
        evidence.append("no train was due when it closed")
    if over := sum(each.over for each in held):
        evidence.append(f"{over} passes went over it meanwhile and left it closed")
    score = 2.0 - sum(_sticks(each) for each in held) - 3.0 * (len(held) - 1)
    if signs.case.is_session:
        score = -1.0
    yield Clue(Cause.PARKED_MAGNET, min(CAP, score), tuple(evidence), (seen.at,))
