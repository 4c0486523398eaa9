"""How often clues are right: the numbers of `reedproof.analysis.calibration`.

    PYTHONPATH=tests python tests/accuracy/calibrate.py [--seeds N]

Runs every scenario of tests/scenarios, healthy ones more often, on seeds 1 to N, and prints what to put into
calibration.py: how often clear clues of each cause are right. Beside it, the slope and the middle that make
all clues together most likely (maximum likelihood): as long as they are near 1 and 0, none is needed there.
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
from reedproof.analysis.diagnosis import SURE, finding_of, weigh
from reedproof.analysis.finding import Cause
from reedproof.analysis.symptoms import signs_of
from reedproof.sim.scenario import read_scenario

SEEDS = 12
HEALTHY_TIMES = 5  # as many seeds of each healthy scenario
Floats = NDArray[np.float64]
Scored = tuple[Cause, float, bool]


def clues_of(job: tuple[Path, int]) -> list[Scored]:
    """Cause, score, and whether it was right, of every clue."""
    path, seed = job
    scenario = read_scenario(path)
    signs = signs_of(case_of(scenario, seed))
    clues = weigh(signs)
    findings = [finding_of(signs.case, clue) for clue in clues]
    right = [any(is_right(finding, fault) for fault in scenario.faults) for finding in findings]
    return [(clue.cause, clue.score, good) for clue, good in zip(clues, right, strict=True)]


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
    print(f"# {len(jobs)} runs, seeds 1 to {seeds} ({HEALTHY_TIMES} times as many of healthy ones)")
    scores, ceilings, right = [], [], []
    for cause in Cause:
        clear = [good for score, good in by_cause[cause] if score > SURE]
        ceiling = (sum(clear) + 1) / (len(clear) + 2)  # Laplace's rule of succession
        print(f"    Cause.{cause.name}: {ceiling:.2f},  # {sum(clear)} of {len(clear)}")
        for score, good in by_cause[cause]:
            scores.append(score)
            ceilings.append(ceiling)
            right.append(good)
    slope, middle = fitted(np.array(scores), np.array(ceilings), np.array(right))
    print(f"SLOPE, MIDDLE = {slope:.2f}, {middle:.2f}  # {len(scores)} clues")


def fitted(scores: Floats, ceilings: Floats, right: NDArray[np.bool_]) -> tuple[float, float]:
    """Of ceiling x expit(slope x (score - middle)) = the chance that a clue is right."""

    def unlikely(values: Floats) -> float:
        chances = ceilings * expit(values[0] * (scores - values[1]))
        return -float(np.log(np.where(right, chances, 1 - chances) + 1e-12).sum())

    found = minimize(unlikely, np.array([1.0, 0.0]), method="Nelder-Mead")
    return float(found.x[0]), float(found.x[1])


if __name__ == "__main__":
    main()
