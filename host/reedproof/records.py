"""What travels between board and host, as plain data. Imports nothing of ours.

Inputs are numbered from 1. Times called ``time_us`` are microseconds since the board booted.
"""

from __future__ import annotations

import enum
from dataclasses import dataclass
from typing import NamedTuple, TypeAlias

PROTOCOL_VERSION = 1
INPUTS_MAX = 32

WIDTH_MAX = 31 << 14


def width_value(code: int) -> int:
    """The smallest width a one-byte width code stands for (protocol.md, section 3)."""
    exponent, mantissa = divmod(code, 16)
    return mantissa if exponent == 0 else (16 + mantissa) << (exponent - 1)


def width_code(value: int) -> int:
    """The one-byte code of a width, rounded down; the inverse of :func:`width_value`."""
    value = min(value, WIDTH_MAX)
    exponent = max(0, value.bit_length() - 5)
    return (exponent << 4) + (value >> exponent)


class BoardKind(enum.IntEnum):
    VIRTUAL = 0
    NANO = 1
    UNO = 2
    MEGA = 3
    PICO = 4


class ResetCause(enum.IntEnum):
    UNKNOWN = 0
    POWER_ON = 1
    EXTERNAL = 2
    BROWN_OUT = 3
    WATCHDOG = 4
    REQUESTED = 5


class Fault(enum.IntFlag):
    STUCK_CLOSED = 1
    NEVER_TRIGGERED = 2
    CHATTER = 4
    SHORTED = 8

    @property
    def names(self) -> list[str]:
        """Lower-case names of the single faults in this value."""
        return [fault.name.lower() for fault in Fault if fault in self and fault.name]


class Verdict(enum.IntEnum):
    GOOD = 0
    READS_LOW = 1
    HELD_HIGH = 2
    SHORTED = 3


class Status(enum.IntEnum):
    DONE = 0
    UNKNOWN = 1
    BAD_VALUE = 2
    BUSY = 3


# ---- from the board; named tuples, because thousands of them come in a second ----


class Hello(NamedTuple):
    protocol: int
    build: int
    kind: int
    board: int
    boot: int
    reset_cause: int
    inputs: int
    sample_us: int
    flags: int
    time_us: int
    oldest: int
    next: int
    ring: int

    @property
    def settings_defaulted(self) -> bool:
        """Stored settings were missing or damaged, so the board runs on defaults."""
        return bool(self.flags & 1)

    @property
    def kind_name(self) -> str:
        try:
            return BoardKind(self.kind).name.lower()
        except ValueError:
            return f"kind {self.kind}"

    @property
    def reset_name(self) -> str:
        try:
            return ResetCause(self.reset_cause).name.lower()
        except ValueError:
            return f"cause {self.reset_cause}"


class OtherVersion(NamedTuple):
    """A hello in another version of the protocol: only what every version shares."""

    protocol: int
    build: int
    kind: int
    board: int
    boot: int


class Made(NamedTuple):
    number: int
    input: int
    time_us: int
    bounces: int
    gap_us: int
    settle_us: int


class Broke(NamedTuple):
    number: int
    input: int
    time_us: int
    bounces: int
    dropouts: int
    duration_ms: int


class FaultChange(NamedTuple):
    number: int
    input: int
    time_us: int
    fault: int
    active: bool


@dataclass(frozen=True, slots=True)
class Lost:
    """``count`` records from ``number`` on met a full ring on the board."""

    number: int
    count: int


class Heartbeat(NamedTuple):
    time_us: int
    next: int
    oldest: int
    snapshots_lost: int
    frames_bad: int
    levels: int
    input: int
    faults: int
    edges: int
    closures: int
    lost: int
    blips: int
    dropouts: int
    longest_blip_us: int
    longest_dropout_us: int


class TraceEdges(NamedTuple):
    time_us: int
    lost: int
    edges: tuple[tuple[int, int, bool], ...]  # (time_us, input, closed)


class TimeReply(NamedTuple):
    token: int
    received_us: int
    sent_us: int


class InputSettings(NamedTuple):
    input: int
    make_us: int
    break_us: int


class BoardSettings(NamedTuple):
    stuck_ms: int
    silent_ms: int
    traffic: int
    chatter_edges: int


class SelftestResult(NamedTuple):
    input: int
    verdict: int
    partners: tuple[int, ...]


class Reply(NamedTuple):
    command: int
    sequence: int
    status: int


# ---- from the host ----


@dataclass(frozen=True, slots=True)
class SayHello:
    protocol: int = PROTOCOL_VERSION


@dataclass(frozen=True, slots=True)
class Acknowledge:
    boot: int
    next: int
    again: bool = False


@dataclass(frozen=True, slots=True)
class TimeProbe:
    token: int


@dataclass(frozen=True, slots=True)
class GetSettings:
    input: int = 0


@dataclass(frozen=True, slots=True)
class SetInput:
    input: int
    make_us: int
    break_us: int


@dataclass(frozen=True, slots=True)
class SetBoard:
    stuck_ms: int
    silent_ms: int
    traffic: int
    chatter_edges: int


@dataclass(frozen=True, slots=True)
class Arm:
    inputs: int


@dataclass(frozen=True, slots=True)
class Selftest:
    pass


@dataclass(frozen=True, slots=True)
class SetTrace:
    inputs: int


@dataclass(frozen=True, slots=True)
class Blink:
    seconds: int


@dataclass(frozen=True, slots=True)
class Reboot:
    pass


@dataclass(frozen=True, slots=True)
class NameBoard:
    board: int


# ---- made by the host, about the line ----


@dataclass(frozen=True, slots=True)
class LinkUp:
    """The board answered; ``lost_boot`` when records of an earlier boot may be gone with it."""

    hello: Hello
    lost_boot: bool


@dataclass(frozen=True, slots=True)
class LinkDown:
    reason: str


Record: TypeAlias = Made | Broke | FaultChange | Lost
Message: TypeAlias = (
    Hello
    | OtherVersion
    | Made
    | Broke
    | FaultChange
    | Lost
    | Heartbeat
    | TraceEdges
    | TimeReply
    | InputSettings
    | BoardSettings
    | SelftestResult
    | Reply
)
Command: TypeAlias = (
    SayHello
    | Acknowledge
    | TimeProbe
    | GetSettings
    | SetInput
    | SetBoard
    | Arm
    | Selftest
    | SetTrace
    | Blink
    | Reboot
    | NameBoard
)
LinkEvent: TypeAlias = Message | LinkUp | LinkDown


def number_after(record: Record) -> int:
    """The number of the record that follows: a gap stands for as many as were lost."""
    return record.number + (record.count if isinstance(record, Lost) else 1)


def input_mask(inputs: list[int]) -> int:
    """A bit per input, as the ``inputs`` fields of the protocol have it."""
    return sum(1 << (number - 1) for number in set(inputs))


def inputs_of(mask: int) -> tuple[int, ...]:
    """The inputs whose bits are set; inverse of :func:`input_mask`."""
    return tuple(number for number in range(1, INPUTS_MAX + 1) if mask >> (number - 1) & 1)
