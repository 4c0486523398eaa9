from __future__ import annotations

from collections.abc import Callable, Iterator

import pytest
from boot_board import BootBoard

from reedproof import link


@pytest.fixture(autouse=True)
def _patient_link(monkeypatch: pytest.MonkeyPatch) -> None:
    """A busy machine runs the simulated loader slower than in real time. That the product's own times fit the
    loaders is tested in simulated time (`test_loaders.py`)."""
    monkeypatch.setattr(link, "LOADER_S", 4.0)
    monkeypatch.setattr(link, "HELLO_WAIT_S", 6.0)


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
