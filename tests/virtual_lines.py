"""Lines to virtual boards that tests can unplug, damage and listen to, and what a store must hold then."""

from __future__ import annotations

import contextlib
import sqlite3
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest
from cobs import cobs

from reedproof import store as store_module
from reedproof import wire
from reedproof.errors import LineLost
from reedproof.link import Link
from reedproof.recorder import Recorder
from reedproof.records import LinkEvent, NameBoard
from reedproof.sim.board import VirtualBoard
from reedproof.sim.core import Device
from reedproof.store import Store
from reedproof.transport import Transport


def stop_waiting_for_the_disk(monkeypatch: pytest.MonkeyPatch) -> None:
    """For tests that do not cut the power: a commit that waits for the disk takes milliseconds."""
    set_up = store_module._set_up_sqlite

    def set_up_quick(connection: Any, entry: object) -> None:
        set_up(connection, entry)
        connection.execute("PRAGMA synchronous=OFF")

    monkeypatch.setattr(store_module, "_set_up_sqlite", set_up_quick)


def named(board: int = 0x5EED) -> bytearray:
    """Non-volatile memory of a board with this name; a virtual board else gives itself one by chance."""
    device = Device()
    device.receive(0, wire.encode_command(NameBoard(board), 0))
    device.poll(0)
    return device.memory


def make_board(seed: int = 1, **options: Any) -> VirtualBoard:
    return VirtualBoard(seed=seed, **{"memory": named(), **options})


def type_of(frame: bytes) -> int | None:
    """None for a piece of a frame."""
    try:
        return cobs.decode(frame)[0]
    except (cobs.DecodeError, IndexError):
        return None


class Cable:
    """Implements Transport. Closing it leaves the board as it is: it can be plugged in again.

    ``loses_command(type)`` and ``loses_message(type)`` say which frames do not get through.
    """

    is_simulated = True

    def __init__(self, board: VirtualBoard) -> None:
        self.name = board.name
        self.board = board
        self.plugged = True
        self.writable = True
        self.loses_command: Callable[[int | None], bool] = lambda _: False
        self.loses_message: Callable[[int | None], bool] = lambda _: False
        self.commands: list[int | None] = []
        self._tail = b""

    def _check(self, works: bool) -> None:
        if not works:
            raise LineLost(f"{self.name}: the line is gone (unplugged?)")

    def read(self, timeout_s: float) -> bytes:
        self._check(self.plugged)
        *frames, self._tail = (self._tail + self.board.read(timeout_s)).split(b"\0")
        return b"".join(f + b"\0" for f in frames if not self.loses_message(type_of(f)))

    def write(self, data: bytes) -> None:
        self._check(self.plugged and self.writable)
        type_ = type_of(data.removesuffix(b"\0"))
        self.commands.append(type_)
        if not self.loses_command(type_):
            self.board.write(data)

    def close(self) -> None:
        self.plugged = False

    def now_s(self) -> float:
        return self.board.now_s()


@dataclass
class Plug:
    """Give ``connect`` to a Link; ``make`` gets the number of the connection, from 0."""

    make: Callable[[int], Transport]
    lines: list[Transport] = field(default_factory=list)

    def connect(self) -> Transport:
        self.lines.append(self.make(len(self.lines)))
        return self.lines[-1]


@dataclass(frozen=True)
class Closure:
    input: int
    time_us: int  # of the first edge, in microseconds since the board booted


def play(board: VirtualBoard, passes: int, every_us: int, closed_ms: float = 20.0) -> list[Closure]:
    """Schedules passes over all inputs in turn, from soon on; returns the closures they must give."""
    truth = []
    at_us = board.now_us + 20_000
    for index in range(passes):
        number = index % board.inputs + 1
        board.contacts[number].closure_ms = closed_ms
        edges = board.contacts[number].pass_magnet(at_us)
        board.schedule(number, edges)
        truth.append(Closure(number, edges[0][0]))
        at_us += every_us
    return truth


def rows(path: Path, query: str, *values: object) -> list[tuple[Any, ...]]:
    """Looks into a store without our own code."""
    with contextlib.closing(sqlite3.connect(path)) as connection:
        return connection.execute(query, values).fetchall()


def stored(path: Path, boot: int) -> list[Closure]:
    """The closures in a store, in the order of their numbers."""
    query = (
        "SELECT input, time_us FROM records JOIN boots ON boots.id = boot_id "
        "WHERE records.kind = 0 AND boot = ? ORDER BY number"
    )
    return [Closure(*row) for row in rows(path, query, boot)]


def record(recorder: Recorder, seconds: float) -> list[LinkEvent]:
    """Pumps for a stretch of the board's time."""
    end_s = recorder.link.now_s() + seconds
    events: list[LinkEvent] = []
    while recorder.link.now_s() < end_s:
        events += recorder.pump(0.05)
    return events


def record_all(recorder: Recorder, truth: list[Closure], limit_s: float = 20.0) -> list[LinkEvent]:
    """Pumps until all closures are stored and every input's counters say so."""
    end_s = recorder.link.now_s() + limit_s
    events: list[LinkEvent] = []
    while True:
        events += record(recorder, 0.1)
        ledger = recorder.store.ledger(recorder.boot_id)
        is_complete = recorder.store.next_number(recorder.boot_id) == 2 * len(truth)
        if is_complete and sum(line.counted for line in ledger) == len(truth):
            return events
        assert recorder.link.now_s() < end_s, f"not all of {len(truth)} closures come: {ledger}"


def poll(link: Link, seconds: float) -> list[LinkEvent]:
    end_s = link.now_s() + seconds
    events: list[LinkEvent] = []
    while link.now_s() < end_s:
        events += link.poll(0.05)
    return events


def check(path: Path, board: VirtualBoard, truth: list[Closure]) -> None:
    """Every closure is stored exactly once, both its records are, and the ledger of every input balances."""
    boot = board.device.boot
    found = stored(path, boot)
    assert Counter(found) == Counter(truth), (
        f"missing {set(truth) - set(found)}, extra {set(found) - set(truth)}"
    )
    ((boot_id,),) = rows(path, "SELECT id FROM boots WHERE boot = ?", boot)
    numbers = rows(path, "SELECT number FROM records WHERE boot_id = ? ORDER BY number", boot_id)
    assert numbers == [(number,) for number in range(2 * len(truth))]
    expected = Counter(closure.input for closure in truth)
    with Store(path) as store:
        ledger = store.ledger(boot_id)
    assert {line.input: line.counted for line in ledger if line.counted} == expected
    assert [line for line in ledger if not line.balances] == []
