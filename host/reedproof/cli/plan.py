"""`reedproof plan`: worked out before drilling and soldering."""

from __future__ import annotations

import typer

from reedproof.cli import plan_magnet, plan_run, plan_timing, plan_wiring

plan = typer.Typer(
    name="plan",
    no_args_is_help=True,
    help="Work out magnet, timing, wiring and run before anything is built.\n\n"
    "Every answer tells its formula, its source, what it assumes and how much room is left. Exit code 0 if "
    "all of it is kept, else 1.\n\n"
    "Example: reedproof plan run --claim 0.999@0.95",
)
plan.command()(plan_magnet.magnet)
plan.command()(plan_run.run)
plan.command()(plan_timing.timing)
plan.command()(plan_wiring.wiring)
