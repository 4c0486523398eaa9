"""How sure a score makes one: measured on simulated layouts, not assumed.

A score is a logarithm of odds, up to a slope and a middle that are the same for all causes. But no clue makes
one surer than clear ones (with a score above 2) of its cause were right: a rule may be wrong however much
speaks for it. All of it was measured on seeds apart from those that accuracy is measured on, and nothing on
real layouts.
"""

from __future__ import annotations

from scipy.special import expit

from reedproof.analysis.finding import Cause

#: The share of clear clues that were right, by cause, by Laplace's rule of succession (`make calibration`).
CEILINGS: dict[Cause, float] = {
    # 468 runs, seeds 1 to 6 (5 times as many of healthy ones)
    Cause.OPEN_LEAD: 0.79,  # 18 of 22
    Cause.LOOSE_LEAD: 0.97,  # 30 of 30
    Cause.STUCK_CONTACT: 0.97,  # 30 of 30
    Cause.PARKED_MAGNET: 0.96,  # 24 of 24
    Cause.SHORTED_INPUTS: 0.94,  # 30 of 31
    Cause.SWAPPED_PLUGS: 0.96,  # 24 of 24
    Cause.WEAK_MAGNET: 0.88,  # 22 of 24
    Cause.TURNED_MAGNET: 0.96,  # 24 of 24
    Cause.SIDE_LOBES: 0.96,  # 23 of 23
    Cause.WINDOW_TOO_SHORT: 0.96,  # 23 of 23
    Cause.WINDOW_TOO_LONG: 0.95,  # 20 of 20
    Cause.INTERFERENCE: 0.97,  # 30 of 30
    Cause.BAD_INPUT: 0.69,  # 30 of 43
    Cause.WORN_CONTACT: 0.95,  # 18 of 18
    Cause.VEHICLE: 0.96,  # 23 of 23
}
SLOPE, MIDDLE = 1.0, 0.0


def confidence_of(cause: Cause, score: float) -> float:
    """Between 0 and the ceiling of the cause."""
    return CEILINGS[cause] * float(expit(SLOPE * (score - MIDDLE)))
