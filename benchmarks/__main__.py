"""`make bench`: what is fast and how fast, as ratios measured side by side in this run.

These are measurements, not tests: a busy machine can miss a target. Exits with 1 when one is missed.
"""

from __future__ import annotations

import re
import sys

from rich.console import Console

from benchmarks import avr, host, passes, run, store, storm
from reedproof.cli.common import table

COMPARE = {"<=": float.__le__, ">=": float.__ge__}


def main() -> int:
    rows = table("what", ">measured", "", "target", "")
    missed = 0

    def report(name: str, value: float, unit: str, target: str) -> None:
        nonlocal missed
        verdict = ""
        found = re.fullmatch(r"([<>]=) ([\d.]+)", target)
        if found:
            met = COMPARE[found[1]](float(value), float(found[2]))
            missed += not met
            verdict = "met" if met else "MISSED"
        rows.add_row(name, f"{value:.3g}" if value < 100 else f"{value:.0f}", unit, target, verdict)

    avr.run(report)
    storm.run(report)
    host.run(report)
    passes.run(report)
    store.run(report)
    run.run(report)
    Console(width=110).print(rows)
    return 1 if missed else 0


if __name__ == "__main__":
    sys.exit(main())
