"""How long closures were planned to be, and how long they are."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from reedproof.analysis.books import Passes
from reedproof.layout import Sheet

#: So many passes of known length are a mean worth comparing.
PASSES_MIN = 10
#: A contact given in ampere-turns leaves a factor of two in its field, either way. That makes closures of
#: usual magnets up to 1.4 times longer or shorter, as long as they are long against the distance (derived
#: here, tests/analysis/test_planned.py). What is further from the plan was not built as it was planned.
AS_PLANNED = 1.4


@dataclass(frozen=True)
class PlannedLength:
    """Of one contact. ``planned_mm``: closures of a pass in order of travel; ``measured_mm``: geometric mean
    of the effective lengths, None where too few are known or the sheet tells no distances."""

    contact: str
    planned_mm: tuple[float, ...]
    measured_mm: float | None

    @property
    def share(self) -> float | None:
        """Of the planned length; None where more closures than one were planned, or nothing was measured."""
        if self.measured_mm is None or len(self.planned_mm) != 1:
            return None
        return self.measured_mm / self.planned_mm[0]

    @property
    def is_as_planned(self) -> bool | None:
        return None if self.share is None else 1 / AS_PLANNED <= self.share <= AS_PLANNED

    @property
    def sentence(self) -> str:
        if self.is_as_planned is None:
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


def planned_lengths(sheet: Sheet, measured_mm: Sequence[float | None]) -> tuple[PlannedLength, ...]:
    """Of the contacts whose closures were planned; ``measured_mm`` in the order of the sheet."""
    return tuple(
        PlannedLength(contact.name, tuple(planned_mm), mean_mm)
        for contact, mean_mm in zip(sheet.contacts, measured_mm, strict=True)
        if (planned_mm := sheet.planned_closures_mm(contact))
    )
