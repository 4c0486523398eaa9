#!/usr/bin/env python3
"""Makes the file that is copied to a Pico's drive: tools/pico_image.py FIRMWARE.bin IMAGE.uf2

The chip's boot ROM starts the second-stage loader, the first 256 bytes, only if their last four are the CRC
of those before (RP2040 datasheet, 2.8.1.3.1): CRC-32 with polynomial 0x04C11DB7, initial value 0xFFFFFFFF,
most significant bit first, no final XOR.
"""

from __future__ import annotations

import pathlib
import sys

# The module alone: what the package needs is not there when the firmware is built.
sys.path.append(str(pathlib.Path(__file__).resolve().parents[1] / "host" / "reedproof"))

import uf2

FLASH_AT = 0x10000000
LOADER_BYTES = 256


def crc32(data: bytes) -> int:
    crc = 0xFFFFFFFF
    for byte in data:
        crc ^= byte << 24
        for _ in range(8):
            crc = (crc << 1 ^ (0x04C11DB7 if crc & 0x80000000 else 0)) & 0xFFFFFFFF
    return crc


def sealed(firmware: bytes) -> bytes:
    """The firmware with the CRC of its loader."""
    covered = firmware[: LOADER_BYTES - 4]
    return covered + crc32(covered).to_bytes(4, "little") + firmware[LOADER_BYTES:]


def main() -> None:
    firmware, image = map(pathlib.Path, sys.argv[1:])
    image.write_bytes(uf2.encode(sealed(firmware.read_bytes()), FLASH_AT))


if __name__ == "__main__":
    main()
