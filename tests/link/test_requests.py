"""Commands and their answers, on lines that lose either."""

from __future__ import annotations

import itertools

import pytest

from reedproof.errors import LineError, LineLost, NoAnswer
from reedproof.link import REPLY_TRIES, REPLY_WAIT_S, Link
from reedproof.records import (
    Arm,
    Blink,
    BoardSettings,
    Broke,
    InputSettings,
    LinkDown,
    Made,
    SetInput,
    Status,
    Verdict,
)
from virtual_lines import Cable, Plug, make_board, named, play, poll

REPLY, INPUT_SETTINGS, SELFTEST_RESULT, HELLO = 0x0C, 0x09, 0x0B, 0x01
GET_SETTINGS, SET_INPUT, SELFTEST, BLINK, SAY_HELLO = 0x43, 0x44, 0x47, 0x49, 0x40


class Lumpy(Cable):
    """Hands over what comes in ten milliseconds at once, as a bridge to USB does."""

    def read(self, timeout_s: float) -> bytes:
        end_s = self.now_s() + min(timeout_s, 0.01)
        data = super().read(timeout_s)
        while self.now_s() < end_s:
            data += super().read(end_s - self.now_s())
        return data


def linked(**options: object) -> tuple[Cable, Link]:
    cable = Cable(make_board(**options))  # type: ignore[arg-type]
    return cable, Link(lambda: cable)


def losing(cable: Cable, type_: int, *, first: int) -> None:
    """The first so many messages of a type are lost."""
    numbers = itertools.count()
    cable.loses_message = lambda found: found == type_ and next(numbers) < first


@pytest.mark.parametrize("lost", range(REPLY_TRIES))
def test_a_command_is_repeated_until_it_is_answered(lost: int) -> None:
    cable, link = linked()
    losing(cable, REPLY, first=lost)
    start_s = link.now_s()
    assert link.request(Blink(1)).status == Status.DONE
    assert cable.commands.count(BLINK) == lost + 1
    assert link.now_s() - start_s < (lost + 0.1) * REPLY_WAIT_S


def test_a_board_that_never_answers() -> None:
    cable, link = linked()
    losing(cable, REPLY, first=100)
    with pytest.raises(
        NoAnswer, match=r"^virtual:: the board does not answer 'Blink'; unplug it, plug it in and try again$"
    ):
        link.request(Blink(1))
    assert cable.commands.count(BLINK) == REPLY_TRIES


def test_a_refused_command_is_an_error_that_says_why() -> None:
    _, link = linked()
    assert link.request(SetInput(1, 0, 1)).status == Status.BAD_VALUE
    with pytest.raises(LineError, match=r"^virtual:: the board refuses 'SetInput' \(bad_value\); try again$"):
        link.obey(SetInput(17, 1, 1))


def test_a_second_answer_does_not_answer_the_next_command() -> None:
    """The first was late, so the command was repeated and answered twice."""
    cable, link = linked()
    held: list[bytes] = []
    read = cable.read

    def read_late(timeout_s: float) -> bytes:
        """Holds back all that the board says for longer than a host waits."""
        if link.now_s() < until_s:
            held.append(read(timeout_s))
            return b""
        data, held[:] = b"".join(held), []
        return data or read(timeout_s)

    until_s = link.now_s() + REPLY_WAIT_S + 0.05
    cable.read = read_late  # type: ignore[method-assign]
    assert link.request(SetInput(1, 2000, 9000)).status == Status.DONE
    assert cable.commands.count(SET_INPUT) == 2
    assert link.request(SetInput(1, 0, 9000)).status == Status.BAD_VALUE


@pytest.mark.parametrize("lost", [0, 1, 5])
def test_settings_are_read_whole(lost: int) -> None:
    cable, link = linked(inputs=12)
    losing(cable, INPUT_SETTINGS, first=lost)
    board, inputs = link.settings()
    assert board == BoardSettings(60_000, 600_000, 20, 95)  # protocol.md, section 5
    assert inputs == {number: InputSettings(number, 1000, 10_000) for number in range(1, 13)}
    assert cable.commands.count(GET_SETTINGS) == 1 + (lost > 0)


def test_settings_are_not_those_of_an_earlier_answer() -> None:
    cable, link = linked()
    losing(cable, INPUT_SETTINGS, first=1)  # asked twice, so what comes later is left over
    link.settings()
    link.obey(SetInput(0, 777, 7777))
    assert link.settings()[1] == {number: InputSettings(number, 777, 7777) for number in range(1, 17)}


def test_settings_outlive_a_reset() -> None:
    cable, link = linked()
    link.obey(SetInput(2, 321, 4321))
    poll(link, 0.5)
    cable.board.reset()
    poll(link, 0.5)
    assert link.hello.boot == cable.board.device.boot
    assert link.settings()[1][2] == InputSettings(2, 321, 4321)


@pytest.mark.parametrize("lost", [0, 1, 4])
def test_selftest_finds_shorts_and_closed_contacts(lost: int) -> None:
    cable, link = linked(shorts=[frozenset({2, 5, 11}), frozenset({7, 8})])
    cable.board.schedule(4, [(cable.board.now_us + 1000, True)])
    poll(link, 0.1)
    losing(cable, SELFTEST_RESULT, first=lost)
    results = link.selftest()
    assert list(results) == list(range(1, 17))
    shorted = {2: (5, 11), 5: (2, 11), 11: (2, 5), 7: (8,), 8: (7,)}
    assert {n: r.partners for n, r in results.items() if r.verdict == Verdict.SHORTED} == shorted
    assert [n for n, r in results.items() if r.verdict == Verdict.READS_LOW] == [4]
    good = {n for n, r in results.items() if r.verdict == Verdict.GOOD}
    assert good == set(results) - set(shorted) - {4}
    assert cable.commands.count(SELFTEST) == 1 + (lost > 0)


def test_a_second_selftest_is_not_answered_by_the_first() -> None:
    cable, link = linked()
    losing(cable, SELFTEST_RESULT, first=1)
    link.selftest()
    link.wait_for(lambda _: None, 0.5)  # the rest of the second answer comes, and is kept
    cable.board._shorts.append(frozenset({1, 2}))
    assert [n for n, r in link.selftest().items() if r.verdict == Verdict.SHORTED] == [1, 2]


@pytest.mark.parametrize("lost", [0, 1, 2])
def test_a_board_takes_a_name(lost: int) -> None:
    cable, link = linked(memory=named(0))
    assert link.hello.board == 0
    losing(cable, HELLO, first=lost)
    link.name_board(0xCAFE)
    assert link.hello.board == 0xCAFE
    link.name_board(0xCAFE)  # once more does no harm
    cable.board.reset()
    poll(link, 0.5)
    assert link.hello.board == 0xCAFE


def test_naming_a_board_keeps_the_records_that_come_meanwhile() -> None:
    for start_us in range(0, 24_000, 1000):
        cable = Lumpy(make_board(memory=named(0)))
        link = Link(lambda cable=cable: cable)
        poll(link, 0.1)
        now_us = cable.board.now_us
        cable.board.schedule(3, [(now_us + start_us, True), (now_us + 60_000, False)])
        link.name_board(0xCAFE)
        events = poll(link, 0.3)
        assert [type(event) for event in events if isinstance(event, Made | Broke)] == [Made, Broke], start_us


def test_the_answer_to_one_question_is_not_taken_from_the_others() -> None:
    """Everything that is not asked for stays for poll, in order."""
    cable, link = linked()
    truth = play(cable.board, 20, every_us=5000)
    link.settings()
    link.obey(Arm(0xFFFF))
    link.request(Blink(0))
    records = [event for event in poll(link, 1.0) if isinstance(event, Made | Broke)]
    assert [event.number for event in records] == list(range(40))
    assert [(event.input, event.time_us) for event in records if isinstance(event, Made)] == [
        (closure.input, closure.time_us) for closure in truth
    ]


@pytest.mark.parametrize("cut", ["before", "after"])
def test_a_line_lost_during_a_command(cut: str) -> None:
    board = make_board()
    plug = Plug(lambda _: Cable(board))
    link = Link(plug.connect)
    link.poll(0.1)
    line = plug.lines[0]
    assert isinstance(line, Cable)

    def lose(type_: int | None) -> bool:
        line.plugged = type_ != BLINK
        return True

    if cut == "before":
        line.close()
    line.loses_command = lose
    with pytest.raises(LineLost, match="unplugged"):
        link.request(Blink(1))
    events = link.poll(0.1)
    assert any(isinstance(event, LinkDown) for event in events)
    link.poll(0.1)
    assert link.is_up
    assert link.request(Blink(1)).status == Status.DONE
