"""`reedproof export`: what is in the files, and that there is a whole file or none."""

from __future__ import annotations

import csv
import json
import os
from pathlib import Path
from typing import Any

import pytest
from pyarrow import parquet

from cli.command import on_terminal, run
from cli.finished_run import SHEET, START_S, store_run
from reedproof import export as export_module
from reedproof.store import Store

COLUMNS = ["contact", "board", "input", "made_us", "duration_ms", "bounces", "dropouts"]


def wanted() -> list[dict[str, Any]]:
    found = []
    for at in range(9):
        contact = SHEET["contacts"][at % 3]
        found.append(
            {
                "contact": contact["name"],
                "board": contact["board"],
                "input": contact["input"],
                "made_us": round(START_S * 1e6) + 1_000_000 * at,
                "duration_ms": 61.5 if at < 8 else None,
                "bounces": 3 if at < 8 else 2,
                "dropouts": 4 if at < 8 else 0,
            }
        )
    return found


def test_parquet(tmp_path: Path) -> None:
    store_run()
    ran = run("export", "-o", str(tmp_path / "run.parquet"))
    assert (ran.code, ran.err) == (0, "")
    assert ran.out.endswith("run.parquet: 9 closures of run 1, 0.0 MB\n")
    table = parquet.read_table(tmp_path / "run.parquet")
    assert table.to_pylist() == wanted()
    assert table.schema.metadata[b"reedproof.layout"] == b"Hill Yard"
    assert table.schema.metadata[b"reedproof.run"] == b"1"
    assert table.schema.metadata[b"reedproof.simulated"] == b"false"
    assert float(table.schema.metadata[b"reedproof.started_s"]) == START_S
    assert b"microseconds since 1970" in table.schema.field("made_us").metadata[b"unit"]


def test_csv_and_json_lines_say_the_same(tmp_path: Path) -> None:
    store_run()
    assert run("export", "1", "-o", str(tmp_path / "run.csv")).code == 0
    with (tmp_path / "run.csv").open(newline="", encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    assert list(rows[0]) == COLUMNS
    assert [
        {
            **row,
            **{name: int(row[name]) for name in ("input", "made_us", "bounces", "dropouts")},
            "duration_ms": float(row["duration_ms"]) if row["duration_ms"] else None,
        }
        for row in rows
    ] == wanted()
    assert run("export", "1", "-o", str(tmp_path / "run.jsonl")).code == 0
    lines = (tmp_path / "run.jsonl").read_text(encoding="utf-8").splitlines()
    assert [json.loads(line) for line in lines] == wanted()


@pytest.mark.parametrize("suffix", [".parquet", ".csv", ".jsonl"])
def test_a_run_without_closures_has_the_columns(tmp_path: Path, suffix: str) -> None:
    store_run(closures=0)
    file = tmp_path / f"run{suffix}"
    ran = run("export", "-o", str(file), "--json")
    assert json.loads(ran.out) == {
        "run": 1, "layout": "Hill Yard", "simulated": False, "file": str(file), "closures": 0,
        "size_bytes": file.stat().st_size,
    }  # fmt: skip
    assert ran.err == ""
    if suffix == ".parquet":
        assert parquet.read_table(file).schema.names == COLUMNS


def test_the_newest_or_the_one_that_is_named(tmp_path: Path) -> None:
    store_run(closures=3)
    store_run(closures=6, simulated=True)
    newest = json.loads(run("export", "-o", str(tmp_path / "a.csv"), "--json").out)
    named = json.loads(run("export", "1", "-o", str(tmp_path / "b.csv"), "--json").out)
    assert (newest["run"], newest["closures"], newest["simulated"]) == (2, 6, True)
    assert (named["run"], named["closures"], named["simulated"]) == (1, 3, False)


def test_many_pieces_make_one_file(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    store_run(closures=90)
    whole, pieces = tmp_path / "whole.parquet", tmp_path / "pieces.parquet"
    told: list[int] = []
    with Store() as store:
        assert export_module.export(store, store.run(), whole) == 90
        real = store.closures
        monkeypatch.setattr(store, "closures", lambda run_id, contacts: real(run_id, contacts, chunk=10))
        assert export_module.export(store, store.run(), pieces, told.append) == 90
    assert len(told) > 3
    assert told[-1] == 90
    assert parquet.read_table(pieces).equals(parquet.read_table(whole))


def test_nothing_is_written_over(tmp_path: Path) -> None:
    store_run()
    file = tmp_path / "run.csv"
    file.write_text("mine")
    ran = run("export", "-o", str(file))
    assert ran.code == 2
    assert ran.complaint() == f"{file}: exists already; choose another name, or delete it first"
    assert file.read_text() == "mine"


def test_a_file_is_there_whole_or_not_at_all(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    store_run()
    before = sorted(os.listdir(tmp_path))
    write = export_module._write_csv

    def no_room(path: Path, *rest: Any) -> None:
        write(path, *rest)
        assert path.read_bytes()
        raise OSError(28, "No space left on device")

    monkeypatch.setitem(export_module.WRITERS, ".csv", no_room)
    ran = run("export", "-o", str(tmp_path / "run.csv"))
    assert ran.code == 2
    assert "run.csv: cannot be written (No space left on device); choose another place" in ran.complaint()
    assert sorted(os.listdir(tmp_path)) == before


def test_it_may_be_read_like_any_other_file(tmp_path: Path) -> None:
    store_run()
    (tmp_path / "other").touch()
    run("export", "-o", str(tmp_path / "run.csv"))
    assert (tmp_path / "run.csv").stat().st_mode == (tmp_path / "other").stat().st_mode


def test_on_a_terminal(tmp_path: Path) -> None:
    store_run()
    assert "9 closures of run 1" in on_terminal("export", "-o", str(tmp_path / "run.csv")).out
