"""Plain Python, written to be fast, as what the C core and the libraries are measured against."""

from __future__ import annotations

from typing import NamedTuple

SECOND_US = 1_000_000
FOREVER_US = 10**18
CHATTER_EDGES = 95
OPEN, MAKING, CLOSED, BREAKING = range(4)


class Closure(NamedTuple):
    made_us: int
    broke_us: int
    make_bounces: int
    break_bounces: int
    dropouts: int


class Input:
    """Debounce, counters and chatter of one input: what the C core does for each edge."""

    __slots__ = (
        "blips", "break_us", "chattered", "closed", "closures", "dropouts", "edge_us", "edges", "gap_us",
        "longest_blip_us", "longest_dropout_us", "made_us", "make_bounces", "make_us", "open_dropouts",
        "open_us", "pairs", "phase", "second_edges", "second_end_us", "width_us",
    )  # fmt: skip

    def __init__(self, make_us: int, break_us: int) -> None:
        self.make_us = make_us
        self.break_us = break_us
        self.phase = OPEN
        self.closed = self.chattered = False
        self.edge_us = self.made_us = self.open_us = self.second_end_us = 0
        self.pairs = self.make_bounces = self.open_dropouts = self.gap_us = self.width_us = 0
        self.edges = self.second_edges = self.blips = self.dropouts = 0
        self.longest_blip_us = self.longest_dropout_us = 0
        self.closures: list[Closure] = []

    def settle(self, now_us: int) -> None:
        if self.phase in (OPEN, CLOSED):
            return
        elapsed_us = now_us - self.edge_us
        if self.closed:
            if elapsed_us >= self.make_us:
                if self.phase == MAKING:
                    self.make_bounces = self.pairs
                    self.open_dropouts = 0
                else:
                    self.open_dropouts += self.pairs
                    self.dropouts += self.pairs
                    self.longest_dropout_us = max(self.longest_dropout_us, self.gap_us)
                self.phase = CLOSED
        elif elapsed_us >= self.break_us:
            if self.phase == BREAKING:
                self.closures.append(
                    Closure(self.made_us, self.open_us, self.make_bounces, self.pairs, self.open_dropouts)
                )
            else:
                self.blips += self.pairs + 1
                self.longest_blip_us = max(self.longest_blip_us, self.width_us)
            self.phase = OPEN

    def edge(self, time_us: int) -> None:
        self.settle(time_us)
        elapsed_us = time_us - self.edge_us
        self.closed = not self.closed
        self.edge_us = time_us
        if self.phase == OPEN:
            self.phase = MAKING
            self.made_us = time_us
            self.pairs = self.gap_us = self.width_us = 0
        elif self.phase == CLOSED:
            self.phase = BREAKING
            self.open_us = time_us
            self.pairs = self.gap_us = 0
        elif self.closed:
            self.pairs += 1
            self.gap_us = max(self.gap_us, elapsed_us)
        elif self.phase == MAKING:
            self.width_us = max(self.width_us, elapsed_us)
        self.edges += 1
        if time_us >= self.second_end_us:
            self.second_end_us = (time_us // SECOND_US + 1) * SECOND_US
            self.second_edges = 0
        self.second_edges += 1
        if self.second_edges > CHATTER_EDGES:
            self.chattered = True


def debounce(times_us: list[int], inputs: list[int], make_us: int, break_us: int) -> dict[int, Input]:
    """Runs edges, then lets everything settle."""
    found = {number: Input(make_us, break_us) for number in range(1, 33)}
    for time_us, number in zip(times_us, inputs, strict=True):
        found[number].edge(time_us)
    for each in found.values():
        each.settle(FOREVER_US)
    return found


def _crc_table() -> list[int]:
    table = []
    for byte in range(256):
        crc = byte << 8
        for _ in range(8):
            crc = (crc << 1) ^ 0x1021 if crc & 0x8000 else crc << 1
        table.append(crc & 0xFFFF)
    return table


_TABLE = _crc_table()
_LENGTHS = {1: 35, 2: 14, 3: 14, 4: 13, 5: 8, 6: 40, 8: 16, 9: 5, 10: 11, 11: 6, 12: 3}


class Receiver:
    """Byte by byte, as a receiver without libraries does it: a live line comes in any pieces."""

    def __init__(self) -> None:
        self.frames: list[tuple[int, int, bytes]] = []
        self.restart()

    def restart(self) -> None:
        self.body = bytearray()
        self.left = 0
        self.zero = False

    def take(self, byte: int) -> None:
        if byte == 0:
            self.end()
            self.restart()
        elif self.left:
            self.left -= 1
            self.body.append(byte)
        else:
            if self.zero:
                self.body.append(0)
            self.left = byte - 1
            self.zero = byte != 0xFF

    def end(self) -> None:
        body = self.body
        if self.left or not 4 <= len(body) <= 62:
            return
        crc = 0xFFFF
        for byte in body[:-2]:
            crc = (crc << 8 & 0xFFFF) ^ _TABLE[crc >> 8 ^ byte]
        if crc ^ 0xFFFF != body[-2] | body[-1] << 8:
            return
        payload = bytes(body[2:-2])
        length = len(payload)
        if length >= 9 and length == 9 + 3 * payload[8] if body[0] == 7 else _LENGTHS.get(body[0]) == length:
            self.frames.append((body[0], body[1], payload))


def decode(stream: bytes) -> list[tuple[int, int, bytes]]:
    """Good frames of a stream as (type, sequence, payload)."""
    receiver = Receiver()
    for byte in stream:
        receiver.take(byte)
    return receiver.frames
