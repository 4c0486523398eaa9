"""What the boards saw during a run, on one time line: the input of every analysis of a run."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray


@dataclass(frozen=True)
class Closures:
    """Closures of several boards in order of ``made_s``; all arrays have shape (n,).

    ``contact`` is the position of the contact in the sheet's list (from 0), int16; ``made_s`` is host time,
    seconds since 1970, float64; ``duration_ms`` is float32, NaN where the end is not known; ``bounces``
    (making and breaking together) and ``dropouts`` are uint16.
    """

    contact: NDArray[np.int16]
    made_s: NDArray[np.float64]
    duration_ms: NDArray[np.float32]
    bounces: NDArray[np.uint16]
    dropouts: NDArray[np.uint16]

    def __len__(self) -> int:
        return len(self.contact)

    def __getitem__(self, part: slice | NDArray[Any]) -> Closures:
        return Closures(
            self.contact[part],
            self.made_s[part],
            self.duration_ms[part],
            self.bounces[part],
            self.dropouts[part],
        )

    @classmethod
    def join(cls, parts: Sequence[Closures]) -> Closures:
        """One after the other; the caller knows that they are in order."""
        return cls(
            np.concatenate([part.contact for part in parts] or [np.zeros(0, np.int16)]),
            np.concatenate([part.made_s for part in parts] or [np.zeros(0, np.float64)]),
            np.concatenate([part.duration_ms for part in parts] or [np.zeros(0, np.float32)]),
            np.concatenate([part.bounces for part in parts] or [np.zeros(0, np.uint16)]),
            np.concatenate([part.dropouts for part in parts] or [np.zeros(0, np.uint16)]),
        )


@dataclass(frozen=True)
class Gap:
    """From ``from_s`` to ``to_s`` (host time) these contacts were not observed: neither misses nor successes
    happened there. ``contacts`` are positions in the sheet's list."""

    from_s: float
    to_s: float
    contacts: frozenset[int]
    kind: str
    detail: str
