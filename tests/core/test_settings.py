"""What the board keeps while it is off: settings that are whole or defaults, and boots that are counted."""

from __future__ import annotations

import random

import pytest
from hypothesis import given
from hypothesis import strategies as st

from core.bench import Bench
from reedproof import records
from reedproof.sim.core import Device, ffi, lib
from strategies import U32, examples

DEFAULT_BOARD = records.BoardSettings(60_000, 600_000, 20, 95)
INPUTS = 16
SLOTS = lib.BOOT_BYTES // lib.BOOT_SLOT_BYTES


def read_back(memory: bytearray) -> tuple[records.Hello, list[object]]:
    """Boots a board on ``memory``; its hello and its settings, the board's first."""
    bench = Bench(memory=memory, inputs=INPUTS)
    hello = bench.connect()
    bench.take(object)
    bench.do(records.GetSettings())
    settings = [m for m in bench.messages if isinstance(m, records.BoardSettings | records.InputSettings)]
    return hello, settings


def defaults() -> list[object]:
    return [DEFAULT_BOARD, *(records.InputSettings(i, 1000, 10000) for i in range(1, INPUTS + 1))]


MADE_UP: list[records.Command] = [
    records.SetInput(0, 2000, 20000),
    records.SetInput(3, 1, 0xFFFF),
    records.SetInput(INPUTS, 0xFFFF, 1),
    records.SetBoard(3_600_000, 0xFFFFFFFF, 0xFFFF, 254),
    records.NameBoard(0xDEADBEEF),
]


def expected() -> list[object]:
    inputs = {number: (2000, 20000) for number in range(1, INPUTS + 1)} | {
        3: (1, 0xFFFF),
        INPUTS: (0xFFFF, 1),
    }
    return [
        records.BoardSettings(3_600_000, 0xFFFFFFFF, 0xFFFF, 254),
        *(records.InputSettings(number, *values) for number, values in inputs.items()),
    ]


def memory_with_settings() -> bytearray:
    bench = Bench(inputs=INPUTS)
    bench.connect()
    for command in MADE_UP:
        bench.do(command)
    return bench.device.memory


def test_a_new_board_has_defaults_and_says_so() -> None:
    hello, settings = read_back(bytearray(b"\xff" * lib.NV_BYTES))
    assert hello.settings_defaulted
    assert (hello.board, hello.boot) == (0, 1)
    assert settings == defaults()


def test_an_all_zero_memory_has_defaults_too() -> None:
    hello, settings = read_back(bytearray(lib.NV_BYTES))
    assert hello.settings_defaulted
    assert hello.boot == 1
    assert settings == defaults()


def test_settings_survive_a_reboot() -> None:
    hello, settings = read_back(memory_with_settings())
    assert not hello.settings_defaulted
    assert (hello.board, hello.boot) == (0xDEADBEEF, 2)
    assert settings == expected()


def test_every_single_flipped_bit_gives_defaults() -> None:
    good = memory_with_settings()
    for bit in range(8 * lib.SETTINGS_BYTES):
        memory = bytearray(good)
        memory[lib.NV_SETTINGS_AT + bit // 8] ^= 1 << bit % 8
        hello = Bench(memory=memory, inputs=INPUTS).connect()
        assert hello.settings_defaulted, f"bit {bit}"
        assert hello.board == 0, f"bit {bit}"
    hello, settings = read_back(memory)
    assert settings == defaults()
    assert hello.settings_defaulted


@pytest.mark.parametrize("written", range(lib.SETTINGS_BYTES))
def test_power_lost_while_storing_gives_the_old_or_the_new_or_defaults(written: int) -> None:
    """Bytes are stored one by one; the supply may fail between any two."""
    bench = Bench(inputs=INPUTS)
    bench.connect()
    bench.do(records.SetInput(0, 500, 5000))
    memory = bytearray(bench.device.memory)
    before = bytearray(memory)
    bench.do(records.SetInput(0, 700, 7000))
    bench.do(records.SetBoard(1, 2, 3, 4))
    at = lib.NV_SETTINGS_AT
    memory[at : at + written] = bench.device.memory[at : at + written]
    hello, settings = read_back(bytearray(memory))
    if hello.settings_defaulted:
        assert settings == defaults()
    else:  # the bytes written so far were no different
        assert memory[at : at + lib.SETTINGS_BYTES] == before[at : at + lib.SETTINGS_BYTES]


@examples(40)
@given(st.integers(0, INPUTS), st.integers(1, 0xFFFF), st.integers(1, 0xFFFF), st.integers(0, 3_600_000), U32)
def test_what_is_set_is_what_comes_back(
    number: int, make_us: int, break_us: int, stuck_ms: int, name: int
) -> None:
    bench = Bench(inputs=INPUTS)
    bench.connect()
    bench.do(records.SetInput(number, make_us, break_us))
    bench.do(records.SetBoard(stuck_ms, 1, 2, 3))
    bench.do(records.NameBoard(name))
    hello, settings = read_back(bench.device.memory)
    numbers = range(1, INPUTS + 1) if number == 0 else [number]
    assert hello.board == name
    assert settings[0] == records.BoardSettings(stuck_ms, 1, 2, 3)
    for one in range(1, INPUTS + 1):
        values = (make_us, break_us) if one in numbers else (1000, 10000)
        assert settings[one] == records.InputSettings(one, *values)


@pytest.mark.parametrize(
    "command",
    [
        records.SetInput(INPUTS + 1, 1000, 10000),
        records.SetInput(255, 1000, 10000),
        records.SetInput(1, 0, 10000),
        records.SetInput(1, 1000, 0),
        records.SetInput(0, 0, 0),
        records.SetBoard(3_600_001, 0, 0, 95),
        records.SetBoard(0, 0, 0, 0),
        records.SetBoard(0, 0, 0, 255),
    ],
    ids=str,
)
def test_bad_values_change_nothing(command: records.Command) -> None:
    bench = Bench(inputs=INPUTS)
    bench.connect()
    before = bytes(bench.device.memory)
    replies = [m for m in bench.ask(command) if isinstance(m, records.Reply)]
    assert [reply.status for reply in replies] == [records.Status.BAD_VALUE]
    assert bytes(bench.device.memory) == before
    assert read_back(bench.device.memory)[1] == defaults()


# ---- boots ----


def test_boots_are_counted_and_no_slot_is_worn() -> None:
    memory = bytearray(b"\xff" * lib.NV_BYTES)
    settings = slice(lib.NV_SETTINGS_AT, lib.NV_SETTINGS_AT + lib.SETTINGS_BYTES)
    writes = [0] * SLOTS
    for boot in range(1, 5 * SLOTS + 1):
        before = bytes(memory)
        assert Device(memory=memory).boot == boot
        assert memory[settings] == before[settings]
        changed = {
            (at - lib.NV_BOOT_AT) // lib.BOOT_SLOT_BYTES
            for at, (old, new) in enumerate(zip(before, memory, strict=True))
            if old != new
        }
        assert len(changed) == 1, f"boot {boot}"
        writes[changed.pop()] += 1
    assert writes == [5] * SLOTS


def count_boot(slots: bytes) -> tuple[int, int, bytes]:
    """(boot id, where its slot goes, what goes there)"""
    at = ffi.new("uint8_t *")
    slot = ffi.new("uint8_t[]", lib.BOOT_SLOT_BYTES)
    return lib.boot_count(slots, at, slot), at[0], bytes(slot)


#: Counts whose bytes carry over, and plain ones.
BOOTS = [1, 2, 15, 16, 17, 255, 256, 257, 0xFFFF, 0x10000, 0x10010, 0xFFFFFF, 0x1000000, 0xFFFFFFF0]


def slots_after(boot: int) -> bytes:
    """The slots of a board that has just booted ``boot`` times."""
    memory = bytearray(b"\xff" * lib.BOOT_BYTES)
    for number in range(max(1, boot - SLOTS + 1), boot + 1):
        # The slot that makes this number is what boot_count() writes after number - 1.
        body = number.to_bytes(4, "little")
        crc = 0xFFFF
        for byte in body:
            crc = lib.crc16_update(crc, byte)
        at = (number - 1) % SLOTS * lib.BOOT_SLOT_BYTES
        memory[at : at + lib.BOOT_SLOT_BYTES] = body + lib.crc16_end(crc).to_bytes(2, "little")
    return bytes(memory)


@pytest.mark.parametrize("boot", BOOTS)
def test_a_torn_slot_never_repeats_a_boot_that_was_used(boot: int) -> None:
    """The board numbers a boot before it says anything, so a boot whose slot is torn was never used. The byte
    at which the supply failed may hold anything; the ones after it are old."""
    slots = slots_after(boot)
    number, at, slot = count_boot(slots)
    assert number == boot + 1
    for written in range(lib.BOOT_SLOT_BYTES):
        for torn in range(256):
            memory = bytearray(slots)
            memory[at : at + written] = slot[:written]
            memory[at + written] = torn
            after, _, _ = count_boot(bytes(memory))
            assert after > boot, f"{written} bytes written, then {torn:#04x}"
            if (
                after != boot + 1
            ):  # only when the torn byte happens to be the right one, and the last to change
                assert bytes(memory[at : at + lib.BOOT_SLOT_BYTES]) == slot


def test_torn_again_and_again() -> None:
    """A supply that fails in most boots: ids that were used still only rise."""
    chance = random.Random(11)
    slots = bytearray(b"\xff" * lib.BOOT_BYTES)
    used = 0
    for attempt in range(20_000):
        number, at, slot = count_boot(bytes(slots))
        written = chance.choice([chance.randrange(lib.BOOT_SLOT_BYTES), lib.BOOT_SLOT_BYTES])
        slots[at : at + written] = slot[:written]
        if written < lib.BOOT_SLOT_BYTES:
            slots[at + written] = chance.choice([0x00, 0xFF, chance.randrange(256)])
        else:
            assert number > used, f"attempt {attempt} of seed 11"
            used = number
