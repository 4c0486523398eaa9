"""The real firmware, cycle by cycle, behind a pseudo-terminal, with the real host library in front of it.

In about real time, by the operating system's clock: every wait is bounded. What is asked of the board here
does not depend on how fast this machine runs it.
"""

from __future__ import annotations

import random
import time
from collections import Counter
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from avr_board import CYCLES_PER_US, PINS, built
from rig import PtyBoard, Simulator

from reedproof.errors import LineError, PortBusy
from reedproof.link import Link
from reedproof.recorder import Recorder
from reedproof.records import (
    Blink,
    BoardSettings,
    Heartbeat,
    InputSettings,
    LinkDown,
    LinkEvent,
    LinkUp,
    SetBoard,
    SetInput,
    Status,
    Verdict,
)
from reedproof.sim.contacts import Contact
from reedproof.store import Store
from reedproof.store_tables import BROKE, MADE
from reedproof.transport import SerialTransport
from virtual_lines import rows

LIMIT_S = 25.0
SEED = 8
PINS_OF_NANO = PINS["nano"]


@pytest.fixture
def board(request: pytest.FixtureRequest) -> Iterator[PtyBoard]:
    simulator = Simulator(built("nano"), "atmega328p")
    with PtyBoard(simulator, auto_reset=bool(getattr(request, "param", False))) as running:
        yield running
    simulator.close()


def connected(board: PtyBoard) -> Link:
    return Link(lambda: SerialTransport(board.port))


def pump_until(recorder: Recorder, is_done: Callable[[], bool], what: str) -> list[LinkEvent]:
    end_s = time.monotonic() + LIMIT_S
    events: list[LinkEvent] = []
    while not is_done():
        assert time.monotonic() < end_s, f"not within {LIMIT_S} s: {what}"
        events += recorder.pump(0.05)
    return events


def drive(board: PtyBoard, passes: int, every_us: int, seed: int) -> Counter[int]:
    """Schedules passes over all inputs in turn; returns how often each must have closed."""
    contacts = [
        Contact(random.Random(f"{seed}/{index}"), closure_ms=25.0) for index in range(len(PINS_OF_NANO))
    ]
    counts: Counter[int] = Counter()
    with board.lock:
        start = board.simulator.cycle + 50_000 * CYCLES_PER_US
        events = []
        for index in range(passes):
            which = index % len(contacts)
            counts[which + 1] += 1
            for time_us, closed in contacts[which].pass_magnet(index * every_us):
                level = 0 if closed else None
                events.append((start + time_us * CYCLES_PER_US, *PINS_OF_NANO[which], level))
        board.simulator.drive_many(events)
    return counts


def newest_beat(events: list[LinkEvent]) -> Heartbeat:
    return [event for event in events if isinstance(event, Heartbeat)][-1]


def all_counted(store: Store, boot_id: int, counts: Counter[int]) -> bool:
    ledger = {line.input: line for line in store.ledger(boot_id)}
    return all(
        n in ledger and ledger[n].balances and ledger[n].counted == count for n, count in counts.items()
    )


def test_hello_name_settings_and_selftest(board: PtyBoard) -> None:
    with connected(board) as link:
        hello = link.hello
        assert (hello.kind_name, hello.inputs, hello.sample_us, hello.board) == ("nano", 16, 50, 0)
        assert hello.settings_defaulted
        link.name_board(0xFE42)
        assert link.hello.board == 0xFE42
        link.obey(SetBoard(50_000, 0, 30, 100))
        link.obey(SetInput(0, 2000, 8000))
        link.obey(SetInput(5, 1500, 7000))
        whole, inputs = link.settings()
        assert whole == BoardSettings(50_000, 0, 30, 100)
        assert inputs == {
            n: InputSettings(n, *((1500, 7000) if n == 5 else (2000, 8000))) for n in range(1, 17)
        }
        assert link.request(SetInput(17, 1, 1)).status == Status.BAD_VALUE
        with board.lock:
            board.simulator.join(PINS_OF_NANO[2], PINS_OF_NANO[10])
            board.simulator.drive(*PINS_OF_NANO[6], 0)
        results = link.selftest()
        assert {n: r.partners for n, r in results.items() if r.verdict == Verdict.SHORTED} == {
            3: (11,),
            11: (3,),
        }
        assert [n for n, r in results.items() if r.verdict == Verdict.READS_LOW] == [7]
        assert sum(r.verdict == Verdict.GOOD for r in results.values()) == 13
        with pytest.raises(PortBusy):
            SerialTransport(board.port)


@pytest.mark.parametrize("every_us", [20_000, 8_000, 4_000])
def test_closures_are_stored_once_and_the_ledger_balances(
    tmp_path: Path, board: PtyBoard, every_us: int
) -> None:
    seed = SEED + every_us
    print(f"seed {seed}")
    path = tmp_path / "store.sqlite"
    with Store(path) as store, connected(board) as link:
        recorder = Recorder(link, store)
        counts = drive(board, 200, every_us, seed)
        events = pump_until(recorder, lambda: all_counted(store, recorder.boot_id, counts), "the closures")
        total = counts.total()
        assert store.closures_of_boot(recorder.boot_id) == counts
        end_s = time.monotonic() + LIMIT_S
        while (beat := newest_beat(events)).oldest < beat.next:
            assert time.monotonic() < end_s, "acknowledging does not empty the board"
            events += recorder.pump(0.05)
        assert beat.next == store.next_number(recorder.boot_id) == 2 * total
        assert beat.frames_bad == 0
        assert not [event for event in events if isinstance(event, LinkDown)]
        host_s, bound_s = link.clock.to_host(beat.time_us)
        assert 0 < bound_s < 0.1  # a probe's way there and back, and what clocks drift apart between two
        assert host_s - bound_s < link.now_s()  # the heartbeat cannot be younger than now
    numbers = rows(path, "SELECT number FROM records ORDER BY number")
    pairs = rows(path, "SELECT input, kind FROM records ORDER BY input, number")
    assert numbers == [(number,) for number in range(2 * total)]
    assert pairs == [(n, kind) for n in range(1, 17) for _ in range(counts[n]) for kind in (MADE, BROKE)]


def test_unplugged_while_recording(tmp_path: Path, board: PtyBoard) -> None:
    path = tmp_path / "store.sqlite"
    with Store(path) as store, connected(board) as link:
        recorder = Recorder(link, store)
        drive(board, 500, 8_000, SEED)
        pump_until(recorder, lambda: store.next_number(recorder.boot_id) >= 60, "some records")
        board.vanish()
        downs: list[LinkEvent] = []
        end_s = time.monotonic() + LIMIT_S
        while not downs:
            assert time.monotonic() < end_s
            downs += [event for event in recorder.pump(0.05) if isinstance(event, LinkDown)]
        assert not link.is_up
        assert recorder.pump(0.05) == []  # it is waiting for the board, without an error
        stored = store.next_number(recorder.boot_id)
    numbers = rows(path, "SELECT number FROM records ORDER BY number")
    assert numbers == [(number,) for number in range(stored)]
    assert rows(path, "SELECT kind FROM gaps") == [("link_down",)]


def test_a_board_that_comes_back(tmp_path: Path) -> None:
    """Another life of the same board, on another port: its records are another boot's."""
    path = tmp_path / "store.sqlite"
    first = Simulator(built("nano"), "atmega328p")
    ports: list[str] = []
    with Store(path) as store:
        with PtyBoard(first) as before:
            ports.append(before.port)
            link = Link(lambda: SerialTransport(ports[-1]))
            recorder = Recorder(link, store)
            boot = link.hello.boot
            counts = drive(before, 16, 8_000, SEED)
            pump_until(recorder, lambda: all_counted(store, recorder.boot_id, counts), "the first closures")
        memory = first.eeprom
        first.close()
        second = Simulator(built("nano"), "atmega328p", eeprom=memory)
        with PtyBoard(second) as after:
            ports.append(after.port)
            events = pump_until(recorder, lambda: recorder.boot_id != 1, "the board")
            (up,) = [event for event in events if isinstance(event, LinkUp)][-1:]
            assert up.lost_boot
            assert link.hello.boot == boot + 1
            counts = drive(after, 32, 8_000, SEED + 1)
            pump_until(recorder, lambda: all_counted(store, recorder.boot_id, counts), "the second closures")
            link.close()
        second.close()
        assert sum(store.closures_of_boot(1).values()) == 16
        assert sum(store.closures_of_boot(2).values()) == 32


@pytest.mark.parametrize("board", [True], indirect=True)
def test_a_board_that_resets_when_its_port_is_opened(board: PtyBoard) -> None:
    boots = []
    for _ in range(2):
        with connected(board) as link:
            boots.append(link.hello.boot)
            beats = 0
            end_s = time.monotonic() + LIMIT_S
            while beats < 20:
                assert time.monotonic() < end_s
                beats += sum(isinstance(event, Heartbeat) for event in link.poll(0.05))
            assert link.request(Blink(0)).status == Status.DONE
            assert link.is_up
        time.sleep(0.1)  # the rig sees the closing at its next slice
    assert boots[1] > boots[0]


def test_a_port_without_a_board_is_told(board: PtyBoard) -> None:
    board.vanish()
    with pytest.raises(LineError) as caught:
        connected(board)
    assert caught.value.exit_code == 3
