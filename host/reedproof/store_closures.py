"""Closures out of records: `made` and `broke` of an input put together, all boards on one time line.

A closure is there from its `made` on. Its end is not known while the contact is closed, or where the `broke`
was lost: a `broke` is taken only for the `made` that its own duration points back to.

Within a board the order of records is nearly that of time: a closure has its number when it counts and its
time when it began. So each board's closures are sorted within ``LATE_S``. What is later than that was not
made by a contact but by the computer's clock being set back; it keeps its place and gets the newest time.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from contextlib import AbstractContextManager
from itertools import chain
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray
from sqlalchemy import Connection

from reedproof.analysis.closures import Closures
from reedproof.records import INPUTS_MAX, width_value
from reedproof.store_tables import BROKE, MADE

CHUNK = 100_000
LATE_S = 10.0

_WIDTHS = np.array([width_value(code) for code in range(256)])


class Stretch(NamedTuple):
    """Records of one boot; without a last number all there are."""

    boot_id: int
    first_number: int
    last_number: int | None


Transaction = Callable[[], AbstractContextManager[Connection]]
Columns = NDArray[np.float64]

_COLUMNS = ("kind", "input", "host_s", "time_us", "detail_1", "detail_2", "detail_3")


def _query(connection: Connection, where: str, values: tuple[int, ...], limit: int | None = None) -> Columns:
    """Of made and broke records; shape (n, 7). A double holds every number in them exactly."""
    query = (
        f"SELECT {', '.join(_COLUMNS)} FROM records WHERE boot_id = ? AND number BETWEEN ? AND ? "
        f"AND kind <= {BROKE} {where} ORDER BY number"
    )
    if limit is not None:
        query += f" LIMIT {limit}"
    # The driver's own cursor: a million rows need no wrapping.
    cursor = connection.connection.cursor()
    try:
        cursor.execute(
            query if connection.dialect.paramstyle == "qmark" else query.replace("?", "%s"), values
        )
        rows: Any = cursor
        return np.fromiter(chain.from_iterable(rows), np.float64).reshape(-1, len(_COLUMNS))
    finally:
        cursor.close()


def _closures(rows: Columns, count: int, position: NDArray[np.int16]) -> Closures:
    """Of the closings among the first ``count`` rows; openings may be anywhere behind them."""
    kind, number = rows[:, 0], rows[:, 1].astype(np.uint8)
    host_s, time_us, bounced, dropped, said_ms = rows[:, 2:].T
    # By input, within it in order: what belongs together is side by side.
    order = np.argsort(number, kind="stable")
    made, broke = order[:-1], order[1:]
    pairs = (kind[made] == MADE) & (kind[broke] == BROKE) & (number[made] == number[broke])
    made, broke = made[pairs], broke[pairs]
    lasted_ms = (time_us[broke] - time_us[made]) / 1000
    fits = np.abs(_code(lasted_ms) - _code(said_ms[broke])) <= 1
    made, broke, lasted_ms = made[fits], broke[fits], lasted_ms[fits]

    duration_ms = np.full(len(rows), np.nan, np.float32)
    duration_ms[made] = lasted_ms
    bounces = bounced.astype(np.uint16)
    bounces[made] += bounces[broke]
    dropouts = np.zeros(len(rows), np.uint16)
    dropouts[made] = dropped[broke]
    contact = position[number]
    mine = np.flatnonzero((kind[:count] == MADE) & (contact[:count] >= 0))
    return Closures(contact[mine], host_s[mine], duration_ms[mine], bounces[mine], dropouts[mine])


def _code(duration_ms: NDArray[Any]) -> NDArray[np.intp]:
    """The width codes of durations (protocol.md, section 3)."""
    codes: NDArray[np.intp] = np.searchsorted(_WIDTHS, np.floor(duration_ms), side="right")
    return codes


def stream(
    transaction: Transaction, stretches: list[Stretch], positions: Mapping[int, int], chunk: int
) -> Iterator[Closures]:
    """Closures of one board in the order of their numbers; ``positions``: of the contacts, by input."""
    position = np.full(INPUTS_MAX + 1, -1, np.int16)
    for number, at in positions.items():
        position[number] = at
    for boot_id, begin, last_number in stretches:
        with transaction() as connection:
            newest = connection.exec_driver_sql(
                f"SELECT max(number) FROM records WHERE boot_id = {int(boot_id)}"
            ).scalar()
        end = -1 if newest is None else int(newest)
        if last_number is not None:
            end = min(end, last_number)
        # Two records make a closure.
        for at in range(begin, end + 1, 2 * chunk):
            stop = min(at + 2 * chunk - 1, end)
            with transaction() as connection:
                rows = _query(connection, "", (boot_id, at, stop))
                behind = [
                    _query(connection, "AND input = ?", (boot_id, stop + 1, end, number), limit=1)
                    for number in _open_inputs(rows)
                ]
            found = _closures(np.concatenate([rows, *behind]), len(rows), position)
            if len(found):
                yield found


def _open_inputs(rows: Columns) -> list[int]:
    """Inputs whose last record is a closing."""
    numbers, newest = np.unique(rows[::-1, 1], return_index=True)
    return [int(number) for number in numbers[rows[::-1, 0][newest] == MADE]]


def _sorted(parts: list[Closures]) -> Closures:
    joined = Closures.join(parts)
    return joined[np.argsort(joined.made_s, kind="stable")]


def merged(streams: list[Iterator[Closures]]) -> Iterator[Closures]:
    """One after the other in order of time. Holds no more than what each stream hands out at once, and what
    falls within ``LATE_S``."""
    waiting = {stream: Closures.join([]) for stream in streams}
    newest_s = {stream: -np.inf for stream in streams}
    running = list(streams)
    told_s = -np.inf
    while running:
        # The one that is behind all others decides how far is known.
        behind = min(running, key=lambda stream: newest_s[stream])
        part = next(behind, None)
        if part is None:
            running.remove(behind)
        else:
            part.made_s[:] = np.maximum(part.made_s, told_s)
            waiting[behind] = _sorted([waiting[behind], part])
            newest_s[behind] = waiting[behind].made_s[-1] - LATE_S
        known_s = min((newest_s[stream] for stream in running), default=np.inf)
        ready = []
        for each, closures in waiting.items():
            count = int(np.searchsorted(closures.made_s, known_s, side="left"))
            ready.append(closures[:count])
            waiting[each] = closures[count:]
        out = _sorted(ready)
        if len(out):
            told_s = out.made_s[-1]
            yield out
