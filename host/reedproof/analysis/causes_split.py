"""Passes that open in between: turned magnet, side lobes, loose lead, short window; and bounce that grows."""

from __future__ import annotations

import math
from collections.abc import Iterator

import numpy as np
from scipy.special import gammaln

from reedproof.analysis.clue import (
    BREAK_US_SHORT,
    CAP,
    MISS_USUAL,
    Clue,
    percent,
    surprise,
    times,
)
from reedproof.analysis.finding import Cause
from reedproof.analysis.sketches import sketches_of
from reedproof.analysis.symptoms import BOUNCES, Signs, Symptoms
from reedproof.records import Fault

#: Bursts come in no more of the passes than that, and go on at least so often.
BURSTS_MOST, AGAIN_LEAST = 0.6, 0.3
#: A sound lead does not open so often while it is moved.
SHAKEN = 2
#: Of good passes, at most this share has an opening.
OPENING_USUAL = 0.02
#: Passes that go against a rule of notches all the same, and those in which a notch is not seen.
OTHERWISE, UNSEEN = 0.01, 0.01
#: A notch is never as much of a pass, nor a side lobe as little of one.
NOTCH_MOST, LOBE_LEAST = 0.5, 0.05
#: Without a pass of three closures, lobes in fewer passes than that are none.
LOBES_LEAST = 0.1
#: Of passes with side lobes, how many show one of them only.
ONE_LOBE = 0.2


def _by_chance(seen: Symptoms) -> float:
    """Logarithm of the likelihood of openings that come by chance: one by one (Poisson with their own mean),
    or in bursts (some passes open, and then any number of times: geometric)."""
    openings, mean = seen.openings, max(seen.opening_rate, 1e-3)
    one_by_one = float(np.sum(openings * math.log(mean) - mean - gammaln(openings + 1)))
    some = openings[openings > 0]
    opened = min(max(seen.opened, 1e-3), BURSTS_MOST)
    again = min(max(1 - len(some) / max(int(some.sum()), 1), AGAIN_LEAST), 1 - 1e-3)
    bursts = len(some) * math.log(opened * (1 - again)) + (len(openings) - len(some)) * math.log(1 - opened)
    return max(one_by_one, bursts + float(np.sum(some - 1)) * math.log(again))


def _by_notches(seen: Symptoms, notches: int) -> float:
    """The same if each pass has that many openings, each of which bounces as the contact does."""
    hidden = notches - (seen.seen.closures - 1)  # in its closures, seen as dropouts
    # A notch is there whatever the pass; side lobes reach the contact in some passes only.
    none = UNSEEN if notches == 1 else max(UNSEEN, 1 - seen.opened)
    total = 0.0
    for left in range(-1, notches + 1):
        dropouts = seen.seen.dropouts[np.maximum(hidden, -1) == left]
        shares = np.zeros(2 * BOUNCES)
        if left >= 0:
            shares[left] = 1.0
            for _ in range(left):
                shares = np.convolve(shares, seen.bounce_shares)[: 2 * BOUNCES]
        shares = (1 - OTHERWISE) * shares + OTHERWISE / len(shares)
        if left == notches:
            shares = (1 - none) * shares
            shares[0] += none
        elif notches == 2:
            shares = (1 - none) * shares
            if left == 1:  # one notch more in its closures, or one lobe only
                shares *= 1 - ONE_LOBE
                shares[0] += (1 - none) * ONE_LOBE
        total += float(np.sum(np.log(shares[np.minimum(dropouts, len(shares) - 1)])))
    return total - (0.5 * math.log(max(len(seen.openings), 1)) if notches == 2 else 0.0)


def _notch_score(seen: Symptoms, notches: int) -> float:
    """How much better openings are explained by a magnet with notches than by chance."""
    if len(seen.openings) < 4 or seen.opening_rate < (0.3 if notches == 1 else 0.01):
        return -CAP
    if 0 < seen.contact.at.break_us <= BREAK_US_SHORT:  # bounce opens it as well
        return -CAP
    other = max(_by_chance(seen), _by_notches(seen, 3 - notches))
    return _by_notches(seen, notches) - other


def _all_short(seen: Symptoms) -> bool:
    """There are many openings, and none is long enough to end a closure."""
    return int(seen.openings.sum()) >= 20 and not seen.doubled + seen.tripled


def turned_magnet(signs: Signs, seen: Symptoms) -> Iterator[Clue]:
    """One opening in the middle of each pass, shorter the faster the train."""
    score = min(8.0, _notch_score(seen, 1)) - 1
    if score < -5:
        return
    if _all_short(seen) and seen.opened > 0.97:
        score += 4
    gap, share, place = seen.gaps
    evidence = [
        f"{100 * seen.opened:.0f} % of {times(len(seen.openings))} opened in between, as over one notch"
    ]
    if seen.doubled:
        evidence.append(f"{times(seen.doubled, seen.count)} gave two closures")
    if len(gap) >= 3:
        off = abs(float(np.median(place)) - 0.5)
        wide = float(np.std(place))
        score += 2.0 if off < 0.15 and wide < 0.12 and np.median(share) < NOTCH_MOST else -10.0
        evidence.append(
            f"the opening lies {100 * np.median(place):.0f} % through the pass (+-{100 * wide:.0f} %) and "
            f"takes {100 * np.median(share):.0f} % of it, as over the middle of a magnet that stands "
            "upright to the contact"
        )
        speed = seen.seen.speed[seen.seen.closures == 2]
        single = seen.seen.speed[seen.seen.closures == 1]
        if np.isfinite(speed).sum() > 2 and np.isfinite(single).sum() > 2:
            slower = float(np.nanmedian(single) / np.nanmedian(speed))
            if slower > 1.05:
                score += 1.0
                evidence.append(
                    f"passes with one closure were {100 * (slower - 1):.0f} % faster than those with two"
                )
    yield Clue(
        Cause.TURNED_MAGNET,
        min(CAP, score),
        tuple(evidence),
        (seen.at,),
        sketches=sketches_of(signs, seen, 2),
    )


def side_lobes(signs: Signs, seen: Symptoms) -> Iterator[Clue]:
    """Two openings in each pass, on both sides of a longer closing."""
    score = min(8.0, _notch_score(seen, 2)) - 1
    thrice = seen.seen.closures == 3
    lobes = np.nanmin(seen.seen.parts_ms[thrice], axis=1) / seen.seen.whole_ms[thrice]
    lobes = lobes[np.isfinite(lobes)]
    has_lobes = len(lobes) > 0 and float(np.median(lobes)) > LOBE_LEAST
    if has_lobes and -0.9 < seen.length_ratio < -0.3 and not seen.missed:
        score = max(score + 3, 4.0)  # as short as the middle closing of such a magnet is
    if not seen.tripled and seen.opened < LOBES_LEAST:
        score -= 6  # a lead that is moved now and then opens in a few passes
    if score < -5:
        if -0.8 < seen.length_ratio < -3 * seen.spread and not seen.missed:
            told = (
                f"closures are {percent(seen.length_ratio)} than at the other contacts, and none is "
                "missed: so is the middle one of a magnet along the travel"
            )
            yield Clue(Cause.SIDE_LOBES, -2.0, (told,), (seen.at,))
        return
    evidence = [
        f"{100 * seen.opened:.0f} % of {times(len(seen.openings))} opened in between, as over two notches"
    ]
    if len(lobes):
        score += 1.0 if has_lobes else -5.0
        evidence.append(
            f"{times(seen.tripled, seen.count)} gave three closures: a magnet along the travel has a "
            "weaker field of the other sign before and behind it"
        )
    yield Clue(
        Cause.SIDE_LOBES, min(CAP, score), tuple(evidence), (seen.at,), sketches=sketches_of(signs, seen, 3)
    )


def loose_lead(signs: Signs, seen: Symptoms) -> Iterator[Clue]:
    """Openings by chance, anywhere in a pass and of any length."""
    total, opened = int(seen.openings.sum()), int(np.sum(seen.openings > 0))
    chatter = [span for span in seen.contact.at.faults if span.fault & Fault.CHATTER]
    if total < 2 and seen.shaken < SHAKEN and not chatter:
        return
    usual = OPENING_USUAL
    if not signs.case.is_session:
        usual = max(usual, signs.usual(lambda each: each.opened, besides=seen))
    score = min(CAP, surprise(opened, len(seen.openings), usual) / 2) - 4  # they come in bursts as well
    score -= max(0.0, min(CAP, max(_notch_score(seen, 1), _notch_score(seen, 2))))
    evidence = []
    if total:
        evidence.append(
            f"{opened} of {times(len(seen.openings))} opened in between, {total} times in all; "
            f"{usual * len(seen.openings):.1f} are usual"
        )
    if seen.shaken >= SHAKEN:
        score += 8
        evidence.append(f"it opened {seen.shaken} times while lead and plug were moved")
    if _all_short(seen):
        score -= 6  # a loose joint opens for any length of time, also for long enough to count
    # A loose joint does not bounce more than others do; a contact that does may chatter from that alone. In a
    # session there is nothing to compare with.
    elsewhere = 0.0
    if not signs.case.is_session:
        elsewhere = signs.usual(lambda each: each.bounces[0], besides=seen)
    bounces = (seen.bounces[0] + 0.1) / (3 * elsewhere + 0.1) if elsewhere else 0.0
    score -= min(6.0, 3 * math.log(max(1.0, bounces)))
    gap, _, place = seen.gaps
    if len(gap) >= 3:
        score += 1.0 if np.std(place) > 0.15 else -1.0
        evidence.append(
            f"they lie anywhere in the pass and take {np.quantile(gap, 0.1):.0f} to "
            f"{np.quantile(gap, 0.9):.0f} ms"
        )
    if seen.doubled + seen.tripled:
        evidence.append(f"{times(seen.doubled + seen.tripled, seen.count)} gave more than one closure")
    if chatter:
        score += 2 + min(4.0, float(len(chatter))) if bounces < 1 else 0
        evidence.append(f"the board saw it chatter {len(chatter)} times")
    if seen.missed and seen.clustering < 3:
        evidence.append(f"{times(seen.missed, seen.count)} missed")
    yield Clue(
        Cause.LOOSE_LEAD, min(CAP, score), tuple(evidence), (seen.at,), sketches=sketches_of(signs, seen, 2)
    )


def window_too_short(signs: Signs, seen: Symptoms) -> Iterator[Clue]:
    """break_us is shorter than the contact bounces."""
    break_ms = seen.contact.at.break_us / 1000
    more = seen.doubled + seen.tripled
    if not 0 < break_ms * 1000 <= BREAK_US_SHORT:
        return
    counts = seen.contact.at.counts
    if not more:
        longest_ms = counts.longest_dropout_us / 1000 if counts is not None else 0.0
        if longest_ms > break_ms / 2:
            told = (
                f"break_us is {break_ms:.2g} ms; there were openings of {longest_ms:.2g} ms within closures"
            )
            yield Clue(Cause.WINDOW_TOO_SHORT, 1.0, (told,), (seen.at,))
        return
    rows = seen.seen.closures > 1
    first_gaps = seen.seen.gaps_ms[rows, 0]
    shortest = np.nanmin(seen.seen.parts_ms[rows], axis=1) / seen.seen.whole_ms[rows]
    gap_ms = float(np.nanmedian(first_gaps))
    score = min(8.0, surprise(more, seen.count, MISS_USUAL)) - 1
    score += 2 if gap_ms < 3 * break_ms + 1 else -5
    known = shortest[np.isfinite(shortest)]  # of passes with few closures
    part = f", and the shorter closure is {100 * np.median(known):.0f} % of the pass" if len(known) else ""
    evidence = (
        f"break_us is {break_ms:.2g} ms, {times(more, seen.count)} gave more than one closure",
        f"the openings between last {gap_ms:.2g} ms{part}: that is bounce",
    )
    yield Clue(
        Cause.WINDOW_TOO_SHORT, min(CAP, score), evidence, (seen.at,), sketches=sketches_of(signs, seen, 2)
    )


def worn_contact(signs: Signs, seen: Symptoms) -> Iterator[Clue]:
    """It bounces more than the others do, and ever more."""
    usual = signs.usual(lambda each: each.bounces[0], besides=seen)
    mean, error = seen.bounces
    first, last, errors = seen.bounce_trend
    above = (mean - usual) / max(error, 0.25)
    if errors < 2 or above < 2 or not usual:
        return
    score = min(5.0, errors - 4) + min(5.0, above / 2 - 2)
    evidence = (
        f"{last:.1f} bounces per pass at the end, {first:.1f} at the beginning; {usual:.1f} at the other "
        "contacts",
    )
    yield Clue(Cause.WORN_CONTACT, min(CAP, score), evidence, (seen.at,))
