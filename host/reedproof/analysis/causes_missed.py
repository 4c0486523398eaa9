"""Passes without a closure: an open lead, a magnet that is too weak or too far away, a window too long."""

from __future__ import annotations

import math
from collections.abc import Iterator

import numpy as np

from reedproof.analysis.clue import (
    CAP,
    MISS_USUAL,
    Clue,
    percent,
    surprise,
    times,
)
from reedproof.analysis.finding import Cause
from reedproof.analysis.symptoms import SPREAD_MS, Signs, Symptoms
from reedproof.records import Fault, Verdict

#: Closings too short to count, per pass: fewer are no trace of a magnet.
TRACES = 0.2
#: Missed passes that come together: how much likelier that is than by chance, a logarithm.
APART = 0.5
#: Closures that are shorter than elsewhere by more than this (of the logarithm) speak for the magnet.
LENGTH_SHORT = 0.2
USUAL_CONTACTS = 8
#: Closures shorter by so many spreads are worth a line, with a score that makes it a possibility.
WORTH_A_LINE, FAINT = 2.1, -2.2
#: A longer make_us deserves a look.
MAKE_US_LONG = 5_000


def open_lead(_: Signs, seen: Symptoms) -> Iterator[Clue]:
    """Passes are missed in a row, without a trace."""
    if seen.missed < 2 or seen.count < 3:
        return
    if len(seen.contact.extras) >= seen.missed:
        return  # the lead carries closures: it is the account that could not place its passes
    if seen.missed == seen.count:
        counts = seen.contact.at.counts
        traces = counts.blips if counts is not None else 0
        score = min(8.0, 1.0 + seen.count / 3) if traces < TRACES * seen.count else -2.0
        told = f"none of {times(seen.count)} closed it"
        if counts is not None and not counts.edges:
            told += ", and its input never changed"
        test = seen.contact.at.selftest
        if test is not None and test.verdict is Verdict.HELD_HIGH:
            score = min(score, 1.0)  # the input itself is dead
        yield Clue(Cause.OPEN_LEAD, score, (told,), (seen.at,))
        return
    outside = (seen.missed - seen.silence + 0.5) / (seen.count - seen.silence + 1)
    row = -seen.silence * math.log(outside) - math.log(seen.count)
    apart = min(6.0, max(seen.clustering, row))
    score = apart - 4
    if any(span.fault & Fault.CHATTER for span in seen.contact.at.faults):
        score -= 4  # an open lead is quiet
    evidence = [f"{times(seen.missed, seen.count)} missed"]
    if seen.missed > 0.05 * seen.count and seen.length_ratio > -LENGTH_SHORT:
        score += 5 if seen.spread < SPREAD_MS else 4 if apart > APART else 2
        evidence.append("closures that are seen are as long as elsewhere, so it is not the magnet")
    if seen.silence > 1:
        evidence[0] += f", {seen.silence} of them in a row"
        evidence.append(f"apart from that row, {100 * outside:.1f} % are missed")
    yield Clue(Cause.OPEN_LEAD, score, tuple(evidence), (seen.at,))


def _shortness(seen: Symptoms) -> float:
    """By how many spreads closures are shorter than elsewhere: on average over the trains, if they are so for
    each of them. Few passes tell a length less well."""
    known = seen.ratio[np.isfinite(seen.ratio)]
    if not len(known):
        return 0.0
    shortest, best = -known.mean(), -known.max()
    return float(shortest if best > 0.5 * shortest else best) / math.hypot(seen.spread, seen.length_error)


def weak_magnet(signs: Signs, seen: Symptoms) -> Iterator[Clue]:
    """Closures are short, for every train, and the shortest are missed."""
    counts = seen.contact.at.counts
    if seen.missed == seen.count:
        if seen.count >= 3 and counts is not None and not counts.edges:
            told = f"none of {times(seen.count)} closed it: a magnet that is too far away leaves no trace"
            yield Clue(Cause.WEAK_MAGNET, -1.0, (told,), (seen.at,))
        elif seen.count >= 3 and counts is not None and counts.blips >= TRACES * seen.count:
            told = f"none of {times(seen.count)} counted; its input closed {counts.blips} times for too short"
            yield Clue(Cause.WEAK_MAGNET, 1.0, (told,), (seen.at,))
        return
    known = seen.ratio[np.isfinite(seen.ratio)]
    short = _shortness(seen)
    change, errors = seen.length_trend
    falling = min(4.0, -errors / 2) if change < -0.1 and errors < -4 else 0.0
    score = math.copysign(0.5 * short**2, short) - 5 + falling
    # Of many contacts one is the shortest by chance.
    score -= math.log(max(1.0, len(signs.contacts) / USUAL_CONTACTS))
    if seen.missed and (short > 1.5 or not len(known)):
        by_chance = surprise(seen.missed, seen.count, MISS_USUAL)
        score += min(4.0, by_chance / 2) - min(4.0, seen.clustering)
        score += 0.0 if len(known) else 1.0  # with nothing to compare with, it is as good a guess as others
    if short > WORTH_A_LINE:
        score = max(score, FAINT)
    if seen.contact.at.faults and not seen.is_ordered:
        score -= 3  # what chattered in a session was not too far away
    if score < -4:
        return
    evidence = []
    if len(known):
        evidence.append(
            f"closures are {percent(seen.length_ratio)} than at the other contacts; where nothing is "
            f"wrong they differ by about {100 * math.expm1(seen.spread):.0f} %"
        )
    planned = seen.contact.planned
    if planned is not None and planned.share is not None and planned.share < 1:
        evidence.append(
            f"closures are {planned.measured_mm:.1f} mm long, {planned.planned_mm[0]:.1f} mm were planned"
        )
    if falling:
        evidence.append(f"closures have become {percent(change)} since the first passes")
    if seen.missed:
        evidence.append(f"{times(seen.missed, seen.count)} missed, here and there")
    yield Clue(Cause.WEAK_MAGNET, min(CAP, score), tuple(evidence), (seen.at,))


def window_too_long(_: Signs, seen: Symptoms) -> Iterator[Clue]:
    """make_us is as long as fast closures are."""
    make_ms = seen.contact.at.make_us / 1000
    counts = seen.contact.at.counts
    if make_ms * 1000 < MAKE_US_LONG:
        return
    if not math.isfinite(seen.usual_ms):
        if seen.missed and counts is not None and counts.longest_blip_us > 0.4 * make_ms * 1000:
            told = (
                f"make_us is {make_ms:.0f} ms; none of {times(seen.missed)} closed for as long, but up to "
                f"{counts.longest_blip_us / 1000:.1f} ms"
            )
            yield Clue(Cause.WINDOW_TOO_LONG, 5.0, (told,), (seen.at,))
        return
    share = make_ms / seen.usual_ms
    faster, errors = seen.pace_of_missed
    evidence = [
        f"make_us is {make_ms:.0f} ms, closures last {seen.usual_ms:.0f} ms as a rule: what closes for "
        "less than make_us is not counted"
    ]
    score = 6 * (share - 0.5)
    if seen.missed:
        score += min(3.0, surprise(seen.missed, seen.count, MISS_USUAL) / 2)
        evidence.append(f"{times(seen.missed, seen.count)} missed")
        if errors > 2:
            score += min(4.0, errors - 1)
            evidence.append(f"the missed ones were {100 * math.expm1(faster):.0f} % faster than the others")
        if counts is not None and counts.blips and counts.longest_blip_us > 0.4 * make_ms * 1000:
            score += 3
            evidence.append(
                f"{counts.blips} closings were too short to count, up to "
                f"{counts.longest_blip_us / 1000:.1f} ms"
            )
    yield Clue(Cause.WINDOW_TOO_LONG, min(CAP, score), tuple(evidence), (seen.at,))
