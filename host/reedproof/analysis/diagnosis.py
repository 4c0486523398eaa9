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
SHOWN = 0.08
#: With fewer passes of every contact nothing can be told.
PASSES_MIN = 3
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
        Cause.SIDE_LOBES, Cause.TURNED_MAGNET, Cause.WEAK_MAGNET,
    },
    Cause.VEHICLE: {Cause.WEAK_MAGNET, Cause.OPEN_LEAD, Cause.BAD_INPUT},
    Cause.WINDOW_TOO_SHORT: {Cause.LOOSE_LEAD, Cause.TURNED_MAGNET, Cause.SIDE_LOBES},
    Cause.WINDOW_TOO_LONG: {Cause.OPEN_LEAD},
    Cause.LOOSE_LEAD: {Cause.WORN_CONTACT, Cause.BAD_INPUT, Cause.OPEN_LEAD},
    Cause.STUCK_CONTACT: {Cause.PARKED_MAGNET, Cause.BAD_INPUT},
    Cause.BAD_INPUT: {
        Cause.PARKED_MAGNET, Cause.STUCK_CONTACT, Cause.WEAK_MAGNET, Cause.LOOSE_LEAD,
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
EVERYWHERE = {(Cause.SWAPPED_PLUGS, Cause.WEAK_MAGNET), (Cause.SWAPPED_PLUGS, Cause.BAD_INPUT)}
#: What an explained clue is left with at most.
LEFT = -2.0
#: Only one of these can be the case at a contact.
EXCLUSIVE = {Cause.STUCK_CONTACT, Cause.PARKED_MAGNET}


def weigh(signs: Signs) -> list[Clue]:
    """All clues, those less that another one explains; the surest first."""
    found = clues_of(signs)
    weighed = []
    for clue in found:
        explained = sum(_explains(signs, other, clue) for other in found)
        score = min(LEFT, clue.score - EXPLAINED * explained) if explained else clue.score
        weighed.append(replace(clue, score=score))
    return sorted(weighed, key=lambda clue: -clue.score)


def _explains(signs: Signs, other: Clue, clue: Clue) -> bool:
    if other.score < SURE or clue.cause not in EXPLAINED_BY.get(other.cause, ()):
        return False
    if other.cause in EXPLAINED_BY.get(clue.cause, ()) and other.score <= clue.score:
        return False  # they explain each other: the surer one stands
    if Cause.VEHICLE in (other.cause, clue.cause) or (other.cause, clue.cause) in EVERYWHERE:
        return True
    if other.cause is Cause.INTERFERENCE:
        boards = {clue.board, *(signs.case.contacts[at].at.board for at in clue.contacts)}
        return other.board in boards
    same_input = other.input is not None and (other.board, other.input) == (clue.board, clue.input)
    return same_input or bool(set(other.contacts) & set(clue.contacts))


def diagnose(case: Case) -> Diagnosis:
    """The findings of a case, the surest first."""
    signs = signs_of(case)
    findings = _shared([finding_of(case, clue) for clue in weigh(signs)])
    findings = sorted((f for f in findings if f.confidence >= SHOWN), key=lambda f: -f.confidence)
    is_enough = any(each.count >= PASSES_MIN for each in signs.contacts)
    return Diagnosis(case.source, tuple(findings), tuple(_looked_at(signs)), tuple(_limits(signs)), is_enough)


def _shared(findings: list[Finding]) -> list[Finding]:
    """Confidences of what excludes each other do not add up to more than 1."""
    found = []
    for finding in findings:
        rivals = [
            other.confidence
            for other in findings
            if {other.cause, finding.cause} <= EXCLUSIVE and other.contacts == finding.contacts
        ]
        found.append(replace(finding, confidence=finding.confidence / max(1.0, sum(rivals))))
    return found


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


def _count(number: int, noun: str) -> str:
    return f"{number} {noun}{'s' * (number != 1)}"


def _looked_at(signs: Signs) -> Iterable[str]:
    passes = sum(len(contact.passes) for contact in signs.case.contacts)
    missed = sum(int(contact.passes.missed.sum()) for contact in signs.case.contacts)
    extra = sum(len(contact.extras) for contact in signs.case.contacts)
    yield (
        f"{passes} passes of {_count(len(signs.case.trains), 'train')} over "
        f"{_count(len(signs.case.contacts), 'contact')} in {signs.hours:.1f} h: {missed} missed, {extra} "
        "closures without a pass"
    )
    known = sum(1 for each in signs.case.inputs if each.counts is not None)
    yield (
        f"what the boards counted on {known} inputs since they started: closings too short to count, "
        "openings within closures"
    )
    planned = [each.planned for each in signs.case.contacts if each.planned is not None]
    shares = [each.share for each in planned if each.share is not None]
    if shares:
        kept = sum(1 for each in planned if each.is_as_planned)
        yield (
            f"lengths of closures against the plan: {kept} of {_count(len(shares), 'contact')} as planned; "
            f"{100 * min(shares):.0f} to {100 * max(shares):.0f} % of it were measured"
        )
    tested = sum(1 for each in signs.case.inputs if each.selftest is not None)
    if tested:
        yield f"the boards' electrical self-test of {tested} inputs"


def _limits(signs: Signs) -> Iterable[str]:
    yield from signs.case.notes
    for each in signs.contacts:
        if each.contact.unclear:
            yield f"{each.contact.name}: {each.contact.unclear}"
    if not any(each.selftest for each in signs.case.inputs):
        yield "no electrical self-test belongs to this run"
    if signs.case.is_session:
        yield "speeds are those that were asked for: lengths of closures are compared in time only"
    elif signs.case.length_unit != "mm":
        yield "the sheet tells no distances: lengths of closures are compared in time only"
