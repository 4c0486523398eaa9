#!/usr/bin/env python3
"""Proves with Frama-C that the core has no run-time errors: see "Proofs" in DEVELOPERS.md.

WP proves the contracts in the sources of PROVED. Eva makes every call of the device from every sound state
(tests/proofs/calls.c) and relies on those contracts. Ends with 1 on any alarm, any goal or invariant that is
not proved, and any statement of the core that neither has seen.
"""

from __future__ import annotations

import csv
import os
import re
import subprocess
import sys
import tempfile
import time
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from pathlib import Path

ROOT = Path(__file__).resolve().parents[1]
CORE_FILES = sorted((ROOT / "firmware" / "core").glob("*.[ch]"))
CORE = [path for path in CORE_FILES if path.suffix == ".c"]
CALLS = ROOT / "tests" / "proofs" / "calls.c"
TIME_LIMIT_S = 600  # of one run; none takes a quarter of it

#: Inputs, cells of the ring, and a machine with the same int; Frama-C has no AVR.
BOARDS = {"nano, uno": (16, 64, "x86_16"), "mega": (32, 128, "x86_16"), "pico, virtual": (32, 128, "x86_32")}

#: Proved by WP, in one run each.
PROVED = (("record_ring",), ("frame", "cobs"))
WP = ("-wp", "-wp-rte", "-wp-prover", "z3,cvc4", "-wp-timeout", "60", "-wp-par", "2", "-wp-cache", "none")

#: Their contracts stand for these: Eva does not know that the ring's counts belong together.
BY_CONTRACT = "record_ring_init,record_ring_push,record_ring_acknowledge,record_ring_rewind"
#: Which fields of an event are set depends on its kind; inlined, the kinds can be kept apart.
INLINED = (
    "debounce_settle",
    "debounce_edge",
    "settle",
    "make",
    "give_up_making",
    "give_up_breaking",
    "release",
)
#: Whether there is a frame or a record is kept apart from there not being one.
APART = ("frame_take", "record_ring_next", "device_store")
APART_WITHIN = ("is_good", "device_receive", "send_record", "message_record", "message_trace", "prove_store")
#: Of case labels that share a body Eva calls all but the last unseen.
SHARED_LABELS = ("command_length", "message_is_well_formed")
EVA = (
    *("-eva", "-eva-no-print", "-eva-no-show-progress"),
    *("-eva-domains", "bitwise", "-eva-ilevel", "64", "-eva-use-spec", BY_CONTRACT),
    *("-inline-calls", ",".join(INLINED)),
    *("-eva-split-return-function", ",".join(f"{name}:0" for name in APART)),
    *("-eva-slevel-function", ",".join(f"{name}:50" for name in (*APART, *APART_WITHIN))),
    *("-then", "-metrics", "-metrics-eva-cover"),
)


@dataclass
class Outcome:
    """What one run showed."""

    wrong: list[str] = field(default_factory=list)
    reached: dict[str, float] = field(default_factory=dict)  # per cent of each function's statements
    told: str = ""


@dataclass
class Property:
    """A line of Frama-C's report."""

    place: str
    stem: str
    function: str
    kind: str
    status: str
    text: str

    def is_left_to_wp(self) -> bool:
        return self.kind in ("postcondition", "loop invariant") and any(self.stem in run for run in PROVED)


def frama_c(board: str, sources: list[Path], options: tuple[str, ...]) -> tuple[str, list[Property]]:
    """What Frama-C prints, and the properties that it met."""
    inputs, ring, machine = BOARDS[board]
    macros = f"-Ifirmware/core -DREEDPROOF_INPUTS={inputs} -DREEDPROOF_RING={ring} -Dvolatile="
    with tempfile.TemporaryDirectory() as folder:
        report = Path(folder) / "report.csv"
        command = ["frama-c", "-machdep", machine, "-c11", f"-cpp-extra-args={macros}"]
        command += [*map(str, sources), *options, "-then", "-report-csv", str(report)]
        done = subprocess.run(
            command, cwd=ROOT, capture_output=True, text=True, check=False, timeout=TIME_LIMIT_S
        )
        if done.returncode != 0:
            raise RuntimeError(f"{' '.join(command)}\n{done.stdout}{done.stderr}")
        with report.open(newline="") as file:
            lines = list(csv.reader(file, delimiter="\t", quoting=csv.QUOTE_NONE))[1:]
    return done.stdout, [
        Property(f"{folder}/{name}:{line}", Path(name).stem, function, kind, status, text)
        for folder, name, line, function, kind, status, text in lines
    ]


def not_valid(properties: list[Property], besides: tuple[str, ...] = ()) -> list[str]:
    fine = ("Valid", "Considered valid", *besides)
    wrong = [p for p in properties if p.status not in fine]
    return [f"{p.place}: {p.function}: {p.kind}: {p.text} ({p.status})" for p in wrong]


def eva(board: str, driver: str) -> Outcome:
    sources = [path for path in CORE if path.stem not in ("device", "selftest")]
    output, properties = frama_c(board, [*sources, CALLS], ("-main", driver, *EVA))
    # Dead is what this driver has no call of; that some driver has is seen to in unseen().
    outcome = Outcome(not_valid([p for p in properties if not p.is_left_to_wp()], ("Dead",)))
    coverage = re.findall(r"^  (\w+?)(?:_\d+)?: \d+ stmts out of \d+ \(([\d.]+)%\)", output, re.MULTILINE)
    for name, percent in coverage:
        outcome.reached[name] = max(float(percent), outcome.reached.get(name, 0))
    if outcome.reached.get(driver) != 100:
        outcome.wrong.append(f"{driver}: the analysis did not come to its end")
    outcome.told = f"{len(outcome.reached)} functions, {len(properties)} properties"
    return outcome


def wp(board: str, stems: tuple[str, ...]) -> Outcome:
    output, properties = frama_c(board, [path for path in CORE if path.stem in stems], WP)
    outcome = Outcome(not_valid(properties))
    goals = re.search(r"Proved goals: +(\d+) / (\d+)", output)
    if goals is None or int(goals[2]) == 0 or goals[1] != goals[2]:
        outcome.wrong.append(goals[0] if goals else "no goals")
    for name in functions_of(stems):
        outcome.reached[name] = 100
    outcome.told = goals[0].lower() if goals else ""
    return outcome


def functions_of(stems: tuple[str, ...]) -> set[str]:
    """Functions that the core defines, inline ones among them."""
    paths = [path for path in CORE_FILES if path.stem in stems]
    definition = re.compile(r"^(?!typedef)\w[^;{}=/]*?\b(\w+)\([^;{}]*\) \{$", re.MULTILINE)
    return {name for path in paths for name in definition.findall(path.read_text())}


def unseen(outcomes: list[Outcome]) -> list[str]:
    """Functions of the core with statements that no run has seen."""
    wanted = functions_of(tuple(path.stem for path in CORE_FILES))
    reached = {name: 0.0 for name in wanted}
    for outcome in outcomes:
        for name, percent in outcome.reached.items():
            reached[name] = max(reached.get(name, 0), percent)
    return [
        f"{name}: {reached[name]} % of its statements seen"
        for name in sorted(wanted)
        if name not in INLINED and reached[name] != 100 and not (name in SHARED_LABELS and reached[name])
    ]


def main() -> None:
    drivers = re.findall(r"^void (prove_\w+)\(void\)", CALLS.read_text(), re.MULTILINE)
    jobs = [(board, wp, stems) for board in BOARDS for stems in PROVED]
    jobs += [(board, eva, driver) for board in BOARDS for driver in drivers]
    failed = False

    def run(job: tuple) -> Outcome:
        board, prove, what = job
        start_s = time.monotonic()
        try:
            outcome = prove(board, what)
        except (RuntimeError, subprocess.TimeoutExpired) as error:
            outcome = Outcome([str(error)])
        name = what if prove is eva else f"wp {' '.join(what)}"
        verdict = "NOT PROVED" if outcome.wrong else "proved"
        took_s = time.monotonic() - start_s
        print(f"{board:14} {name:22} {verdict:10} {took_s:4.0f} s  {outcome.told}", flush=True)
        return outcome

    with ThreadPoolExecutor(os.cpu_count()) as pool:
        outcomes = list(pool.map(run, jobs))
    for board in BOARDS:
        of_board = [outcome for outcome, job in zip(outcomes, jobs, strict=True) if job[0] == board]
        wrong = [text for outcome in of_board for text in outcome.wrong] + unseen(of_board)
        for text in wrong:
            print(f"{board}: {text}")
        failed = failed or bool(wrong)
    sys.exit(int(failed))


if __name__ == "__main__":
    main()
