"""Records that are read again are those that were stored."""

from __future__ import annotations

from pathlib import Path

from reedproof.records import Broke, FaultChange, Heartbeat, Hello, Lost, Made, Record
from reedproof.store import Store

HELLO = Hello(1, 0, 0, 7, 3, 1, 8, 50, 0, 0, 0, 0, 64)
RECORDS: list[tuple[Record, float]] = [
    (Made(0, 1, 1000, 2, 30, 40), 1.0),
    (Broke(1, 1, 9000, 1, 5, 8), 2.0),
    (FaultChange(2, 3, 9500, 4, True), 3.0),
    (FaultChange(3, 3, 9900, 4, False), 4.0),
    (Lost(4, 17), 5.0),
    (Made(21, 8, 1 << 40, 255, 65535, 253952), 6.0),
]


def test_the_newest_records_come_back_as_they_were(tmp_path: Path) -> None:
    with Store(tmp_path / "store.sqlite") as store:
        boot_id = store.boot(HELLO, 0.0)
        store.add(boot_id, RECORDS)
        assert store.newest(boot_id, 100) == RECORDS
        assert store.newest(boot_id, 2) == RECORDS[-2:]
        assert store.newest(boot_id + 1, 2) == []


def test_what_was_heard_last(tmp_path: Path) -> None:
    def beat(number: int, time_us: int, lost: int) -> Heartbeat:
        return Heartbeat(time_us, 0, 0, lost, 0, 0, number, 0, 0, 0, 0, 0, 0, 0, 0)

    with Store(tmp_path / "store.sqlite") as store:
        boot_id = store.boot(HELLO, 0.0)
        assert store.samples_lost(boot_id) is None
        store.add(boot_id, [], [beat(1, 5_000, 9), beat(2, 4_000, 3)])
        assert store.samples_lost(boot_id) == 9
        assert (store.last_boot(7), store.last_boot(8)) == (3, 0)


def test_a_boot_that_left_without_a_record_joins_again(tmp_path: Path) -> None:
    with Store(tmp_path / "store.sqlite") as store:
        boot_id = store.boot(HELLO, 0.0)
        run_id = store.begin_run(0.0, {"layout": {"name": "loop"}}, {})
        for from_s in (1.0, 2.0):
            store.join_run(run_id, "mill", boot_id, 5, from_s, {})
            (board,) = store.run_boards(run_id)
            assert (board.first_number, board.last_number, board.from_s) == (5, None, from_s)
            store.leave_run(run_id, {boot_id: 4})
