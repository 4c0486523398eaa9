"""The rules: what each cause looks like in the symptoms of a contact, a board or a train.

Each rule gives a clue with a score, or none. Scores are about logarithms of odds, but how sure a score makes
one is measured, not assumed: see `calibration`. A rule speaks for its cause alone; which causes explain each
other away is decided in `diagnosis`.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.special import gammaln

from reedproof.analysis.case import InputFacts
from reedproof.analysis.clue import Clue, percent, surprise, surprise_of_events, times
from reedproof.analysis.finding import Cause
from reedproof.analysis.sketches import sketches_of
from reedproof.analysis.symptoms import Held, Signs, Symptoms
from reedproof.records import Fault, Verdict

CAP = 10.0
#: Of good contacts, at most this share of passes is missed or has an opening.
MISS_USUAL, OPENING_USUAL = 0.003, 0.02
#: How many openings a pass has over a magnet with a notch, by how many notches there are: most have just
#: those, in some a notch is too short to be seen or is crossed twice.
NOTCHES = {1: (0.08, 0.84, 0.07), 2: (0.03, 0.10, 0.80)}
OTHERWISE = 0.01
#: Two inputs that close within this of each other did not see two magnets.
TOGETHER_S = 0.003
#: Settings further from their defaults than this deserve a look.
BREAK_US_SHORT, MAKE_US_LONG = 4_000, 5_000


def clues_of(signs: Signs) -> list[Clue]:
    """Everything that speaks for anything."""
    found = [clue for symptoms in signs.contacts for rule in OF_CONTACTS for clue in rule(signs, symptoms)]
    return found + [clue for rule in OF_LAYOUT for clue in rule(signs)]


# ---- no closure ----


def open_lead(signs: Signs, seen: Symptoms) -> Iterator[Clue]:
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
    score = min(CAP, max(seen.clustering, row)) - 4
    evidence = [
        f"{times(seen.missed, seen.count)} missed, {seen.silence} of them in a row",
        f"apart from that row, {100 * outside:.1f} % are missed",
    ]
    yield Clue(Cause.OPEN_LEAD, score, tuple(evidence), (seen.at,))


def weak_magnet(signs: Signs, seen: Symptoms) -> Iterator[Clue]:
    """Closures are short, for every train, and the shortest are missed."""
    counts = seen.contact.at.counts
    if seen.missed == seen.count:
        if seen.count >= 3 and counts is not None and counts.blips:
            told = f"none of {times(seen.count)} counted, but its input closed {counts.blips} times for too short"
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


def window_too_long(signs: Signs, seen: Symptoms) -> Iterator[Clue]:
    """make_us is as long as fast closures are."""
    make_ms = seen.contact.at.make_us / 1000
    if make_ms * 1000 < MAKE_US_LONG or not math.isfinite(seen.usual_ms):
        return
    share = make_ms / seen.usual_ms
    counts = seen.contact.at.counts
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


def _by_chance(openings: NDArray[Any]) -> float:
    """Logarithm of the likelihood of openings that come by chance (Poisson with their own mean)."""
    mean = max(float(openings.mean()), 1e-3)
    return float(np.sum(openings * math.log(mean) - mean - gammaln(openings + 1)))


def _by_notches(openings: NDArray[Any], notches: int) -> float:
    shares = np.array([*NOTCHES[notches], OTHERWISE])
    return float(np.sum(np.log(shares[np.minimum(openings, 3)])))


def _notch_score(seen: Symptoms, notches: int) -> float:
    """How much better openings are explained by a magnet with notches than by chance."""
    if len(seen.openings) < 4 or seen.opening_rate < 0.3:
        return -CAP
    alone = _by_chance(seen.openings)
    other = _by_notches(seen.openings, 3 - notches)
    return _by_notches(seen.openings, notches) - max(alone, other)


def turned_magnet(signs: Signs, seen: Symptoms) -> Iterator[Clue]:
    """One opening in the middle of each pass, shorter the faster the train."""
    score = min(8.0, _notch_score(seen, 1)) - 1
    if score < -5:
        return
    gap, share, place = seen.gaps
    evidence = [
        f"{100 * seen.share_with(1):.0f} % of {times(len(seen.openings))} opened once in between, "
        f"{100 * seen.share_with(0):.0f} % not at all"
    ]
    if seen.doubled:
        evidence.append(f"{times(seen.doubled, seen.count)} gave two closures")
    if len(gap) >= 3:
        off = abs(float(np.median(place)) - 0.5)
        wide = float(np.std(place))
        score += 2.0 if off < 0.15 and wide < 0.12 else -3.0
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
        return
    evidence = [
        f"{100 * seen.share_with(2):.0f} % of {times(len(seen.openings))} opened twice in between, "
        f"{100 * seen.share_with(1):.0f} % once"
    ]
    if seen.tripled:
        score += 1.0
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
    if (total < 2 and not chatter) or not len(seen.openings):
        return
    usual = max(OPENING_USUAL, signs.usual(lambda each: each.opening_rate))
    score = min(CAP, surprise_of_events(total, usual * len(seen.openings)) / 2) - 4
    score -= max(0.0, min(CAP, max(_notch_score(seen, 1), _notch_score(seen, 2))))
    evidence = [
        f"{total} openings within {times(len(seen.openings))}, where {usual * len(seen.openings):.1f} are "
        "usual"
    ]
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
        score += 2
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
    if not 0 < break_ms * 1000 <= BREAK_US_SHORT or not more:
        return
    rows = seen.seen.closures > 1
    first_gaps = seen.seen.gaps_ms[rows, 0]
    shortest = np.nanmin(seen.seen.parts_ms[rows], axis=1) / seen.seen.whole_ms[rows]
    gap_ms = float(np.nanmedian(first_gaps))
    score = min(8.0, surprise(more, seen.count, MISS_USUAL)) - 1
    score += 2 if gap_ms < 3 * break_ms + 1 else -5
    evidence = (
        f"break_us is {break_ms:.2g} ms, {times(more, seen.count)} gave more than one closure",
        f"the openings between last {gap_ms:.2g} ms, and the shorter closure is "
        f"{100 * np.nanmedian(shortest):.0f} % "
        "of the pass: that is bounce",
    )
    yield Clue(
        Cause.WINDOW_TOO_SHORT, min(CAP, score), evidence, (seen.at,), sketches=sketches_of(signs, seen, 2)
    )


def worn_contact(signs: Signs, seen: Symptoms) -> Iterator[Clue]:
    """Bounce grows."""
    first, last, errors = seen.bounce_trend
    if errors < 2.5 or last < 1.3 * first:
        return
    usual = signs.usual(lambda each: float(each.seen.bounces.mean()) if len(each.seen) else 0.0)
    score = min(6.0, errors - 4) + min(2.0, max(0.0, math.log((last + 0.1) / (usual + 0.1))))
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


def stuck_contact(signs: Signs, seen: Symptoms) -> Iterator[Clue]:
    """It stays closed after a train that has gone on."""
    held = [each for each in seen.held if each.train is not None and each.went_on]
    if not held:
        return
    trains = signs.case.trains
    evidence = (
        _held_told(held),
        f"each time from a pass of {trains[held[0].train or 0]!r} on, which was seen elsewhere before it "
        "opened",
    )
    yield Clue(Cause.STUCK_CONTACT, 3.0 + min(3.0, float(len(held) - 1)), evidence, (seen.at,))


def parked_magnet(signs: Signs, seen: Symptoms) -> Iterator[Clue]:
    """It closed without a train, and stayed closed."""
    held = [each for each in seen.held if each.train is None]
    if not held:
        return
    evidence = (_held_told(held), "no train came when it closed")
    score = 3.0 - 2.0 * max(0, len(held) - 2)
    yield Clue(Cause.PARKED_MAGNET, score, evidence, (seen.at,))


# ---- inputs ----


def _together(first: InputFacts, second: InputFacts) -> int:
    """How often both closed at once."""
    a, b = first.closures_at_s, second.closures_at_s
    if not len(a) or not len(b):
        return 0
    after = np.clip(np.searchsorted(b, a), 1, len(b)) - 1
    next_one = np.minimum(after + 1, len(b) - 1)
    apart = np.minimum(np.abs(a - b[after]), np.abs(a - b[next_one]))
    return int(np.sum(apart < TOGETHER_S))


def _name(signs: Signs, facts: InputFacts) -> str:
    for contact in signs.case.contacts:
        if contact.at is facts:
            return repr(contact.name)
    return f"input {facts.input} of board {facts.board!r}"


def _position(signs: Signs, facts: InputFacts) -> tuple[int, ...]:
    return tuple(at for at, contact in enumerate(signs.case.contacts) if contact.at is facts)


def shorted_inputs(signs: Signs) -> Iterator[Clue]:
    """Two inputs of a board close together."""
    inputs = signs.case.inputs
    for at, first in enumerate(inputs):
        for second in inputs[at + 1 :]:
            if first.board != second.board:
                continue
            together = _together(first, second)
            fewer = min(len(first.closures_at_s), len(second.closures_at_s))
            tested = first.selftest is not None and second.input in first.selftest.partners
            if not tested and (together < 3 or together < 0.1 * fewer):
                continue
            score = (
                min(6.0, together / 2) * (0.3 + 0.7 * together / max(fewer, 1)) + (6.0 if tested else 0.0) - 1
            )
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
        left = swap.odd_after / swap.odd_before
        score = min(8.0, (swap.odd_before - swap.odd_after) / 3) * (1 - left) + 1
        names = [signs.case.contacts[at].name for at in (swap.first, swap.second)]
        evidence = (
            f"as plugged, {swap.odd_before} passes are missed or extra; with {names[0]!r} and {names[1]!r} "
            "exchanged "
            f"on paper, {swap.odd_after}",
        )
        yield Clue(Cause.SWAPPED_PLUGS, min(CAP, score), evidence, (swap.first, swap.second))


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
        if extras:
            evidence.append(f"{extras} extra closures came within 50 ms of one at another input")
        yield Clue(Cause.INTERFERENCE, min(CAP, score), tuple(evidence), board=board)


def _extras(signs: Signs, board: str) -> list[tuple[NDArray[Any], InputFacts]]:
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


def bad_input(signs: Signs) -> Iterator[Clue]:
    """One input closes without a reason, or its self-test fails."""
    for board in dict.fromkeys(each.board for each in signs.case.inputs):
        extras = _extras(signs, board)
        rates = [len(times) for times, _ in extras]
        usual = float(np.median(rates)) if rates else 0.0
        for at_s, facts in extras:
            held = sum(len(each.held) for each in signs.contacts if each.contact.at is facts)
            score, evidence = -4.0, []
            alone = len(at_s) - held
            if alone > 0:
                score += min(8.0, surprise_of_events(alone, usual + 0.3))
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
    trains = signs.case.trains
    if len(trains) < 2:
        return
    usual = np.array(
        [np.nanmedian(column) if np.isfinite(column).any() else np.nan for column in signs.lengths.T]
    )
    for train, name in enumerate(trains):
        others = [other for other in range(len(trains)) if other != train]
        missed, passes = _missed_by(signs, [train])
        missed_else, passes_else = _missed_by(signs, others)
        if passes < 5 or not passes_else:
            continue
        shorter = usual[train] - np.nanmedian(usual[others]) if np.isfinite(usual[others]).any() else np.nan
        contacts = sum(1 for each in signs.contacts if (each.passes.train == train).sum() >= LEAST)
        spread = signs.spread * 1.25 * math.sqrt(1 / max(contacts, 1) + 0.3)
        z = -shorter / spread if math.isfinite(shorter) else 0.0
        score = math.copysign(0.5 * z**2, z) - 4
        hit = 0
        for each in signs.contacts:
            mine = each.passes.missed[each.passes.train == train]
            hit += bool(len(mine)) and float(mine.mean()) > 0.02
        if missed >= 3 and hit >= 0.4 * contacts:
            usual_share = max(MISS_USUAL, (missed_else + 0.5) / (passes_else + 1))
            score += min(6.0, surprise(missed, passes, usual_share) / 2)
        if score < -3:
            continue
        evidence = []
        if math.isfinite(shorter):
            evidence.append(
                f"its closures are {percent(shorter)} than those of the other trains, over {contacts} "
                "contacts"
            )
        if missed:
            evidence.append(
                f"{times(missed, passes)} of it are missed, at {hit} contacts; of other trains "
                f"{times(missed_else, passes_else)}"
            )
        yield Clue(
            Cause.VEHICLE,
            min(CAP, score),
            tuple([f"train {name!r}: " + evidence[0], *evidence[1:]]),
            train=train,
        )


LEAST = 3


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
    shorted_inputs, swapped_plugs, interference, bad_input, vehicle,
)  # fmt: skip
