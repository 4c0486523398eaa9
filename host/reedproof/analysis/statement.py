"""What a run proves, in numbers and in plain words, and what it does not."""

from __future__ import annotations

import enum
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from reedproof.analysis.account import Account, ContactCount, Status
from reedproof.analysis.clusters import Clustering, clustering
from reedproof.analysis.confidence import (
    CONFIDENCE,
    chance_of_clean_stretch,
    for_each_of,
    rate_upper,
    rate_upper_anytime,
    share_upper,
    share_upper_anytime,
)
from reedproof.analysis.plans import Claim, FixedClaim, PassesPlan, Plan, Verdict


class Method(enum.Enum):
    """How the bounds were found. ``FIXED``: Clopper-Pearson for misses, Garwood for extra closures, where the
    run ended by a number of passes fixed in advance. ``ANYTIME``: wherever it did not."""

    FIXED = "fixed in advance"
    ANYTIME = "anytime-valid"


class Flag(enum.Enum):
    """What a reader has to know before using the numbers."""

    NOTHING_PROVED = "nothing_proved"
    CANNOT_TELL = "cannot_tell"
    PEEKED = "peeked"
    REPEATED = "repeated"
    ABANDONED = "abandoned"
    CLUSTERED = "clustered"


@dataclass(frozen=True)
class Counts:
    """Of one contact, what the bounds are made from."""

    passes: int
    missed: int
    extra: int

    def __add__(self, other: Counts) -> Counts:
        return Counts(self.passes + other.passes, self.missed + other.missed, self.extra + other.extra)

    @classmethod
    def of(cls, count: ContactCount) -> Counts:
        """As counted, or the worst that the data allows: most misses and extra closures of fewest passes."""
        if count.status is Status.COUNTED:
            return cls(count.passes, count.missed, count.extra)
        passes, missed = count.passes_range[0], count.missed_range[1]
        return cls(max(passes, missed), missed, count.extra_range[1])

    @classmethod
    def best_of(cls, count: ContactCount) -> Counts:
        """As counted, or the best that the data allows."""
        if count.status is Status.COUNTED:
            return cls.of(count)
        return cls(count.passes_range[1], count.missed_range[0], count.extra_range[0])


def verdict_of(plan: Plan, count: ContactCount, hours: float) -> Verdict:
    """Where the count cannot be told, a plan is met only if the worst that the data allows meets it, and
    failed only if the best fails it: more passes may tell."""
    worst, best = Counts.of(count), Counts.best_of(count)
    verdict = plan.verdict(worst.passes, worst.missed, hours)
    if verdict is Verdict.FAILED and plan.verdict(best.passes, best.missed, hours) is not Verdict.FAILED:
        return Verdict.CONTINUE
    return verdict


@dataclass(frozen=True)
class EarlierRun:
    """A run on the same layout before this one; ``counts`` by name of the contact."""

    run: int
    outcome: str
    counts: Mapping[str, Counts]

    @classmethod
    def of(cls, run: int, outcome: str, account: Account) -> EarlierRun:
        return cls(run, outcome, {count.contact: Counts.of(count) for count in account.contacts})


@dataclass(frozen=True)
class Bounds:
    """Upper bounds of the share of missed passes and of the number of extra closures per pass."""

    miss_upper: float
    extra_upper: float

    @classmethod
    def of(cls, counts: Counts, method: Method, confidence: float) -> Bounds:
        if method is Method.FIXED:
            share, rate = share_upper, rate_upper
        else:
            share, rate = share_upper_anytime, rate_upper_anytime
        return cls(
            share(counts.passes, counts.missed, confidence), rate(counts.passes, counts.extra, confidence)
        )


@dataclass(frozen=True)
class ContactStatement:
    """``alone`` holds for this contact with the statement's confidence, ``at_once`` for all contacts together
    (misses and extra closures each by themselves). ``all_runs`` is made of all runs on the layout together,
    None without earlier ones. ``counts`` are the worst case where it cannot be told."""

    contact: str
    counts: Counts
    method: Method
    alone: Bounds
    at_once: Bounds
    all_runs: Bounds | None
    clusters: Clustering
    verdict: Verdict
    flags: tuple[Flag, ...]
    sentence: str
    notes: tuple[str, ...]

    @property
    def miss_rate(self) -> float | None:
        return self.counts.missed / self.counts.passes if self.counts.passes else None

    @property
    def extra_rate(self) -> float | None:
        return self.counts.extra / self.counts.passes if self.counts.passes else None


@dataclass(frozen=True)
class Statement:
    """``counts`` are those of all contacts together, ``bounds`` hold at every one of them at once: those of
    the ``worst`` contact. ``claim`` says what became of the plan's claim, empty if it makes
    none. ``cautions`` are about the run, ``assumptions`` what all of it rests on."""

    confidence: float
    plan: Plan
    verdict: Verdict
    contacts: tuple[ContactStatement, ...]
    counts: Counts
    bounds: Bounds
    worst: str
    flags: tuple[Flag, ...]
    sentence: str
    claim: str
    cautions: tuple[str, ...]
    assumptions: tuple[str, ...]

    def as_dict(self) -> dict[str, Any]:
        """For JSON. What is not bounded at all is None."""
        return {
            "confidence": self.confidence,
            "plan": self.plan.as_dict(),
            "verdict": self.verdict.value,
            "claim": self.claim,
            "layout": {
                "passes": self.counts.passes,
                "missed": self.counts.missed,
                "extra": self.counts.extra,
                **_bounds_dict(self.bounds),
                "worst": self.worst,
                "flags": [flag.value for flag in self.flags],
                "sentence": self.sentence,
            },
            "contacts": {
                contact.contact: _contact_dict(contact, self.confidence) for contact in self.contacts
            },
            "cautions": list(self.cautions),
            "assumptions": list(self.assumptions),
        }


def _finite(value: float) -> float | None:
    return value if math.isfinite(value) else None


def _bounds_dict(bounds: Bounds) -> dict[str, float | None]:
    return {"miss_upper": bounds.miss_upper, "extra_upper": _finite(bounds.extra_upper)}


def _contact_dict(contact: ContactStatement, confidence: float) -> dict[str, Any]:
    return {
        "miss_rate": contact.miss_rate,
        "extra_rate": contact.extra_rate,
        **_bounds_dict(contact.alone),
        "confidence": confidence,
        "method": contact.method.value,
        "at_once": _bounds_dict(contact.at_once),
        "all_runs": _bounds_dict(contact.all_runs) if contact.all_runs else None,
        "clusters": {
            "rho": contact.clusters.rho,
            "effective_passes": contact.clusters.effective_passes,
            "p_value": contact.clusters.p_value,
            "miss_upper": contact.clusters.share_upper(confidence),
        },
        "verdict": contact.verdict.value,
        "flags": [flag.value for flag in contact.flags],
        "sentence": contact.sentence,
        "notes": list(contact.notes),
    }


def statement(
    account: Account,
    plan: Plan,
    *,
    stopped_as_planned: bool,
    hours: float = 0.0,
    earlier: Sequence[EarlierRun] = (),
) -> Statement:
    """What the passes of ``account`` prove.

    Args:
        account: of a run that has ended, or of one that goes on.
        plan: what the run was begun with.
        stopped_as_planned: the run ended because ``plan`` was met or failed, and for no other reason; False
            also while it goes on.
        hours: how long the run was observed, for a plan of hours.
        earlier: all other runs on the same layout that came before, the abandoned ones among them.
    """
    confidence = plan.confidence if isinstance(plan, Claim) else CONFIDENCE
    each = for_each_of(max(len(account.contacts), 1), confidence)
    contacts = tuple(
        _contact_statement(count, plan, stopped_as_planned, hours, earlier, confidence, each)
        for count in account.contacts
    )
    counts = sum((contact.counts for contact in contacts), Counts(0, 0, 0))
    worst = max(contacts, key=lambda contact: contact.at_once.miss_upper, default=None)
    bounds = Bounds(
        max((contact.at_once.miss_upper for contact in contacts), default=1.0),
        max((contact.at_once.extra_upper for contact in contacts), default=math.inf),
    )
    verdict = Verdict.of_all(contact.verdict for contact in contacts)
    return Statement(
        confidence=confidence,
        plan=plan,
        verdict=verdict,
        contacts=contacts,
        counts=counts,
        bounds=bounds,
        worst=worst.contact if worst else "",
        flags=tuple(flag for flag in Flag if any(flag in contact.flags for contact in contacts)),
        sentence=_layout_sentence(contacts, bounds, confidence),
        claim=_claim(plan, verdict) if isinstance(plan, Claim) else "",
        cautions=_cautions(contacts, plan, stopped_as_planned, earlier),
        assumptions=_assumptions(len(contacts)),
    )


def _contact_statement(
    count: ContactCount,
    plan: Plan,
    stopped_as_planned: bool,
    hours: float,
    earlier: Sequence[EarlierRun],
    confidence: float,
    each: float,
) -> ContactStatement:
    counts = Counts.of(count)
    verdict = verdict_of(plan, count, hours)
    # A contact that has not come to its end was cut off by another one.
    fixed = (
        stopped_as_planned and isinstance(plan, PassesPlan | FixedClaim) and verdict is not Verdict.CONTINUE
    )
    method = Method.FIXED if fixed else Method.ANYTIME
    alone = Bounds.of(counts, method, confidence)
    before = [run.counts[count.contact] for run in earlier if count.contact in run.counts]
    together = sum(before, counts)
    all_runs = Bounds.of(together, Method.ANYTIME, confidence) if before else None
    blocks = count.blocks if count.status is Status.COUNTED else ()
    clusters = clustering([block.passes for block in blocks], [block.missed for block in blocks])
    found = {
        Flag.NOTHING_PROVED: counts.passes == 0,
        Flag.CANNOT_TELL: count.status is Status.CANNOT_TELL,
        Flag.PEEKED: not stopped_as_planned,
        Flag.REPEATED: bool(before),
        Flag.ABANDONED: any(run.outcome == "abandoned" and count.contact in run.counts for run in earlier),
        Flag.CLUSTERED: clusters.warning,
    }
    return ContactStatement(
        contact=count.contact,
        counts=counts,
        method=method,
        alone=alone,
        at_once=Bounds.of(counts, method, each),
        all_runs=all_runs,
        clusters=clusters,
        verdict=verdict,
        flags=tuple(flag for flag, is_so in found.items() if is_so),
        sentence=_sentence(count.contact, counts, alone, confidence),
        notes=tuple(
            _notes(count, counts, alone, together if before else None, all_runs, clusters, confidence)
        ),
    )


def fewer_than(share: float) -> str:
    """A share bounded from above, in words that are true of it: ``fewer than 1 in 334 passes``."""
    if share <= 0.5:
        return f"fewer than 1 in {math.floor(1 / share)} passes"
    return f"fewer than {math.ceil(share * 1000) / 10:g} % of passes"


def _sure(confidence: float) -> str:
    return f"With {100 * confidence:g} % confidence"


def _sentence(contact: str, counts: Counts, bounds: Bounds, confidence: float) -> str:
    if counts.passes == 0:
        return f'Nothing was proved at "{contact}": it saw no pass.'
    if bounds.miss_upper == 1:
        return f'Nothing was proved at "{contact}": all of its {counts.passes} passes were or may be missed.'
    return f'{_sure(confidence)}, {fewer_than(bounds.miss_upper)} is missed at "{contact}".'


def _extra_sentence(counts: Counts, bounds: Bounds) -> str:
    upper = bounds.extra_upper
    per = (
        f"1 in {math.floor(1 / upper)} passes"
        if upper <= 0.5
        else f"{math.ceil(100 * upper) / 100:g} per pass"
    )
    return f"extra closures: {counts.extra}, with the same confidence fewer than {per}"


def _notes(
    count: ContactCount,
    counts: Counts,
    alone: Bounds,
    together: Counts | None,
    all_runs: Bounds | None,
    clusters: Clustering,
    confidence: float,
) -> list[str]:
    notes = []
    if counts.passes:
        notes.append(_extra_sentence(counts, alone))
    if count.status is Status.CANNOT_TELL:
        notes.append(
            f"cannot tell: {count.reason}; taken as the worst that the data allows, {counts.missed} of "
            f"{counts.passes} passes missed and {counts.extra} extra closures"
        )
    if count.unobserved:
        notes.append(f"{count.unobserved} passes fell into gaps and count neither as good nor as missed")
    if together and all_runs:
        notes.append(
            f"all runs on this layout together: {together.missed} of {together.passes} passes missed, with "
            f"the same confidence {fewer_than(all_runs.miss_upper)}, if nothing was changed between them"
        )
    if clusters.warning:
        notes.append(
            f"misses come in clusters, by chance alone in {100 * clusters.p_value:.1g} % of runs or fewer: "
            f"{clusters.passes} passes prove about as much as {clusters.effective_passes:.0f} independent "
            f"ones, {fewer_than(clusters.share_upper(confidence))}; look for what was different then"
        )
    return notes


def _layout_sentence(contacts: Sequence[ContactStatement], bounds: Bounds, confidence: float) -> str:
    unproved = [contact.contact for contact in contacts if contact.alone.miss_upper == 1]
    if unproved or not contacts:
        where = ", ".join(f'"{name}"' for name in unproved)
        return f"Nothing was proved of the layout as a whole{': nothing at ' if unproved else ''}{where}."
    if len(contacts) == 1:
        return contacts[0].sentence
    return (
        f"{_sure(confidence)} for all {len(contacts)} contacts at once, {fewer_than(bounds.miss_upper)} is "
        f"missed at each of them."
    )


def _claim(plan: Claim, verdict: Verdict) -> str:
    became = {
        Verdict.MET: "The claim is met",
        Verdict.CONTINUE: "The claim is not proved yet",
        Verdict.FAILED: "The claim has failed",
    }
    return f"{became[verdict]}: {plan.text[0].lower()}{plan.text[1:]}."


def _cautions(
    contacts: Sequence[ContactStatement], plan: Plan, stopped_as_planned: bool, earlier: Sequence[EarlierRun]
) -> tuple[str, ...]:
    cautions = []
    if not stopped_as_planned:
        cautions.append(
            "the run goes on or was stopped before its plan said so: its bounds allow for that, and are a "
            "quarter and more above those of a plan that was kept to"
        )
    if earlier:
        runs = ", ".join(f"{run.run} ({run.outcome})" for run in earlier)
        cautions.append(
            f"{len(earlier)} earlier {'run' if len(earlier) == 1 else 'runs'} on this layout: {runs}; a run "
            "that was begun again until it was clean proves little: if nothing was changed between, only the "
            "numbers of all runs together hold"
        )
    if earlier and isinstance(plan, FixedClaim) and plan.misses == 0 and contacts:
        clean = plan.passes
        passes = max(
            contact.counts.passes
            + sum(run.counts[contact.contact].passes for run in earlier if contact.contact in run.counts)
            for contact in contacts
        )
        chance = chance_of_clean_stretch(clean, passes, 1 - plan.reliability)
        cautions.append(
            f"a contact just as bad as the claim excludes has {clean} good passes in a row somewhere among "
            f"{passes} with a probability of {100 * chance:.3g} %"
        )
    return tuple(cautions)


def _assumptions(contacts: int) -> tuple[str, ...]:
    assumptions = [
        "a pass is missed as likely as any other, whatever happened to the ones before; where misses come in "
        "clusters the bounds are too low, and without two misses clusters cannot be seen",
        "passes to come are like these: the same magnets, trains, speeds, air gaps, temperature and wear",
        "misses and extra closures are as the accounting found most probable, or else the worst it allows",
    ]
    if contacts > 1:
        assumptions.append(
            f"what holds for all {contacts} contacts at once is corrected by Bonferroni and holds however "
            "they depend on each other; for misses and for extra closures, each by itself"
        )
    return tuple(assumptions)
