"""Opening a line: who answers, who does not, and what the user is told."""

from __future__ import annotations

import random
import struct
from collections.abc import Callable
from itertools import pairwise

import pytest

from reedproof import link as link_module
from reedproof import wire
from reedproof.errors import LineError, LineLost, NoAnswer, WrongVersion
from reedproof.link import HELLO_WAIT_S, Link
from reedproof.records import PROTOCOL_VERSION, Heartbeat, LinkUp
from virtual_lines import Cable, Plug, make_board, poll, type_of

HELLO, SAY_HELLO = 0x01, 0x40
STEP_S = 0.01


class ScriptedLine:
    """Implements Transport with a clock of its own. ``says(now_s, heard)`` is what it sends in each step of
    10 ms, given what was written to it since the step before."""

    name = "scripted"
    is_simulated = True

    def __init__(self, says: Callable[[float, bytes], bytes]) -> None:
        self._says = says
        self._heard = b""
        self._now_s = 0.0
        self.asked_s: list[float] = []
        self.closed = False

    def read(self, timeout_s: float) -> bytes:
        end_s = self._now_s + timeout_s
        while self._now_s <= end_s:
            self._now_s += STEP_S
            heard, self._heard = self._heard, b""
            if said := self._says(self._now_s, heard):
                return said
        return b""

    def write(self, data: bytes) -> None:
        if type_of(data[:-1]) == SAY_HELLO:
            self.asked_s.append(self._now_s)
        self._heard += data

    def close(self) -> None:
        self.closed = True

    def now_s(self) -> float:
        return self._now_s


def other_hello(protocol: int, more: int = 0) -> bytes:
    """Only its first 14 bytes are the same in every version."""
    shared = struct.pack("<BIBII", protocol, 0xC0FFEE01, 1, 0xBADCAB1E, 7)
    return wire.encode_frame(HELLO, 0, shared + bytes(21 + more))


def refusal(line: ScriptedLine, kind: type[LineError]) -> str:
    """The text with which a link is refused on this line: one line, exit code 3, and the line is let go."""
    with pytest.raises(kind) as caught:
        Link(lambda: line)
    assert type(caught.value) is kind
    assert caught.value.exit_code == 3
    assert line.closed
    text = str(caught.value)
    assert "\n" not in text
    assert text.startswith("scripted: ")
    return text


def test_a_board_answers() -> None:
    board = make_board(4, inputs=12)
    with Link(lambda: board) as link:
        assert link.is_up
        assert link.hello.protocol == PROTOCOL_VERSION
        assert (link.hello.kind_name, link.hello.inputs, link.hello.boot) == (
            "virtual",
            12,
            board.device.boot,
        )
        assert link.hello.board != 0
        assert link.poll(0.0)[0] == LinkUp(link.hello, lost_boot=False)


def test_nobody_answers() -> None:
    line = ScriptedLine(lambda _now, _heard: b"")
    text = refusal(line, NoAnswer)
    assert "no answer" in text
    assert "cable" in text
    assert HELLO_WAIT_S <= line.now_s() < HELLO_WAIT_S + 1
    # protocol.md, section 1: hello at once, silence while a loader listens, then hello again and again.
    first, *later = line.asked_s
    assert first == 0.0
    assert 1.5 <= later[0] < 2.1
    assert len(later) >= 4
    assert max(b - a for a, b in pairwise(later)) < 0.6


@pytest.mark.parametrize("has_zeros", [True, False])
def test_something_else_sends(has_zeros: bool) -> None:
    seed = 20 + has_zeros
    print(f"seed {seed}")
    chance = random.Random(seed)
    low = 0 if has_zeros else 1
    line = ScriptedLine(lambda _now, _heard: bytes(chance.randint(low, 255) for _ in range(40)))
    text = refusal(line, NoAnswer)
    assert "something sends" in text
    assert "'reedproof flash " in text


@pytest.mark.parametrize("more", [-2, 0, 5])
@pytest.mark.parametrize(
    ("protocol", "fix"),
    [
        (0, "update the board with 'reedproof flash "),
        (2, "update reedproof on this computer"),
        (255, "update reedproof"),
    ],
)
def test_another_version_of_the_protocol(protocol: int, fix: str, more: int) -> None:
    line = ScriptedLine(lambda _now, heard: other_hello(protocol, more) if heard else b"")
    text = refusal(line, WrongVersion)
    for part in (
        f"protocol {protocol}",
        f"this program {PROTOCOL_VERSION}",
        "board badcab1e",
        "firmware c0ffee01",
        fix,
    ):
        assert part in text


def test_hello_is_repeated_until_the_loader_lets_go() -> None:
    """protocol.md, section 1: a loader may use the line for up to two seconds at another rate."""
    board = make_board()
    chance = random.Random(1)

    def says(now_s: float, heard: bytes) -> bytes:
        if now_s < 2.0:
            return bytes(chance.randrange(256) for _ in range(9))
        if heard:
            board.write(heard)
        return board.read(STEP_S)

    link = Link(lambda: ScriptedLine(says))
    assert link.hello.boot == board.device.boot
    assert 2.0 < link.now_s() < 3.0


def test_a_lost_hello_is_repeated() -> None:
    board = make_board()
    cable = Cable(board)
    board.read(0.1)  # the hello it says unasked
    cable.loses_command = lambda type_: type_ == SAY_HELLO and cable.commands.count(SAY_HELLO) < 4
    link = Link(lambda: cable)
    assert cable.commands.count(SAY_HELLO) == 5
    assert link.is_up


def test_a_board_that_spoke_first_is_greeted() -> None:
    """protocol.md, section 5: after a boot the board says hello unasked, and then nothing before a host
    has said hello. What the host said before that may have gone to the loader."""
    board = make_board()
    cable = Cable(board)
    cable.loses_command = lambda _: len(cable.commands) <= 2
    link = Link(lambda: cable)
    assert sum(isinstance(event, Heartbeat) for event in poll(link, 1.0)) > 25


def test_what_a_loader_left_unread_spoils_no_greeting() -> None:
    """Two bytes at another rate are still in the board's receiver when it has said hello unasked."""
    board = make_board()
    chunks = 0

    def says(_now_s: float, heard: bytes) -> bytes:
        nonlocal chunks
        if heard:
            chunks += 1
            if chunks == 2:
                board.write(b"\xfd\xfb")
            if chunks > 1:
                board.write(heard)
        return board.read(STEP_S)

    link = Link(lambda: ScriptedLine(says))
    assert link.now_s() < 0.5
    assert sum(isinstance(event, Heartbeat) for event in poll(link, 1.0)) > 20


def test_a_line_lost_in_the_handshake() -> None:
    cable = Cable(make_board())
    cable.writable = False
    with pytest.raises(LineLost, match="unplugged"):
        Link(lambda: cable)
    assert not cable.plugged


def test_another_version_after_a_replugging_is_told() -> None:
    board = make_board()
    other = ScriptedLine(lambda _now, heard: other_hello(2) if heard else b"")
    plug = Plug(lambda number: other if number else Cable(board))
    link = Link(plug.connect)
    plug.lines[0].close()
    link.poll(0.1)
    link.poll(0.1)
    with pytest.raises(WrongVersion, match="update reedproof"):
        link.poll(0.1)
    assert other.closed


def test_the_limits_fit_the_protocol() -> None:
    assert HELLO_WAIT_S >= 3.0
    assert link_module.PROBE_EVERY_S < 2.0
    assert link_module.REPLY_WAIT_S == 0.5
