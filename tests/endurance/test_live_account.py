"""What comes for a time that was accounted for already has the account made anew from the store."""

from __future__ import annotations

from pathlib import Path

import pytest

from endurance.layouts import sheet_of
from reedproof.analysis.closures import Gap
from reedproof.live_account import LiveAccount
from reedproof.records import Broke, Hello, Made
from reedproof.store import Store

CONTACTS = {("board0", number): number - 1 for number in range(1, 5)}


@pytest.mark.parametrize("late", ["closure", "gap"])
def test_late_news(tmp_path: Path, late: str) -> None:
    gaps: list[Gap] = []
    with Store(tmp_path / "store.sqlite") as store:
        run_id = store.begin_run(0.0, sheet_of(1, 4).model_dump(mode="json"), {})
        boot_id = store.boot(Hello(1, 0, 0, 7, 1, 1, 8, 50, 0, 0, 0, 0, 64), 0.0)
        store.join_run(run_id, "board0", boot_id, 0, 0.0, {})
        live = LiveAccount(store, run_id, sheet_of(1, 4), CONTACTS, lambda: gaps, float("-inf"))
        live.advance(0.0)

        def closure(at: int) -> None:
            made = Made(2 * at, at % 4 + 1, at * 1_000_000, 0, 0, 0)
            broke = Broke(2 * at + 1, at % 4 + 1, at * 1_000_000 + 50_000, 0, 0, 50)
            store.add(boot_id, [(made, float(at)), (broke, at + 0.05)])
            live.made(at % 4, float(at), made)
            live.broke(at % 4, broke)

        for at in (*range(1, 30), *range(31, 60)):
            closure(at)
        live.advance(60.0)
        account = live.account(60.0)
        assert account is not None
        assert account.closures == 58
        if late == "closure":
            closure(30)
        else:
            gaps.append(Gap(29.5, 30.5, frozenset(range(4)), "lost", ""))
            live.add_gap(gaps[0])
        for at in range(60, 64):
            closure(at)
        for _ in range(5):  # a chunk each
            live.advance(64.0)
        account = live.account(75.0)
    assert account is not None
    assert account.closures == (63 if late == "closure" else 62)
    assert sum(count.missed for count in account.contacts) == 0
