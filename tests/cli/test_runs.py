"""`reedproof runs`: the list."""

from __future__ import annotations

import json
import re

from cli.command import run
from cli.finished_run import START_S, store_run
from reedproof.store import Store


def test_the_list() -> None:
    store_run(9)
    store_run(6, ended=False)
    store_run(4, ended=False)
    store_run(3, ended=False, simulated=True)
    ran = run("runs")
    assert (ran.code, ran.err) == (0, "")
    rows = re.findall(
        r"^ +(\d) +Hill Yard +(\d{4}-\d\d-\d\d \d\d:\d\d) +(\S.*?)  +(\w+) +(\d+) *(simulated)? *$",
        ran.out, re.MULTILINE,
    )  # fmt: skip
    assert [(row[0], *row[2:]) for row in rows] == [
        ("1", "3 h 05 min", "met", "9", ""),
        ("2", "6.0 s", "abandoned", "6", ""),
        ("3", "4.0 s", "unfinished", "4", ""),
        ("4", "3.0 s", "unfinished", "3", "simulated"),
    ]


def test_as_json() -> None:
    store_run(9)
    store_run(6, ended=False, simulated=True)
    first, second = json.loads(run("runs", "--json").out)["runs"]
    assert first == {
        "run": 1, "layout": "Hill Yard", "started_s": START_S, "ended_s": START_S + 11_100,
        "heard_s": START_S + 9, "outcome": "met", "simulated": False, "closures": 9,
    }  # fmt: skip
    assert (second["run"], second["outcome"], second["ended_s"]) == (2, None, None)
    assert second["simulated"] is True


def test_no_runs() -> None:
    Store().close()
    ran = run("runs")
    assert (ran.code, ran.out) == (0, "no runs yet; 'reedproof endure SHEET' makes one\n")
    assert json.loads(run("runs", "--json").out) == {"runs": []}
