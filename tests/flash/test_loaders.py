"""How the loaders treat what the host says when a port has just been opened: cycle by cycle, no clock."""

from __future__ import annotations

import pytest
from boot_board import LOADER, START_UP_MS, BootBoard
from rig import Simulator

from reedproof import link, wire
from reedproof.firmware_image import packaged
from reedproof.flash import KINDS
from reedproof.records import Hello, NameBoard, Reply, SayHello
from reedproof.transport import BAUD

CYCLES_PER_MS = 16_000
GREETING = wire.DELIMITER + wire.encode_command(SayHello(), 0)


class OpenedPort:
    """A board that was reset by opening its port; times are since then."""

    def __init__(self, board: str) -> None:
        self.simulator: Simulator = BootBoard(board, packaged(KINDS[board]).memory).simulator
        self.simulator.set_line(BAUD)
        self.simulator.output()
        self.simulator.reset("external")
        self.start = self.simulator.cycle - START_UP_MS * CYCLES_PER_MS
        self.decoder = wire.Decoder()

    def heard_until(self, ms: float) -> list[object]:
        self.simulator.run(self.start + round(ms * CYCLES_PER_MS))
        return list(self.decoder.feed(self.simulator.output_bytes()))

    def say_at(self, ms: float, data: bytes) -> list[object]:
        heard = self.heard_until(ms)
        self.simulator.send(data)
        return heard


@pytest.mark.parametrize("board", LOADER)
def test_every_loader_lets_go_while_the_host_is_silent(board: str) -> None:
    heard = OpenedPort(board).heard_until(link.LOADER_S * 1000)
    assert [type(message) for message in heard] == [Hello]


def test_a_talkative_host_would_keep_the_loader_of_a_mega() -> None:
    """Why it is silent: said at the application's speed every 250 ms, no hello is ever answered."""
    port = OpenedPort("mega")
    heard = []
    for ms in range(START_UP_MS + 5, 12_000, 250):
        heard += port.say_at(ms, GREETING)
    assert heard == []


@pytest.mark.parametrize("early_ms", [70, 200, 900, 1300])
def test_what_an_older_loader_leaves_unread_spoils_no_hello(early_ms: int) -> None:
    """What it cannot read makes it start the application at once, with two such bytes still in the receiver:
    a hello that came right behind them would be lost."""
    port = OpenedPort("nano-old")
    heard = port.say_at(early_ms, GREETING) + port.say_at(early_ms + 250, GREETING)
    heard += port.heard_until(early_ms + 1_500)
    assert any(isinstance(message, Hello) for message in heard)
    port.say_at(early_ms + 1_600, GREETING)
    port.say_at(early_ms + 1_610, wire.encode_command(NameBoard(5), 7))
    heard = port.heard_until(early_ms + 2_000)
    assert any(isinstance(message, Reply) for message in heard)
