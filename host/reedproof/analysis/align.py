"""The search for the likeliest explanation of closures, in C (`align.h` says what it does)."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from reedproof.compiled import load

_BUILD = Path(__file__).with_name("align_build.py")
ffi, lib = load("reedproof.analysis._align", _BUILD, "align_source_hash", _BUILD.parents[3] / "firmware")

DRAWS: int = lib.ALIGN_DRAWS
TRAINS_MAX: int = lib.ALIGN_TRAINS_MAX
HALTED: int = lib.ALIGN_HALTED
RUSHED: int = lib.ALIGN_RUSHED
MOVED: int = lib.ALIGN_MOVED
TURNED: int = lib.ALIGN_TURNED
GAPPED: int = lib.ALIGN_GAPPED

#: A closure to be explained, with its weights; `struct align_closure`.
CLOSURE = np.dtype(
    {
        "names": ["made_s", "depart_s", "pass", "extra", "contact", "is_long"],
        "formats": ["<f8", "<f8", "<f8", "<f8", "<i2", "u1"],
        "offsets": [0, 8, 16, 24, 32, 34],
        "itemsize": ffi.sizeof("struct align_closure"),
    }
)
#: What it is explained by; `struct align_pass`.
PASS = np.dtype(
    {
        "names": ["before", "train", "station", "steps", "flags"],
        "formats": ["<i8", "<i2", "<i2", "<i2", "u1"],
        "offsets": [0, 8, 10, 12, 14],
        "itemsize": ffi.sizeof("struct align_pass"),
    }
)


@dataclass(frozen=True)
class TrainTables:
    """Weights of one train's steps, as `struct align_train` has them. ``contact``, ``missed`` and ``made``
    have shape (stations,), the others (stations, reach): from each station, that many steps + 1."""

    contact: NDArray[np.int16]
    mean: NDArray[np.float64]
    precision: NDArray[np.float64]
    on_time: NDArray[np.float64]
    off_time: NDArray[np.float64]
    turned: NDArray[np.float64]
    missed: NDArray[np.float64]
    made: NDArray[np.float64]
    halted: float
    rushed: float
    moved: float
    begun: float


class Model:
    """All tables in the form that the C code reads.

    ``gaps`` are (from_s, to_s) in order of from_s, shape (n, 2); ``gap_contacts`` has shape (n, contacts), 1
    where a contact was not observed.
    """

    def __init__(
        self,
        contacts: int,
        trains: Sequence[TrainTables],
        gaps: NDArray[np.float64],
        gap_contacts: NDArray[np.uint8],
        *,
        keep: float,
        is_timed: bool = True,
    ) -> None:
        if not 1 <= len(trains) <= TRAINS_MAX:
            raise ValueError(f"{len(trains)} trains; 1 to {TRAINS_MAX} can be told apart")
        self._kept: list[Any] = []  # C holds only pointers
        rows = ffi.new("struct align_train[]", len(trains))
        for row, train in zip(rows, trains, strict=True):
            row.stations, row.reach = train.mean.shape
            first_at = np.full(contacts, -1, dtype=np.int16)
            next_at = np.full(row.stations, -1, dtype=np.int16)
            for station in range(row.stations - 1, -1, -1):
                next_at[station] = first_at[train.contact[station]]
                first_at[train.contact[station]] = station
            row.contact = self._pointer("int16_t", train.contact, np.int16)
            row.first_at = self._pointer("int16_t", first_at, np.int16)
            row.next_at = self._pointer("int16_t", next_at, np.int16)
            for name in ("mean", "precision", "on_time", "off_time", "turned", "missed", "made"):
                setattr(row, name, self._pointer("double", getattr(train, name), np.float64))
            row.halted, row.rushed, row.moved, row.begun = (
                train.halted, train.rushed, train.moved, train.begun,
            )  # fmt: skip
            row.most = _most(train)
        gap_rows = np.zeros((len(gaps), 3))
        if len(gaps):
            gap_rows[:, :2] = gaps
            gap_rows[:, 2] = np.maximum.accumulate(gaps[:, 1])
        self.c: Any = ffi.new("struct align_model *")
        self.c.trains, self.c.contacts, self.c.train = len(trains), contacts, rows
        self.c.gaps = len(gaps)
        self.c.gap = ffi.cast("struct align_gap *", self._pointer("double", gap_rows, np.float64))
        self.c.gap_contacts = self._pointer("uint8_t", gap_contacts, np.uint8)
        self.c.keep, self.c.is_timed = keep, int(is_timed)
        self._kept.append(rows)

    def _pointer(self, kind: str, array: NDArray[Any], dtype: type[Any]) -> Any:
        made = np.ascontiguousarray(array, dtype=dtype)
        self._kept.append(made)
        return ffi.cast(f"{kind} *", ffi.from_buffer(made))


def _most(train: TrainTables) -> float:
    """No step of the train weighs more, less the logarithm of its time."""
    odd = max(train.halted, train.rushed)
    turned = float(train.turned.max())
    constant = float((train.on_time - train.off_time).max())
    return max(
        float(train.on_time.max()),
        float(train.off_time.max()) + odd,
        turned + max(constant, odd),
        train.moved + float(train.made.max()),
    )


class Aligner:
    """Feeds closures to the search; what is settled comes back in order, each closure once.

    ``draws``, shape (DRAWS, contacts, 3), adds up how many passes, misses and extra closures each drawn
    explanation counts beyond the best one, over all that came back.
    """

    def __init__(self, contacts: int) -> None:
        self._c = ffi.gc(lib.align_new(contacts), lib.align_free)
        if self._c == ffi.NULL:
            raise MemoryError
        self.draws = np.zeros((DRAWS, contacts, 3), dtype=np.int32)

    def feed(self, model: Model, closures: NDArray[Any]) -> NDArray[Any]:
        """``closures`` of dtype CLOSURE, in order of made_s. Returns dtype PASS."""
        room = np.empty(len(closures) + self.pending, dtype=PASS)
        held = np.ascontiguousarray(closures, dtype=CLOSURE)  # concatenating packs the fields
        settled = lib.align_feed(
            self._c, model.c, ffi.cast("struct align_closure *", ffi.from_buffer(held)), len(held),
            _passes(room), ffi.cast("int32_t *", ffi.from_buffer(self.draws)),
        )  # fmt: skip
        return _written(room, settled)

    def rest(self, model: Model) -> tuple[NDArray[Any], NDArray[np.int32]]:
        """The explanation of what has not come back yet, as it looks now, and the draws for all."""
        room = np.empty(self.pending, dtype=PASS)
        draws = self.draws.copy()
        found = lib.align_rest(self._c, model.c, _passes(room), ffi.cast("int32_t *", ffi.from_buffer(draws)))
        return _written(room, found), draws

    @property
    def pending(self) -> int:
        return int(lib.align_pending(self._c))

    @property
    def best(self) -> float:
        """ln of the likelihood of the best explanation of everything fed."""
        return float(lib.align_best(self._c))

    @property
    def total(self) -> float:
        """ln of the likelihood of all explanations together."""
        return float(lib.align_total(self._c))


def _passes(room: NDArray[Any]) -> Any:
    return ffi.cast("struct align_pass *", ffi.from_buffer(room))


def _written(room: NDArray[Any], count: int) -> NDArray[Any]:
    if count < 0:
        raise MemoryError
    return room[:count]
