"""The rules: what each cause looks like in the symptoms of a contact, a board or a train.

Each rule gives a clue with a score, or none. Scores are about logarithms of odds, but how sure a score makes
one is measured, not assumed: see `calibration`. A rule speaks for its cause alone; which causes explain each
other away is decided in `diagnosis`.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator

import numpy as np
from numpy.typing import NDArray
from scipy.special import gammaln

from reedproof.analysis.case import InputFacts, Step
from reedproof.analysis.clue import Clue, percent, surprise, surprise_of_events, times
from reedproof.analysis.finding import Cause
from reedproof.analysis.period import likely_period
from reedproof.analysis.sketches import sketches_of
from reedproof.analysis.symptoms import BOUNCES, HELD_MIN_S, Floats, Held, Signs, Symptoms
from reedproof.records import Fault, Verdict

CAP = 10.0
#: Of good contacts, at most this share of passes is missed or has an opening.
MISS_USUAL, OPENING_USUAL = 0.003, 0.02
#: Passes that go against a rule of notches all the same, and those in which a notch is not seen.
OTHERWISE, UNSEEN = 0.01, 0.01
#: A notch is never as much of a pass, nor a side lobe as little of one.
NOTCH_MOST, LOBE_LEAST = 0.5, 0.05
#: Of passes with side lobes, how many show one of them only.
ONE_LOBE = 0.2
#: Two inputs that close within this of each other did not see two magnets.
TOGETHER_S = 0.003
#: A rhythm that chance brings about more often than this is none.
RHYTHM_CHANCE = 1e-3
#: Settings further from their defaults than this deserve a look.
BREAK_US_SHORT, MAKE_US_LONG = 4_000, 5_000


def clues_of(signs: Signs) -> list[Clue]:
    """Everything that speaks for anything."""
    found = [clue for symptoms in signs.contacts for rule in OF_CONTACTS for clue in rule(signs, symptoms)]
    return found + [clue for rule in OF_LAYOUT for clue in rule(signs)]


# ---- no closure ----


def open_lead(_: Signs, seen: Symptoms) -> Iterator[Clue]:
    """Passes are missed in a row, without a trace."""
    if seen.missed < 2 or seen.count < 3:
        return
    counts = seen.contact.at.counts
    edges = counts.edges if counts is not None else 0
    if seen.missed == seen.count:
        score = min(8.0, 1.0 + seen.count / 3) if not edges else -2.0
        told = f"none of {times(seen.count)} closed it" + ("" if edges else ", and its input never changed")
        yield Clue(Cause.OPEN_LEAD, score, (told,), (seen.at,))
        return
    outside = (seen.missed - seen.silence + 0.5) / (seen.count - seen.silence + 1)
    row = -seen.silence * math.log(outside) - math.log(seen.count)
    score = min(6.0, max(seen.clustering, row)) - 4
    if any(span.fault & Fault.CHATTER for span in seen.contact.at.faults):
        score -= 4  # an open lead is quiet
    if seen.missed > 0.05 * seen.count and not seen.length_ratio < -1.5 * seen.spread:
        score += 4  # what is seen is as it should be
    evidence = [
        f"{times(seen.missed, seen.count)} missed, {seen.silence} of them in a row",
        f"apart from that row, {100 * outside:.1f} % are missed",
    ]
    yield Clue(Cause.OPEN_LEAD, score, tuple(evidence), (seen.at,))


def weak_magnet(_: Signs, seen: Symptoms) -> Iterator[Clue]:
    """Closures are short, for every train, and the shortest are missed."""
    counts = seen.contact.at.counts
    if seen.missed == seen.count:
        if seen.count >= 3 and counts is not None and not counts.edges:
            told = f"none of {times(seen.count)} closed it: a magnet that is too far away leaves no trace"
            yield Clue(Cause.WEAK_MAGNET, -1.0, (told,), (seen.at,))
        elif seen.count >= 3 and counts is not None and counts.blips:
            told = f"none of {times(seen.count)} counted; its input closed {counts.blips} times for too short"
            yield Clue(Cause.WEAK_MAGNET, 1.0, (told,), (seen.at,))
        return
    known = seen.ratio[np.isfinite(seen.ratio)]
    short = -float(known.max()) / seen.spread if len(known) else 0.0  # by the train that has it best
    change, errors = seen.length_trend
    falling = min(4.0, -errors / 2) if change < -0.1 and errors < -4 else 0.0
    score = math.copysign(0.5 * short**2, short) - 5 + falling
    if seen.missed and (short > 1.5 or not len(known)):
        by_chance = surprise(seen.missed, seen.count, MISS_USUAL)
        score += min(4.0, by_chance / 2) - min(4.0, seen.clustering)
    if score < -4:
        return
    evidence = []
    if len(known):
        evidence.append(
            f"closures are {percent(seen.length_ratio)} than at the other contacts; where nothing is wrong "
            "they "
            f"differ by about {100 * math.expm1(seen.spread):.0f} %"
        )
    if falling:
        evidence.append(f"they have become {percent(change)} since the first passes")
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
        "less than "
        f"make_us is not counted"
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


# ---- several closures in a pass ----


def _by_chance(seen: Symptoms) -> float:
    """Logarithm of the likelihood of openings that come by chance (Poisson with their own mean)."""
    openings, mean = seen.openings, max(seen.opening_rate, 1e-3)
    return float(np.sum(openings * math.log(mean) - mean - gammaln(openings + 1)))


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
        score += 3
    gap, share, place = seen.gaps
    evidence = [
        f"{100 * seen.opened:.0f} % of {times(len(seen.openings))} opened in between, as over one notch"
    ]
    if seen.doubled:
        evidence.append(f"{times(seen.doubled, seen.count)} gave two closures")
    if len(gap) >= 3:
        off = abs(float(np.median(place)) - 0.5)
        wide = float(np.std(place))
        score += 2.0 if off < 0.15 and wide < 0.12 and np.median(share) < NOTCH_MOST else -5.0
        evidence.append(
            f"the opening lies {100 * np.median(place):.0f} % through the pass (+-{100 * wide:.0f} %) and "
            "takes "
            f"{100 * np.median(share):.0f} % of it, as over the middle of a magnet that stands upright to "
            "the contact"
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
    if score < -5:
        if -0.8 < seen.length_ratio < -3 * seen.spread and not seen.missed:
            told = (
                f"closures are {percent(seen.length_ratio)} than at the other contacts, and none is "
                "missed: so is "
                "the middle one of a magnet along the travel"
            )
            yield Clue(Cause.SIDE_LOBES, -2.0, (told,), (seen.at,))
        return
    evidence = [
        f"{100 * seen.opened:.0f} % of {times(len(seen.openings))} opened in between, as over two notches"
    ]
    thrice = seen.seen.closures == 3
    lobes = np.nanmin(seen.seen.parts_ms[thrice], axis=1) / seen.seen.whole_ms[thrice]
    lobes = lobes[np.isfinite(lobes)]
    if len(lobes):
        score += 1.0 if np.median(lobes) > LOBE_LEAST else -5.0
        evidence.append(
            f"{times(seen.tripled, seen.count)} gave three closures: a magnet along the travel has a "
            "weaker field of "
            "the other sign before and behind it"
        )
    yield Clue(
        Cause.SIDE_LOBES, min(CAP, score), tuple(evidence), (seen.at,), sketches=sketches_of(signs, seen, 3)
    )


def loose_lead(signs: Signs, seen: Symptoms) -> Iterator[Clue]:
    """Openings by chance, anywhere in a pass and of any length."""
    total = int(seen.openings.sum())
    chatter = [span for span in seen.contact.at.faults if span.fault & Fault.CHATTER]
    if total < 2 and not chatter:
        return
    usual = OPENING_USUAL
    if not signs.case.is_session:
        usual = max(usual, signs.usual(lambda each: each.opening_rate))
    score = min(CAP, surprise_of_events(total, usual * len(seen.openings)) / 2) - 4
    score -= max(0.0, min(CAP, max(_notch_score(seen, 1), _notch_score(seen, 2))))
    evidence = []
    if total:
        wanted = usual * len(seen.openings)
        evidence.append(f"{total} openings within {times(len(seen.openings))}, where {wanted:.1f} are usual")
    shaken = seen.seen.step == Step.WIGGLE
    if shaken.any() and seen.openings[shaken].sum() >= 2:
        score += 4
        evidence.append(f"{seen.openings[shaken].sum()} of them while lead and plug were moved")
    if _all_short(seen):
        score -= 4  # a loose joint opens for any length of time, also for long enough to count
    # A loose joint does not bounce more than others do; a contact that does may chatter from that alone.
    bounces = (seen.bounces[0] + 0.1) / (3 * signs.usual(lambda each: each.bounces[0]) + 0.1)
    score -= min(6.0, max(0.0, 3 * math.log(bounces)))
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
    usual = signs.usual(lambda each: each.bounces[0])
    mean, error = seen.bounces
    first, last, errors = seen.bounce_trend
    above = (mean - usual) / max(error, 0.25)
    if errors < 2 or above < 2:
        return
    score = min(5.0, errors - 4) + min(5.0, above / 2 - 2)
    evidence = (
        f"{last:.1f} bounces per pass at the end, {first:.1f} at the beginning; {usual:.1f} at the other "
        "contacts",
    )
    yield Clue(Cause.WORN_CONTACT, min(CAP, score), evidence, (seen.at,))


# ---- closed for too long ----


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


# ---- inputs ----


def _near(times_s: Floats, others_s: Floats) -> NDArray[np.bool_]:
    """Which of the times have one of the others right beside them."""
    if not len(others_s):
        return np.zeros(len(times_s), dtype=np.bool_)
    after = np.searchsorted(others_s, times_s)
    beside = np.stack([others_s[np.maximum(after - 1, 0)], others_s[np.minimum(after, len(others_s) - 1)]])
    return np.asarray(np.abs(beside - times_s).min(axis=0) < TOGETHER_S)


def _together(first: InputFacts, second: InputFacts, board: list[InputFacts]) -> int:
    """How often these two closed at once, and no other input of the board with them."""
    together = _near(first.closures_at_s, second.closures_at_s)
    for other in board:
        if together.any() and other is not first and other is not second:
            together &= ~_near(first.closures_at_s, other.closures_at_s)
    return int(together.sum())


def _name(signs: Signs, facts: InputFacts) -> str:
    for contact in signs.case.contacts:
        if contact.at is facts:
            return repr(contact.name)
    return f"input {facts.input}" + (f" of board {facts.board!r}" if facts.board else "")


def _position(signs: Signs, facts: InputFacts) -> tuple[int, ...]:
    return tuple(at for at, contact in enumerate(signs.case.contacts) if contact.at is facts)


def shorted_inputs(signs: Signs) -> Iterator[Clue]:
    """Two inputs of a board close together."""
    inputs = signs.case.inputs
    for at, first in enumerate(inputs):
        for second in inputs[at + 1 :]:
            if first.board != second.board:
                continue
            together = _together(first, second, [each for each in inputs if each.board == first.board])
            fewer = min(len(first.closures_at_s), len(second.closures_at_s))
            tested = first.selftest is not None and second.input in first.selftest.partners
            by_chance = len(first.closures_at_s) * len(second.closures_at_s) * 2 * TOGETHER_S
            score = min(8.0, surprise_of_events(together, by_chance / (3600 * signs.hours) + 0.1) / 3) - 3
            score += 6.0 if tested else 0.0
            if score < -1:
                continue
            evidence = []
            if together:
                evidence.append(
                    f"{_name(signs, first)} and {_name(signs, second)} closed at the same moment "
                    f"{together} times, "
                    f"of {fewer} closures of the one that closed less"
                )
            if tested:
                evidence.append("the board's self-test found them connected")
            places = (*_position(signs, first), *_position(signs, second))
            yield Clue(
                Cause.SHORTED_INPUTS, min(CAP, score), tuple(evidence), places, first.board, first.input
            )


def swapped_plugs(signs: Signs) -> Iterator[Clue]:
    """The account comes right when two plugs are exchanged on paper."""
    for swap in signs.case.swaps:
        names = [repr(signs.case.contacts[at].name) for at in (swap.first, swap.second)]
        both = " and ".join(names)
        if swap.odd_before:
            told = (
                f"as plugged, {swap.odd_before} passes of the last ones are missed, extra or out of place; "
                "with "
                f"{both} exchanged on paper, {swap.odd_after}"
            )
        else:
            told = f"with {both} exchanged on paper, trains take much more regular times between contacts"
        yield Clue(Cause.SWAPPED_PLUGS, min(CAP, swap.gain / 8), (told,), (swap.first, swap.second))


def answered_elsewhere(signs: Signs) -> Iterator[Clue]:
    """In a guided session: passes that were asked for came at another input."""
    if not signs.case.is_session:
        return
    asked = signs.contacts[0]
    inputs = [(len(each.closures_at_s), each) for each in signs.case.spares]
    most, other = max(inputs, key=lambda pair: pair[0], default=(0, None))
    if other is None or asked.missed < 3 or asked.missed < asked.count or most < 0.6 * asked.missed:
        return
    told = (
        f"none of {times(asked.count)} over {asked.contact.name!r} closed input {asked.contact.at.input}; "
        "meanwhile "
        f"input {other.input} closed {most} times"
    )
    yield Clue(Cause.SWAPPED_PLUGS, 6.0, (told,), (asked.at,), other.board, other.input)


def interference(signs: Signs) -> Iterator[Clue]:
    """Many inputs of a board see closings too short to count, also those without a contact."""
    for board in dict.fromkeys(each.board for each in signs.case.inputs):
        counted = [each for each in signs.case.inputs if each.board == board and each.counts is not None]
        if len(counted) < 3:
            continue
        noisy = [each for each in counted if each.counts is not None and each.counts.blips >= 3]
        spare = [each for each in counted if each in signs.case.spares]
        noisy_spare = [each for each in spare if each in noisy]
        blips = sum(each.counts.blips for each in noisy if each.counts is not None)
        extras = _at_once(signs, board)
        if len(noisy) < 3 and extras < 3:
            continue
        share = len(noisy) / len(counted)
        score = 8 * share - 3
        if spare:
            score += 5 * len(noisy_spare) / len(spare) - 1
        score += min(4.0, extras / 2)
        evidence = [
            f"{len(noisy)} of {len(counted)} inputs of board {board!r} closed for too short to count, "
            f"{blips} times "
            f"in all"
        ]
        if noisy_spare:
            evidence.append(f"{len(noisy_spare)} of them have no contact")
        if rhythm := _rhythm(noisy):
            score += 2
            evidence.append(rhythm)
        if extras:
            evidence.append(f"{extras} extra closures came within 50 ms of one at another input")
        yield Clue(Cause.INTERFERENCE, min(CAP, score), tuple(evidence), board=board)


def _rhythm(inputs: list[InputFacts]) -> str:
    """What the closings keep step with, where their edges were recorded."""
    recorded = [each.edges.at_s[each.edges.closed] for each in inputs if each.edges is not None]
    busiest = max(recorded, key=len, default=np.zeros(0))
    period = likely_period(busiest)
    if period is None or period.chance > RHYTHM_CHANCE:
        return ""
    mains = "; the mains do" if min(abs(period.ms - 20), abs(period.ms - 10)) < 0.2 else ""
    return f"they come every {period.ms:.1f} ms{mains}"


def _extras(signs: Signs, board: str) -> list[tuple[Floats, InputFacts]]:
    """Of each input of the board, when it closed without a pass."""
    found = [
        (contact.extras.at_s, contact.at) for contact in signs.case.contacts if contact.at.board == board
    ]
    return found + [(each.closures_at_s, each) for each in signs.case.spares if each.board == board]


def _at_once(signs: Signs, board: str) -> int:
    each = _extras(signs, board)
    at_s = np.concatenate([times for times, _ in each] or [np.zeros(0)])
    which = np.concatenate([np.full(len(times), number) for number, (times, _) in enumerate(each)] or [at_s])
    order = np.argsort(at_s, kind="stable")
    at_s, which = at_s[order], which[order]
    near = (np.diff(at_s) < 0.05) & (np.diff(which) != 0)
    return int(near.sum())


def _odd(signs: Signs, at_s: Floats, facts: InputFacts, board: list[tuple[Floats, InputFacts]]) -> int:
    """Extra closures of an input that came alone, and do not look like a pass the account did not know of."""
    alone = np.ones(len(at_s), dtype=np.bool_)
    for _, other in board:
        if other is not facts:
            alone &= ~_near(at_s, other.closures_at_s)
    for each in signs.contacts:
        if each.contact.at is facts:
            ms = each.contact.extras.ms
            alone &= ~((ms > 0.6 * each.usual_ms) & (ms < 1.8 * each.usual_ms)) & ~(ms > 1000 * HELD_MIN_S)
    return int(alone.sum())


def bad_input(signs: Signs) -> Iterator[Clue]:
    """One input closes without a reason, or its self-test fails."""
    for board in dict.fromkeys(each.board for each in signs.case.inputs):
        extras = _extras(signs, board)
        odd = {facts.input: _odd(signs, at_s, facts, extras) for at_s, facts in extras}
        at_contacts = [odd[each.at.input] for each in signs.case.contacts if each.at.board == board]
        usual = float(np.median(at_contacts or [0]))
        for _, facts in extras:
            score, evidence, alone = -4.0, [], odd[facts.input]
            gone = [each for each in signs.contacts if each.contact.at is facts and each.ends_silent]
            if gone:
                score = -2.0
                evidence.append(
                    f"{gone[0].silence} passes in a row left no trace, as with an input that is dead"
                )
            if alone > 0:
                score += min(8.0, surprise_of_events(alone, usual + 1.0))
                evidence.append(
                    f"{_name(signs, facts)} closed {alone} times without a train, usual here: {usual:g}"
                )
            verdict = facts.selftest.verdict if facts.selftest is not None else Verdict.GOOD
            if verdict in (Verdict.READS_LOW, Verdict.HELD_HIGH):
                score += 5
                evidence.append(
                    f"the board's self-test says of input {facts.input}: "
                    f"{verdict.name.lower().replace('_', ' ')}"
                )
            if score > -3:
                yield Clue(
                    Cause.BAD_INPUT,
                    min(CAP, score),
                    tuple(evidence),
                    _position(signs, facts),
                    board,
                    facts.input,
                )


# ---- trains ----


def vehicle(signs: Signs) -> Iterator[Clue]:
    """One train is short or missed at most contacts, the others are not."""
    trains = range(len(signs.case.trains))
    if len(trains) < 2:
        return
    usual = [_median(signs.lengths[:, train]) for train in trains]
    for train in trains:
        others = [other for other in trains if other != train]
        clue = _absent(signs, train) or _ailing(signs, train, others, usual)
        if clue is not None and clue.score > -3:
            yield clue


def _median(values: Floats) -> float:
    known = values[np.isfinite(values)]
    return float(np.median(known)) if len(known) else math.nan


def _called(signs: Signs, train: int) -> str:
    """The train, or those that it may be."""
    names = [repr(signs.case.trains[at]) for at in signs.case.alike[train]]
    return f"one of {' and '.join(names)}" if len(names) > 1 else f"train {names[0]}"


def _absent(signs: Signs, train: int) -> Clue | None:
    """Of trains that look alike, one is hardly seen at all."""
    alike = signs.case.alike[train]
    seen = {at: sum(int(np.sum(each.passes.train == at)) for each in signs.contacts) for at in alike}
    most = max(seen.values())
    if len(alike) < 2 or most < 30 or seen[train] > 0.2 * most or seen[train] > min(seen.values()):
        return None
    told = f"{_called(signs, train)} was seen {seen[train]} times, the other one {most} times: does it run?"
    return Clue(Cause.VEHICLE, 4.0, (told,), trains=alike)


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
            f"{_called(signs, train)}: closures are {percent(shorter)} than those of the other trains, over "
            f"{contacts} contacts"
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


OF_CONTACTS: tuple[Callable[[Signs, Symptoms], Iterator[Clue]], ...] = (
    open_lead, weak_magnet, window_too_long, turned_magnet, side_lobes, loose_lead, window_too_short,
    worn_contact, stuck_contact, parked_magnet,
)  # fmt: skip
OF_LAYOUT: tuple[Callable[[Signs], Iterator[Clue]], ...] = (
    shorted_inputs, swapped_plugs, answered_elsewhere, interference, bad_input, vehicle,
)  # fmt: skip
