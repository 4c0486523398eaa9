"""Inputs and what is plugged into them: shorts, exchanged plugs, interference, a bad input."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from reedproof.analysis.case import InputFacts
from reedproof.analysis.clue import (
    CAP,
    Clue,
    often,
    surprise_of_events,
    times,
)
from reedproof.analysis.finding import Cause
from reedproof.analysis.period import likely_period
from reedproof.analysis.symptoms import HELD_MIN_S, Floats, Signs
from reedproof.records import Verdict

#: Extra closures are not spread evenly over the contacts where the account could not place many passes.
UNEVEN = 1.5
#: Two inputs that close within this of each other did not see two magnets.
TOGETHER_S = 0.003
#: A rhythm that chance brings about more often than this is none.
RHYTHM_CHANCE = 1e-3


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
                    f"{often(together)}, of {fewer} closures of the one that closed less"
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
                f"as plugged, {swap.odd_before} passes of the last ones are missed, extra or out of "
                f"place; with {both} exchanged on paper, {swap.odd_after}"
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
        f"meanwhile input {other.input} closed {often(most)}"
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
            f"{often(blips)} in all"
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
            gone = [
                each
                for each in signs.contacts
                if each.contact.at is facts and each.ends_silent and len(each.contact.extras) < each.silence
            ]
            if gone:
                score = -2.0
                evidence.append(
                    f"{gone[0].silence} passes in a row left no trace, as with an input that is dead"
                )
            if alone > 0:
                score += min(8.0, surprise_of_events(alone, UNEVEN * usual + 1.0))
                evidence.append(
                    f"{_name(signs, facts)} closed {often(alone)} without a train, usual here: {usual:g}"
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
