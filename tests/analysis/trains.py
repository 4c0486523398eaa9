"""Simulated trains for the tests of the accounting: closures of a run, and the truth about it.

Written for these tests alone and simpler than `reedproof.sim`, so that the two can check each other. A run is
counted from a train's first closure to its last: what was missed before or after nobody can know.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from reedproof.analysis.closures import Closures
from reedproof.layout import Sheet

START_S = 1.7e9
LENGTH_MS = 50.0


def sheet_of(contacts: int, kind: str = "loop", trains: int = 1, **keys: object) -> Sheet:
    names = [f"c{n}" for n in range(contacts)]
    return Sheet.model_validate(
        {
            "layout": {"name": "invented"},
            "boards": {"one": {"kind": "virtual"}},
            "contacts": [{"name": name, "board": "one", "input": n + 1} for n, name in enumerate(names)],
            "routes": [{"name": "line", "kind": kind, "contacts": names}],
            "trains": [{"name": f"train {n + 1}", "route": "line", **keys} for n in range(trains)],
        }
    )


@dataclass
class Run:
    """``truth`` has shape (contacts, 3): passes, missed, extra."""

    closures: Closures
    truth: NDArray[np.int64]


@dataclass
class Trains:
    """Chances are per pass. An extra closure is the same pass again or, ``strays`` of them, at any moment;
    strays last for ``stray_ms``. ``halts`` is the chance to stand somewhere on a section; ``stands`` the
    chance to stand on a contact. ``faster`` changes the speed over the run."""

    contacts: int = 6
    laps: int = 150
    kind: str = "loop"
    trains: int = 1
    magnets: int = 1
    magnet_s: float = 0.5  # from one to the next
    missed: float | Sequence[float] = 0.05
    extra: float | Sequence[float] = 0.05
    spread: float = 0.33
    strays: float = 0.5
    stray_ms: tuple[float, float] = (2.0, 8.0)
    halts: float = 0.0
    stands: float = 0.0
    turns_on_contact: float = 0.0
    faster: float = 1.0
    sections_s: Sequence[float] = field(default_factory=list)

    def run(self, seed: int) -> Run:
        rng = np.random.default_rng(seed)
        sections = np.array(self.sections_s or rng.uniform(1.0, 4.0, self.contacts))
        missed = np.broadcast_to(self.missed, self.contacts)
        extra = np.broadcast_to(self.extra, self.contacts)
        truth = np.zeros((self.contacts, 3), dtype=np.int64)
        rows: list[tuple[float, int, float]] = []
        for train in range(self.trains):
            start_s = START_S + train * float(sections.sum()) / self.trains
            passes = self._journey(rng, sections, start_s)
            for magnet in range(self.magnets):
                shifted = [(at_s + magnet * self.magnet_s, *rest) for at_s, *rest in passes]
                self._close(rng, shifted, float(sections.sum()), missed, extra, truth, rows)
        rows.sort()
        at_s, contact, length = map(np.array, zip(*rows, strict=True))
        bounces = np.zeros(len(rows), dtype=np.uint16)
        return Run(
            Closures(contact.astype(np.int16), at_s, length.astype(np.float32), bounces, bounces), truth
        )

    def _journey(
        self, rng: np.random.Generator, sections: NDArray[np.float64], at_s: float
    ) -> list[tuple[float, int, float]]:
        """(time, contact, length of the closure in ms) of every pass."""
        there = list(range(self.contacts))
        ring = there if self.kind == "loop" else there + there[::-1]
        journey: list[tuple[float, int, float]] = []
        # Trains on one track keep their order, so they cannot differ as much from section to section.
        spread = self.spread if self.trains == 1 else self.spread / 4
        for lap in range(self.laps):
            pace = self.faster ** (lap / self.laps)
            for place, contact in enumerate(ring):
                length = LENGTH_MS / rng.uniform(1 - spread, 1 + spread) * rng.uniform(0.9, 1.1) / pace
                is_back = place > 0 and ring[place - 1] == contact
                if is_back and rng.random() < self.turns_on_contact:
                    before_s, _, before_ms = journey[-1]
                    stood_s = rng.uniform(3.0, 9.0)
                    journey[-1] = (before_s, contact, before_ms + stood_s * 1000)
                    at_s = before_s + stood_s
                else:
                    stood_s = rng.uniform(5.0, 30.0) if rng.random() < self.stands else 0.0
                    journey.append((at_s, contact, length + stood_s * 1000))
                    at_s += stood_s
                after = ring[(place + 1) % len(ring)]
                section_s = (
                    rng.uniform(3.0, 9.0) if after == contact and self.kind == "shuttle"
                    else sections[min(contact, after) if self.kind == "shuttle" else contact]
                )  # fmt: skip
                at_s += section_s / rng.uniform(1 - spread, 1 + spread) / pace
                if rng.random() < self.halts:
                    at_s += rng.uniform(20.0, 300.0)
        return journey

    def _close(
        self,
        rng: np.random.Generator,
        passes: list[tuple[float, int, float]],
        lap_s: float,
        missed: NDArray[np.float64],
        extra: NDArray[np.float64],
        truth: NDArray[np.int64],
        rows: list[tuple[float, int, float]],
    ) -> None:
        closes = [bool(rng.random() >= missed[contact]) for _, contact, _ in passes]
        first, last = closes.index(True), len(closes) - 1 - closes[::-1].index(True)
        for (at_s, contact, length), is_closed in list(zip(passes, closes, strict=True))[first : last + 1]:
            truth[contact, 0] += 1
            truth[contact, 1] += not is_closed
            if is_closed:
                rows.append((at_s, contact, length))
            if rng.random() >= extra[contact]:
                continue
            if rng.random() < self.strays:
                stray_s = at_s + length / 1000 + rng.uniform(0.15, lap_s - 0.3)
                rows.append((stray_s, contact, rng.uniform(*self.stray_ms)))
            elif is_closed:
                rows.append((at_s + length / 1000 + rng.uniform(0.02, 0.06), contact, 0.8 * length))
            else:
                continue
            truth[contact, 2] += 1
