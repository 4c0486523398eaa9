"""Contacts on their way to failing: whether closures get shorter or bounce more over a run.

Of each contact the logarithm of the effective length of its closures and their bounces are averaged over
batches of passes, and each batch is held against the first passes of the run by a tabular CUSUM on both sides
(Page, Biometrika 41 (1954); Montgomery, Introduction to Statistical Quality Control). A closure that gets
shorter is the one on its way to being missed.

How it is set, and why:

* Deviations are counted in spreads of batch means, as the first passes show them, but a spread is never taken
  for less than 2 % of length or a quarter of a bounce: what is smaller does not matter, however steady a
  contact is.
* ``SLACK`` 2 and ``LIMIT`` 8 spreads. So a change of less than 2 spreads (4 % of length on a steady contact:
  more than warmth does to a magnet) never adds up to an alarm, and one of 4 spreads alarms after five
  batches. With normal batch means a false alarm comes once in more than 10^12 batches if the first passes
  told the truth; if they put the centre a third of a spread beside it and the spread 15 % too small, about
  the worst that 500 independent passes do, once in more than 10^8 (Markov chain of Brook & Evans,
  Biometrika 59 (1972)). A day at a pass a second is 3456 batches.
* What does alarm: any change beyond that which lasts, also one that comes back, such as a hall that cools
  down, a train with another magnet, or wheels that were cleaned. An alarm says that something changed, not
  what.
* What does not: a change that was there from the first pass on, and a slow one so small that it stays
  within the slack.
"""

from __future__ import annotations

import enum
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]

BATCH = 25  # passes
BASELINE_BATCHES = 20
SLACK = 2.0  # spreads of a batch mean
LIMIT = 8.0
LENGTH_SPREAD_MIN = 0.02  # of the logarithm
BOUNCES_SPREAD_MIN = 0.25
#: A single pass counts as no further from the usual one than that many spreads of single passes: a train that
#: halts on a contact is no trend.
CLIP = 4.0
POINTS_MAX = 1024  # of a plotted series

MAD_TO_SPREAD = 1.4826  # of a normal distribution


def tabular_cusum(deviations: ArrayLike, slack: float, start: float = 0.0) -> Floats:
    """S(i) = max(0, S(i - 1) + deviation(i) - slack), S(0) = ``start``, shape as ``deviations``. For changes
    downward hand in the deviations with their sign turned."""
    steps = np.array(deviations, dtype=np.float64) - slack
    if len(steps):
        steps[0] += start
    sums = np.cumsum(steps)
    return np.asarray(sums - np.minimum(np.minimum.accumulate(sums), 0.0), dtype=np.float64)


class Change(enum.Enum):
    """The gravest first."""

    SHORTER = "shorter"
    BOUNCIER = "bouncier"
    LONGER = "longer"


@dataclass(frozen=True)
class Alarm:
    """``at_s`` is when the CUSUM passed its limit, ``began_s`` when it last left 0 before that, the usual
    estimate of when the change began. ``lasts``: the latest batches are beyond the slack still.
    ``per_1000_passes`` is the change since it began, of the logarithm of the length or of bounces, by least
    squares."""

    change: Change
    at_s: float
    began_s: float
    lasts: bool
    per_1000_passes: float


@dataclass(frozen=True)
class Series:
    """For the plot, all of shape (points,), one per batch or, in a long run, per 2, 4, 8 .. batches: mean
    time, mean, and the larger of the two CUSUMs in spreads (at its highest where batches are joined)."""

    at_s: Floats
    mean: Floats
    cusum: Floats


@dataclass(frozen=True)
class Watched:
    """One quantity of one contact. ``baseline`` is its mean over the first passes and ``spread`` that of
    batch means, ``now`` the mean of the last batches (a tenth of the run, BASELINE_BATCHES at most); None as
    long as there are too few passes."""

    passes: int
    baseline: float | None
    spread: float | None
    now: float | None
    series: Series


@dataclass(frozen=True)
class ContactDrift:
    """``length`` is of the natural logarithm of effective lengths in ms. ``alarms``: one of each kind at
    most, the gravest first."""

    contact: str
    length: Watched
    bounces: Watched
    alarms: tuple[Alarm, ...]
    reason: str

    @property
    def alarm(self) -> Alarm | None:
        return self.alarms[0] if self.alarms else None

    @property
    def length_change(self) -> float | None:
        """Of the length, from the first passes to the last: -0.2 is a fifth shorter."""
        if self.length.baseline is None or self.length.now is None:
            return None
        return float(np.expm1(self.length.now - self.length.baseline))

    def sentence(self, missed: int) -> str:
        """In plain words. ``missed`` is how many passes the contact has missed so far."""
        alarm = self.alarm
        if alarm is None:
            return self.reason or "no drift"
        if not alarm.lasts:
            trend = f"was {alarm.change.value} for a while, and is back"
        elif alarm.change is Change.LONGER:
            trend = "something has changed"
        elif missed == 0:
            trend = "on its way to failing though it has not missed yet"
        else:
            trend = f"getting worse, and has missed {missed} {'pass' if missed == 1 else 'passes'}"
        return f"{trend}: {self._what(alarm.change)}"

    def _what(self, change: Change) -> str:
        if change is Change.BOUNCIER:
            return f"{self.bounces.now:.1f} bounces per closure, at first {self.bounces.baseline:.1f}"
        part = self.length_change or 0.0
        return f"closures are {100 * abs(part):.0f} % {'shorter' if part < 0 else 'longer'} than at first"


class _Points:
    """Batches for the plot, each (time, mean, cusum); neighbours are joined whenever there are too many."""

    def __init__(self) -> None:
        self._joined = np.empty((0, 3))
        self._waiting = np.empty((0, 3))
        self._size = 1  # batches per point

    def add(self, rows: Floats) -> None:
        rows = np.concatenate([self._waiting, rows])
        while len(rows) >= self._size:
            if len(self._joined) == POINTS_MAX:
                self._joined = _join(self._joined, 2)
                self._size *= 2
                continue
            count = min(len(rows) // self._size, POINTS_MAX - len(self._joined))
            self._joined = np.concatenate([self._joined, _join(rows[: count * self._size], self._size)])
            rows = rows[count * self._size :]
        self._waiting = rows.copy()  # a view would keep the whole portion in memory

    def rows(self) -> Floats:
        rest = _join(self._waiting, len(self._waiting)) if len(self._waiting) else self._waiting
        return np.concatenate([self._joined, rest])


def _join(rows: Floats, size: int) -> Floats:
    grouped = rows.reshape(-1, size, 3)
    joined = grouped.mean(axis=1)
    joined[:, 2] = grouped[:, :, 2].max(axis=1)
    return np.asarray(joined, dtype=np.float64)


class _Side:
    """The CUSUM of one direction."""

    def __init__(self, sign: float) -> None:
        self.sign = sign
        self._last = 0.0
        self._zero_s: float | None = None  # of the last batch at which it was 0, or of the first
        self.alarm: tuple[float, float] | None = None  # at_s, began_s

    def feed(self, at_s: Floats, deviations: Floats) -> Floats:
        sums = tabular_cusum(self.sign * deviations, SLACK, self._last)
        self._last = float(sums[-1])
        if self.alarm is None:
            over = np.flatnonzero(sums > LIMIT)
            until = int(over[0]) if len(over) else len(sums)
            zeros = np.flatnonzero(sums[:until] == 0.0)
            if len(zeros):
                self._zero_s = float(at_s[zeros[-1]])
            elif self._zero_s is None:
                self._zero_s = float(at_s[0])
            if len(over):
                self.alarm = float(at_s[until]), self._zero_s
        return sums


class _Watch:
    """One quantity of one contact: first the baseline, then both CUSUMs, batch by batch."""

    def __init__(self, spread_min: float) -> None:
        self._spread_min = spread_min
        self._waiting = np.empty((0, 2))  # passes that fill no batch yet: time, value
        self._recent = np.empty(0)
        self._points = _Points()
        self._baseline: float | None = None
        self._spread = self._low = self._high = 0.0
        self.passes = 0
        self.down, self.up = _Side(-1.0), _Side(1.0)

    def feed(self, at_s: Floats, values: Floats) -> None:
        self.passes += len(values)
        rows = np.concatenate([self._waiting, np.column_stack([at_s, values])])
        if self._baseline is None:
            if len(rows) < BASELINE_BATCHES * BATCH:
                self._waiting = rows
                return
            self._begin(rows[: BASELINE_BATCHES * BATCH, 1])
        whole = len(rows) // BATCH * BATCH
        self._waiting = rows[whole:].copy()
        if whole:
            self._batches(rows[:whole].reshape(-1, BATCH, 2))

    def _begin(self, first: Floats) -> None:
        middle = float(np.median(first))
        single = MAD_TO_SPREAD * float(np.median(np.abs(first - middle)))
        # Where more than half are alike, as with bounces that are mostly 0, the median spread is none.
        single = single or float(np.std(first))
        reach = max(CLIP * single, CLIP * self._spread_min)
        self._low, self._high = middle - reach, middle + reach
        means = np.clip(first, self._low, self._high).reshape(-1, BATCH).mean(axis=1)
        self._baseline = float(means.mean())
        self._spread = max(float(np.std(means, ddof=1)), single / BATCH**0.5, self._spread_min)

    def _batches(self, rows: Floats) -> None:
        at_s = rows[:, :, 0].mean(axis=1)
        means = np.clip(rows[:, :, 1], self._low, self._high).mean(axis=1)
        deviations = (means - self._baseline) / self._spread
        down, up = self.down.feed(at_s, deviations), self.up.feed(at_s, deviations)
        self._recent = np.concatenate([self._recent, means])[-BASELINE_BATCHES:].copy()
        self._points.add(np.column_stack([at_s, means, np.maximum(down, up)]))

    def watched(self) -> Watched:
        at_s, mean, cusum = self._points.rows().T
        known = self._baseline is not None
        latest = max(1, min(BASELINE_BATCHES, self.passes // BATCH // 10))
        return Watched(
            self.passes,
            self._baseline,
            self._spread if known else None,
            float(self._recent[-latest:].mean()) if known else None,
            Series(at_s, mean, cusum),
        )


class DriftWatch:
    """Watches the contacts of a run, whose names are given in the order of the sheet. Memory does not depend
    on the number of passes, and the result not on how they are cut into portions."""

    def __init__(self, contacts: Sequence[str]) -> None:
        self._names = tuple(contacts)
        self._lengths = [_Watch(LENGTH_SPREAD_MIN) for _ in contacts]
        self._bounces = [_Watch(BOUNCES_SPREAD_MIN) for _ in contacts]

    def feed(
        self,
        contact: NDArray[np.integer],
        at_s: NDArray[np.floating],
        length_ms: NDArray[np.floating],
        bounces: NDArray[np.integer],
    ) -> None:
        """Passes in order of time, all arrays of shape (n,): position of the contact in the sheet, host time,
        effective length (NaN where it is not known: such a pass counts for bounces only), bounces."""
        order = np.argsort(contact, kind="stable")
        ends = np.cumsum(np.bincount(contact, minlength=len(self._names)))
        times = at_s[order].astype(np.float64)
        lengths, counts = length_ms[order].astype(np.float64), bounces[order].astype(np.float64)
        for number, end in enumerate(ends):
            part = slice(int(ends[number - 1]) if number else 0, int(end))
            known = lengths[part] > 0
            self._lengths[number].feed(times[part][known], np.log(lengths[part][known]))
            self._bounces[number].feed(times[part], counts[part])

    def result(self) -> tuple[ContactDrift, ...]:
        """By contact, in the order of the sheet; may be asked for at any time."""
        return tuple(
            self._contact(*each) for each in zip(self._names, self._lengths, self._bounces, strict=True)
        )

    def _contact(self, name: str, lengths: _Watch, bounces: _Watch) -> ContactDrift:
        length, bounced = lengths.watched(), bounces.watched()
        alarms = [
            _alarm(change, side, watched)
            for change, side, watched in (
                (Change.SHORTER, lengths.down, length),
                (Change.BOUNCIER, bounces.up, bounced),
                (Change.LONGER, lengths.up, length),
            )
            if side.alarm
        ]
        least = BASELINE_BATCHES * BATCH
        reason = ""
        if length.passes < least:
            reason = (
                f"too little to tell: {length.passes} closures of known length, it takes {least} to begin"
            )
        return ContactDrift(name, length, bounced, tuple(alarms), reason)


def _alarm(change: Change, side: _Side, watched: Watched) -> Alarm:
    assert side.alarm is not None
    assert watched.baseline is not None
    assert watched.now is not None
    assert watched.spread is not None
    at_s, began_s = side.alarm
    series = watched.series
    part = series.at_s >= began_s
    per_point = watched.passes / len(series.at_s)
    slope = float(np.polyfit(np.arange(part.sum()), series.mean[part], 1)[0]) if part.sum() > 1 else 0.0
    lasts = side.sign * (watched.now - watched.baseline) > SLACK * watched.spread
    return Alarm(change, at_s, began_s, lasts, 1000 * slope / per_point)
