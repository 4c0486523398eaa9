"""How a contact bounces, measured on its recorded edges.

There is no debouncer in here: passes are told apart by the long openings between them. What settings do to a
recording is found by the code of the boards, in `sim/sweep.py`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

Times = NDArray[np.int64]
Indices = NDArray[np.intp]

#: An opening shorter than this is not taken for a pause unless the user says so: 20 mm of track at 1 m/s. The
#: fastest scale speed of the common gauges is 0.8 m/s (250 km/h at 1:87, scales as in NEM 010).
PAUSE_MIN_US = 20_000
#: A contact closed for less was not closed by a passing magnet: 2 mm at 1 m/s. Reeds bounce for 0.1 to 1 ms
#: (data sheets), so nothing shorter than this is missed.
BLIP_MAX_US = 2_000
#: No setting beyond this is sensible, nor a contact that takes longer to settle: at 320 mm/s, scale 100 km/h
#: at 1:87, it is 16 mm of travel, as long as many closures are.
SENSIBLE_US = 50_000
#: Longer openings within a pass are covered by no sensible break_us that keeps twice the distance to them.
OPENING_MAX_US = SENSIBLE_US // 2
#: A contact that never keeps a level for this long rattles; it is the default break_us.
REST_US = 10_000
#: Bounce and pauses are told apart only by a step as wide as this among the openings.
STEP_MIN = 4.0
_STEP_FROM_US = 200  # four samples of a board: steps between shorter openings say nothing


@dataclass(frozen=True)
class Spread:
    """How a length is distributed over the passes, in microseconds."""

    median_us: float
    p90_us: float
    p99_us: float
    longest_us: int


@dataclass(frozen=True, eq=False)
class Passes:
    """The passes of one input, over one or more traces.

    Attributes:
        starts_us, stops_us: shape (n,), the closed stretches in order; those of several traces follow
            each other.
        first, last: shape (p,), indices of the first and the last stretch of each pass.
        pauses_us: the openings between two passes.
        blips_us: of what was too short for a pass, the longest closed stretch of each.
        pass_us: every pass has a closed stretch of this length.
    """

    starts_us: Times
    stops_us: Times
    first: Indices
    last: Indices
    pauses_us: Times
    blips_us: Times
    pass_us: int = BLIP_MAX_US

    def __len__(self) -> int:
        return len(self.first)

    def only(self, kept: NDArray[np.bool_]) -> Passes:
        return replace(self, first=self.first[kept], last=self.last[kept])

    def longest_closed_us(self) -> Times:
        """Of each pass, shape (p,)."""
        return largest(self.stops_us - self.starts_us, self.first, self.last + 1)

    def longest_opening_us(self, first: Indices, last: Indices) -> Times:
        """Between the stretches ``first`` and ``last`` of each pass, shape (p,); 0 if there is none."""
        return largest(self.starts_us[1:] - self.stops_us[:-1], first, last)

    def longest_rattle_us(self) -> Times:
        """The longest time without a level that was kept for REST_US, of each pass, shape (p,)."""
        edges = np.stack([self.starts_us, self.stops_us], axis=1).ravel()
        rests = np.diff(edges, append=0) >= REST_US  # after each edge
        rests[2 * self.last + 1] = True
        rests[np.maximum(2 * self.first - 1, 0)] |= self.first > 0
        ends = np.flatnonzero(rests)
        begins = np.concatenate([np.zeros(1, dtype=np.intp), ends[:-1] + 1])[: len(ends)]
        lengths = np.zeros_like(edges)
        lengths[ends] = edges[ends] - edges[begins]
        return largest(lengths, 2 * self.first, 2 * self.last + 2)

    def dropouts_us(self, least_us: int) -> list[Times]:
        """Of each pass, the openings of ``least_us`` and more between two stretches that could be passes by
        themselves: dropouts, or pauses between two magnets."""
        openings_us = self.starts_us[1:] - self.stops_us[:-1]
        first, last = self.stable(self.pass_us)
        return [
            within[within >= least_us]
            for within in (openings_us[a:b] for a, b in zip(first.tolist(), last.tolist(), strict=True))
        ]

    def stable(self, make_us: int) -> tuple[Indices, Indices]:
        """The first and the last stretch of at least ``make_us`` of each pass; every pass must have one."""
        long_ones = np.flatnonzero(self.stops_us - self.starts_us >= make_us)
        first = long_ones[np.searchsorted(long_ones, self.first)]
        last = long_ones[np.searchsorted(long_ones, self.last, side="right") - 1]
        return first, last


@dataclass(frozen=True)
class Bounce:
    """How the contact bounces with a given ``make_us``: spreads over the passes.

    Attributes:
        making: first edge of the pass to its first stable stretch.
        breaking: end of its last stable stretch to its last edge.
        gap: longest opening of the pass while making or breaking.
        dropout: longest opening between two stable stretches.
        closed: longest closed stretch.
    """

    making: Spread
    breaking: Spread
    gap: Spread
    dropout: Spread
    closed: Spread


@dataclass(frozen=True)
class Exceptions:
    """Passes that no sensible setting takes for one, or that take too long to settle.

    Attributes:
        count: how many.
        at_us: where the first one begins in its trace.
        making_us, breaking_us: the longest of them, as in `Bounce`.
        opening_us: the longest opening within a pass.
        rattle_us: the longest time without a level that was kept for REST_US.
    """

    count: int
    at_us: int
    making_us: int
    breaking_us: int
    opening_us: int
    rattle_us: int


def largest(values: Times, first: Indices, end: Indices) -> Times:
    """The largest of ``values[first:end]`` for each pair of indices, 0 where that is empty."""
    if not len(first):
        return values[:0]
    bounds = np.stack([first, np.maximum(first, end)], axis=1).ravel()
    return np.where(first < end, np.maximum.reduceat(np.append(values, 0), bounds)[0::2], 0)


def spread(lengths_us: Times) -> Spread:
    """Quantiles of lengths, shape (n,) with n >= 1; those between two values are interpolated."""
    median, p90, p99 = np.quantile(lengths_us, (0.5, 0.9, 0.99))
    return Spread(float(median), float(p90), float(p99), int(lengths_us.max()))


def stretches(times_us: Times) -> tuple[Times, Times]:
    """(starts, stops) of the closed stretches of an even number of edges."""
    return times_us[0::2], times_us[1::2]


def openings(times_us: Times) -> Times:
    """From each closed stretch to the next one."""
    return times_us[2::2] - times_us[1::2][: len(times_us[2::2])]


def widest_step(lengths: Times, above_us: int = 0) -> tuple[int, int] | None:
    """(longest below, shortest above) the widest step in the sorted lengths that ends at ``above_us`` or
    more. None where no step is as wide as STEP_MIN."""
    in_order = np.sort(lengths)
    steps = in_order[1:] / np.maximum(in_order[:-1], _STEP_FROM_US)
    steps[in_order[1:] < above_us] = 0
    if steps.max(initial=0) < STEP_MIN:
        return None
    at = int(steps.argmax())
    return int(in_order[at]), int(in_order[at + 1])


def find_pause(openings_us: Times) -> int | None:
    """The shortest pause between two passes: what lies above the widest step in the sorted openings.

    None where no step is as wide as STEP_MIN. Openings shorter than PAUSE_MIN_US are never pauses.
    """
    # Without any bounce, the step is the one from nothing at all.
    step = widest_step(np.append(openings_us, 0), PAUSE_MIN_US)
    return None if step is None else step[1]


def find_passes(recordings: Sequence[Times], pauses_us: Sequence[int], pass_us: int = BLIP_MAX_US) -> Passes:
    """Groups the edges of one input into passes.

    Args:
        recordings: the edges of the input in each trace, times alternately closing and opening.
        pauses_us: for each trace, the shortest opening that lies between two passes.
        pass_us: what was never closed for so long is a blip.

    A pass that had not ended when its trace ended is left out.
    """
    if not recordings:
        recordings, pauses_us = [np.zeros(0, dtype=np.int64)], [PAUSE_MIN_US]
    parts = [_passes_of(*each, pass_us) for each in zip(recordings, pauses_us, strict=True)]
    bases = np.cumsum([0, *(len(part.starts_us) for part in parts)])
    return Passes(
        np.concatenate([part.starts_us for part in parts]),
        np.concatenate([part.stops_us for part in parts]),
        np.concatenate([part.first + base for part, base in zip(parts, bases, strict=False)]),
        np.concatenate([part.last + base for part, base in zip(parts, bases, strict=False)]),
        np.concatenate([part.pauses_us for part in parts]),
        np.concatenate([part.blips_us for part in parts]),
        pass_us,
    )


def ended(times_us: Times, pause_us: int) -> Times:
    """The edges without those of a pass that had not ended when its trace ended."""
    if len(times_us) % 2 == 0:
        return times_us
    pauses = np.flatnonzero(openings(times_us) >= pause_us)
    return times_us[: 2 * (pauses[-1] + 1)] if len(pauses) else times_us[:0]


def _passes_of(times_us: Times, pause_us: int, pass_us: int) -> Passes:
    starts, stops = stretches(ended(times_us, pause_us))
    cuts = np.flatnonzero(starts[1:] - stops[:-1] >= pause_us)
    first = np.concatenate([np.zeros(1, dtype=np.intp), cuts + 1])[: len(starts)]
    last = np.concatenate([cuts, np.full(1, len(starts) - 1, dtype=np.intp)])[: len(starts)]
    widths = largest(stops - starts, first, last + 1)
    is_pass = widths >= pass_us
    blips, first, last = widths[~is_pass], first[is_pass], last[is_pass]
    return Passes(starts, stops, first, last, starts[first[1:]] - stops[last[:-1]], blips, pass_us)


def measure(passes: Passes, make_us: int) -> Bounce:
    """Spreads over the passes, at least one; each has a stretch of ``make_us``."""
    first, last = passes.stable(make_us)
    return Bounce(
        making=spread(passes.starts_us[first] - passes.starts_us[passes.first]),
        breaking=spread(passes.stops_us[passes.last] - passes.stops_us[last]),
        gap=spread(
            np.maximum(
                passes.longest_opening_us(passes.first, first), passes.longest_opening_us(last, passes.last)
            )
        ),
        dropout=spread(passes.longest_opening_us(first, last)),
        closed=spread(passes.longest_closed_us()),
    )


def find_exceptions(passes: Passes, make_us: int) -> tuple[NDArray[np.bool_], Exceptions | None]:
    """Which passes are exceptions, shape (p,), and what is to be said of them."""
    first, last = passes.stable(make_us)
    making = passes.starts_us[first] - passes.starts_us[passes.first]
    breaking = passes.stops_us[passes.last] - passes.stops_us[last]
    opening = passes.longest_opening_us(passes.first, passes.last)
    rattle = passes.longest_rattle_us()
    beyond = (np.max([making, breaking, rattle], axis=0) >= SENSIBLE_US) | (opening > OPENING_MAX_US)
    if not beyond.any():
        return beyond, None
    return beyond, Exceptions(
        int(beyond.sum()),
        int(passes.starts_us[passes.first[beyond.argmax()]]),
        *(int(lengths[beyond].max()) for lengths in (making, breaking, opening, rattle)),
    )


def ms(value_us: float) -> str:
    """Microseconds as milliseconds, with as many digits as are of use."""
    value = value_us / 1000
    if not value:
        return "0"
    digits = 0 if value >= 100 else 1 if value >= 10 else 2 if value >= 0.1 else 3
    return f"{value:.{digits}f}"
