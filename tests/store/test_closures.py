"""Closures of a run, against a model that takes one record after the other."""

from __future__ import annotations

import random
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from reedproof.analysis.closures import Closures
from reedproof.records import Broke, FaultChange, Hello, Lost, Made, Record, width_code, width_value
from reedproof.store import Store
from reedproof.store_closures import LATE_S, merged

SHEET = {"layout": {"name": "Hill Yard"}}
NAMES = ["quarry", "mill", "yard"]
INPUTS = [1, 2, 3, 32]
CONTACTS = {
    (name, number): 4 * at + i for at, name in enumerate(NAMES) for i, number in enumerate(INPUTS[:3])
}
START_S = 1.7e9
Told = tuple[int, float, float | None, int, int]


def hello(board: int, boot: int) -> Hello:
    return Hello(
        protocol=1, build=0xC0FFEE, kind=1, board=board, boot=boot, reset_cause=1, inputs=16, sample_us=50,
        flags=0, time_us=0, oldest=0, next=0, ring=64,
    )  # fmt: skip


def boot_of_records(chance: random.Random, closures: int, late: bool) -> list[tuple[Record, float]]:
    """What a board may say: trains on all inputs, faults between, records lost, the last contact closed."""
    happened: list[tuple[int, int, int | None]] = []  # when it counted, input, made_us of what breaks
    free_us = dict.fromkeys(INPUTS, 0)
    at_us = 0
    for _ in range(closures):
        at_us += chance.randrange(1, 400_000)
        number = chance.choice(INPUTS)
        made_us = max(at_us, free_us[number])
        broke_us = made_us + chance.choice([60_000, 1000, 999_999, 700_000_000])
        free_us[number] = broke_us + 10_000
        happened += [(made_us, number, None), (broke_us, number, made_us)]
    happened.sort(key=lambda each: each[0])
    records: list[tuple[Record, float]] = []
    at = 0
    for time_us, number, made_us in happened:
        # Without lateness the host sees a time base that stands still.
        host_s = START_S + time_us / 1e6 + (chance.uniform(0, LATE_S / 3) if late else 0.0)
        if chance.random() < 0.05:
            records.append((FaultChange(at, number, time_us, 4, True), host_s))
            at += 1
        if chance.random() < 0.1:
            count = chance.randrange(1, 4)
            if records and isinstance(records[-1][0], Lost):
                count += records.pop()[0].count  # type: ignore[union-attr]
                at = records[-1][0].number + 1 if records and not isinstance(records[-1][0], Lost) else 0
            records.append((Lost(at, count), host_s))
            at += count
            continue
        bounces = chance.randrange(256)
        if made_us is None:
            records.append((Made(at, number, time_us, bounces, 31, 62), host_s))
        else:
            said_ms = width_value(width_code((time_us - made_us) // 1000))
            records.append((Broke(at, number, time_us, bounces, chance.randrange(256), said_ms), host_s))
        at += 1
    return records[: len(records) - chance.randrange(2)]


def expected(name: str, records: list[tuple[Record, float]], first: int, last: int) -> Iterator[Told]:
    """One record after the other; whatever was lost makes the open closures unknown, unless a `broke` says
    that its own `made` was this one."""
    mine = [(r, s) for r, s in records if first <= r.number <= last]
    for at, (made, host_s) in enumerate(mine):
        if not isinstance(made, Made) or (name, made.input) not in CONTACTS:
            continue
        lasted_ms, bounces, dropouts = None, made.bounces, 0
        for after, _ in mine[at + 1 :]:
            if isinstance(after, Made | Broke) and after.input == made.input:
                if isinstance(after, Broke):
                    true_us = after.time_us - made.time_us
                    if abs(width_code(true_us // 1000) - width_code(after.duration_ms)) <= 1:
                        lasted_ms = true_us / 1000
                        bounces += after.bounces
                        dropouts = after.dropouts
                break
        yield CONTACTS[name, made.input], host_s, lasted_ms, bounces, dropouts


def told(parts: list[Closures]) -> list[Told]:
    whole = Closures.join(parts)
    return [
        (int(c), float(s), None if np.isnan(d) else float(d), int(b), int(o))
        for c, s, d, b, o in zip(
            whole.contact, whole.made_s, whole.duration_ms, whole.bounces, whole.dropouts, strict=True
        )
    ]


@pytest.mark.parametrize("late", [False, True])
@given(seed=st.integers(0, 2**32), chunk=st.sampled_from([1, 3, 10, 1000]))
@settings(max_examples=40, deadline=None)
def test_the_same_as_record_by_record(late: bool, seed: int, chunk: int) -> None:
    chance = random.Random(seed)
    wanted: list[Told] = []
    with Store(":memory:") as store:
        run_id = store.begin_run(START_S, SHEET, {})
        for board, name in enumerate(NAMES, start=1):
            begins_s = START_S
            for boot in range(chance.randrange(1, 3)):
                records = boot_of_records(chance, chance.randrange(30), late)
                records = [(r, s + begins_s - START_S) for r, s in records]
                boot_id = store.boot(hello(board, boot), begins_s)
                store.add(boot_id, records)
                end = store.next_number(boot_id)
                cuts = sorted(chance.randrange(end + 1) for _ in range(3))
                for first, last in ((cuts[0], cuts[1] - 1), (cuts[2], end - 1)):  # a pause between
                    inside = any(first <= record.number <= last for record, _ in records)
                    if inside:
                        store.join_run(run_id, name, boot_id, first, begins_s + 1e-3 * first, {})
                        store.leave_run(run_id, {boot_id: last})
                        wanted += expected(name, records, first, last)
                begins_s = max([begins_s, *(s for _, s in records)]) + LATE_S
        found = list(store.closures(run_id, CONTACTS, chunk))
    times_s = [time_s for _, time_s, *_ in told(found)]
    assert times_s == sorted(times_s)

    def key(each: Told) -> tuple[float, int]:
        return each[1], each[0]

    assert sorted(told(found), key=key) == [
        (c, s, d if d is None else float(np.float32(d)), b, o) for c, s, d, b, o in sorted(wanted, key=key)
    ]


def part(times_s: list[float], contact: int = 0) -> Closures:
    count = len(times_s)
    return Closures(
        np.full(count, contact, np.int16), np.array(times_s), np.zeros(count, np.float32),
        np.zeros(count, np.uint16), np.zeros(count, np.uint16),
    )  # fmt: skip


def test_a_clock_that_is_set_back_does_not_turn_time_round() -> None:
    first = iter([part([100.0, 200.0, 300.0]), part([50.0, 310.0]), part([320.0])])
    second = iter([part([101.0, 299.0, 330.0], contact=1)])
    whole = Closures.join(list(merged([first, second])))
    assert len(whole) == 9
    assert (np.diff(whole.made_s) >= 0).all()
    assert whole.made_s.min() == 100.0


def test_a_run_is_read_a_piece_at_a_time(tmp_path: Path) -> None:
    """Flat memory: no board is read far ahead of what is handed out."""
    with Store(tmp_path / "s") as store:
        run_id = store.begin_run(START_S, SHEET, {})
        for board, name in enumerate(NAMES, start=1):
            boot_id = store.boot(hello(board, 1), START_S)
            store.join_run(run_id, name, boot_id, 0, START_S, {})
            store.add(boot_id, [(Made(n, 1, 10**6 * n, 0, 0, 0), START_S + n) for n in range(2000)])
        parts = list(store.closures(run_id, CONTACTS, chunk=60))
    assert sum(map(len, parts)) == 6000
    assert max(map(len, parts)) <= 60 + 3 * LATE_S + 60
