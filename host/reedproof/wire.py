"""Bytes to messages and commands to bytes, as protocol.md defines them. No I/O.

COBS comes from the ``cobs`` package, the CRC from ``crcmod``.
"""

from __future__ import annotations

import importlib.util
import struct
from collections.abc import Callable
from dataclasses import astuple
from typing import NamedTuple

import crcmod.predefined
from cobs import cobs

from reedproof import records
from reedproof.records import Command, Message

FRAME_MAX = 64
BODY_MIN = 4
DELIMITER = b"\0"

#: CRC-16/GENIBUS; crcmod wants the initial value as it is before the final XOR.
crc16: Callable[[bytes], int] = crcmod.predefined.mkCrcFun("crc-16-genibus")

#: Without a compiler crcmod installs all the same, and is 14 times slower without a word.
CRC_IS_COMPILED = importlib.util.find_spec("crcmod._crcfunext") is not None


_unstuff: Callable[[bytes], bytes] = cobs.decode


class WireError(ValueError):
    """A frame that must not be used; the text says which rule of protocol.md it breaks."""


class Frame(NamedTuple):
    type: int
    sequence: int
    payload: bytes


def encode_frame(type_: int, sequence: int, payload: bytes) -> bytes:
    """One whole frame with its delimiter.

    Raises ValueError when it would exceed FRAME_MAX.
    """
    body = bytes((type_, sequence & 0xFF)) + payload
    frame = bytes(cobs.encode(body + crc16(body).to_bytes(2, "little"))) + DELIMITER
    if len(frame) > FRAME_MAX:
        raise ValueError(f"a frame of {len(frame)} bytes is longer than {FRAME_MAX}")
    return frame


def decode_frame(encoded: bytes) -> Frame:
    """The frame between two delimiters. Raises WireError."""
    if len(encoded) >= FRAME_MAX:
        raise WireError("too long")
    try:
        body = _unstuff(encoded)
    except cobs.DecodeError as error:
        raise WireError("stuffing") from error
    if len(body) < BODY_MIN:
        raise WireError("too short")
    if crc16(body[:-2]) != body[-2] | body[-1] << 8:
        raise WireError("checksum")
    # Past NamedTuple's own __new__, which is written in Python: this is done for every frame.
    return tuple.__new__(Frame, (body[0], body[1], body[2:-2]))


def _time(low: int, high: int) -> int:
    return low | high << 32


_WIDTHS = [records.width_value(code) for code in range(256)]


def _hello(
    protocol: int, build: int, kind: int, board: int, boot: int, cause: int, inputs: int,
    sample_us: int, flags: int, low: int, high: int, oldest: int, next_: int, ring: int,
) -> Message:  # fmt: skip
    return records.Hello(
        protocol, build, kind, board, boot, cause, inputs, sample_us, flags, _time(low, high),
        oldest, next_, ring,
    )  # fmt: skip


def _made(number: int, input_: int, low: int, high: int, bounces: int, gap: int, settle: int) -> Message:
    return records.Made(number, input_, low | high << 32, bounces, _WIDTHS[gap], _WIDTHS[settle])


def _broke(
    number: int, input_: int, low: int, high: int, bounces: int, dropouts: int, duration: int
) -> Message:
    return records.Broke(number, input_, low | high << 32, bounces, dropouts, _WIDTHS[duration])


def _fault(number: int, input_: int, low: int, high: int, fault: int, active: int) -> Message:
    return records.FaultChange(number, input_, _time(low, high), fault, active != 0)


def _heartbeat(
    low: int, high: int, next_: int, oldest: int, snapshots_lost: int, frames_bad: int, levels: int,
    input_: int, faults: int, edges: int, closures: int, lost: int, blips: int, dropouts: int,
    longest_blip: int, longest_dropout: int,
) -> Message:  # fmt: skip
    return records.Heartbeat(
        _time(low, high), next_, oldest, snapshots_lost, frames_bad, levels, input_, faults, edges,
        closures, lost, blips, dropouts, _WIDTHS[longest_blip], _WIDTHS[longest_dropout],
    )  # fmt: skip


def _time_reply(token: int, low1: int, high1: int, low2: int, high2: int) -> Message:
    return records.TimeReply(token, _time(low1, high1), _time(low2, high2))


def _selftest(input_: int, verdict: int, partners: int) -> Message:
    return records.SelftestResult(input_, verdict, records.inputs_of(partners))


HELLO_TYPE = 0x01
TRACE_TYPE = 0x07

#: type -> (layout of the payload, what makes the message)
_FIXED: dict[int, tuple[struct.Struct, Callable[..., Message]]] = {
    0x01: (struct.Struct("<BIBIIBBHBIHIIH"), _hello),
    0x02: (struct.Struct("<IBIHBBB"), _made),
    0x03: (struct.Struct("<IBIHBBB"), _broke),
    0x04: (struct.Struct("<IBIHBB"), _fault),
    0x05: (struct.Struct("<II"), records.Lost),
    0x06: (struct.Struct("<IHIIHHIBBIIHHHBB"), _heartbeat),
    0x08: (struct.Struct("<IIHIH"), _time_reply),
    0x09: (struct.Struct("<BHH"), records.InputSettings),
    0x0A: (struct.Struct("<IIHB"), records.BoardSettings),
    0x0B: (struct.Struct("<BBI"), _selftest),
    0x0C: (struct.Struct("<BBB"), records.Reply),
}  # fmt: skip

_HELLO_IN_EVERY_VERSION = struct.Struct("<BIBII")
_TRACE_HEAD = struct.Struct("<IHHB")
_TRACE_EDGE = struct.Struct("<HB")

#: command -> (type, layout)
_COMMANDS: dict[type[Command], tuple[int, struct.Struct]] = {
    records.SayHello: (0x40, struct.Struct("<B")),
    records.Acknowledge: (0x41, struct.Struct("<IIB")),
    records.TimeProbe: (0x42, struct.Struct("<I")),
    records.GetSettings: (0x43, struct.Struct("<B")),
    records.SetInput: (0x44, struct.Struct("<BHH")),
    records.SetBoard: (0x45, struct.Struct("<IIHB")),
    records.Arm: (0x46, struct.Struct("<I")),
    records.Selftest: (0x47, struct.Struct("<")),
    records.SetTrace: (0x48, struct.Struct("<I")),
    records.Blink: (0x49, struct.Struct("<B")),
    records.Reboot: (0x4A, struct.Struct("<")),
    records.NameBoard: (0x4B, struct.Struct("<I")),
}


def _read_trace(payload: bytes) -> Message:
    if len(payload) < _TRACE_HEAD.size:
        raise WireError("length")
    low, high, lost, count = _TRACE_HEAD.unpack_from(payload)
    if len(payload) != _TRACE_HEAD.size + count * _TRACE_EDGE.size:
        raise WireError("length")
    start_us = time_us = _time(low, high)
    edges = []
    for after_us, level in _TRACE_EDGE.iter_unpack(payload[_TRACE_HEAD.size :]):
        time_us += after_us
        edges.append((time_us, level & 0x7F, level >= 0x80))
    return records.TraceEdges(start_us, lost, tuple(edges))


def read_message(frame: Frame) -> Message:
    """What a good frame from the board says.

    Raises WireError when its type is unknown or its payload has not the length of its type.
    """
    type_, _, payload = frame
    if type_ == TRACE_TYPE:
        return _read_trace(payload)
    known = _FIXED.get(type_)
    if known is None:
        raise WireError("unknown type")
    layout, make = known
    if len(payload) != layout.size:
        if type_ == HELLO_TYPE and len(payload) >= _HELLO_IN_EVERY_VERSION.size:
            other = records.OtherVersion(*_HELLO_IN_EVERY_VERSION.unpack_from(payload))
            if other.protocol != records.PROTOCOL_VERSION:
                return other
        raise WireError("length")
    message = make(*layout.unpack(payload))
    if isinstance(message, records.Hello) and message.protocol != records.PROTOCOL_VERSION:
        return records.OtherVersion(*_HELLO_IN_EVERY_VERSION.unpack_from(payload))
    return message


def command_type(command: Command) -> int:
    return _COMMANDS[type(command)][0]


def encode_command(command: Command, sequence: int) -> bytes:
    """The frame of a command."""
    type_, layout = _COMMANDS[type(command)]
    return encode_frame(type_, sequence, layout.pack(*astuple(command)))


class Decoder:
    """Turns whatever a line delivers, in pieces of any size, into messages.

    ``bad`` counts refused frames by the rule they broke. ``missed`` counts frames that the jumps of
    the sequence number show as missing (modulo 256 each). Bytes before the first delimiter may be
    the tail of a frame and are refused like any other piece.
    """

    def __init__(self) -> None:
        self.bad: dict[str, int] = {}
        self.missed = 0
        self.good = 0
        self._tail = b""
        self._sequence: int | None = None

    def feed(self, data: bytes) -> list[Message]:
        *pieces, tail = (self._tail + data).split(DELIMITER)
        messages: list[Message] = []
        for piece in pieces:
            if piece:
                self._take(piece, messages)
        # A line that never delivers a delimiter must not fill the memory.
        self._tail = tail[: FRAME_MAX + 1]
        return messages

    def _take(self, piece: bytes, messages: list[Message]) -> None:
        try:
            frame = decode_frame(piece)
            message = read_message(frame)
        except WireError as error:
            reason = str(error)
            self.bad[reason] = self.bad.get(reason, 0) + 1
            return
        if self._sequence is not None and not isinstance(message, records.Hello):
            self.missed += (frame.sequence - self._sequence - 1) & 0xFF
        self._sequence = frame.sequence
        self.good += 1
        messages.append(message)

    @property
    def refused(self) -> int:
        return sum(self.bad.values())
