"""How much a number of observations proves.

Shares are of passes (a pass is missed or it is not), rates are per pass or per hour (a pass can have many
extra closures). Bounds are one-sided and come in two kinds:

* those of a plan fixed in advance, exact: Clopper-Pearson for shares, Garwood for rates;
* anytime-valid ones, which hold however often one looks and whenever one stops.
"""

from __future__ import annotations

import math
from bisect import bisect_left
from collections.abc import Callable
from functools import lru_cache

import numpy as np
from scipy.special import bdtr, betainc, betaincinv, betaln, gammainc, gammaincinv, gammaln

CONFIDENCE = 0.95


def share_upper(seen: int, count: int = 0, confidence: float = CONFIDENCE) -> float:
    """Exact one-sided upper bound of the share of all cases that are like ``count`` of the ``seen`` ones.

    Clopper & Pearson, Biometrika 26 (1934). With a count of 0 it is 1 - (1 - confidence)^(1/seen), the
    "success run" formula, and then also Wilks' bound (Annals of Mathematical Statistics 12, 1941) for the
    share of values beyond the largest of ``seen``, whatever their distribution. Assumes that the cases are
    independent and alike. 1 when nothing was seen.
    """
    _check(seen, count)
    return 1.0 if count == seen else float(betaincinv(count + 1, seen - count, confidence))


def share_lower(seen: int, count: int, confidence: float = CONFIDENCE) -> float:
    """The lower bound that belongs to :func:`share_upper`; both together hold with 2 confidence - 1."""
    _check(seen, count)
    return 0.0 if count == 0 else float(betaincinv(count, seen - count + 1, 1 - confidence))


def share_interval(seen: int, count: int, confidence: float = CONFIDENCE) -> tuple[float, float]:
    """Exact two-sided interval of a share, the same chance of error on each side."""
    one_sided = (1 + confidence) / 2
    return share_lower(seen, count, one_sided), share_upper(seen, count, one_sided)


def rate_upper(exposure: float, count: int = 0, confidence: float = CONFIDENCE) -> float:
    """Exact one-sided upper bound of a rate: ``count`` events in ``exposure`` (passes or hours, whatever the
    rate is to be per). Garwood, Biometrika 28 (1936). Assumes a Poisson process. Infinite without
    exposure."""
    return float(gammaincinv(count + 1, confidence)) / exposure if exposure > 0 else math.inf


def rate_interval(exposure: float, count: int, confidence: float = CONFIDENCE) -> tuple[float, float]:
    """Exact two-sided interval of a rate, the same chance of error on each side."""
    tail = (1 - confidence) / 2
    lower = float(gammaincinv(count, tail)) / exposure if count and exposure > 0 else 0.0
    return lower, rate_upper(exposure, count, 1 - tail)


@lru_cache
def passes_needed(reliability: float, confidence: float = CONFIDENCE, misses: int = 0) -> int:
    """The fewest passes after which, with no more than ``misses`` missed, a share of ``reliability`` or more
    is proved good. Without a miss it is ln(1 - confidence) / ln(reliability), the "success run"."""

    def proves(passes: int) -> bool:
        return bool(bdtr(misses, passes, 1 - reliability) <= 1 - confidence)

    most = misses + 1
    while not proves(most):
        most *= 2
    return bisect_left(range(most + 1), True, lo=misses + 1, key=proves)


def share_upper_anytime(seen: int, count: int = 0, confidence: float = CONFIDENCE) -> float:
    """Upper bound of a share that holds at all times at once: with probability ``confidence`` it is never
    below the truth, however often one looks and whatever makes one stop. 1 when nothing was seen.

    For each share p the game that bets on a smaller share u p, with u drawn from Beta(1/2, 1), is a fair one
    if p is true and a losing one if the truth is above p; its gain, the mean over u of
    u^count ((1 - u p) / (1 - p))^(seen - count), then exceeds 1 / (1 - confidence) at any time with
    probability 1 - confidence at most (Ville 1939; confidence sequences: Darling & Robbins, PNAS 58 (1967);
    from memory). The bound is the smallest p at which it has.

    Why this mixture: the bet is a fraction of the share to be excluded, so it is as good for 1 in 100 as for
    1 in 100 000, where a mixture of fixed shares such as Beta(0.5, 50) suits about one of them. Without a
    miss the bound is about 3.8 / seen at any ``seen``, 1.26 times that of a plan fixed in advance.
    Beta(1/2, 1) has most weight at small u, where few misses point; the gain grows with p, so the bound is
    the one root.
    """
    _check(seen, count)
    if count == seen:
        return 1.0
    a, b = count + 0.5, seen - count + 1

    def gain_log(p: float) -> float:
        return float(betaln(a, b) + np.log(betainc(a, b, p) / 2) - a * np.log(p) + (1 - b) * np.log1p(-p))

    return _root(gain_log, max(count, 1e-3) / seen, 1 - 1e-15, confidence)


def rate_upper_anytime(exposure: float, count: int = 0, confidence: float = CONFIDENCE) -> float:
    """Upper bound of a rate (events per unit of ``exposure``) that holds at all times at once. Infinite
    without exposure.

    As :func:`share_upper_anytime`, with the Poisson gain u^count exp((1 - u) rate exposure). It also holds
    where events are more regular than Poisson's, such as at most one extra closure per pass.
    """
    if exposure <= 0:
        return math.inf
    a = count + 0.5

    def gain_log(x: float) -> float:
        return float(gammaln(a) + np.log(gammainc(a, x) / 2) - a * np.log(x) + x)

    high = 20 + 3 * count - 3 * math.log1p(-confidence)
    return _root(gain_log, max(count, 1e-3), high, confidence) / exposure


def _root(gain_log: Callable[[float], float], low: float, high: float, confidence: float) -> float:
    target = -math.log1p(-confidence)
    from scipy.optimize import brentq  # here: it takes half a second that most commands can do without

    return float(brentq(lambda x: gain_log(x) - target, low, high, xtol=1e-18, rtol=1e-12))


def for_each_of(contacts: int, confidence: float = CONFIDENCE) -> float:
    """Confidence that each of ``contacts`` statements needs, for all of them to hold at once with
    ``confidence``.

    Bonferroni's correction. It holds however the contacts depend on each other, and they do: a train with a
    weak magnet passes all of them. Sidak's needs independence and would gain next to nothing (for 24 contacts
    at 95 % an error of 0.214 % instead of 0.208 % each).
    """
    return 1 - (1 - confidence) / contacts


def chance_of_clean_stretch(clean: int, passes: int, miss_share: float) -> float:
    """Probability that ``passes`` passes, each missed with ``miss_share``, hold ``clean`` good ones in a row
    somewhere: what beginning again after each miss makes of a claim.

    By the recursion over the first time it happens (Feller, An Introduction to Probability Theory, vol. 1,
    chapter XIII, from memory): it does at pass n if pass n - clean was missed and nothing happened before.
    """
    if passes < clean:
        return 0.0
    good = (1 - miss_share) ** clean
    first = miss_share * good
    # Passes of one stretch depend on the stretch before only, so that whole stretches can be added up.
    done = np.append(np.zeros(clean), good)
    reached = clean
    while reached < passes:
        done = done[-1] + np.cumsum(first * (1 - done))
        reached += clean + 1
    return float(done[clean - (reached - passes)])


def next_below_largest(seen: int, confidence: float = CONFIDENCE) -> int:
    """How many values to come are, all of them, at most as large as the largest of ``seen`` so far.

    The largest of seen + m values that are alike falls on each of them equally often, so it is among the
    ones seen with probability seen / (seen + m); this is the largest m for which that is ``confidence`` or
    more. No distribution is assumed, only that the order of the values tells nothing.
    """
    return int(seen * (1 - confidence) / confidence + 1e-9)


def _check(seen: int, count: int) -> None:
    if not 0 <= count <= seen:
        raise ValueError(f"count is {count} of {seen}")
