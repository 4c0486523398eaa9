"""Which board of a sheet is behind which port, now and after it was plugged in elsewhere."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from concurrent.futures import ThreadPoolExecutor

from reedproof.cli.common import board_name, open_link, open_transport
from reedproof.errors import LineError, ReedproofError
from reedproof.layout import Board, Sheet
from reedproof.link import Link
from reedproof.ports import serial_ports
from reedproof.transport import Transport


def board_on(url: str) -> int | None:
    """The id of the board that answers on a port; None where none does, also when it is in use."""
    try:
        with open_link(url) as link:
            return link.hello.board
    except LineError:
        return None


def parse_ports(given: list[str], sheet: Sheet) -> dict[str, str]:
    """['mill=/dev/ttyUSB0'] -> port by name of the board. Raises ReedproofError."""
    ports: dict[str, str] = {}
    for text in given:
        name, is_there, port = text.partition("=")
        if not is_there or not port:
            raise ReedproofError(
                f"--port {text}: expected BOARD=PORT, such as {next(iter(sheet.boards))}=COM3"
            )
        if name not in sheet.boards:
            raise ReedproofError(
                f"--port {text}: the sheet has no board {name!r}; expected one of {', '.join(sheet.boards)}"
            )
        if name in ports or port in ports.values():
            raise ReedproofError(f"--port {text}: expected each board and each port once")
        ports[name] = port
    return ports


class Finder:
    """Finds the boards of a sheet among all ports, and again when one comes back on another port.

    Ports that were there from the start with something else on them are not opened again: that may be the
    line to something that runs trains.
    """

    def __init__(self, boards: Mapping[str, Board], given: Mapping[str, str]) -> None:
        self._given = given
        self._leave_alone: set[str] = set()
        self._boards = boards
        self._found: dict[str, str] = dict(given)
        self._ids: dict[str, int] = {}

    def find(self) -> None:
        """Raises LineError for a board that is not there, ReedproofError where it cannot be told."""
        missing = {name: board for name, board in self._boards.items() if name not in self._found}
        if not missing:
            return
        urls = [port.url for port in serial_ports() if port.url not in self._given.values()]
        with ThreadPoolExecutor(max_workers=8) as asking:  # a port where nobody answers takes 3 s
            answers = dict(zip(urls, asking.map(board_on, urls), strict=True))
        self._leave_alone = {url for url, board in answers.items() if board is None}
        ours = {board: url for url, board in answers.items() if board is not None}
        for name, board in missing.items():
            if board.id is None:
                if len(self._boards) > 1 or len(ours) > 1:
                    raise ReedproofError(
                        f"board {name!r}: its id is missing in the sheet, and there are several; 'reedproof "
                        f"boards' shows ids, or give --port {name}=PORT"
                    )
                if ours:
                    self._found[name] = next(iter(ours.values()))
            elif int(board.id, 16) in ours:
                self._found[name] = ours[int(board.id, 16)]
            if name not in self._found:
                which = f"board {name!r}" + (f" ({board.id})" if board.id else "")
                raise LineError(
                    f"{which}: not on any port; plug it in, see 'reedproof boards', or give --port "
                    f"{name}=PORT"
                )

    def connector(self, name: str) -> Callable[[], Transport]:
        """What a link needs to open the line to a board, now and later."""

        def connect() -> Transport:
            if name in self._ids and name not in self._given:
                self._found[name] = self._where(name)
            return open_transport(self._found[name])

        return connect

    def note(self, name: str, link: Link) -> None:
        """The board has answered. Raises LineError when it is another one than the sheet's."""
        wanted = self._boards[name].id
        if wanted is not None and link.hello.board != int(wanted, 16):
            raise LineError(
                f"{link.name}: board {board_name(link.hello.board)} answers there; the sheet's board "
                f"{name!r} is {wanted}"
            )
        self._ids[name] = link.hello.board

    def _where(self, name: str) -> str:
        last = self._found[name]
        others = [port.url for port in serial_ports() if port.url not in self._leave_alone]
        for url in [last, *(url for url in others if url != last)]:
            if board_on(url) == self._ids[name]:
                return url
        raise LineError(f"{last}: board {board_name(self._ids[name])} is gone; plug it in again, on any port")
