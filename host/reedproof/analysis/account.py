"""What the accounting of a run says: passes, misses and extra closures per contact, with the evidence."""

from __future__ import annotations

import enum
from dataclasses import dataclass


class Status(enum.Enum):
    COUNTED = "counted"
    CANNOT_TELL = "cannot_tell"


class Kind(enum.Enum):
    """What a piece of evidence is about."""

    MISSED = "missed"  # a pass without a closure
    EXTRA = "extra"  # a closure without a pass
    DOUBLED = "doubled"  # a second closure of one pass
    HALTED = "halted"  # the train stood on the contact, or on the way to it
    MOVED = "moved"  # the train was lifted off the track and put elsewhere


@dataclass(frozen=True)
class Evidence:
    """``contact`` is its position in the sheet's list. ``at_s`` is host time, of a missed pass the time at
    which it is thought to have happened. ``because`` says in words what speaks for it."""

    kind: Kind
    contact: int
    train: str
    at_s: float
    because: str


@dataclass(frozen=True)
class Block:
    """Passes of one contact within one stretch of the run (ten minutes at most, never across an
    interruption)."""

    from_s: float
    passes: int
    missed: int
    extra: int


@dataclass(frozen=True)
class ContactCount:
    """Passes of one contact. ``passes`` = good + doubled + missed, as most probable: ``good`` are passes with
    exactly one closure, ``doubled`` such with more. ``extra`` are all closures beyond the first of a pass and
    those outside of any. ``unobserved`` passes fell into gaps and are in none of these numbers.

    The ``_range`` pairs are the least and the most that the data allows; for ``COUNTED`` they say how sure
    the number is, for ``CANNOT_TELL`` they stand instead of it, and ``reason`` says why. Where the layout is
    why, all of the passes may have been missed.
    """

    contact: str
    passes: int
    good: int
    missed: int
    extra: int
    doubled: int
    unobserved: int
    status: Status
    reason: str
    passes_range: tuple[int, int]
    missed_range: tuple[int, int]
    extra_range: tuple[int, int]
    blocks: tuple[Block, ...]


@dataclass(frozen=True)
class Account:
    """``contacts`` are in the order of the sheet. ``laps`` are keyed by train. ``evidence`` is in order of
    time; of each kind and contact the first thousand are kept, ``evidence_left_out`` counts the rest.
    Times are host times, seconds since 1970."""

    contacts: tuple[ContactCount, ...]
    laps: dict[str, int]
    closures: int
    from_s: float
    to_s: float
    evidence: tuple[Evidence, ...]
    evidence_left_out: int
