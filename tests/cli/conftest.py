"""What the tests of the commands share."""

from __future__ import annotations

import os
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from reedproof.sim import board as board_module
from reedproof.sim.board import VirtualBoard


@pytest.fixture(autouse=True)
def store_path(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Where the commands keep their data: never where the user's is."""
    path = tmp_path / "store.sqlite"
    monkeypatch.setenv("REEDPROOF_STORE", str(path))
    for name in ("NO_COLOR", "FORCE_COLOR", "COLUMNS"):
        monkeypatch.delenv(name, raising=False)
    assert Path(os.environ["REEDPROOF_STORE"]).is_relative_to(tmp_path)
    return path


@pytest.fixture
def plug_in(monkeypatch: pytest.MonkeyPatch) -> Callable[[Callable[..., VirtualBoard]], None]:
    """Puts another board behind the port 'virtual:'; what is passed makes it, given a speed."""

    def put(make: Callable[..., VirtualBoard]) -> None:
        def open_virtual(url: str, **options: Any) -> VirtualBoard:
            assert url == "virtual:"
            return make(**options)

        monkeypatch.setattr(board_module, "open_virtual", open_virtual)

    return put
