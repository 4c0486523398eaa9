from __future__ import annotations

from collections.abc import Callable, Iterator

import pytest
from boot_board import BootBoard


@pytest.fixture
def plug_in() -> Iterator[Callable[..., BootBoard]]:
    """Boards as BootBoard makes them, plugged in until the test is over."""
    made: list[BootBoard] = []

    def make(*arguments: object, **options: object) -> BootBoard:
        board = BootBoard(*arguments, **options)  # type: ignore[arg-type]
        board.__enter__()
        made.append(board)
        return board

    yield make
    for board in made:
        board.__exit__(None, None, None)
        print(f"{board.loader}: {board.hung or 'no crash'}")
        board.simulator.inputs_ledger.check()
        board.simulator.close()
