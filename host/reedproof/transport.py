"""A line to a board: bytes in, bytes out. The only module besides ports.py that knows pyserial."""

from __future__ import annotations

import contextlib
import errno
import os
import select
import time
from typing import Protocol

import serial

from reedproof.errors import LineError, LineLost, PortBusy

#: On a vanished port pyserial raises SerialException here, bare OSError or termios.error there; on a
#: closed one TypeError.
_LINE_ERRORS: tuple[type[Exception], ...] = (serial.SerialException, OSError, ValueError, TypeError)
with contextlib.suppress(ImportError):  # only POSIX has it
    import termios

    _LINE_ERRORS += (termios.error,)

BAUD = 500_000
WRITE_WAIT_S = 2.0


class Transport(Protocol):
    """What a link needs of a line.

    ``read`` returns what is there, waiting up to ``timeout_s`` for the first byte; an empty result
    means that the time is up. It and ``write`` raise LineLost when the line is gone for good;
    after ``close`` everything does. ``now_s`` is the clock that goes with the line: monotonic
    seconds, or simulated ones for a simulated board.
    """

    @property
    def name(self) -> str: ...

    @property
    def is_simulated(self) -> bool: ...

    def read(self, timeout_s: float) -> bytes: ...

    def write(self, data: bytes) -> None: ...

    def close(self) -> None: ...

    def now_s(self) -> float: ...


def _why_not(url: str, error: Exception) -> LineError:
    """The reason a port cannot be opened, with what to do about it."""
    number = getattr(error, "errno", None)
    text = str(error)
    if number == errno.ENOENT or "No such file" in text or "FileNotFound" in text:
        return LineError(f"{url}: there is no such port; 'reedproof boards' lists those there are")
    if number == errno.EACCES or "Permission denied" in text or "PermissionError" in text:
        return LineError(
            f"{url}: you may not open this port; join the group that owns it (often 'dialout'), "
            "then log in again"
        )
    if number in (errno.EBUSY, errno.EAGAIN) or "exclusively lock" in text or "busy" in text:
        return PortBusy(f"{url}: another program has this port open; close it and try again")
    if isinstance(error, ValueError):
        return LineError(f"{url}: not a port name or URL; 'reedproof boards' lists ports")
    return LineError(f"{url}: cannot be opened ({text.splitlines()[0] if text else type(error).__name__})")


class SerialTransport:
    """Any port or URL that pyserial opens. Opening is exclusive: two readers would share the bytes.

    Raises LineError (or PortBusy) with the reason when it cannot be opened.
    """

    is_simulated = False

    def __init__(self, url: str, baud: int = BAUD) -> None:
        self.name = url
        try:
            self._port = serial.serial_for_url(
                url, baudrate=baud, write_timeout=WRITE_WAIT_S, do_not_open=True
            )
            if "://" not in url:
                self._port.exclusive = True
            self._port.open()
        except _LINE_ERRORS as error:
            raise _why_not(url, error) from error
        self._fd: int | None = getattr(self._port, "fd", None)
        self._keep_dtr()

    def _keep_dtr(self) -> None:
        """Leaves DTR as it is on closing: on many boards its next edge is a reset, and a reset
        throws away the records the board has kept."""
        if self._fd is None:
            return
        with contextlib.suppress(*_LINE_ERRORS):
            attributes = termios.tcgetattr(self._fd)
            attributes[2] &= ~termios.HUPCL
            termios.tcsetattr(self._fd, termios.TCSANOW, attributes)

    def read(self, timeout_s: float) -> bytes:
        try:
            if self._fd is None:
                self._port.timeout = timeout_s
                data = bytes(self._port.read(1))
                return data + bytes(self._port.read(self._port.in_waiting)) if data else data
            # Half the system calls of pyserial's read(1) + in_waiting + read(n).
            if not select.select([self._fd], [], [], timeout_s)[0]:
                return b""
            data = os.read(self._fd, 4096)
        except _LINE_ERRORS as error:
            raise LineLost(f"{self.name}: the line is gone (unplugged?)") from error
        if not data:
            raise LineLost(f"{self.name}: the line is gone (unplugged?)")
        return data

    def write(self, data: bytes) -> None:
        try:
            self._port.write(data)
        except _LINE_ERRORS as error:
            raise LineLost(f"{self.name}: the line is gone (unplugged?)") from error

    def close(self) -> None:
        self._fd = None
        with contextlib.suppress(serial.SerialException, OSError):
            self._port.close()

    def now_s(self) -> float:
        return time.monotonic()
