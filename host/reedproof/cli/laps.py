"""What moves the magnets of a virtual board while somebody only looks on."""

from __future__ import annotations

from reedproof.analysis.case import Step
from reedproof.guided import Ask, Phase, Session
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


#: How fast the simulated vehicle goes, as a share of the usual speed.
PACE = {Step.SLOW: 0.25, Step.FAST: 2.0}
APART_S = 1.5  # from pass to pass at the usual speed
STANDS_LONGER_S = 4.0  # a standing magnet: than the step it stands for takes


class Hand:
    """Does on a virtual board what a guided session asks for. Call ``go_on`` often."""

    def __init__(self, link: Link, session: Session) -> None:
        self._link = link
        self._session = session
        self._doing: tuple[Ask, Phase] | None = None
        self._left = 0
        self._next_s = 0.0

    def go_on(self) -> None:
        session, board, now_s = self._session, self._link.transport, self._link.now_s()
        if not isinstance(board, VirtualBoard) or session.is_over or session.ask.step is Step.STILL:
            return
        ask = session.ask
        if self._doing != (ask, session.phase):
            self._doing = (ask, session.phase)
            self._left, self._next_s = ask.passes, now_s
            if session.phase is Phase.PLACE:
                usual_s = board.contacts[session.asked].closure_ms / 1000
                board.pass_magnet(session.asked, pace=usual_s / (ask.seconds + STANDS_LONGER_S))
            if ask.step is Step.WIGGLE:
                self._next_s += STANDS_LONGER_S
        if now_s < self._next_s or (ask.step is Step.WIGGLE and session.phase is Phase.LISTEN):
            return
        if not self._left:
            session.done()
            return
        pace = PACE.get(ask.step, 1.0)
        self._left, self._next_s = self._left - 1, now_s + APART_S / pace
        board.pass_magnet(
            _neighbour(board, session.asked) if ask.step is Step.REFERENCE else session.asked, pace
        )


def _neighbour(board: VirtualBoard, number: int) -> int:
    """The nearest contact that works; itself where there is no other."""
    others = [other for other in board.contacts if other != number and board.works(other)]
    return min(others, key=lambda other: abs(other - number), default=number)
