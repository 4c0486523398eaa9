"""Fits the curves of `reedproof.analysis.calibration`: how often a clue of a given score is right.

    PYTHONPATH=tests python tests/accuracy/calibrate.py [--seeds N]

Runs every scenario of tests/scenarios, healthy ones more often, on seeds 1 to N, and prints the table to put
into calibration.py. Curves of causes with few clues lean on the one of all causes together.
"""

from __future__ import annotations

import argparse
from collections import defaultdict
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path

import numpy as np
from diagnosis import is_right, scenarios
from numpy.typing import NDArray
from scipy.optimize import minimize
from scipy.special import expit

from analysis.simulated import case_of
from reedproof.analysis.diagnosis import LEFT, finding_of, weigh
from reedproof.analysis.finding import Cause
from reedproof.analysis.symptoms import signs_of
from reedproof.sim.scenario import read_scenario

SEEDS = 12
HEALTHY_TIMES = 5  # as many seeds of each healthy scenario
#: How much a curve leans on the one of all causes: the weight of its distance, squared, in clues.
LEANING = 2.0

Scored = tuple[Cause, float, bool]


def clues_of(job: tuple[Path, int]) -> list[Scored]:
    """Cause, score, and whether it was right, of every clue."""
    path, seed = job
    scenario = read_scenario(path)
    signs = signs_of(case_of(scenario, seed))
    clues = [
        clue for clue in weigh(signs) if clue.score > LEFT
    ]  # what is explained by another one is no guess
    findings = [finding_of(signs.case, clue) for clue in clues]
    right = [any(is_right(finding, fault) for fault in scenario.faults) for finding in findings]
    return [(clue.cause, clue.score, good) for clue, good in zip(clues, right, strict=True)]


def fitted(
    scores: NDArray[np.float64], right: NDArray[np.bool_], towards: tuple[float, float] | None = None
) -> tuple[float, float]:
    """Offset and slope of a logistic curve of most likelihood; ``towards``: those that it leans on."""

    def cost(parameters: NDArray[np.float64]) -> float:
        odds = parameters[0] + parameters[1] * scores
        total = float(np.sum(np.logaddexp(0, np.where(right, -odds, odds))))
        if towards is not None:
            total += LEANING * float(np.sum((parameters - np.array(towards)) ** 2))
        return total

    found = minimize(cost, np.array(towards or (0.0, 1.0)), bounds=[(-10, 10), (0.05, 3)]).x
    return float(found[0]), float(found[1])


def main() -> None:
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("--seeds", type=int, default=SEEDS)
    seeds = options.parse_args().seeds
    jobs = [
        (path, seed)
        for path in scenarios()
        for seed in range(1, 1 + seeds * (HEALTHY_TIMES if path.stem.startswith("healthy") else 1))
    ]
    by_cause: defaultdict[Cause, list[tuple[float, bool]]] = defaultdict(list)
    with ProcessPoolExecutor(2) as pool:
        for scored in pool.map(clues_of, jobs, chunksize=8):
            for cause, score, right in scored:
                by_cause[cause].append((score, right))
    everything = [each for clues in by_cause.values() for each in clues]
    together = fitted(*map(np.array, zip(*everything, strict=True)))
    print(f"# {len(jobs)} runs, seeds 1 to {seeds} ({HEALTHY_TIMES} times as many of healthy ones)")
    for cause in Cause:
        clues = by_cause[cause] or [(0.0, False)]
        offset, slope = fitted(*map(np.array, zip(*clues, strict=True)), towards=together)
        right = sum(right for _, right in clues)
        at = ", ".join(f"{score}: {expit(offset + slope * score):.2f}" for score in range(0, 11, 2))
        print(f"    Cause.{cause.name}: ({offset:.2f}, {slope:.2f}),")
        print(f"    #   {right} right, {len(clues) - right} wrong; {at}")


if __name__ == "__main__":
    main()
