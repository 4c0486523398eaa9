"""When a run ends: what it is to show, fixed before it begins."""

# ruff: noqa: ARG002 - each plan looks at those of the counts that it is about

from __future__ import annotations

import enum
from abc import ABC, abstractmethod
from collections.abc import Iterable, Mapping
from dataclasses import asdict, dataclass
from typing import Any, ClassVar

from scipy.special import bdtr

from reedproof.analysis.confidence import for_each_of, passes_needed
from reedproof.analysis.sequential import RatioTest
from reedproof.errors import ReedproofError

#: A sequential claim takes a contact that misses this fraction of what is to be excluded as a good one ...
GOOD_FRACTION = 0.1
#: ... and refuses it this often at most.
REFUSES_GOOD = 0.1


class Verdict(enum.Enum):
    CONTINUE = "continue"
    MET = "met"
    FAILED = "failed"  # cannot be met any more

    @staticmethod
    def of_all(verdicts: Iterable[Verdict]) -> Verdict:
        """Of all contacts together: met when all meet it, failed when one cannot any more."""
        found = set(verdicts)
        for first in (Verdict.FAILED, Verdict.CONTINUE):
            if first in found:
                return first
        return Verdict.MET


@dataclass(frozen=True)
class Left:
    """What is needed still, provided that nothing more is missed; 0 where nothing is."""

    passes: int = 0
    hours: float = 0.0


@dataclass(frozen=True)
class Plan(ABC):
    """Numbers of passes and misses are those of one contact; ``hours`` are those of the run."""

    kind: ClassVar[str]

    @abstractmethod
    def verdict(self, passes: int, missed: int, hours: float = 0.0) -> Verdict: ...

    @abstractmethod
    def left(self, passes: int, missed: int, hours: float = 0.0) -> Left: ...

    @abstractmethod
    def describe(self) -> str:
        """One plain sentence."""

    def as_dict(self) -> dict[str, Any]:
        return {"kind": self.kind, **asdict(self)}


@dataclass(frozen=True)
class PassesPlan(Plan):
    """So many passes of every contact."""

    passes: int

    kind: ClassVar[str] = "passes"

    def verdict(self, passes: int, missed: int, hours: float = 0.0) -> Verdict:
        return Verdict.MET if passes >= self.passes else Verdict.CONTINUE

    def left(self, passes: int, missed: int, hours: float = 0.0) -> Left:
        return Left(passes=max(self.passes - passes, 0))

    def describe(self) -> str:
        return f"{self.passes} passes of every contact, whatever they show."


@dataclass(frozen=True)
class HoursPlan(Plan):
    """So many hours. How many passes they hold may depend on what is missed (a missed stop ends in a
    collision), so this is no plan in the sense of statistics and its bounds are the anytime-valid ones."""

    hours: float

    kind: ClassVar[str] = "hours"

    def verdict(self, passes: int, missed: int, hours: float = 0.0) -> Verdict:
        return Verdict.MET if hours >= self.hours else Verdict.CONTINUE

    def left(self, passes: int, missed: int, hours: float = 0.0) -> Left:
        return Left(hours=max(self.hours - hours, 0.0))

    def describe(self) -> str:
        return f"{self.hours:g} hours, whatever they show; no claim is tested."


@dataclass(frozen=True)
class Claim(Plan):
    """That fewer than 1 - ``reliability`` of passes are missed at each of ``contacts`` contacts, proved with
    ``confidence`` for all of them at once."""

    reliability: float
    confidence: float
    contacts: int

    def __post_init__(self) -> None:
        if not (0 < self.reliability < 1 and 0 < self.confidence < 1 and self.contacts >= 1):
            raise ValueError(f"no claim: {self}")

    @property
    def confidence_each(self) -> float:
        """What each contact has to be proved with."""
        return for_each_of(self.contacts, self.confidence)

    @property
    def text(self) -> str:
        """What is claimed, without a full stop."""
        missed = f"Less than {100 * (1 - self.reliability):.4g} % of passes missed"
        sure = f"with {100 * self.confidence:g} % confidence"
        if self.contacts == 1:
            return f"{missed}, {sure}"
        return f"{missed} at each of {self.contacts} contacts, {sure} for all of them at once"


@dataclass(frozen=True)
class FixedClaim(Claim):
    """At ``reliability`` or more of passes good at each of ``contacts`` contacts, with ``confidence`` for all
    of them at once, from a number of passes fixed in advance that allows ``misses`` misses of each contact.

    A contact has to keep to that for as long as the run goes on, also beyond the passes it needs; this can
    only make the claim harder to meet.
    """

    misses: int = 0

    kind: ClassVar[str] = "claim"

    def passes_for(self, misses: int) -> int:
        """Passes of each contact if ``misses`` misses were to be allowed: for the choice before the run. To
        allow more after a miss was seen is no plan."""
        return passes_needed(self.reliability, self.confidence_each, misses)

    @property
    def passes(self) -> int:
        return self.passes_for(self.misses)

    def verdict(self, passes: int, missed: int, hours: float = 0.0) -> Verdict:
        if missed > self.misses:
            return Verdict.FAILED
        return Verdict.MET if passes >= self.passes else Verdict.CONTINUE

    def left(self, passes: int, missed: int, hours: float = 0.0) -> Left:
        return Left(passes=max(self.passes - passes, 0) if missed <= self.misses else 0)

    def chance_to_meet(self, miss_share: float) -> float:
        """Of a layout whose contacts all miss ``miss_share`` of their passes, independently: to be told
        before the run."""
        return float(bdtr(self.misses, self.passes, miss_share)) ** self.contacts

    def describe(self) -> str:
        allowed = "without a miss" if self.misses == 0 else f"with no more than {self.misses} missed"
        return f"{self.text}: {self.passes} passes of each contact {allowed}."


@dataclass(frozen=True)
class SequentialClaim(Claim):
    """The same claim, tested after every pass by Wald's test against contacts that miss a tenth of what is to
    be excluded: misses prolong the run instead of ending it, and clearly bad contacts end it early.

    To look less often does no harm to the claim. Its chance of error is never above what is asked for, which
    Wald's own line does not promise: it would be up to 1 / (1 - REFUSES_GOOD) times as large.
    """

    kind: ClassVar[str] = "sequential"

    @property
    def test(self) -> RatioTest:
        bad = 1 - self.reliability
        accepts_bad = (1 - self.confidence_each) * (1 - REFUSES_GOOD)
        return RatioTest(bad * GOOD_FRACTION, bad, REFUSES_GOOD, accepts_bad)

    def verdict(self, passes: int, missed: int, hours: float = 0.0) -> Verdict:
        if passes >= self.test.accepts_from(missed):
            return Verdict.MET
        return Verdict.FAILED if 0 < passes <= self.test.refuses_until(missed) else Verdict.CONTINUE

    def left(self, passes: int, missed: int, hours: float = 0.0) -> Left:
        if self.verdict(passes, missed, hours) is not Verdict.CONTINUE:
            return Left()
        return Left(passes=self.test.accepts_from(missed) - passes)

    def chance_to_meet(self, miss_share: float) -> float:
        """As for :class:`FixedClaim`; of one contact at 1 - reliability it is the real chance of error."""
        return self.test.odds(miss_share).accepts ** self.contacts

    def passes_mean(self, miss_share: float) -> float:
        """Passes after which one contact that misses ``miss_share`` is decided, on average."""
        return self.test.odds(miss_share).passes_mean

    def describe(self) -> str:
        return (
            f"{self.text}, tested after every pass: at the earliest after {self.test.accepts_from(0)} "
            f"passes of each contact, later with misses."
        )


PLANS: dict[str, type[Plan]] = {
    plan.kind: plan for plan in (PassesPlan, HoursPlan, FixedClaim, SequentialClaim)
}


def plan_from_dict(stored: Mapping[str, Any]) -> Plan:
    """What :meth:`Plan.as_dict` gave."""
    values = dict(stored)
    kind = values.pop("kind", None)
    if kind not in PLANS:
        raise ReedproofError(f"plan of kind {kind!r}, not {', '.join(PLANS)}; use the version that stored it")
    return PLANS[kind](**values)


def parse_claim(text: str) -> tuple[float, float]:
    """Reliability and confidence of a text like ``0.999@0.95``."""
    example = "write RELIABILITY@CONFIDENCE, for example 0.999@0.95"
    parts = text.split("@")
    if len(parts) != 2:
        raise ReedproofError(f"claim {text!r} is not two numbers with an @ between them; {example}")
    numbers = []
    for name, part in zip(("reliability", "confidence"), parts, strict=True):
        try:
            number = float(part)
        except ValueError:
            raise ReedproofError(f"claim {text!r}: {part.strip()!r} is no number; {example}") from None
        if not 0 < number < 1:
            raise ReedproofError(f"claim {text!r}: the {name} {number:g} is not between 0 and 1; {example}")
        numbers.append(number)
    return numbers[0], numbers[1]
