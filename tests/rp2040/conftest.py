"""Picos that run the real firmware, in the emulator."""

from __future__ import annotations

from collections.abc import Callable, Iterator

import pytest
from pico_board import PicoBoard

MakeBoard = Callable[..., PicoBoard]


@pytest.fixture
def make_board() -> Iterator[MakeBoard]:
    """Makes boards as PicoBoard does; at the end the emulator's books must balance."""
    made: list[PicoBoard] = []

    def make(**options: object) -> PicoBoard:
        made.append(PicoBoard(**options))  # type: ignore[arg-type]
        return made[-1]

    yield make
    for board in made:
        board.close()
