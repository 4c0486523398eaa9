"""The recorder: stored first, acknowledged then, whatever happens to the disk or to the program."""

from __future__ import annotations

import contextlib
import multiprocessing
import random
import signal
import threading
from multiprocessing.connection import Connection
from pathlib import Path

import pytest

from reedproof.clock import ClockMap
from reedproof.errors import StoreError
from reedproof.link import Link
from reedproof.recorder import Recorder
from reedproof.records import Heartbeat, LinkEvent
from reedproof.sim.board import VirtualBoard
from reedproof.store import Store
from virtual_lines import Cable, check, make_board, named, play, record, record_all, rows, stored

ACKNOWLEDGE = 0x41
SEED = 20
KILLS = 20
FULL = "^[^\\n]*: the disk is full; what was stored is safe, free some space and start again$"


def limit_pages(store: Store, more: int | None) -> None:
    """The disk has room for so many pages more than the store has now; None: for as many as it wants."""
    with store._transaction() as connection:
        pages = connection.exec_driver_sql("PRAGMA page_count").scalar()
        assert pages is not None
        limit = 1_000_000 if more is None else pages + more
        connection.exec_driver_sql(f"PRAGMA max_page_count={limit}")


@pytest.mark.parametrize("more", [0, 1, 2])
def test_a_full_disk_loses_nothing(tmp_path: Path, more: int) -> None:
    """What was acknowledged is stored, what is not stored is on the board, and with room it all comes."""
    path = tmp_path / "store.sqlite"
    board = make_board()
    truth = play(board, 200, every_us=8_000)
    cable = Cable(board)
    with Store(path) as store, Link(lambda: cable) as link:
        recorder = Recorder(link, store)
        record(recorder, 0.2)
        limit_pages(store, more)
        with pytest.raises(StoreError, match=FULL):
            record(recorder, 2.0)
        for _ in range(4):
            with pytest.raises(StoreError, match=FULL):
                recorder.pump(0.05)
            assert store.next_number(recorder.boot_id) == link._acknowledged
        assert rows(path, "PRAGMA integrity_check") == [("ok",)]
        kept = {number for (number,) in rows(path, "SELECT number FROM records")}
        assert kept == set(range(link._acknowledged))
        limit_pages(store, None)
        events = record_all(recorder, truth)
        newest = [event for event in events if isinstance(event, Heartbeat)][-1]
        assert newest.lost == 0
    check(path, board, truth)


def test_starting_again_after_a_full_disk(tmp_path: Path) -> None:
    """The program ended with the error, as it does; the next one gets what the board has kept."""
    path = tmp_path / "store.sqlite"
    board = make_board()
    truth = play(board, 120, every_us=10_000)
    with Store(path) as store, Link(lambda: Cable(board)) as link:
        recorder = Recorder(link, store)
        record(recorder, 0.2)
        limit_pages(store, 0)
        with pytest.raises(StoreError, match=FULL):
            record(recorder, 10.0)
    with Store(path) as store, Link(lambda: Cable(board)) as link:
        record_all(Recorder(link, store), truth)
    check(path, board, truth)
    assert rows(path, "SELECT kind FROM gaps") == []


@pytest.mark.parametrize("failing", ["add_gap", "add", "boot"])
def test_a_store_that_fails_in_the_middle_of_a_reboot(
    tmp_path: Path, failing: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Nothing of the new boot may be stored under the old one, or be acknowledged without being stored."""
    path = tmp_path / "store.sqlite"
    board = make_board()
    old_boot = board.device.boot
    before = play(board, 4, every_us=25_000)
    with Store(path) as store, Link(lambda: Cable(board)) as link:
        recorder = Recorder(link, store)
        record_all(recorder, before)
        board.reset()
        offset_us = board.now_us
        after = play(board, 12, every_us=25_000)
        tries = 0
        real = getattr(store, failing)

        def fail(*arguments: object, **named_ones: object) -> object:
            nonlocal tries
            tries += 1
            if tries <= 3:
                raise StoreError("the disk is full")
            return real(*arguments, **named_ones)

        monkeypatch.setattr(store, failing, fail)
        failed = 0
        while link.now_s() * 1e6 < offset_us + 2e6:
            try:
                recorder.pump(0.05)
            except StoreError:
                failed += 1
        assert failed == 3
    assert stored(path, old_boot) == before
    assert [(c.input, c.time_us + offset_us) for c in stored(path, old_boot + 1)] == [
        (c.input, c.time_us) for c in after
    ]
    assert ("reboot",) in rows(path, "SELECT kind FROM gaps")


def test_what_was_given_to_another_host_is_a_gap_told_once(tmp_path: Path) -> None:
    board = make_board()
    truth = play(board, 6, every_us=25_000)
    with Store(tmp_path / "other.sqlite") as other, Link(lambda: Cable(board)) as link:
        record_all(Recorder(link, other), truth)
    path = tmp_path / "mine.sqlite"
    with Store(path) as store, Link(lambda: Cable(board)) as link:
        record(Recorder(link, store), 0.5)
        assert store.closures_of_boot(1) == {}
    assert rows(path, "SELECT kind, detail FROM gaps") == [
        ("elsewhere", "records 0 to 11 were given to another host")
    ]


def test_an_unnamed_board_gets_a_name_before_anything_is_stored(tmp_path: Path) -> None:
    path = tmp_path / "store.sqlite"
    board = make_board(memory=named(0))
    truth = play(board, 3, every_us=25_000)
    with Store(path) as store, Link(lambda: board) as link:
        recorder = Recorder(link, store)
        name = link.hello.board
        assert name != 0
        record_all(recorder, truth)
    assert rows(path, "SELECT board FROM boots") == [(name,)]
    check(path, board, truth)


def test_records_are_batched_and_acknowledged_once_per_batch(tmp_path: Path) -> None:
    path = tmp_path / "store.sqlite"
    board = make_board()
    truth = play(board, 160, every_us=2_000, closed_ms=12)
    cable = Cable(board)
    with Store(path) as store, Link(lambda: cable) as link:
        record_all(Recorder(link, store), truth)
    check(path, board, truth)
    assert cable.commands.count(ACKNOWLEDGE) < len(truth) / 2


def test_times_are_the_hosts_once_the_clocks_are_matched(tmp_path: Path) -> None:
    path = tmp_path / "store.sqlite"
    board = make_board()
    start_s = 1.7e9
    with Store(path) as store, Link(lambda: board) as link:
        recorder = Recorder(link, store, wall_s=lambda: start_s + link.now_s())
        record(recorder, 0.5)
        truth = play(board, 8, every_us=25_000)
        events: list[LinkEvent] = record_all(recorder, truth)
        assert events
    found = rows(path, "SELECT time_us, host_s FROM records ORDER BY number")
    assert len(found) == 16
    for time_us, host_s in found:
        assert host_s == pytest.approx(start_s + time_us / 1e6, abs=0.01)


# ---- kill -9 ----


def recording(path: Path, seed: int, told: Connection) -> None:
    """The program that is killed: tells of each acknowledgement after it was sent."""
    with Store(path) as store, Link(lambda: make_board(seed)) as link:
        recorder = Recorder(link, store)
        acknowledge = link.acknowledge

        def tell(boot: int, next_number: int) -> None:
            acknowledge(boot, next_number)
            told.send(next_number)

        link.acknowledge = tell  # type: ignore[method-assign]
        board = link.transport
        assert isinstance(board, VirtualBoard)
        play(board, 20_000, every_us=4_000)
        while True:
            recorder.pump(0.05)


def test_a_killed_program_has_stored_all_it_acknowledged(tmp_path: Path) -> None:
    print(f"seed {SEED}")
    chance = random.Random(SEED)
    context = multiprocessing.get_context("fork")
    in_all = 0
    for attempt in range(KILLS):
        path = tmp_path / f"{attempt}.sqlite"
        hears, tells = context.Pipe(duplex=False)
        program = context.Process(target=recording, args=(path, attempt, tells))
        program.start()
        tells.close()
        heard = [hears.recv() for _ in range(chance.randrange(1, 60))]
        threading.Event().wait(chance.uniform(0, 0.004))  # anywhere between two acknowledgements
        program.kill()
        program.join()
        assert program.exitcode == -signal.SIGKILL
        with contextlib.suppress(EOFError):
            while True:
                heard.append(hears.recv())
        with Store(path) as store:
            assert store.next_number(1) >= heard[-1], f"seed {SEED}, attempt {attempt}"
        numbers = [number for (number,) in rows(path, "SELECT number FROM records ORDER BY number")]
        assert numbers == list(range(len(numbers)))
        assert rows(path, "PRAGMA integrity_check") == [("ok",)]
        in_all += heard[-1]
    print(f"{in_all} records acknowledged by {KILLS} killed programs, all of them stored")
    assert in_all > 500


def test_records_kept_for_a_while_get_the_time_at_which_they_happened(tmp_path: Path) -> None:
    """The board kept them for a minute before anybody listened. Its rate is known to a hundredth at first."""
    path = tmp_path / "store.sqlite"
    board = make_board()
    truth = play(board, 5, every_us=100_000)
    while board.now_us < 60_000_000:
        board._step()
    began_s = board.now_s()
    with Store(path) as store, Link(lambda: Cable(board)) as link:
        record(Recorder(link, store, wall_s=lambda: 1.7e9 + board.now_s() - began_s), 1.0)
    seen_s = [s for (s,) in rows(path, "SELECT host_s FROM records WHERE kind = 0 ORDER BY number")]
    happened_s = [1.7e9 + closure.time_us / 1e6 - began_s for closure in truth]
    assert seen_s == pytest.approx(happened_s, abs=0.6)


def test_what_went_to_another_store_leaves_the_ledger_open(tmp_path: Path) -> None:
    board = make_board()
    play(board, 8, every_us=50_000)
    with Store(tmp_path / "first.sqlite") as store, Link(lambda: Cable(board)) as link:
        record(Recorder(link, store), 1.0)
    play(board, 8, every_us=50_000)
    with Store(tmp_path / "second.sqlite") as store, Link(lambda: Cable(board)) as link:
        recorder = Recorder(link, store)
        record(recorder, 3.0)
        recorder.flush()
        assert {line.balances for line in store.ledger(recorder.boot_id)} == {None}
    gaps = rows(tmp_path / "second.sqlite", "SELECT kind, detail FROM gaps WHERE kind = 'elsewhere'")
    assert gaps == [("elsewhere", "records 0 to 15 were given to another host")]


def test_samples_the_board_could_not_take_are_a_gap(tmp_path: Path) -> None:
    path = tmp_path / "store.sqlite"
    board = make_board()
    with Store(path) as store, Link(lambda: Cable(board)) as link:
        recorder = Recorder(link, store)
        record(recorder, 0.2)
        board.device.note_lost_snapshots(7)
        record(recorder, 0.2)
        board.device.note_lost_snapshots(9)
        record(recorder, 0.2)
    assert rows(path, "SELECT kind, detail FROM gaps ORDER BY id") == [
        ("samples_lost", "the board could not follow 7 samples"),
        ("samples_lost", "the board could not follow 2 samples"),
    ]


def test_before_the_clocks_are_matched_the_hello_tells_the_time(tmp_path: Path) -> None:
    board = make_board()
    while board.now_us < 60_000_000:
        board._step()
    began_s = board.now_s()
    with Store(tmp_path / "store.sqlite") as store, Link(lambda: Cable(board)) as link:
        recorder = Recorder(link, store, wall_s=lambda: 1.7e9 + board.now_s() - began_s)
        record(recorder, 0.2)
        link.clock = recorder._clock = ClockMap()
        assert recorder.host_s(20_000_000) == pytest.approx(1.7e9 + 20 - began_s, abs=0.01)


def test_records_of_a_boot_that_come_with_the_next_one_get_its_own_time(tmp_path: Path) -> None:
    """A slow line delivers the last records of a boot of a minute and the hello of the next boot together."""
    path = tmp_path / "store.sqlite"
    reset_us = 60_000_000

    def reset_once(board: VirtualBoard) -> None:
        if board.now_us >= reset_us and board.device.boot == boot:
            board.reset()

    board = make_board(on_step=reset_once)
    boot = board.device.boot
    board.schedule(1, [(reset_us - 40_000, True), (reset_us - 20_000, False)])
    while board.now_us < reset_us - 1_000_000:
        board._step()
    began_s = board.now_s()

    class Slow(Cable):
        def read(self, timeout_s: float) -> bytes:
            data = super().read(timeout_s)
            while reset_us - 50_000 < board.now_us < reset_us + 100_000:
                data += super().read(timeout_s)
            return data

    with Store(path) as store, Link(lambda: Slow(board)) as link:
        record(Recorder(link, store, wall_s=lambda: 1.7e9 + board.now_s() - began_s), 3.0)
    ((made_s,),) = rows(path, "SELECT host_s FROM records WHERE kind = 0")
    assert made_s == pytest.approx(1.7e9 + reset_us / 1e6 - 0.04 - began_s, abs=0.02)
