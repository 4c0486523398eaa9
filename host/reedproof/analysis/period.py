"""Whether events come in step with something: mains, or a motor that is switched at a fixed rate."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import gammaincc

SHORTEST_MS, LONGEST_MS = 1.0, 100.0
#: Mains and the board's clock wander: for longer than this, events are not held against one rhythm.
COHERENT_S = 2.0
#: A stretch with fewer events says next to nothing: with one event every period fits.
EVENTS_MIN = 5
#: More events of a stretch, and more stretches, make nothing clearer.
EVENTS_MAX, STRETCHES_MAX = 1000, 10
#: Frequencies looked at for each one that is independent of its neighbours.
FINER = 4
#: Short events in step fit their harmonics nearly as well as their rhythm: the lowest one this close counts.
HARMONIC = 0.75
BLOCK = 64


@dataclass(frozen=True)
class Period:
    """``power`` is the periodogram at ``ms``, summed over ``stretches`` of time; ``chance`` is how often so
    high a power comes about anywhere between the shortest and the longest period where there is none."""

    ms: float
    power: float
    stretches: int
    chance: float


def schuster(at_s: NDArray[np.float64], hz: NDArray[np.float64]) -> NDArray[np.float64]:
    """The periodogram of event times (n,) at frequencies (m,): ``|sum exp(2 pi i f t)|^2 / n``, shape (m,).

    Where events come at random it exceeds z with a chance of exp(-z), for n not too small. Scargle 1982, ApJ
    263, 835 (from memory); Schuster 1898 for the sum.
    """
    turns = np.outer(hz, at_s - at_s[0])
    return np.asarray(np.abs(np.exp(2j * np.pi * turns).sum(axis=1)) ** 2 / len(at_s))


def _on_grid(at_s: NDArray[np.float64], hz: NDArray[np.float64]) -> NDArray[np.float64]:
    """`schuster` at evenly spaced frequencies, as one product of two small matrices: to turn by f + g is
    to turn by f, then by g."""
    turns_s = at_s - at_s[0]
    coarse, fine = hz[::BLOCK], hz[:BLOCK] - hz[0]
    sums = np.exp(2j * np.pi * np.outer(coarse, turns_s)) @ np.exp(2j * np.pi * np.outer(turns_s, fine))
    return np.asarray(np.abs(sums).ravel()[: len(hz)] ** 2 / len(at_s))


def likely_period(at_s: NDArray[np.float64]) -> Period | None:
    """The period between 1 and 100 ms that fits event times best, shape (n,), seconds, in order.

    Events that follow another one within 1 ms count as one with it. The periodograms of stretches of 2 s are
    summed, so the phase may wander; those with most events are looked at. None where no stretch has five.
    """
    stretches = _stretches(at_s)
    if not stretches:
        return None
    longest_s = max(part[-1] - part[0] for part in stretches)
    lowest_hz, highest_hz = 1000 / LONGEST_MS, 1000 / SHORTEST_MS
    independent = max(1.0, (highest_hz - lowest_hz) * longest_s)
    hz = np.linspace(lowest_hz, highest_hz, int(FINER * independent) + 2)
    power = np.sum([_on_grid(part, hz) for part in stretches], axis=0)
    at = int(np.argmax(power >= HARMONIC * power.max()))
    while at + 1 < len(hz) and power[at + 1] > power[at]:
        at += 1
    nearby = np.linspace(hz[max(at - 1, 0)], hz[min(at + 1, len(hz) - 1)], 65)
    fine = np.sum([schuster(part, nearby) for part in stretches], axis=0)
    best = int(np.argmax(fine))
    # The sum of k independent exponential powers has a gamma distribution; one of many may be the highest.
    one = float(gammaincc(len(stretches), fine[best]))
    chance = -np.expm1(FINER * independent * np.log1p(-one)) if one < 1 else 1.0
    return Period(1000 / float(nearby[best]), float(fine[best]), len(stretches), float(chance))


def _stretches(at_s: NDArray[np.float64]) -> list[NDArray[np.float64]]:
    apart = np.diff(at_s, prepend=-np.inf) >= SHORTEST_MS / 1000
    events = at_s[apart]
    number = ((events - events[0]) // COHERENT_S).astype(np.int64) if len(events) else np.zeros(0, np.int64)
    parts = [events[number == each][:EVENTS_MAX] for each in np.unique(number)]
    full = [part for part in parts if len(part) >= EVENTS_MIN]
    return sorted(full, key=len, reverse=True)[:STRETCHES_MAX]
