"""Writes traces to files that `trace_reader` and others read: CSV, or a value change dump (VCD, IEEE 1364).

Edges may come in pieces while they are being recorded. Whatever was flushed opens again, however the
program ends.
"""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections.abc import Iterable, Sequence
from pathlib import Path

import numpy as np
from vcd.writer import VCDWriter

from reedproof.trace import COMMENT_TITLE, CSV_HEADER, Trace, TraceError

_ROWS_WRITTEN_AT_ONCE = 100_000

Note = tuple[str, str]

#: At the head of a recording whose losses are told at its end, and there. One that was cut off stays open.
ACCOUNT_OPEN, ACCOUNT_CLOSED = ("account", "open"), ("account", "closed")


class TraceWriter(ABC):
    """A trace file being written.

    Args:
        path: the file, replaced if it exists.
        inputs: the input numbers whose edges will come.
        notes: what the recorder says about itself, for the head of the file: see `notes_of`.

    All methods raise TraceError when the file cannot be written; what was written before stays.
    """

    def __init__(self, path: Path, inputs: Sequence[int], notes: Iterable[Note] = ()) -> None:
        self.path = path
        try:
            self._file = open(path, "w", encoding="ascii", newline="\n")  # noqa: SIM115 - closed by close()
            self._begin(inputs, list(notes))
        except OSError as error:
            raise self._cannot_write(error) from None

    def add(self, times_us: Iterable[int], inputs: Iterable[int], closed: Iterable[int]) -> None:
        """Edges in order of time: columns of one length, levels 1 closed and 0 open."""
        try:
            self._add(times_us, inputs, closed)
        except OSError as error:
            raise self._cannot_write(error) from None

    def note(self, *notes: Note) -> None:
        """Says more, or other, than the head of the file said."""
        try:
            self._note(notes)
        except OSError as error:
            raise self._cannot_write(error) from None

    def flush(self) -> None:
        try:
            self._file.flush()
        except OSError as error:
            raise self._cannot_write(error) from None

    def close(self) -> None:
        try:
            self._file.close()
        except OSError as error:
            raise self._cannot_write(error) from None

    def __enter__(self) -> TraceWriter:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def _cannot_write(self, error: OSError) -> TraceError:
        return TraceError(
            f"{self.path}: cannot be written ({error.strerror}); choose another place for the file"
        )

    @abstractmethod
    def _begin(self, inputs: Sequence[int], notes: list[Note]) -> None: ...

    @abstractmethod
    def _add(self, times_us: Iterable[int], inputs: Iterable[int], closed: Iterable[int]) -> None: ...

    @abstractmethod
    def _note(self, notes: Sequence[Note]) -> None: ...


class CsvWriter(TraceWriter):
    """A row per edge; notes are comments."""

    def _begin(self, inputs: Sequence[int], notes: list[Note]) -> None:
        del inputs  # a row names its own
        self._note(notes)
        self._file.write(f"{CSV_HEADER}\n")

    def _add(self, times_us: Iterable[int], inputs: Iterable[int], closed: Iterable[int]) -> None:
        self._file.writelines(map("%d,%d,%d\n".__mod__, zip(times_us, inputs, closed, strict=True)))

    def _note(self, notes: Sequence[Note]) -> None:
        self._file.writelines(f"# {key}: {value}\n" for key, value in notes)


class VcdWriter(TraceWriter):
    """Ticks of 1 us from 0 on, a variable ``inputN`` per input; notes are a ``$comment``."""

    def _begin(self, inputs: Sequence[int], notes: list[Note]) -> None:
        comment = "\n".join([COMMENT_TITLE, *(f"{key}: {value}" for key, value in notes)])
        # No date: the same trace always gives the same bytes.
        self._vcd = VCDWriter(self._file, timescale="1 us", date="", comment=comment)
        self._variables = {
            number: self._vcd.register_var("reedproof", f"input{number}", "wire", size=1, init=0)
            for number in sorted(set(inputs))
        }
        # Ends the header now: otherwise the writer folds all edges at time 0 into one initial level.
        self._vcd.flush()

    def _add(self, times_us: Iterable[int], inputs: Iterable[int], closed: Iterable[int]) -> None:
        for time_us, number, level in zip(times_us, inputs, closed, strict=True):
            self._vcd.change(self._variables[number], time_us, level)

    def _note(self, notes: Sequence[Note]) -> None:
        lines = "\n".join([COMMENT_TITLE, *(f"{key}: {value}" for key, value in notes)])
        self._file.write(f"$comment\n{lines}\n$end\n")


def open_writer(path: Path, inputs: Sequence[int], notes: Iterable[Note] = ()) -> TraceWriter:
    """A VCD file if the name ends in .vcd, else CSV. Raises TraceError."""
    kind = VcdWriter if path.suffix.lower() == ".vcd" else CsvWriter
    return kind(path, inputs, notes)


def notes_of(
    *, lost: int | None = None, gaps: int = 0, sample_us: float | None = None, recorded: Sequence[int] = ()
) -> list[Note]:
    """What `trace_reader` understands of a recorder's notes."""
    notes: list[Note] = []
    if sample_us is not None:
        notes.append(("sample_us", repr(float(sample_us))))
    if recorded:
        notes.append(("inputs", " ".join(map(str, recorded))))
    if lost is not None:
        notes.append(("lost", str(int(lost))))
    if gaps:
        notes.append(("gaps", str(int(gaps))))
    return notes


def write_csv(trace: Trace, path: Path) -> None:
    """Write a trace as CSV; `read_trace` gives the same trace back.

    Args:
        trace: the edges, shape (n,).
        path: the file, replaced if it exists.

    Raises:
        TraceError: the file cannot be written.
    """
    _write(trace, path, CsvWriter)


def write_vcd(trace: Trace, path: Path) -> None:
    """Write a trace as a value change dump (IEEE 1364): ticks of 1 us, a variable ``inputN`` per input used.

    The sampling period and the losses are kept in the ``$comment``. `read_trace` gives the same trace back.

    Args:
        trace: the edges, shape (n,), none before time 0.
        path: the file, replaced if it exists.

    Raises:
        TraceError: an edge lies before time 0, which a VCD cannot express, or the file cannot be written.
    """
    if len(trace) and trace.times_us[0] < 0:
        raise TraceError(
            f"{path}: the first edge is at {trace.times_us[0]} us and VCD has no times before 0;"
            " write CSV instead, or add a constant to all times"
        )
    _write(trace, path, VcdWriter)


def _write(trace: Trace, path: Path, kind: type[TraceWriter]) -> None:
    notes = notes_of(lost=trace.lost, gaps=trace.gaps, sample_us=trace.sample_us, recorded=trace.recorded)
    with kind(path, np.unique(trace.inputs).tolist(), notes) as writer:
        for at in range(0, len(trace), _ROWS_WRITTEN_AT_ONCE):
            rows = slice(at, at + _ROWS_WRITTEN_AT_ONCE)
            writer.add(
                trace.times_us[rows].tolist(), trace.inputs[rows].tolist(), trace.closed[rows].tolist()
            )
