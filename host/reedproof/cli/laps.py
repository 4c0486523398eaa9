"""What moves the magnets of a virtual board while somebody only looks on."""

from __future__ import annotations

from reedproof.link import Link
from reedproof.sim.board import BETWEEN_PASSES_US, VirtualBoard


class Laps:
    """Call ``go_on`` often. Does nothing on a real board."""

    def __init__(self, link: Link) -> None:
        self._link = link
        self._next_s = link.now_s()

    def go_on(self) -> None:
        board = self._link.transport
        if isinstance(board, VirtualBoard) and self._link.now_s() >= self._next_s:
            board.carousel(rounds=1)
            self._next_s += board.inputs * BETWEEN_PASSES_US / 1e6
