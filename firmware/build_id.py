#!/usr/bin/env python3
"""Prints the build id as a compiler flag: a hash of the firmware's sources.

The same sources have the same id wherever they are built, so a board can be asked whether it runs
what was written to it. Called by the Makefile and by platformio.ini.
"""

import hashlib
import pathlib

FIRMWARE = pathlib.Path(__file__).resolve().parent


def build_id(firmware: pathlib.Path = FIRMWARE) -> int:
    """First 32 bits of SHA-256 over names and contents of all C and assembly sources and linker scripts."""
    digest = hashlib.sha256()
    for path in sorted([*firmware.rglob("*.[chS]"), *firmware.rglob("*.ld")]):
        name = path.relative_to(firmware).as_posix()
        content = path.read_bytes().replace(b"\r\n", b"\n")
        digest.update(f"{name} {len(content)}\n".encode() + content)
    return int.from_bytes(digest.digest()[:4], "big")


if __name__ == "__main__":
    print(f"-DREEDPROOF_BUILD=0x{build_id():08x}UL")
