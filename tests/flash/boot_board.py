"""A simulated board with its loader, behind a pty: what avrdude meets when a board is plugged in.

The loaders of older Nanos and of the Mega are those that Debian's package arduino-core-avr brings, unchanged.
That package's loader of newer Nanos and of the Uno is larger than its boot section, so `loader/loader.c`
stands in for it. The simulated chip writes its own flash as the real one does, but takes no time for it.
"""

from __future__ import annotations

import functools
import subprocess
import termios
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from avr_board import MCUS, ROOT, built
from rig import PtyBoard, Simulator, SimulatorError

from reedproof.firmware_image import read_hex

LOADERS = Path("/usr/share/arduino/hardware/arduino/avr/bootloaders")
SPEEDS = {
    getattr(termios, f"B{baud}"): baud for baud in (9600, 19200, 38400, 57600, 115200, 230400, 460800, 500000)
}

START_UP_MS = 65

Damage = Callable[[bytes, int], bytes]  # (bytes, how many came before) -> what arrives of them


@dataclass(frozen=True)
class Loader:
    kind: str  # of MCUS: the chip
    base: int
    size: int  # the whole of its flash


LOADER = {
    "nano": Loader("nano", 0x7E00, 0x8000),
    "uno": Loader("nano", 0x7E00, 0x8000),
    "nano-old": Loader("nano", 0x7800, 0x8000),
    "mega": Loader("mega", 0x3E000, 0x40000),
}


@functools.cache
def loader_code(board: str) -> bytes:
    """What stands at the loader's base."""
    base = LOADER[board].base
    if base == 0x7E00:
        elf = ROOT / "build" / "test-loader.elf"
        elf.parent.mkdir(exist_ok=True)
        compile_line = ["avr-gcc", "-mmcu=atmega328p", "-std=gnu11", "-Os", "-Wall", "-Wextra", "-Werror"]
        link = ["-nostartfiles", f"-Wl,--section-start=.text={base:#x}", "-Wl,--relax"]
        source = Path(__file__).parent / "loader" / "loader.c"
        subprocess.run([*compile_line, *link, str(source), "-o", str(elf)], check=True)
        subprocess.run(["avr-objcopy", "-O", "ihex", str(elf), str(elf.with_suffix(".hex"))], check=True)
        file = elf.with_suffix(".hex")
    else:
        names = {
            "nano-old": "atmega/ATmegaBOOT_168_atmega328.hex",
            "mega": "stk500v2/stk500boot_v2_mega2560.hex",
        }
        file = LOADERS / names[board]
    code = read_hex(file)[base:]
    assert len(code) <= LOADER[board].size - base, f"{file} does not fit into its boot section"
    return code


class BootBoard(PtyBoard):
    """Like PtyBoard with `auto_reset`, and with a loader: board is a key of LOADER.

    application  what is on it, from address 0 on; empty as it comes from the shop
    to_board     damages what the host sends; to_host what it gets
    unplug_at    the board is pulled out when the host has sent this many bytes

    After a reset the chip stands still for 65 ms and hears nothing: the start-up time that the fuses of these
    boards ask for (low fuse 0xFF; data sheet of the ATmega328P, "Low Power Crystal Oscillator"; from memory).
    The line has a speed: where host and board disagree, both hear rubbish. An application that crashes hangs,
    until the next reset.
    """

    def __init__(self, board: str, application: bytes = b"", eeprom: bytes | None = None) -> None:
        self.loader = LOADER[board]
        kind = self.loader.kind
        simulator = Simulator(built(kind), MCUS[kind], eeprom=eeprom)
        super().__init__(simulator, auto_reset=True)
        simulator.write_flash(0, application.ljust(self.loader.base, b"\xff") + loader_code(board))
        simulator.boot_from(self.loader.base)
        simulator.reset("power_on")
        self.to_board: Damage = lambda data, _: data
        self.to_host: Damage = lambda data, _: data
        self.unplug_at: int | None = None
        self.bytes_from_host = 0
        self.bytes_to_host = 0
        self.hung: SimulatorError | None = None
        self._baud = 0
        self._starting_slices = 0

    def flash(self) -> bytes:
        """What is in flash below the loader."""
        return self.simulator.read_flash(0, self.loader.base)

    def _slice(self, cycles: int) -> None:
        super()._slice(cycles)
        if self.unplug_at is not None and self.bytes_from_host >= self.unplug_at:
            self._stop.set()
            self._unplug()

    def _is_opening(self, in_use: bool) -> bool:
        """Also by its new speed: a port closed by one program and opened by the next within a slice."""
        before, is_opening = self._baud, super()._is_opening(in_use)
        if in_use:
            assert self._master is not None
            self._baud = SPEEDS[termios.tcgetattr(self._master)[5]]
            self.simulator.set_line(self._baud)
        is_opening = is_opening or self._baud != before
        if is_opening:
            self.hung = None
            self._starting_slices = START_UP_MS  # slices of PtyBoard take 1 ms
        return is_opening

    def _from_host(self, data: bytes) -> bytes:
        if self.unplug_at is not None:
            data = data[: self.unplug_at - self.bytes_from_host]
        before = self.bytes_from_host
        self.bytes_from_host += len(data)
        return b"" if self._starting_slices else self.to_board(data, before)

    def _run(self, cycles: int) -> None:
        if self._starting_slices:
            self._starting_slices -= 1
        elif self.hung is None:
            try:
                super()._run(cycles)
            except SimulatorError as error:  # half an application may do anything
                self.hung = error

    def _from_board(self) -> bytes:
        data = super()._from_board()
        before = self.bytes_to_host
        self.bytes_to_host += len(data)
        return self.to_host(data, before)
