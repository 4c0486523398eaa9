"""What a contact makes of the stretches over which a magnet holds it, and what sampling makes of that."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

import numpy as np
from numpy.typing import NDArray

Stretch = tuple[float, float]


def closed_us(held_us: Sequence[Stretch], operate_us: float, rng: np.random.Generator) -> list[Stretch]:
    """It closes and opens late by chance, bounces up to twice, and is at rest within ``operate_us``."""
    closed: list[Stretch] = []
    for start, stop in held_us:
        closing = np.sort(rng.uniform(start, start + operate_us, 1 + 2 * rng.integers(3))).tolist()
        opening = np.sort(rng.uniform(stop, stop + operate_us, 1 + 2 * rng.integers(3))).tolist()
        edges = [*closing, *opening]
        # A contact that is held for less than it takes to follow may close for a moment, or never.
        closed += [(a, b) for a, b in zip(edges[::2], edges[1::2], strict=True) if a < b]
    return _merged(closed)


def sampled_us(closed: Iterable[Stretch], sampling_us: float, rng: np.random.Generator) -> NDArray[np.int64]:
    """Edges, alternately closing and opening, at the samples that see them; shape (n,)."""
    phase_us = rng.uniform(0, sampling_us)
    at_samples = [
        (float(np.ceil((start - phase_us) / sampling_us)), float(np.ceil((stop - phase_us) / sampling_us)))
        for start, stop in closed
    ]
    seen = _merged([(start, stop) for start, stop in at_samples if start < stop])
    times_us = np.array(seen, dtype=np.float64).ravel() * sampling_us
    return (times_us + 10 * sampling_us).astype(np.int64)


def _merged(stretches: list[Stretch]) -> list[Stretch]:
    """In order, those that touch as one."""
    merged: list[Stretch] = []
    for start, stop in sorted(stretches):
        if merged and start <= merged[-1][1]:
            merged[-1] = (merged[-1][0], max(stop, merged[-1][1]))
        else:
            merged.append((start, stop))
    return merged
