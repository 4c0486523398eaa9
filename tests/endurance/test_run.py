"""A run is begun, paused, resumed and ended; its account goes on all the while."""

from __future__ import annotations

import sqlite3
import tracemalloc
from pathlib import Path

import pytest

from endurance.layouts import counts_of, layout
from endurance.test_gaps import Socket, away
from reedproof import endurance
from reedproof.analysis.account import Account
from reedproof.endurance import Progress
from reedproof.errors import StoreError
from reedproof.store import Store
from store.test_recorder import FULL, limit_pages


def test_what_is_paused_belongs_to_no_pass(tmp_path: Path) -> None:
    one = layout(tmp_path, boards=2)
    with one.running() as run:
        one.go(run, 4)
        paused_s = run.now_s()
        run.pause()
        run.pause()
        progress = one.go(run, 4)
        assert progress.is_paused
        run.go_on()
        one.go(run, 0.1)
        resumed_s = run.now_s()
        progress = one.go(run, 4)
        assert not progress.is_paused
        progress = one.go(run, 3, trains=False)
        _, account = run.stop()
    (gap,) = one.gaps()
    assert gap.to_s is not None
    assert (gap.kind, gap.board) == ("paused", None)
    assert (gap.from_s, gap.to_s) == (pytest.approx(paused_s, abs=0.01), pytest.approx(resumed_s, abs=0.11))
    expected = one.passes_but_in(gap)
    assert one.stored() == expected == counts_of(account)
    assert counts_of(progress.account) == expected
    assert [happened.kind for happened in one.happened] == ["paused", "going_on"]
    assert progress.running_s == pytest.approx(11 - 0.1, abs=0.4)
    assert {line.balances for line in one.ledger()} == {True}, "what is paused is stored all the same"


def test_a_pause_with_nothing_before_and_nothing_in_it(tmp_path: Path) -> None:
    one = layout(tmp_path)
    with one.running() as run:
        for _ in range(2):
            one.go(run, 1, trains=False)
            run.pause()
            one.go(run, 1, trains=False)
            run.go_on()
        one.go(run, 4)
        one.go(run, 3, trains=False)
        run.stop()
    assert len(one.gaps("paused")) == 2
    assert one.stored() == one.train.passes()


def test_a_board_that_was_away_over_the_end_of_a_pause(tmp_path: Path) -> None:
    """What it saw after the pause and before it came back belongs to no pass: nobody knows its numbers."""
    one = layout(tmp_path, boards=2)
    socket = one.plugs[1].make = Socket(one.boards[1])
    with one.running() as run:
        one.go(run, 3)
        run.pause()
        away(one, run, socket, 2)
        run.go_on()
        away(one, run, socket, 2)
        socket.is_plugged = True
        one.go(run, 4)
        one.go(run, 3, trains=False)
        _, account = run.stop()
    gone, paused = sorted(one.gaps(), key=lambda gap: gap.kind)
    assert (paused.kind, paused.board, gone.kind, gone.board) == ("paused", None, "away", "board1")
    assert paused.to_s is not None
    assert gone.to_s is not None
    assert gone.to_s - paused.to_s == pytest.approx(2.1, abs=0.3)
    out = one.train.passes(one.to_us(paused.from_s), one.to_us(gone.to_s))
    stored = one.stored()
    for name, passes in one.train.passes().items():
        if name.startswith("b1"):
            assert stored[name] == passes - out.get(name, 0)
    assert counts_of(account) == stored


@pytest.mark.parametrize("idle_s", [0.5, 5.0])
def test_a_killed_program_leaves_no_gap_if_the_boards_kept_all(tmp_path: Path, idle_s: float) -> None:
    one = layout(tmp_path, boards=2)
    with one.running() as run:
        one.go(run, 4)
    one.idle(idle_s)
    with one.running(1) as run:
        progress = one.go(run, 4)
        assert progress.running_s == pytest.approx(8 + idle_s, abs=0.6)
        progress = one.go(run, 3, trains=False)
        assert counts_of(progress.account) == one.train.passes()
        outcome, account = run.stop()
    assert outcome == "stopped"
    assert one.gaps() == []
    assert one.stored() == one.train.passes() == counts_of(account)
    assert {line.balances for line in one.ledger()} == {True}


def test_killed_and_too_long_away_is_a_gap_of_what_was_lost(tmp_path: Path) -> None:
    one = layout(tmp_path, boards=2, every_us=50_000)
    with one.running() as run:
        one.go(run, 3)
    one.idle(9)
    with one.running(1) as run:
        one.go(run, 3)
        one.go(run, 3, trains=False)
        _, account = run.stop()
    gaps = sorted(one.gaps(), key=lambda gap: gap.board or "")
    assert [(gap.kind, gap.board) for gap in gaps] == [("lost", "board0"), ("lost", "board1")]
    stored = one.stored()
    for gap in gaps:
        assert gap.to_s is not None
        out = one.train.passes(one.to_us(gap.from_s), one.to_us(gap.to_s))
        for name, passes in one.train.passes().items():
            if name[1] == str(gap.board)[-1]:
                assert passes - stored[name] == out[name]
    assert counts_of(account) == stored


def test_killed_while_a_board_was_away_and_started_anew(tmp_path: Path) -> None:
    """The computer was restarted, and with it the boards that it feeds."""
    one = layout(tmp_path, boards=2)
    with one.running() as run:
        one.go(run, 4)
        killed_s = run.now_s()
    one.idle(1)
    for board in one.boards:
        board.reset()
    booted_s = one.wall_s()
    one.idle(3)
    with one.running(1) as run:
        progress = one.go(run, 4)
        assert progress.running_s == pytest.approx(4 + 3 + 4 - 0.5, abs=0.7)  # heard is stored once a second
        one.go(run, 3, trains=False)
        _, account = run.stop()
    gaps = sorted(one.gaps(), key=lambda gap: gap.board or "")
    assert [(gap.kind, gap.board) for gap in gaps] == [("reboot", "board0"), ("reboot", "board1")]
    for gap in gaps:
        assert gap.to_s is not None
        assert killed_s - 1.3 < gap.from_s < killed_s  # heard is stored once a second
        assert gap.to_s == pytest.approx(booted_s, abs=0.02)
    assert counts_of(account) == one.stored()


def test_killed_in_a_pause_it_goes_on_from_there(tmp_path: Path) -> None:
    one = layout(tmp_path, boards=2)
    with one.running() as run:
        one.go(run, 3)
        run.pause()
        one.go(run, 1)
    one.idle(2)
    with one.running(1) as run:
        one.go(run, 3)
        one.go(run, 3, trains=False)
        _, account = run.stop()
    (gap,) = one.gaps()
    assert gap.to_s is not None
    assert gap.kind == "paused"
    assert gap.to_s - gap.from_s == pytest.approx(3, abs=0.2)
    assert one.stored() == one.passes_but_in(gap) == counts_of(account)


def test_a_stopped_run_is_resumed_and_the_time_between_is_a_pause(tmp_path: Path) -> None:
    one = layout(tmp_path, boards=2)
    with one.running() as run:
        one.go(run, 3)
        assert run.stop()[0] == "stopped"
    one.idle(2)
    with one.running(1) as run:
        one.go(run, 3)
        one.go(run, 3, trains=False)
        _, account = run.stop()
    (gap,) = one.gaps()
    assert gap.to_s is not None
    assert (gap.kind, gap.detail) == ("paused", "the run was stopped")
    assert gap.to_s - gap.from_s == pytest.approx(2, abs=0.2)
    assert one.stored() == one.passes_but_in(gap) == counts_of(account)


def test_a_run_begins_with_a_self_test_and_does_not_go_on_with_one(tmp_path: Path) -> None:
    """The board counts nothing meanwhile: when a run goes on, trains may be under way."""
    one = layout(tmp_path)
    one.boards[0]._shorts.append(frozenset({2, 5}))
    with one.running() as run:
        one.go(run, 3)
    one.boards[0].reset()
    with one.running(1) as run:
        one.go(run, 3)
        run.stop()
    with Store(one.path) as store:
        first, second = (board.settings for board in store.run_boards(1))
    told = {number: (each["verdict"], each["partners"]) for number, each in first["selftest"].items()}
    good = {str(number): ("good", []) for number in range(1, 9)}
    assert told == {**good, "2": ("shorted", [5]), "5": ("shorted", [2])}
    assert "selftest" not in second
    assert first["inputs"] == second["inputs"]


@pytest.mark.parametrize("missing", ["join", "gap"])
def test_killed_between_a_record_and_its_gap(
    tmp_path: Path, missing: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The record is committed, and the program dies before it has noted what that means for the run."""

    class Killed(BaseException):
        pass

    def die(*_: object, **__: object) -> int:
        raise Killed

    one = layout(tmp_path, every_us=50_000)
    if missing == "gap":  # the ring overflowed, and Lost was stored
        socket = one.plugs[0].make = Socket(one.boards[0])
        with one.running() as run:
            one.go(run, 3)
            away(one, run, socket, 6)
            socket.is_plugged = True
            monkeypatch.setattr(run.store, "add_run_gap", die)
            with pytest.raises(Killed):
                one.go(run, 2)
    else:  # the boot is stored, and has not joined the run
        with one.running() as run:
            one.go(run, 3)
            one.boards[0].reset()
            monkeypatch.setattr(run.store, "join_run", die)
            with pytest.raises(Killed):
                one.go(run, 2)
    with one.running(1) as run:
        one.go(run, 2)
        one.go(run, 3, trains=False)
        _, account = run.stop()
    kinds = {gap.kind for gap in one.gaps()}
    assert kinds == ({"lost"} if missing == "gap" else {"reboot"})
    stored = one.stored()
    gaps = one.gaps()
    for name, passes in one.train.passes().items():
        out = sum(
            one.train.passes(one.to_us(g.from_s), one.to_us(g.to_s or 0)).get(name, 0) for g in gaps[:1]
        )
        assert passes - stored[name] <= out, name
    assert counts_of(account) == stored


# ---- the end ----


def test_the_run_ends_when_its_plan_is_met(tmp_path: Path) -> None:
    def judge(account: Account | None, _running_s: float) -> str | None:
        return "met" if account and min(count.passes for count in account.contacts) >= 5 else None

    one = layout(tmp_path)
    with one.running(judge=judge) as run:
        for _ in range(200):
            progress = one.go(run, 0.1)
            if progress.outcome is not None:
                break
        assert progress.outcome == "met"
        assert progress.running_s == pytest.approx(5 * 4 * 0.2 + 0.5 + 1, abs=1.2)
        assert run.stop()[0] == "met"
    with Store(one.path) as store:
        assert store.run().outcome == "met"
        with pytest.raises(StoreError, match="run 1 is over \\(met\\)"):
            store.reopen_run(1)


def test_hours_are_those_in_which_every_board_was_observed(tmp_path: Path) -> None:
    one = layout(tmp_path, boards=2)
    seen: list[float] = []

    def judge(_account: Account | None, running_s: float) -> str | None:
        seen.append(running_s)
        return "failed" if running_s >= 5 else None

    with one.running(judge=judge) as run:
        one.go(run, 2)
        run.pause()
        one.go(run, 3)
        run.go_on()
        for _ in range(100):
            progress = one.go(run, 0.1)
            if progress.outcome:
                break
        assert progress.outcome == "failed"
        assert run.now_s() - 1.7e9 == pytest.approx(5 + 3, abs=1.3)
        assert run.stop()[0] == "failed"


def test_hours_go_on_where_a_run_was_resumed(tmp_path: Path) -> None:
    one = layout(tmp_path, boards=2)
    for session, run_id in enumerate((None, 1, 1)):
        with one.running(run_id) as run:
            one.go(run, 2)
            run.pause()
            one.go(run, 1)
            run.go_on()
            progress = one.go(run, 2)
            assert progress.running_s == pytest.approx(4 * (session + 1), abs=0.7 * (session + 1))
            run.stop()


def test_a_run_without_a_closure(tmp_path: Path) -> None:
    one = layout(tmp_path)
    with one.running(judge=lambda account, _: None if account else "met") as run:
        assert one.go(run, 2, trains=False).outcome == "met"
        outcome, account = run.stop()
    assert (outcome, account.closures, counts_of(account)) == ("met", 0, {})


def test_the_live_account_is_that_of_the_store(tmp_path: Path) -> None:
    """Fed closure by closure as they came, or read in one go: the same."""
    one = layout(tmp_path, boards=2)
    with one.running() as run:
        one.go(run, 8)
        live = one.go(run, 14, trains=False).account
        _, final = run.stop()
    assert live is not None
    assert live.contacts == final.contacts


# ---- the disk, memory ----


def test_a_full_disk_ends_the_program_and_not_the_run(tmp_path: Path) -> None:
    one = layout(tmp_path, boards=2)
    with one.running() as run:
        one.go(run, 2)
        limit_pages(run.store, 1)
        with pytest.raises(StoreError, match=FULL):
            one.go(run, 60)
    with sqlite3.connect(one.path) as connection:
        assert connection.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
    connection.close()
    with Store(one.path) as store:
        assert store.run().outcome is None
    with one.running(1) as run:
        one.go(run, 3)
        one.go(run, 3, trains=False)
        _, account = run.stop()
    assert one.gaps() == []
    assert one.stored() == one.train.passes() == counts_of(account)


def test_memory_stays_flat(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Of the engine; what the accountant keeps is its own affair, and so is the virtual board's."""

    class Forgets:
        def __init__(self, *_: object) -> None: ...

        def feed(self, closures: object) -> None: ...

        def add_gap(self, gap: object) -> None: ...

        def account(self) -> Account:
            return Account((), {}, 0, 0.0, 0.0, (), 0)

    monkeypatch.setattr("reedproof.live_account.Accountant", Forgets)
    one = layout(tmp_path, boards=2, every_us=40_000)
    with one.running() as run:

        def go(seconds: float) -> Progress:
            progress = one.go(run, seconds)
            one.train.made.clear()
            return progress

        go(6)
        tracemalloc.start()
        filters = [tracemalloc.Filter(True, endurance.__file__.replace("endurance.py", "*.py"))]
        go(4)
        before = tracemalloc.take_snapshot().filter_traces(filters)
        go(12)
        after = tracemalloc.take_snapshot().filter_traces(filters)
        tracemalloc.stop()
    grown = sum(line.size_diff for line in after.compare_to(before, "filename"))
    assert grown < 20_000, "three hundred closures more, and twelve thousand messages"
