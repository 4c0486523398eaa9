"""A virtual board: the C core with simulated contacts, behind the interface of a serial line.

Its time passes only while somebody reads, and is a simulated one: as fast as the computer goes, or
held back to real time.
"""

from __future__ import annotations

import dataclasses
import heapq
import random
import secrets
import sys
import time
from collections.abc import Callable, Iterable, Mapping, Sequence
from typing import NamedTuple

from reedproof.errors import LineError, LineLost
from reedproof.records import INPUTS_MAX, NameBoard, SetInput
from reedproof.sim.contacts import Contact, ContactFault, Edge
from reedproof.sim.core import Device, lib
from reedproof.wire import encode_command

STEP_US = 500
BYTES_PER_STEP = 25  # 500 kbaud
BETWEEN_PASSES_US = 250_000

#: For `virtual:faulty`, and the demo: what is wrong with which input.
FAULTY = {3: ContactFault.OPEN_LEAD, 7: ContactFault.STUCK, 12: ContactFault.RUBBING_LEAD}
SWAPPED = (9, 10)


def named(board: int, boots: int = 0, windows: Mapping[int, tuple[int, int]] | None = None) -> bytearray:
    """Non-volatile memory of a board that was given this name, was started ``boots`` times and has default
    settings stored, but for inputs with a (make_us, break_us) of their own in ``windows``."""
    device = Device(inputs=INPUTS_MAX)
    device.receive(0, encode_command(NameBoard(board), 0))
    for number, (make_us, break_us) in (windows or {}).items():
        device.receive(0, encode_command(SetInput(number, make_us, break_us), 0))
    device.poll(0)
    device.memory[lib.NV_BOOT_AT : lib.NV_BOOT_AT + lib.BOOT_BYTES] = b"\xff" * lib.BOOT_BYTES
    if boots:
        slot, crc = boots.to_bytes(4, sys.byteorder), lib.CRC16_START
        for byte in slot:
            crc = lib.crc16_update(crc, byte)
        start = lib.NV_BOOT_AT
        device.memory[start : start + lib.BOOT_SLOT_BYTES] = slot + lib.crc16_end(crc).to_bytes(
            2, sys.byteorder
        )
    return device.memory


def _mask(numbers: Iterable[int]) -> int:
    return sum(1 << (number - 1) for number in numbers)


class Electrics(NamedTuple):
    """What is wrong with the inputs of a board, electrically: which are connected with each other, which are
    held closed, and which are held open."""

    shorts: Sequence[frozenset[int]] = ()
    low: frozenset[int] = frozenset()
    high: frozenset[int] = frozenset()


class VirtualBoard:
    """Implements Transport. ``speed`` 0 runs as fast as it can, 1 in real time."""

    is_simulated = True

    def __init__(
        self,
        *,
        name: str = "virtual:",
        seed: int = 1,
        inputs: int = 16,
        speed: float = 0.0,
        memory: bytearray | None = None,
        faults: dict[int, ContactFault] | None = None,
        swapped: tuple[int, int] | None = None,
        shorts: Iterable[frozenset[int]] = (),
        on_step: Callable[[VirtualBoard], None] | None = None,
    ) -> None:
        self.name = name
        self.inputs = inputs
        self._speed = speed
        # Two virtual boards must not share a name, or a store would take them for one.
        self._memory = memory if memory is not None else named(1 + secrets.randbelow(0xFFFFFFFF))
        self._shorts = list(shorts)
        self._on_step = on_step
        self.contacts = {
            number: Contact(random.Random(f"{seed}/{number}"), fault=(faults or {}).get(number))
            for number in range(1, inputs + 1)
        }
        self._plug = {number: number for number in self.contacts}
        if swapped is not None:
            first, second = swapped
            self._plug[first], self._plug[second] = second, first
        self._events: list[tuple[int, int, int, bool]] = []  # (time, order, input, closed)
        self._order = 0
        self._closed = False
        self._line = bytearray()
        self._levels = 0
        self._busy_until_us = {number: 0 for number in self.contacts}
        self.now_us = 0
        self._boot_us = 0
        self._told = False  # something was written since the last step
        self._started_s = time.monotonic()
        self.device = self._power_up(reset_cause=1)

    def _power_up(self, reset_cause: int) -> Device:
        device = Device(
            inputs=self.inputs,
            build=lib.core_source_hash(),
            memory=self._memory,
            reset_cause=reset_cause,
            levels=self._levels,
        )
        self._boot_us = self.now_us
        return device

    # ---- what the simulated people do ----

    def pass_magnet(self, number: int, pace: float = 1.0) -> None:
        """A magnet passes over contact ``number`` as soon as its last pass is over, ``pace`` times as fast
        as usual; so slow that it stands there, if that is next to nothing."""
        at_us = max(self.now_us + 50_000, self._busy_until_us[number] + 50_000)
        contact = self.contacts[number]
        edges = dataclasses.replace(contact, closure_ms=contact.closure_ms / pace).pass_magnet(at_us)
        self.schedule(self._plug[number], edges)
        self._busy_until_us[number] = edges[-1][0] if edges else at_us

    def works(self, number: int) -> bool:
        """Whether contact ``number`` is sound and plugged in where it belongs."""
        return self.contacts[number].fault is None and self._plug[number] == number

    def carousel(self, rounds: int) -> None:
        """A magnet goes over all contacts in turn, several times."""
        for number in self.contacts:
            at_us = self.now_us + number * BETWEEN_PASSES_US
            for _ in range(rounds):
                self.schedule(self._plug[number], self.contacts[number].pass_magnet(at_us))
                at_us += self.inputs * BETWEEN_PASSES_US

    def schedule(self, number: int, edges: Iterable[Edge]) -> None:
        """Raw edges on an input, times in simulated microseconds since the program started."""
        for time_us, closed in edges:
            self._order += 1
            heapq.heappush(self._events, (time_us, self._order, number, closed))

    def reset(self, reset_cause: int = 2) -> None:
        """The board starts anew; what it had not been asked for is gone."""
        self._line.clear()
        self.device = self._power_up(reset_cause)

    # ---- the board ----

    def _board_us(self) -> int:
        return self.now_us - self._boot_us

    def electrics(self) -> Electrics:
        """As it is now."""
        return Electrics(self._shorts)

    def _test_levels(self) -> int:
        """What the pins read during the self-test: driven low over pull-up over what leaks away."""
        pulled, driven = self.device.test_pins()
        shorts, held_low, held_high = self.electrics()
        low = self._levels | driven | _mask(held_low)
        for short in shorts:
            mask = _mask(short)
            if low & mask:
                low |= mask
        return (low | ~pulled & ((1 << self.inputs) - 1)) & ~_mask(held_high)

    def _step(self) -> None:
        self._told = False
        end_us = self.now_us + STEP_US
        while self._events and self._events[0][0] <= end_us:
            at_us = self._events[0][0]
            while self._events and self._events[0][0] == at_us:  # one sample sees them all
                _, _, number, closed = heapq.heappop(self._events)
                bit = 1 << (number - 1)
                self._levels = self._levels | bit if closed else self._levels & ~bit
            self.now_us = max(self.now_us, at_us)
            self.device.sample(self._board_us(), self._levels)
            self._transmit()
        self.now_us = end_us
        now_us = self._board_us()
        if self.device.is_testing:
            self.device.test(now_us, self._test_levels())
        self.device.poll(now_us)
        if self.device.wants_reboot:  # its reply was read in the step before
            self.reset(reset_cause=5)
        self._transmit()
        if self._on_step is not None:
            self._on_step(self)
        self._keep_pace()

    def _idle(self, end_us: int) -> bool:
        """Takes many steps at once, up to the next edge and as long as the board has nothing to say. False
        when the next step is not one of those."""
        device = self.device
        if self._told or self._on_step is not None or device.is_testing or device.wants_reboot:
            return False
        steps = -((self.now_us - end_us) // STEP_US)
        if self._events:
            steps = min(steps, (self._events[0][0] - self.now_us - 1) // STEP_US)
        if steps < 1:
            return False
        made, said = device.idle(self._board_us(), STEP_US, steps)
        self.now_us += made * STEP_US
        self._line += said
        self._keep_pace()
        return True

    def _keep_pace(self) -> None:
        if self._speed:
            behind_s = self.now_us / 1e6 / self._speed - (time.monotonic() - self._started_s)
            if behind_s > 0:
                time.sleep(behind_s)

    def _transmit(self) -> None:
        if len(self._line) < BYTES_PER_STEP:
            self._line += self.device.transmit()

    # ---- the line ----

    def read(self, timeout_s: float) -> bytes:
        self._check_open()
        end_us = self.now_us + max(STEP_US, round(timeout_s * 1e6))
        while not self._line and self.now_us < end_us:
            if not self._idle(end_us):
                self._step()
        data = bytes(self._line)
        self._line.clear()
        return data

    def write(self, data: bytes) -> None:
        self._check_open()
        self.device.receive(self._board_us(), data)
        self._told = True

    def _check_open(self) -> None:
        if self._closed:
            raise LineLost(f"{self.name}: the line is gone (unplugged?)")

    def close(self) -> None:
        self._closed = True

    def now_s(self) -> float:
        return self.now_us / 1e6


def open_virtual(url: str, *, speed: float = 0.0) -> VirtualBoard:
    """The board that a `virtual:` URL names. Raises LineError for one it does not know."""
    match url.removeprefix("virtual:"):
        case "":
            return VirtualBoard(name=url, speed=speed)
        case "faulty":
            return VirtualBoard(name=url, speed=speed, faults=FAULTY, swapped=SWAPPED)
        case other:
            raise LineError(
                f"virtual:{other}: no such virtual board; there are 'virtual:' (all good) and "
                "'virtual:faulty'"
            )
