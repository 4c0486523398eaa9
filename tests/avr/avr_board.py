"""A simulated board that runs the real firmware, seen as a host sees it: inputs, commands, messages.

Drives the Simulator of rig.py and decodes with reedproof.wire. Inputs are numbered from 1, as pins_328p.h and
pins_2560.h say; times are microseconds of the board's clock unless a name ends in `_cycle`.
"""

from __future__ import annotations

import subprocess
from collections.abc import Callable, Iterable
from pathlib import Path
from typing import Any, TypeVar

from rig import Simulator

from reedproof import records, wire

ROOT = Path(__file__).resolve().parents[2]
MCUS = {"nano": "atmega328p", "mega": "atmega2560"}
CYCLES_PER_US = 16
SAMPLE_US = 50
TCCR1B = 0x81  # not zero once the board's clock runs
LAMPS = {"nano": ("B", 5), "mega": ("B", 7)}
PINS: dict[str, list[tuple[str, int]]] = {
    "nano": [("D", bit) for bit in range(2, 8)]
    + [("B", bit) for bit in range(5)]
    + [("C", bit) for bit in range(5)],
    "mega": [(port, bit) for port in "AFKC" for bit in range(8)],
}
RECORDS = (records.Made, records.Broke, records.FaultChange, records.Lost)

Message = TypeVar("Message")
Stamped = tuple[int, Any]  # (cycle at which the last bit of the frame had left the board, message)


def built(board: str) -> Path:
    """The firmware image in build/, made when it is missing."""
    elf = ROOT / "build" / f"{board}.elf"
    if not elf.exists():
        subprocess.run(["make", "--no-print-directory", f"build/{board}.elf"], cwd=ROOT, check=True)
    return elf


class AvrBoard:
    """One board, booted and left before its first record, and a host that keeps what the board sends.

    acknowledge  the host stores and acknowledges records as they come, asks again at once after a gap, and
                 keeps the board from falling silent. False: it says only what say() is told.
    stored       records in the order of their numbers, each once: what a host's store would hold
    """

    def __init__(
        self,
        kind: str = "nano",
        *,
        elf: Path | None = None,
        acknowledge: bool = False,
        slice_us: float = 1000,
        **options: Any,
    ) -> None:
        self.kind = kind
        self.pins = PINS[kind]
        self.inputs = len(self.pins)
        self.acknowledge = acknowledge
        self.slice_us = slice_us
        self.simulator = Simulator(elf or built(kind), MCUS[kind], **options)
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
        while not self.simulator.read_memory(TCCR1B, 1)[0]:
            self.simulator.run(self.simulator.cycle + 1)
        self.zero_cycle = self.simulator.cycle

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
        return (cycle - self.zero_cycle) / CYCLES_PER_US

    def cycle_of(self, time_us: float) -> int:
        return self.zero_cycle + round(time_us * CYCLES_PER_US)

    def run_us(self, duration_us: float) -> None:
        self.run_to(self.now_us + duration_us)

    def run_to(self, time_us: float) -> None:
        """Runs to a time of the board's clock; the host looks every `slice_us`."""
        end = self.cycle_of(time_us)
        step = round(self.slice_us * CYCLES_PER_US)
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
        return self.simulator.pin(*LAMPS[self.kind])

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
        if self.acknowledge and self._said_cycle and quiet_cycles > 1_500_000 * CYCLES_PER_US:
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
