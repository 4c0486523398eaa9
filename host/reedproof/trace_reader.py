"""Reads traces from files. Three kinds are told apart by what they hold and not by their names:

* CSV with the header ``t_us,input,closed``,
* value change dumps (VCD, IEEE 1364) as logic analysers and simulators write them,
* bounce recordings, CSV with the header ``test,transition,t_ns,level,rising_edges``.

A recorder may be killed at any moment, so a file that ends in the middle of a row still opens: every complete
row counts, the torn one does not.
"""

from __future__ import annotations

import io
import math
import re
from collections.abc import Iterator
from dataclasses import dataclass
from decimal import ROUND_HALF_UP, Decimal
from pathlib import Path
from typing import Literal, NamedTuple, NoReturn

import numpy as np
from numpy.typing import NDArray
from vcd.common import TimescaleUnit, VarType
from vcd.reader import TokenKind, VarDecl, VCDParseError, tokenize

from reedproof.records import INPUTS_MAX
from reedproof.trace import BOUNCE_HEADER, COMMENT_TITLE, CSV_HEADER, BounceTest, Trace, TraceError

_PAUSE_MIN_NS = 1_000_000_000  # between the tests of a bounce recording
_TEST_MAX_NS = 10_000 * 10**9  # hours beyond any bounce; keeps the sum over all tests within 64 bits
_BLOCK_BYTES = 1 << 20  # parsed at a time: the scratch arrays of one block stay within the processor's cache
_TIME_MAX_US = 1 << 62  # leaves room for differences of two times in 64 bits

# Attoseconds in one unit, so that every timescale is a whole number and no time passes through a float.
_UNIT_AS = {
    TimescaleUnit.second: 10**18,
    TimescaleUnit.millisecond: 10**15,
    TimescaleUnit.microsecond: 10**12,
    TimescaleUnit.nanosecond: 10**9,
    TimescaleUnit.picosecond: 10**6,
    TimescaleUnit.femtosecond: 10**3,
    TimescaleUnit.attosecond: 1,
}
_US_AS = _UNIT_AS[TimescaleUnit.microsecond]
_NOT_LEVELS = {
    VarType.event,
    VarType.real,
    VarType.realtime,
    VarType.real_parameter,
    VarType.shortreal,
    VarType.string,
}

_DECIMAL = re.compile(r"[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d{1,3})?", re.ASCII)
_CONTROL_BYTE = re.compile(rb"[\x00-\x08\x0e-\x1f]")
_NON_ASCII_TO_QUESTION_MARK = bytes(byte if byte < 0x80 else 0x3F for byte in range(256))


def read_trace(path: Path) -> Trace:
    """Read a trace from a CSV, VCD or bounce recording file; the kind is told from the content.

    CSV: header ``t_us,input,closed``. Lines starting with ``#`` may stand anywhere; ``# sample_us: 50``,
    ``# inputs: 1 2 7``, ``# lost: 0``, ``# gaps: 0`` and ``# account: open`` are understood (the last one
    counts), other comments are skipped, and so are empty lines. A file whose account stays open was cut off:
    one more gap. Times may have decimals and are rounded to the nearest microsecond (halves away from zero).

    VCD (IEEE 1364): one-bit variables only, 1 is closed. The number at the end of a name is the input number
    (``input7``, ``in_7``, ``in[7]``); if a variable has none in 1 to 32 or two share one, all are numbered in
    order of declaration. Any other state (x, z) is an unknown level: the input keeps the level it had. Times
    are rounded to the nearest microsecond, halves up.

    Bounce recording: becomes input 1. The tests follow each other with one second of pause before each, the
    first included (with more where a test lasts longer than half a second). A press begins open and a release
    closed, whether or not its first row says so; where the test before it ended otherwise (a release recorded
    without its press), that change comes in the middle of the pause. The contact is open
    before the first test. Rising edges that the recorder only counted have no times and are left out.

    Args:
        path: the file.

    Returns:
        The trace, at least one edge.

    Raises:
        TraceError: the file cannot be read, is no trace, is damaged elsewhere than at a torn end, or
            holds no edge.
    """
    data = _read_bytes(path)
    if data.lstrip()[:1] == b"$":
        return _parse_vcd(data, path)
    notes = _Notes()
    header = _find_header(data, path, notes)
    if header.text == CSV_HEADER:
        return _parse_csv(data, header, path, notes)
    if header.text == BOUNCE_HEADER:
        return _lay_out(_parse_bounce(data, header, path, notes), notes, path)
    raise _error(
        path,
        header.line,
        f"the first line is {_shown(header.text)}, which starts no trace;"
        f" give a VCD file or a CSV file with the header {CSV_HEADER}",
    )


def read_bounce_recording(path: Path) -> list[BounceTest]:
    """Read a bounce recording test by test, with the recorder's own times.

    A new test starts where the number in the first column changes.

    Args:
        path: CSV file with the header ``test,transition,t_ns,level,rising_edges``; level 0 is closed.

    Returns:
        The tests in the order of the file, at least one.

    Raises:
        TraceError: the file cannot be read, has another header, a damaged row, or no rows.
    """
    notes = _Notes()
    data = _read_bytes(path)
    header = _find_header(data, path, notes)
    if header.text != BOUNCE_HEADER:
        raise _error(
            path,
            header.line,
            f"the header is {_shown(header.text)}; a bounce recording starts with {BOUNCE_HEADER}",
        )
    return _parse_bounce(data, header, path, notes)


# --- what all kinds of file share ---


@dataclass
class _Notes:
    """What a recorder says about itself in comments."""

    sample_us: float | None = None
    lost: int = 0
    gaps: int = 0
    account: str = "closed"
    recorded: tuple[int, ...] = ()

    @property
    def all_gaps(self) -> int:
        """A recording that was cut off does not tell what it lost: one more."""
        return self.gaps + (self.account == "open")

    def take(self, text: str, path: Path, line: int) -> None:
        """Understand ``key: value`` if the key is ours; other text is the user's own and is skipped."""
        key, colon, value = (part.strip() for part in text.partition(":"))
        if not colon:
            return
        if key == "sample_us":
            sample_us = float(value) if _DECIMAL.fullmatch(value) else 0.0
            if not 0 < sample_us < math.inf:
                raise _error(path, line, f"sample_us is {_shown(value)}; write a positive number")
            self.sample_us = sample_us
        elif key == "inputs":
            numbers = [int(text) for text in re.findall(r"\d{1,3}", value, re.ASCII)]
            if not numbers or not all(1 <= number <= INPUTS_MAX for number in numbers):
                raise _error(
                    path,
                    line,
                    f"inputs is {_shown(value)}; write numbers from 1 to {INPUTS_MAX}, such as 1 2 7",
                )
            self.recorded = tuple(sorted(set(numbers)))
        elif key == "account":
            self.account = value
        elif key in ("lost", "gaps"):
            if not re.fullmatch(r"\d{1,18}", value, re.ASCII):
                raise _error(path, line, f"{key} is {_shown(value)}; write a whole number, 0 or more")
            setattr(self, key, int(value))


class _Header(NamedTuple):
    text: str
    line: int
    end: int  # offset of the first byte after the line


class _Line(NamedTuple):
    number: int
    text: str
    complete: bool  # ended by a line feed, so certainly not torn


def _shown(text: str) -> str:
    """Text from a file, made safe for one line of a message."""
    return repr(text if len(text) <= 40 else text[:37] + "...")


def _error(path: Path, line: int, text: str) -> TraceError:
    return TraceError(f"{path}, line {line}: {text}")


def _no_edges(path: Path) -> TraceError:
    return TraceError(f"{path}: holds no edges; record again while a contact opens and closes")


def _read_bytes(path: Path) -> bytes:
    try:
        data = Path(path).read_bytes()
    except OSError as error:
        raise TraceError(f"{path}: cannot be read ({error.strerror}); check the name of the file") from None
    # A power cut can leave a tail of zero bytes after the last row that reached the disk.
    data = data.removeprefix(b"\xef\xbb\xbf").rstrip(b"\0")
    if not data:
        raise TraceError(f"{path}: the file is empty; record again or choose another file")
    # Zero bytes are searched everywhere because that is cheap, other binary content only near the start:
    # further on it makes a row that is refused with its line.
    binary_at = data.find(b"\0")
    if binary_at < 0:
        found = _CONTROL_BYTE.search(data, 0, 1 << 16)
        binary_at = found.start() if found else -1
    if binary_at >= 0:
        line = data.count(b"\n", 0, binary_at) + 1
        raise _error(path, line, "this is not text; export the recording as CSV (UTF-8) or VCD")
    return data


def _lines(data: bytes, start: int, first_line: int) -> Iterator[_Line]:
    """All lines from an offset on that are not empty; CR LF and LF both end a line."""
    number = first_line
    while start < len(data):
        end = data.find(b"\n", start)
        complete = end >= 0
        text = data[start : end if complete else len(data)].decode("utf-8", "replace").removesuffix("\r")
        if text.strip():
            yield _Line(number, text, complete)
        if not complete:
            return
        start = end + 1
        number += 1


def _take_comment(line: _Line, path: Path, notes: _Notes) -> bool:
    """Whether the line is a comment; if so, what it says goes into the notes."""
    if not line.text.startswith("#"):
        return False
    try:
        notes.take(line.text[1:], path, line.number)
    except TraceError:
        if line.complete:
            raise
    return True


def _find_header(data: bytes, path: Path, notes: _Notes) -> _Header:
    """The first line that is neither empty nor a comment."""
    for line in _lines(data, 0, 1):
        if not _take_comment(line, path, notes):
            end = 0
            for _ in range(line.number):
                end = data.find(b"\n", end) + 1 or len(data)
            return _Header(line.text, line.number, end)
    raise _no_edges(path)


def _drop_repeats(
    times_us: NDArray[np.int64],
    inputs: NDArray[np.uint8],
    closed: NDArray[np.uint8],
    notes: _Notes,
    path: Path,
    pause_us: int | None = None,
) -> Trace:
    """The trace of those rows that change their input's level; every input starts open."""
    keep = np.zeros(len(times_us), dtype=bool)
    for number in np.flatnonzero(np.bincount(inputs, minlength=INPUTS_MAX + 1)):
        rows = np.flatnonzero(inputs == number)
        keep[rows] = np.diff(closed[rows], prepend=np.uint8(0)) != 0
    if not keep.any():
        raise _no_edges(path)
    return Trace(
        times_us[keep], inputs[keep], closed[keep], notes.sample_us, notes.lost, notes.all_gaps, pause_us,
        notes.recorded,
    )  # fmt: skip


# --- CSV ---


class _Rows(NamedTuple):
    times_us: NDArray[np.int64]
    inputs: NDArray[np.uint8]
    closed: NDArray[np.uint8]


def _parse_csv(data: bytes, header: _Header, path: Path, notes: _Notes) -> Trace:
    parts: list[_Rows] = []
    start, line = header.end, header.line + 1
    while start < len(data):
        end = data.rfind(b"\n", start, start + _BLOCK_BYTES) + 1 or data.find(b"\n", start) + 1 or len(data)
        block = data[start:end]
        rows = _parse_block(block)
        parts.append(_parse_block_carefully(block, line, path, notes) if rows is None else rows)
        start = end
        line += block.count(b"\n")
    if not parts:
        raise _no_edges(path)
    times_us = np.concatenate([part.times_us for part in parts])
    backwards = np.flatnonzero(times_us[1:] < times_us[:-1])
    if backwards.size:
        row = int(backwards[0]) + 1
        raise _error(
            path,
            _line_of_row(data, header, row),
            f"{times_us[row]} us comes after {times_us[row - 1]} us; sort the rows by t_us",
        )
    return _drop_repeats(
        times_us,
        np.concatenate([part.inputs for part in parts]),
        np.concatenate([part.closed for part in parts]),
        notes,
        path,
    )


def _parse_block(block: bytes) -> _Rows | None:
    """Parse whole lines of plain rows all at once; None if anything in the block is not a plain valid row.

    The commas, line ends, signs and points are found and must be where they belong; if the number of digits
    then makes up the rest of the block, every other byte is known to be a digit without looking at each
    field.
    """
    raw = np.frombuffer(block, dtype=np.uint8)
    line_feeds = np.flatnonzero(raw == ord("\n"))
    commas = np.flatnonzero(raw == ord(","))
    if block[-1:] != b"\n" or commas.size != 2 * line_feeds.size:
        return None
    first, second = commas[0::2], commas[1::2]
    starts = np.concatenate([np.zeros(1, dtype=np.int64), line_feeds[:-1] + 1])
    returns = raw[line_feeds - 1] == ord("\r")
    minus = raw[starts] == ord("-")
    starts = starts + minus
    points = np.flatnonzero(raw == ord("."))
    if not np.all((starts < first) & (first < second) & (second + 2 == line_feeds - returns)):
        return None

    point_rows = np.searchsorted(line_feeds, points)
    whole_ends = first.copy()
    whole_ends[point_rows] = points
    round_up = np.zeros(len(first), dtype=bool)
    # A point right before the comma has no decimals; the comma there is less than "5" as a character.
    round_up[point_rows] = raw[points + 1] >= ord("5")
    widths = whole_ends - starts
    input_widths = second - first - 1
    if (
        np.any(np.diff(point_rows) == 0)
        or np.any(points > first[point_rows])
        or widths.min() < 1
        or widths.max() > 18
        or input_widths.min() < 1
        or input_widths.max() > 2
    ):
        return None
    digits = np.count_nonzero(raw - np.uint8(ord("0")) < 10)  # bytes below "0" wrap around to large numbers
    others = 3 * line_feeds.size + np.count_nonzero(returns) + np.count_nonzero(minus) + points.size
    if digits + others != raw.size:
        return None

    values = raw - np.uint8(ord("0"))
    times_us = np.zeros(len(first), dtype=np.int64)
    for place in range(int(widths.max())):
        at = whole_ends - 1 - place
        times_us += np.where(at >= starts, values[at], 0) * np.int64(10**place)
    times_us += round_up
    np.negative(times_us, where=minus, out=times_us)
    inputs = values[second - 1] + np.where(input_widths == 2, values[first + 1], 0) * np.uint8(10)
    closed = values[second + 1]
    if inputs.min() < 1 or inputs.max() > INPUTS_MAX or closed.max() > 1:
        return None
    return _Rows(times_us, inputs.astype(np.uint8), closed)


def _parse_block_carefully(block: bytes, first_line: int, path: Path, notes: _Notes) -> _Rows:
    """Parse line by line: for blocks with comments, unusual numbers, a torn end, or an error to be named."""
    times_us: list[int] = []
    inputs: list[int] = []
    closed: list[int] = []
    for line in _lines(block, 0, first_line):
        if _take_comment(line, path, notes):
            continue
        try:
            fields = _csv_fields(line, path)
        except TraceError:
            if line.complete:
                raise
            break
        time_us, number, level = fields
        if not 1 <= number <= INPUTS_MAX:
            raise _error(path, line.number, f"input is {number}; inputs are numbered 1 to {INPUTS_MAX}")
        if level not in (0, 1):
            raise _error(path, line.number, f"closed is {level}; write 1 for closed or 0 for open")
        times_us.append(time_us)
        inputs.append(number)
        closed.append(level)
    return _Rows(
        np.array(times_us, dtype=np.int64), np.array(inputs, dtype=np.uint8), np.array(closed, dtype=np.uint8)
    )


def _csv_fields(line: _Line, path: Path) -> tuple[int, int, int]:
    fields = [field.strip() for field in line.text.split(",")]
    if len(fields) != 3:
        _wrong_columns(path, line, CSV_HEADER, len(fields))
    if not _DECIMAL.fullmatch(fields[0]):
        raise _error(
            path, line.number, f"t_us is {_shown(fields[0])}, not a number; correct or delete the row"
        )
    time_us = Decimal(fields[0])
    if abs(time_us) > _TIME_MAX_US:
        raise _error(path, line.number, f"t_us is {_shown(fields[0])}; times go up to {_TIME_MAX_US} us")
    return (
        int(time_us.to_integral_value(ROUND_HALF_UP)),
        _whole(fields[1], "input", path, line),
        _whole(fields[2], "closed", path, line),
    )


def _whole(text: str, column: str, path: Path, line: _Line) -> int:
    if not re.fullmatch(r"-?\d{1,18}", text, re.ASCII):
        raise _error(
            path, line.number, f"{column} is {_shown(text)}, not a whole number; correct or delete the row"
        )
    return int(text)


def _wrong_columns(path: Path, line: _Line, header: str, found: int) -> NoReturn:
    wanted = header.count(",") + 1
    raise _error(
        path, line.number, f"{found} columns instead of {wanted} ({header}); correct or delete the row"
    )


def _line_of_row(data: bytes, header: _Header, row: int) -> int:
    """The line of a row counted from 0."""
    rows = (line.number for line in _lines(data, header.end, header.line + 1) if line.text[0] != "#")
    return next(number for index, number in enumerate(rows) if index == row)


# --- bounce recordings ---


class _BounceRow(NamedTuple):
    test: int
    transition: Literal["press", "release"]
    time_ns: int
    closed: int


def _bounce_row(line: _Line, path: Path) -> _BounceRow:
    fields = [field.strip() for field in line.text.split(",")]
    if len(fields) != 5:
        _wrong_columns(path, line, BOUNCE_HEADER, len(fields))
    test, time_ns, level, rising = (
        _whole(fields[at], name, path, line)
        for at, name in ((0, "test"), (2, "t_ns"), (3, "level"), (4, "rising_edges"))
    )
    transition: Literal["press", "release"]
    if fields[1] == "press":
        transition = "press"
    elif fields[1] == "release":
        transition = "release"
    else:
        raise _error(path, line.number, f"transition is {_shown(fields[1])}; write press or release")
    if not 0 <= time_ns <= _TEST_MAX_NS:
        raise _error(
            path, line.number, f"t_ns is {time_ns}; a test runs from 0 to {_TEST_MAX_NS} ns, correct the row"
        )
    if level not in (0, 1):
        raise _error(path, line.number, f"level is {level}; write 0 for closed or 1 for open")
    if rising < 0:
        raise _error(path, line.number, f"rising_edges is {rising}; write a whole number, 0 or more")
    return _BounceRow(test, transition, time_ns, 1 - level)


def _parse_bounce(data: bytes, header: _Header, path: Path, notes: _Notes) -> list[BounceTest]:
    tests: list[list[_BounceRow]] = []
    for line in _lines(data, header.end, header.line + 1):
        if _take_comment(line, path, notes):
            continue
        try:
            row = _bounce_row(line, path)
        except TraceError:
            if line.complete:
                raise
            break
        if not tests or tests[-1][-1].test != row.test:
            tests.append([row])
            continue
        before = tests[-1][-1]
        if before.transition != row.transition:
            raise _error(
                path, line.number, f"test {row.test} is both press and release; give each its own number"
            )
        if row.time_ns < before.time_ns:
            raise _error(
                path,
                line.number,
                f"{row.time_ns} ns comes after {before.time_ns} ns; sort the rows of a test",
            )
        tests[-1].append(row)
    if not tests:
        raise _no_edges(path)
    return [
        BounceTest(
            rows[0].test,
            rows[0].transition,
            np.array([row.time_ns for row in rows], dtype=np.int64),
            np.array([row.closed for row in rows], dtype=np.uint8),
        )
        for rows in tests
    ]


def _lay_out(tests: list[BounceTest], notes: _Notes, path: Path) -> Trace:
    """One time line for all tests, a pause before each."""
    # Half of it is longer than anything within a test, so that openings tell what lies between tests.
    pause_ns = max(_PAUSE_MIN_NS, 2 * max(int(test.times_ns[-1]) for test in tests) + 2000) // 2000 * 2000
    times_ns: list[NDArray[np.int64]] = []
    closed: list[NDArray[np.uint8]] = []
    end_ns = 0
    for test in tests:
        # A press begins open, a release closed: that is stated in the middle of the pause. Where the contact
        # was so already, this row is a repeat and is dropped like any other.
        times_ns += [np.array([end_ns + pause_ns // 2]), end_ns + pause_ns + test.times_ns]
        closed += [np.array([test.transition == "release"], dtype=np.uint8), test.closed]
        end_ns += pause_ns + int(test.times_ns[-1])
    times_us = (np.concatenate(times_ns) + 500) // 1000
    levels = np.concatenate(closed)
    inputs = np.ones(len(levels), dtype=np.uint8)
    return _drop_repeats(times_us, inputs, levels, notes, path, pause_us=pause_ns // 2000)


# --- VCD ---


def _parse_vcd(data: bytes, path: Path) -> Trace:
    """Read changes token by token; a token that the end of the file cuts off is left out."""
    # The standard is ASCII, but tools put their user's language into comments and dates.
    data = data.translate(_NON_ASCII_TO_QUESTION_MARK)
    # The last word may be torn if no white space follows it. The tokenizer takes half a word for a whole one,
    # so it does not get to see it.
    tail = b"" if data[-1:].isspace() else data.split()[-1]
    data = data[: len(data) - len(tail)]

    notes = _Notes()
    variables: dict[str, VarDecl] = {}
    tick_as: int | None = None
    time_us = 0
    times_us: list[int] = []
    codes: list[str] = []
    closed: list[int] = []
    try:
        for token in tokenize(io.BytesIO(data)):
            kind = token.kind
            line = token.span.start.line
            if kind is TokenKind.CHANGE_SCALAR or kind is TokenKind.CHANGE_VECTOR:
                change = token.scalar_change if kind is TokenKind.CHANGE_SCALAR else token.vector_change
                if change.id_code not in variables:
                    raise _error(
                        path, line, f"{_shown(change.id_code)} is not declared by any $var; export again"
                    )
                level = str(change.value)
                if level in ("0", "1"):
                    times_us.append(time_us)
                    codes.append(change.id_code)
                    closed.append(int(level))
            elif kind is TokenKind.CHANGE_TIME:
                if tick_as is None:
                    raise _error(path, line, "no $timescale before the first time; add $timescale 1 us $end")
                before_us, time_us = time_us, (2 * token.time_change * tick_as + _US_AS) // (2 * _US_AS)
                if time_us < before_us:
                    raise _error(path, line, f"{time_us} us comes after {before_us} us; export again")
                if time_us > _TIME_MAX_US:
                    raise _error(path, line, f"times go up to {_TIME_MAX_US} us; check the $timescale")
            elif kind is TokenKind.VAR:
                variable = token.var
                if variable.size != 1 or variable.type_ in _NOT_LEVELS:
                    raise _error(
                        path,
                        line,
                        f"variable {_shown(variable.ref_str)} is no one-bit level ({variable.type_},"
                        f" size {variable.size}); export only the signals of single inputs",
                    )
                variables.setdefault(variable.id_code, variable)  # declared again: another name of the same
            elif kind is TokenKind.TIMESCALE:
                scale = token.timescale
                if scale.unit not in _UNIT_AS or scale.magnitude < 1:
                    raise _error(path, line, f"the timescale is {scale}; export with 1 us")
                tick_as = scale.magnitude * _UNIT_AS[scale.unit]
            elif kind is TokenKind.COMMENT:
                title, *entries = token.comment.strip().split("\n")
                if title.strip() == COMMENT_TITLE:
                    for entry in entries:
                        notes.take(entry, path, line)
    except VCDParseError as error:
        what = _shown(str(error).partition(": ")[2])
        raise _error(path, error.loc.line, f"the VCD cannot be understood ({what}); export again") from None

    level, code = tail[:1].decode(), tail[1:].decode()
    # A last change without white space after it is whole if its code cannot be the start of a longer one.
    if level in ("0", "1") and [other for other in variables if other.startswith(code)] == [code]:
        times_us.append(time_us)
        codes.append(code)
        closed.append(int(level))
    numbers = _number_variables(variables, path)
    return _drop_repeats(
        np.array(times_us, dtype=np.int64),
        np.array([numbers[code] for code in codes], dtype=np.uint8),
        np.array(closed, dtype=np.uint8),
        notes,
        path,
    )


def _number_variables(variables: dict[str, VarDecl], path: Path) -> dict[str, int]:
    """Input number of every identifier code."""
    if len(variables) > INPUTS_MAX:
        raise TraceError(
            f"{path}: {len(variables)} variables where at most {INPUTS_MAX} inputs fit; export fewer signals"
        )
    found = [re.search(r"(\d{1,9})\]?$", variable.ref_str, re.ASCII) for variable in variables.values()]
    numbers = [int(match[1]) if match else 0 for match in found]
    if len(set(numbers)) < len(numbers) or not all(1 <= number <= INPUTS_MAX for number in numbers):
        numbers = list(range(1, len(variables) + 1))
    return dict(zip(variables, numbers, strict=True))
