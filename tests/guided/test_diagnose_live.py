"""The screen of a guided session: what is asked, what is told, and what a user can do wrong."""

from __future__ import annotations

import fcntl
import io
import os
import pty
import re
import select
import signal
import struct
import subprocess
import sys
import termios
import time
from collections import deque
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from rich.console import Console

from cli.command import PATIENCE_S, PluggedBoard, plain
from guided.people import closures_of
from reedproof.analysis.case import Case, Step
from reedproof.cli import diagnose_live
from reedproof.cli.diagnose_live import CAUTIONS, QUESTIONS, session
from reedproof.errors import LineError, LineLost, ReedproofError
from reedproof.guided import Phase
from reedproof.layout import SheetError
from reedproof.link import Link
from reedproof.sim.board import VirtualBoard
from reedproof.store import Store
from reedproof.trace_reader import read_trace
from reedproof.transport import Transport
from virtual_lines import Cable, make_board, named

SHEET = Path(diagnose_live.__file__).parents[1] / "examples" / "fernhollow.toml"


def asked(port: str = "virtual:faulty", **options: Any) -> tuple[Case, list[str]]:
    """The case, and the lines of the screen."""
    text = io.StringIO()
    case = session(port, out=Console(file=text, width=200, highlight=False), **options)
    return case, text.getvalue().splitlines()


def test_an_open_lead_on_the_screen() -> None:
    case, lines = asked(number=3)
    assert re.match("virtual board [0-9a-f]{8} on virtual:faulty: 16 inputs", lines[0])
    assert lines[1] == CAUTIONS
    assert "a pass" in lines[2]
    assert lines[3:] == [
        "electrical self-test ... good",
        "Leave everything still: no train moves, no hand is near.",
        "  nothing closed by itself",
        "Drive the vehicle over the contact on input 3 5 times at its usual speed.",
        "  0 passes seen, 5 missed",
        "The same vehicle 3 times, as slowly as it goes.",
        "  0 passes seen, 3 missed",
        "The same vehicle 3 times, fast.",
        "  0 passes seen, 3 missed",
        "Stop the vehicle, or hold its magnet, over the contact on input 3 so that it is closed.",
        "Leave it there. Move lead and plug gently, from end to end; do not unplug.",
        "Drive the vehicle away from it.",
        "  it was not closed",
        "Another vehicle, 3 times over the contact on input 3 at its usual speed.",
        "  0 passes seen, 3 missed",
        "The first vehicle again, 3 times over a neighbour that works.",
        "  3 passes seen",
    ]
    assert case.source == "guided session on virtual:faulty, input 3"
    assert closures_of(case.contacts[0].passes, Step.USUAL) == [0] * 5


def test_every_step_has_its_question() -> None:
    steps = [step for step in Step if step not in (Step.RUN, Step.WIGGLE)]
    assert set(QUESTIONS) == {(step, Phase.LISTEN) for step in steps} | {
        (Step.WIGGLE, phase) for phase in Phase
    }


def test_a_contact_of_the_sheet() -> None:
    """Route, speed and neighbours are known by name."""
    case, lines = asked("virtual:", contact="crusher", sheet=SHEET)
    assert "Drive the vehicle over crusher 5 times at its usual speed." in lines
    contact, reference = case.contacts
    assert (contact.name, contact.at.board, contact.at.input) == ("crusher", "quarry", 3)
    assert (case.length_unit, contact.passes.speed[0]) == ("mm", 180)
    assert reference.name in ("quarry, stopping", "incline head")


def test_an_input_of_the_sheet(tmp_path: Path) -> None:
    """Where the sheet has one board, or the board's id, the name is known."""
    path = tmp_path / "one.toml"
    path.write_text(
        '[layout]\nname = "One"\n[boards.mill]\nkind = "virtual"\n'
        '[boards.mill_yard]\nkind = "virtual"\nid = "00000001"\n'
        '[[contacts]]\nname = "yard"\nboard = "mill"\ninput = 2\n'
    )
    case, _ = asked("virtual:", number=2, sheet=path)
    assert case.contacts[0].name == "input 2", "two boards, and neither is this one for certain"
    path.write_text(
        '[layout]\nname = "One"\n[boards.mill]\nkind = "virtual"\n'
        '[[contacts]]\nname = "yard"\nboard = "mill"\ninput = 2\n'
    )
    case, _ = asked("virtual:", number=2, sheet=path)
    assert (case.contacts[0].name, case.contacts[0].at.board) == ("yard", "mill")


@pytest.mark.parametrize("suffix", ["csv", "vcd"])
def test_the_edges_in_a_file(tmp_path: Path, suffix: str) -> None:
    path = tmp_path / f"edges.{suffix}"
    case, _ = asked("virtual:", number=5, output=path)
    trace = read_trace(path)
    assert (trace.sample_us, trace.lost, trace.gaps) == (50, 0, 0)
    assert trace.recorded == tuple(range(1, 17))
    edges = case.contacts[0].at.edges
    assert edges is not None
    mine = trace.inputs == 5
    assert (trace.closed[mine] == 1).tolist() == edges.closed.tolist()
    assert np.diff(trace.times_us[mine]) / 1e6 == pytest.approx(np.diff(edges.at_s), abs=5e-6)


def test_what_was_seen_is_stored_too() -> None:
    asked("virtual:", number=5)
    with Store() as store:
        assert store.closures_of_boot(1)[5] == 5 + 3 + 3 + 1 + 3


@pytest.mark.parametrize(
    ("options", "error", "text"),
    [
        ({}, ReedproofError, "--input and --contact: expected one of them"),
        ({"number": 3, "contact": "crusher", "sheet": SHEET}, ReedproofError, "expected one of them"),
        ({"contact": "crusher"}, ReedproofError, "expected --sheet as well"),
        ({"contact": "crushr", "sheet": SHEET}, ReedproofError, "no such contact; nearest is 'crusher'"),
        ({"number": 17}, ReedproofError, "there is no input 17; this virtual board has inputs 1 to 16"),
        ({"number": 0}, ReedproofError, "there is no input 0"),
        ({"number": 3, "sheet": Path("/no/such.toml")}, SheetError, "cannot be read"),
        ({"number": 3, "output": Path("/no/such/folder.csv")}, ReedproofError, "cannot be written"),
        ({"number": 3, "output": SHEET}, ReedproofError, "exists already; choose another name"),
        ({"number": 3, "port": "virtual:nowhere"}, LineError, "no such virtual board"),
    ],
)
def test_wrong_use(options: dict[str, Any], error: type[ReedproofError], text: str) -> None:
    with pytest.raises(error, match=re.escape(text)) as raised:
        asked(**options)
    assert "\n" not in str(raised.value)


def test_another_board_than_the_sheets(tmp_path: Path) -> None:
    path = tmp_path / "other.toml"
    path.write_text(
        SHEET.read_text().replace(
            '[boards.quarry]\nkind = "virtual"', '[boards.quarry]\nkind = "virtual"\nid = "0000beef"'
        )
    )
    with pytest.raises(LineError, match=r"'crusher' is on board 'quarry' \(0000beef\), use its port"):
        asked("virtual:", contact="crusher", sheet=path)


# ---- lines that tests can break ----


@pytest.fixture
def line(monkeypatch: pytest.MonkeyPatch) -> Callable[[Callable[[], Transport]], None]:
    """What is behind the port; nobody passes magnets there."""

    def put(connect: Callable[[], Transport]) -> None:
        monkeypatch.setattr(diagnose_live, "open_link", lambda _: Link(connect))

    return put


def test_nobody_is_there(line: Callable[..., None]) -> None:
    line(lambda: Cable(make_board()))
    with pytest.raises(
        ReedproofError, match="nothing closed, and nobody said that passes were made"
    ) as raised:
        asked(number=5, wait_s=10.0)
    assert raised.value.exit_code == 2


def test_nobody_is_there_and_the_self_test_knows(line: Callable[..., None]) -> None:
    line(lambda: Cable(make_board(shorts=[frozenset({5, 6})])))
    case, lines = asked(number=5, wait_s=10.0)
    assert lines[3] == "electrical self-test ... input 5 shorted, input 6 shorted"
    assert case.contacts[0].unclear


class Unplugged(Cable):
    """Is pulled at a time of the board."""

    def __init__(self, board: VirtualBoard, at_s: float) -> None:
        super().__init__(board)
        self.at_s = at_s

    def read(self, timeout_s: float) -> bytes:
        if self.board.now_s() > self.at_s:
            self.plugged = False
        return super().read(timeout_s)


def test_unplugged_before_anything_was_seen(line: Callable[..., None]) -> None:
    line(lambda: Unplugged(make_board(), 4.0))
    with pytest.raises(LineLost, match=r"the line is gone .*; plug the board in, begin again"):
        asked(number=5)


def test_unplugged_later_what_was_seen_counts(line: Callable[..., None]) -> None:
    board = make_board()
    board.schedule(5, [(8_000_000, True), (8_060_000, False)])
    line(lambda: Unplugged(board, 10.0))
    case, lines = asked(number=5)
    assert lines[-1] == "virtual:: the line is gone (unplugged?); what was seen until then counts"
    assert closures_of(case.contacts[0].passes, Step.USUAL) == [1]


# ---- a terminal ----

SCRIPT = """
import sys
from reedproof.cli.common import console
from reedproof.cli.diagnose_live import session
from reedproof.errors import ReedproofError
try:
    case = session(sys.argv[1], number=2, out=console(), wait_s=float(sys.argv[2]))
except ReedproofError as error:
    sys.exit(f"error: {error}")
passes = case.contacts[0].passes
print("case:", passes.step.tolist(), passes.closures.tolist(), len(case.contacts[0].extras), case.notes)
"""


class Terminal:
    """The session on a terminal of its own."""

    def __init__(self, port: str, wait_s: float = 60.0) -> None:
        self.master, self.slave = pty.openpty()
        fcntl.ioctl(self.slave, termios.TIOCSWINSZ, struct.pack("HHHH", 24, 80, 0, 0))
        self.before = termios.tcgetattr(self.slave)

        def own_terminal() -> None:
            os.setsid()
            fcntl.ioctl(self.slave, termios.TIOCSCTTY, 0)  # or Ctrl-C would be a letter
            signal.signal(signal.SIGINT, signal.SIG_DFL)  # tests that run in the background ignore it

        self.process = subprocess.Popen(
            [sys.executable, "-c", SCRIPT, port, str(wait_s)],
            stdin=self.slave, stdout=self.slave, stderr=self.slave, preexec_fn=own_terminal,
            env={**{k: v for k, v in os.environ.items() if k != "COLUMNS"}, "TERM": "xterm-256color"},
        )  # fmt: skip
        self.seen = ""

    def read_until(self, text: str) -> str:
        end_s = time.monotonic() + PATIENCE_S
        while text not in " ".join(plain(self.seen).split()):
            assert time.monotonic() < end_s, plain(self.seen)[-2000:]
            if select.select([self.master], [], [], 1.0)[0]:
                self.seen += os.read(self.master, 65536).decode(errors="replace")
            else:
                assert self.process.poll() is None, plain(self.seen)[-2000:]
        return " ".join(plain(self.seen).split())

    def press(self, keys: str) -> None:
        self.seen = ""
        os.write(self.master, keys.encode())

    def end(self, text: str) -> str:
        seen = self.read_until(text)
        self.process.wait(PATIENCE_S)
        assert termios.tcgetattr(self.slave) == self.before, "the terminal was put back"
        return seen

    def close(self) -> None:
        if self.process.poll() is None:
            self.process.kill()
            self.process.wait()
        os.close(self.slave)
        os.close(self.master)


class Railway:
    """A virtual board behind a real line, in real time, with somebody who passes magnets there."""

    def __init__(self) -> None:
        self.wanted: deque[int] = deque()
        self.board = VirtualBoard(memory=named(0xBEEF), inputs=4, speed=1.0, on_step=self._pass)

    def _pass(self, board: VirtualBoard) -> None:
        while self.wanted:
            board.pass_magnet(self.wanted.popleft())


@pytest.fixture
def railway() -> Iterator[tuple[Railway, PluggedBoard, Terminal]]:
    railway = Railway()
    with PluggedBoard(railway.board) as wired:
        terminal = Terminal(wired.port)
        try:
            yield railway, wired, terminal
        finally:
            terminal.close()


def test_keys_on_a_terminal(railway: tuple[Railway, PluggedBoard, Terminal]) -> None:
    """Stillness is skipped, one of three passes is missed, another input answers, then it is stopped."""
    layout, _, terminal = railway
    terminal.read_until("s left, open now")
    terminal.press("s")
    terminal.read_until("0 of 5 seen, open now Enter: all made, 0 to 9: so many made, s: skip, q: stop")
    layout.wanted.append(2)
    terminal.read_until("1 of 5 seen")
    time.sleep(0.5)  # two passes that follow each other within 0.3 s would be one
    layout.wanted.append(2)
    terminal.read_until("2 of 5 seen, open now")
    terminal.press("3")
    terminal.read_until("as slowly as it goes")
    layout.wanted.append(3)
    terminal.read_until("0 of 3 seen, open now, input 3 1")
    terminal.press("\r")
    terminal.read_until("0 passes seen, 3 missed")
    terminal.press("q")
    seen = terminal.end("case:")
    assert (
        "case: [2, 2, 2, 3, 3, 3] [1, 1, 0, 0, 0, 0] 0 ('not done: nothing moves, fast passes, "
        "lead and plug moved, another vehicle, a contact that works',)" in (terminal.read_until("works',)"))
    ), seen


def test_ctrl_c_on_a_terminal(railway: tuple[Railway, PluggedBoard, Terminal]) -> None:
    layout, _, terminal = railway
    terminal.read_until("s left, open now")
    terminal.press("s")
    terminal.read_until("0 of 5 seen")
    layout.wanted.append(2)
    terminal.read_until("1 of 5 seen, open now")
    terminal.press("\x03")
    assert "stopped; what was seen until then counts" in terminal.end("works',)")
    assert "case: [2] [1] 0" in terminal.read_until("case:")
    assert "Traceback" not in terminal.seen


def test_unplugged_on_a_terminal(railway: tuple[Railway, PluggedBoard, Terminal]) -> None:
    layout, wired, terminal = railway
    terminal.read_until("s left, open now")
    terminal.press("s")
    terminal.read_until("0 of 5 seen")
    layout.wanted.append(2)
    terminal.read_until("1 of 5 seen, open now")
    wired.unplug()
    seen = terminal.end("works')")
    assert "what was seen until then counts" in seen
    assert "case: [2] [1] 0 ('the session was cut off:" in seen
    assert "Traceback" not in seen


def test_without_a_terminal_steps_end_by_themselves() -> None:
    """Behind a real line, in real time: five passes are asked for and seen; then nobody is there any more."""
    layout = Railway()
    with PluggedBoard(layout.board) as wired:
        process = subprocess.Popen(
            [sys.executable, "-c", SCRIPT, wired.port, "3"], stdin=subprocess.DEVNULL, stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT, text=True,
        )  # fmt: skip
        assert process.stdout is not None
        lines: list[str] = []
        for line_ in process.stdout:
            lines.append(line_)
            if line_.startswith("Drive the vehicle over"):
                for _ in range(5):
                    layout.wanted.append(2)
                    time.sleep(0.6)
        process.wait(PATIENCE_S)
    assert "  5 passes seen\n" in lines
    assert lines[-1].startswith(
        "case: [2, 2, 2, 2, 2] [1, 1, 1, 1, 1] 0 ('not done: slow passes, fast passes,"
    )
    assert not any("Enter" in line_ for line_ in lines)
