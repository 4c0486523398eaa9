"""A simulated board of the AVR family that runs the real firmware, see simulated_board.py."""

from __future__ import annotations

import subprocess
from pathlib import Path
from typing import Any

from rig import Simulator

from simulated_board import RECORDS, SAMPLE_US, SimulatedBoard

__all__ = ["RECORDS", "ROOT", "SAMPLE_US", "AvrBoard", "built"]

ROOT = Path(__file__).resolve().parents[2]
MCUS = {"nano": "atmega328p", "mega": "atmega2560"}
CYCLES_PER_US = 16
TCCR1B = 0x81  # not zero once the board's clock runs
LAMPS = {"nano": ("B", 5), "mega": ("B", 7)}
PINS: dict[str, list[tuple[str, int]]] = {
    "nano": [("D", bit) for bit in range(2, 8)]
    + [("B", bit) for bit in range(5)]
    + [("C", bit) for bit in range(5)],
    "mega": [(port, bit) for port in "AFKC" for bit in range(8)],
}


def built(board: str) -> Path:
    """The firmware image in build/, made when it is missing."""
    elf = ROOT / "build" / f"{board}.elf"
    if not elf.exists():
        subprocess.run(["make", "--no-print-directory", f"build/{board}.elf"], cwd=ROOT, check=True)
    return elf


class AvrBoard(SimulatedBoard):
    """A SimulatedBoard; `options` are those of rig.Simulator and of SimulatedBoard."""

    cycles_per_us = CYCLES_PER_US

    def __init__(
        self,
        kind: str = "nano",
        *,
        elf: Path | None = None,
        acknowledge: bool = False,
        slice_us: float = 1000,
        **options: Any,
    ) -> None:
        self.kind = kind
        simulator = Simulator(elf or built(kind), MCUS[kind], **options)
        super().__init__(simulator, PINS[kind], LAMPS[kind], acknowledge=acknowledge, slice_us=slice_us)

    def _clock_start(self) -> int:
        while not self.simulator.read_memory(TCCR1B, 1)[0]:
            self.simulator.run(self.simulator.cycle + 1)
        return int(self.simulator.cycle)
