"""`reedproof plan run`: passes and hours for a claim."""

from __future__ import annotations

from typing import Annotated

import typer

from reedproof.analysis.plan_run import headline, plan_run
from reedproof.analysis.plan_run import passes_per_hour as passes_per_hour_of
from reedproof.cli.common import JsonOption
from reedproof.cli.plan_inputs import (
    PlotOption,
    SaveOption,
    SheetOption,
    gather,
    quantity,
    save_told,
    sheet_of,
)
from reedproof.cli.plan_words import present
from reedproof.plan_run_plot import chances_plot
from reedproof.plan_tables import RunPlan


def run(
    claim: Annotated[
        str | None,
        typer.Option(help="RELIABILITY@CONFIDENCE, as in 0.999@0.95.", metavar="R@C", show_default=False),
    ] = None,
    contacts: Annotated[
        int | None,
        typer.Option(
            help="Contacts to be proved at once. [default: those of the sheet, else 1]", show_default=False
        ),
    ] = None,
    allow: Annotated[
        int | None,
        typer.Option(help="Misses of a contact that are allowed. [default: 0]", show_default=False),
    ] = None,
    sequential: Annotated[
        bool | None,
        typer.Option(
            "--sequential/--no-sequential", show_default=False,
            help="Test after every pass instead of once at the end.",
        ),
    ] = None,
    passes_per_hour: Annotated[
        float | None,
        quantity(
            "passes_per_hour", "Of the contact that is passed least.", "what the sheet's times of routes give"
        ),
    ] = None,
    good_miss_share: Annotated[
        float | None,
        quantity("good_miss_share", "What a good contact misses.", "a tenth of what the claim excludes"),
    ] = None,
    bad_miss_share: Annotated[
        float | None,
        quantity("bad_miss_share", "What a bad one misses.", "three times as much as the claim excludes"),
    ] = None,
    sheet: SheetOption = None,
    save: SaveOption = False,
    plot: PlotOption = None,
    json: JsonOption = False,
) -> None:  # fmt: skip
    """Tell how many passes and hours a claim takes, and who would meet it.

    What is saved into a sheet is what 'reedproof endure' takes for its plan when no option says another.

    Example: reedproof plan run --claim 0.99@0.95
    """
    one = sheet_of(sheet, save)
    own, follows = {}, {}
    if one is not None:
        follows = {"contacts": len(one.contacts), "passes_per_hour": passes_per_hour_of(one)}
        if one.plan.run is not None:
            aside = {"allow"} if sequential else {"sequential"} if allow is not None else set()
            own = one.plan.run.model_dump(exclude_unset=True, exclude=aside)
    options = {
        "claim": claim, "contacts": contacts, "allow": allow, "sequential": sequential,
        "passes_per_hour": passes_per_hour, "good_miss_share": good_miss_share,
        "bad_miss_share": bad_miss_share,
    }  # fmt: skip
    inputs = gather(RunPlan, options, {**follows, **own}, may_ask=not json)
    answer = plan_run(inputs.plan)
    saved_in = save_told(sheet if save else None, "run", inputs, own)
    present(
        headline(inputs.plan), answer, inputs, json=json, plot=plot,
        drawn=lambda: chances_plot(inputs.plan), saved_in=saved_in,
    )  # fmt: skip
