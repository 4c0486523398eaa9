"""The C core inside Python, through cffi: one device, bulk replay and bulk decoding.

Everything here runs the very code that runs on the boards.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from reedproof.compiled import load
from reedproof.records import INPUTS_MAX, Fault, width_value

_BUILD = Path(__file__).with_name("core_build.py")
ffi, lib = load("reedproof.sim._core", _BUILD, "core_source_hash", _BUILD.parents[3] / "firmware" / "core")

STILL_CLOSED = np.iinfo(np.int64).min
MAKE_US_DEFAULT: int = lib.MAKE_US_DEFAULT
BREAK_US_DEFAULT: int = lib.BREAK_US_DEFAULT
CHATTER_EDGES_DEFAULT: int = lib.CHATTER_EDGES_DEFAULT
STUCK_MS_DEFAULT: int = lib.STUCK_MS_DEFAULT

_CLOSURE = np.dtype(
    {
        "names": ["made_us", "broke_us", "make_bounces", "break_bounces", "dropouts", "input"],
        "formats": ["<i8", "<i8", "<u2", "<u2", "<u2", "u1"],
        "offsets": [0, 8, 16, 18, 20, 22],
        "itemsize": ffi.sizeof("struct bulk_closure"),
    }
)
_FRAME = np.dtype([("type", "u1"), ("sequence", "u1"), ("length", "u1"), ("payload", "u1", (58,))])


@dataclass(frozen=True)
class ReplaySettings:
    """``inputs`` overrides make_us and break_us of single inputs."""

    make_us: int = MAKE_US_DEFAULT
    break_us: int = BREAK_US_DEFAULT
    stuck_ms: int = STUCK_MS_DEFAULT
    chatter_edges: int = CHATTER_EDGES_DEFAULT
    inputs: Mapping[int, tuple[int, int]] = field(default_factory=dict)


@dataclass(frozen=True)
class InputTotals:
    edges: int
    closures: int
    blips: int
    dropouts: int
    longest_blip_us: int
    longest_dropout_us: int
    faults: Fault


@dataclass(frozen=True)
class Replay:
    """``closures`` is a structured array, those of one input in order of time, with fields
    made_us, broke_us (STILL_CLOSED while it lasts), make_bounces, break_bounces, dropouts and
    input; ``totals`` is keyed by input."""

    closures: NDArray[Any]
    totals: dict[int, InputTotals]


def replay(
    times_us: NDArray[np.int64], inputs: NDArray[np.uint8], settings: ReplaySettings | None = None
) -> Replay:
    """Runs raw edges through the C core's debounce and fault detection.

    ``times_us`` and ``inputs`` have shape (n,); times do not decrease; every edge changes the
    level of its input; inputs start open. Levels stay as they are after the last edge.
    Raises ValueError when this is not so.
    """
    settings = settings or ReplaySettings()
    times = np.ascontiguousarray(times_us, dtype=np.int64)
    numbers = np.ascontiguousarray(inputs, dtype=np.uint8)
    if times.shape != numbers.shape or times.ndim != 1:
        raise ValueError("times and inputs must be one-dimensional and of one length")
    if np.any(times[1:] < times[:-1]):
        raise ValueError("times must not go backwards")
    if len(numbers) and (numbers.min() < 1 or numbers.max() > INPUTS_MAX):
        raise ValueError(f"inputs must lie between 1 and {INPUTS_MAX}")

    c_settings = ffi.new("struct bulk_settings *")
    for i in range(INPUTS_MAX):
        make_us, break_us = settings.inputs.get(i + 1, (settings.make_us, settings.break_us))
        c_settings.inputs[i].make_us = make_us
        c_settings.inputs[i].break_us = break_us
    c_settings.fault.stuck_ms = settings.stuck_ms
    c_settings.fault.chatter_edges = settings.chatter_edges

    room = len(times) // 2 + INPUTS_MAX  # a closure takes two edges, an open one takes one
    closures = np.zeros(room, dtype=_CLOSURE)
    totals = ffi.new("struct bulk_input[]", INPUTS_MAX)
    count = lib.bulk_replay(
        ffi.cast("int64_t *", ffi.from_buffer(times)),
        ffi.cast("uint8_t *", ffi.from_buffer(numbers)),
        len(times),
        c_settings,
        ffi.cast("struct bulk_closure *", ffi.from_buffer(closures)),
        room,
        totals,
    )
    assert count <= room
    return Replay(
        closures[:count],
        {
            number: InputTotals(
                edges=total.edges,
                closures=total.closures,
                blips=total.blips,
                dropouts=total.dropouts,
                longest_blip_us=width_value(total.longest_blip),
                longest_dropout_us=width_value(total.longest_dropout),
                faults=Fault(total.faults),
            )
            for number, total in enumerate(totals, 1)
            if total.edges
        },
    )


def decode(stream: bytes) -> tuple[NDArray[Any], int]:
    """Decodes a stored stream from a board in C.

    Returns (frames, refused): a structured array with fields type, sequence, length and payload
    (58 bytes, of which the first ``length`` count), and how many frames were refused.
    """
    room = len(stream) // 6 + 1  # the shortest frame
    frames = np.zeros(room, dtype=_FRAME)
    bad = ffi.new("size_t *")
    count = lib.bulk_decode(
        ffi.from_buffer(stream),
        len(stream),
        ffi.cast("struct bulk_frame *", ffi.from_buffer(frames)),
        room,
        bad,
    )
    assert count <= room
    return frames[:count], int(bad[0])


class Device:
    """The whole board as a state machine: levels, time and bytes in, bytes out.

    Thin: it owns the C structure and the non-volatile memory, nothing else.
    """

    def __init__(
        self,
        *,
        inputs: int = 16,
        kind: int = 0,
        build: int = 0,
        sample_us: int = 50,
        memory: bytearray | None = None,
        reset_cause: int = 1,
        now_us: int = 0,
        levels: int = 0,
    ) -> None:
        self.memory = memory if memory is not None else bytearray(b"\xff" * lib.NV_BYTES)
        self._config = ffi.new(
            "struct device_config *",
            {"build": build, "kind": kind, "inputs": inputs, "sample_us": sample_us},
        )
        self._device = ffi.new("struct device *")
        self._out = ffi.new("uint8_t[]", lib.FRAME_MAX)
        self.boot = self._count_boot()
        image = bytes(self.memory[lib.NV_SETTINGS_AT : lib.NV_SETTINGS_AT + lib.SETTINGS_BYTES])
        lib.device_init(
            self._device, self._config, image, self.boot, reset_cause, now_us & 0xFFFFFFFF, levels
        )

    def _count_boot(self) -> int:
        slots = bytes(self.memory[lib.NV_BOOT_AT : lib.NV_BOOT_AT + lib.BOOT_BYTES])
        at = ffi.new("uint8_t *")
        slot = ffi.new("uint8_t[]", lib.BOOT_SLOT_BYTES)
        boot = int(lib.boot_count(slots, at, slot))
        start = lib.NV_BOOT_AT + at[0]
        self.memory[start : start + lib.BOOT_SLOT_BYTES] = bytes(slot)
        return boot

    def sample(self, time_us: int, levels: int) -> None:
        lib.device_sample(self._device, time_us & 0xFFFFFFFF, levels)

    def poll(self, now_us: int) -> None:
        lib.device_poll(self._device, now_us & 0xFFFFFFFF)
        self._store()

    def note_lost_snapshots(self, lost: int) -> None:
        lib.device_note_lost_snapshots(self._device, lost & 0xFFFF)

    def receive(self, now_us: int, data: bytes) -> None:
        for byte in data:
            lib.device_receive(self._device, now_us & 0xFFFFFFFF, byte)

    def transmit(self, room: int = 255) -> bytes:
        """One frame, or nothing."""
        length = lib.device_transmit(self._device, self._out, room)
        return bytes(ffi.buffer(self._out, length))

    def idle(self, now_us: int, step_us: int, steps: int) -> tuple[int, bytes]:
        """Time passes in steps while nothing changes and nothing is received; (steps made, frame). Ends
        early with the first frame."""
        length = ffi.new("uint8_t *")
        made = lib.bulk_idle(self._device, now_us & 0xFFFFFFFF, step_us, steps, self._out, length)
        return int(made), bytes(ffi.buffer(self._out, length[0]))

    def _store(self) -> None:
        address = ffi.new("uint16_t *")
        byte = ffi.new("uint8_t *")
        while lib.device_store(self._device, address, byte):
            self.memory[address[0]] = byte[0]

    @property
    def is_testing(self) -> bool:
        return bool(lib.device_is_testing(self._device))

    def test_pins(self) -> tuple[int, int]:
        """(pulled, driven) as bits: how the self-test wants the pins."""
        pins = lib.device_test_pins(self._device)
        return int(pins.pulled), int(pins.driven)

    def test(self, now_us: int, closed: int) -> None:
        lib.device_test(self._device, now_us & 0xFFFFFFFF, closed)

    def lamp(self, now_us: int) -> bool:
        return bool(lib.device_lamp(self._device, now_us & 0xFFFFFFFF))

    @property
    def wants_reboot(self) -> bool:
        return bool(lib.device_wants_reboot(self._device))
