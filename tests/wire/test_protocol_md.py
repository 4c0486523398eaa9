"""protocol.md is normative: its tables and byte examples against both ends."""

from __future__ import annotations

import enum
import inspect
import re
import struct
from pathlib import Path
from typing import Any, NamedTuple

import pytest
from hypothesis import given
from hypothesis import strategies as st
from tools import examples as examples_tool

from core.bench import MS, Bench, S
from reedproof import records, wire
from reedproof.sim import core
from reedproof.sim.core import ffi, lib
from strategies import TRACE_EDGES_MAX, U32, examples
from wire import pure

ROOT = Path(__file__).resolve().parents[2]
TEXT = (ROOT / "protocol.md").read_text(encoding="utf-8")

#: Kind of field -> struct codes; section 3 of the page, whose sizes are checked below.
CODES = {"u8": "B", "u16": "H", "u32": "I", "time": "IH", "width": "B", "input": "B", "inputs": "I"}


class Row(NamedTuple):
    type: int
    name: str
    length: str
    fields: list[tuple[str, str]]  # (name, kind)

    @property
    def codes(self) -> str:
        return "<" + "".join(CODES[kind] for _, kind in self.fields)


def tables() -> dict[str, list[list[str]]]:
    """By header line, the cells of each table."""
    found: dict[str, list[list[str]]] = {}
    for block in re.findall(r"(?:^\|.*\|\n)+", TEXT, re.MULTILINE):
        lines = [line.strip().strip("|").split("|") for line in block.splitlines()]
        cells = [[cell.strip() for cell in line] for line in lines]
        found.setdefault(" | ".join(cells[0]), []).extend(cells[2:])
    return found


TABLES = tables()


def message_rows() -> list[Row]:
    rows = []
    for type_, name, length, payload in TABLES["type | name | length | payload"]:
        fields = [part for part in payload.replace(" then count times:", "").split(", ") if part]
        rows.append(Row(int(type_, 16), name, length, [tuple(field.rsplit(" ", 1)) for field in fields]))  # type: ignore[misc]
    return rows


ROWS = message_rows()
MESSAGES = {row.type: row for row in ROWS if row.type < 0x40}
COMMANDS = {row.type: row for row in ROWS if row.type >= 0x40}
TRACE = 0x07
FIXED = {type_: row for type_, row in MESSAGES.items() if type_ != TRACE}

CLASSES: dict[str, type] = {
    "hello": records.Hello, "made": records.Made, "broke": records.Broke, "fault": records.FaultChange,
    "lost": records.Lost, "heartbeat": records.Heartbeat, "trace": records.TraceEdges,
    "time": records.TimeReply, "input_settings": records.InputSettings,
    "board_settings": records.BoardSettings, "selftest": records.SelftestResult, "reply": records.Reply,
}  # fmt: skip
COMMAND_CLASSES: dict[str, type] = {
    "hello": records.SayHello, "acknowledge": records.Acknowledge, "time_probe": records.TimeProbe,
    "get_settings": records.GetSettings, "set_input": records.SetInput, "set_board": records.SetBoard,
    "arm": records.Arm, "selftest": records.Selftest, "trace": records.SetTrace, "blink": records.Blink,
    "reboot": records.Reboot, "name_board": records.NameBoard,
}  # fmt: skip


def names_of(class_: type) -> list[str]:
    return list(inspect.signature(class_).parameters)


def attribute(name: str, kind: str) -> str:
    """Python names carry the unit, last; in the page the kind of the field says it."""
    return f"{name}_us" if kind == "time" else name


# ---- the tables of messages ----


def test_the_page_has_all_its_tables() -> None:
    assert list(MESSAGES) == list(range(0x01, 0x0D))
    assert list(COMMANDS) == list(range(0x40, 0x4C))
    assert len(TABLES["field | value | meaning"]) >= 20


def test_sizes_of_the_kinds_of_fields() -> None:
    sizes = {}
    for kinds, size, _ in TABLES["kind | size | meaning"]:
        sizes |= dict(zip(kinds.split(", "), map(int, size.split(", ")), strict=True))
    assert sizes == {kind: struct.calcsize("<" + codes) for kind, codes in CODES.items()}


@pytest.mark.parametrize("row", [*FIXED.values(), *COMMANDS.values()], ids=lambda row: f"{row.type:#04x}")
def test_length_is_the_sum_of_the_fields(row: Row) -> None:
    assert int(row.length) == struct.calcsize(row.codes)


@pytest.mark.parametrize("row", FIXED.values(), ids=lambda row: row.name)
def test_messages_of_wire_py(row: Row) -> None:
    layout, _ = wire._FIXED[row.type]
    assert layout.format == row.codes
    assert names_of(CLASSES[row.name]) == [attribute(*field) for field in row.fields]


@pytest.mark.parametrize("row", COMMANDS.values(), ids=lambda row: row.name)
def test_commands_of_wire_py(row: Row) -> None:
    class_ = COMMAND_CLASSES[row.name]
    type_, layout = wire._COMMANDS[class_]
    assert (type_, layout.format) == (row.type, row.codes)
    assert names_of(class_) == [name for name, _ in row.fields]


def test_wire_py_knows_nothing_else() -> None:
    assert set(wire._FIXED) == set(FIXED)
    assert {type_ for type_, _ in wire._COMMANDS.values()} == set(COMMANDS)


def test_trace_of_wire_py() -> None:
    row = MESSAGES[TRACE]
    kinds = dict(row.fields)
    assert list(kinds) == ["time", "lost", "count", "after_us", "level"]
    head, edge = row.fields[:3], row.fields[3:]
    assert wire._TRACE_HEAD.format == "<" + "".join(CODES[kind] for _, kind in head)
    assert wire._TRACE_EDGE.format == "<" + "".join(CODES[kind] for _, kind in edge)
    assert row.length == f"{wire._TRACE_HEAD.size} + {wire._TRACE_EDGE.size} · count"
    payload = struct.pack("<IHHBHBHB", 5, 1, 7, 2, 0, 128 + 3, 60_000, 32)
    time_us = (1 << 32) + 5
    expected = records.TraceEdges(time_us, 7, ((time_us, 3, True), (time_us + 60_000, 32, False)))
    assert wire.read_message(pure.Plain(TRACE, 0, payload)) == expected


def width_of(code: int) -> int:
    """The formula of section 3."""
    e, m = code >> 4, code & 15
    return m if e == 0 else (16 + m) * 2 ** (e - 1)


@pytest.mark.parametrize("row", FIXED.values(), ids=lambda row: row.name)
def test_every_field_of_a_message_lands_where_the_page_says(row: Row) -> None:
    """Each byte of the payload differs, so a field that is off by one place shows."""
    payload = bytes(range(0xA1, 0xA1 + int(row.length)))
    if row.name == "hello":
        payload = b"\1" + payload[1:]
    message = wire.read_message(pure.Plain(row.type, 0, payload))
    at = 0
    for name, kind in row.fields:
        size = struct.calcsize("<" + CODES[kind])
        number = int.from_bytes(payload[at : at + size], "little")
        at += size
        expected: Any = number
        if kind == "width":
            expected = width_of(number)
        elif name == "active":
            expected = True
        elif name == "partners":
            expected = tuple(i + 1 for i in range(32) if number >> i & 1)
        assert getattr(message, attribute(name, kind)) == expected, name


@pytest.mark.parametrize("row", COMMANDS.values(), ids=lambda row: row.name)
def test_every_field_of_a_command_is_where_the_page_says(row: Row) -> None:
    payload = bytes(range(0xA1, 0xA1 + int(row.length)))
    values = struct.unpack(row.codes, payload)
    command = COMMAND_CLASSES[row.name](*values)
    assert wire.encode_command(command, 0x5A) == pure.frame(row.type, 0x5A, payload)


# ---- the C side ----


def well_formed(type_: int, payload: bytes) -> bool:
    kept = ffi.new("uint8_t[]", payload)
    frame = ffi.new("struct frame *", {"type": type_, "length": len(payload), "payload": kept})
    return bool(lib.message_is_well_formed(frame))


def test_lengths_of_messages_in_c() -> None:
    for type_ in range(256):
        row = FIXED.get(type_)
        for length in range(59):
            expected = row is not None and int(row.length) == length
            if type_ != TRACE:
                assert well_formed(type_, bytes(length)) == expected, (type_, length)
    for length in range(59):
        for count in range(20):
            payload = (bytes(8) + bytes([count]) + bytes(50))[:length]
            expected = length >= 9 and length == 9 + 3 * count
            assert well_formed(TRACE, payload) == expected, (length, count)


def test_lengths_of_commands_in_c() -> None:
    unknown = 255
    expected = [int(COMMANDS[type_].length) if type_ in COMMANDS else unknown for type_ in range(256)]
    assert [lib.command_length(type_) for type_ in range(256)] == expected


def produced() -> dict[int, set[int]]:
    """By type, the lengths of the payloads a real board sends, which here sends everything it can."""
    bench = Bench(inputs=4)
    bench.connect()
    bench.do(records.SetTrace(0b1111))
    bench.do(records.GetSettings(0))
    bench.send(records.TimeProbe(1))
    for number in range(1, 5):
        bench.closure(number)
    bench.line_is_up = False
    for _ in range(50):
        bench.closure(2, rest_us=S)
    bench.line_is_up = True
    bench.connect()
    hello = bench.all(records.Hello)[-1]
    bench.send(records.Acknowledge(hello.boot, hello.oldest + 40))
    bench.run(S)
    bench.do(records.SetBoard(0, 0, 0, 1))  # two edges a second are chatter now
    bench.closure(1)
    bench.do(records.Selftest())
    for _ in range(1000):
        _, driven = bench.device.test_pins()
        bench.device.test(bench.now_us, driven or 0b1111 * (bench.device.test_pins()[0] == 0))
        bench.run(500, step_us=500)
    bench.run(100 * MS)
    sent: dict[int, set[int]] = {}
    for encoded in bench.frames:
        frame = pure.read(encoded[:-1])
        sent.setdefault(frame.type, set()).add(len(frame.payload))
    return sent


def test_frames_the_c_core_really_sends() -> None:
    sent = produced()
    traces = sent.pop(TRACE)
    assert {length - 9 for length in traces} <= {3 * count for count in range(1, TRACE_EDGES_MAX + 1)}
    assert sent == {type_: {int(row.length)} for type_, row in FIXED.items()}


def test_the_pure_decoder_knows_the_lengths() -> None:
    assert {type_: int(row.length) for type_, row in FIXED.items()} == pure.LENGTHS


# ---- values ----


def c_enum(file: str, prefix: str) -> dict[str, int]:
    """Names without the prefix, in lower case, to values: from the header, comments apart."""
    text = re.sub(r"/\*.*?\*/", "", (ROOT / "firmware" / "core" / file).read_text(), flags=re.DOTALL)
    for body in re.findall(r"enum \w+ \{(.*?)\}", text, re.DOTALL):
        entries = [entry.strip() for entry in body.split(",") if entry.strip()]
        if not all(entry.startswith(prefix) for entry in entries):
            continue
        found: dict[str, int] = {}
        value = -1
        for entry in entries:
            name, _, given_value = (part.strip() for part in entry.partition("="))
            value = value + 1
            if given_value:
                base, _, shift = given_value.partition("<<")
                value = int(base, 0) << int(shift or 0)
            found[name.removeprefix(prefix).lower()] = value
        return found
    raise LookupError(f"no enum of {prefix} in {file}")


def page_values(field: str) -> dict[str, int]:
    return {
        meaning: int(value) for name, value, meaning in TABLES["field | value | meaning"] if name == field
    }


@pytest.mark.parametrize(
    ("field", "python", "header", "prefix"),
    [
        ("kind", records.BoardKind, "device.h", "BOARD_"),
        ("reset_cause", records.ResetCause, "device.h", "RESET_"),
        ("fault", records.Fault, "fault.h", "FAULT_"),
        ("verdict", records.Verdict, "selftest.h", "SELFTEST_"),
        ("status", records.Status, "message.h", "REPLY_"),
    ],
)
def test_values(field: str, python: type[enum.Enum], header: str, prefix: str) -> None:
    expected = page_values(field)
    assert {name.lower(): member.value for name, member in python.__members__.items()} == expected
    assert c_enum(header, prefix) == expected


def test_flags() -> None:
    assert page_values("flags") == {"settings_defaulted": 1}
    values = dict.fromkeys(names_of(records.Hello), 0)
    assert records.Hello(**values | {"flags": 1}).settings_defaulted
    assert not records.Hello(**values | {"flags": 0xFE}).settings_defaulted


def test_all_value_tables_are_checked() -> None:
    checked = {"kind", "reset_cause", "fault", "verdict", "status", "flags"}
    assert {name for name, _, _ in TABLES["field | value | meaning"]} == checked


def test_names_of_types_in_c() -> None:
    text = (ROOT / "firmware" / "core" / "message.h").read_text()
    for prefix, rows in (("MESSAGE", MESSAGES), ("COMMAND", COMMANDS)):
        found = {
            name.lower(): int(value, 16)
            for name, value in re.findall(rf"\b{prefix}_(\w+) = (0x[0-9A-F]+)", text)
        }
        assert found == {row.name: row.type for row in rows.values()}


# ---- numbers in the prose ----


def test_defaults() -> None:
    said = re.search(r"defaults hold \(([^)]*)\)", TEXT)
    assert said is not None
    defaults = {name: int(value) for name, value in (part.split() for part in said.group(1).split(","))}
    bench = Bench(inputs=2)
    bench.connect()
    bench.do(records.GetSettings())
    board, first = bench.all(records.BoardSettings)[0], bench.all(records.InputSettings)[0]
    found = {name: getattr(part, name) for part in (board, first) for name in names_of(type(part))}
    assert found == defaults | {"input": 1}
    assert defaults["make_us"] == core.MAKE_US_DEFAULT
    assert defaults["break_us"] == core.BREAK_US_DEFAULT
    assert defaults["chatter_edges"] == core.CHATTER_EDGES_DEFAULT
    assert defaults["stuck_ms"] == core.STUCK_MS_DEFAULT


def test_frame_size_and_version() -> None:
    assert re.search(r"A frame is at most \*\*(\d+) bytes\*\*", TEXT).group(1) == str(wire.FRAME_MAX)  # type: ignore[union-attr]
    assert wire.FRAME_MAX == lib.FRAME_MAX == pure.ON_THE_LINE_MAX
    assert f"# The serial protocol, version {records.PROTOCOL_VERSION}\n" in TEXT
    assert Bench().connect().protocol == records.PROTOCOL_VERSION


# ---- width codes ----


def test_every_width_code_is_the_formula_of_the_page() -> None:
    assert [records.width_value(code) for code in range(256)] == [width_of(code) for code in range(256)]
    assert width_of(255) == records.WIDTH_MAX == 507_904
    assert "255 means 507 904 or more" in TEXT


def test_every_boundary_of_a_width_code_rounds_down() -> None:
    for code in range(256):
        smallest = width_of(code)
        for width, expected in ((smallest, code), (smallest - 1, code - 1)):
            if width >= 0:
                assert records.width_code(width) == expected, width
                assert lib.width_code(width) == expected, width


@examples(500)
@given(st.one_of(st.integers(0, 600_000), U32))
def test_both_ends_round_widths_alike(width: int) -> None:
    code = lib.width_code(width)
    assert records.width_code(width) == code
    assert width_of(code) <= width
    assert code == 255 or width < width_of(code + 1)
    assert width - width_of(code) <= max(width_of(code), 1) / 16 or code == 255


# ---- byte examples ----


def byte_examples() -> list[tuple[bytes, bytes]]:
    rows = TABLES["body without CRC | frame"]
    return [(bytes.fromhex(body), bytes.fromhex(frame)) for body, frame in rows]


def example_id(value: object) -> str:
    return value.hex() if isinstance(value, bytes) else ""


def test_the_examples_are_those_of_the_tool() -> None:
    rows: list[str] = examples_tool.rows()
    assert [f"| {body.hex()} | {frame.hex()} |" for body, frame in byte_examples()] == rows


def test_the_examples_show_what_matters() -> None:
    bodies = [body for body, _ in byte_examples()]
    frames = [frame for _, frame in byte_examples()]
    assert len(frames) >= 12
    assert any(body[0] < 0x40 for body in bodies)
    assert any(body[0] >= 0x40 for body in bodies)
    assert any(0 not in body for body in bodies)
    assert any(b"\0\0\0\0" in body for body in bodies)
    assert any(frame.endswith(b"\1\0") for frame in frames), "a CRC that ends in zero"


@pytest.mark.parametrize(("body", "frame"), byte_examples(), ids=example_id)
def test_example(body: bytes, frame: bytes) -> None:
    type_, sequence, payload = body[0], body[1], body[2:]
    assert wire.encode_frame(type_, sequence, payload) == frame
    assert wire.decode_frame(frame[:-1]) == (type_, sequence, payload)
    assert pure.frame(type_, sequence, payload) == frame
    assert c_encode(type_, sequence, payload) == frame
    assert c_decode(frame) == [(type_, sequence, payload)]
    assert type_ in COMMANDS or well_formed(type_, payload)
    assert type_ in MESSAGES or lib.command_length(type_) == len(payload)


def c_encode(type_: int, sequence: int, payload: bytes) -> bytes:
    out = ffi.new("uint8_t[]", len(payload) + 6)
    at = lib.frame_begin(out, type_, sequence)
    for byte in payload:
        at = lib.frame_u8(at, byte)
    return bytes(ffi.buffer(out, lib.frame_end(out, at)))


def c_decode(stream: bytes) -> list[tuple[int, int, bytes]]:
    reader = ffi.new("struct frame_reader *")
    body = ffi.new("uint8_t[]", lib.FRAME_MAX)
    lib.frame_reader_init(reader, body, lib.FRAME_MAX - 2)
    frame = ffi.new("struct frame *")
    return [
        (frame.type, frame.sequence, bytes(ffi.buffer(frame.payload, frame.length)))
        for byte in stream
        if lib.frame_take(reader, byte, frame)
    ]
