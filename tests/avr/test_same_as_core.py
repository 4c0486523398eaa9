"""The C core on the chip and the C core on the computer decide the same."""

from __future__ import annotations

from collections.abc import Callable

import pytest
from avr_board import AvrBoard

from firmware_checks import check_same_as_core


@pytest.mark.parametrize(("kind", "seed"), [("nano", 1), ("nano", 2), ("nano", 3), ("mega", 4)])
def test_the_chip_decides_what_the_core_decides(
    make_board: Callable[..., AvrBoard], kind: str, seed: int
) -> None:
    check_same_as_core(make_board(kind, acknowledge=True), seed)
