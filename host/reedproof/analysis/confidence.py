"""How much a number of observations proves."""

from __future__ import annotations

from scipy.stats import beta

CONFIDENCE = 0.95


def share_upper(seen: int, count: int = 0, confidence: float = CONFIDENCE) -> float:
    """Exact one-sided upper bound of the share of all cases that are like ``count`` of the ``seen`` ones.

    Clopper & Pearson, Biometrika 26 (1934). With a count of 0 it is 1 - (1 - confidence)^(1/seen), the
    "success run" formula, and then also Wilks' bound (Annals of Mathematical Statistics 12, 1941) for the
    share of values beyond the largest of ``seen``, whatever their distribution. Assumes that the cases are
    independent and alike. 1 when nothing was seen.
    """
    if not 0 <= count <= seen:
        raise ValueError(f"count is {count} of {seen}")
    return 1.0 if count == seen else float(beta.ppf(confidence, count + 1, seen - count))


def next_below_largest(seen: int, confidence: float = CONFIDENCE) -> int:
    """How many values to come are, all of them, at most as large as the largest of ``seen`` so far.

    The largest of seen + m values that are alike falls on each of them equally often, so it is among the
    ones seen with probability seen / (seen + m); this is the largest m for which that is ``confidence`` or
    more. No distribution is assumed, only that the order of the values tells nothing.
    """
    return int(seen * (1 - confidence) / confidence + 1e-9)
