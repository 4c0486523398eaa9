"""A simulated board that runs the real firmware, seen as a host sees it: inputs, commands, messages.

Decodes with reedproof.wire. Inputs are numbered from 1, as the boards' pins_*.h say; times are microseconds
of the board's clock unless a name ends in `_cycle`. What a cycle is the simulator says: one of the processor
on an AVR, a nanosecond on a Pico.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from typing import Any, ClassVar, TypeVar

from reedproof import records, wire

SAMPLE_US = 50
RECORDS = (records.Made, records.Broke, records.FaultChange, records.Lost)

Message = TypeVar("Message")
Stamped = tuple[int, Any]  # (cycle at which the last bit of the frame had left the board, message)


class SimulatedBoard:
    """One board, booted and left before its first record, and a host that keeps what the board sends.

    acknowledge  the host stores and acknowledges records as they come, asks again at once after a gap, and
                 keeps the board from falling silent. False: it says only what say() is told.
    stored       records in the order of their numbers, each once: what a host's store would hold
    """

    cycles_per_us: ClassVar[int]

    def __init__(
        self,
        simulator: Any,
        pins: list[tuple[str, int]],
        lamp: tuple[str, int],
        *,
        acknowledge: bool = False,
        slice_us: float = 1000,
    ) -> None:
        self.simulator = simulator
        self.pins = pins
        self._lamp = lamp
        self.inputs = len(pins)
        self.acknowledge = acknowledge
        self.slice_us = slice_us
        self.stored: list[Any] = []
        self.heartbeats: list[records.Heartbeat] = []
        self.boot = 0
        self._next = 0
        self._news = self._gap = False  # stored, or missed, since the last acknowledgement
        self._sequence = 0
        self.said = 0  # commands so far
        self._said_cycle = 0
        self._restart()

    def close(self) -> None:
        self.simulator.inputs_ledger.check()
        self.simulator.close()

    def _restart(self) -> None:
        self.decoder = wire.Decoder()
        self._unread: list[Stamped] = []
        self._tail = b""
        self.zero_cycle = self._clock_start()

    def _clock_start(self) -> int:
        """The cycle at which the board's clock is zero; the board may be run until then."""
        raise NotImplementedError

    def reset(self, cause: str) -> None:
        self.messages()
        self.simulator.reset(cause)
        self._restart()

    # ---- time

    @property
    def now_us(self) -> float:
        """The board's clock, without wrapping and without reading it."""
        return self.us_of(self.simulator.cycle)

    def us_of(self, cycle: int) -> float:
        return (cycle - self.zero_cycle) / self.cycles_per_us

    def cycle_of(self, time_us: float) -> int:
        return self.zero_cycle + round(time_us * self.cycles_per_us)

    def run_us(self, duration_us: float) -> None:
        self.run_to(self.now_us + duration_us)

    def run_to(self, time_us: float) -> None:
        """Runs to a time of the board's clock; the host looks every `slice_us`."""
        end = self.cycle_of(time_us)
        step = round(self.slice_us * self.cycles_per_us)
        while self.simulator.cycle < end:
            self.simulator.run(min(self.simulator.cycle + step, end))
            self._listen()

    def until(self, kind: type[Message], limit_us: float = 500_000, **fields: object) -> Message:
        """Runs until a message of this kind comes whose fields are as given, and returns it."""
        return self.until_true(
            lambda message: (
                isinstance(message, kind)
                and all(getattr(message, name) == value for name, value in fields.items())
            ),
            limit_us,
            f"{kind.__name__} {fields}",
        )

    def until_true(self, is_it: Callable[[Any], bool], limit_us: float, what: str) -> Any:
        end_us = self.now_us + limit_us
        seen = 0
        while True:
            self._listen()
            for cycle, message in self._unread[seen:]:
                if is_it(message):
                    self.found_cycle = cycle
                    return message
            seen = len(self._unread)
            assert self.now_us < end_us, f"no {what} within {limit_us} us; {self._unread[-5:]}"
            self.run_us(min(self.slice_us, 500))

    # ---- inputs

    def close_contact(self, input_: int, at_us: float | None = None) -> None:
        """Closes a contact, which ties its pin to ground."""
        self.drive(input_, 0, at_us)

    def open_contact(self, input_: int, at_us: float | None = None) -> None:
        self.drive(input_, None, at_us)

    def drive(self, input_: int, level: int | None, at_us: float | None = None) -> None:
        cycle = None if at_us is None else self.cycle_of(at_us)
        self.simulator.drive(*self.pins[input_ - 1], level, cycle)

    def play(self, edges: Iterable[tuple[float, int, bool]]) -> None:
        """Schedules (time_us, input, closed) in bulk."""
        self.simulator.drive_many(
            (self.cycle_of(time_us), *self.pins[input_ - 1], 0 if closed else None)
            for time_us, input_, closed in edges
        )

    @property
    def lamp(self) -> int:
        return int(self.simulator.pin(*self._lamp))

    # ---- line

    def say(self, command: records.Command, at_us: float | None = None) -> int:
        """Sends a command; returns its sequence number."""
        self._sequence = (self._sequence + 1) & 0xFF
        self.said += 1
        cycle = None if at_us is None else self.cycle_of(at_us)
        self.simulator.send(wire.encode_command(command, self._sequence), cycle)
        self._said_cycle = self.simulator.cycle
        return self._sequence

    def greet(self) -> records.Hello:
        """Says hello and returns the board's answer; messages before it are forgotten."""
        self.until(records.Hello)
        self.messages()
        self.say(records.SayHello())
        hello = self.until(records.Hello)
        self.messages()
        return hello

    def command(self, command: records.Command) -> int:
        """Gives a command, waits for its reply and returns the status."""
        sequence = self.say(command)
        return self.until(records.Reply, sequence=sequence, command=wire.command_type(command)).status

    def messages(self, kind: type[Any] | tuple[type[Any], ...] = object) -> list[Stamped]:
        """What came since the last call, of this kind; the others are forgotten too."""
        self._listen()
        found = [(cycle, message) for cycle, message in self._unread if isinstance(message, kind)]
        self._unread.clear()
        return found

    def received(self, kind: type[Message]) -> list[Message]:
        """messages() without the cycles."""
        return [message for _, message in self.messages(kind)]

    def _listen(self) -> None:
        output = self.simulator.output()
        if output:
            data = self._tail + bytes(value for _, value in output)
            at = -len(self._tail)
            for frame in data.split(b"\0")[:-1]:
                at += len(frame) + 1
                for message in self.decoder.feed(frame + b"\0"):
                    self._unread.append((output[at - 1][0], message))
                    self._store(message)
            self._tail = data[data.rfind(b"\0") + 1 :]
        if self._news:
            self.say(records.Acknowledge(self.boot, self._next, self._gap))
            self._news = self._gap = False
        quiet_cycles = self.simulator.cycle - self._said_cycle
        if self.acknowledge and self._said_cycle and quiet_cycles > 1_500_000 * self.cycles_per_us:
            self.say(records.TimeProbe(0))

    def _store(self, message: Any) -> None:
        if isinstance(message, records.Hello):
            if message.boot != self.boot:
                self.stored, self.heartbeats, self._next = [], [], 0
            self.boot = message.boot
        elif isinstance(message, records.Heartbeat):
            self.heartbeats.append(message)
        elif isinstance(message, RECORDS) and self.acknowledge:
            if message.number == self._next:
                self._next += message.count if isinstance(message, records.Lost) else 1
                self.stored.append(message)
                self._news = True
            elif message.number > self._next:
                self._news = self._gap = True

    # ---- the books

    def counters(self) -> dict[int, records.Heartbeat]:
        """A heartbeat of every input, none older than this call."""
        before = len(self.heartbeats)
        self.run_us(self.inputs * 31_000 + 40_000)
        fresh = {heartbeat.input: heartbeat for heartbeat in self.heartbeats[before:]}
        assert sorted(fresh) == list(range(1, self.inputs + 1)), f"heartbeats of {sorted(fresh)} only"
        return fresh

    def check_ledger(self) -> None:
        """recorded + lost = counted, for every heartbeat so far whose records have come."""
        numbers: dict[int, list[int]] = {}
        for record in self.stored:
            if isinstance(record, records.Made):
                numbers.setdefault(record.input, []).append(record.number)
        checked = 0
        for beat in self.heartbeats:
            if beat.next <= self._next:
                checked += 1
                recorded = sum(number < beat.next for number in numbers.get(beat.input, []))
                assert recorded + beat.lost == beat.closures, f"{recorded} recorded, {beat}"
        assert checked, "no heartbeat could be checked"
