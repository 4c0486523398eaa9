"""A third decoder, for tests only, written from protocol.md with nothing but Python: it says what the C one
and the library one have to agree on."""

from __future__ import annotations

from typing import NamedTuple

#: Lengths of the payloads of the board's messages; the trace has its own rule.
LENGTHS = {
    0x01: 35, 0x02: 14, 0x03: 14, 0x04: 13, 0x05: 8, 0x06: 40, 0x08: 16, 0x09: 5, 0x0A: 11, 0x0B: 6, 0x0C: 3,
}  # fmt: skip
TRACE = 0x07
ON_THE_LINE_MAX = 64


class Plain(NamedTuple):
    type: int
    sequence: int
    payload: bytes


class Refused(Exception):
    pass


def crc16(data: bytes) -> int:
    """CRC-16/GENIBUS bit by bit, as a division."""
    register = 0xFFFF
    for byte in data:
        for i in range(7, -1, -1):
            out = register >> 15 ^ byte >> i & 1
            register = register << 1 & 0xFFFF ^ (0x1021 if out else 0)
    return register ^ 0xFFFF


def stuff(data: bytes) -> bytes:
    """COBS: the data, with a zero thought to follow it, cut after each zero and after 254 other bytes."""
    out = b""
    block = b""
    for at, byte in enumerate(data + b"\0"):
        if byte:
            block += bytes([byte])
            if len(block) == 254:
                out += b"\xff" + block
                block = b""
                if at == len(data) - 1:
                    return out  # the zero thought to follow is not needed after a full block
        else:
            out += bytes([len(block) + 1]) + block
            block = b""
    return out


def unstuff(data: bytes) -> bytes:
    if not data:
        raise Refused("nothing")
    if 0 in data:
        raise Refused("zero")
    out = b""
    at = 0
    while at < len(data):
        code = data[at]
        block = data[at + 1 : at + code]
        if len(block) != code - 1:
            raise Refused("outstanding bytes")
        out += block
        at += code
        if code != 0xFF and at < len(data):
            out += b"\0"
    return out


def frame(type_: int, sequence: int, payload: bytes) -> bytes:
    body = bytes([type_, sequence]) + payload
    crc = crc16(body)
    return stuff(body + bytes([crc & 0xFF, crc >> 8])) + b"\0"


def read(piece: bytes) -> Plain:
    """The frame between two delimiters, whatever its type."""
    if len(piece) + 1 > ON_THE_LINE_MAX:
        raise Refused("too long")
    body = unstuff(piece)
    if len(body) < 4:
        raise Refused("too short")
    crc = crc16(body[:-2])
    if body[-2:] != bytes([crc & 0xFF, crc >> 8]):
        raise Refused("checksum")
    return Plain(body[0], body[1], body[2:-2])


def has_its_length(found: Plain) -> bool:
    if found.type == TRACE:
        return len(found.payload) >= 9 and len(found.payload) == 9 + 3 * found.payload[8]
    return LENGTHS.get(found.type) == len(found.payload)


def decode(stream: bytes) -> tuple[list[Plain], int]:
    """The good frames of a board's stream, and how many pieces were refused."""
    good: list[Plain] = []
    refused = 0
    pieces = stream.split(b"\0")
    for piece in pieces[:-1]:
        if not piece:
            continue
        try:
            found = read(piece)
            if not has_its_length(found):
                raise Refused("length")
            good.append(found)
        except Refused:
            refused += 1
    return good, refused
