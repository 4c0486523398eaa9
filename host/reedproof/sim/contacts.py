"""Simulated reed contacts: the raw edges of one pass, with bounce, and the faults of the demo.

Bounce follows the published figures: operate time with bounce 0.3 ms and bounce 0.1 ms typically,
release 0.07 ms at most (data sheet of a common reed switch); up to 1 ms for others. How the gaps are
spread within a train is our assumption. The sources stand beside the test.
"""

from __future__ import annotations

import enum
import random
from dataclasses import dataclass

Edge = tuple[int, bool]  # (time_us, closed)


class ContactFault(enum.Enum):
    OPEN_LEAD = "open_lead"  # no edge ever reaches the board
    STUCK = "stuck"  # closed for good from the first pass on
    RUBBING_LEAD = "rubbing_lead"  # short breaks and makes, hundreds a second


@dataclass
class Contact:
    """One contact under one kind of magnet. ``closure_ms`` is a mean; passes differ by a tenth."""

    random: random.Random
    closure_ms: float = 60.0
    bounce_us: float = 100.0
    fault: ContactFault | None = None

    def _train(self, at_us: int, closed: bool, bounces: int, scale_us: float) -> list[Edge]:
        edges = [(at_us, closed)]
        for _ in range(bounces):
            for level in (not closed, closed):
                at_us += max(1, round(self.random.expovariate(1 / scale_us)))
                edges.append((at_us, level))
        return edges

    def pass_magnet(self, at_us: int) -> list[Edge]:
        """Edges of one pass whose magnet reaches the contact at ``at_us``."""
        if self.fault is ContactFault.OPEN_LEAD:
            return []
        make = self._train(at_us, True, self.random.choice((0, 1, 1, 2, 3)), self.bounce_us / 4)
        if self.fault is ContactFault.STUCK:
            return make
        length_us = self.closure_ms * 1000 * self.random.uniform(0.9, 1.1)
        start_us = max(make[-1][0] + 2000, at_us + round(length_us))
        if self.fault is ContactFault.RUBBING_LEAD:
            return make + self._rub(make[-1][0], start_us) + [(start_us, False)]
        return make + self._train(start_us, False, self.random.choice((0, 0, 1, 1, 2)), 20.0)

    def _rub(self, from_us: int, to_us: int) -> list[Edge]:
        edges: list[Edge] = []
        at_us = from_us
        while True:
            open_us = at_us + self.random.randint(300, 900)
            at_us = open_us + self.random.randint(100, 500)
            if at_us >= to_us:
                return edges
            edges += [(open_us, False), (at_us, True)]
