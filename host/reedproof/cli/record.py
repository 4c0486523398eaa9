"""`reedproof record`: every raw edge into a file."""

from __future__ import annotations

import contextlib
import math
from pathlib import Path
from typing import Annotated

import typer
from rich.live import Live
from rich.text import Text

from reedproof.cli.common import (
    JsonOption,
    PortArgument,
    StoreOption,
    console,
    open_link,
    parse_inputs,
    print_json,
)
from reedproof.cli.laps import Laps
from reedproof.cli.prove import show_identity
from reedproof.errors import LineLost, ReedproofError
from reedproof.recorder import Recorder
from reedproof.store import Store
from reedproof.trace_recorder import TraceRecorder
from reedproof.trace_writer import ACCOUNT_OPEN, notes_of, open_writer

REFRESH_S = 0.2


def _state(tracing: TraceRecorder) -> Text:
    if not tracing.is_up:
        return Text("the line is gone; waiting for it to come back, Ctrl-C ends")
    if not tracing.is_running:
        return Text("waiting for the board's counts ...")
    busy = [str(number) for number, line in tracing.inputs.items() if line.edges]
    where = f" on input{'s' if len(busy) > 1 else ''} {' '.join(busy)}" if busy else ""
    return Text(
        f"recording, {tracing.file_us / 1e6:.0f} s: {tracing.edges} edges{where}, {tracing.lost} lost; "
        "Ctrl-C ends"
    )


def record(
    port: PortArgument,
    output: Annotated[
        Path, typer.Option("--output", "-o", help="The file: VCD if it ends in .vcd, else CSV.")
    ],
    inputs: Annotated[str | None, typer.Option(help="Only these inputs, such as 1-4,7.")] = None,
    seconds: Annotated[float | None, typer.Option(help="Stop by itself after this long.", min=0.1)] = None,
    store: StoreOption = None,
    json: JsonOption = False,
) -> None:
    """Record every raw edge of a board's inputs, for `tune` and `replay`.

    The file says how often the board samples and how many edges were lost; it can be opened at any moment,
    even if the recording was cut off. Closures go into the store as ever. Exits with 1 when edges were lost.

    Keep magnets away from children and implants, and count them.

    Example: reedproof record /dev/ttyUSB0 -o mill.csv --inputs 1-8
    """
    out = console(stderr=json)
    if output.exists():
        raise ReedproofError(f"{output}: exists already; choose another name, or delete it first")
    with Store(store) as kept, open_link(port, real_time=seconds is None) as link:
        show_identity(link, out)
        recorder = Recorder(link, kept)
        chosen = link.choose_inputs(parse_inputs(inputs))
        notes = [*notes_of(sample_us=link.hello.sample_us, recorded=chosen), ACCOUNT_OPEN]
        with open_writer(output, chosen, notes) as writer:
            tracing = TraceRecorder(recorder, writer, chosen)
            laps = Laps(link)
            live = Live(_state(tracing), console=out, transient=True) if out.is_terminal else None
            end_s = math.inf
            with contextlib.suppress(KeyboardInterrupt), live or contextlib.nullcontext():
                while link.now_s() < end_s:
                    if seconds is not None and end_s == math.inf and tracing.is_running:
                        end_s = link.now_s() + seconds
                    laps.go_on()
                    tracing.pump(REFRESH_S)
                    if live is not None:
                        live.update(_state(tracing))
            tracing.finish()
        recorder.flush()
        went_down = not link.is_up
    is_whole = not (tracing.lost or tracing.gaps)
    if json:
        print_json(
            {
                "file": str(output), "seconds": tracing.file_us / 1e6, "sample_us": link.hello.sample_us,
                "edges": {str(number): line.edges for number, line in tracing.inputs.items()},
                "lost": {str(number): line.lost for number, line in tracing.inputs.items()},
                "gaps": tracing.gaps,
            }
        )  # fmt: skip
    else:
        gaps = (
            f", {tracing.gaps} gap{'s' if tracing.gaps != 1 else ''} of unknown size" if tracing.gaps else ""
        )
        losers = [str(number) for number, line in tracing.inputs.items() if line.lost]
        where = f" (input {', '.join(losers)})" if losers else ""
        out.print(
            f"{tracing.edges} edges of {len(chosen)} inputs in {tracing.file_us / 1e6:.1f} s, {tracing.lost} "
            f"lost{where}{gaps}, in {output}",
            markup=False,
            soft_wrap=True,
        )
    if went_down:
        raise LineLost(f"{port}: the line is gone (unplugged?); {output} holds what came before")
    raise typer.Exit(0 if is_whole else 1)
