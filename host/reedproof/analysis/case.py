"""What is known of contacts that may be at fault: the input of a diagnosis, from a run or from a guided
session at the layout."""

from __future__ import annotations

import enum
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, fields
from typing import Any

import numpy as np
from numpy.typing import NDArray

from reedproof.analysis.planned import PlannedLength
from reedproof.records import Fault, Verdict

Floats = NDArray[np.float64]
PARTS = 3  # closures of one pass that are looked at; more say no more


class Step(enum.IntEnum):
    """What was asked for when a pass was recorded."""

    RUN = 0  # nothing: trains ran by themselves
    STILL = 1  # nothing moves
    USUAL = 2
    SLOW = 3
    FAST = 4
    WIGGLE = 5  # a magnet holds the contact closed while lead and plug are moved
    OTHER = 6  # another vehicle
    REFERENCE = 7  # the first vehicle over a contact that works


@dataclass(frozen=True, eq=False)
class SeenPasses:
    """Passes of one contact in order of time; arrays have shape (n,) where nothing else is said.

    Attributes:
        at_s: when its first closure began, or when it is thought to have been missed; host time.
        train: position in ``Case.trains``.
        step: of :class:`Step`.
        speed: of the train; mm/s where the case's lengths are in mm, else a share of the usual speed; NaN
            where it is not known.
        closures: how many the pass gave, dropouts shorter than break_us left out; 0: it was missed.
        parts_ms: shape (n, PARTS), how long the first closures lasted; NaN where there is none.
        gaps_ms: shape (n, PARTS - 1), the openings between them; NaN where there is none.
        bounces: of all its closures, making and breaking.
        dropouts: openings inside its closures that were too short to end one.
    """

    at_s: Floats
    train: NDArray[np.int16]
    step: NDArray[np.int8]
    speed: Floats
    closures: NDArray[np.int16]
    parts_ms: Floats
    gaps_ms: Floats
    bounces: NDArray[np.int32]
    dropouts: NDArray[np.int32]

    def __len__(self) -> int:
        return len(self.at_s)

    def __getitem__(self, part: NDArray[Any]) -> SeenPasses:
        return SeenPasses(*(getattr(self, each.name)[part] for each in fields(self)))

    @classmethod
    def join(cls, parts: Sequence[SeenPasses]) -> SeenPasses:
        """All of them in order of time; at least one."""
        joined = cls(*(np.concatenate([getattr(part, each.name) for part in parts]) for each in fields(cls)))
        return joined[np.argsort(joined.at_s, kind="stable")]

    @property
    def missed(self) -> NDArray[np.bool_]:
        return np.asarray(self.closures == 0)

    @property
    def whole_ms(self) -> Floats:
        """From the first closing to the last opening, shape (n,); NaN where it is not known, as with more
        closures than are looked at."""
        known = np.nansum(self.parts_ms, axis=1) + np.nansum(self.gaps_ms, axis=1)
        ends = np.isfinite(self.parts_ms).sum(axis=1) == self.closures
        return np.asarray(np.where(ends & (self.closures > 0), known, np.nan))

    @property
    def length(self) -> Floats:
        """Effective length, shape (n,): mm, or ms at the usual speed; NaN where it is not known."""
        return np.asarray(self.whole_ms / 1000 * self.speed)


@dataclass(frozen=True, eq=False)
class Extras:
    """Closures that belong to no pass, in order of time; shapes (n,). ``ms`` is NaN where it is not known."""

    at_s: Floats
    ms: Floats

    def __len__(self) -> int:
        return len(self.at_s)


@dataclass(frozen=True)
class Counts:
    """What the board counted on an input, and in how much time; widths are rounded down by up to 6 %."""

    seconds: float
    edges: int
    closures: int
    blips: int
    dropouts: int
    longest_blip_us: int
    longest_dropout_us: int


@dataclass(frozen=True)
class FaultSpan:
    """``to_s`` is None while the fault lasts. Host time."""

    fault: Fault
    from_s: float
    to_s: float | None


@dataclass(frozen=True)
class SelfTest:
    """Of one input; ``partners`` are the inputs it is shorted to."""

    verdict: Verdict
    partners: tuple[int, ...] = ()


@dataclass(frozen=True, eq=False)
class Edges:
    """Raw edges of one input, in order; shapes (n,). Host time."""

    at_s: Floats
    closed: NDArray[np.bool_]


@dataclass(frozen=True, eq=False)
class InputFacts:
    """What is known of one input, whether or not a contact is plugged into it."""

    board: str
    input: int
    counts: Counts | None
    make_us: int
    break_us: int
    selftest: SelfTest | None
    faults: tuple[FaultSpan, ...]
    closures_at_s: Floats  # all of them, in order
    edges: Edges | None = None  # where they were recorded


@dataclass(frozen=True, eq=False)
class ContactFacts:
    """What is known of one contact. ``unclear`` says why its passes could not be counted, else empty.
    ``planned``: how long its closures were planned and are, None if they were not planned."""

    name: str
    at: InputFacts
    passes: SeenPasses
    extras: Extras
    unclear: str = ""
    planned: PlannedLength | None = None


@dataclass(frozen=True)
class Swap:
    """What became of the account when the plugs of two contacts were exchanged on paper: passes that are
    missed, extra or out of place, before and after; ``gain`` is how much likelier the closures became, a
    logarithm."""

    first: int
    second: int
    odd_before: int
    odd_after: int
    gain: float


@dataclass(frozen=True, eq=False)
class Case:
    """``contacts`` are in the order of the sheet; ``spares`` are inputs without a contact. ``alike`` holds
    for each train those that closures cannot tell from it, itself among them. ``length_unit`` is "mm" or
    "ms"."""

    source: str
    from_s: float
    to_s: float
    trains: tuple[str, ...]
    alike: tuple[tuple[int, ...], ...]
    contacts: tuple[ContactFacts, ...]
    spares: tuple[InputFacts, ...]
    length_unit: str
    swaps: tuple[Swap, ...] = ()
    notes: tuple[str, ...] = ()  # what could not be looked at, for the reader

    @property
    def is_session(self) -> bool:
        """Somebody was asked for the passes; of a run, trains made them by themselves."""
        return any(np.any(contact.passes.step != Step.RUN) for contact in self.contacts)

    @property
    def inputs(self) -> list[InputFacts]:
        return [*(contact.at for contact in self.contacts), *self.spares]


@dataclass(frozen=True, eq=False)
class BoardFacts:
    """What a board told of itself during a run, by input: counters, settings (make_us, break_us), self-test,
    faults."""

    counts: Mapping[int, Counts] = field(default_factory=dict)
    settings: Mapping[int, tuple[int, int]] = field(default_factory=dict)
    selftest: Mapping[int, SelfTest] = field(default_factory=dict)
    faults: Mapping[int, Sequence[FaultSpan]] = field(default_factory=dict)
