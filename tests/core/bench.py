"""A board on the bench: the C core with a host's decoder on its line and a clock that the test moves."""

from __future__ import annotations

from typing import Any, TypeVar

from reedproof import records, wire
from reedproof.records import Broke, Command, FaultChange, Lost, Made, Message
from reedproof.sim.core import Device

STEP_US = 2000  # how often the main loop comes round
MS = 1000
S = 1_000_000

M = TypeVar("M")


class Bench:
    def __init__(self, **options: Any) -> None:
        self.start_us = self.now_us = options.get("now_us", 0)
        self.levels = options.get("levels", 0)
        self.device = Device(**options)
        self.decoder = wire.Decoder()
        self.messages: list[Message] = []
        self.frames: list[bytes] = []
        self.line_is_up = True
        self.drops_repeats = True  # as a host does
        self._have: set[int] = set()
        self.room = 255
        self._sequence = 0

    # ---- host ----

    def send(self, command: Command) -> int:
        """Returns the sequence number it was sent under."""
        self._sequence = (self._sequence + 1) % 256
        self.receive(wire.encode_command(command, self._sequence))
        return self._sequence

    def receive(self, data: bytes) -> None:
        """Bytes on the line to the board, which looks at its inputs first, as main.c does."""
        self.device.poll(self.now_us)
        self.device.receive(self.now_us, data)

    def ask(self, command: Command) -> list[Message]:
        """The command's reply (nothing for the three that have none) and whatever came with it."""
        self.messages.clear()
        self.send(command)
        self.turn()
        return self.messages

    def do(self, command: Command) -> None:
        """The command, which has to succeed."""
        type_ = wire.command_type(command)
        sequence = self.send(command)
        self.turn()
        assert records.Reply(type_, sequence, records.Status.DONE) in self.all(records.Reply)

    def connect(self) -> records.Hello:
        self.send(records.SayHello())
        self.turn()
        return self.all(records.Hello)[-1]

    def all(self, kind: type[M]) -> list[M]:
        return [message for message in self.messages if isinstance(message, kind)]

    def take(self, kind: type[M]) -> list[M]:
        """Like all(), and forgets everything that came so far."""
        found = self.all(kind)
        self.messages.clear()
        return found

    # ---- board ----

    def turn(self) -> None:
        """Once round the main loop, sending all there is."""
        self.device.poll(self.now_us)
        while self.line_is_up:
            frame = self.device.transmit(self.room)
            if not frame:
                return
            self.frames.append(frame)
            self.messages += [message for message in self.decoder.feed(frame) if self.is_news(message)]

    def is_news(self, message: Message) -> bool:
        if not self.drops_repeats or not isinstance(message, Made | Broke | FaultChange | Lost):
            return True
        if message.number in self._have:
            return False
        self._have.add(message.number)
        return True

    def run(self, duration_us: int, step_us: int = STEP_US, host: Command | None = None) -> None:
        """Time passes; ``host`` is said every second."""
        end_us = self.now_us + duration_us
        while self.now_us < end_us:
            step = min(step_us, end_us - self.now_us)
            if host is not None and (self.now_us + step) // S > self.now_us // S:
                self.send(host)
            self.now_us += step
            self.turn()

    def level(self, number: int, closed: bool) -> None:
        bit = 1 << (number - 1)
        self.levels = self.levels | bit if closed else self.levels & ~bit
        self.device.sample(self.now_us, self.levels)

    def closure(self, number: int, duration_us: int = 50 * MS, rest_us: int = 20 * MS) -> int:
        """A clean one; returns when it was made."""
        made_us = self.now_us
        self.level(number, True)
        self.run(duration_us)
        self.level(number, False)
        self.run(rest_us)
        return made_us
