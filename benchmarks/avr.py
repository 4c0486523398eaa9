"""The Nano's firmware, measured in cycles of the simulated chip: the same on every machine, at every run."""

from __future__ import annotations

import contextlib
import random
import re
import subprocess
import sys
import tempfile
from collections.abc import Callable, Iterator
from pathlib import Path

ROOT = Path(__file__).resolve().parents[1]
sys.path[:0] = [str(ROOT / "tests" / "avr"), str(ROOT / "tests")]

from avr_board import MCUS, AvrBoard, built  # noqa: E402
from rig import Program, Simulator  # noqa: E402

from reedproof.records import (  # noqa: E402
    Arm,
    Blink,
    Broke,
    GetSettings,
    Made,
    SayHello,
    Selftest,
    SetBoard,
    SetInput,
    SetTrace,
    TimeProbe,
)

Report = Callable[[str, float, str, str], None]

SAMPLING_VECTOR = 7
VECTORS = {7: "sampling", 13: "clock overflow", 18: "byte received", 19: "byte sent"}
CYCLES_PER_SAMPLE = 800
FREQUENT = SetBoard(stuck_ms=60_000, silent_ms=600_000, traffic=0, chatter_edges=254)


def run(report: Report) -> None:
    idle = sampling(report)
    plain = counter_loop()
    report("sampling interrupt / counter loop", idle / plain, "", "<= 0.12")
    throughput(report)
    memory(report)


def sampling(report: Report) -> int:
    """Cycles of the sampling interrupt when nothing changes; reports what it costs in every case."""
    board = AvrBoard()
    board.run_us(50_000)
    for vector in VECTORS:
        board.simulator.interrupt_cycles(vector)
    start_cycle = board.simulator.cycle
    board.run_us(200_000)
    spent = {vector: board.simulator.interrupt_cycles(vector) for vector in VECTORS}
    elapsed = board.simulator.cycle - start_cycle
    idle = max(spent[SAMPLING_VECTOR])
    report("sampling interrupt, nothing changed", idle, "cycles", "<= 55")
    report("interrupt load, idle", 100 * sum(map(sum, spent.values())) / elapsed, "%", "<= 8")

    for count in (1, 8, 16):
        changed = 0
        for closed in (True, False) * 4:
            for number in range(1, count + 1):
                board.drive(17 - number, 0 if closed else None, board.now_us + 10)
            board.run_us(5000)
            changed = max(changed, *board.simulator.interrupt_cycles(SAMPLING_VECTOR))
        report(f"sampling interrupt, {count} of 16 inputs changed", changed, "cycles", "<= 140")
    board.close()
    return idle


@contextlib.contextmanager
def counter_loop_board() -> Iterator[Simulator]:
    """A chip that runs counter_loop.c, built with the flags of the firmware."""
    flags = re.findall(r"^AVR_FLAGS := (.*?[^\\])$", (ROOT / "Makefile").read_text(), re.M | re.S)[0]
    warnings = re.findall(r"^WARNINGS := (.*)$", (ROOT / "Makefile").read_text(), re.M)[0]
    options = flags.replace("\\\n", " ").replace("$(WARNINGS)", warnings).split()
    with tempfile.TemporaryDirectory() as folder:
        elf = Path(folder) / "counter_loop.elf"
        compiler = ["avr-gcc", f"-mmcu={MCUS['nano']}", "-DF_CPU=16000000UL", *options]
        source = Path(__file__).with_name("counter_loop.c")
        subprocess.run([*compiler, str(source), "-o", str(elf)], check=True)
        with Simulator(elf) as simulator:
            yield simulator


def counter_loop() -> int:
    """Cycles of the plain interrupt when nothing changes."""
    with counter_loop_board() as simulator:
        simulator.run_us(20_000)
        return max(simulator.interrupt_cycles(SAMPLING_VECTOR))


def carries(closures_per_s: float, host_us: float) -> bool:
    """Whether two seconds of closures at this rate arrive whole; the host looks every `host_us`."""
    board = AvrBoard(acknowledge=True, slice_us=host_us)
    board.greet()
    board.command(FREQUENT)
    board.run_us(400_000)
    begin_us, count = board.now_us + 1000, round(2 * closures_per_s)
    for i in range(count):
        made_us = begin_us + i * 1e6 / closures_per_s
        board.play([(made_us, i % 16 + 1, True), (made_us + 1500, i % 16 + 1, False)])
    board.run_us(2_030_000)
    beats = board.counters().values()
    found = [sum(isinstance(record, kind) for record in board.stored) for kind in (Made, Broke)]
    board.check_ledger()
    board.close()
    return found == [count, count] and sum(beat.lost for beat in beats) == 0


def throughput(report: Report) -> None:
    for host_us, target in ((10_000, ">= 900"), (100, "")):
        low, high = 100, 1300
        while high - low > 5:
            middle = (low + high) // 2
            low, high = (middle, high) if carries(middle, host_us) else (low, middle)
        report(f"closures a second, host acknowledges within {host_us / 1000:g} ms", low, "/s", target)


def heaviest_load() -> AvrBoard:
    """Everything at once: bouncing on all inputs, trace, faults coming and going, every command."""
    board = AvrBoard(acknowledge=True, slice_us=100)
    board.greet()
    chance = random.Random(1)
    begin_us = board.now_us + 1000
    end_us = begin_us + 2_400_000
    edges = []
    for number in range(1, board.inputs + 1):
        at_us = begin_us + chance.randrange(1000)
        while at_us < end_us:
            for _ in range(chance.randrange(1, 6)):
                edges += [(at_us, number, True), (at_us + chance.randrange(30, 200), number, False)]
                at_us += chance.randrange(250, 600)
            edges += [(at_us, number, True), (at_us + chance.randrange(1200, 3000), number, False)]
            at_us += chance.randrange(8000, 15_000)
    board.play(edges)
    commands = [
        SayHello(),
        TimeProbe(77),
        GetSettings(),
        SetInput(0, 500, 1000),
        SetInput(0, 1000, 10_000),
        SetBoard(1, 1, 1, 5),
        SetBoard(1, 1, 1, 40),
        SetBoard(0, 0, 0, 254),
        Arm(0xFFFF),
        Arm(0),
        SetTrace(0xFFFF),
        Blink(3),
        Selftest(),
    ]
    while board.now_us < end_us:
        board.run_us(chance.randrange(500, 3000))
        board.say(chance.choice(commands))
        board.messages()
    board.run_us(400_000)
    return board


def memory(report: Report) -> None:
    board = heaviest_load()
    report("stack never used, heaviest load", board.simulator.stack_headroom(), "bytes", ">= 256")
    longest = max(max(board.simulator.interrupt_cycles(vector)) for vector in VECTORS)
    report("longest interrupt", longest, "cycles", "<= 320")
    board.close()

    program = Program(built("nano"))
    report("flash", len(program.flash), "bytes", "<= 12288")
    report("static RAM", program.data_address("_end") - 0x100, "bytes", "<= 1536")
    ring = AvrBoard()
    report("record ring", ring.greet().ring, "cells", ">= 64")
    ring.close()
