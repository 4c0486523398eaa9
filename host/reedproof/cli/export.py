"""`reedproof export`: the closures of a run in a file for other programs."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer
from rich.progress import Progress

from reedproof.cli.common import JsonOption, StoreOption, console, print_json
from reedproof.store import Store

RunArgument = Annotated[
    int | None,
    typer.Argument(metavar="RUN", help="Number of the run; without it the newest.", min=1, max=10**9),
]


def export(
    output: Annotated[
        Path, typer.Option("-o", "--output", help="The file to write: .parquet, .csv or .jsonl.")
    ],
    run: RunArgument = None,
    store: StoreOption = None,
    json: JsonOption = False,
) -> None:
    """Write the closures of a run to a file for other programs: Parquet, CSV or JSON lines.

    One row per closure: contact, board, input, made_us (microseconds since 1970), duration_ms, bounces,
    dropouts. The columns are the same in all formats; Parquet is by far the smallest and the fastest to read.

    Example: reedproof export 3 -o hill-yard.parquet
    """
    from reedproof.export import check_output
    from reedproof.export import export as write

    check_output(output)
    out = console(stderr=json)
    with Store(store, create=False) as kept:
        found = kept.run(run)
        total = kept.closures_of_run(found.id)
        with Progress(console=out, transient=True, disable=not out.is_terminal) as progress:
            task = progress.add_task(f"run {found.id}", total=total)
            count = write(kept, found, output, lambda done: progress.update(task, completed=done))
    size_bytes = output.stat().st_size
    if json:
        print_json(
            {
                "run": found.id, "layout": found.layout, "simulated": found.simulated, "file": str(output),
                "closures": count, "size_bytes": size_bytes,
            }
        )  # fmt: skip
        return
    out.print(f"{output}: {count} closures of run {found.id}, {size_bytes / 1e6:.1f} MB", soft_wrap=True)
