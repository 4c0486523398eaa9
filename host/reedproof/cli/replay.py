"""`reedproof replay`: recorded edges through the code that runs on the boards."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Any

import numpy as np
import typer

from reedproof.cli.common import JsonOption, console, print_json, table
from reedproof.sim.core import (
    BREAK_US_DEFAULT,
    MAKE_US_DEFAULT,
    STILL_CLOSED,
    Replay,
    ReplaySettings,
)
from reedproof.sim.core import (
    replay as replay_edges,
)
from reedproof.trace_reader import read_trace


def document(replayed: Replay, settings: ReplaySettings) -> dict[str, Any]:
    """The JSON form; ``broke_us`` is null while a closure lasts at the end of the trace."""
    inputs: dict[str, Any] = {}
    for number, totals in replayed.totals.items():
        mine = replayed.closures[replayed.closures["input"] == number]
        inputs[str(number)] = {
            "closures": [
                {
                    "made_us": int(closure["made_us"]),
                    "broke_us": None if closure["broke_us"] == STILL_CLOSED else int(closure["broke_us"]),
                    "make_bounces": int(closure["make_bounces"]),
                    "break_bounces": int(closure["break_bounces"]),
                    "dropouts": int(closure["dropouts"]),
                }
                for closure in mine
            ],
            "blips": totals.blips,
            "edges": totals.edges,
            "faults": totals.faults.names,
        }
    return {
        "inputs": inputs,
        "settings": {
            "make_us": settings.make_us,
            "break_us": settings.break_us,
            "stuck_ms": settings.stuck_ms,
            "chatter_edges": settings.chatter_edges,
        },
    }


def _spread(durations_ms: np.ndarray[Any, np.dtype[np.float64]]) -> str:
    if not len(durations_ms):
        return "-"
    return "/".join(f"{value:.1f}" for value in np.quantile(durations_ms, (0, 0.5, 1)))


def replay(
    file: Annotated[
        Path, typer.Argument(help="VCD (IEEE 1364), CSV (t_us,input,closed) or a bounce recording.")
    ],
    make_us: Annotated[
        int, typer.Option(help="A closing counts after this long closed.", min=1, max=65535)
    ] = MAKE_US_DEFAULT,
    break_us: Annotated[
        int, typer.Option(help="An opening counts after this long open.", min=1, max=65535)
    ] = BREAK_US_DEFAULT,
    json: JsonOption = False,
) -> None:
    """Run recorded edges through the boards' own debounce and fault detection.

    Levels are taken to stay as they are after the last edge. Exits with 1 when a fault comes up.

    Example: reedproof replay trace.vcd --make-us 2000
    """
    trace = read_trace(file)
    settings = ReplaySettings(make_us=make_us, break_us=break_us)
    replayed = replay_edges(trace.times_us, trace.inputs, settings)
    faulty = any(totals.faults for totals in replayed.totals.values())
    if json:
        print_json(document(replayed, settings))
        raise typer.Exit(1 if faulty else 0)

    out = console()
    rows = table(
        ">input", ">edges", ">closures", ">bounces", ">dropouts", ">blips", ">closed ms", "fault",
        title=f"{file.name}: make_us {make_us}, break_us {break_us}",
    )  # fmt: skip
    for number, totals in replayed.totals.items():
        mine = replayed.closures[replayed.closures["input"] == number]
        ended = mine[mine["broke_us"] != STILL_CLOSED]
        rows.add_row(
            str(number), str(totals.edges), str(totals.closures),
            f"{mine['make_bounces'].sum()}+{mine['break_bounces'].sum()}",
            str(totals.dropouts), str(totals.blips), _spread((ended["broke_us"] - ended["made_us"]) / 1000),
            " ".join(totals.faults.names),
        )  # fmt: skip
    out.print(rows)
    out.print("bounces: making + breaking; closed ms: shortest/median/longest")
    if trace.lost:
        out.print(f"the recorder lost {trace.lost} edges: what is shown is not the whole truth")
    raise typer.Exit(1 if faulty else 0)
