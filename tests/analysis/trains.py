"""Simulated trains for the tests of the accounting: closures of a run, and the truth about it.

Written for these tests alone and simpler than `reedproof.sim`, so that the two can check each other. A run is
counted from a train's first closure to its last: what was missed before or after nobody can know.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from reedproof.analysis.closures import Closures, Gap
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


@dataclass(frozen=True)
class Run:
    """Closures, and what was really there: a row for each pass, and one for each closure beyond the first of
    a pass or outside of any."""

    contacts: int
    closures: Closures
    pass_s: NDArray[np.float64]
    pass_contact: NDArray[np.int64]
    is_missed: NDArray[np.bool_]
    extra_s: NDArray[np.float64]
    extra_contact: NDArray[np.int64]

    @property
    def truth(self) -> NDArray[np.int64]:
        """Shape (contacts, 3): passes, missed, extra."""
        counted = (self.pass_contact, self.pass_contact[self.is_missed], self.extra_contact)
        return np.stack([np.bincount(each, minlength=self.contacts) for each in counted], axis=1)

    def behind(self, gaps: Sequence[Gap]) -> Run:
        """The same run with nobody looking during the gaps."""

        def seen(at_s: NDArray[np.float64], contact: NDArray[np.int64]) -> NDArray[np.bool_]:
            hidden = np.zeros(len(at_s), dtype=np.bool_)
            for gap in gaps:
                hidden |= (at_s >= gap.from_s) & (at_s < gap.to_s) & np.isin(contact, list(gap.contacts))
            return ~hidden

        passes, extras = seen(self.pass_s, self.pass_contact), seen(self.extra_s, self.extra_contact)
        closures = self.closures[seen(self.closures.made_s, self.closures.contact.astype(np.int64))]
        return Run(
            self.contacts, closures, self.pass_s[passes], self.pass_contact[passes], self.is_missed[passes],
            self.extra_s[extras], self.extra_contact[extras],
        )  # fmt: skip

    def on(self, contacts: Sequence[int], count: int) -> Run:
        """The same run on other contacts: ``contacts`` are their positions among ``count``."""
        to = np.array(contacts)
        closures = replace(self.closures, contact=to[self.closures.contact].astype(np.int16))
        return replace(
            self, contacts=count, closures=closures, pass_contact=to[self.pass_contact],
            extra_contact=to[self.extra_contact],
        )  # fmt: skip


def together(runs: Sequence[Run]) -> Run:
    """Several runs at the same time, over the same contacts."""
    closures = Closures.join([run.closures for run in runs])
    joined = [
        np.concatenate([getattr(run, name) for run in runs])
        for name in ("pass_s", "pass_contact", "is_missed", "extra_s", "extra_contact")
    ]
    return Run(runs[0].contacts, closures[np.argsort(closures.made_s, kind="stable")], *joined)


@dataclass(frozen=True)
class Pass:
    at_s: float
    contact: int
    length_ms: float
    is_sure: bool = False  # closes in any case


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
    lifted: Sequence[int] = ()
    sections_s: Sequence[float] = field(default_factory=list)

    def run(self, seed: int) -> Run:
        rng = np.random.default_rng(seed)
        sections = np.array(self.sections_s or rng.uniform(1.0, 4.0, self.contacts))
        missed = np.broadcast_to(self.missed, self.contacts)
        extra = np.broadcast_to(self.extra, self.contacts)
        parts: list[Run] = []
        for train in range(self.trains):
            start_s = START_S + train * float(sections.sum()) / self.trains
            passes = self._journey(rng, sections, start_s)
            for magnet in range(self.magnets):
                shifted = [replace(each, at_s=each.at_s + magnet * self.magnet_s) for each in passes]
                parts.append(self._close(rng, shifted, float(sections.sum()), missed, extra))
        return together(parts)

    def _journey(self, rng: np.random.Generator, sections: NDArray[np.float64], at_s: float) -> list[Pass]:
        there = list(range(self.contacts))
        ring = there if self.kind == "loop" else there + there[::-1]
        journey: list[Pass] = []
        skip_to = -1  # where a train was put down, in its lap
        # Trains on one track keep their order, so they cannot differ as much from section to section.
        spread = self.spread if self.trains == 1 else self.spread / 4
        for lap in range(self.laps):
            pace = self.faster ** (lap / self.laps)
            for place, contact in enumerate(ring):
                if place < skip_to:
                    continue
                length = LENGTH_MS / rng.uniform(1 - spread, 1 + spread) * rng.uniform(0.9, 1.1) / pace
                is_back = place > 0 and ring[place - 1] == contact
                if is_back and rng.random() < self.turns_on_contact:
                    before, stood_s = journey[-1], rng.uniform(3.0, 9.0)
                    journey[-1] = replace(before, length_ms=before.length_ms + stood_s * 1000)
                    at_s = before.at_s + stood_s
                else:
                    stood_s = rng.uniform(5.0, 30.0) if rng.random() < self.stands else 0.0
                    journey.append(Pass(at_s, contact, length + stood_s * 1000, is_sure=place == skip_to))
                    at_s += stood_s
                skip_to = -1
                after = ring[(place + 1) % len(ring)]
                section_s = (
                    rng.uniform(3.0, 9.0) if after == contact and self.kind == "shuttle"
                    else sections[min(contact, after) if self.kind == "shuttle" else contact]
                )  # fmt: skip
                at_s += section_s / rng.uniform(1 - spread, 1 + spread) / pace
                if rng.random() < self.halts:
                    at_s += rng.uniform(20.0, 300.0)
                if lap in self.lifted and place == 0:
                    journey[-1] = replace(journey[-1], is_sure=True)
                    skip_to = int(rng.integers(2, len(ring)))
                    at_s += rng.uniform(-0.5, 5.0) * section_s
        return journey

    def _close(
        self,
        rng: np.random.Generator,
        passes: list[Pass],
        lap_s: float,
        missed: NDArray[np.float64],
        extra: NDArray[np.float64],
    ) -> Run:
        closes = [each.is_sure or bool(rng.random() >= missed[each.contact]) for each in passes]
        first, last = closes.index(True), len(closes) - 1 - closes[::-1].index(True)
        passes, closes = passes[first : last + 1], closes[first : last + 1]
        rows: list[tuple[float, int, float]] = []
        extras: list[tuple[float, int, float]] = []
        for each, is_closed in zip(passes, closes, strict=True):
            end_s = each.at_s + each.length_ms / 1000
            if is_closed:
                rows.append((each.at_s, each.contact, each.length_ms))
            if rng.random() >= extra[each.contact]:
                continue
            if rng.random() < self.strays:
                extras.append(
                    (end_s + rng.uniform(0.15, lap_s - 0.3), each.contact, rng.uniform(*self.stray_ms))
                )
            elif is_closed:
                extras.append((end_s + rng.uniform(0.02, 0.06), each.contact, 0.8 * each.length_ms))
        at_s, contact, length = _columns(sorted(rows + extras))
        bounces = np.zeros(len(at_s), dtype=np.uint16)
        return Run(
            self.contacts,
            Closures(contact.astype(np.int16), at_s, length.astype(np.float32), bounces, bounces),
            np.array([each.at_s for each in passes]),
            np.array([each.contact for each in passes]),
            ~np.array(closes),
            *_columns(extras)[:2],
        )


def _columns(
    rows: list[tuple[float, int, float]],
) -> tuple[NDArray[np.float64], NDArray[np.int64], NDArray[np.float64]]:
    return (
        np.array([row[0] for row in rows], dtype=np.float64),
        np.array([row[1] for row in rows], dtype=np.int64),
        np.array([row[2] for row in rows], dtype=np.float64),
    )
