"""Runs the `reedproof` command: in this process where possible, as a program of its own where exit codes,
pipes, signals or a terminal matter."""

from __future__ import annotations

import contextlib
import errno
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
import threading
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any
from unittest.mock import patch

from reedproof import store
from reedproof.cli import main
from reedproof.errors import LineLost
from reedproof.sim.board import VirtualBoard
from retired_lines import retire

PROGRAM = str(Path(sys.executable).with_name("reedproof"))
PATIENCE_S = 60.0  # a hanging program is a failed test, not a hanging one


@dataclass(frozen=True)
class Ran:
    code: int
    out: str
    err: str

    def complaint(self) -> str:
        """The one line of an error; anything more or less fails."""
        lines = self.err.splitlines()
        assert len(lines) == 1, self.err
        assert lines[0].startswith("reedproof: ")
        return lines[0].removeprefix("reedproof: ")


def plain(text: str) -> str:
    """What was sent to a terminal, without the escape codes."""
    return re.sub(r"\x1b\[[0-9;?]*[a-zA-Z]", "", text).replace("\r", "")


def run(*arguments: str) -> Ran:
    """In this process, through the entry point."""
    out, err = io.StringIO(), io.StringIO()
    set_up = store._set_up_sqlite

    def set_up_without_waiting_for_the_disk(connection: Any, record: object) -> None:
        """What a power cut leaves is for the tests of the store; a virtual board commits by the thousand."""
        set_up(connection, record)
        connection.execute("PRAGMA synchronous=OFF")

    with (
        patch.object(sys, "argv", ["reedproof", *arguments]),
        patch.object(store, "_set_up_sqlite", set_up_without_waiting_for_the_disk),
        contextlib.redirect_stdout(out),
        contextlib.redirect_stderr(err),
    ):
        try:
            main.run()
            raise AssertionError("the entry point returned")
        except SystemExit as ended:
            code = ended.code
    assert isinstance(code, int)
    return Ran(code, out.getvalue(), err.getvalue())


def start(*arguments: str) -> subprocess.Popen[str]:
    """As a program of its own that Ctrl-C reaches, even when these tests run in the background."""
    return subprocess.Popen(
        [PROGRAM, *arguments], stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
        preexec_fn=lambda: signal.signal(signal.SIGINT, signal.SIG_DFL),
    )  # fmt: skip


def shell(line: str) -> Ran:
    """A line for bash, with `reedproof` on the path; the code is that of the whole pipe."""
    path = f"{Path(PROGRAM).parent}{os.pathsep}{os.environ['PATH']}"
    done = subprocess.run(
        ["bash", "-o", "pipefail", "-c", line], capture_output=True, text=True, timeout=PATIENCE_S,
        env={**os.environ, "PATH": path}, check=False,
    )  # fmt: skip
    return Ran(done.returncode, done.stdout, done.stderr)


def on_terminal(*arguments: str, columns: int = 80, lines: int = 24, **environment: str) -> Ran:
    """On a terminal of its own; what was written to it is in ``out``, escape codes included."""
    master, slave = pty.openpty()
    fcntl.ioctl(slave, termios.TIOCSWINSZ, struct.pack("HHHH", lines, columns, 0, 0))
    inherited = {name: value for name, value in os.environ.items() if name not in ("NO_COLOR", "COLUMNS")}
    process = subprocess.Popen(
        [PROGRAM, *arguments], stdin=slave, stdout=slave, stderr=slave,
        env={**inherited, "TERM": "xterm-256color", **environment},
    )  # fmt: skip
    os.close(slave)
    screen = b""
    while select.select([master], [], [], PATIENCE_S)[0]:
        try:
            piece = os.read(master, 4096)
        except OSError as error:
            if error.errno != errno.EIO:  # how Linux reports that the other end is closed
                raise
            break
        if not piece:
            break
        screen += piece
    os.close(master)
    return Ran(process.wait(PATIENCE_S), screen.decode(), "")


@contextlib.contextmanager
def serial_line(greeting: bytes = b"") -> Iterator[str]:
    """A serial port with something behind it that only ever says ``greeting``, again and again."""
    master, slave = pty.openpty()
    name = os.ttyname(slave)
    stopped = threading.Event()

    def talk() -> None:
        while not stopped.wait(0.02):
            # Ours to empty as well: a full line would block who writes to it.
            while select.select([master], [], [], 0)[0]:
                os.read(master, 4096)
            if greeting:
                os.write(master, greeting)

    thread = threading.Thread(target=talk)
    thread.start()
    try:
        yield name
    finally:
        stopped.set()
        thread.join()
        retire(master, name)
        os.close(slave)


class PluggedBoard:
    """A virtual board behind a real serial line, in real time."""

    def __init__(self, board: VirtualBoard) -> None:
        self.board = board
        self._master, self._slave = pty.openpty()
        fcntl.ioctl(self._slave, termios.TIOCSWINSZ, struct.pack("HHHH", 24, 80, 0, 0))
        attributes = termios.tcgetattr(self._slave)
        attributes[3] &= ~(termios.ECHO | termios.ICANON)  # a line, not a terminal
        termios.tcsetattr(self._slave, termios.TCSANOW, attributes)
        self.port = os.ttyname(self._slave)
        self._stopped = threading.Event()
        self._thread = threading.Thread(target=self._work)
        self._thread.start()

    def _work(self) -> None:
        while not self._stopped.is_set():
            try:
                data = self.board.read(0.002)
            except LineLost:
                return
            if data:
                os.write(self._master, data)
            if select.select([self._master], [], [], 0)[0]:
                self.board.write(os.read(self._master, 4096))

    def unplug(self) -> None:
        self._stopped.set()
        self._thread.join()
        retire(self._master, self.port)
        os.close(self._slave)

    def __enter__(self) -> PluggedBoard:
        return self

    def __exit__(self, *_: object) -> None:
        if not self._stopped.is_set():
            self.unplug()
