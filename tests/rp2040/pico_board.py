"""A Pico that runs the real firmware in the emulator, see simulated_board.py."""

from __future__ import annotations

import struct
import subprocess
from pathlib import Path
from typing import Any

from emulator import NV_BYTES, ROOT, PicoEmulator

from simulated_board import SimulatedBoard

PINS = [("GP", number) for number in (*range(23), 26, 27, 28)]
LAMP = ("GP", 25)

BLANK = b"\xff" * NV_BYTES
#: What a board leaves that found its flash blank: saves the emulator 45 ms of erasing at each first boot.
BEGUN = BLANK[: NV_BYTES // 2] + struct.pack("<II", 1, 0xFFFFFFFE) + BLANK[NV_BYTES // 2 + 8 :]


def built() -> Path:
    """The image in build/, made when it is missing."""
    image = ROOT / "build" / "pico.uf2"
    if not image.exists():
        subprocess.run(["make", "--no-print-directory", "build/pico.uf2"], cwd=ROOT, check=True)
    return image


class PicoBoard(SimulatedBoard):
    """A SimulatedBoard; `options` are those of PicoEmulator."""

    cycles_per_us = 1000

    def __init__(
        self,
        image: Path | None = None,
        *,
        acknowledge: bool = False,
        slice_us: float = 1000,
        flash: bytes = BEGUN,
        **options: Any,
    ) -> None:
        emulator = PicoEmulator(image or built(), flash=flash, **options)
        super().__init__(emulator, PINS, LAMP, acknowledge=acknowledge, slice_us=slice_us)

    def close(self) -> None:
        self.simulator.check()
        self.simulator.close()

    def until_reset(self, limit_us: float) -> float:
        """Runs until the board resets by itself; returns how long that took."""
        start_us, resets = self.now_us, self.simulator.resets
        while self.simulator.resets == resets:
            assert self.now_us < start_us + limit_us, f"no reset within {limit_us} us"
            self.run_us(1000)
        self._listen()
        took_us = self.now_us - start_us
        self._restart()
        return took_us

    def _clock_start(self) -> int:
        """The emulator's timer begins with the reset; a real one some milliseconds later."""
        return int(self.simulator.cycle)
