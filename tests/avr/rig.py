"""Runs a real AVR binary, cycle by cycle, inside a test.

`Simulator` wraps shim.c, which holds everything that touches simavr and says what it models better than
simavr does, and what it does not model. `PtyBoard` puts a running simulator behind a pseudo-terminal, so that
host software can open it like a serial port.

The shim needs a C compiler and libsimavr-dev. It is compiled on first use into `build/`, under a name made of
the hash of its source: an edited shim can never be mistaken for its predecessor. simavr is under the GNU GPL
version 3, so the result is for tests only and is never shipped.
"""

from __future__ import annotations

import contextlib
import ctypes
import functools
import hashlib
import inspect
import os
import pty
import select
import struct
import subprocess
import termios
import threading
import time
import tty
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path
from types import TracebackType

from retired_lines import retire

BUILD = Path(__file__).resolve().parents[2] / "build"
SHIM = Path(__file__).with_name("shim.c")
RESET_CAUSES = ("power_on", "external", "brown_out", "watchdog")  # in the order of `enum cause`
OUTCOMES = (
    "",
    "crashed",
    "went to sleep for good: interrupts are off",
    "did something the chip does not have",
)

RAM_BASE = 0x800000  # where the AVR tools put data addresses, so that they differ from flash addresses
EEPROM_BASE = 0x810000
EEPROM_END = 0x820000

NEVER = 2**64 - 1  # a cycle that does not come

_DRIVE = struct.Struct("=QIBBbx")  # struct drive


class SimulatorError(Exception):
    """The simulated core cannot go on, or was used in a way that cannot be honoured."""


class _CounterNames:
    """The fields of struct counters in shim.c, in its order."""

    idle_cycles: int
    resets: int
    stack_low: int
    drives_scheduled: int
    drives_applied: int
    drives_waiting: int
    pin_changes_made: int
    pin_changes_seen: int
    bytes_sent: int
    bytes_on_line: int
    bytes_received: int
    bytes_ignored: int
    overruns: int
    misframed: int
    bytes_written: int
    bytes_transmitted: int
    bytes_in_flight: int
    bytes_aborted: int
    bytes_refused: int
    contentions: int
    port_writes: int


class Counters(_CounterNames, ctypes.Structure):
    """struct counters of shim.c: a live view, not a copy."""

    _fields_ = [(name, ctypes.c_uint64) for name in inspect.get_annotations(_CounterNames)]


@dataclass(frozen=True)
class Ledger:
    """What went in and out of a simulator; `check` fails if anything was lost on the way."""

    drives_given: int  # counted in Python; the rest but `bytes_given` and `bytes_kept` in C
    drives_applied: int
    drives_waiting: int
    pin_changes_made: int  # by the nets
    pin_changes_seen: int  # by the core
    bytes_given: int  # to send()
    bytes_on_line: int
    bytes_received: int
    bytes_ignored: int  # came while the receiver was off
    bytes_overrun: int
    bytes_misframed: int  # among the received: the board's speed does not match the line's
    bytes_written: int  # by the firmware
    bytes_refused: int  # written while there was no room or the transmitter was off; not among the written
    bytes_kept: int  # handed out by output(), or waiting for it
    bytes_in_flight: int
    bytes_aborted: int  # by a reset

    def check(self) -> None:
        """Raises SimulatorError unless every count adds up."""
        sums = {
            "drives": (self.drives_given, self.drives_applied + self.drives_waiting),
            "pin changes": (self.pin_changes_made, self.pin_changes_seen),
            "bytes in": (
                self.bytes_given,
                self.bytes_on_line + self.bytes_received + self.bytes_ignored + self.bytes_overrun,
            ),
            "bytes out": (self.bytes_written, self.bytes_kept + self.bytes_in_flight + self.bytes_aborted),
        }
        for what, (given, found) in sums.items():
            if given != found:
                raise SimulatorError(f"the rig lost {what}: {given} given, {found} accounted for; {self}")


@functools.cache
def _shim() -> ctypes.CDLL:
    return _load(_built_shim())


def _built_shim() -> Path:
    compiler = ["cc", "-O2", "-std=gnu11", "-Wall", "-Wextra", "-Werror", "-shared", "-fPIC"]
    libraries = ["-I/usr/include/simavr", "-lsimavr", "-lutil"]
    key = hashlib.sha256(SHIM.read_bytes() + " ".join(compiler + libraries).encode()).hexdigest()[:16]
    target = BUILD / f"avr-rig-{key}.so"
    if not target.exists():
        BUILD.mkdir(exist_ok=True)
        # Several test processes may get here at once: each writes its own file; the last one to finish wins.
        fresh = target.with_suffix(f".{os.getpid()}")
        done = subprocess.run(
            [*compiler, str(SHIM), *libraries, "-o", str(fresh)], capture_output=True, text=True, check=False
        )
        if done.returncode:
            raise SimulatorError(f"shim.c does not compile (is libsimavr-dev installed?):\n{done.stderr}")
        fresh.replace(target)
    return target


def _load(library: Path) -> ctypes.CDLL:
    shim = ctypes.CDLL(str(library))
    rig, size, cycle, text = ctypes.c_void_p, ctypes.c_size_t, ctypes.c_uint64, ctypes.c_char_p
    number, word = ctypes.c_int, ctypes.c_uint32
    signatures: dict[str, tuple[object, list[object]]] = {
        "open": (rig, [text, word, text, word, word, word, cycle, number]),
        "close": (None, [rig]),
        "run": (number, [rig, cycle]),
        "reset": (None, [rig, number]),
        "has_pin": (number, [rig, number, number]),
        "drive_now": (None, [rig, number, number, number]),
        "drive": (number, [rig, text, size]),
        "join": (None, [rig, number, number, number, number]),
        "pin": (number, [rig, number, number]),
        "send": (None, [rig, text, size, cycle]),
        "set_line": (None, [rig, word]),
        "output_count": (size, [rig]),
        "take_output": (None, [rig, rig, rig]),
        "service_count": (size, [rig, number]),
        "take_services": (cycle, [rig, number, rig]),
        "cycle": (cycle, [rig]),
        "pc": (word, [rig]),
        "message": (text, [rig]),
        "counters": (ctypes.POINTER(Counters), [rig]),
        "counters_size": (size, []),
        "eeprom_size": (size, [rig]),
        "get_eeprom": (None, [rig, rig]),
        "set_eeprom": (None, [rig, text]),
        "read_memory": (number, [rig, word, size, rig]),
        "boot_from": (None, [rig, word]),
        "read_flash": (number, [rig, word, size, rig]),
        "write_flash": (number, [rig, word, size, text]),
    }
    for name, (result, arguments) in signatures.items():
        function = getattr(shim, f"rig_{name}")
        function.restype = result
        function.argtypes = arguments
    if shim.rig_counters_size() != ctypes.sizeof(Counters):
        raise SimulatorError("Counters in rig.py and struct counters in shim.c differ")
    return shim


class Program:
    """The parts of an AVR ELF file that end up on the chip, and its symbols."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self.flash = bytearray()
        self.eeprom = bytearray()
        self.symbols: dict[str, set[int]] = {}
        self._image = path.read_bytes()
        if self._image[:6] != b"\x7fELF\x01\x01":
            raise SimulatorError(f"{path} is not a 32-bit little-endian ELF file")
        try:
            self._read_segments()
            self._read_symbols()
        except (struct.error, IndexError) as error:
            raise SimulatorError(f"{path} is cut short or damaged: {error}") from error

    def _read_segments(self) -> None:
        offset, size, count = (
            *struct.unpack_from("<I", self._image, 28),
            *struct.unpack_from("<HH", self._image, 42),
        )
        for i in range(count):
            kind, start, _, address, length = struct.unpack_from("<5I", self._image, offset + i * size)
            if kind != 1 or not length:  # PT_LOAD
                continue
            body = self._image[start : start + length]
            if len(body) != length:
                raise IndexError("a segment reaches past the end of the file")
            if address < RAM_BASE:
                self._place(self.flash, address, body)
            elif EEPROM_BASE <= address < EEPROM_END:
                self._place(self.eeprom, address - EEPROM_BASE, body)

    @staticmethod
    def _place(memory: bytearray, address: int, body: bytes) -> None:
        memory.extend(b"\xff" * (address + len(body) - len(memory)))
        memory[address : address + len(body)] = body

    def _read_symbols(self) -> None:
        offset = struct.unpack_from("<I", self._image, 32)[0]
        size, count = struct.unpack_from("<HH", self._image, 46)
        sections = [struct.unpack_from("<10I", self._image, offset + i * size) for i in range(count)]
        for _, kind, _, _, start, length, link, *_ in sections:
            if kind != 2:  # SHT_SYMTAB
                continue
            names = sections[link][4]
            for entry in range(start, start + length, 16):
                name, value, _, _, _, section = struct.unpack_from("<IIIBBH", self._image, entry)
                if name and section:  # defined here
                    end = self._image.index(0, names + name)
                    self.symbols.setdefault(self._image[names + name : end].decode(), set()).add(value)

    def data_address(self, name: str) -> int:
        """Address in the data space of the variable `name`; KeyError if there is none, or more than one."""
        values = self.symbols.get(name)
        if not values:
            raise KeyError(f"{self.path.name} has no symbol {name!r}")
        if len(values) > 1:
            raise KeyError(f"{self.path.name} has {len(values)} symbols called {name!r}")
        value = next(iter(values))
        if not RAM_BASE <= value < EEPROM_BASE:
            raise KeyError(f"{name!r} in {self.path.name} is not in data memory")
        return value - RAM_BASE


class Simulator:
    """One simulated chip running one program.

    elf            program to load; its .eeprom section is loaded too unless `eeprom` is given
    eeprom         contents to begin with, at most the size of the chip's; the rest is 0xFF
    byte_cycles    cycles from byte to byte on the line into the board
    ten_bit_bytes  True: a transmitted byte takes 10 bit times, as 8N1 does. False: 11, as unmodified simavr
                   has it, for a pessimistic line.
    leak_us        a net that nothing drives or pulls goes low after this time, as a real line does that
                   leaks. None: it keeps its charge for ever.

    Time is counted in cycles of the core clock since the first power-on and goes on across resets. A run
    stops at the first instruction boundary at or after the cycle asked for. How a run is cut into pieces
    makes no difference to what happens in it.

    Not safe to use from two threads at once; PtyBoard has a lock for that.
    """

    def __init__(
        self,
        elf: Path,
        mcu: str = "atmega328p",
        frequency_hz: int = 16_000_000,
        eeprom: bytes | None = None,
        reset_cause: str = "power_on",
        *,
        byte_cycles: int = 320,
        ten_bit_bytes: bool = True,
        leak_us: float | None = 1000,
    ) -> None:
        self._rig: int | None = None
        self._shim = _shim()
        self.program = Program(elf)
        self.mcu = mcu
        self.frequency_hz = frequency_hz
        flash = bytes(self.program.flash)
        self._rig = self._shim.rig_open(
            mcu.encode(),
            frequency_hz,
            flash,
            len(flash),
            byte_cycles,
            10 if ten_bit_bytes else 11,
            NEVER if leak_us is None else round(leak_us * frequency_hz / 1e6),
            _cause(reset_cause),
        )
        if self._rig is None:
            raise SimulatorError(f"simavr knows no {mcu}, or {elf} ({len(flash)} bytes) does not fit into it")
        self._counters: Counters = self._shim.rig_counters(self._rig).contents
        self._drives_given = 0
        self._bytes_given = 0
        self._bytes_taken = 0
        self.eeprom = bytes(self.program.eeprom) if eeprom is None else eeprom

    def __enter__(self) -> Simulator:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def __del__(self) -> None:
        self.close()

    def close(self) -> None:
        """Gives the memory back. May be called twice; nothing else may be called afterwards."""
        rig, self._rig = self._rig, None
        if rig is not None:
            del self._counters  # it views memory that is about to go
            self._shim.rig_close(rig)

    # ---- time

    @property
    def cycle(self) -> int:
        return int(self._shim.rig_cycle(self._open()))

    def run(self, until_cycle: int) -> None:
        """Runs until cycle `until_cycle`. Raises SimulatorError if the core stops before, and says why."""
        outcome = self._shim.rig_run(self._open(), until_cycle)
        if outcome:
            detail = self._shim.rig_message(self._open()).decode(errors="replace").strip()
            where = f"at cycle {self.cycle}, program counter {self._shim.rig_pc(self._open()):#06x}"
            raise SimulatorError(
                f"the {self.mcu} {OUTCOMES[outcome]} {where}{': ' if detail else ''}{detail}"
            )

    def run_us(self, microseconds: float) -> None:
        self.run(self.cycle + round(microseconds * self.frequency_hz / 1e6))

    def reset(self, cause: str) -> None:
        """Resets the chip: "power_on", "external", "brown_out" or "watchdog".

        Causes pile up in MCUSR until the firmware clears it, as on the chip. Power-on clears the others and
        fills memory with a fixed disorder; the other causes leave memory alone. What drives the pins stays,
        and so do bytes under way to the board. A byte of EEPROM that was being written when power was lost
        (also "brown_out") is left erased.
        """
        self._shim.rig_reset(self._open(), _cause(cause))

    @property
    def resets(self) -> int:
        """Resets since the first power-on, which is not counted."""
        return self._open_counters().resets

    @property
    def idle_cycles(self) -> int:
        """Cycles slept so far."""
        return self._open_counters().idle_cycles

    # ---- pins

    def drive(self, port: str, bit: int, level: int | None, at_cycle: int | None = None) -> None:
        """Drives a pin from outside: 0 or 1 strongly, None lets go. `at_cycle` None is now.

        Drives for the same cycle are applied in the order they were given.
        """
        if at_cycle is not None:
            self.drive_many([(at_cycle, port, bit, level)])
            return
        self._shim.rig_drive_now(self._open(), *self._pin(port, bit), _level(level))
        self._drives_given += 1

    def drive_many(self, events: Iterable[tuple[int, str, int, int | None]]) -> None:
        """Schedules (cycle, port, bit, level) in bulk, in any order. ValueError if one is in the past."""
        now, pack, rig = self.cycle, _DRIVE.pack, self._open()
        pins: dict[tuple[str, int], tuple[int, int]] = {}
        packed = bytearray()
        for cycle, port, bit, level in events:
            if cycle < now:
                raise ValueError(f"cycle {cycle} has passed: it is {now}")
            pin = pins.get((port, bit))
            if pin is None:
                pin = pins[port, bit] = self._pin(port, bit)
            packed += pack(cycle, 0, *pin, _level(level))
        count = len(packed) // _DRIVE.size
        if self._shim.rig_drive(rig, bytes(packed), count):
            raise SimulatorError("shim.c refused drives that rig.py had checked")
        self._drives_given += count

    def join(self, *pins: tuple[str, int]) -> None:
        """Short-circuits pins into one net; nets that share a pin become one.

        The level of a net is that of its strong drivers (outputs and drive()), low if they disagree; without
        any, high if one of its pins has its pull-up on; without that it keeps its last level for `leak_us`
        and is low from then on.
        """
        checked = [self._pin(*pin) for pin in pins]
        for other in checked[1:]:
            self._shim.rig_join(self._open(), *checked[0], *other)

    def pin(self, port: str, bit: int) -> int:
        """Level on the pin's net now, whoever drives it."""
        return int(self._shim.rig_pin(self._open(), *self._pin(port, bit)))

    @property
    def contentions(self) -> int:
        """How often a net was found with one strong driver low and another high: something would get hot."""
        return self._open_counters().contentions

    @property
    def port_writes(self) -> int:
        """Writes of the program to PORTx and DDRx registers so far, whether they changed anything or not."""
        return self._open_counters().port_writes

    def _pin(self, port: str, bit: int) -> tuple[int, int]:
        index = ord(port) - ord("A") if len(port) == 1 else -1
        if index < 0 or not self._shim.rig_has_pin(self._open(), index, bit):
            raise ValueError(f"the {self.mcu} has no pin {port}{bit}")
        return index, bit

    # ---- UART0

    def send(self, data: bytes, at_cycle: int | None = None) -> None:
        """Sends bytes into the board, one every `byte_cycles`.

        The first start bit is at `at_cycle` (None: now), or when what was sent before has gone. The receiver
        holds two bytes the firmware has not read; one that completes while it is full is dropped and counted
        in `overruns`. (The chip keeps a third in its shift register until the next start bit: this is
        stricter.)
        """
        now = self.cycle
        if at_cycle is not None and at_cycle < now:
            raise ValueError(f"cycle {at_cycle} has passed: it is {now}")
        self._shim.rig_send(self._open(), data, len(data), now if at_cycle is None else at_cycle)
        self._bytes_given += len(data)

    def set_line(self, baud: int) -> None:
        """The other end sends and listens at this speed from now on, and hears rubbish where the board sends
        at another. Without this call it listens to any speed."""
        self._shim.rig_set_line(self._open(), round(10 * self.frequency_hz / baud))

    def output(self) -> list[tuple[int, int]]:
        """(cycle, byte) for each byte UART0 sent since the last call; the cycle ends the stop bit."""
        rig = self._open()
        count = self._shim.rig_output_count(rig)
        cycles = (ctypes.c_uint64 * count)()
        values = (ctypes.c_uint8 * count)()
        self._shim.rig_take_output(rig, cycles, values)
        self._bytes_taken += count
        return list(zip(cycles, values, strict=True))

    def output_bytes(self) -> bytes:
        """output() without the cycles."""
        return bytes(value for _, value in self.output())

    @property
    def overruns(self) -> int:
        return self._open_counters().overruns

    @property
    def bytes_on_line(self) -> int:
        """Bytes given to send() that have not reached the board yet."""
        return self._open_counters().bytes_on_line

    # ---- memory

    @property
    def eeprom(self) -> bytes:
        contents = (ctypes.c_uint8 * self._shim.rig_eeprom_size(self._open()))()
        self._shim.rig_get_eeprom(self._open(), contents)
        return bytes(contents)

    @eeprom.setter
    def eeprom(self, contents: bytes) -> None:
        size = self._shim.rig_eeprom_size(self._open())
        if len(contents) > size:
            raise ValueError(
                f"{len(contents)} bytes do not fit into the {size} bytes of EEPROM of the {self.mcu}"
            )
        self._shim.rig_set_eeprom(self._open(), contents.ljust(size, b"\xff"))

    def boot_from(self, address: int) -> None:
        """Sets the boot fuse: every reset from now on starts at `address`, where a loader should be."""
        self._shim.rig_boot_from(self._open(), address)

    def read_flash(self, address: int, size: int) -> bytes:
        contents = (ctypes.c_uint8 * size)()
        if self._shim.rig_read_flash(self._open(), address, size, contents):
            raise ValueError(f"{address:#x} to {address + size:#x} is not within the flash of the {self.mcu}")
        return bytes(contents)

    def write_flash(self, address: int, contents: bytes) -> None:
        """Changes flash behind the program's back."""
        if self._shim.rig_write_flash(self._open(), address, len(contents), contents):
            raise ValueError(
                f"{len(contents)} bytes at {address:#x} do not fit into the flash of the {self.mcu}"
            )

    def symbol(self, name: str) -> int:
        """Data address of a variable of the program. KeyError if not exactly one has that name."""
        return self.program.data_address(name)

    def read_memory(self, address: int, size: int) -> bytes:
        """Reads data memory: registers, I/O registers and RAM."""
        contents = (ctypes.c_uint8 * size)()
        if self._shim.rig_read_memory(self._open(), address, size, contents):
            raise ValueError(
                f"{address:#06x} to {address + size:#06x} is not within the memory of the {self.mcu}"
            )
        return bytes(contents)

    @property
    def stack_low(self) -> int:
        """Lowest stack pointer since first power-on, seen after each instruction and interrupt entry."""
        return self._open_counters().stack_low

    def stack_headroom(self) -> int:
        """Bytes above the variables that the stack has never reached; negative if it ran into them."""
        return self.stack_low + 1 - self.symbol("_end")

    # ---- measurements

    def interrupt_cycles(self, vector: int) -> list[int]:
        """Cycles of each service of `vector` since the last call, from acceptance to the end of RETI.

        They include the 4 cycles of entry (5 with a 22-bit program counter), which also pass on the clock,
        but not the same again that leaving sleep takes.
        """
        if not 0 < vector < 64:
            raise ValueError(f"there is no interrupt vector {vector}")
        rig = self._open()
        cycles = (ctypes.c_uint32 * self._shim.rig_service_count(rig, vector))()
        lost = self._shim.rig_take_services(rig, vector, cycles)
        if lost:
            raise SimulatorError(f"{lost} more services of vector {vector} than can be kept: ask more often")
        return list(cycles)

    @property
    def inputs_ledger(self) -> Ledger:
        """The books of this simulator, checked: raises SimulatorError if they do not balance."""
        counters = self._open_counters()
        ledger = Ledger(
            drives_given=self._drives_given,
            drives_applied=counters.drives_applied,
            drives_waiting=counters.drives_waiting,
            pin_changes_made=counters.pin_changes_made,
            pin_changes_seen=counters.pin_changes_seen,
            bytes_given=self._bytes_given,
            bytes_on_line=counters.bytes_on_line,
            bytes_received=counters.bytes_received,
            bytes_ignored=counters.bytes_ignored,
            bytes_overrun=counters.overruns,
            bytes_misframed=counters.misframed,
            bytes_written=counters.bytes_written,
            bytes_refused=counters.bytes_refused,
            bytes_kept=self._bytes_taken + self._shim.rig_output_count(self._open()),
            bytes_in_flight=counters.bytes_in_flight,
            bytes_aborted=counters.bytes_aborted,
        )
        ledger.check()
        return ledger

    def _open(self) -> int:
        if self._rig is None:
            raise SimulatorError("this simulator is closed")
        return self._rig

    def _open_counters(self) -> Counters:
        self._open()
        return self._counters


def _cause(name: str) -> int:
    if name not in RESET_CAUSES:
        raise ValueError(f"{name!r} is not a reset cause; these are: {', '.join(RESET_CAUSES)}")
    return RESET_CAUSES.index(name)


def _level(level: int | None) -> int:
    if level is None:
        return -1
    if level not in (0, 1):
        raise ValueError(f"a pin is driven 0, 1 or None, not {level!r}")
    return level


class PtyBoard:
    """Runs a simulator behind a pseudo-terminal in about real time, in a thread, while the context lasts.

        with PtyBoard(simulator) as board:
            open board.port with any serial library

    `simulator` may be used by others only while holding `lock`, to schedule pin events for instance; its
    output goes to the port and must not be taken. It is left open at the end. With `auto_reset` the board
    resets ("external") whenever somebody opens the port. What the board sends while nobody has the port open,
    or while 64 KiB wait to be read, is dropped and counted in `bytes_dropped`.

    If the core stops, the port vanishes and leaving the context raises the reason.
    """

    def __init__(self, simulator: Simulator, *, auto_reset: bool = False) -> None:
        self.simulator = simulator
        self.auto_reset = auto_reset
        self.lock = threading.RLock()
        self.port = ""
        self.bytes_dropped = 0
        self.failure: Exception | None = None
        self._master: int | None = None
        self._backlog = bytearray()
        self._in_use = False
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._work, name="pty-board", daemon=True)

    def __enter__(self) -> PtyBoard:
        self._master, slave = pty.openpty()
        tty.setraw(slave)
        self.port = os.ttyname(slave)
        os.close(slave)  # so that POLLHUP tells whether somebody has the port open
        os.set_blocking(self._master, False)
        self.bytes_dropped += len(self.simulator.output_bytes())  # sent before it was plugged in
        self._thread.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.vanish()
        if self.failure and error is None:
            raise self.failure

    def vanish(self) -> None:
        """Unplugs the board: whoever has the port open gets an error. Final."""
        self._stop.set()
        if self._thread.is_alive():
            self._thread.join()
        self._unplug()

    def _unplug(self) -> None:
        master, self._master = self._master, None
        if master is not None:
            retire(master, self.port)

    def _work(self) -> None:
        slice_s = 0.001
        slice_cycles = self.simulator.frequency_hz // 1000
        due_s = time.monotonic()
        try:
            while not self._stop.is_set():
                with self.lock:
                    self._slice(slice_cycles)
                due_s += slice_s
                # When the machine was too slow, time is lost rather than made up for in a rush.
                due_s = max(due_s, time.monotonic() - 0.02)
                # Never zero, so that others get the lock.
                self._stop.wait(max(due_s - time.monotonic(), 0.00005))
        except Exception as error:  # kept for __exit__, which raises it
            self.failure = error
            self._unplug()

    def _slice(self, cycles: int) -> None:
        poller = select.poll()
        master = self._master
        assert master is not None
        poller.register(master, select.POLLIN)
        events = dict(poller.poll(0)).get(master, 0)
        in_use = not events & select.POLLHUP
        if self.auto_reset and self._is_opening(in_use):
            self.simulator.reset("external")
        if self._in_use and not in_use:
            self._forget_unread()
        self._in_use = in_use
        # What does not fit on the line in a slice or two stays in the kernel, which then blocks the writer.
        if events & select.POLLIN and self.simulator.bytes_on_line < 128:
            with contextlib.suppress(BlockingIOError):
                self.simulator.send(self._from_host(os.read(master, 128)))
        self._run(cycles)
        self._pass_on(master)

    # ---- what a more particular board overrides

    def _is_opening(self, in_use: bool) -> bool:
        return in_use and not self._in_use

    def _from_host(self, data: bytes) -> bytes:
        return data

    def _run(self, cycles: int) -> None:
        self.simulator.run(self.simulator.cycle + cycles)

    def _from_board(self) -> bytes:
        return self.simulator.output_bytes()

    # ----

    def _forget_unread(self) -> None:
        """Drops what the last user left unread: a serial port does, a pty keeps it for the next."""
        with contextlib.suppress(OSError):  # somebody has just opened it for himself alone
            slave = os.open(self.port, os.O_RDWR | os.O_NOCTTY)
            try:
                termios.tcflush(slave, termios.TCIFLUSH)
            finally:
                os.close(slave)

    def _pass_on(self, master: int) -> None:
        self._backlog += self._from_board()
        if not self._in_use:
            self.bytes_dropped += len(self._backlog)
            self._backlog.clear()
        if not self._backlog:
            return
        with contextlib.suppress(BlockingIOError):
            del self._backlog[: os.write(master, self._backlog)]
        excess = max(len(self._backlog) - 65536, 0)
        self.bytes_dropped += excess
        del self._backlog[len(self._backlog) - excess :]
