"""A run's closures in a file for other programs: Parquet, CSV or JSON lines, written a piece at a time.

Columns: ``contact`` and ``board`` as the sheet has them, ``input`` (from 1), ``made_us`` (host time,
microseconds since 1970), ``duration_ms`` (empty where the end is not known), ``bounces`` (making and breaking
together), ``dropouts``.
"""

from __future__ import annotations

import json
import os
import tempfile
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
from pyarrow import csv, parquet

from reedproof.analysis.closures import Closures
from reedproof.errors import ReedproofError
from reedproof.store import Store
from reedproof.store_runs import Run

_NAME = pa.dictionary(pa.int16(), pa.string())
_FIELDS = [
    ("contact", _NAME, "name in the sheet"),
    ("board", _NAME, "name in the sheet"),
    ("input", pa.uint8(), "from 1"),
    ("made_us", pa.int64(), "microseconds since 1970, by the host's clock"),
    ("duration_ms", pa.float32(), "milliseconds; empty where the end is not known"),
    ("bounces", pa.uint16(), "making and breaking together"),
    ("dropouts", pa.uint16(), "short openings while closed"),
]
SCHEMA = pa.schema([pa.field(name, kind, metadata={"unit": unit}) for name, kind, unit in _FIELDS])

#: What suits a column: times that go up, lengths that differ in their last bits.
_ENCODINGS = {"made_us": "DELTA_BINARY_PACKED", "duration_ms": "BYTE_STREAM_SPLIT"}


def _write_parquet(path: Path, tables: Iterator[Any], metadata: dict[str, str]) -> None:
    names = [name for name in SCHEMA.names if name not in _ENCODINGS]
    with parquet.ParquetWriter(
        path, SCHEMA.with_metadata(metadata), compression="zstd", use_dictionary=names,
        column_encoding=_ENCODINGS,
    ) as writer:  # fmt: skip
        for table in tables:
            writer.write_table(table.replace_schema_metadata(metadata))


def _plain(table: Any) -> Any:
    """With names instead of their positions."""
    return table.cast(
        pa.schema([field.with_type(pa.string()) if field.type == _NAME else field for field in SCHEMA])
    )


def _write_csv(path: Path, tables: Iterator[Any], _: dict[str, str]) -> None:
    with csv.CSVWriter(path, _plain(SCHEMA.empty_table()).schema) as writer:
        for table in tables:
            writer.write_table(_plain(table))


def _write_json_lines(path: Path, tables: Iterator[Any], _: dict[str, str]) -> None:
    with path.open("w", encoding="utf-8") as file:
        for table in tables:
            for row in table.to_pylist():
                file.write(json.dumps(row, ensure_ascii=False) + "\n")


WRITERS: dict[str, Callable[[Path, Iterator[Any], dict[str, str]], None]] = {
    ".parquet": _write_parquet,
    ".csv": _write_csv,
    ".jsonl": _write_json_lines,
}


def check_output(path: Path) -> None:
    """Raises ReedproofError when a run cannot be exported to a file of this name."""
    if path.suffix not in WRITERS:
        raise ReedproofError(f"{path}: expected a name that ends in {', '.join(WRITERS)}")
    if path.exists():
        raise ReedproofError(f"{path}: exists already; choose another name, or delete it first")


def export(store: Store, run: Run, path: Path, told: Callable[[int], object] = lambda _: None) -> int:
    """Writes the closures of a run to a file that is there whole or not at all; returns how many.

    Args:
        path: its suffix says which format: see `WRITERS`.
        told: is called with the number of closures written so far, piece by piece.

    Raises:
        ReedproofError: the file is there already, has another suffix, or cannot be written.
    """
    check_output(path)
    contacts = run.sheet["contacts"]
    position = {(contact["board"], contact["input"]): at for at, contact in enumerate(contacts)}
    names = pa.array([contact["name"] for contact in contacts])
    boards = list(run.sheet["boards"])
    board_of = np.array([boards.index(contact["board"]) for contact in contacts], np.int16)
    input_of = np.array([contact["input"] for contact in contacts], np.uint8)
    metadata = {
        "reedproof.layout": run.layout,
        "reedproof.run": str(run.id),
        "reedproof.simulated": str(run.simulated).lower(),
        "reedproof.started_s": repr(run.started_s),
    }
    count = 0

    def table(closures: Closures) -> Any:
        at = closures.contact
        columns = [
            pa.DictionaryArray.from_arrays(pa.array(at), names),
            pa.DictionaryArray.from_arrays(pa.array(board_of[at]), pa.array(boards)),
            pa.array(input_of[at]),
            pa.array(np.round(closures.made_s * 1e6).astype(np.int64)),
            pa.array(closures.duration_ms, from_pandas=True),  # NaN is null
            pa.array(closures.bounces),
            pa.array(closures.dropouts),
        ]
        return pa.Table.from_arrays(columns, schema=SCHEMA)

    def tables() -> Iterator[Any]:
        nonlocal count
        for closures in store.closures(run.id, position):
            yield table(closures)
            count += len(closures)
            told(count)

    with _whole(path) as unfinished:
        WRITERS[path.suffix](unfinished, tables(), metadata)
    return count


@contextmanager
def _whole(path: Path) -> Iterator[Path]:
    """A file beside this one that takes its name once it is finished, and else disappears."""
    try:
        handle, name = tempfile.mkstemp(prefix=f".{path.name}.", dir=path.parent)
        os.close(handle)
        unfinished = Path(name)
        try:
            yield unfinished
            unfinished.chmod(0o666 & ~_umask())
            unfinished.rename(path)
        finally:
            unfinished.unlink(missing_ok=True)
    except OSError as error:
        why = error.strerror or str(error).splitlines()[0]
        raise ReedproofError(
            f"{path}: cannot be written ({why}); choose another place for the file"
        ) from error


def _umask() -> int:
    mask = os.umask(0)
    os.umask(mask)
    return mask
