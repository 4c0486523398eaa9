"""How sure a score makes one: measured on simulated layouts, not assumed.

A score is taken for the logarithm of odds; a slope and a middle fitted to all clues were 0.94 and 0.16, which
changes nothing worth having. But no clue makes one surer than clear ones (with a score above 2) of its cause
were right: a rule may be wrong however much speaks for it. All of it was measured on seeds apart from those
that accuracy is measured on, and nothing on real layouts.
"""

from __future__ import annotations

from scipy.special import expit

from reedproof.analysis.finding import Cause

#: The share of clear clues that were right, by cause, by Laplace's rule of succession (`make calibration`).
CEILINGS: dict[Cause, float] = {
    # 1248 runs, seeds 1 to 16 (5 times as many of healthy ones)
    Cause.OPEN_LEAD: 0.93,  # 68 of 72
    Cause.LOOSE_LEAD: 0.99,  # 80 of 80
    Cause.STUCK_CONTACT: 0.99,  # 80 of 80
    Cause.PARKED_MAGNET: 0.98,  # 64 of 64
    Cause.SHORTED_INPUTS: 0.98,  # 80 of 81
    Cause.SWAPPED_PLUGS: 0.98,  # 64 of 64
    Cause.WEAK_MAGNET: 0.94,  # 62 of 65
    Cause.TURNED_MAGNET: 0.98,  # 63 of 63
    Cause.SIDE_LOBES: 0.98,  # 61 of 61
    Cause.WINDOW_TOO_SHORT: 0.98,  # 59 of 59
    Cause.WINDOW_TOO_LONG: 0.98,  # 57 of 57
    Cause.INTERFERENCE: 0.99,  # 80 of 80
    Cause.BAD_INPUT: 0.94,  # 79 of 83
    Cause.WORN_CONTACT: 0.98,  # 59 of 59
    Cause.VEHICLE: 0.98,  # 62 of 62
}


def confidence_of(cause: Cause, score: float) -> float:
    """Between 0 and the ceiling of the cause."""
    return CEILINGS[cause] * float(expit(score))
