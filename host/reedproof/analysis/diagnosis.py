"""Which part is to blame: clues gathered, held against each other, and said with how sure they are."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace

from reedproof.analysis.calibration import confidence_of
from reedproof.analysis.case import Case
from reedproof.analysis.causes import clues_of
from reedproof.analysis.clue import Clue
from reedproof.analysis.finding import Cause, Diagnosis, Finding
from reedproof.analysis.remedies import REMEDIES
from reedproof.analysis.symptoms import Signs, signs_of

#: What is less sure than this is not worth a line.
SHOWN = 0.05
#: What a cause explains of what speaks for others, at the same contact, board or input.
EXPLAINED_BY = {
    Cause.SWAPPED_PLUGS: {
        Cause.OPEN_LEAD, Cause.WEAK_MAGNET, Cause.BAD_INPUT, Cause.LOOSE_LEAD, Cause.STUCK_CONTACT,
        Cause.PARKED_MAGNET, Cause.VEHICLE, Cause.TURNED_MAGNET, Cause.SIDE_LOBES, Cause.WORN_CONTACT,
        Cause.WINDOW_TOO_LONG,
    },
    Cause.SHORTED_INPUTS: {
        Cause.BAD_INPUT, Cause.SWAPPED_PLUGS, Cause.LOOSE_LEAD, Cause.PARKED_MAGNET, Cause.TURNED_MAGNET,
        Cause.SIDE_LOBES, Cause.OPEN_LEAD, Cause.WEAK_MAGNET, Cause.INTERFERENCE,
    },
    Cause.INTERFERENCE: {
        Cause.BAD_INPUT, Cause.SHORTED_INPUTS, Cause.LOOSE_LEAD, Cause.WORN_CONTACT, Cause.VEHICLE,
        Cause.SIDE_LOBES, Cause.TURNED_MAGNET,
    },
    Cause.VEHICLE: {Cause.WEAK_MAGNET, Cause.OPEN_LEAD, Cause.BAD_INPUT},
    Cause.WINDOW_TOO_SHORT: {Cause.LOOSE_LEAD, Cause.TURNED_MAGNET, Cause.SIDE_LOBES, Cause.WORN_CONTACT},
    Cause.WINDOW_TOO_LONG: {Cause.WEAK_MAGNET, Cause.OPEN_LEAD},
    Cause.LOOSE_LEAD: {Cause.WORN_CONTACT, Cause.BAD_INPUT},
    Cause.STUCK_CONTACT: {Cause.PARKED_MAGNET, Cause.BAD_INPUT},
    Cause.BAD_INPUT: {
        Cause.OPEN_LEAD, Cause.PARKED_MAGNET, Cause.STUCK_CONTACT, Cause.WEAK_MAGNET, Cause.LOOSE_LEAD,
    },
    Cause.OPEN_LEAD: {Cause.WEAK_MAGNET},
    Cause.PARKED_MAGNET: {Cause.STUCK_CONTACT},
    Cause.TURNED_MAGNET: {Cause.SIDE_LOBES, Cause.LOOSE_LEAD, Cause.WEAK_MAGNET},
    Cause.SIDE_LOBES: {Cause.TURNED_MAGNET, Cause.LOOSE_LEAD, Cause.WEAK_MAGNET},
    Cause.WORN_CONTACT: {Cause.LOOSE_LEAD},
}  # fmt: skip
#: A clue loses so much of its score where another one of at least that score explains it.
EXPLAINED, SURE = 8.0, 2.0
#: Trains that are thought to be elsewhere have wrong speeds everywhere, and so closures wrong lengths.
EVERYWHERE = (Cause.SWAPPED_PLUGS, Cause.WEAK_MAGNET)


def weigh(signs: Signs) -> list[Clue]:
    """All clues, those less that another one explains; the surest first."""
    found = clues_of(signs)
    weighed = [
        replace(clue, score=clue.score - EXPLAINED * sum(_explains(signs, other, clue) for other in found))
        for clue in found
    ]
    return sorted(weighed, key=lambda clue: -clue.score)


def _explains(signs: Signs, other: Clue, clue: Clue) -> bool:
    if other.score < SURE or clue.cause not in EXPLAINED_BY.get(other.cause, ()):
        return False
    if other.cause in EXPLAINED_BY.get(clue.cause, ()) and other.score <= clue.score:
        return False  # they explain each other: the surer one stands
    if Cause.VEHICLE in (other.cause, clue.cause) or (other.cause, clue.cause) == EVERYWHERE:
        return True
    if other.cause is Cause.INTERFERENCE:
        boards = {clue.board, *(signs.case.contacts[at].at.board for at in clue.contacts)}
        return other.board in boards
    same_input = other.input is not None and (other.board, other.input) == (clue.board, clue.input)
    return same_input or bool(set(other.contacts) & set(clue.contacts))


def diagnose(case: Case) -> Diagnosis:
    """The findings of a case, the surest first."""
    signs = signs_of(case)
    findings = [finding_of(case, clue) for clue in weigh(signs)]
    findings = sorted((f for f in findings if f.confidence >= SHOWN), key=lambda f: -f.confidence)
    return Diagnosis(case.source, tuple(findings), tuple(_looked_at(signs)), tuple(_limits(signs)))


def finding_of(case: Case, clue: Clue) -> Finding:
    """What is said of a clue."""
    remedy = REMEDIES[clue.cause]
    return Finding(
        clue.cause,
        tuple(case.contacts[at].name for at in clue.contacts),
        clue.board,
        tuple(case.trains[at] for at in clue.trains),
        confidence_of(clue.cause, clue.score),
        clue.evidence,
        remedy.next_step,
        remedy.confirm,
        clue.sketches,
    )


def _looked_at(signs: Signs) -> Iterable[str]:
    passes = sum(len(contact.passes) for contact in signs.case.contacts)
    missed = sum(int(contact.passes.missed.sum()) for contact in signs.case.contacts)
    extra = sum(len(contact.extras) for contact in signs.case.contacts)
    yield (
        f"{passes} passes of {len(signs.case.trains)} trains over {len(signs.case.contacts)} contacts in "
        f"{signs.hours:.1f} h: {missed} missed, {extra} closures without a pass"
    )
    known = sum(1 for each in signs.case.inputs if each.counts is not None)
    yield f"what the boards counted on {known} inputs: closings too short to count, openings within closures"
    tested = sum(1 for each in signs.case.inputs if each.selftest is not None)
    if tested:
        yield f"the boards' electrical self-test of {tested} inputs"


def _limits(signs: Signs) -> Iterable[str]:
    yield from signs.case.notes
    for each in signs.contacts:
        if each.contact.unclear:
            yield f"{each.contact.name}: {each.contact.unclear}"
    if not any(contact.at.selftest for contact in signs.case.contacts):
        yield "no electrical self-test belongs to this run"
    if signs.case.length_unit != "mm":
        yield "the sheet tells no distances: lengths of closures are compared in time only"
