from __future__ import annotations

import pytest


@pytest.fixture(autouse=True)
def _quick_stores(monkeypatch: pytest.MonkeyPatch) -> None:
    from virtual_lines import stop_waiting_for_the_disk

    stop_waiting_for_the_disk(monkeypatch)
