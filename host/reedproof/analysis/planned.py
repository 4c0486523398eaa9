"""How long closures were planned to be, and how long they are."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from reedproof.analysis.books import Passes
from reedproof.layout import Sheet

#: So many passes of known length are a mean worth comparing.
PASSES_MIN = 10
#: Where only one planned length is known, and not within which it may lie: up to so many times as long, or as
#: short, is taken for as planned. Chosen here, no source: a contact given in ampere turns may well be further
#: from it, and one given in mT should be nearer.
AS_PLANNED = 1.4
#: How far beyond what the planned levels and the spread allow a mean length is still taken for within it: the
#: sheet's distances, of which it comes, are not exact, nor is the field of a contact's middle all that closes
#: it. Chosen here, no source.
ROUGHLY = 1.1


@dataclass(frozen=True)
class PlannedLength:
    """Of one contact. ``planned_mm``: nominal closures of a pass in order of travel; ``measured_mm``:
    geometric mean of the effective lengths, None where too few are known or the sheet tells no distances.
    ``shortest_mm`` and ``longest_mm``: what the plan allows a closure, None where the sheet does not tell."""

    contact: str
    planned_mm: tuple[float, ...]
    measured_mm: float | None
    shortest_mm: float | None = None
    longest_mm: float | None = None

    @property
    def share(self) -> float | None:
        """Of the planned length; None where more closures than one were planned, or nothing was measured."""
        if self.measured_mm is None or len(self.planned_mm) != 1:
            return None
        return self.measured_mm / self.planned_mm[0]

    @property
    def is_as_planned(self) -> bool | None:
        if self.share is None or self.measured_mm is None:
            return None
        if self.shortest_mm is None or self.longest_mm is None:
            return 1 / AS_PLANNED <= self.share <= AS_PLANNED
        return self.shortest_mm / ROUGHLY <= self.measured_mm <= self.longest_mm * ROUGHLY

    @property
    def sentence(self) -> str:
        if self.is_as_planned is None:
            if not self.planned_mm:
                return "no closure is planned"
            several = len(self.planned_mm) > 1
            return "several closures are planned" if several else "too few lengths are known"
        if self.is_as_planned:
            return "as planned"
        if self.share is not None and self.share < 1:
            return "shorter than planned: is the magnet further away, weaker or turned?"
        return "longer than planned: is the magnet nearer or stronger?"

    def as_dict(self) -> dict[str, Any]:
        """For JSON."""
        return {
            "planned_mm": list(self.planned_mm),
            "shortest_mm": self.shortest_mm,
            "longest_mm": self.longest_mm,
            "measured_mm": self.measured_mm,
            "share": self.share,
            "is_as_planned": self.is_as_planned,
        }


class LengthMeter:
    """Means of effective lengths, by contact in the order of the sheet."""

    def __init__(self, contacts: int) -> None:
        self._count = np.zeros(contacts, np.int64)
        self._sum: NDArray[np.float64] = np.zeros(contacts)

    def feed(self, passes: Passes) -> None:
        known = passes.length > 0  # NaN where it is not known
        self._count += np.bincount(passes.contact[known], minlength=len(self._count))
        self._sum += np.bincount(
            passes.contact[known], weights=np.log(passes.length[known]), minlength=len(self._sum)
        )

    def means(self) -> list[float | None]:
        """Geometric ones; None where too few are known."""
        return [
            float(np.exp(total / count)) if count >= PASSES_MIN else None
            for total, count in zip(self._sum, self._count.tolist(), strict=True)
        ]


def planned_lengths(sheet: Sheet, measured: LengthMeter, *, in_mm: bool) -> tuple[PlannedLength, ...]:
    """Of the contacts whose closures were planned. Lengths that are not ``in_mm`` compare with nothing."""
    measured_mm = measured.means() if in_mm else [None] * len(sheet.contacts)
    return tuple(
        PlannedLength(contact.name, tuple(plan.closures_mm), mean_mm, plan.shortest_mm, plan.longest_mm)
        for contact, mean_mm in zip(sheet.contacts, measured_mm, strict=True)
        if (plan := sheet.planned_at(contact)) is not None and plan.closures_mm is not None
    )
