"""A suspicion before it is weighed, and how likely counts are by chance."""

from __future__ import annotations

import math
from dataclasses import dataclass

from scipy.special import betainc, gammainc

from reedproof.analysis.finding import Cause, Sketch

SURPRISE_MAX = 60.0
CAP = 10.0  # no clue scores more
#: Of good contacts, at most this share of passes is missed, or closes twice.
MISS_USUAL = 0.003
#: A shorter break_us deserves a look.
BREAK_US_SHORT = 4_000


@dataclass(frozen=True)
class Clue:
    """``score`` grows with what speaks for the cause; in units of its own, `calibration` makes a confidence
    of it. ``contacts`` and ``trains`` are positions in the case."""

    cause: Cause
    score: float
    evidence: tuple[str, ...]
    contacts: tuple[int, ...] = ()
    board: str | None = None
    input: int | None = None
    trains: tuple[int, ...] = ()
    sketches: tuple[Sketch, ...] = ()


def surprise(count: int, trials: int, chance: float) -> float:
    """-ln of the chance that so many or more of the trials succeed, each with ``chance`` (binomial)."""
    if count <= 0:
        return 0.0
    return _negative_log(float(betainc(count, trials - count + 1, min(max(chance, 1e-12), 1.0))))


def surprise_of_events(count: int, expected: float) -> float:
    """-ln of the chance of so many or more events where ``expected`` are usual (Poisson)."""
    return 0.0 if count <= 0 else _negative_log(float(gammainc(count, max(expected, 1e-12))))


def _negative_log(chance: float) -> float:
    return min(SURPRISE_MAX, -math.log(chance)) if chance > 0 else SURPRISE_MAX


def times(count: int, of: int | None = None, noun: str = "passes") -> str:
    """'3 of 120 passes'."""
    return f"{count} of {of} {noun}" if of is not None else f"{count} {noun}"


def percent(logarithm: float) -> str:
    """'31 % shorter' from a logarithm of a ratio."""
    part = math.expm1(logarithm)
    return f"{100 * abs(part):.0f} % {'shorter' if part < 0 else 'longer'}"
