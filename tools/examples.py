"""The byte examples of protocol.md: prints the rows of their table.

A test compares protocol.md with what this prints, and both ends with protocol.md.
"""

from __future__ import annotations

import struct

from reedproof import records, wire


def _first_probe_with(end: int) -> records.TimeProbe:
    """The time probe of the smallest token whose CRC has the byte 0 at ``end``."""
    for token in range(1, 1 << 16):
        probe = records.TimeProbe(token)
        type_, sequence, payload = wire.decode_frame(wire.encode_command(probe, 1)[:-1])
        crc = wire.crc16(bytes((type_, sequence)) + payload).to_bytes(2, "little")
        if crc[end] == 0 and crc[1 - end] != 0:
            return probe
    raise ValueError("no such probe")


def frames() -> list[bytes]:
    """Messages each way, with and without zero bytes, at both ends of a block and of a frame."""
    time = struct.pack("<IH", 0x89ABCDEF, 0x0001)
    trace = b"".join(struct.pack("<HB", 0x0101 * i, 0x80 * (i % 2) + 5) for i in range(1, 9))
    return [
        wire.encode_command(records.SayHello(), 0),
        wire.encode_frame(
            0x01, 0, struct.pack("<BIBIIB", 1, 0x5EED0001, 1, 0, 7, 1)
            + struct.pack("<BHB", 16, 50, 1) + time + struct.pack("<IIH", 0, 3, 64),
        ),
        wire.encode_frame(0x02, 1, struct.pack("<IB", 0, 5) + time + bytes((3, 88, 97))),
        wire.encode_frame(0x03, 2, struct.pack("<IB", 1, 5) + time + bytes((0, 0, 66))),
        wire.encode_frame(0x04, 255, struct.pack("<IB", 2, 16) + time + bytes((4, 1))),
        wire.encode_frame(0x05, 4, struct.pack("<II", 258, 65536)),
        wire.encode_frame(0x07, 9, bytes.fromhex("0102030405060101") + b"\x08" + trace),  # no zero at all
        wire.encode_frame(0x0C, 0x33, bytes((0x46, 0, 0))),
        wire.encode_command(records.Acknowledge(boot=7, next=3, again=False), 1),
        wire.encode_command(records.SetInput(0, 1000, 10000), 2),
        wire.encode_command(records.NameBoard(0), 0),  # zeros one after the other
        wire.encode_command(records.Reboot(), 255),  # the shortest frame
        wire.encode_command(_first_probe_with(0), 1),  # a zero before the last byte
        wire.encode_command(_first_probe_with(1), 1),  # a zero as the last byte
    ]  # fmt: skip


def rows() -> list[str]:
    """`| body without CRC | frame |`, both in hex."""
    found = []
    for encoded in frames():
        type_, sequence, payload = wire.decode_frame(encoded[:-1])
        body = bytes((type_, sequence)) + payload
        found.append(f"| {body.hex()} | {encoded.hex()} |")
    return found


if __name__ == "__main__":
    print("\n".join(rows()))
