"""Wald's sequential probability ratio test of a share, with the error rates that it really has."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

#: What is still undecided when the exact computation ends.
UNDECIDED = 1e-13


@dataclass(frozen=True)
class Odds:
    """What a test does at one true share: how often it accepts, and when it ends on average."""

    accepts: float
    passes_mean: float


@dataclass(frozen=True)
class RatioTest:
    """Tells a ``good`` share of misses from a ``bad`` one, looking after every pass.

    ``refuses_good`` and ``accepts_bad`` are the error rates its lines are drawn for; ``odds`` tells the real
    ones. Wald, Sequential Analysis (1947); NIST/SEMATECH e-Handbook 6.2.6, whose h1, h2 and s these are.
    """

    good: float
    bad: float
    refuses_good: float
    accepts_bad: float

    def __post_init__(self) -> None:
        if not 0 < self.good < self.bad < 1:
            raise ValueError(f"good is {self.good}, bad is {self.bad}")

    @property
    def _per_miss(self) -> float:
        return math.log(self.bad / self.good) + math.log1p(-self.good) - math.log1p(-self.bad)

    @property
    def h1(self) -> float:
        return math.log((1 - self.refuses_good) / self.accepts_bad) / self._per_miss

    @property
    def h2(self) -> float:
        return math.log((1 - self.accepts_bad) / self.refuses_good) / self._per_miss

    @property
    def slope(self) -> float:
        return (math.log1p(-self.good) - math.log1p(-self.bad)) / self._per_miss

    def accepts_from(self, missed: int) -> int:
        """The first pass after which ``missed`` misses are few enough."""
        return math.ceil((missed + self.h1) / self.slope)

    def refuses_until(self, missed: int) -> int:
        """The last pass after which ``missed`` misses are too many; negative where they never are."""
        return math.floor((missed - self.h2) / self.slope)

    def odds(self, share: float) -> Odds:
        """Exact, by following the number of misses from pass to pass. As long as neither line moves up by a
        miss all passes are alike, so that they are one power of a matrix."""
        accepted, refused = -1, 0  # with that many misses or fewer, with that many or more
        passes = 0
        waiting = np.ones(1)  # chance to be undecided with accepted + 1, accepted + 2, ... misses
        accepts = passes_mean = 0.0
        while (undecided := float(waiting.sum())) > UNDECIDED:
            passes += 1
            passes_mean += undecided
            waiting = np.append(waiting * (1 - share), 0) + np.append(0, waiting * share)
            if self.accepts_from(accepted + 1) <= passes:
                accepts += float(waiting[0])
                waiting = waiting[1:]
                accepted += 1
            while self.refuses_until(refused) < passes:
                refused += 1
            if refused - accepted <= 1:
                break  # the lines have met: a claim so modest is decided by few passes
            waiting = np.resize(np.append(waiting, np.zeros(refused)), refused - accepted - 1)
            alike = min(self.accepts_from(accepted + 1), self.refuses_until(refused) + 1) - passes - 1
            step = np.diag(np.full(len(waiting), 1 - share)) + np.diag(np.full(len(waiting) - 1, share), 1)
            step = np.block([[step, np.ones((len(waiting), 1))], [np.zeros(len(waiting)), np.ones(1)]])
            *waiting, spent = np.append(waiting, 0) @ np.linalg.matrix_power(step, alike)
            waiting = np.array(waiting)
            passes += alike
            passes_mean += float(spent)
        return Odds(accepts, passes_mean)
