"""Trace files: what is written reads back, what is torn still opens, what is wrong is named with its line."""

from __future__ import annotations

import math
import signal
import tempfile
from importlib import import_module
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from reedproof import trace_reader, trace_writer
from reedproof.trace import BOUNCE_HEADER, CSV_HEADER, Trace, TraceError
from reedproof.trace_reader import read_bounce_recording, read_trace
from reedproof.trace_writer import notes_of, open_writer, write_csv, write_vcd

GOLDEN = Path(__file__).parent.parent / "golden"

# Importing vcdvcd makes a broken pipe end the whole process; the tests of other modules would die of it.
_on_broken_pipe = signal.getsignal(signal.SIGPIPE)
VCDVCD: Any = import_module("vcdvcd").VCDVCD
signal.signal(signal.SIGPIPE, _on_broken_pipe)

Edges = list[tuple[int, int, int]]


def trace_of(edges: Edges, sample_us: float | None = None, lost: int = 0) -> Trace:
    columns = np.array(edges, dtype=np.int64).reshape(-1, 3)
    return Trace(
        columns[:, 0], columns[:, 1].astype(np.uint8), columns[:, 2].astype(np.uint8), sample_us, lost
    )


def edges_of(trace: Trace) -> Edges:
    return list(zip(trace.times_us.tolist(), trace.inputs.tolist(), trace.closed.tolist(), strict=True))


def read_bytes(tmp_path: Path, content: bytes) -> Trace:
    path = tmp_path / "recording"
    path.write_bytes(content)
    return read_trace(path)


def read_rows(tmp_path: Path, rows: str) -> Edges:
    return edges_of(read_bytes(tmp_path, f"{CSV_HEADER}\n{rows}".encode()))


def assert_refused(tmp_path: Path, content: bytes, line: int | None, part: str) -> None:
    """The message is one line that names the file, the line, and what is wrong, and goes on with advice."""
    with pytest.raises(TraceError) as caught:
        read_bytes(tmp_path, content)
    message = str(caught.value)
    place = f"{tmp_path / 'recording'}" + (f", line {line}: " if line else ": ")
    assert message.startswith(place)
    assert part in message
    assert len(message.splitlines()) == 1
    assert ";" in message, "no advice"


@st.composite
def traces(draw: st.DrawFn, time_min_us: int = 0) -> Trace:
    """Any trace: same instants, glitches of no length, times up to the limit."""
    time_max_us = draw(st.sampled_from([3, 1000, 2**48, 2**62]))
    times_us = sorted(draw(st.lists(st.integers(time_min_us, time_max_us), min_size=1, max_size=60)))
    inputs_used = draw(st.lists(st.integers(1, 32), min_size=1, max_size=4, unique=True))
    level = dict.fromkeys(inputs_used, 0)
    edges = []
    for time_us in times_us:
        number = draw(st.sampled_from(inputs_used))
        level[number] ^= 1
        edges.append((time_us, number, level[number]))
    sample_us = draw(st.none() | st.floats(min_value=0, exclude_min=True, allow_infinity=False))
    return trace_of(edges, sample_us, draw(st.integers(0, 2**48)))


# --- round trips ---


@given(traces(time_min_us=-(2**62)))
def test_csv_round_trip_is_exact(trace: Trace) -> None:
    with tempfile.TemporaryDirectory() as folder:
        write_csv(trace, Path(folder, "t.csv"))
        assert read_trace(Path(folder, "t.csv")) == trace


@given(traces())
def test_vcd_round_trip_is_exact(trace: Trace) -> None:
    with tempfile.TemporaryDirectory() as folder:
        write_vcd(trace, Path(folder, "t.vcd"))
        assert read_trace(Path(folder, "t.vcd")) == trace


@given(traces())
def test_another_reader_understands_our_vcd(trace: Trace) -> None:
    """IEEE 1364 (value change dump), as read by vcdvcd, which shares no code with us or with pyvcd."""
    with tempfile.TemporaryDirectory() as folder:
        write_vcd(trace, Path(folder, "t.vcd"))
        dump = VCDVCD(str(Path(folder, "t.vcd")))
    assert (dump.timescale["magnitude"], dump.timescale["unit"]) == (1, "us")
    numbers = sorted(set(trace.inputs.tolist()))
    assert dump.signals == [f"reedproof.input{number}" for number in numbers]
    for number in numbers:
        own = [(time_us, str(closed)) for time_us, at, closed in edges_of(trace) if at == number]
        assert dump[f"reedproof.input{number}"].tv == [(0, "0"), *own], "starts open at time 0"


def test_the_same_trace_gives_the_same_bytes(tmp_path: Path) -> None:
    trace = trace_of([(0, 3, 1), (0, 3, 0), (7, 12, 1)], sample_us=50, lost=2)
    for write in (write_csv, write_vcd):
        write(trace, tmp_path / "a")
        write(trace, tmp_path / "b")
        assert (tmp_path / "a").read_bytes() == (tmp_path / "b").read_bytes()


def test_csv_as_written(tmp_path: Path) -> None:
    write_csv(trace_of([(0, 3, 1), (1050, 3, 0)], sample_us=50, lost=2), tmp_path / "t")
    assert (tmp_path / "t").read_text() == f"# sample_us: 50.0\n# lost: 2\n{CSV_HEADER}\n0,3,1\n1050,3,0\n"


def test_writing_in_more_than_one_portion(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(trace_writer, "_ROWS_WRITTEN_AT_ONCE", 2)
    trace = trace_of([(i, 1, (i + 1) % 2) for i in range(5)])
    write_csv(trace, tmp_path / "t")
    assert read_trace(tmp_path / "t") == trace


@pytest.mark.parametrize("write", [write_csv, write_vcd])
def test_a_place_that_cannot_be_written_is_named(tmp_path: Path, write: Any) -> None:
    with pytest.raises(TraceError, match=r"none.t: cannot be written \(No such file or directory\); choose"):
        write(trace_of([(0, 1, 1)]), tmp_path / "none" / "t")


def test_vcd_has_no_times_before_zero(tmp_path: Path) -> None:
    with pytest.raises(TraceError, match=r"first edge is at -5 us .*; write CSV instead"):
        write_vcd(trace_of([(-5, 1, 1)]), tmp_path / "t.vcd")
    assert not (tmp_path / "t.vcd").exists()


def test_a_trace_differs_in_every_field() -> None:
    trace = trace_of([(1, 1, 1), (2, 2, 1)], 50, 1)
    assert trace == trace_of([(1, 1, 1), (2, 2, 1)], 50, 1)
    assert len(trace) == 2
    for other in (
        trace_of([(1, 1, 1), (3, 2, 1)], 50, 1),
        trace_of([(1, 1, 1), (2, 3, 1)], 50, 1),
        trace_of([(1, 1, 1), (2, 2, 0)], 50, 1),
        trace_of([(1, 1, 1)], 50, 1),
        trace_of([(1, 1, 1), (2, 2, 1)], None, 1),
        trace_of([(1, 1, 1), (2, 2, 1)], 50, 0),
        "trace",
    ):
        assert trace != other


@pytest.mark.parametrize(
    ("change", "part"),
    [
        ({"times_us": np.array([1.0, 2.0])}, "times_us has type float64"),
        ({"inputs": np.array([1], dtype=np.uint8)}, "inputs has type uint8 and shape"),
        ({"times_us": np.array([2, 1])}, "goes backwards"),
        ({"inputs": np.array([1, 0], dtype=np.uint8)}, "outside 1 to 32"),
        ({"inputs": np.array([1, 33], dtype=np.uint8)}, "outside 1 to 32"),
        ({"closed": np.array([1, 2], dtype=np.uint8)}, "other than 0 and 1"),
        ({"sample_us": 0.0}, "sample_us"),
        ({"sample_us": math.inf}, "sample_us"),
        ({"lost": -1}, "lost"),
    ],
)
def test_a_trace_refuses_what_is_none(change: dict[str, Any], part: str) -> None:
    good = trace_of([(1, 1, 1), (2, 1, 0)])
    fields = {"times_us": good.times_us, "inputs": good.inputs, "closed": good.closed, **change}
    with pytest.raises(TraceError, match=part):
        Trace(**fields)


# --- CSV ---


@pytest.mark.parametrize(
    "content",
    [
        b"t_us,input,closed\r\n5,1,1\r\n9,12,1\r\n",
        b"\xef\xbb\xbft_us,input,closed\n5,1,1\n9,12,1\n",
        b"t_us,input,closed\n5,1,1\r\n9,12,1",
        b"\n# made by hand\n\nt_us,input,closed\n\n5,1,1\n# anything: at all\n9,12,1\n\n",
        b"t_us,input,closed\n 5 , 01, 1\n9.,12,1\n",
        b"t_us,input,closed\n5.0e0,1,1\n+9,12,1\n",
        b"# t\xe9moin\nt_us,input,closed\n5,1,1\n9,12,1\n",
        b"t_us,input,closed\n5,1,1\n9,12,1\n\0\0\0\0",
    ],
    ids=["crlf", "bom", "mixed", "comments", "spaces", "numbers", "latin-1-comment", "zero-tail"],
)
def test_csv_variants(tmp_path: Path, content: bytes) -> None:
    assert edges_of(read_bytes(tmp_path, content)) == [(5, 1, 1), (9, 12, 1)]


@pytest.mark.parametrize("careful", [False, True])
def test_decimals_are_rounded_to_the_nearest_microsecond(tmp_path: Path, careful: bool) -> None:
    rows = "-2.5,1,1\n-0.4,1,0\n0.4,1,1\n0.5,1,0\n1.4999,1,1\n2.500,1,0\n9007199254740993.5,1,1\n"
    times_us = [time_us for time_us, _, _ in read_rows(tmp_path, rows + "# slow\n" * careful)]
    assert times_us == [-3, 0, 0, 1, 1, 3, 9007199254740994]


@given(
    st.lists(
        st.tuples(
            st.sampled_from(
                ["7", "12", "3.5", "-1", ".5", "1e3", "", "-", "1-1", "1.2.3", "5\r", " 8", "x", "٣"]
            ),
            st.sampled_from(["1", "32", "33", "0", "07", "007", "", "1.0", "a", "1\r"]),
            st.sampled_from(["0", "1", "2", "", "1.", "01", " 1", "-", "1,1"]),
        ),
        min_size=1,
        max_size=6,
    ),
    st.sampled_from(["\n", "\r\n", "\n\n", "\r\r\n"]),
)
def test_the_fast_parser_and_the_careful_one_agree(rows: list[tuple[str, str, str]], end: str) -> None:
    """Whatever the fast one accepts, the careful one reads alike; it is the one with the errors."""
    block = "".join(",".join(row) + end for row in rows).encode()
    fast = trace_reader._parse_block(block)
    if fast is not None:
        careful = trace_reader._parse_block_carefully(block, 1, Path("x"), trace_reader._Notes())
        for column in fast._fields:
            assert getattr(fast, column).dtype == getattr(careful, column).dtype
            np.testing.assert_array_equal(getattr(fast, column), getattr(careful, column))


def test_plain_rows_take_the_fast_way(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def careful(*_: object) -> None:
        raise AssertionError("parsed line by line")

    monkeypatch.setattr(trace_reader, "_parse_block_carefully", careful)
    assert read_rows(tmp_path, "-1,1,1\r\n0.5,32,1\n281474976710655,1,0\n") == [
        (-1, 1, 1),
        (1, 32, 1),
        (281474976710655, 1, 0),
    ]


def test_blocks_join_and_lines_are_counted_across_them(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(trace_reader, "_BLOCK_BYTES", 16)
    edges = [(i * 10, 1 + i % 3, (i // 3 + 1) % 2) for i in range(50)]
    rows = "".join(f"{time_us},{number},{closed}\n" for time_us, number, closed in edges)
    assert read_rows(tmp_path, rows) == edges
    assert read_rows(tmp_path, "# a comment longer than a block\n" + rows) == edges
    assert_refused(tmp_path, f"{CSV_HEADER}\n{rows}500,x,1\n".encode(), 52, "input is 'x'")
    assert_refused(
        tmp_path, f"{CSV_HEADER}\n# c\n{rows}\n489,1,1\n".encode(), 54, "489 us comes after 490 us"
    )


def test_rows_that_repeat_a_level_are_dropped(tmp_path: Path) -> None:
    rows = "1,5,0\n2,5,1\n3,6,1\n4,5,1\n5,5,0\n6,6,1\n7,5,0\n8,5,1\n"
    assert read_rows(tmp_path, rows) == [(2, 5, 1), (3, 6, 1), (5, 5, 0), (8, 5, 1)]


def test_comments_tell_the_sampling_period_and_the_losses(tmp_path: Path) -> None:
    content = "# sample_us: 62.5\n#lost:1\n# note: x\nt_us,input,closed\n5,1,1\n# lost : 70\n"
    trace = read_bytes(tmp_path, content.encode())
    assert (trace.sample_us, trace.lost) == (62.5, 70)
    plain = read_bytes(tmp_path, b"t_us,input,closed\n5,1,1\n")
    assert (plain.sample_us, plain.lost) == (None, 0)


def test_a_torn_csv_keeps_every_complete_row(tmp_path: Path) -> None:
    """A recorder killed after any number of bytes."""
    write_csv(trace_of([(5, 1, 1), (1234, 12, 1), (1300, 1, 0)], 50, 3), tmp_path / "t")
    whole = (tmp_path / "t").read_bytes() + b"# lost: 5\n"
    first_row = whole.index(b"5,1,1\n")
    for size in range(first_row + 5, len(whole)):
        rows = whole[first_row:size].split(b"\n")
        complete = [row for row in rows if row in (b"5,1,1", b"1234,12,1", b"1300,1,0")]
        assert len(read_bytes(tmp_path, whole[:size])) == len(complete), size
    for size in range(first_row + 5):
        with pytest.raises(TraceError):
            read_bytes(tmp_path, whole[:size])


@pytest.mark.parametrize(
    ("rows", "line", "part"),
    [
        (b"5,1,1\n6,1\n", 3, "2 columns instead of 3"),
        (b"5,1,1\n6,1,0,9\n", 3, "4 columns instead of 3"),
        (b"5;1;1\n", 2, "1 columns instead of 3"),
        (b"x,1,1\n", 2, "t_us is 'x', not a number"),
        (b",1,1\n", 2, "t_us is '', not a number"),
        (b"-,1,1\n", 2, "t_us is '-', not a number"),
        (b".,1,1\n", 2, "t_us is '.', not a number"),
        (b"1.2.3,1,1\n", 2, "t_us is '1.2.3', not a number"),
        (b"1-1,1,1\n", 2, "t_us is '1-1', not a number"),
        (b"9" * 20 + b",1,1\n", 2, "times go up to"),
        (b"5,.1,1\n", 2, "input is '.1', not a whole number"),
        (b"5,1.,1\n", 2, "input is '1.', not a whole number"),
        (b"5,1,10\n", 2, "closed is 10"),
        (b"nan,1,1\n", 2, "t_us is 'nan', not a number"),
        (b"1_0,1,1\n", 2, "t_us is '1_0', not a number"),
        (b"\xff\xfe,1,1\n", 2, "not a number"),
        (b"1" * 200 + b",1,1\n", 2, "times go up to"),
        (b"1e999,1,1\n", 2, "times go up to"),
        (b"5,1,1\n5,,1\n", 3, "input is '', not a whole number"),
        (b"5,1.5,1\n", 2, "input is '1.5', not a whole number"),
        (b"5,0,1\n", 2, "input is 0; inputs are numbered 1 to 32"),
        (b"5,33,1\n", 2, "input is 33;"),
        (b"5,256,1\n", 2, "input is 256;"),
        (b"5,-1,1\n", 2, "input is -1;"),
        (b"5,1,2\n", 2, "closed is 2; write 1"),
        (b"5,1,-1\n", 2, "closed is -1; write 1"),
        (b"5,1,open\n", 2, "closed is 'open', not a whole number"),
        (b"5,1,1\n4,1,0\n", 3, "4 us comes after 5 us"),
        (b"5,1,1\n4,1,0", 3, "4 us comes after 5 us"),
        (b"5,1,1\n# c\n\n4,1,0\n", 5, "4 us comes after 5 us"),
        (b"5,1,1\n6,33,0", 3, "input is 33"),
        (b"# sample_us: fast\n5,1,1\n", 2, "sample_us is 'fast'; write a positive number"),
        (b"# sample_us: 0\n5,1,1\n", 2, "sample_us is '0'"),
        (b"# sample_us: 1e999\n5,1,1\n", 2, "sample_us is '1e999'"),
        (b"# lost: -1\n5,1,1\n", 2, "lost is '-1'; write a whole number"),
        (b"5,1,1\n6\0,1,0\n", 3, "this is not text"),
        (b"", None, "holds no edges"),
        (b"\n# only comments\n", None, "holds no edges"),
        (b"5,1,0\n", None, "holds no edges"),
        (b"5,1", None, "holds no edges"),
    ],
)
def test_csv_errors(tmp_path: Path, rows: bytes, line: int | None, part: str) -> None:
    assert_refused(tmp_path, b"t_us,input,closed\n" + rows, line, part)
    if line is not None:
        assert_refused(tmp_path, b"# one line more\nt_us,input,closed\n" + rows, line + 1, part)


@pytest.mark.parametrize(
    ("content", "line", "part"),
    [
        (b"", None, "the file is empty"),
        (b"\xef\xbb\xbf", None, "the file is empty"),
        (b"\0\0\0", None, "the file is empty"),
        (b"# nothing\n", None, "holds no edges"),
        (b"t_us,input,level\n5,1,1\n", 1, "the first line is 't_us,input,level', which starts no trace"),
        (b"t_us, input, closed\n5,1,1\n", 1, "starts no trace"),
        (b"# c\n5,1,1\n", 2, "the first line is '5,1,1'"),
        (b"x" * 5000, 1, "xxx...'"),
        ("t_us,input,closed\n".encode("utf-16"), 1, "this is not text"),
        (b"\x89PNG\r\n\x1a\n\xff", 2, "this is not text"),
    ],
)
def test_files_that_are_no_trace(tmp_path: Path, content: bytes, line: int | None, part: str) -> None:
    assert_refused(tmp_path, content, line, part)


def test_a_file_that_cannot_be_read_is_named(tmp_path: Path) -> None:
    for path, reason in ((tmp_path / "none", "No such file"), (tmp_path, "Is a directory")):
        for read in (read_trace, read_bounce_recording):
            with pytest.raises(TraceError) as caught:
                read(path)
            assert str(caught.value).startswith(f"{path}: cannot be read ({reason}")
            assert str(caught.value).endswith("; check the name of the file")


# --- VCD ---

VCD_HEAD = (
    "$date today $end\n$timescale 1 us $end\n$scope module a $end\n"
    "$var wire 1 ! input7 $end\n$var wire 1 !! in_12 $end\n$upscope $end\n$enddefinitions $end\n"
)


def read_vcd(tmp_path: Path, text: str) -> Edges:
    return edges_of(read_bytes(tmp_path, text.encode()))


def test_vcd_with_initial_levels_and_unknown_ones(tmp_path: Path) -> None:
    """IEEE 1364: $dumpvars states all levels, $dumpoff makes them unknown, $dumpon states them again."""
    changes = (
        "#3\n$dumpvars\n1!\nx!!\n$end\n#5\n1!!\n#6 $dumpoff x! X!! $end\n#9\n$dumpon 1! 0!! $end\n#10 z! 0!\n"
    )
    assert read_vcd(tmp_path, VCD_HEAD + changes) == [(3, 7, 1), (5, 12, 1), (9, 12, 0), (10, 7, 0)]


def test_vcd_vectors_of_one_bit(tmp_path: Path) -> None:
    assert read_vcd(tmp_path, VCD_HEAD + "#1\nb1 !\n#2\nbx !\n#3\nB0 !\n") == [(1, 7, 1), (3, 7, 0)]


def test_vcd_with_crlf_and_letters_beyond_ascii(tmp_path: Path) -> None:
    text = (VCD_HEAD.replace("today", "août") + "#1\n1!\n").replace("\n", "\r\n")
    assert read_vcd(tmp_path, text) == [(1, 7, 1)]


@pytest.mark.parametrize(
    ("scale", "times_us"),
    [
        ("1 s", [1_499_000_000, 1_500_000_000]),
        ("10ms", [14_990_000, 15_000_000]),
        ("100 us", [149_900, 150_000]),
        ("1 us", [1499, 1500]),
        ("1 ns", [1, 2]),
        ("10 ns", [15, 15]),
        ("100 fs", [0, 0]),
    ],
)
def test_vcd_timescales(tmp_path: Path, scale: str, times_us: list[int]) -> None:
    edges = read_vcd(tmp_path, VCD_HEAD.replace("1 us", scale) + "#1499 1! #1500 0!\n")
    assert [time_us for time_us, _, _ in edges] == times_us


@pytest.mark.parametrize(
    ("names", "numbers"),
    [
        (["input7", "in_12"], [7, 12]),
        (["in[3]", "in [4]"], [3, 4]),
        (["mill", "wharf"], [1, 2]),
        (["mill5", "wharf"], [1, 2]),
        (["input4", "other4"], [1, 2]),
        (["D0", "D1"], [1, 2]),
        (["input32", "input33"], [1, 2]),
    ],
)
def test_vcd_names_give_input_numbers(tmp_path: Path, names: list[str], numbers: list[int]) -> None:
    declared = "".join(f"$var wire 1 {code} {name} $end\n" for code, name in zip("ab", names, strict=True))
    text = f"$timescale 1 us $end\n{declared}$enddefinitions $end\n#1 1b #2 1a\n"
    assert read_vcd(tmp_path, text) == [(1, numbers[1], 1), (2, numbers[0], 1)]


def test_vcd_variable_with_two_names_is_one_input(tmp_path: Path) -> None:
    text = VCD_HEAD.replace("$upscope", "$var wire 1 ! same9 $end\n$upscope") + "#1 1! #2 1!!\n"
    assert read_vcd(tmp_path, text) == [(1, 7, 1), (2, 12, 1)]


def test_a_torn_vcd_opens_up_to_the_tear(tmp_path: Path) -> None:
    """Killed after any number of bytes; `1!` torn from `1!!` must not become an edge of another input."""
    text = VCD_HEAD + "$comment reedproof trace\n lost: 2\n$end\n#10\n1!\n#20\n1!!\n#300\nb0 !\n#310\n0!!\n"
    edges = [(10, 7, 1), (20, 12, 1), (300, 7, 0), (310, 12, 0)]
    assert read_vcd(tmp_path, text) == edges
    whole_from = [text.index(part) + len(part) for part in ("\n1!\n", "\n1!!", "b0 !\n", "0!!")]
    for size in range(len(text)):
        count = sum(size >= at for at in whole_from)
        if count:
            assert read_vcd(tmp_path, text[:size]) == edges[:count], size
        else:
            assert_refused(tmp_path, text[:size].encode(), None, "no edges" if size else "empty")


def test_foreign_comments_are_not_ours_to_read(tmp_path: Path) -> None:
    text = VCD_HEAD.replace("$date today", "$comment my notes\nlost: 3 keys") + "#1 1!\n"
    assert read_bytes(tmp_path, text.encode()).lost == 0


@pytest.mark.parametrize(
    ("change", "line", "part"),
    [
        (("$timescale 1 us $end\n", ""), 7, "no $timescale before the first time"),
        (("1 us", "1 zs"), 2, "the timescale is 1 zs; export with 1 us"),
        (("1 us", "0 us"), 2, "the timescale is 0 us"),
        (("1 us", "1 hour"), 2, "the VCD cannot be understood"),
        (
            ("wire 1 ! input7", "wire 8 ! bus"),
            4,
            "variable 'bus' is no one-bit level (wire, size 8); export only",
        ),
        (("wire 1 ! input7", "real 1 ! volt"), 4, "variable 'volt' is no one-bit level"),
        (("#1\n", "#5 1! #4\n"), 8, "4 us comes after 5 us; export again"),
        (("#1\n", "#99999999999999999999\n"), 8, "times go up to"),
        (("1!\n", "1?\n"), 9, "'?' is not declared by any $var"),
        (("1!\n", "quack 1!\n"), 9, "the VCD cannot be understood ('confused: q')"),
        (("1!\n", "0!\n"), None, "holds no edges"),
        (("today $end\n", "today $end\n$comment reedproof trace\nlost: few\n$end\n"), 2, "lost is 'few'"),
    ],
)
def test_vcd_errors(tmp_path: Path, change: tuple[str, str], line: int | None, part: str) -> None:
    good = VCD_HEAD + "#1\n1!\n"
    assert read_vcd(tmp_path, good)
    assert change[0] in good
    assert_refused(tmp_path, good.replace(*change).encode(), line, part)


def test_vcd_with_too_many_variables(tmp_path: Path) -> None:
    declared = "".join(f"$var wire 1 {chr(40 + i)} n{i} $end\n" for i in range(33))
    text = f"$timescale 1 us $end\n{declared}$enddefinitions $end\n#1 1)\n"
    assert_refused(tmp_path, text.encode(), None, "33 variables where at most 32 inputs fit")


# --- bounce recordings ---


def read_bounces(tmp_path: Path, rows: str) -> Edges:
    return edges_of(read_bytes(tmp_path, f"{BOUNCE_HEADER}\n{rows}".encode()))


def test_bounce_tests_are_laid_out_a_second_apart(tmp_path: Path) -> None:
    rows = "1,press,0,1,0\n1,press,1600,0,0\n1,press,4625,1,2\n1,press,2000000,0,0\n2,release,0,1,0\n"
    assert read_bounces(tmp_path, rows) == [
        (1_000_002, 1, 1),
        (1_000_005, 1, 0),
        (1_002_000, 1, 1),
        (2_002_000, 1, 0),
    ]


def test_a_release_without_its_press_closes_in_the_middle_of_the_pause(tmp_path: Path) -> None:
    first = "7,release,0,0,0\n7,release,1000,1,1\n"
    assert read_bounces(tmp_path, first) == [(500_000, 1, 1), (1_000_001, 1, 0)]
    again = first + "9,release,0,0,0\n9,release,3000,1,1\n"
    assert read_bounces(tmp_path, again)[2:] == [(1_500_001, 1, 1), (2_000_004, 1, 0)]


def test_a_test_may_start_with_its_edge(tmp_path: Path) -> None:
    """A press begins open and a release closed; a first row that says otherwise is the first edge."""
    press = "1,press,0,0,0\n1,press,5000,1,1\n1,press,9000,0,0\n"
    closing = [(1_000_000, 1, 1), (1_000_005, 1, 0), (1_000_009, 1, 1)]
    assert read_bounces(tmp_path, press) == closing
    assert read_bounces(tmp_path, press + "2,release,0,1,0\n") == [*closing, (2_000_009, 1, 0)]
    again = press + press.replace("1,press", "2,press")
    assert read_bounces(tmp_path, again)[3:5] == [(1_500_009, 1, 0), (2_000_009, 1, 1)]


def test_the_rocker_recording() -> None:
    path = GOLDEN / "rocker-bounce.csv"
    tests = read_bounce_recording(path)
    assert len(tests) == 110
    assert sum(test.transition == "press" for test in tests) == 55
    assert sum(len(test.times_ns) for test in tests) == len(path.read_text().splitlines()) - 1
    first = tests[0]
    assert (first.test, first.transition) == (1, "press")
    assert first.times_ns[:4].tolist() == [0, 812, 4625, 13062]
    assert first.closed[:4].tolist() == [0, 1, 0, 1]

    trace = read_trace(path)
    assert set(trace.inputs.tolist()) == {1}
    assert trace.closed.tolist() == [(i + 1) % 2 for i in range(len(trace))], "every row is a change"
    # Each test starts and ends with other levels, so it has an odd number of changes.
    changes = [int(np.count_nonzero(np.diff(test.closed))) for test in tests]
    assert all(count % 2 for count in changes)
    # Where a press or release was not recorded, its change is put into the pause.
    ends = [0, *(int(test.closed[-1]) for test in tests[:-1])]
    missing = sum(end != test.closed[0] for end, test in zip(ends, tests, strict=True))
    assert len(trace) == sum(changes) + missing
    end_ns = sum(1_000_000_000 + int(test.times_ns[-1]) for test in tests)
    assert trace.times_us[-1] == (end_ns + 500) // 1000


def test_a_torn_bounce_recording_keeps_every_complete_row(tmp_path: Path) -> None:
    assert read_bounces(tmp_path, "1,press,0,1,0\n1,press,5000,0,0\n1,press,9000,1") == [(1_000_005, 1, 1)]


def test_bounce_recordings_may_have_comments(tmp_path: Path) -> None:
    trace = read_bytes(
        tmp_path, f"# sample_us: 2.5\n{BOUNCE_HEADER}\n# x\n1,press,0,1,0\n1,press,9,0,0\n".encode()
    )
    assert trace.sample_us == 2.5


@pytest.mark.parametrize(
    ("row", "part"),
    [
        ("1,press,5,0", "4 columns instead of 5"),
        ("one,press,5,0,0", "test is 'one', not a whole number"),
        ("1,push,5,0,0", "transition is 'push'; write press or release"),
        ("1,press,5.5,0,0", "t_ns is '5.5', not a whole number"),
        ("1,press,-5,0,0", "t_ns is -5; a test runs from 0"),
        ("1,press,99999999999999,0,0", "t_ns is 99999999999999; a test runs from 0"),
        ("1,press,5,2,0", "level is 2; write 0 for closed or 1 for open"),
        ("1,press,5,0,-1", "rising_edges is -1"),
        ("1,press,5,0,", "rising_edges is '', not a whole number"),
        ("1,release,5,0,0", "test 1 is both press and release"),
        ("1,press,3,0,0", "3 ns comes after 4 ns"),
    ],
)
def test_bounce_errors(tmp_path: Path, row: str, part: str) -> None:
    content = f"{BOUNCE_HEADER}\n1,press,0,1,0\n1,press,4,0,0\n{row}\n"
    assert_refused(tmp_path, content.encode(), 4, part)


def test_bounce_recording_without_edges(tmp_path: Path) -> None:
    assert_refused(tmp_path, f"{BOUNCE_HEADER}\n".encode(), None, "holds no edges")
    assert_refused(tmp_path, f"{BOUNCE_HEADER}\n1,press,0,1,0\n".encode(), None, "holds no edges")


def test_a_bounce_recording_is_wanted(tmp_path: Path) -> None:
    (tmp_path / "t").write_text(f"{CSV_HEADER}\n1,1,1\n")
    with pytest.raises(
        TraceError, match=f"line 1: the header is '{CSV_HEADER}'; a bounce recording starts with"
    ):
        read_bounce_recording(tmp_path / "t")


# ---- edges as they come ----


@pytest.mark.parametrize("suffix", [".csv", ".vcd", ".VCD", ""])
def test_edges_in_pieces_and_notes_in_between(tmp_path: Path, suffix: str) -> None:
    path = tmp_path / f"live{suffix}"
    with open_writer(path, [2, 7], notes_of(sample_us=50)) as writer:
        assert path.read_bytes()[:1] in (b"", b"#", b"$")
        writer.add([10, 10], [2, 7], [1, 1])
        writer.note(*notes_of(lost=3))
        writer.flush()
        assert read_trace(path) == trace_of([(10, 2, 1), (10, 7, 1)], 50.0, 3)
        writer.add([30], [2], [0])
        writer.note(*notes_of(lost=4, gaps=2))
    trace = read_trace(path)
    assert edges_of(trace) == [(10, 2, 1), (10, 7, 1), (30, 2, 0)]
    assert (trace.sample_us, trace.lost, trace.gaps) == (50.0, 4, 2)
    assert trace.recorded == ()
    assert path.read_bytes().startswith(b"$" if suffix.lower() == ".vcd" else b"#")


@pytest.mark.parametrize("suffix", [".csv", ".vcd"])
def test_the_inputs_that_were_recorded(tmp_path: Path, suffix: str) -> None:
    path = tmp_path / f"live{suffix}"
    with open_writer(path, [2, 7], notes_of(recorded=[2, 7])) as writer:
        writer.add([10], [7], [1])
    assert read_trace(path).recorded == (2, 7)
    text = path.read_text()
    for wrong in ("inputs: 0 3", "inputs: 33", "inputs: all"):
        path.write_text(text.replace("inputs: 2 7", wrong))
        with pytest.raises(TraceError, match=r"inputs is .*; write numbers from 1 to 32, such as 1 2 7"):
            read_trace(path)


@pytest.mark.parametrize(("account", "gaps"), [("open", 2), ("closed", 1), (None, 1)])
def test_an_account_that_stays_open_is_a_gap_more(tmp_path: Path, account: str | None, gaps: int) -> None:
    said = "" if account is None else f"# account: {account}\n"
    content = f"# account: open\n# gaps: 1\n{said}" if account else "# gaps: 1\n"
    assert read_bytes(tmp_path, f"{content}{CSV_HEADER}\n1,1,1\n".encode()).gaps == gaps


def test_another_reader_reads_a_vcd_with_notes_in_between(tmp_path: Path) -> None:
    """vcdvcd, as a parser that is not ours."""
    path = tmp_path / "live.vcd"
    with open_writer(path, [2, 7]) as writer:
        writer.add([10, 20], [2, 7], [1, 1])
        writer.note(*notes_of(lost=1))
        writer.add([30], [2], [0])
    signals = {
        name: [(time_us, level) for time_us, level in signal.tv]
        for name, signal in ((name, VCDVCD(str(path))[name]) for name in VCDVCD(str(path)).signals)
    }
    assert signals == {
        "reedproof.input2": [(0, "0"), (10, "1"), (30, "0")],
        "reedproof.input7": [(0, "0"), (20, "1")],
    }


@pytest.mark.parametrize("act", ["add", "note", "flush", "close"])
def test_a_full_disk_is_told(act: str) -> None:
    """On /dev/full everything can be opened and nothing be written."""
    writer = open_writer(Path("/dev/full"), [1])
    many = range(100_000)
    acts = {
        "add": lambda: writer.add(many, [1] * len(many), [1] * len(many)),
        "note": lambda: [writer.note(("lost", "0")) for _ in many],
        "flush": writer.flush,
        "close": writer.close,
    }
    with pytest.raises(
        TraceError, match=r"^/dev/full: cannot be written \(No space left on device\); choose"
    ):
        acts[act]()


def test_a_bounce_recording_tells_its_pauses(tmp_path: Path) -> None:
    """Half the pause laid between two tests, and longer than anything within one."""
    rows = "1,press,0,0,0\n1,press,900000000,1,0\n1,press,1900000000,0,0\n2,release,0,1,0\n"
    trace = read_bytes(tmp_path, f"{BOUNCE_HEADER}\n{rows}".encode())
    assert trace.pause_us is not None
    openings = np.diff(trace.times_us)[1::2]
    assert openings.tolist() == [1_000_000]
    assert trace.pause_us > 1_900_000
    assert read_trace(GOLDEN / "rocker-bounce.csv").pause_us == 500_000
    assert read_bytes(tmp_path, f"{CSV_HEADER}\n1,1,1\n".encode()).pause_us is None


def test_bounce_rows_may_share_an_instant(tmp_path: Path) -> None:
    path = tmp_path / "t"
    path.write_text(f"{BOUNCE_HEADER}\n1,press,0,1,0\n1,press,5000,0,0\n1,press,5000,1,0\n1,press,9000,0,0\n")
    assert read_trace(path).times_us.tolist() == [1_000_005, 1_000_005, 1_000_009]


def test_the_pause_is_two_times_whole_microseconds(tmp_path: Path) -> None:
    path = tmp_path / "t"
    path.write_text(f"{BOUNCE_HEADER}\n1,press,0,1,0\n1,press,700000999,0,0\n")
    trace = read_trace(path)
    assert (trace.times_us.tolist(), trace.pause_us) == ([2_100_003], 700_001)


def test_a_test_may_last_10000_seconds(tmp_path: Path) -> None:
    path = tmp_path / "t"
    path.write_text(f"{BOUNCE_HEADER}\n1,press,0,1,0\n1,press,{10_000 * 10**9},0,0\n")
    assert read_trace(path).times_us.tolist() == [30_000_000_002]
