"""Guided sessions over virtual boards, and who passes the magnets there."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from reedproof.analysis.case import Case, SeenPasses, Step
from reedproof.cli.laps import Hand
from reedproof.guided import PLAN, Ask, Phase, Session
from reedproof.link import Link
from reedproof.recorder import Recorder
from reedproof.sim.board import VirtualBoard
from reedproof.store import Store
from reedproof.transport import Transport

WALL_S = 1.7e9
STEP_S = 0.1

Edge = tuple[int, bool]
#: What somebody does when a step is asked for: called once for each step and phase.
Does = Callable[["Person"], None]


@dataclass
class Person:
    """Does for each step what ``does`` holds for it, and for the others nothing."""

    session: Session
    board: VirtualBoard
    does: dict[Step | Phase, Does]
    asked: tuple[Ask, Phase] | None = None

    def go_on(self) -> None:
        session = self.session
        if session.is_over or self.asked == (session.ask, session.phase):
            return
        self.asked = (session.ask, session.phase)
        key = session.phase if session.ask.step is Step.WIGGLE else session.ask.step
        if key in self.does:
            self.does[key](self)

    def close(self, number: int, *closings_ms: tuple[float, float]) -> None:
        """Clean closures of an input: (from, to), in ms from now on."""
        for from_ms, to_ms in closings_ms:
            now_us = self.board.now_us
            edges = [(now_us + round(from_ms * 1000), True), (now_us + round(to_ms * 1000), False)]
            self.board.schedule(number, edges)

    def later(self, seconds: float, what: Callable[[], None]) -> None:
        """Does it after a while: the board's time goes on meanwhile."""
        end_s = self.session._link.now_s() + seconds
        while self.session._link.now_s() < end_s and not self.session.is_over:
            self.session.pump(min(STEP_S, end_s - self.session._link.now_s()))
        what()


def guide(
    folder: Path,
    board: VirtualBoard,
    asked: int,
    does: dict[Step | Phase, Does] | None = None,
    *,
    connect: Callable[[], Transport] | None = None,
    plan: Sequence[Ask] = PLAN,
    while_running: Callable[[Session], None] = lambda _: None,
    limit_s: float = 600.0,
    **options: Any,
) -> tuple[Session, Case]:
    """A session from beginning to end; the simulated hand of the commands where ``does`` is None."""
    with Store(folder / "store.sqlite") as store, Link(connect or (lambda: board)) as link:
        session = Session(Recorder(link, store, wall_s=lambda: WALL_S), asked, plan=plan, **options)
        who = Hand(link, session) if does is None else Person(session, board, does)
        session.begin()
        end_s = link.now_s() + limit_s
        while not session.is_over:
            assert link.now_s() < end_s, f"still at {session.ask}, {session.phase}"
            who.go_on()
            while_running(session)
            if not session.is_over:
                session.pump(STEP_S)
        return session, session.finish()


def of_step(passes: SeenPasses, step: Step) -> SeenPasses:
    return passes[np.flatnonzero(passes.step == step)]


def closures_of(passes: SeenPasses, step: Step) -> list[int]:
    """How many closures each pass of a step gave."""
    return [int(count) for count in of_step(passes, step).closures]


def flat(what: Any) -> Any:
    """A case as lists, to be compared."""
    if isinstance(what, np.ndarray):
        return [str(each) for each in what.tolist()]  # NaN equals itself as text
    if dataclasses.is_dataclass(what):
        return {each.name: flat(getattr(what, each.name)) for each in dataclasses.fields(what)}
    if isinstance(what, tuple | list):
        return [flat(each) for each in what]
    return what
