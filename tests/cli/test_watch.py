"""`reedproof watch`: live on a terminal, lines for programs, and a summary in the end."""

from __future__ import annotations

import io
import json
import re
import signal
from collections.abc import Callable
from typing import Any

import pytest
from rich.console import Console

from cli.command import PATIENCE_S, Ran, on_terminal, plain, run, start
from reedproof.cli import watch as watch_module
from reedproof.errors import LineLost
from reedproof.records import Fault, Hello, Made
from reedproof.sim.board import VirtualBoard
from reedproof.sim.contacts import ContactFault
from reedproof.store import Store
from reedproof.store_tables import records

PlugIn = Callable[[Callable[..., VirtualBoard]], None]


def rows(ran: Ran) -> dict[int, list[str]]:
    found = re.findall(r"^ +(\d+) {3}((?:open|just|CLOSED).*)$", ran.out, re.MULTILINE)
    return {int(number): cells.split() for number, cells in found}


def summary(text: str) -> tuple[int, int]:
    """(closures, seconds) of the last line."""
    found = re.search(r"^(\d+) closures in (\d+) s, stored in \S+", text.splitlines()[-1])
    assert found, text
    return int(found[1]), int(found[2])


def test_stops_by_itself_with_a_summary() -> None:
    ran = run("watch", "virtual:", "--seconds", "1.5")
    assert (ran.code, ran.err) == (0, "")
    closures, seconds = summary(ran.out)
    assert seconds in (1, 2)
    assert closures == sum(int(cells[1]) for cells in rows(ran).values())
    # A magnet every 250 ms: none is invented, and at most the start is missed.
    assert 3 <= closures <= 7
    assert list(rows(ran)) == list(range(1, 17))


def test_what_was_seen_is_stored() -> None:
    ran = run("watch", "virtual:", "--seconds", "1")
    closures, _ = summary(ran.out)
    with Store() as store:
        assert sum(store.closures_of_boot(1).values()) == closures


def test_the_train_goes_on(plug_in: PlugIn) -> None:
    """Round and round: with two inputs a lap takes half a second."""
    plug_in(lambda speed: VirtualBoard(inputs=2, speed=4 * speed))
    ran = run("watch", "virtual:", "--seconds", "1.5")
    assert all(int(cells[1]) >= 3 for cells in rows(ran).values()), ran.out


def test_a_fault_that_lasts(plug_in: PlugIn) -> None:
    plug_in(lambda speed: VirtualBoard(inputs=2, speed=4 * speed, faults={1: ContactFault.RUBBING_LEAD}))
    ran = run("watch", "virtual:", "--seconds", "1")
    assert ran.code == 1
    assert rows(ran)[1][-1] == "chatter"
    assert ran.out.splitlines()[-1].endswith("; fault on input 1")


def test_a_fault_that_went_away_was_a_fault(plug_in: PlugIn) -> None:
    def make(speed: float) -> VirtualBoard:
        board = VirtualBoard(inputs=8, speed=8 * speed)
        board.schedule(8, [(200_000 + 1000 * n, n % 2 == 0) for n in range(200)])
        return board

    plug_in(make)
    ran = run("watch", "virtual:", "--seconds", "1")
    assert ran.code == 1
    assert rows(ran)[8][-1] != "chatter", "it is over by then, or this tests nothing"
    assert ran.out.splitlines()[-1].endswith("; fault on input 8")


def test_json_is_a_line_per_event() -> None:
    ran = run("watch", "virtual:", "--seconds", "1", "--json")
    assert ran.code == 0
    events = [json.loads(line) for line in ran.out.splitlines()]
    kinds = [event["event"] for event in events]
    assert "Heartbeat" not in kinds
    made = [event for event in events if event["event"] == "made"]
    assert [event["input"] for event in made] == list(range(1, len(made) + 1))
    assert len(made) == summary(ran.err)[0]
    numbers = [event["number"] for event in events if "number" in event]
    assert numbers == list(range(len(numbers)))


def test_json_and_a_fault(plug_in: PlugIn) -> None:
    plug_in(lambda speed: VirtualBoard(inputs=1, speed=4 * speed, faults={1: ContactFault.RUBBING_LEAD}))
    ran = run("watch", "virtual:", "--seconds", "1", "--json")
    assert ran.code == 1
    changes = [event for event in map(json.loads, ran.out.splitlines()) if event["event"] == "fault"]
    assert (changes[0]["input"], changes[0]["active"]) == (1, True)


def test_ctrl_c_in_the_middle() -> None:
    process = start("watch", "virtual:", "--json")
    assert process.stdout is not None
    for line in process.stdout:
        if json.loads(line)["event"] == "made":
            break
    process.send_signal(signal.SIGINT)
    try:
        _, err = process.communicate(timeout=PATIENCE_S)
    finally:
        process.kill()
    assert process.returncode == 0
    assert "Traceback" not in err
    closures, _ = summary(err)
    assert closures >= 1
    with Store() as store:
        assert sum(store.closures_of_boot(1).values()) == closures


def test_an_unplugged_board_is_waited_for(plug_in: PlugIn, monkeypatch: pytest.MonkeyPatch) -> None:
    """The line fails once; afterwards the board is there again."""

    class Loose(VirtualBoard):
        def read(self, timeout_s: float) -> bytes:
            if len(boards) == 1 and self.now_us > 600_000:
                raise LineLost("virtual:: the line is gone (unplugged?)")
            return super().read(timeout_s)

    boards: list[VirtualBoard] = []
    titles: list[str] = []

    def make(**options: Any) -> VirtualBoard:
        boards.append(Loose(inputs=2, memory=boards[0].device.memory if boards else None, **options))
        return boards[-1]

    take = watch_module._Screen.take

    def spy(screen: Any, event: Any, now_s: float) -> None:
        take(screen, event, now_s)
        titles.append(screen.state)

    monkeypatch.setattr(watch_module._Screen, "take", spy)
    plug_in(make)
    ran = run("watch", "virtual:", "--seconds", "1.2", "--json")
    assert ran.code == 0
    kinds = [json.loads(line)["event"] for line in ran.out.splitlines()]
    assert kinds.count("link_down") == 1
    assert kinds.count("link_up") == 2
    assert any("the line is gone (unplugged?); waiting for it to come back" in title for title in titles)
    assert titles[-1] == ""


def test_a_bell_per_closure() -> None:
    ran = on_terminal("watch", "virtual:", "--tick", "--seconds", "1.2")
    assert ran.code == 0
    assert ran.out.count("\a") == summary(plain(ran.out))[0] > 0
    assert "\a" not in on_terminal("watch", "virtual:", "--seconds", "0.5").out


def test_live_screen_fits_a_small_terminal() -> None:
    """What is on the screen last is the whole table, undamaged, in 80 by 24."""
    ran = on_terminal("watch", "virtual:faulty", "--seconds", "1")
    screen = plain(ran.out)
    last = screen[screen.rindex("\n input   now") :].splitlines()[1:]
    assert [line.split()[0] for line in last[2:18]] == [str(number) for number in range(1, 17)]
    assert max(map(len, last[:18])) <= 80
    assert len(last) <= 24 - 3  # the identity of the board and a title come before


def test_records_of_two_watches_do_not_mix() -> None:
    run("watch", "virtual:", "--seconds", "0.6")
    run("watch", "virtual:", "--seconds", "0.6")
    with Store() as store, store._transaction() as connection:
        boots = {row.boot_id for row in connection.execute(records.select())}
    assert len(boots) == 2


def hello(board: int, inputs: int) -> Hello:
    return Hello(1, 0, 3, board, 1, 1, inputs, 50, 0, 0, 0, 0, 128)


def test_another_board_on_the_same_port_begins_at_nothing() -> None:
    screen = watch_module._Screen()
    screen.welcome(hello(board=1, inputs=16), "/dev/ttyUSB0")
    screen.take(Made(0, 5, 1000, 0, 0, 0), 0.0)
    screen.welcome(hello(board=1, inputs=16), "/dev/ttyUSB0")
    assert screen.lines[5].closures == 1  # the same one, back again
    screen.welcome(hello(board=2, inputs=32), "/dev/ttyUSB0")
    screen.take(Made(0, 32, 1000, 0, 0, 0), 0.0)
    assert (screen.lines[5].closures, screen.lines[32].closures) == (0, 1)
    assert "00000002" in screen.title


def test_a_board_with_32_inputs_fits_a_small_terminal() -> None:
    screen = watch_module._Screen()
    screen.welcome(hello(board=0x01234567, inputs=32), "/dev/ttyUSB0")
    for number in (1, 17, 32):
        screen.lines[number].faults = Fault.NEVER_TRIGGERED
    out = Console(width=80, file=io.StringIO(), record=True)
    out.print(screen.table(0.0))
    lines = out.export_text().rstrip().splitlines()
    assert len(lines) < 24
    assert max(map(len, lines)) <= 80
    assert sum(line.count("never_triggered") for line in lines) == 3
    assert all(f" {number} " in "\n".join(lines) for number in range(1, 33))
