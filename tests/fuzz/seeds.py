"""Writes where the fuzzers begin: `python tests/fuzz/seeds.py FOLDER` fills FOLDER/frame and FOLDER/device.

They are the byte examples of protocol.md, whole and damaged, and conversations with every command. What of
them (and of what the fuzzers found since) reaches code that nothing else reaches is kept in corpus/; after
a change of the protocol or of a harness, `make fuzz-corpus` makes it anew.
"""

from __future__ import annotations

import re
import sys
from collections.abc import Iterator
from pathlib import Path

HERE = Path(__file__).resolve().parent
EXAMPLES = re.findall(
    r"^\| ([0-9a-f]+) \| ([0-9a-f]+00) \|$", (HERE.parents[1] / "protocol.md").read_text(), re.M
)

# ---- fuzz_frame.c ----

RAW, SEALED, UNENDED, DAMAGED = 0, 0x40, 0x80, 0xC0
COMMAND_ROOM, MESSAGE_ROOM = bytes([15 - 4]), bytes([62 - 4])


def piece(kind: int, data: bytes) -> bytes:
    data = data[:63]
    return bytes([kind | len(data)]) + data


def frame_seeds() -> Iterator[bytes]:
    for body, on_the_line in EXAMPLES:
        whole = bytes.fromhex(on_the_line)
        for room in (COMMAND_ROOM, MESSAGE_ROOM):
            yield room + piece(RAW, whole[:40]) + piece(RAW, whole[40:])
        content = bytes.fromhex(body)
        yield MESSAGE_ROOM + piece(SEALED, content) + piece(UNENDED, content) + piece(SEALED, content)
        yield MESSAGE_ROOM + piece(DAMAGED, content) + bytes([3, 2]) + piece(SEALED, content)
        yield MESSAGE_ROOM + piece(RAW, whole[: len(whole) // 2]) + piece(RAW, b"\0") + piece(RAW, whole[-5:])
    for length in (0, 1, 2, 12, 13, 14, 58, 59, 60):
        for fill in (0, 1, 0xFF):
            yield COMMAND_ROOM + piece(SEALED, bytes([fill]) * length)
            yield MESSAGE_ROOM + piece(SEALED, bytes([fill]) * length)
    yield MESSAGE_ROOM + piece(RAW, b"\xff" * 63) + piece(RAW, b"\xff" * 63) + piece(RAW, b"\0\0\0")


# ---- fuzz_device.c ----

#: enum operation of fuzz_device.c
OPERATIONS = [
    "PASS_SAMPLES",
    "PASS_LONG",
    "CHANGE_ONE",
    "CHANGE_MANY",
    "RECEIVE_RAW",
    "RECEIVE_COMMAND",
    "RECEIVE_BODY",
    "RECEIVE_DAMAGED",
    "ACKNOWLEDGE",
    "TRANSMIT",
    "TRANSMIT_ALL",
    "STORE",
    "TEST",
    "LOSE_SNAPSHOTS",
    "BOUNCE",
    "REBOOT",
]


def op(name: str, *values: int) -> bytes:
    return bytes([OPERATIONS.index(name), *values])


ALL = 0xFFFFFFFF
HELLO = op("RECEIVE_COMMAND", 0, 1, 1)
ANSWERS = op("TRANSMIT_ALL")
CLOSED = op("PASS_SAMPLES", 100)
OPEN = op("PASS_SAMPLES", 250)
COMMANDS = {
    "get_settings": op("RECEIVE_COMMAND", 3, 2, 0),
    "set_input": op("RECEIVE_COMMAND", 4, 3, 0, 0xE8, 3, 0x10, 0x27),
    "set_input, bad": op("RECEIVE_COMMAND", 4, 3, 0, 0, 0, 0x10, 0x27),
    "set_board": op("RECEIVE_COMMAND", 5, 4, 100, 0, 0, 0, 200, 0, 0, 0, 3, 0, 5),
    "set_board, bad": op("RECEIVE_COMMAND", 5, 4, 100, 0, 0, 0, 200, 0, 0, 0, 3, 0, 255),
    "arm": op("RECEIVE_COMMAND", 6, 5, 255, 255, 255, 255),
    "selftest": op("RECEIVE_COMMAND", 7, 6),
    "trace": op("RECEIVE_COMMAND", 8, 7, 255, 255, 255, 255),
    "blink": op("RECEIVE_COMMAND", 9, 8, 2),
    "reboot": op("RECEIVE_COMMAND", 10, 9),
    "name_board": op("RECEIVE_COMMAND", 11, 10, 1, 2, 3, 4),
    "time_probe": op("RECEIVE_COMMAND", 2, 11, 1, 2, 3, 4),
    "unknown": op("RECEIVE_BODY", 2, 0x7F, 1),
    "too short": op("RECEIVE_BODY", 3, 0x45, 1, 0),
    "too long": op("RECEIVE_BODY", 8, 0x44, 1, 1, 0, 0, 0, 0, 0),
    "damaged": op("RECEIVE_DAMAGED", 2, 3, 4, 0x4B, 1, 0, 0),
}


def closures(number: int, count: int) -> bytes:
    return (op("CHANGE_ONE", number) + CLOSED + op("CHANGE_ONE", number) + OPEN) * count


def pass_long(time_us: int) -> bytes:
    return op("PASS_LONG") + time_us.to_bytes(4, "little") + b"\0"


def test(low: int) -> bytes:
    return pass_long(60_000) + op("TEST") + low.to_bytes(4, "little")


def board(inputs: int = 16, now_us: int = 0, levels: int = 0) -> bytes:
    return bytes([inputs - 1, 0]) + now_us.to_bytes(4, "little") + levels.to_bytes(4, "little")


def device_seeds() -> Iterator[bytes]:
    start = board() + HELLO + ANSWERS
    for command in COMMANDS.values():
        yield start + command + ANSWERS + closures(1, 2) + ANSWERS + op("STORE", 200) + op("REBOOT")
    for body, on_the_line in EXAMPLES:
        whole = bytes.fromhex(on_the_line)
        yield start + op("RECEIVE_RAW", min(len(whole), 63)) + whole[:63] + ANSWERS
        content = bytes.fromhex(body)[:18]
        yield start + op("RECEIVE_BODY", len(content)) + content + ANSWERS
    again = op("ACKNOWLEDGE", 3, 1)
    yield start + closures(0, 3) + ANSWERS + again + ANSWERS + op("ACKNOWLEDGE", 13, 0)
    yield start + closures(0, 20) + ANSWERS + op("ACKNOWLEDGE", 12, 0) + ANSWERS + closures(3, 2) + ANSWERS
    yield board(32, 2**32 - 30_000) + HELLO + ANSWERS + closures(31, 4) + ANSWERS
    # The clock wraps with one cell left, where two are needed.
    yield board(16, 2**32 - 90_000) + HELLO + ANSWERS + closures(0, 6) + ANSWERS
    yield board(3, 5, 0b111) + HELLO + ANSWERS + CLOSED + closures(1, 2) + pass_long(60_000_000) * 2 + ANSWERS
    probes = (COMMANDS["time_probe"] + pass_long(4_000_000) + ANSWERS) * 5
    yield start + COMMANDS["set_board"] + ANSWERS + COMMANDS["arm"] + ANSWERS + closures(2, 5) + probes
    chatter = op("BOUNCE", 200, 5, 4)
    yield start + COMMANDS["trace"] + ANSWERS + chatter + (pass_long(1_000_000) + chatter) * 3 + probes
    yield board(3) + HELLO + ANSWERS + COMMANDS["selftest"] + test(2) + COMMANDS["selftest"] + test(2) * 14
    yield (
        board(3)
        + HELLO
        + ANSWERS
        + COMMANDS["selftest"]
        + pass_long(8_000_000)
        + test(2) * 9
        + closures(1, 1)
    )
    good = test(0) * 2 + test(ALL) + (test(3) + ANSWERS) * 10  # but inputs 1 and 2 follow each other
    yield board(3) + HELLO + ANSWERS + COMMANDS["selftest"] + good + closures(1, 1) + ANSWERS
    yield board() + op("CHANGE_ONE", 1) + pass_long(60_000_000) * 61 + op("CHANGE_ONE", 1) + CLOSED + OPEN
    many = op("CHANGE_MANY", 255, 255, 0, 0)
    yield board() + op("LOSE_SNAPSHOTS", 7) + many + op("TRANSMIT", 40) + op("TRANSMIT", 41)


def main(folder: Path) -> None:
    for name, seeds in (("frame", frame_seeds()), ("device", device_seeds())):
        (folder / name).mkdir(parents=True, exist_ok=True)
        for number, seed in enumerate(seeds):
            (folder / name / f"seed-{number:03}").write_bytes(seed)


if __name__ == "__main__":
    main(Path(sys.argv[1]))
