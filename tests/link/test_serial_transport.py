"""Real ports, as far as a pseudo-terminal is one: opening, reading, writing, vanishing, errors.

Time is the operating system's here, and every wait is bounded.
"""

from __future__ import annotations

import errno
import os
import socket
import subprocess
import sys
import termios
import threading
import tty
from collections.abc import Iterator
from pathlib import Path

import pytest
import serial

from reedproof.errors import LineError, LineLost, PortBusy
from reedproof.ports import serial_ports
from reedproof.transport import SerialTransport, _why_not
from retired_lines import retire

WAIT_S = 20.0  # only a broken test waits this long


class Pty:
    def __init__(self) -> None:
        self.master, slave = os.openpty()
        tty.setraw(slave)
        self.port = os.ttyname(slave)
        # A driver would start with HUPCL set.
        attributes = termios.tcgetattr(slave)
        attributes[2] |= termios.HUPCL
        termios.tcsetattr(slave, termios.TCSANOW, attributes)
        self.slave = slave

    def vanish(self) -> None:
        if self.master >= 0:
            retire(self.master, self.port)
            os.close(self.slave)
            self.master = -1


@pytest.fixture
def pty() -> Iterator[Pty]:
    made = Pty()
    yield made
    made.vanish()


@pytest.fixture
def line(pty: Pty) -> Iterator[SerialTransport]:
    opened = SerialTransport(pty.port)
    yield opened
    opened.close()


def refusal(url: str) -> LineError:
    """The error for a port that cannot be opened: one line that begins with the port."""
    with pytest.raises(LineError) as caught:
        SerialTransport(url)
    text = str(caught.value)
    assert text.startswith(f"{url}: ")
    assert "\n" not in text
    assert caught.value.exit_code == 3
    return caught.value


def test_bytes_pass_unchanged_both_ways(pty: Pty, line: SerialTransport) -> None:
    data = bytes(range(256)) * 8
    os.write(pty.master, data)
    read = b""
    while len(read) < len(data):
        piece = line.read(WAIT_S)
        assert piece
        read += piece
    assert read == data
    line.write(data[:1000])
    written = b""
    while len(written) < 1000:
        written += os.read(pty.master, 1000)
    assert written == data[:1000]


def test_reading_ends_with_the_time(line: SerialTransport) -> None:
    start_s = line.now_s()
    assert line.read(0.02) == b""
    assert line.read(0.0) == b""
    assert 0.015 < line.now_s() - start_s < WAIT_S


def test_closing_leaves_the_control_lines_as_they_are(pty: Pty, line: SerialTransport) -> None:
    """HUPCL would drop DTR with the last close, and on many boards that is a reset."""
    assert line.name == pty.port
    flags = termios.tcgetattr(pty.slave)[2]
    assert flags & termios.HUPCL == 0
    line.write(b"x")  # pyserial sets the port up anew now and then
    assert termios.tcgetattr(pty.slave)[2] & termios.HUPCL == 0


def test_the_rate_is_that_of_the_protocol(pty: Pty, line: SerialTransport) -> None:
    assert line.name == pty.port
    assert termios.tcgetattr(pty.slave)[4:6] == [termios.B500000, termios.B500000]


def test_a_vanished_port_is_a_lost_line(pty: Pty, line: SerialTransport) -> None:
    pty.vanish()
    for _ in range(2):
        with pytest.raises(LineLost, match=r"the line is gone \(unplugged\?\)$"):
            line.read(WAIT_S)
        with pytest.raises(LineLost):
            line.write(b"x")
    line.close()
    with pytest.raises(LineLost):
        line.read(0.0)
    with pytest.raises(LineLost):
        line.write(b"x")
    line.close()


def test_a_port_that_vanishes_while_one_waits_for_it(pty: Pty, line: SerialTransport) -> None:
    seen: list[Exception] = []

    def wait() -> None:
        try:
            line.read(WAIT_S)
        except LineLost as error:
            seen.append(error)

    reader = threading.Thread(target=wait)
    reader.start()
    pty.vanish()
    reader.join(WAIT_S)
    assert len(seen) == 1


def test_what_came_before_the_port_vanished_can_be_read(pty: Pty, line: SerialTransport) -> None:
    os.write(pty.master, b"last")
    assert line.read(WAIT_S) == b"last"
    pty.vanish()
    with pytest.raises(LineLost):
        line.read(WAIT_S)


def test_a_full_line_is_not_waited_for_forever(line: SerialTransport) -> None:
    """Nobody takes what is written."""
    with pytest.raises(LineLost):
        line.write(bytes(1_000_000))


def test_a_port_that_vanishes_at_any_step_of_opening(pty: Pty, monkeypatch: pytest.MonkeyPatch) -> None:
    """pyserial lets termios.error through, which is not even an OSError."""

    def fail(*_: object) -> None:
        raise termios.error(errno.EIO, "Input/output error")

    for step in ("tcsetattr", "tcflush", "tcgetattr"):
        with monkeypatch.context() as patch:
            patch.setattr(serial.serialposix.termios, step, fail)
            assert "cannot be opened" in str(refusal(pty.port))


def test_a_second_reader_is_refused(pty: Pty, line: SerialTransport) -> None:
    """Two readers would share the bytes."""
    error = refusal(pty.port)
    assert isinstance(error, PortBusy)
    assert "another program has this port open" in str(error)
    line.close()
    SerialTransport(pty.port).close()


def test_a_reader_in_another_process_is_refused(pty: Pty, line: SerialTransport) -> None:
    code = "import sys; from reedproof.transport import SerialTransport; SerialTransport(sys.argv[1])"
    done = subprocess.run(
        [sys.executable, "-c", code, pty.port], capture_output=True, text=True, timeout=60, check=False
    )
    assert done.returncode != 0
    assert "PortBusy" in done.stderr
    assert line.read(0.0) == b""


def test_no_such_port(tmp_path: Path) -> None:
    assert "there is no such port; 'reedproof boards'" in str(refusal(str(tmp_path / "ttyUSB7")))


@pytest.mark.parametrize("url", ["nonsense://x", "://", "", "socket://", "socket://localhost"])
def test_what_is_no_port_at_all(url: str) -> None:
    refusal(url)


def test_an_unknown_kind_of_url_is_told() -> None:
    assert "not a port name or URL" in str(refusal("nonsense://x"))


def test_a_folder_and_a_file_are_no_ports(tmp_path: Path) -> None:
    assert "cannot be opened" in str(refusal(str(tmp_path)))
    file = tmp_path / "file"
    file.write_text("no board")
    assert "cannot be opened" in str(refusal(str(file)))


def test_a_forbidden_port_names_the_group() -> None:
    """Not tried on a real file: a super-user may open everything."""
    forbidden = serial.SerialException(
        errno.EACCES, "could not open port x: [Errno 13] Permission denied: 'x'"
    )
    for error in (forbidden, PermissionError(errno.EACCES, "Permission denied")):
        told = _why_not("x", error)
        assert type(told) is LineError
        assert told.exit_code == 3
        assert "dialout" in str(told)
        assert "\n" not in str(told)


def test_a_url_without_a_file_number() -> None:
    line = SerialTransport("loop://")
    assert line.read(0.0) == b""
    line.write(b"\x00echo")
    assert line.read(1.0) + line.read(0.0) == b"\x00echo"
    line.close()
    with pytest.raises(LineLost):
        line.read(0.0)
    with pytest.raises(LineLost):
        line.write(b"x")


def test_a_line_over_the_network() -> None:
    with socket.create_server(("127.0.0.1", 0)) as server:
        line = SerialTransport(f"socket://127.0.0.1:{server.getsockname()[1]}")
        other, _ = server.accept()
        other.settimeout(WAIT_S)
        with other:
            other.sendall(b"hello")
            read = b""
            while len(read) < 5:
                read += line.read(WAIT_S)
            assert read == b"hello"
            line.write(b"back")
            assert other.recv(4) == b"back"
        with pytest.raises(LineLost):
            line.read(WAIT_S)
        line.close()


def test_a_network_port_nobody_listens_on() -> None:
    with socket.create_server(("127.0.0.1", 0)) as server:
        port = server.getsockname()[1]
    assert "refused" in str(refusal(f"socket://127.0.0.1:{port}"))


def test_listing_ports_opens_none(monkeypatch: pytest.MonkeyPatch) -> None:
    """USB ports come first; those of the main board that nothing is known about are left out."""
    from serial.tools import list_ports
    from serial.tools.list_ports_common import ListPortInfo

    def info(device: str, description: str, vid: int | None = None) -> ListPortInfo:
        made = ListPortInfo(device)
        made.description, made.vid, made.pid, made.serial_number = description, vid, 0x7523, "A1"
        return made

    found = [
        info("/dev/ttyS0", "n/a"),
        info("/dev/ttyS1", "a real one"),
        info("/dev/ttyUSB1", "USB serial", 0x1A86),
    ]
    monkeypatch.setattr(list_ports, "comports", lambda: found)
    monkeypatch.setattr(serial, "serial_for_url", lambda *_a, **_k: pytest.fail("opened a port"))
    ports = serial_ports()
    assert [port.url for port in ports] == ["/dev/ttyUSB1", "/dev/ttyS1"]
    assert ports[0].usb_id == "1a86:7523"
    assert ports[0].serial_number == "A1"
