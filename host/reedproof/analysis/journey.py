"""The passes of one train, one after the other."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from reedproof.analysis.align import GAPPED, HALTED, MOVED, RUSHED, TURNED


@dataclass(frozen=True)
class Journey:
    """The passes of one train within a portion, in order. ``from_station`` is meaningful where ``steps`` is
    not 0; ``from_s`` is when the train left its last station, NaN where that is not known."""

    at: int  # train
    rows: NDArray[np.int64]  # in the portion
    station: NDArray[np.int64]
    from_station: NDArray[np.int64]
    steps: NDArray[np.int64]
    flags: NDArray[np.uint8]
    from_s: NDArray[np.float64]
    made_s: NDArray[np.float64]

    def sections(self) -> NDArray[np.int64]:
        """How many sections the train went along in its time; a turn on a contact is none of them."""
        return self.steps - (self.flags & TURNED > 0)

    def is_plain(self) -> NDArray[np.bool_]:
        """Went as usual, so that its time says something about the speed."""
        odd = HALTED | RUSHED | MOVED | GAPPED
        return np.asarray((self.steps > 0) & (self.flags & odd == 0))
