"""`reedproof replay`: recorded edges through the code that runs on the boards."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Any

import numpy as np
import typer

from reedproof.cli import sweep as sweep_module
from reedproof.cli.common import JsonOption, console, print_json, table
from reedproof.errors import ReedproofError
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


def _files_and_axes(arguments: list[str], *, sweeping: bool) -> tuple[Path, dict[str, list[int]]]:
    """The one file, and the ranges. Raises ReedproofError."""
    axes: dict[str, list[int]] = {}
    files: list[str] = []
    for text in arguments:
        name, equals, _ = text.partition("=")
        if not equals or Path(text).exists():
            files.append(text)
        elif not sweeping:
            raise ReedproofError(f"{text}: ranges go with --sweep")
        else:
            name, values = sweep_module.parse_axis(text)
            if name in axes:
                raise ReedproofError(f"{text}: there is a range of {name} already; give one of each")
            axes[name] = values
    if not files:
        raise ReedproofError("the file is missing; name the recording to replay")
    if len(files) > 1:
        raise ReedproofError(f"{files[1]}: {files[0]} is named already; replay one file at a time")
    return Path(files[0]), axes


def replay(
    arguments: Annotated[
        list[str],
        typer.Argument(
            metavar="FILE [make_us=RANGE] [break_us=RANGE]",
            help="VCD (IEEE 1364), CSV (t_us,input,closed) or a bounce recording; ranges with --sweep.",
        ),
    ],
    make_us: Annotated[
        int,
        typer.Option(help="A closing counts after this long closed.", min=1, max=sweep_module.SETTING_MAX_US),
    ] = MAKE_US_DEFAULT,
    break_us: Annotated[
        int,
        typer.Option(help="An opening counts after this long open.", min=1, max=sweep_module.SETTING_MAX_US),
    ] = BREAK_US_DEFAULT,
    sweep: Annotated[
        bool, typer.Option("--sweep", help="Try all settings of the ranges, such as make_us=0.5..10ms.")
    ] = False,
    pause_ms: Annotated[
        float | None,
        typer.Option(
            "--pause-ms",
            help="With --sweep: shortest opening between two passes, if it is not to be found.",
            min=0.1,
        ),
    ] = None,
    json: JsonOption = False,
) -> None:
    """Run recorded edges through the boards' own debounce and fault detection.

    Levels are taken to stay as they are after the last edge. Exits with 1 when a fault comes up.

    With --sweep the file is run with every setting of the ranges (ten values each), and for each it is shown
    how many passes are counted twice, how many are lost, and what counts outside of any pass.

    Example: reedproof replay trace.vcd --make-us 2000

    Example: reedproof replay trace.vcd --sweep make_us=0.5..10ms break_us=1..50ms
    """  # fmt: skip
    file, axes = _files_and_axes(arguments, sweeping=sweep)
    if sweep:
        pause_us = None if pause_ms is None else round(pause_ms * 1000)
        swept = sweep_module.run_sweep(
            file, axes.get("make_us", [make_us]), axes.get("break_us", [break_us]), pause_us,
            console(stderr=json),
        )  # fmt: skip
        if json:
            print_json(sweep_module.document(swept))
        else:
            sweep_module.show(file, swept, console())
        return
    _replay(file, ReplaySettings(make_us=make_us, break_us=break_us), json)


def _replay(file: Path, settings: ReplaySettings, json: bool) -> None:
    trace = read_trace(file)
    replayed = replay_edges(trace.times_us, trace.inputs, settings)
    faulty = any(totals.faults for totals in replayed.totals.values())
    if json:
        print_json(document(replayed, settings))
        raise typer.Exit(1 if faulty else 0)

    out = console()
    rows = table(
        ">input", ">edges", ">closures", ">bounces", ">dropouts", ">blips", ">closed ms", "fault",
        title=f"{file.name}: make_us {settings.make_us}, break_us {settings.break_us}",
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
    if trace.lost or trace.gaps:
        out.print(
            f"the recorder lost {trace.lost} edges and was blind {trace.gaps} times: what is shown is not "
            "the whole truth"
        )
    raise typer.Exit(1 if faulty else 0)
