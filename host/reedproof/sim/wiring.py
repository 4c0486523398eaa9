"""What lies between contacts and pins: leads, plugs, shorts, bad inputs, interference.

An input reads closed while any of its sources does: the contact that is plugged in, as far as its lead
carries it; what its lead touches; the pin itself; noise. How often and how long each source does is our
assumption, fitted to nothing but the words of `EFFECTS`. Everything follows from the seed.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from random import Random
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from reedproof.analysis.finding import Cause
from reedproof.layout import Sheet
from reedproof.sim.board import Electrics
from reedproof.sim.scenario import ScenarioFault
from reedproof.sim.stretches import Stretches, holds, stretches, union, within, without

Pin: TypeAlias = tuple[str, int]  # board, input

SPELL_S = (10.0, 120.0)  # an interruption lasts so long
DROPOUT_MS, DROPOUT_SIGMA = 4.0, 1.0  # median and spread of a log-normal width
LOST_PER_DROPOUT = 0.02  # a lead that makes so many dropouts sometimes stays open for a whole closure
LEAK_MS, LEAK_SIGMA = 14.0, 1.3  # the middle 95 % lie between 1 and 200 ms
PERIOD_MS = 20.0  # of the mains
BURSTS_PER_MINUTE = 0.5
BURST_S = (0.2, 0.8)  # a motor starts
HUM_SHARE, HUM_S = 0.1, (1.0, 5.0)  # something else is switched on for longer
COUPLING_SIGMA = 0.2  # how differently long leads pick it up
BLIP_SHAPE = 8.0  # of the gamma distribution of widths


def during(fault: ScenarioFault, end_us: int) -> tuple[int, int]:
    """From when to when a fault lasts, in us of the run."""
    start_us = min(round(fault.start_s * 1e6), end_us)
    if fault.duration_s is None:
        return start_us, end_us
    return start_us, min(end_us, start_us + round(fault.duration_s * 1e6))


def spells(random: Random, from_us: int, to_us: int, share: float) -> Stretches:
    """Interruptions that come and go and take ``share`` of the time."""
    if share >= 1:
        return stretches([(from_us, to_us)])
    low, high = (math.log(limit_s) for limit_s in SPELL_S)
    found, at_us = [], float(from_us)
    is_on = random.random() < share
    while at_us < to_us:
        length_us = 1e6 * math.exp(random.uniform(low, high)) * (1 if is_on else (1 - share) / share)
        if at_us == from_us:
            length_us *= random.random()  # it may have begun before
        if is_on:
            found.append((round(at_us), min(to_us, round(at_us + length_us))))
        at_us += length_us
        is_on = not is_on
    return stretches(found)


class Wiring:
    """The wiring of a run that ends at ``end_us``; trains move from ``begin_us`` on, and nothing but them
    and what is built in acts before."""

    def __init__(
        self, sheet: Sheet, faults: Sequence[ScenarioFault], seed: int, begin_us: int, end_us: int
    ) -> None:
        self._pins: dict[str, Pin] = {
            contact.name: (contact.board, contact.input) for contact in sheet.contacts
        }
        self._inputs = {name: board.inputs for name, board in sheet.boards.items()}
        self._faults = [(at, fault) for at, fault in enumerate(faults)]
        self._seed, self._begin_us, self._end_us = seed, begin_us, end_us
        self._active = [self._activity(at, fault) for at, fault in self._faults]

    def _random(self, at: int, what: str = "") -> Random:
        return Random(f"{self._seed}/fault {at}/{what}")

    def _activity(self, at: int, fault: ScenarioFault) -> Stretches:
        from_us, to_us = during(fault, self._end_us)
        match fault.cause:
            case Cause.OPEN_LEAD | Cause.SHORTED_INPUTS:
                return spells(self._random(at, "spells"), from_us, to_us, fault.amount)
            case Cause.SWAPPED_PLUGS:
                return stretches([(to_us - round((to_us - from_us) * fault.amount), to_us)])
            case _:
                return stretches([(from_us, to_us)])

    def _of(self, *causes: Cause) -> list[tuple[int, ScenarioFault, Stretches]]:
        return [(at, fault, self._active[at]) for at, fault in self._faults if fault.cause in causes]

    def _pair(self, fault: ScenarioFault) -> tuple[Pin, Pin]:
        assert fault.contacts is not None
        return self._pins[fault.contacts[0]], self._pins[fault.contacts[1]]

    def pin(self, fault: ScenarioFault) -> Pin:
        """The input that a fault of one input is about."""
        if fault.contact is not None:
            return self._pins[fault.contact]
        assert fault.board is not None
        assert fault.input is not None
        return fault.board, fault.input

    # ---- from contacts to pins ----

    def levels(self, contacts: Mapping[str, Stretches]) -> dict[Pin, Stretches]:
        """When each input reads closed; ``contacts`` says it of each contact. Inputs that never do are left
        out."""
        pins = {self._pins[name]: self._through_lead(name, closed) for name, closed in contacts.items()}
        for _, fault, active in self._of(Cause.SWAPPED_PLUGS):
            one, other = self._pair(fault)
            pins[one], pins[other] = (
                union(without(pins[one], active), within(pins[other], active)),
                union(without(pins[other], active), within(pins[one], active)),
            )
        shorts = self._of(Cause.SHORTED_INPUTS)
        for _ in shorts:  # so that a chain of them connects its ends
            for _, fault, active in shorts:
                one, other = self._pair(fault)
                both = within(union(pins[one], pins[other]), active)
                pins[one], pins[other] = union(pins[one], both), union(pins[other], both)
        sources = [pins, *self._noise(), *self._leaks()]
        joined = {
            pin: union(*(source[pin] for source in sources if pin in source))
            for pin in {pin: None for source in sources for pin in source}
        }
        for _, fault, active in self._of(Cause.BAD_INPUT):
            if fault.is_dead and self.pin(fault) in joined:
                joined[self.pin(fault)] = without(joined[self.pin(fault)], active)
        return {pin: closed for pin, closed in joined.items() if len(closed)}

    def _through_lead(self, name: str, closed: Stretches) -> Stretches:
        for at, fault, active in self._of(Cause.OPEN_LEAD, Cause.LOOSE_LEAD):
            if fault.contact != name:
                continue
            if fault.cause is Cause.LOOSE_LEAD:
                active = within(self._dropouts(at, fault, closed), active)
            closed = without(closed, active)
        return closed

    def _dropouts(self, at: int, fault: ScenarioFault, closed: Stretches) -> Stretches:
        random = self._random(at)
        found = []
        for from_us, to_us in _passes(closed):
            if random.random() < 1 - math.exp(-LOST_PER_DROPOUT * fault.amount):
                found.append((from_us, to_us))
                continue
            left = fault.amount
            while (left := left - random.expovariate(1)) > 0:
                middle_us = random.uniform(from_us, to_us)
                width_us = 1000 * random.lognormvariate(math.log(DROPOUT_MS), DROPOUT_SIGMA)
                found.append((round(middle_us - width_us / 2), round(middle_us + width_us / 2)))
        return stretches(found)

    def _leaks(self) -> list[dict[Pin, Stretches]]:
        sources = []
        for at, fault, active in self._of(Cause.BAD_INPUT):
            if fault.is_dead:
                continue
            random, found = self._random(at), []
            at_us = float(self._begin_us)
            while (at_us := at_us + random.expovariate(fault.amount / 60e6)) < self._end_us:
                width_us = 1000 * random.lognormvariate(math.log(LEAK_MS), LEAK_SIGMA)
                found.append((round(at_us), round(at_us + width_us)))
            sources.append({self.pin(fault): within(stretches(found), active)})
        return sources

    def _noise(self) -> list[dict[Pin, Stretches]]:
        sources = []
        for at, fault, active in self._of(Cause.INTERFERENCE):
            assert fault.board is not None
            random = self._random(at)
            numbers = np.random.default_rng(random.getrandbits(64))
            period_us = (fault.period_ms or PERIOD_MS) * 1000
            starts_us = self._blip_times(random, period_us)
            strength_us = numbers.gamma(BLIP_SHAPE, fault.amount / BLIP_SHAPE, len(starts_us))
            source = {}
            for number in range(1, self._inputs[fault.board] + 1):
                coupling = random.lognormvariate(0, COUPLING_SIGMA)
                widths_us = strength_us * coupling * numbers.lognormal(0, 0.2, len(starts_us))
                ends_us = starts_us + np.clip(widths_us, 1, period_us / 2)
                blips = stretches(np.column_stack((starts_us, ends_us)).round())
                source[fault.board, number] = within(blips, active)
            sources.append(source)
        return sources

    def _blip_times(self, random: Random, period_us: float) -> NDArray[np.float64]:
        """Of all bursts; in step with the mains. One board's leads all pick up the same."""
        found, at_us = [], float(self._begin_us)
        while (at_us := at_us + random.expovariate(BURSTS_PER_MINUTE / 60e6)) < self._end_us:
            length_us = 1e6 * random.uniform(*(HUM_S if random.random() < HUM_SHARE else BURST_S))
            first, last = math.ceil(at_us / period_us), math.floor((at_us + length_us) / period_us)
            found += [count * period_us + random.uniform(0, 100) for count in range(first, last + 1)]
            at_us += length_us
        return np.array(found)

    # ---- what the self-test meets ----

    def electrics(self, board: str, time_us: int) -> Electrics:
        """What is electrically wrong with the inputs of a board at this moment."""
        shorts, low, high = [], set(), set()
        for at, fault, active in self._of(Cause.SHORTED_INPUTS, Cause.BAD_INPUT):
            if not holds(active, time_us):
                continue
            if fault.cause is Cause.SHORTED_INPUTS:
                pair = self._pair(fault)
                if all(pin[0] == board for pin in pair):
                    shorts.append(frozenset(number for _, number in pair))
            elif self.pin(fault)[0] != board:
                continue
            elif fault.is_dead:
                high.add(self.pin(fault)[1])
            elif self._random(at, "self-test").random() < _shows(fault.amount):
                low.add(self.pin(fault)[1])
        return Electrics(tuple(shorts), frozenset(low), frozenset(high))


def _shows(per_minute: float) -> float:
    """The chance that an input that closes by itself reads low in the self-test: 0.3 for one that does so
    every other minute, 0.7 with 3 in a minute, for certain with 20."""
    return min(1.0, max(0.0, 0.3 + 0.4 * math.log(per_minute / 0.5) / math.log(6)))


def _passes(closed: Stretches) -> list[tuple[int, int]]:
    """Closures of a contact, bounces put together."""
    if not len(closed):
        return []
    new = np.flatnonzero(closed[1:, 0] - closed[:-1, 1] > 10_000) + 1
    first, last = np.concatenate(([0], new)), np.concatenate((new - 1, [len(closed) - 1]))
    return list(zip(closed[first, 0].tolist(), closed[last, 1].tolist(), strict=True))
