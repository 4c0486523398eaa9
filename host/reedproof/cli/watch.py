"""`reedproof watch`: the inputs live, while one crouches under the layout."""

from __future__ import annotations

import dataclasses
import json as json_module
import sys
import time
from dataclasses import dataclass
from typing import Annotated

import typer
from rich.live import Live
from rich.table import Table
from rich.text import Text

from reedproof.cli.common import (
    JsonOption,
    PortArgument,
    StoreOption,
    board_name,
    console,
    open_link,
    table,
)
from reedproof.cli.laps import Laps
from reedproof.cli.prove import show_identity
from reedproof.recorder import Recorder
from reedproof.records import (
    Broke,
    Fault,
    FaultChange,
    Heartbeat,
    Hello,
    LinkDown,
    LinkEvent,
    LinkUp,
    Lost,
    Made,
)
from reedproof.store import Store

NO_FAULT = Fault(0)
REFRESH_S = 0.1
FRESH_S = 1.0  # a closure is marked this long after it began


@dataclass
class _Line:
    closed: bool = False
    closures: int = 0
    bounces: int = 0
    made_us: int | None = None
    made_s: float = -1e9
    closed_ms: float | None = None
    blips: int = 0
    dropouts: int = 0
    faults: Fault = NO_FAULT
    faults_seen: Fault = NO_FAULT  # those that went away again too


class _Screen:
    """What is known of every input, and the table of it."""

    def __init__(self) -> None:
        self.board: int | None = None
        self.title = self.state = ""
        self.lines: dict[int, _Line] = {}

    def welcome(self, hello: Hello, port: str) -> None:
        """A board came, or came back; another one than before begins at nothing."""
        self.title = f"board {board_name(hello.board)} on {port}"
        if hello.board != self.board:
            self.board = hello.board
            self.lines = {number: _Line() for number in range(1, hello.inputs + 1)}

    def take(self, event: LinkEvent, now_s: float) -> None:
        match event:
            case Made():
                line = self.lines[event.input]
                line.closed, line.made_us, line.made_s = True, event.time_us, now_s
                line.closures += 1
                line.bounces = event.bounces
            case Broke():
                line = self.lines[event.input]
                line.closed = False
                if line.made_us is not None:
                    line.closed_ms = (event.time_us - line.made_us) / 1000
            case FaultChange():
                line = self.lines[event.input]
                fault = Fault(event.fault)
                line.faults = line.faults | fault if event.active else line.faults & ~fault
                line.faults_seen |= line.faults
            case Heartbeat():
                line = self.lines[event.input]
                line.blips, line.dropouts = event.blips, event.dropouts
                line.faults = Fault(event.faults)
                line.faults_seen |= line.faults
            case LinkDown():
                self.state = f"{event.reason}; waiting for it to come back"
            case Lost():
                for line in self.lines.values():  # the end of a closure may be among them
                    line.closed = False
            case LinkUp():
                self.state = ""
            case _:
                pass

    def table(self, now_s: float) -> Table:
        """All inputs; more than 16 stand in two columns with less of each, to fit a small terminal."""
        title = self.title + (f"\n{self.state}" if self.state else "")
        if len(self.lines) <= 16:
            rows = table(
                ">input", "now", ">closures", ">bounces", ">closed ms", ">blips", ">dropouts", "fault",
                title=title,
            )  # fmt: skip
            for number, line in self.lines.items():
                rows.add_row(
                    *self._cells(number, line, now_s), str(line.bounces), _milliseconds(line),
                    str(line.blips), str(line.dropouts), " ".join(line.faults.names),
                )  # fmt: skip
            return rows
        rows = table(*[">input", "now", ">closures"] * 2, title=title)
        half = (len(self.lines) + 1) // 2
        for number in range(1, half + 1):
            cells: list[str | Text] = []
            for each in (number, number + half):
                if each in self.lines:
                    cells += self._cells(each, self.lines[each], now_s)
                    if names := self.lines[each].faults.names:  # a fault says more than the level
                        cells[-2] = names[0] + ("+" if names[1:] else "")
            rows.add_row(*cells)
        return rows

    @staticmethod
    def _cells(number: int, line: _Line, now_s: float) -> list[str | Text]:
        fresh = now_s - line.made_s < FRESH_S
        now = Text("CLOSED", style="bold") if line.closed else "just" if fresh else "open"
        return [str(number), now, str(line.closures)]


def _milliseconds(line: _Line) -> str:
    return "-" if line.closed_ms is None else f"{line.closed_ms:.0f}"


#: Names of events in --json; what is not here (replies, heartbeats) is of no interest there.
EVENTS = {
    Made: "made",
    Broke: "broke",
    FaultChange: "fault",
    Lost: "lost",
    LinkUp: "link_up",
    LinkDown: "link_down",
}


def _json_line(event: LinkEvent) -> str | None:
    name = EVENTS.get(type(event))
    if name is None:
        return None
    fields = event._asdict() if isinstance(event, tuple) else dataclasses.asdict(event)
    if isinstance(event, LinkUp):
        fields["hello"] = event.hello._asdict()
    if isinstance(event, FaultChange):
        fields["fault"] = " ".join(Fault(event.fault).names)
    return json_module.dumps({"event": name, "seen_s": round(time.time(), 3), **fields})


def watch(
    port: PortArgument,
    tick: Annotated[bool, typer.Option("--tick", help="Sound the terminal's bell at every closure.")] = False,
    seconds: Annotated[float | None, typer.Option(help="Stop by itself after this long.", min=0.1)] = None,
    store: StoreOption = None,
    json: JsonOption = False,
) -> None:
    """Watch all inputs live. Everything seen is stored; Ctrl-C ends with a summary.

    Unplugging the board is shown and waited out. With --json every event is one line.

    Keep magnets away from children and implants, and count them.

    Example: reedproof watch /dev/ttyUSB0 --tick
    """
    out = console(stderr=json)
    with Store(store) as kept, open_link(port, real_time=True) as link:
        recorder = Recorder(link, kept)
        show_identity(link, out)
        screen = _Screen()
        screen.welcome(link.hello, link.name)
        started_s = link.now_s()
        end_s = time.monotonic() + (seconds if seconds is not None else float("inf"))

        def listen(live: Live | None) -> None:
            laps = Laps(link)
            while time.monotonic() < end_s:
                laps.go_on()
                for event in recorder.pump(REFRESH_S):
                    if isinstance(event, LinkUp):
                        screen.welcome(event.hello, link.name)
                    screen.take(event, link.now_s())
                    if tick and isinstance(event, Made):
                        out.bell()
                    if json and (text := _json_line(event)):
                        print(text, flush=True)
                if live is not None:
                    live.update(screen.table(link.now_s()))

        try:
            if json or not sys.stdout.isatty():
                listen(None)
            else:
                with Live(screen.table(started_s), console=out, refresh_per_second=10) as live:
                    listen(live)
        except KeyboardInterrupt:
            pass
        recorder.flush()
        if not json and not sys.stdout.isatty():
            out.print(screen.table(link.now_s()))
        closures = sum(line.closures for line in screen.lines.values())
        faulty = [number for number, line in screen.lines.items() if line.faults_seen]
        out.print(
            f"{closures} closures in {link.now_s() - started_s:.0f} s, stored in {kept.name}"
            + (f"; fault on input {', '.join(map(str, faulty))}" if faulty else ""),
            markup=False,
            soft_wrap=True,
        )
    raise typer.Exit(1 if faulty else 0)
