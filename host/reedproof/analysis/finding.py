"""What a diagnosis says: which part is to blame, how sure that is, and why."""

from __future__ import annotations

import enum
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any


class Cause(enum.Enum):
    OPEN_LEAD = "open_lead"
    LOOSE_LEAD = "loose_lead"
    STUCK_CONTACT = "stuck_contact"
    PARKED_MAGNET = "parked_magnet"
    SHORTED_INPUTS = "shorted_inputs"
    SWAPPED_PLUGS = "swapped_plugs"
    WEAK_MAGNET = "weak_magnet"
    TURNED_MAGNET = "turned_magnet"
    SIDE_LOBES = "side_lobes"
    WINDOW_TOO_SHORT = "window_too_short"
    WINDOW_TOO_LONG = "window_too_long"
    INTERFERENCE = "interference"
    BAD_INPUT = "bad_input"
    WORN_CONTACT = "worn_contact"
    VEHICLE = "vehicle"


class Certainty(enum.Enum):
    """A confidence in a word. A healthy layout gives nothing above ``POSSIBLE``."""

    POSSIBLE = "possible"
    LIKELY = "likely"
    NEARLY_CERTAIN = "nearly certain"

    @classmethod
    def of(cls, confidence: float) -> Certainty:
        if confidence < LIKELY:
            return cls.POSSIBLE
        return cls.LIKELY if confidence < NEARLY_CERTAIN else cls.NEARLY_CERTAIN


LIKELY, NEARLY_CERTAIN = 0.5, 0.9


@dataclass(frozen=True)
class Sketch:
    """A stretch of time to look at: ``closed_ms`` are the stretches (from, to) in which the contact was
    closed, within 0 to ``until_ms``."""

    title: str
    closed_ms: tuple[tuple[float, float], ...]
    until_ms: float


@dataclass(frozen=True)
class Finding:
    """``contacts`` are names, the one to blame first; empty where a board or a train is to blame. ``trains``
    are more than one where the closures do not tell which.
    ``next_step`` is what to do, ``confirm`` the test that would show it is right."""

    cause: Cause
    contacts: tuple[str, ...]
    board: str | None
    trains: tuple[str, ...]
    confidence: float
    evidence: tuple[str, ...]
    next_step: str
    confirm: str
    sketches: tuple[Sketch, ...] = ()

    @property
    def certainty(self) -> Certainty:
        return Certainty.of(self.confidence)

    def as_dict(self) -> dict[str, Any]:
        """For JSON."""
        return {
            "contact": self.contacts[0] if self.contacts else None,
            "contacts": list(self.contacts),
            "board": self.board,
            "train": self.trains[0] if self.trains else None,
            "trains": list(self.trains),
            "cause": self.cause.value,
            "confidence": round(self.confidence, 3),
            "certainty": self.certainty.value,
            "evidence": list(self.evidence),
            "next_step": self.next_step,
            "confirm": self.confirm,
        }


@dataclass(frozen=True)
class Diagnosis:
    """``findings``: the surest first. ``looked_at``: what was looked at, also where nothing was found;
    ``limits``: what could not be looked at, and why. ``is_enough``: there were passes to tell anything by."""

    source: str
    findings: tuple[Finding, ...]
    looked_at: tuple[str, ...]
    limits: tuple[str, ...]
    is_enough: bool = True

    @property
    def is_clear(self) -> bool:
        """There was something to look at, and nothing above possible was found."""
        return self.is_enough and all(each.certainty is Certainty.POSSIBLE for each in self.findings)

    def of(self, names: Sequence[str]) -> Diagnosis:
        """Only what concerns these contacts; what is said of boards and trains may concern them."""
        kept = tuple(f for f in self.findings if not f.contacts or set(f.contacts) & set(names))
        return replace(self, findings=kept)

    def as_dict(self) -> dict[str, Any]:
        """For JSON."""
        return {
            "source": self.source,
            "findings": [each.as_dict() for each in self.findings],
            "looked_at": list(self.looked_at),
            "limits": list(self.limits),
            "enough": self.is_enough,
        }
