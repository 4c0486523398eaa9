"""Traces: recorded raw edges of one or more inputs. `trace_reader` and `trace_writer` know their files."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from reedproof.errors import ReedproofError
from reedproof.records import INPUTS_MAX

CSV_HEADER = "t_us,input,closed"
BOUNCE_HEADER = "test,transition,t_ns,level,rising_edges"
COMMENT_TITLE = "reedproof trace"  # only VCD comments under this title are ours to interpret


class TraceError(ReedproofError):
    """A trace or its file cannot be used; the message is one line: what, where, and what to do next."""


@dataclass(frozen=True, eq=False)
class Trace:
    """Raw edges in the order they happened.

    An edge is a change of one input's level, and every input starts open; a row that repeats the level its
    input already has says nothing, and the file readers drop it.

    Attributes:
        times_us: shape (n,), int64, microseconds, non-decreasing.
        inputs: shape (n,), uint8, input numbers 1 to 32 as on the wiring sheet.
        closed: shape (n,), uint8, the raw level after the edge: 1 closed, 0 open.
        sample_us: sampling period of the recorder in microseconds, None if it is not known.
        lost: edges the recorder says it lost.
        gaps: times the recorder says it was blind; how many edges fell into them is not known.
        recorded: the inputs that were recorded, where the recorder says so; some may have no edges.
        pause_us: where the recording tells: an opening this long or longer lies between two passes, a shorter
            one within one. None if it does not tell.

    Raises:
        TraceError: the arrays do not have these shapes, types, orders or ranges.
    """

    times_us: NDArray[np.int64]
    inputs: NDArray[np.uint8]
    closed: NDArray[np.uint8]
    sample_us: float | None = None
    lost: int = 0
    gaps: int = 0
    pause_us: int | None = None
    recorded: tuple[int, ...] = ()

    def __post_init__(self) -> None:
        wanted = (("times_us", np.int64), ("inputs", np.uint8), ("closed", np.uint8))
        for name, kind in wanted:
            column = getattr(self, name)
            if column.dtype != kind or column.shape != (len(self.times_us),):
                raise TraceError(
                    f"trace: {name} has type {column.dtype} and shape {column.shape};"
                    f" pass {np.dtype(kind)} of shape ({len(self.times_us)},)"
                )
        if np.any(self.times_us[1:] < self.times_us[:-1]):
            raise TraceError("trace: times_us goes backwards; sort the edges by time first")
        if np.any((self.inputs < 1) | (self.inputs > INPUTS_MAX)):
            raise TraceError(f"trace: inputs holds a number outside 1 to {INPUTS_MAX}; inputs count from 1")
        if np.any(self.closed > 1):
            raise TraceError("trace: closed holds a level other than 0 and 1; pass 1 for closed, 0 for open")
        if self.sample_us is not None and not (math.isfinite(self.sample_us) and self.sample_us > 0):
            raise TraceError(f"trace: sample_us is {self.sample_us}; pass a positive number or None")
        if self.lost < 0 or self.gaps < 0:
            raise TraceError(f"trace: lost is {self.lost}, gaps {self.gaps}; pass 0 or more")

    def __len__(self) -> int:
        return len(self.times_us)

    def __eq__(self, other: object) -> bool:
        """Same edges in the same order, and the same said of them by the recorder."""
        if not isinstance(other, Trace):
            return NotImplemented
        return (
            np.array_equal(self.times_us, other.times_us)
            and np.array_equal(self.inputs, other.inputs)
            and np.array_equal(self.closed, other.closed)
            and self.sample_us == other.sample_us
            and (self.lost, self.gaps, self.pause_us, self.recorded)
            == (other.lost, other.gaps, other.pause_us, other.recorded)
        )


@dataclass(frozen=True, eq=False)
class BounceTest:
    """One press or release of a bounce recording.

    Attributes:
        test: the recorder's number of the test.
        transition: "press" (the contact closes) or "release" (it opens).
        times_ns: shape (n,), int64, nanoseconds since the first event of this test, non-decreasing.
        closed: shape (n,), uint8, 1 closed, 0 open. The first row is the level at the start of the test and
            may or may not be an edge; later rows may repeat a level (a pulse too short to be sampled).
    """

    test: int
    transition: Literal["press", "release"]
    times_ns: NDArray[np.int64]
    closed: NDArray[np.uint8]
