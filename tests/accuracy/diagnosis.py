"""How often a diagnosis is right: every scenario of tests/scenarios on seeds that no rule was tuned on, run
through the boards' own code, diagnosed, and held against what was wrong there.

    PYTHONPATH=tests python tests/accuracy/diagnosis.py [--seeds N] [--healthy N] [--only PART ...]

A finding is right if its cause is that of a fault, and its first contact one of the fault's; where the cause
has none, its board, or one of the trains that look alike to it. Writes diagnosis.md beside this file, unless
only a part is run. Exits with 1 where what is demanded is not kept; --show prints every diagnosis, to look at
a run that failed.
"""

from __future__ import annotations

import argparse
import datetime
import itertools
import json
import sys
import time
from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np

from analysis.simulated import case_of
from reedproof.analysis.case import Case
from reedproof.analysis.confidence import share_interval, share_upper
from reedproof.analysis.diagnosis import diagnose
from reedproof.analysis.finding import Cause, Certainty, Diagnosis, Finding
from reedproof.cli import diagnosis_words
from reedproof.cli.common import console
from reedproof.sim.scenario import ScenarioError, ScenarioFault, read_scenario
from reedproof.tables import read_toml

ROOT = Path(__file__).resolve().parents[2]
SCENARIOS = ROOT / "tests" / "scenarios"
TABLE = Path(__file__).with_suffix(".md")
FIRST_SEED = 60_001  # rules and their calibration were made on smaller ones
SEEDS, HEALTHY = 15, 200  # some six minutes on two cores
BINS = (0.0, 0.5, 0.7, 0.85, 0.95, 1.0)
STUCK_LEAST_S = 5.0  # that a contact sticks, in a scenario
FAILURES_TOLD = 3  # of each scenario
NOTHING = "nothing"


# ---- one run ----


class Said(NamedTuple):
    """One finding of a run: ``meets`` has the places of the faults for which it is right."""

    cause: str
    confidence: float
    meets: tuple[int, ...]

    @property
    def is_sure(self) -> bool:
        """More than possible."""
        return Certainty.of(self.confidence) is not Certainty.POSSIBLE


@dataclass(frozen=True)
class Result:
    """Of one run: what was wrong, as (cause, size), and what was said, the surest first."""

    scenario: str
    seed: int
    faults: tuple[tuple[str, str], ...]
    said: tuple[Said, ...]
    passes: int
    seconds: float

    def is_found(self, fault: int, within: int) -> bool:
        """Among so many findings."""
        return any(fault in each.meets for each in self.said[:within])

    @property
    def first(self) -> str:
        """The cause that is named first, if one is with any confidence."""
        return self.said[0].cause if self.said and self.said[0].is_sure else NOTHING

    @property
    def is_right(self) -> bool:
        """Nothing that is only made up is told, one fault is told first, of two both are among three."""
        if len(self.faults) == 1:
            return self.is_found(0, 1)
        if self.faults:
            return all(self.is_found(fault, 3) for fault in range(len(self.faults)))
        return not any(each.is_sure for each in self.said)


def is_right(finding: Finding, fault: ScenarioFault) -> bool:
    if finding.cause.value != fault.cause.value:
        return False
    contacts = fault.contacts or ([fault.contact] if fault.contact is not None else [])
    if contacts:
        return finding.contacts[:1] != () and finding.contacts[0] in contacts
    if fault.train is not None:
        return fault.train in finding.trains
    return finding.board == fault.board


def has_happened(fault: ScenarioFault, case: Case) -> bool:
    """A contact that sticks by chance may not have done so in a whole run: 0.97^124 is 2 %. Then nothing was
    wrong, and to say so is right."""
    if fault.cause is not Cause.STUCK_CONTACT:
        return True
    (contact,) = (each for each in case.contacts if each.name == fault.contact)
    lasted_ms = np.concatenate([contact.passes.parts_ms.ravel(), contact.extras.ms])
    return bool(np.any(lasted_ms >= 1000 * STUCK_LEAST_S))


def run(path: Path, seed: int) -> tuple[Result, Diagnosis]:
    start_s = time.perf_counter()
    scenario = read_scenario(path)
    case = case_of(scenario, seed)
    found = diagnose(case)
    faults = [fault for fault in scenario.faults if has_happened(fault, case)]
    said = tuple(
        Said(
            finding.cause.value,
            finding.confidence,
            tuple(at for at, fault in enumerate(faults) if is_right(finding, fault)),
        )
        for finding in found.findings
    )
    result = Result(
        path.stem,
        seed,
        tuple((fault.cause.value, fault.mode or str(fault.size)) for fault in faults),
        said,
        sum(len(contact.passes) for contact in case.contacts),
        time.perf_counter() - start_s,
    )
    return result, found


def one_run(path: Path, seed: int) -> Result:
    return run(path, seed)[0]


def replay_line(result: Result) -> str:
    return (
        f"PYTHONPATH=tests .venv/bin/python tests/accuracy/diagnosis.py --only {result.scenario} "
        f"--first {result.seed} --seeds 1 --show"
    )


# ---- tables ----


class Demand(NamedTuple):
    """What the diagnosis has to keep: a share of cases at least."""

    what: str
    right: int
    count: int
    least: float

    @property
    def is_kept(self) -> bool:
        return self.right >= self.least * self.count


def share(right: int, count: int) -> str:
    """'95.0 % (89.4 to 98.1)': the share and its exact interval of 95 %."""
    if not count:
        return "-"
    lower, upper = share_interval(count, right)
    return f"{100 * right / count:.1f} % ({100 * lower:.1f} to {100 * upper:.1f})"


def table(head: Sequence[str], rows: Iterable[Sequence[object]]) -> list[str]:
    return [
        f"| {' | '.join(head)} |",
        f"|{'---|' * len(head)}",
        *(f"| {' | '.join(map(str, row))} |" for row in rows),
        "",
    ]


def singles(results: Sequence[Result]) -> dict[tuple[str, str], list[Result]]:
    """Runs with one fault by cause and size, in the order of the causes."""
    found: dict[tuple[str, str], list[Result]] = {}
    order = [cause.value for cause in Cause]
    for result in sorted(
        (each for each in results if len(each.faults) == 1), key=lambda each: order.index(each.faults[0][0])
    ):
        found.setdefault(result.faults[0], []).append(result)
    return found


def counted(results: Sequence[Result], test: Callable[[Result], bool]) -> int:
    return sum(map(test, results))


def demands(results: Sequence[Result]) -> Iterator[Demand]:
    for (cause, size), runs in singles(results).items():
        first = counted(runs, lambda run: run.is_found(0, 1))
        if size == "moderate":
            yield Demand(f"{cause}, moderate: first", first, len(runs), 0.95)
        if size == "mild":
            yield Demand(f"{cause}, mild: first", first, len(runs), 0.80)
            in_three = counted(runs, lambda run: run.is_found(0, 3))
            yield Demand(f"{cause}, mild: in the top three", in_three, len(runs), 0.95)
    pairs = [result for result in results if len(result.faults) > 1]
    if pairs:
        right = counted(pairs, lambda run: run.is_right)
        yield Demand("two faults: both in the top three", right, len(pairs), 0.85)
    healthy = [result for result in results if not result.faults]
    if healthy:
        right = counted(healthy, lambda run: run.is_right)
        yield Demand("nothing wrong: no finding above possible", right, len(healthy), 1.0)


def single_table(results: Sequence[Result]) -> list[str]:
    rows = []
    for (cause, size), runs in singles(results).items():
        first = counted(runs, lambda run: run.is_found(0, 1))
        told = counted(runs, lambda run: run.is_found(0, 1) and run.said[0].is_sure)
        in_three = counted(runs, lambda run: run.is_found(0, 3))
        count = len(runs)
        rows.append((cause, size, count, share(first, count), share(told, count), share(in_three, count)))
    head = ("cause", "size", "runs", "right cause first", "first, and above possible", "in the top three")
    return table(head, rows)


def confusion(results: Sequence[Result]) -> dict[str, Counter[str]]:
    """What was named first, by what was wrong; runs with one fault and with none."""
    found: dict[str, Counter[str]] = {}
    for result in results:
        if len(result.faults) < 2:
            wrong = result.faults[0][0] if result.faults else NOTHING
            found.setdefault(wrong, Counter())[result.first] += 1
    return found


def confusion_table(results: Sequence[Result]) -> list[str]:
    names = [*(cause.value for cause in Cause), NOTHING]
    found = confusion(results)
    rows = [
        (f"{at} {name}", *(found[name][said] or "" for said in names))
        for at, name in enumerate(names, start=1)
        if name in found
    ]
    return table(("wrong / said first", *(str(at) for at in range(1, len(names))), NOTHING), rows)


def pair_table(results: Sequence[Result]) -> list[str]:
    files = dict.fromkeys(result.scenario for result in results if len(result.faults) > 1)
    rows = []
    for name in files:
        runs = [result for result in results if result.scenario == name]
        wrong = " + ".join(f"{cause} ({size})" for cause, size in runs[0].faults)
        both = counted(runs, lambda run: run.is_right)
        one = counted(runs, lambda run: any(run.is_found(at, 3) for at in range(len(run.faults))))
        rows.append((name, wrong, len(runs), share(both, len(runs)), share(one, len(runs))))
    return table(("scenario", "faults", "runs", "both in the top three", "at least one"), rows)


def healthy_table(results: Sequence[Result]) -> list[str]:
    files = dict.fromkeys(result.scenario for result in results if not result.faults)
    rows = []
    for name in files:
        runs = [result for result in results if result.scenario == name]
        wrong = counted(runs, lambda run: not run.is_right)
        upper = f"{100 * share_upper(len(runs), wrong):.2f} %"
        rows.append((name, len(runs), min(result.passes for result in runs), wrong, upper))
    return table(
        (
            "layout",
            "runs",
            "passes of a run, at least",
            "runs with a finding above possible",
            "at most (95 %)",
        ),
        rows,
    )


class Calibration(NamedTuple):
    low: float
    high: float
    count: int
    right: int
    mean: float


def calibration(said: Sequence[Said]) -> list[Calibration]:
    """Findings by their confidence; a bin has its upper edge in it."""
    found = []
    for low, high in itertools.pairwise(BINS):
        mine = [each for each in said if low < each.confidence <= high]
        mean = sum(each.confidence for each in mine) / max(1, len(mine))
        found.append(Calibration(low, high, len(mine), sum(bool(each.meets) for each in mine), mean))
    return found


def brier(said: Sequence[Said]) -> float | None:
    """The mean squared difference of confidence and truth (Brier, Monthly Weather Review 78, 1950, from
    memory): 0 is perfect, 0.25 what always saying one half gets."""
    if not said:
        return None
    return sum((each.confidence - bool(each.meets)) ** 2 for each in said) / len(said)


def calibration_tables(results: Sequence[Result]) -> list[str]:
    said = [each for result in results for each in result.said]
    rows = [
        (f"{each.low:g} to {each.high:g}", each.count, f"{each.mean:.3f}", share(each.right, each.count))
        for each in calibration(said)
    ]
    lines = table(("confidence", "findings", "mean confidence", "right"), rows)
    score = brier(said)
    lines += [f"Brier score of all findings: {'-' if score is None else f'{score:.4f}'}", ""]
    by_cause = []
    for cause in Cause:
        mine = [each for each in said if each.cause == cause.value]
        score = brier(mine)
        cells = [f"{each.right}/{each.count}" if each.count else "" for each in calibration(mine)]
        by_cause.append((cause.value, len(mine), *cells, "-" if score is None else f"{score:.4f}"))
    bins = [f"{low:g} to {high:g}" for low, high in itertools.pairwise(BINS)]
    return lines + table(("finding", "findings", *bins, "Brier score"), by_cause)


def failures(results: Sequence[Result]) -> Iterator[str]:
    """What was not right, a few of each scenario, with the line that runs it again."""
    told: Counter[str] = Counter()
    for result in results:
        if not result.is_right:
            told[result.scenario] += 1
            if told[result.scenario] <= FAILURES_TOLD:
                said = ", ".join(f"{each.cause} {each.confidence:.2f}" for each in result.said[:3]) or NOTHING
                yield f"{result.scenario}, seed {result.seed}: {said}; again: {replay_line(result)}"


def document(results: Sequence[Result], command: str) -> str:
    """The tables as Markdown."""
    seeds = sorted({result.seed for result in results})
    passes = sorted(result.passes for result in results)
    seconds = sum(result.seconds for result in results) / len(results)
    wanted = list(demands(results))
    lines = [
        "# How often a diagnosis is right",
        "",
        f"Made on {datetime.date.today()} with `{command}`: {len(results)} simulated runs of "
        f"{len({result.scenario for result in results})} scenarios, seeds {seeds[0]} to {seeds[-1]}, "
        f"{passes[0]} to {passes[-1]} passes each (median {passes[len(passes) // 2]}), {seconds:.2f} s each.",
        "",
        "All contacts, magnets and faults are simulated, and the same people wrote them and the rules: how "
        "often it is right on a real layout is not known. Intervals are exact ones of 95 % (Clopper-Pearson) "
        "and tell what the number of runs proves, no more.",
        "",
        "A finding is right if its cause is that of a fault, and its first contact one of the fault's; where "
        "the cause has no contact, its board, or one of the trains that it cannot tell apart. A run in which "
        "a contact was to stick by chance and never did counts as one with nothing wrong.",
        "",
        "## What is demanded",
        "",
        *table(
            ("demand", "at least", "measured", "kept"),
            (
                (
                    each.what, f"{100 * each.least:g} %", share(each.right, each.count),
                    "yes" if each.is_kept else "**no**",
                )
                for each in wanted
            ),
        ),
        "## One fault",
        "",
        *single_table(results),
        "## What was taken for what",
        "",
        "Rows: what was wrong, all sizes together. Columns: what was named first; *nothing* where no finding "
        "was above possible.",
        "",
        *confusion_table(results),
        "## Two faults",
        "",
        *pair_table(results),
        "## Nothing wrong",
        "",
        *healthy_table(results),
        "## Is the confidence true?",
        "",
        "All findings of all runs, by the confidence they were told with.",
        "",
        *calibration_tables(results),
    ]  # fmt: skip
    return "\n".join(lines)


def as_dict(results: Sequence[Result]) -> dict[str, Any]:
    """For JSON."""
    said = [each for result in results for each in result.said]
    return {
        "demands": [{**each._asdict(), "kept": each.is_kept} for each in demands(results)],
        "confusion": {name: dict(found) for name, found in confusion(results).items()},
        "calibration": [each._asdict() for each in calibration(said)],
        "brier": brier(said),
        "runs": [
            {
                "scenario": result.scenario,
                "seed": result.seed,
                "faults": [{"cause": cause, "size": size} for cause, size in result.faults],
                "said": [
                    {"cause": each.cause, "confidence": each.confidence, "right": bool(each.meets)}
                    for each in result.said
                ],
                "right": result.is_right,
                "passes": result.passes,
                "seconds": result.seconds,
            }
            for result in results
        ],
    }


# ---- the whole ----


def scenarios(only: Sequence[str] = ()) -> list[Path]:
    """All of them; a file that others name as their sheet is none."""
    files = sorted(SCENARIOS.glob("*.toml"))
    sheets = {read_toml(path, ScenarioError).get("sheet") for path in files}
    chosen = [path for path in files if path.name not in sheets]
    return [path for path in chosen if not only or any(part in path.stem for part in only)]


def jobs(files: Sequence[Path], first: int, seeds: int, healthy: int | None = None) -> list[tuple[Path, int]]:
    """(scenario, seed) of every run. ``healthy`` of them are shared out among the scenarios without a fault;
    None: those get as many as others."""
    counts = dict.fromkeys(files, seeds)
    if healthy is not None:
        good = [path for path in files if not read_scenario(path).faults]
        for at, path in enumerate(good):
            counts[path] = healthy // len(good) + (at < healthy % len(good))
    return [(path, seed) for path, count in counts.items() for seed in range(first, first + count)]


def campaign(todo: Sequence[tuple[Path, int]], workers: int) -> list[Result]:
    """Runs all, and tells how far it is on stderr."""
    results: list[Result] = []
    began_s = time.monotonic()
    with ProcessPoolExecutor(workers) as pool:
        for result in pool.map(one_run, *zip(*todo, strict=True), chunksize=4):
            results.append(result)
            if len(results) == len(todo) or todo[len(results)][0].stem != result.scenario:
                passed_s = time.monotonic() - began_s
                print(
                    f"{len(results)} of {len(todo)} runs, {passed_s:.0f} s: {result.scenario}",
                    file=sys.stderr,
                )
    return results


def main() -> int:
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--seeds", type=int, default=SEEDS, help="of each scenario with a fault")
    parser.add_argument(
        "--healthy", type=int, default=HEALTHY, help="runs without a fault, all layouts together"
    )
    parser.add_argument("--first", type=int, default=FIRST_SEED, help="the first seed")
    parser.add_argument(
        "--only", nargs="+", default=[], metavar="PART", help="scenarios with this in the name"
    )
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument("--json", action="store_true", help="print one JSON document, write nothing")
    parser.add_argument("--show", action="store_true", help="print every diagnosis instead of tables")
    asked = parser.parse_args()
    files = scenarios(asked.only)
    if not files:
        parser.error(f"no scenario in {SCENARIOS} has {' or '.join(asked.only) or 'any'} in its name")
    todo = jobs(files, asked.first, asked.seeds, None if asked.only else asked.healthy)
    if asked.show:
        out = console()
        for path, seed in todo:
            result, found = run(path, seed)
            wrong = ", ".join(f"{cause} ({size})" for cause, size in result.faults) or NOTHING
            out.print(
                f"{path.stem}, seed {seed}, wrong: {wrong}; {'right' if result.is_right else 'NOT right'}"
            )
            diagnosis_words.show(found, out)
        return 0
    results = campaign(todo, asked.jobs)
    for line in failures(results):
        print(line, file=sys.stderr)
    if asked.json:
        print(json.dumps(as_dict(results), indent=2))
    else:
        command = f"PYTHONPATH=tests python {' '.join(['tests/accuracy/diagnosis.py', *sys.argv[1:]])}"
        text = document(results, command)
        print(text)
        if not asked.only:
            TABLE.write_text(text, encoding="utf-8")
    missed = [each for each in demands(results) if not each.is_kept]
    for each in missed:
        print(
            f"NOT KEPT: {each.what}: {each.right} of {each.count}, {each.least:.0%} wanted", file=sys.stderr
        )
    return 1 if missed else 0


if __name__ == "__main__":
    sys.exit(main())
