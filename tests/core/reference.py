"""A second debouncer, for tests only: it looks at a whole recording at once instead of edge by edge.

Written from the rules of section 5 of the design and from nothing else:

* The recording falls into *trains* at every opening of at least break_us.
* The first stable closing of a train (at least make_us) makes the closure. Its time is the first edge of the
  train; what came between is bounce.
* The last stable closing of a train ends at the opening that counts; closings after it are bounce, too.
* Openings between the first and the last stable closing are dropouts.
* A train without a stable closing is nothing but blips.

Levels stay for ever after the last edge.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass

NEVER = math.inf


@dataclass(frozen=True)
class Event:
    """``at_us`` is when it falls due. ``pairs`` are bounces, blips or dropouts; ``longest_us`` the longest
    gap of a made, the longest closing of blips, the longest opening of dropouts."""

    kind: str
    at_us: int
    time_us: int | None = None
    pairs: int = 0
    longest_us: int | None = None
    settle_us: int | None = None
    dropouts: int | None = None
    duration_us: int | None = None


@dataclass(frozen=True)
class Closure:
    made_us: int
    broke_us: int | None
    make_bounces: int
    break_bounces: int
    dropouts: int
    counted_us: int


Stretch = tuple[int, float]  # closed from, closed until


def trains(edges: Sequence[int], break_us: int) -> list[list[Stretch]]:
    """The closed stretches, grouped: openings within a group are shorter than ``break_us``."""
    ends: list[float] = [*edges[1::2], NEVER]
    stretches = list(zip(edges[0::2], ends, strict=False))
    groups: list[list[Stretch]] = []
    for stretch in stretches:
        if groups and stretch[0] - groups[-1][-1][1] < break_us:
            groups[-1].append(stretch)
        else:
            groups.append([stretch])
    return groups


def _openings(train: Sequence[Stretch]) -> list[int]:
    return [int(later[0] - earlier[1]) for earlier, later in itertools.pairwise(train)]


def _events_of(train: list[Stretch], make_us: int, break_us: int) -> list[Event]:
    end = train[-1][1]
    stable = [i for i, (start, stop) in enumerate(train) if stop - start >= make_us]
    if not stable:
        longest_us = max(int(stop - start) for start, stop in train)
        return [Event("blip", int(end) + break_us, pairs=len(train), longest_us=longest_us)]
    first, last = stable[0], stable[-1]
    made_us = train[0][0]
    events = [
        Event(
            "made",
            train[first][0] + make_us,
            made_us,
            pairs=first,
            longest_us=max(_openings(train[: first + 1]), default=0),
            settle_us=train[first][0] - made_us,
        )
    ]
    for before, after in itertools.pairwise(stable):
        longest_us = max(_openings(train[before : after + 1]))
        at_us = train[after][0] + make_us
        events.append(Event("dropout", at_us, pairs=after - before, longest_us=longest_us))
    if end != NEVER:
        broke_us = int(train[last][1])
        events.append(
            Event(
                "broke",
                int(end) + break_us,
                broke_us,
                pairs=len(train) - 1 - last,
                dropouts=last - first,
                duration_us=broke_us - made_us,
            )
        )
    return events


def debounce(edges: Sequence[int], make_us: int, break_us: int) -> list[Event]:
    """What one input's edges come to; it starts open, so they are closing, opening, closing and so on."""
    return [event for train in trains(edges, break_us) for event in _events_of(train, make_us, break_us)]


def closures(edges: Sequence[int], make_us: int, break_us: int) -> list[Closure]:
    found: list[Closure] = []
    events = debounce(edges, make_us, break_us)
    for made in (event for event in events if event.kind == "made"):
        broke = next((e for e in events if e.kind == "broke" and e.at_us > made.at_us), None)
        later = [e for e in events if e.kind == "dropout" and e.at_us > made.at_us]
        dropouts = sum(e.pairs for e in later if broke is None or e.at_us < broke.at_us)
        assert made.time_us is not None
        found.append(
            Closure(
                made.time_us,
                None if broke is None else broke.time_us,
                made.pairs,
                0 if broke is None else broke.pairs,
                dropouts,
                made.at_us,
            )
        )
    return found


STORM_EDGES = 255
REST_US = 4096


def taken(edges: Sequence[int], boot_us: int) -> list[int]:
    """Of one input's raw edges, those that a board takes (section 7 of protocol.md): all, but once there were
    STORM_EDGES in a second since `boot_us`, a closing after a taken edge waits for a multiple of REST_US.
    """
    found: list[int] = []
    in_second: dict[int, int] = {}
    raw = closed = False
    rests_until: int | None = None

    def take(at_us: int) -> None:
        nonlocal closed, rests_until
        second = (at_us - boot_us) // 1_000_000
        in_second[second] = in_second.get(second, 0) + 1
        found.append(at_us)
        closed = not closed
        if in_second[second] >= STORM_EDGES:
            rests_until = (at_us // REST_US + 1) * REST_US

    for at_us in [*edges, None]:
        if rests_until is not None and (at_us is None or at_us >= rests_until):
            over_us, rests_until = rests_until, None
            if raw != closed:
                take(over_us)
        if at_us is not None:
            raw = not raw
            if raw != closed and not (raw and rests_until is not None):
                take(at_us)
    return found
