"""Images of our firmware: those that come with this package, and a user's own.

An image carries what its firmware says of itself in hello: a board that answers can be compared with it.
"""

from __future__ import annotations

import json
import struct
from dataclasses import dataclass
from pathlib import Path

from reedproof import uf2
from reedproof.errors import ReedproofError
from reedproof.records import BoardKind, Hello, OtherVersion

IMAGES = Path(__file__).with_name("images")

DATA, END, SEGMENT, START_SEGMENT, LINEAR, START_LINEAR = range(6)  # record types of Intel HEX
MEMORY_MAX = 1 << 24  # bytes; a damaged address must not ask for gigabytes

PICO_FLASH_AT = 0x10000000
PICO_ROOM = (2 << 20) - 8192  # bytes; settings and board id are in the two sectors at the end of its flash


@dataclass(frozen=True)
class Image:
    """``memory`` is flash from its first address on; ``build`` None where nobody wrote down which it is."""

    file: Path
    kind: BoardKind
    build: int | None
    memory: bytes

    def is_of(self, hello: Hello | OtherVersion) -> bool:
        """Whether a board that runs this image says so. Build and kind stand side by side in it (struct
        device_config in firmware/core/device.h); five bytes are there by chance once in 10^7 images."""
        if self.build not in (None, hello.build) or hello.kind != self.kind:
            return False
        return struct.pack("<IB", hello.build, hello.kind) in self.memory


def packaged(kind: BoardKind) -> Image:
    """The image of this package for a kind of board."""
    document = json.loads((IMAGES / "images.json").read_text(encoding="utf-8"))
    file = IMAGES / document["images"][kind.name.lower()]["file"]
    return Image(file, kind, int(document["build"], 16), _read(file, kind))


def own(file: Path, kind: BoardKind) -> Image:
    """A user's own image. Raises ReedproofError if it is none."""
    return Image(file, kind, None, _read(file, kind))


def _read(file: Path, kind: BoardKind) -> bytes:
    return read_uf2(file) if kind == BoardKind.PICO else read_hex(file)


def read_uf2(file: Path) -> bytes:
    """Flash of a Pico as a UF2 file has it, from its first address on. Raises ReedproofError if that is not
    where the file goes, or if it would reach into what a board remembers."""
    try:
        start, memory = uf2.decode(file.read_bytes())
    except OSError as error:
        raise ReedproofError(f"{file}: cannot be read ({error.strerror}); expected an image (.uf2)") from None
    except uf2.Uf2Error as error:
        raise ReedproofError(f"{file}: not an image of a Pico (.uf2): {error}") from None
    if start != PICO_FLASH_AT:
        raise ReedproofError(f"{file}: goes to {start:#010x}; a Pico starts what is at {PICO_FLASH_AT:#010x}")
    if len(memory) > PICO_ROOM:
        raise ReedproofError(
            f"{file}: {len(memory)} bytes; a Pico has room for {PICO_ROOM} below its settings and board id"
        )
    return memory


def read_hex(file: Path) -> bytes:
    """Flash as an Intel HEX file has it, from address 0 on; gaps are 0xFF, as after erasing. Raises
    ReedproofError that names the line.

    Source: Intel Hexadecimal Object File Format Specification, revision A, 1988.
    """
    try:
        lines = file.read_text(encoding="ascii").splitlines()
    except OSError as error:
        raise ReedproofError(f"{file}: cannot be read ({error.strerror}); expected an image (.hex)") from None
    except UnicodeDecodeError:
        raise ReedproofError(
            f"{file}: not an image; expected Intel HEX, as 'make firmware' builds it"
        ) from None
    memory = bytearray()
    base = 0
    has_end = False
    for number, line in enumerate(lines, 1):
        if not line.strip():
            continue
        kind, address, data = _record(file, number, line.strip())
        if kind == DATA:
            start = base + address
            memory.extend(b"\xff" * (start + len(data) - len(memory)))
            memory[start : start + len(data)] = data
        elif kind in (SEGMENT, LINEAR):
            base = int.from_bytes(data, "big") << (4 if kind == SEGMENT else 16)
            if base >= MEMORY_MAX:
                raise ReedproofError(f"{file}, line {number}: {base:#x} is beyond the flash of any board")
        elif kind == END:
            has_end = True
            break
    if not has_end or not memory:
        raise ReedproofError(f"{file}: the image is cut short; build or fetch it again")
    return bytes(memory)


def _record(file: Path, number: int, line: str) -> tuple[int, int, bytes]:
    """Type, address and data of one line."""
    try:
        raw = bytes.fromhex(line[1:]) if line[0] == ":" else b""
    except ValueError:
        raw = b""
    if len(raw) < 5 or raw[0] != len(raw) - 5 or raw[3] > START_LINEAR:
        raise ReedproofError(f"{file}, line {number}: not Intel HEX; expected an image (.hex)")
    if sum(raw) & 0xFF:
        raise ReedproofError(f"{file}, line {number}: the checksum is wrong; build or fetch the image again")
    return raw[3], int.from_bytes(raw[1:3], "big"), raw[4:-1]
