"""The fixture `trace`: the raw edges of inputs during a part of a test."""

from __future__ import annotations

import contextlib
from collections.abc import Iterable, Iterator, Sequence

import numpy as np

from reedproof.errors import NoAnswer
from reedproof.testing.board import Board
from reedproof.trace import Trace
from reedproof.trace_recorder import ROUND_S, TraceRecorder
from reedproof.trace_writer import Note


class Recording:
    """What was recorded, to be asked for once the recording is over.

    Attributes:
        trace: the edges as arrays: ``times_us`` from the beginning of the recording on, ``inputs`` and
            ``closed``; an input that was closed at the beginning has its closing there.
        lost: by input, edges that the board counted and that did not come; exact where ``trace.gaps`` is 0.
        counted: by input, the edges that the board counted.
    """

    trace: Trace
    lost: dict[int, int]
    counted: dict[int, int]

    def __init__(self) -> None:
        self.rows: list[tuple[int, int, int]] = []

    def add(self, times_us: Iterable[int], inputs: Iterable[int], closed: Iterable[int]) -> None:
        self.rows += zip(times_us, inputs, closed, strict=True)

    def note(self, *notes: Note) -> None:
        """The account is asked for where it is made."""

    def flush(self) -> None: ...

    def close(self, tracing: TraceRecorder, sample_us: int) -> None:
        self.lost = {number: line.lost for number, line in tracing.inputs.items()}
        self.counted = {number: line.edges + line.lost for number, line in tracing.inputs.items()}
        times_us, inputs, closed = np.array(self.rows, dtype=np.int64).reshape(-1, 3).T
        self.trace = Trace(
            times_us, inputs.astype(np.uint8), closed.astype(np.uint8), sample_us, tracing.lost, tracing.gaps,
            recorded=tuple(tracing.inputs),
        )  # fmt: skip


@contextlib.contextmanager
def record(board: Board, inputs: Sequence[int]) -> Iterator[Recording]:
    """Records while the context lasts. Takes a second to begin and to end: the board tells the counters of
    one input after the other.

    Raises LineError when the board does not obey or tells nothing.
    """
    recording = Recording()
    tracing = TraceRecorder(board.recorder, recording, inputs, board.note)
    board.tracing = tracing
    try:
        if not board.wait_until(lambda: tracing.is_running, ROUND_S):
            raise NoAnswer(
                f"{board.link.name}: the board does not tell its counts; unplug it, plug it in, try again"
            )
        yield recording
    finally:
        board.tracing = None
        tracing.finish()
        recording.close(tracing, board.hello.sample_us)
