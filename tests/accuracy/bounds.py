"""How often the bounds of a report hold: simulated trains over the boards' own code, counted by the
accounting, bounded, and held against the chances that were simulated.

    python tests/accuracy/bounds.py [--runs N] [--jobs N]

Exits with 1 where a bound of 95 % covers less than 95 % of the contacts, beyond what chance explains.
"""

from __future__ import annotations

import argparse
import sys
from concurrent.futures import ProcessPoolExecutor

import numpy as np
from scipy.stats import binom

from analysis.trains import sheet_of
from reedproof.analysis import passes
from reedproof.analysis.plans import HoursPlan, PassesPlan
from reedproof.analysis.statement import statement
from reedproof.sim.layout import Conditions, VirtualLayout

LAPS = 150
CONTACTS = 6
START_S = 1.7e9
KINDS = (
    "misses, fixed plan",
    "extra closures, fixed plan",
    "misses, at any time",
    "extra closures, at any time",
)


def covered(seed: int) -> list[list[bool]]:
    """Of each contact of a run, whether each kind of bound covers what was simulated."""
    chance = np.random.default_rng(seed)
    sheet = sheet_of(CONTACTS)
    names = [contact.name for contact in sheet.contacts]
    miss = dict(zip(names, chance.uniform(0.0, 0.05, CONTACTS).tolist(), strict=True))
    extra = dict(zip(names, chance.uniform(0.0, 0.05, CONTACTS).tolist(), strict=True))
    layout = VirtualLayout(sheet, LAPS, seed=seed, conditions=Conditions(miss=miss, extra=extra))
    account = passes.account(sheet, [layout.replayed(START_S)])
    # The least that each contact may have seen: a plan that every contact has come to the end of.
    planned = min(count.passes_range[0] for count in account.contacts)
    fixed = statement(account, PassesPlan(planned), stopped_as_planned=True)
    anytime = statement(account, HoursPlan(1.0), stopped_as_planned=False)
    return [
        [
            first.alone.miss_upper >= miss[name],
            first.alone.extra_upper >= extra[name],
            second.alone.miss_upper >= miss[name],
            second.alone.extra_upper >= extra[name],
        ]
        for name, first, second in zip(names, fixed.contacts, anytime.contacts, strict=True)
    ]


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--runs", type=int, default=1000)
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument("--seed", type=int, default=0, help="of the first run")
    asked = parser.parse_args()
    with ProcessPoolExecutor(asked.jobs) as pool:
        seeds = range(asked.seed, asked.seed + asked.runs)
        found = np.array(list(pool.map(covered, seeds, chunksize=8))).reshape(-1, len(KINDS))
    least = binom.ppf(0.001, len(found), 0.95) / len(found)
    failed = 0
    for name, share in zip(KINDS, found.mean(axis=0), strict=True):
        failed += share < least
        print(f"{name:30} {share:8.2%} of {len(found)} contacts in {asked.runs} runs")
    return 1 if failed else 0


if __name__ == "__main__":
    sys.exit(main())
