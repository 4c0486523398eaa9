"""Contacts as they are built in and vehicles as they roll over them: no two are alike, and some have a fault.

Tolerances are our assumption: a contact sits within a millimetre of where it should, operates within 7 % of
what its data sheet says, and lets go at 0.6 to 0.75 of that.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from functools import cache
from random import Random
from typing import NamedTuple

import numpy as np

from reedproof.analysis.finding import Cause
from reedproof.analysis.magnetics import Magnet, Orientation, field_mt
from reedproof.sim.contacts import BOUNCE_US, Fitting, Passing, PhysicalContact
from reedproof.sim.scenario import Physics, ScenarioFault
from reedproof.sim.stretches import Stretches, stretches, union, without
from reedproof.sim.wiring import during

DISTANCE_SIGMA_MM, DISTANCE_MOST_MM = 0.5, 1.0
OPERATE_SPREAD = 0.07
RELEASE_SPREAD = (0.9, 1.125)  # of release over operate: 0.6 to 0.75 with the usual figures
HEIGHT_SIGMA_MM, ASIDE_SIGMA_MM = 0.2, 0.5  # from pass to pass
VEHICLE_SIGMA_MM = 0.2
LONG_BOUNCE_US = (500.0, 1000.0)  # of a contact that its windows are too short for
STUCK_S = (5.0, 60.0)
CLEAR_US = 1_000_000  # between a magnet that is put down and a train
FREED = 0.5  # how often the next pass frees a contact that sticks
#: A contact that bounces so many times as much as a new one opens once in each closure, for such times.
WORN_OUT = 50.0
WORN_MS, WORN_SIGMA = 2.0, 1.0


class Crossing(NamedTuple):
    """A magnet over a contact: when its middle is there, how fast it goes, and how long it stands there."""

    middle_us: float
    speed_mm_s: float
    stands_us: int
    train: str


def magnet_of(physics: Physics) -> Magnet:
    return Magnet(physics.diameter_mm, physics.length_mm, physics.remanence_t)


@cache
def reach_mm(physics: Physics) -> float:
    """How far from a contact the magnets may pass across it and still close it."""
    magnet = magnet_of(physics)
    near, far = magnet.diameter_mm / 2 + 0.1, magnet.reach_mm(physics.operate_mt)
    while far - near > 0.01:
        middle = (near + far) / 2
        closes = abs(float(field_mt(magnet, Orientation.ACROSS, middle, [0.0])[0])) >= physics.operate_mt
        near, far = (middle, far) if closes else (near, middle)
    return near


def size_mm(fault: ScenarioFault, physics: Physics) -> float:
    """The millimetres of a fault. A word stands for the same effect with any magnet: it was fitted for the
    usual one, and for one that reaches further distances grow in proportion."""
    if not isinstance(fault.size, str):
        return fault.amount
    usual = Physics()
    further = reach_mm(physics) / reach_mm(usual)
    if fault.cause is Cause.SIDE_LOBES:
        return fault.amount * further
    if fault.cause is Cause.TURNED_MAGNET:
        # The notch between the poles is as long as the fourth power of the distance over the third of the
        # reach (a dipole's field), and it is its length that decides.
        return float(fault.amount * further**0.75)
    return max(0.0, (usual.distance_mm + fault.amount) * further - physics.distance_mm)


class Vehicles:
    """How much higher than planned the magnets of each train are."""

    def __init__(
        self, physics: Physics, faults: Sequence[ScenarioFault], seed: int, trains: Sequence[str], end_us: int
    ) -> None:
        self.magnet = magnet_of(physics)
        self._usual = {
            train: Random(f"{seed}/vehicle/{train}").gauss(0, VEHICLE_SIGMA_MM) for train in trains
        }
        self._faults = [
            (fault, size_mm(fault, physics), *during(fault, end_us))
            for fault in faults
            if fault.cause is Cause.VEHICLE
        ]

    def higher_mm(self, train: str, time_us: float) -> float:
        wrong = [
            wrong_mm
            for fault, wrong_mm, from_us, to_us in self._faults
            if fault.train == train and from_us <= time_us < to_us
        ]
        return sum(wrong) if wrong else self._usual[train]


class Installed:
    """One contact in the track. A fault's size says how it is built in while the fault lasts; how far it
    was off before is of no matter then."""

    def __init__(
        self,
        name: str,
        physics: Physics,
        faults: Sequence[ScenarioFault],
        seed: int,
        begin_us: int,
        end_us: int,
    ) -> None:
        self._physics, self._seed, self._begin_us, self._end_us = physics, seed, begin_us, end_us
        self._random = random = Random(f"{seed}/contact/{name}")
        shift_mm = min(DISTANCE_MOST_MM, max(-DISTANCE_MOST_MM, random.gauss(0, DISTANCE_SIGMA_MM)))
        operate_mt = physics.operate_mt * random.uniform(1 - OPERATE_SPREAD, 1 + OPERATE_SPREAD)
        release_mt = operate_mt * physics.release_mt / physics.operate_mt * random.uniform(*RELEASE_SPREAD)
        self._usual = Fitting(
            distance_mm=physics.distance_mm + shift_mm,
            operate_mt=operate_mt,
            release_mt=min(release_mt, 0.95 * operate_mt),
        )
        self._faults = [
            (at, fault, *during(fault, end_us)) for at, fault in enumerate(faults) if fault.contact == name
        ]
        windows = [fault for _, fault, *_ in self._faults if fault.cause is Cause.WINDOW_TOO_SHORT]
        self._bounce_us = random.uniform(*LONG_BOUNCE_US) if windows else BOUNCE_US
        self.contact = PhysicalContact(random, self._usual, self._bounce_us)

    def closed(self, crossings: Sequence[Crossing], vehicles: Vehicles) -> Stretches:
        """When the contact is closed; ``crossings`` in order of time."""
        passes = [self._pass(crossing, vehicles) for crossing in crossings]
        return union(*passes, *self._sticks(passes), *self._parked(passes))

    def _pass(self, crossing: Crossing, vehicles: Vehicles) -> Stretches:
        self.contact.fitting = self._fitting(crossing.middle_us)
        worn = self._worn(crossing.middle_us)
        self.contact.bounce_us = self._bounce_us * worn
        edges = self.contact.passing(
            Passing(
                crossing.middle_us,
                crossing.speed_mm_s,
                vehicles.magnet,
                vehicles.higher_mm(crossing.train, crossing.middle_us)
                + self._random.gauss(0, HEIGHT_SIGMA_MM),
                self._random.gauss(0, ASIDE_SIGMA_MM),
                crossing.stands_us,
            )
        )
        closed = np.array([time_us for time_us, _ in edges], dtype=np.int64).reshape(-1, 2)
        return without(closed, self._rattles(closed, worn)) if worn > 1 and len(closed) else closed

    def _rattles(self, closed: Stretches, worn: float) -> Stretches:
        """Dropouts of a worn contact: hardly any at first, the more the worse it is."""
        found, left = [], (worn / WORN_OUT) ** 2
        while (left := left - self._random.expovariate(1)) > 0:
            at_us = self._random.uniform(closed[0, 0], closed[-1, 1])
            width_us = 1000 * self._random.lognormvariate(math.log(WORN_MS), WORN_SIGMA)
            found.append((round(at_us), round(at_us + width_us)))
        return stretches(found)

    def _lasting(self, time_us: float, *causes: Cause) -> list[ScenarioFault]:
        return [
            fault
            for _, fault, from_us, to_us in self._faults
            if fault.cause in causes and from_us <= time_us < to_us
        ]

    def _fitting(self, time_us: float) -> Fitting:
        fitting = self._usual
        orientation, distance_mm = fitting.orientation, fitting.distance_mm
        for fault in self._lasting(time_us, Cause.TURNED_MAGNET, Cause.SIDE_LOBES):
            turned = fault.cause is Cause.TURNED_MAGNET
            orientation, distance_mm = (
                Orientation.UPRIGHT if turned else Orientation.ALONG,
                size_mm(fault, self._physics),
            )
        for fault in self._lasting(time_us, Cause.WEAK_MAGNET):
            planned_mm = distance_mm if orientation is not fitting.orientation else self._physics.distance_mm
            distance_mm = planned_mm + size_mm(fault, self._physics)
        return Fitting(orientation, distance_mm, fitting.offset_mm, fitting.operate_mt, fitting.release_mt)

    def _worn(self, time_us: float) -> float:
        """How many times as long it bounces; wear does not heal when the fault is over."""
        worn = 1.0
        for _, fault, from_us, to_us in self._faults:
            if fault.cause is Cause.WORN_CONTACT and time_us >= from_us:
                done = min(1.0, (time_us - from_us) / max(1, to_us - from_us))
                worn *= 1 + (fault.amount - 1) * done
        return worn

    def _sticks(self, passes: Sequence[Stretches]) -> list[Stretches]:
        found = []
        for at, fault, from_us, to_us in self._faults:
            if fault.cause is not Cause.STUCK_CONTACT:
                continue
            random = Random(f"{self._seed}/fault {at}")
            closures = [closed for closed in passes if len(closed)]
            ends_us = [int(closed[-1, 1]) for closed in closures]
            for closed, end_us, next_us in zip(closures, ends_us, [*ends_us[1:], self._end_us], strict=True):
                if not from_us <= end_us < to_us or random.random() >= fault.amount:
                    continue
                until_us = end_us + round(random.uniform(*STUCK_S) * 1e6)
                if random.random() < FREED:
                    until_us = min(until_us, next_us)
                if fault.amount >= 1:
                    until_us = self._end_us
                # From the closed stretch on: what sticks does not bounce when the magnet leaves.
                longest = int(np.argmax(closed[:, 1] - closed[:, 0]))
                found.append((int(closed[longest, 0]), min(until_us, to_us)))
        return [stretches(found)]

    def _parked(self, passes: Sequence[Stretches]) -> list[Stretches]:
        """Put down in a moment when no train is near."""
        found = []
        busy = union(*passes)
        for _, fault, from_us, to_us in self._faults:
            if fault.cause is not Cause.PARKED_MAGNET:
                continue
            at_us = max(from_us, self._begin_us)
            for start_us, end_us in busy.tolist():
                if start_us - CLEAR_US < at_us < end_us + CLEAR_US:
                    at_us = end_us + CLEAR_US
            if at_us < to_us:
                found.append((at_us, min(to_us, at_us + round(fault.amount * 1e6))))
        return [stretches(found)]
