"""Simulated reed contacts: the raw edges of one pass, with bounce, and the faults of the demo.

`Contact` closes for a given time; `PhysicalContact` where the field of the passing magnet says so.

What is published: operate time with bounce 0.30 ms, bounce 0.10 ms typically, release 0.07 ms at most,
resonance at 10.8 kHz (data sheet of the reed switch RI-02); bounce of 0.5 to 1 ms (glossary of another
maker, RRE).

What is taken from a recording: a bounce opens and closes for some 25 us each in the mean, and a contact
that bounces for longer does so more often, not more widely. The recorded rocker switch has 21 and 22 us,
and twelve bounces in a making of 0.5 ms (`tests/golden/README.md`). Half a period of the reed's resonance
is 46 us.

What is assumed: that the widths are exponential (the rocker's are spread two to three times as wide), how
the number of bounces is spread, that a contact bounces less in breaking than in making, however worn it
is, and that bounce does not depend on the speed: while it lasts, a train moves by less than a tenth of a
millimetre.
"""

from __future__ import annotations

import enum
import math
import random
from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from reedproof.analysis.magnetics import Floats, Magnet, Orientation, closures_mm, field_mt

Edge = tuple[int, bool]  # (time_us, closed)
Stretches = tuple[tuple[float, float], ...]

OPERATE_US = 200
RELEASE_US = 70
BOUNCE_US = 100.0

DEFAULT_MAGNET = Magnet(4.9, 10.0, 1.30)
#: No contact is held by less: twice the earth's field.
_FAINT_MT = 0.1
#: Samples of a field along the travel: close together over the contact, where it changes fast, and further
#: apart further out than this.
_SAMPLES, _NEAR_MM = 401, 6.0


class ContactFault(enum.Enum):
    OPEN_LEAD = "open_lead"  # no edge ever reaches the board
    STUCK = "stuck"  # closed for good from the first pass on
    RUBBING_LEAD = "rubbing_lead"  # short breaks and makes, hundreds a second


def _train(random: random.Random, at_us: int, closed: bool, bounces: int, scale_us: float) -> list[Edge]:
    """The edges of one making or breaking: the first one, and two for each bounce."""
    edges = [(at_us, closed)]
    for _ in range(bounces):
        for level in (not closed, closed):
            at_us += max(1, round(random.expovariate(1 / scale_us)))
            edges.append((at_us, level))
    return edges


def _making(random: random.Random, at_us: int, scale_us: float, times: float = 1.0) -> list[Edge]:
    """``times`` as many bounces as usual, each ``scale_us`` open and closed."""
    bounces = random.choice((0, 1, 1, 2, 3))
    if times != 1:
        bounces = int(bounces * times + random.random())
    return _train(random, at_us, True, bounces, scale_us)


def _breaking(random: random.Random, at_us: int) -> list[Edge]:
    return _train(random, at_us, False, random.choice((0, 0, 1, 1, 2)), 20.0)


@dataclass
class Contact:
    """One contact under one kind of magnet. ``closure_ms`` is a mean; passes differ by a tenth."""

    random: random.Random
    closure_ms: float = 60.0
    bounce_us: float = BOUNCE_US
    fault: ContactFault | None = None

    def pass_magnet(self, at_us: int) -> list[Edge]:
        """Edges of one pass whose magnet reaches the contact at ``at_us``."""
        if self.fault is ContactFault.OPEN_LEAD:
            return []
        make = _making(self.random, at_us, self.bounce_us / 4)
        if self.fault is ContactFault.STUCK:
            return make
        length_us = self.closure_ms * 1000 * self.random.uniform(0.9, 1.1)
        start_us = max(make[-1][0] + 2000, at_us + round(length_us))
        if self.fault is ContactFault.RUBBING_LEAD:
            return make + self._rub(make[-1][0], start_us) + [(start_us, False)]
        return make + _breaking(self.random, start_us)

    def _rub(self, from_us: int, to_us: int) -> list[Edge]:
        edges: list[Edge] = []
        at_us = from_us
        while True:
            open_us = at_us + self.random.randint(300, 900)
            at_us = open_us + self.random.randint(100, 500)
            if at_us >= to_us:
                return edges
            edges += [(open_us, False), (at_us, True)]


@dataclass(frozen=True)
class Fitting:
    """How a contact is built in, and the fields it closes and opens at.

    ``distance_mm`` is from its axis up to the centre of a magnet as it is planned, ``offset_mm`` to the side.
    """

    orientation: Orientation = Orientation.ACROSS
    distance_mm: float = 14.0
    offset_mm: float = 0.0
    operate_mt: float = 3.0
    release_mt: float = 2.0


@dataclass(frozen=True)
class Passing:
    """One magnet going over one contact.

    Attributes:
        middle_us: when the magnet's centre comes over the contact.
        speed_mm_s: above 0.
        higher_mm, aside_mm: how far the magnet is from where it is planned to be.
        stands_us: how long it stands with its centre over the contact.
    """

    middle_us: float
    speed_mm_s: float
    magnet: Magnet
    higher_mm: float = 0.0
    aside_mm: float = 0.0
    stands_us: float = 0


def footprint(magnet: Magnet, fitting: Fitting, higher_mm: float = 0.0, aside_mm: float = 0.0) -> Stretches:
    """The stretches of travel, in mm from over the contact, that the magnet holds the contact closed for.

    Distance and offset are rounded to 0.1 mm, and what was asked before is remembered. Raises ReedproofError
    as `field_mt` and `closures_mm` do.
    """
    return _footprint(
        magnet,
        fitting.orientation,
        round(fitting.distance_mm + higher_mm, 1),
        round(abs(fitting.offset_mm + aside_mm), 1),
        fitting.operate_mt,
        fitting.release_mt,
    )


@lru_cache(maxsize=65536)
def _footprint(
    magnet: Magnet,
    orientation: Orientation,
    distance_mm: float,
    offset_mm: float,
    operate_mt: float,
    release_mt: float,
) -> Stretches:
    travel_mm, per_tesla = _profile(magnet.diameter_mm, magnet.length_mm, orientation, distance_mm, offset_mm)
    return tuple(closures_mm(travel_mm, magnet.remanence_t * per_tesla, operate_mt, release_mt))


@lru_cache(maxsize=8192)
def _profile(
    diameter_mm: float, length_mm: float, orientation: Orientation, distance_mm: float, offset_mm: float
) -> tuple[Floats, Floats]:
    """(travel_mm, field in mT for each tesla of remanence): a weaker magnet has the same profile."""
    magnet = Magnet(diameter_mm, length_mm, 1.0)
    end = math.asinh(magnet.reach_mm(_FAINT_MT) / _NEAR_MM)
    travel_mm = _NEAR_MM * np.sinh(np.linspace(-end, end, _SAMPLES))
    return travel_mm, field_mt(magnet, orientation, distance_mm, travel_mm, offset_mm)


@dataclass
class PhysicalContact:
    """One contact as it is built in. ``bounce_us`` is about what it bounces for when it does, in the mean; a
    fault may change it and ``fitting`` at any time."""

    random: random.Random
    fitting: Fitting
    bounce_us: float = BOUNCE_US

    def passing(self, p: Passing) -> list[Edge]:
        """Raw edges of one pass in order of time, bounce included; none when the magnet does not close it.
        Raises ReedproofError as `footprint` does."""
        closed_us = self._closed_us(p)
        edges: list[Edge] = []
        for index, (made_us, broke_us) in enumerate(closed_us):
            again_us = closed_us[index + 1][0] if index + 1 < len(closed_us) else math.inf
            edges += _before(
                broke_us, _making(self.random, made_us, BOUNCE_US / 4, self.bounce_us / BOUNCE_US)
            )
            edges += _before(again_us, _breaking(self.random, broke_us))
        return edges

    def _closed_us(self, p: Passing) -> list[tuple[int, int]]:
        """When the contact is closed, bounce aside. It takes time to close and to open: a field that goes
        sooner does not close it, and one that is back sooner finds it closed."""
        us_per_mm = 1e6 / p.speed_mm_s
        closed_us: list[tuple[int, int]] = []
        for stretch in footprint(p.magnet, self.fitting, p.higher_mm, p.aside_mm):
            start_us, stop_us = (
                round(p.middle_us + mm * us_per_mm + (p.stands_us if mm > 0 else 0)) for mm in stretch
            )
            made_us, broke_us = start_us + OPERATE_US, stop_us + RELEASE_US
            if closed_us and start_us <= closed_us[-1][1]:
                closed_us[-1] = (closed_us[-1][0], broke_us)
            elif made_us <= stop_us:
                closed_us.append((made_us, broke_us))
        return closed_us


def _before(end_us: float, train: list[Edge]) -> list[Edge]:
    """The train without the bounces that would not be over by then."""
    while train[-1][0] >= end_us:
        del train[-2:]
    return train
