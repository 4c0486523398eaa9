"""The journal in flash, compiled for this computer, on a flash that loses its power at any point."""

from __future__ import annotations

import ctypes
import itertools
import random
import subprocess
from pathlib import Path

import pytest
from emulator import ROOT

NV_BYTES = 352
SECTOR = 4096
FLASH_AT = 0x1FE000
CELLS = SECTOR // 8

# The seam of flash.h as calls into Python.
GLUE = """
#include "flash.h"
static struct calls {
    void (*read)(uint32_t, void *, uint32_t);
    void (*erase)(uint32_t);
    void (*program)(uint32_t, const void *, uint32_t);
    bool (*is_busy)(void);
} calls;
void glue(struct calls given);
void glue(struct calls given) { calls = given; }
void flash_read(uint32_t address, void *bytes, uint32_t length) { calls.read(address, bytes, length); }
void flash_erase_sector(uint32_t address) { calls.erase(address); }
void flash_program(uint32_t address, const void *bytes, uint32_t length) {
    calls.program(address, bytes, length);
}
bool flash_is_busy(void) { return calls.is_busy(); }
"""

READ = ctypes.CFUNCTYPE(None, ctypes.c_uint32, ctypes.c_void_p, ctypes.c_uint32)
ERASE = ctypes.CFUNCTYPE(None, ctypes.c_uint32)
PROGRAM = ctypes.CFUNCTYPE(None, ctypes.c_uint32, ctypes.c_void_p, ctypes.c_uint32)
IS_BUSY = ctypes.CFUNCTYPE(ctypes.c_bool)


class Calls(ctypes.Structure):
    _fields_ = [("read", READ), ("erase", ERASE), ("program", PROGRAM), ("is_busy", IS_BUSY)]


class PowerLost(Exception):
    pass


class Flash:
    """Erasing sets bits, programming clears them; change number `cut` happens in part and is the last."""

    def __init__(self, seed: int = 0) -> None:
        self.bytes = bytearray(b"\xff" * 2 * SECTOR)
        self.chance = random.Random(seed)
        self.changes = self.busy_left = 0
        self.cut: int | None = None
        self.is_dead = False
        self.bad_cells: set[int] = set()
        self.erases: list[int] = []

    def read(self, address: int, to: int, length: int) -> None:
        assert not self.busy_left
        ctypes.memmove(to, bytes(self.bytes[address - FLASH_AT : address - FLASH_AT + length]), length)

    def erase(self, address: int) -> None:
        assert address % SECTOR == 0
        self.erases.append(address - FLASH_AT)
        self._change(address - FLASH_AT, b"\xff" * SECTOR)

    def program(self, address: int, from_: int, length: int) -> None:
        given = ctypes.string_at(from_, length)
        at = address - FLASH_AT
        assert at // 256 == (at + length - 1) // 256
        self._change(at, bytes(old & new for old, new in zip(self.bytes[at:], given, strict=False)))
        if at in self.bad_cells:
            self.bytes[at] |= 1

    def _change(self, at: int, new: bytes) -> None:
        assert not self.busy_left
        self.changes += 1
        if self.is_dead:
            return
        self.busy_left = 2
        self.is_dead = self.changes == self.cut
        for i, byte in enumerate(new):
            mask = self.chance.randrange(256) if self.is_dead else 0xFF
            self.bytes[at + i] = self.bytes[at + i] & ~mask & 0xFF | byte & mask

    def is_busy(self) -> bool:
        self.busy_left = max(self.busy_left - 1, 0)
        return self.busy_left > 0


class Journal:
    """nv.c on a flash, as after a reset."""

    def __init__(self, library: ctypes.CDLL, flash: Flash) -> None:
        self.library = library
        flash.busy_left = 0
        self.calls = Calls(
            READ(flash.read), ERASE(flash.erase), PROGRAM(flash.program), IS_BUSY(flash.is_busy)
        )
        library.glue(self.calls)
        library.nv_init()
        self.wait()

    def wait(self) -> None:
        for _ in range(10_000):
            if self.library.nv_is_ready():
                return
        raise AssertionError("it never gets ready")

    def write(self, address: int, byte: int) -> None:
        self.library.nv_write(address, byte)
        self.wait()

    def read(self) -> bytes:
        found = b""
        for address in range(0, NV_BYTES, 176):
            part = ctypes.create_string_buffer(176)
            self.library.nv_read(address, part, 176)
            found += part.raw
        return found


@pytest.fixture(scope="module")
def nv(tmp_path_factory: pytest.TempPathFactory) -> ctypes.CDLL:
    folder: Path = tmp_path_factory.mktemp("nv")
    (folder / "glue.c").write_text(GLUE)
    board = ROOT / "firmware" / "boards" / "rp2040"
    subprocess.run(
        ["cc", "-shared", "-fPIC", "-O1", "-Wall", "-Wextra", "-Werror", f"-I{board}", board / "nv.c",
         folder / "glue.c", "-o", folder / "nv.so"],
        check=True,
    )  # fmt: skip
    library = ctypes.CDLL(str(folder / "nv.so"))
    library.glue.argtypes = [Calls]
    library.nv_is_ready.restype = ctypes.c_bool
    return library


def test_a_blank_flash_reads_blank_and_takes_every_byte(nv: ctypes.CDLL) -> None:
    flash = Flash()
    journal = Journal(nv, flash)
    assert journal.read() == b"\xff" * NV_BYTES
    image = bytes(random.Random(1).randrange(256) for _ in range(NV_BYTES))
    for address, byte in enumerate(image):
        journal.write(address, byte)
    assert journal.read() == image
    assert Journal(nv, flash).read() == image


def test_sectors_take_turns_and_wear_as_little_as_promised(nv: ctypes.CDLL) -> None:
    """nv.h: even with every byte in use, a sector is erased once in 52 boots of 6 bytes at most."""
    flash = Flash()
    journal = Journal(nv, flash)
    for address in range(NV_BYTES):
        journal.write(address, 0)
    begun = len(flash.erases)
    boots = 520
    for boot in range(boots):
        for i in range(6):
            journal.write(256 + (boot * 6 + i) % 96, boot & 0x7F)
    erases = flash.erases[begun:]
    assert all(one != other for one, other in itertools.pairwise(erases))
    assert max(erases.count(0), erases.count(SECTOR)) <= boots / 52 + 1


@pytest.mark.parametrize("seed", range(3))
def test_power_lost_at_any_point_loses_at_most_the_byte_at_hand(nv: ctypes.CDLL, seed: int) -> None:
    chance = random.Random(seed)
    flash = Flash(seed)
    journal = Journal(nv, flash)
    expected = bytearray(b"\xff" * NV_BYTES)
    cuts = 0
    for _ in range(15_000):
        if flash.cut is None or flash.cut <= flash.changes:
            # Often right away, now and then so late that a sector is copied meanwhile.
            flash.cut = flash.changes + (
                chance.randrange(1, 8) if chance.random() < 0.6 else chance.randrange(900)
            )
        address, byte = chance.randrange(NV_BYTES), chance.choice([0, 0xFF, chance.randrange(256)])
        journal.write(address, byte)
        if not flash.is_dead:
            expected[address] = byte
            continue
        cuts += 1
        flash.is_dead, flash.cut = False, None
        journal = Journal(nv, flash)
        found = journal.read()
        assert found[address] in (byte, expected[address]), f"cut {cuts} of seed {seed}"
        expected[address] = found[address]
        assert found == expected, f"cut {cuts} of seed {seed}"
    assert cuts > 60
    assert len(flash.erases) > 10


def test_power_lost_again_and_again_while_a_sector_is_copied(nv: ctypes.CDLL) -> None:
    flash = Flash(9)
    journal = Journal(nv, flash)
    image = bytes(random.Random(2).randrange(255) for _ in range(NV_BYTES))
    for address, byte in enumerate(image):
        journal.write(address, byte)
    for _ in range(CELLS - 1 - NV_BYTES - 1):
        journal.write(0, image[0])
    turns = len(flash.erases)
    for cut in range(1, 355, 3):  # the write that fills the sector, the erase, 352 copies, the head
        saved, flash.cut = bytes(flash.bytes), flash.changes + cut
        journal.write(0, image[0])
        assert flash.is_dead
        flash.is_dead, flash.cut = False, None
        assert Journal(nv, flash).read() == image, cut
        flash.bytes[:] = saved
        journal = Journal(nv, flash)
    assert len(flash.erases) > turns + 100


def test_a_worn_cell_keeps_the_old_value_and_says_so(nv: ctypes.CDLL) -> None:
    """main.c reads a boot's number back and tries another place if it is not there."""
    flash = Flash()
    journal = Journal(nv, flash)
    journal.write(7, 0x11)
    flash.bad_cells = {SECTOR + 2 * 8}
    journal.write(7, 0x22)
    assert journal.read()[7] == 0x11
    journal.write(7, 0x22)
    assert journal.read()[7] == 0x22
    assert Journal(nv, flash).read()[7] == 0x22
