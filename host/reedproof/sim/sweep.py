"""Many settings tried on one recording, by the code that runs on the boards."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from reedproof.analysis.bounce import Passes
from reedproof.sim.core import ffi, lib


class Setting(NamedTuple):
    make_us: int
    break_us: int


class Count(NamedTuple):
    """What a setting makes of the passes of an input.

    Attributes:
        closures: that began within a pass.
        splits: of these, second and further ones of the same pass.
        losses: passes without a closure: too short to count, or run together with the one before.
        extras: closures outside of any pass.
    """

    closures: int
    splits: int
    losses: int
    extras: int

    def plus(self, other: Count) -> Count:
        return Count(*(mine + its for mine, its in zip(self, other, strict=True)))


NOTHING = Count(0, 0, 0, 0)


def pass_of_edges(passes: Passes, times_us: NDArray[np.int64]) -> NDArray[np.uint32]:
    """Number of the pass that each edge of one trace belongs to, SWEEP_NO_PASS where to none; shape (n,).

    ``passes`` are those of this trace alone.
    """
    if not len(passes):
        return np.full(len(times_us), lib.SWEEP_NO_PASS, dtype=np.uint32)
    begins, ends = passes.starts_us[passes.first], passes.stops_us[passes.last]
    at = np.searchsorted(begins, times_us, side="right") - 1
    inside = (at >= 0) & (times_us <= ends[at])
    return np.where(inside, at, lib.SWEEP_NO_PASS).astype(np.uint32)


def sweep(
    recordings: Mapping[int, Sequence[tuple[NDArray[np.int64], Passes]]],
    settings: Iterable[Setting],
    progress: Callable[[], object] = lambda: None,
) -> dict[Setting, dict[int, Count]]:
    """Counts by setting and input.

    Args:
        recordings: by input, its edges in each trace (times in order, shape (n,), int64, alternately closing
            and opening, the contact open before the first) and the passes of that trace.
        settings: each 1 to 65 535 us; else OverflowError or ValueError.
        progress: called after each setting, from any thread.
    """
    prepared = {
        number: [
            (np.ascontiguousarray(times), pass_of_edges(passes, times), len(passes))
            for times, passes in traces
        ]
        for number, traces in recordings.items()
    }

    def run(setting: Setting) -> dict[int, Count]:
        if min(setting) < 1:
            raise ValueError(f"{setting}: at least 1 us")
        c_setting = ffi.new("struct debounce_settings *", tuple(setting))
        count = ffi.new("struct sweep_count *")
        found: dict[int, Count] = {}
        for number, traces in prepared.items():
            total = NOTHING
            for times, numbers, passes in traces:
                lib.sweep_input(
                    ffi.cast("int64_t *", ffi.from_buffer(times)),
                    ffi.cast("uint32_t *", ffi.from_buffer(numbers)),
                    len(times),
                    c_setting,
                    count,
                )
                hits = count.closures - count.splits
                total = total.plus(Count(count.closures, count.splits, passes - hits, count.extras))
            found[number] = total
        progress()
        return found

    chosen = list(dict.fromkeys(settings))
    with ThreadPoolExecutor() as pool:  # the C code runs without the interpreter's lock
        return dict(zip(chosen, pool.map(run, chosen), strict=True))
