"""UF2, the published format of files that are flashed by copying them to a board's drive: blocks of 512
bytes, each with 256 bytes of data and the address they go to."""

from __future__ import annotations

import struct

BLOCK_BYTES = 512
DATA_BYTES = 256
RP2040_FAMILY = 0xE48BFF56

_MAGIC = (0x0A324655, 0x9E5D5157)
_END_MAGIC = 0x0AB16F30
_HAS_FAMILY = 0x2000
_BLOCK = struct.Struct("<8I476sI")


class Uf2Error(ValueError):
    """These bytes are no whole UF2 file of one kind of chip."""


def encode(data: bytes, address: int, family: int = RP2040_FAMILY) -> bytes:
    """The file that puts ``data`` at ``address``; the last block is filled up with zeros."""
    pieces = [data[at : at + DATA_BYTES].ljust(DATA_BYTES, b"\0") for at in range(0, len(data), DATA_BYTES)]
    return b"".join(
        _BLOCK.pack(
            *_MAGIC, _HAS_FAMILY, address + number * DATA_BYTES, DATA_BYTES, number, len(pieces), family,
            piece, _END_MAGIC,
        )
        for number, piece in enumerate(pieces)
    )  # fmt: skip


def decode(file: bytes) -> tuple[int, bytes]:
    """Where the data of a file goes, and the data: what encode() was given, filled up. Blocks must follow
    each other without a gap. Raises Uf2Error with what is wrong."""
    count, rest = divmod(len(file), BLOCK_BYTES)
    if count == 0 or rest:
        raise Uf2Error(f"{len(file)} bytes are not a whole number of {BLOCK_BYTES}-byte blocks")
    data = b""
    start = 0
    for number, fields in enumerate(_BLOCK.iter_unpack(file)):
        *magic, flags, address, size, its_number, its_count, family, payload, end_magic = fields
        if (*magic, end_magic) != (*_MAGIC, _END_MAGIC):
            raise Uf2Error(f"block {number} is damaged, or this is no UF2 file")
        if not flags & _HAS_FAMILY or family != RP2040_FAMILY:
            raise Uf2Error(f"block {number} is for another chip (family {family:#010x})")
        if (size, its_number, its_count) != (DATA_BYTES, number, count):
            raise Uf2Error(f"block {number} says it is {its_number} of {its_count} with {size} bytes")
        start = start if number else address
        if address != start + len(data):
            raise Uf2Error(f"block {number} goes to {address:#010x}; expected {start + len(data):#010x}")
        data += payload[:DATA_BYTES]
    return start, data
