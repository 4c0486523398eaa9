"""What is odd about each contact of a case, in numbers: the rules of `causes` read nothing else.

A contact is held against the others of its layout, and its passes against each other. So nothing has to be
known of the magnets beforehand, and what all contacts share is not a symptom of one of them.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from reedproof.analysis.case import Case, ContactFacts, SeenPasses, Step

Floats = NDArray[np.float64]

#: A closure that lasts so many times as long as they usually do, and at least so long, is not of a magnet
#: that passed.
HELD_TIMES, HELD_MIN_S = 8.0, 2.0
#: Effective lengths differ from contact to contact by about this (of the logarithm) where nothing is wrong:
#: gaps are built to a millimetre, sensitivities differ by a tenth. Without distances in the sheet, lengths
#: are measured in time and differ by the speeds as well.
SPREAD_MM, SPREAD_MS = 0.11, 0.30
#: So many passes of known length are a median worth comparing.
LENGTHS_MIN = 3
#: It takes so many passes to see a trend.
TREND_MIN = 20
#: So many passes without a closure are no accident.
SILENT = 5
#: More bounces of a pass than this are as many.
BOUNCES = 24
#: A moment at which a train can hardly have come.
TIMING_MIN = -4.0
MAD_TO_SPREAD = 1.4826  # of a normal distribution


@dataclass(frozen=True)
class Held:
    """A contact stayed closed. ``timing`` is how much likelier a train came when it began than at any other
    moment, a logarithm, None where that is not known, and ``train`` the one that did, None if none can have
    come then; ``went_on``: it did not stand there, as trains were seen elsewhere or went over it before the
    contact opened. ``over``: passes that went over it meanwhile. ``lasts``: it did not open any more."""

    from_s: float
    to_s: float
    timing: float | None
    train: int | None
    went_on: bool
    over: int
    lasts: bool

    @property
    def seconds(self) -> float:
        return self.to_s - self.from_s


@dataclass(frozen=True, eq=False)
class Symptoms:
    """Of the contact at position ``at``. ``passes`` are those that happened while it was free to open
    and nobody moved its lead;
    ``ratio`` holds by train the logarithm of its effective length over what the other contacts have, NaN
    where it is not known; ``spread`` is how much that differs where nothing is wrong."""

    at: int
    contact: ContactFacts
    passes: SeenPasses
    held: tuple[Held, ...]
    ratio: Floats
    spread: float

    # ---- misses ----

    @property
    def count(self) -> int:
        return len(self.passes)

    @cached_property
    def missed(self) -> int:
        return int(self.passes.missed.sum())

    @property
    def is_ordered(self) -> bool:
        """It is known which of its passes were missed; of those that somebody was asked for only how many."""
        return not np.any(self.contact.passes.step != Step.RUN)

    @cached_property
    def silence(self) -> int:
        """The longest row of passes that were all missed, 0 where their order is not known."""
        longest = now = 0
        if not self.is_ordered:
            return 0
        for gone in self.passes.missed.tolist():
            now = now + 1 if gone else 0
            longest = max(longest, now)
        return longest

    @property
    def ends_silent(self) -> bool:
        """Its last passes were all missed."""
        return self.count >= SILENT and bool(self.passes.missed[-SILENT:].all())

    @cached_property
    def clustering(self) -> float:
        """How much better misses are explained by a state that lasts than by chance alone: the logarithm of
        the likelihood ratio of a Markov chain, less the cost of its further parameter."""
        gone = self.passes.missed.astype(int)
        if self.missed in (0, self.count) or self.count < 8 or not self.is_ordered:
            return 0.0
        pairs = np.bincount(2 * gone[:-1] + gone[1:], minlength=4).reshape(2, 2)
        alone = pairs.sum(axis=0) / pairs.sum()
        given = pairs / np.maximum(pairs.sum(axis=1, keepdims=True), 1)
        if given[1, 1] <= given[0, 1]:
            return 0.0
        with np.errstate(divide="ignore", invalid="ignore"):
            gain = np.nansum(pairs * np.log(given / alone))
        return max(0.0, float(gain) - 0.5 * math.log(self.count))

    @cached_property
    def pace_of_missed(self) -> tuple[float, float]:
        """Mean logarithm of the speed of missed passes against those that were seen, and how many standard
        errors that is; 0 where too little is known."""
        speed = np.log(self.passes.speed)
        for train in np.unique(self.passes.train):
            mine = self.passes.train == train
            known = speed[mine & np.isfinite(speed)]
            if len(known):
                speed[mine] -= np.median(known)
        known = np.isfinite(speed)
        gone, seen = speed[known & self.passes.missed], speed[known & ~self.passes.missed]
        if len(gone) < 3 or len(seen) < 3:
            return 0.0, 0.0
        error = math.sqrt(gone.var(ddof=1) / len(gone) + seen.var(ddof=1) / len(seen)) or 1.0
        difference = float(gone.mean() - seen.mean())
        return difference, difference / error

    # ---- openings within a pass ----

    @cached_property
    def seen(self) -> SeenPasses:
        return self.passes[~self.passes.missed]

    @cached_property
    def openings(self) -> NDArray[np.int64]:
        """Of each pass that was seen: openings that gave further closures, and dropouts."""
        return np.asarray(self.seen.closures - 1 + self.seen.dropouts, dtype=np.int64)

    @property
    def shaken(self) -> int:
        """Openings while lead and plug were moved."""
        moved = self.contact.passes[self.contact.passes.step == Step.WIGGLE]
        return int(np.sum(np.maximum(moved.closures - 1, 0) + moved.dropouts))

    @cached_property
    def bounce_shares(self) -> Floats:
        """How often a pass with a single closure has 0, 1, 2 .. bounces, shape (BOUNCES,)."""
        single = self.seen.bounces[self.seen.closures == 1]
        counts = np.bincount(np.minimum(single, BOUNCES - 1), minlength=BOUNCES) + 0.02
        return np.asarray(counts / counts.sum())

    @property
    def opening_rate(self) -> float:
        return float(self.openings.mean()) if len(self.openings) else 0.0

    @property
    def opened(self) -> float:
        """Of the passes that were seen, how many had an opening."""
        return float(np.mean(self.openings > 0)) if len(self.openings) else 0.0

    @cached_property
    def doubled(self) -> int:
        return int(np.sum(self.seen.closures == 2))

    @cached_property
    def tripled(self) -> int:
        return int(np.sum(self.seen.closures >= 3))

    @cached_property
    def gaps(self) -> tuple[Floats, Floats, Floats]:
        """Of the first opening of each pass with two closures: its ms, its share of the pass, and where its
        middle lies in it, 0 to 1."""
        twice = self.seen[(self.seen.closures == 2) & np.isfinite(self.seen.parts_ms[:, :2]).all(axis=1)]
        gap, whole = twice.gaps_ms[:, 0], twice.whole_ms
        return gap, gap / whole, (twice.parts_ms[:, 0] + gap / 2) / whole

    # ---- lengths and bounces ----

    @property
    def length_ratio(self) -> float:
        """The usual one of ``ratio``, NaN where none is known."""
        known = self.ratio[np.isfinite(self.ratio)]
        return float(np.median(known)) if len(known) else math.nan

    @cached_property
    def length_error(self) -> float:
        """Standard error of the median of the logarithms of its effective lengths."""
        values = np.log(self.seen.length)
        values = values[np.isfinite(values)]
        if not len(values):
            return 0.0
        spread = MAD_TO_SPREAD * float(np.median(np.abs(values - np.median(values))))
        return 1.25 * spread / math.sqrt(len(values))

    def _ends(self, values: Floats) -> tuple[Floats, Floats]:
        part = max(5, len(values) // 4)
        return values[:part], values[-part:]

    @cached_property
    def length_trend(self) -> tuple[float, float]:
        """Logarithm of the effective length, the last passes against the first ones, and how many standard
        errors that is."""
        values = np.log(self.seen.length)
        values = values[np.isfinite(values)]
        if len(values) < TREND_MIN:
            return 0.0, 0.0
        first, last = self._ends(values)
        error = 1.25 * math.hypot(
            *(
                MAD_TO_SPREAD * float(np.median(np.abs(end - np.median(end)))) / len(end) ** 0.5
                for end in (first, last)
            )
        )
        change = float(np.median(last) - np.median(first))
        return change, change / max(error, 0.01)

    @cached_property
    def bounces(self) -> tuple[float, float]:
        """Mean per pass, and its standard error."""
        values = self.seen.bounces
        if not len(values):
            return 0.0, 1.0
        return float(values.mean()), float(values.std() / len(values) ** 0.5)

    @cached_property
    def bounce_trend(self) -> tuple[float, float, float]:
        """Mean bounces of the first passes and of the last ones, and how many standard errors a straight line
        through all of them rises by."""
        values = self.seen.bounces.astype(np.float64)
        if len(values) < TREND_MIN or not values.std():
            mean = self.bounces[0]
            return mean, mean, 0.0
        first, last = self._ends(values)
        fit = float(np.corrcoef(np.arange(len(values)), values)[0, 1])
        errors = fit * math.sqrt((len(values) - 2) / max(1 - fit**2, 1e-9))
        return float(first.mean()), float(last.mean()), errors

    @cached_property
    def usual_ms(self) -> float:
        known = self.seen.whole_ms[np.isfinite(self.seen.whole_ms)]
        return float(np.median(known)) if len(known) else math.nan


@dataclass(frozen=True, eq=False)
class Signs:
    """Everything the rules look at. ``contacts`` are in the order of the case's; ``lengths`` has shape
    (contacts, trains), logarithms of the usual effective length, NaN where it is not known."""

    case: Case
    contacts: tuple[Symptoms, ...]
    lengths: Floats
    spread: float

    @property
    def hours(self) -> float:
        return max((self.case.to_s - self.case.from_s) / 3600, 1e-3)

    def usual(self, value: Callable[[Symptoms], float], besides: Symptoms | None = None) -> float:
        """The median over the contacts that have passes, one left out; 0 without any."""
        values = [value(each) for each in self.contacts if each.count and each is not besides]
        return float(np.median(values)) if values else 0.0


def signs_of(case: Case) -> Signs:
    everywhere = np.concatenate([np.zeros(0), *(each.passes.whole_ms for each in case.contacts)]) / 1000
    usual_s = float(np.nanmedian(everywhere)) if np.isfinite(everywhere).any() else 0.0
    least_s = max(HELD_MIN_S, HELD_TIMES * usual_s)
    journeys = [_journey(case, train) for train in range(len(case.trains))]
    held = [_held(case, contact, least_s, journeys) for contact in case.contacts]
    free = [_free(contact.passes, each) for contact, each in zip(case.contacts, held, strict=True)]
    medians = np.array([[_median(passes, train) for train in range(len(case.trains))] for passes in free])
    medians = medians.reshape(len(free), len(case.trains))
    others_least = 1 if case.is_session else 2
    ratio = np.full(medians.shape, np.nan)
    for at, train in zip(*np.nonzero(np.isfinite(medians)), strict=True):
        others = np.delete(medians[:, train], at)
        others = others[np.isfinite(others)]
        if len(others) >= others_least:
            ratio[at, train] = medians[at, train] - np.median(others)
    usual = SPREAD_MM if case.length_unit == "mm" else SPREAD_MS
    spreads = [max(usual, _spread(np.delete(ratio, at, axis=0))) for at in range(len(free))]
    contacts = tuple(
        Symptoms(at, contact, free[at], held[at], ratio[at], spreads[at])
        for at, contact in enumerate(case.contacts)
    )
    return Signs(case, contacts, medians, max(usual, _spread(ratio)))


def _spread(ratio: Floats) -> float:
    """Robust, of those that are known."""
    known = ratio[np.isfinite(ratio)]
    return MAD_TO_SPREAD * float(np.median(np.abs(known - np.median(known)))) if len(known) else 0.0


def _median(passes: SeenPasses, train: int) -> float:
    """Of the logarithm of its effective length."""
    length = passes.length[(passes.train == train) & ~passes.missed]
    length = length[np.isfinite(length)]
    return float(np.median(np.log(length))) if len(length) >= LENGTHS_MIN else math.nan


def _held(case: Case, contact: ContactFacts, least_s: float, journeys: list[_Journey]) -> tuple[Held, ...]:
    passes, extras = contact.passes, contact.extras
    whole_s = passes.whole_ms / 1000
    rows = np.flatnonzero(whole_s > least_s)
    from_s = np.concatenate([passes.at_s[rows], extras.at_s[extras.ms / 1000 > least_s]])
    lasted_s = np.concatenate([whole_s[rows], extras.ms[extras.ms / 1000 > least_s] / 1000])
    spans = sorted(zip(from_s.tolist(), lasted_s.tolist(), strict=True))
    at = case.contacts.index(contact)
    return tuple(_held_once(case, at, start_s, start_s + length_s, journeys) for start_s, length_s in spans)


def _held_once(case: Case, at: int, from_s: float, to_s: float, journeys: list[_Journey]) -> Held:
    contact = case.contacts[at]
    told = [
        (_timing(contact, at, journey, number, from_s, to_s), number)
        for number, journey in enumerate(journeys)
    ]
    timing, train = max(
        ((known, number) for known, number in told if known is not None), default=(None, None)
    )
    if timing is not None and timing <= TIMING_MIN:
        train = None  # none of those that are known; others may have come
        timing = None if any(known is None for known, _ in told) else timing
    went_on = any(
        journey.is_elsewhere(at, from_s, to_s)
        for number, journey in enumerate(journeys)
        if train in (None, number)
    )
    over = int(np.sum((contact.passes.at_s > from_s) & (contact.passes.at_s < to_s)))
    # Nothing goes over a contact on which a train stands.
    return Held(from_s, to_s, timing, train, went_on or over > 0, over, to_s > case.to_s - HELD_MIN_S)


@dataclass(frozen=True, eq=False)
class _Journey:
    """When and where a train was seen, in order; shapes (n,)."""

    at_s: Floats
    place: NDArray[np.int64]

    def is_elsewhere(self, at: int, from_s: float, to_s: float) -> bool:
        first, last = np.searchsorted(self.at_s, from_s, side="right"), np.searchsorted(self.at_s, to_s)
        return bool(np.any(self.place[first:last] != at))


def _journey(case: Case, train: int) -> _Journey:
    seen = [(each.passes.train == train) & ~each.passes.missed for each in case.contacts]
    parts = [each.passes.at_s[mine] for each, mine in zip(case.contacts, seen, strict=True)]
    times_s = np.concatenate([np.zeros(0), *parts])
    places = np.repeat(np.arange(len(parts)), [len(part) for part in parts])
    order = np.argsort(times_s, kind="stable")
    return _Journey(times_s[order], places[order].astype(np.int64))


def _timing(
    contact: ContactFacts, at: int, journey: _Journey, train: int, at_s: float, opened_s: float
) -> float | None:
    """How likely this train was over the contact at that moment, by when it was seen before and after it: the
    logarithm of the density of where that lies between the two, against any moment between two passes. If it
    was seen nowhere else until the contact opened, it may have stood there. None where nothing is known."""
    if not np.any(contact.passes.train == train):
        return TIMING_MIN  # it never comes here
    times_s, places = journey.at_s, journey.place
    elsewhere = places != at
    before = int(np.searchsorted(times_s[elsewhere], at_s)) - 1
    if before < 0 or before + 1 >= elsewhere.sum():
        return None
    left, right = places[elsewhere][before : before + 2]
    left_s, right_s = times_s[elsewhere][before : before + 2]
    if right_s >= opened_s:
        right_s -= opened_s - at_s
    middle = np.flatnonzero((places[1:-1] == at) & (places[:-2] == left) & (places[2:] == right)) + 1
    middle = middle[times_s[middle] != at_s]
    if len(middle) < LENGTHS_MIN:
        known = np.any((places[1:] == at) & (places[:-1] == left)) or not np.any(places == at)
        return None if known else TIMING_MIN
    usual = (times_s[middle] - times_s[middle - 1]) / (times_s[middle + 1] - times_s[middle - 1])
    spread = max(0.02, float(usual.std()))
    off = ((at_s - left_s) / (right_s - left_s) - float(usual.mean())) / spread
    apart_s = float(np.median(np.diff(contact.passes.at_s)))
    any_moment = math.log(max(1.0, apart_s / (right_s - left_s)))
    return max(TIMING_MIN, any_moment - 0.5 * float(off) ** 2 - math.log(spread * math.sqrt(2 * math.pi)))


def _free(passes: SeenPasses, held: tuple[Held, ...]) -> SeenPasses:
    kept = passes.step != Step.WIGGLE
    for each in held:
        kept &= ~((passes.at_s >= each.from_s - 1e-6) & (passes.at_s <= each.to_s))
    return passes[kept]
