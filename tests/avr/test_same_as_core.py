"""The C core on the chip and the C core on the computer decide the same.

The board reports its raw edges with the times it gave them (trace messages); the core is fed exactly these.
What differs then is a fault of the compiler, of the chip's code, or of the simulator.
"""

from __future__ import annotations

import random
from collections.abc import Callable

import pytest
from avr_board import RECORDS, SAMPLE_US, AvrBoard

from reedproof import records, wire
from reedproof.records import Acknowledge, Broke, Heartbeat, Made, SayHello, SetBoard, SetTrace, TraceEdges
from reedproof.sim.core import Device

CALM = SetBoard(stuck_ms=60_000, silent_ms=600_000, traffic=0, chatter_edges=254)
PHASE_US = 21.3  # of the edges against whole sampling periods, which begin at an unknown phase themselves
LATE_US = SAMPLE_US + 5
COUNTS = ("edges", "closures", "lost", "blips", "dropouts", "longest_blip_us", "longest_dropout_us")


def random_trace(seed: int, inputs: list[int], start_us: float) -> list[tuple[float, int, bool]]:
    """Closures with bounces, blips and dropouts, all overlapping; every input ends open."""
    chance = random.Random(seed)
    edges = []
    for number in inputs:
        at = chance.randrange(400)
        for _ in range(14):
            # Widths in sampling periods; 1 ms (20) makes and 10 ms (200) breaks a closure.
            widths = chance.choices((3, 5, 7, 9, 19, 22, 60, 190, 230, 500), k=chance.randrange(1, 8))
            closed = True
            for width in widths + [40] * (len(widths) % 2 == 0):
                edges.append((start_us + at * SAMPLE_US + PHASE_US, number, closed))
                at, closed = at + width, not closed
            edges.append((start_us + at * SAMPLE_US + PHASE_US, number, False))
            at += chance.choice((3, 150, 400, 1500))
    return sorted(edges)


class CoreHost:
    """The core on this computer, and a host that acknowledges at once."""

    def __init__(self, inputs: int, now_us: int) -> None:
        self.device = Device(inputs=inputs, now_us=now_us)
        self.decoder = wire.Decoder()
        self.records: list[object] = []
        self.beats: dict[int, Heartbeat] = {}
        self.say(now_us, SayHello())
        self.say(now_us, CALM)

    def say(self, now_us: int, command: records.Command) -> None:
        self.device.receive(now_us, wire.encode_command(command, 0))
        self.listen(now_us)

    def listen(self, now_us: int) -> None:
        while data := self.device.transmit():
            for message in self.decoder.feed(data):
                if isinstance(message, RECORDS):
                    self.records.append(message)
                    self.say(now_us, Acknowledge(self.device.boot, message.number + 1))
                elif isinstance(message, Heartbeat):
                    self.beats[message.input] = message

    def sample(self, time_us: int, levels: int) -> None:
        self.device.sample(time_us, levels)
        self.listen(time_us)

    def wait(self, from_us: int, to_us: int) -> None:
        for now_us in range(from_us, to_us, 1000):
            self.device.poll(now_us)
            self.listen(now_us)


@pytest.mark.parametrize(("kind", "seed"), [("nano", 1), ("nano", 2), ("nano", 3), ("mega", 4)])
def test_the_chip_decides_what_the_core_decides(
    make_board: Callable[..., AvrBoard], kind: str, seed: int
) -> None:
    print(f"seed {seed}")
    board = make_board(kind, acknowledge=True)
    board.greet()
    board.command(CALM)
    board.run_us(400_000)  # until the settings are stored
    board.command(SetTrace((1 << board.inputs) - 1))
    board.messages()
    # Four inputs at a time: more edges than a trace can carry would be lost, with notice.
    inputs = random.Random(seed).sample(range(1, board.inputs + 1), 4)
    driven = random_trace(seed, inputs, board.now_us + 1000)
    core = CoreHost(board.inputs, round(board.now_us))
    board.play(driven)
    board.run_to(driven[-1][0] + 30_000)
    batches = board.received(TraceEdges)
    assert batches[-1].lost == 0
    seen = [edge for batch in batches for edge in batch.edges]

    levels, end_us = 0, 0
    by_time: dict[int, int] = {}
    for time_us, number, closed in seen:
        assert closed != bool(levels >> (number - 1) & 1)
        levels ^= 1 << (number - 1)
        by_time[time_us] = levels
    for time_us, changed in by_time.items():
        core.sample(time_us, changed)
        end_us = time_us
    core.wait(end_us, end_us + board.inputs * 40_000 + 100_000)

    def decided(records_: list[object], number: int) -> list[object]:
        """Without the record's number: inputs that are due within one turn of the loop may swap."""
        return [
            tuple(getattr(record, name) for name in record.__slots__ if name != "number")  # type: ignore[attr-defined]
            for record in records_
            if isinstance(record, (Made, Broke)) and record.input == number
        ]

    beats = board.counters()
    for number in inputs:
        edges = [edge for edge in driven if edge[1] == number]
        reported = [edge for edge in seen if edge[1] == number]
        assert [closed for _, _, closed in reported] == [closed for _, _, closed in edges]
        assert all(-1 <= late[0] - early[0] <= LATE_US for late, early in zip(reported, edges, strict=True))
        assert decided(board.stored, number) == decided(core.records, number)
        assert len(decided(board.stored, number)) > 5
        for name in COUNTS:
            assert getattr(beats[number], name) == getattr(core.beats[number], name), (number, name)
    assert len(board.stored) == len(core.records)
    board.check_ledger()
