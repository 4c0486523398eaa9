"""`reedproof runs`: the runs in the store."""

from __future__ import annotations

import time

from reedproof.cli.common import JsonOption, StoreOption, console, print_json, table
from reedproof.report_words import how_long
from reedproof.store import Store


def runs(store: StoreOption = None, json: JsonOption = False) -> None:
    """List the runs: number, layout, when it was begun, how long it lasted, how it ended.

    Abandoned runs are kept: a layout that was tried until it looked good is not a good layout.

    Example: reedproof runs
    """
    with Store(store, create=False) as kept:
        listed = [(run, kept.closures_of_run(run.id), kept.heard_s(run.id)) for run in kept.runs()]
    if json:
        print_json(
            {
                "runs": [
                    {
                        "run": run.id, "layout": run.layout, "started_s": run.started_s,
                        "ended_s": run.ended_s, "heard_s": heard_s, "outcome": run.outcome,
                        "simulated": run.simulated, "closures": count,
                    }
                    for run, count, heard_s in listed
                ]
            }
        )  # fmt: skip
        return
    rows = table(">run", "layout", "begun", ">lasted", "outcome", ">closures", "")
    for run, count, heard_s in listed:
        ended_s = run.ended_s if run.ended_s is not None else heard_s
        rows.add_row(
            str(run.id),
            run.layout,
            time.strftime("%Y-%m-%d %H:%M", time.localtime(run.started_s)),
            "" if ended_s is None else how_long(ended_s - run.started_s),
            run.outcome or "unfinished",
            str(count),
            "simulated" if run.simulated else "",
        )
    console().print(rows if listed else "no runs yet; 'reedproof endure SHEET' makes one")
