"""The virtual board: opened by name, driven by simulated hands, started anew."""

from __future__ import annotations

import itertools
import time
from collections import Counter
from typing import Any

import pytest

from reedproof.errors import LineError, LineLost
from reedproof.link import Link
from reedproof.records import (
    Acknowledge,
    Broke,
    Fault,
    FaultChange,
    Heartbeat,
    LinkUp,
    Made,
    Reboot,
    ResetCause,
    SayHello,
    Selftest,
    SetInput,
)
from reedproof.sim.board import BETWEEN_PASSES_US, FAULTY, SWAPPED, VirtualBoard, open_virtual
from reedproof.sim.contacts import ContactFault
from reedproof.wire import encode_command
from virtual_lines import make_board, play, poll


def made(events: list[object]) -> list[Made]:
    return [event for event in events if isinstance(event, Made)]


def test_the_good_and_the_faulty_board() -> None:
    good = open_virtual("virtual:")
    assert (good.name, good.inputs, good.is_simulated) == ("virtual:", 16, True)
    assert {contact.fault for contact in good.contacts.values()} == {None}
    faulty = open_virtual("virtual:faulty")
    assert {n: contact.fault for n, contact in faulty.contacts.items() if contact.fault} == FAULTY
    assert set(FAULTY.values()) == set(ContactFault)
    assert not set(FAULTY) & set(SWAPPED)
    assert faulty.name == "virtual:faulty"


@pytest.mark.parametrize("url", ["virtual:nonsense", "virtual:Faulty", "virtual: ", "virtual:faulty/2"])
def test_a_virtual_board_that_is_not_there(url: str) -> None:
    with pytest.raises(LineError) as caught:
        open_virtual(url)
    text = str(caught.value)
    assert text.startswith(f"{url}: no such virtual board")
    assert "'virtual:'" in text
    assert "'virtual:faulty'" in text
    assert "\n" not in text
    assert caught.value.exit_code == 3


def test_two_virtual_boards_have_different_names() -> None:
    names = {Link(lambda: open_virtual("virtual:")).hello.board for _ in range(4)}
    assert len(names) == 4
    assert 0 not in names


def test_a_seed_gives_the_same_bytes_again_and_another_seed_others() -> None:
    def said(seed: int) -> bytes:
        board = make_board(seed)
        board.write(b"\x02\x40\x04\x01\xef\x3e\x00")  # the hello of protocol.md, section 2
        play(board, 20, every_us=10_000)
        return b"".join(board.read(0.01) for _ in range(100))

    assert said(1) == said(1)
    assert said(1) != said(2)


def test_time_passes_only_while_somebody_reads() -> None:
    board = make_board()
    assert board.now_s() == 0.0
    board.write(b"\0")
    assert board.now_s() == 0.0
    while board.read(0.25):
        pass
    before_s = board.now_s()
    assert board.read(0.25) == b""
    assert board.now_s() == pytest.approx(before_s + 0.25)
    assert board.read(0.0) == b""
    assert board.now_s() > before_s + 0.25


def test_passes_over_one_contact_do_not_overlap() -> None:
    board = make_board()
    link = Link(lambda: board)
    for _ in range(20):
        board.pass_magnet(2)
    records = [event for event in poll(link, 4.0) if isinstance(event, Made | Broke)]
    assert [type(event) for event in records] == [Made, Broke] * 20


def test_swapped_plugs_answer_for_each_other() -> None:
    board = make_board(swapped=(3, 7))
    link = Link(lambda: board)
    board.pass_magnet(3)
    assert [event.input for event in made(poll(link, 0.5))] == [7]
    board.pass_magnet(7)
    assert [event.input for event in made(poll(link, 0.5))] == [3]
    board.pass_magnet(4)
    assert [event.input for event in made(poll(link, 0.5))] == [4]


def test_the_carousel_goes_over_all_contacts_in_turn() -> None:
    board = make_board(inputs=5)
    link = Link(lambda: board)
    board.carousel(rounds=3)
    closures = made(poll(link, 5.0))
    assert [event.input for event in closures] == [1, 2, 3, 4, 5] * 3
    apart_us = [b.time_us - a.time_us for a, b in itertools.pairwise(closures)]
    assert set(apart_us) == {BETWEEN_PASSES_US}


def test_the_carousel_of_the_faulty_board() -> None:
    board = open_virtual("virtual:faulty")
    link = Link(lambda: board)
    board.carousel(rounds=2)
    events = poll(link, 9.5)
    counts = Counter(event.input for event in made(events))
    faults = {(event.input, Fault(event.fault)) for event in events if isinstance(event, FaultChange)}
    by_kind = {fault: number for number, fault in FAULTY.items()}
    assert counts[by_kind[ContactFault.OPEN_LEAD]] == 0
    assert counts[by_kind[ContactFault.STUCK]] == 1
    assert (by_kind[ContactFault.RUBBING_LEAD], Fault.CHATTER) in faults
    healthy = set(board.contacts) - set(FAULTY)
    assert {counts[number] for number in healthy} == {2}


@pytest.mark.parametrize("cause", [ResetCause.EXTERNAL, ResetCause.WATCHDOG, ResetCause.BROWN_OUT])
def test_a_reset_is_a_new_boot_of_the_same_board(cause: ResetCause) -> None:
    board = make_board()
    link = Link(lambda: board)
    first = link.hello
    play(board, 3, every_us=20_000)
    poll(link, 1.0)
    board.reset(cause)
    board.pass_magnet(9)
    events = poll(link, 1.0)
    (up,) = [event for event in events if isinstance(event, LinkUp)]
    assert up.lost_boot
    assert (up.hello.board, up.hello.boot) == (first.board, first.boot + 1)
    assert up.hello.reset_cause == cause
    assert up.hello.time_us < 2000
    assert [(event.number, event.input) for event in made(events)] == [(0, 9)]
    beats = [event for event in events if isinstance(event, Heartbeat)]
    assert max(beat.closures for beat in beats if beat.input == 9) == 1
    assert {beat.closures for beat in beats if beat.input != 9} == {0}


def test_a_reset_with_a_contact_closed() -> None:
    """It is a fault at once, until it opens."""
    board = make_board()
    link = Link(lambda: board)
    board.schedule(6, [(10_000, True), (800_000, False)])
    poll(link, 0.4)
    board.reset()
    events = poll(link, 0.2)
    changes = [(event.input, event.fault, event.active) for event in events if isinstance(event, FaultChange)]
    assert changes == [(6, Fault.STUCK_CLOSED, True)]
    changes = [(event.fault, event.active) for event in poll(link, 0.8) if isinstance(event, FaultChange)]
    assert changes == [(Fault.STUCK_CLOSED, False)]


def test_a_reboot_that_was_asked_for() -> None:
    board = make_board()
    link = Link(lambda: board)
    poll(link, 0.2)
    link.obey(Reboot())
    (up,) = [event for event in poll(link, 0.5) if isinstance(event, LinkUp) and event.lost_boot]
    assert up.hello.reset_cause == ResetCause.REQUESTED


def test_a_closed_board_is_gone() -> None:
    board = make_board()
    board.close()
    for use in (lambda: board.read(0.1), lambda: board.write(b"x")):
        with pytest.raises(LineLost, match="unplugged"):
            use()


def test_a_step_can_be_watched() -> None:
    steps: list[int] = []
    board = make_board(on_step=lambda seen: steps.append(seen.now_us))
    while board.read(0.01):
        pass
    assert steps[:3] == [500, 1000, 1500]
    assert steps[-1] == board.now_us


@pytest.mark.parametrize("fault", [None, ContactFault.STUCK, ContactFault.RUBBING_LEAD])
def test_time_that_jumps_says_the_same_bytes_at_the_same_times(fault: ContactFault | None) -> None:
    """A watched board goes from step to step; another one jumps from what happens to what happens next.
    Records are left unacknowledged for a while, so that they are sent again; self-tests, a setting that has
    to be stored and a reboot happen, too."""

    def said(**options: Any) -> list[tuple[int, bytes]]:
        board = make_board(seed=5, faults={2: fault} if fault else {}, **options)
        heard = []
        for second in range(12):
            if second % 3 == 0:
                play(board, 10, every_us=37_000)
            if second in (2, 7):
                board.write(encode_command(Selftest(), second))
            if second == 8:
                board.write(encode_command(SetInput(0, 900, 12_000), second))
            if second == 9:
                board.write(encode_command(Reboot(), second))
            if second in (0, 10):
                board.write(encode_command(SayHello(), second))
            if second in (4, 6):
                board.write(encode_command(Acknowledge(board.device.boot, second), second))
            end_us = board.now_us + 1_000_000
            while board.now_us < end_us:
                heard.append((board.now_us, board.read(0.123)))
        return heard

    jumped, stepped = said(), said(on_step=lambda _: None)
    assert jumped == stepped
    assert sum(len(data) for _, data in jumped) > 10_000


def test_real_time_waits_for_the_clock(monkeypatch: pytest.MonkeyPatch) -> None:
    """With a clock of the test's own: how long was waited is what the board's time had run ahead."""
    clock_s = 100.0

    def sleep(seconds: float) -> None:
        nonlocal clock_s
        clock_s += seconds

    monkeypatch.setattr(time, "monotonic", lambda: clock_s)
    monkeypatch.setattr(time, "sleep", sleep)
    for speed, needed_s in ((1.0, 0.5), (10.0, 0.05)):
        start_s = clock_s
        board = VirtualBoard(speed=speed)
        while board.now_s() < 0.5:
            board.read(0.1)
        assert clock_s - start_s == pytest.approx(needed_s, abs=0.001)
    start_s = clock_s
    VirtualBoard().read(5.0)
    assert clock_s == start_s
