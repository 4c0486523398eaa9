"""How often a clear clue is right: the ceilings of `reedproof.analysis.calibration`.

    PYTHONPATH=tests python tests/accuracy/calibrate.py [--seeds N]

Runs every scenario of tests/scenarios, healthy ones more often, on seeds 1 to N, and prints the table to put
into calibration.py.
"""

from __future__ import annotations

import argparse
from collections import defaultdict
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path

from diagnosis import is_right, scenarios

from analysis.simulated import case_of
from reedproof.analysis.diagnosis import SURE, finding_of, weigh
from reedproof.analysis.finding import Cause
from reedproof.analysis.symptoms import signs_of
from reedproof.sim.scenario import read_scenario

SEEDS = 12
HEALTHY_TIMES = 5  # as many seeds of each healthy scenario
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
    for cause in Cause:
        clear = [right for score, right in by_cause[cause] if score > SURE]
        ceiling = (sum(clear) + 1) / (len(clear) + 2)  # Laplace's rule of succession
        print(f"    Cause.{cause.name}: {ceiling:.2f},  # {sum(clear)} of {len(clear)}")


if __name__ == "__main__":
    main()
