"""The chance to meet a claim over what the contacts really miss, as an SVG file."""

from __future__ import annotations

import numpy as np

from reedproof.analysis.plan_run import ALLOWED
from reedproof.analysis.plans import FixedClaim, SequentialClaim, parse_claim
from reedproof.plan_tables import RunPlan
from reedproof.plots import CLOSED, LIMIT, WINDOW, house_style, svg

POINTS = 60
DECADES = (-2.0, 1.0)  # of the share that the claim excludes
SHADES = ("-", "--", "-.", ":", (0, (1, 4)))


def chances_plot(asked: RunPlan) -> str:
    """An SVG document."""
    from matplotlib.figure import Figure

    reliability, confidence = parse_claim(asked.claim)
    limit = 1 - reliability
    shares = limit * np.logspace(*DECADES, POINTS)
    shares = shares[shares < 1]
    with house_style():
        figure = Figure(figsize=(9, 4), layout="constrained")
        axes = figure.subplots()
        for misses, dashes in zip(sorted({*ALLOWED, asked.allow}), SHADES, strict=False):
            plan = FixedClaim(reliability, confidence, asked.contacts, misses)
            chances = [100 * plan.chance_to_meet(share) for share in shares.tolist()]
            label = f"{plan.passes} passes, {misses} missed allowed"
            axes.plot(100 * shares, chances, dashes, color=CLOSED, linewidth=1, label=label)
        sequential = SequentialClaim(reliability, confidence, asked.contacts)
        # Each point is an exact computation over thousands of passes: a few of them show the curve.
        few = np.sort(np.append(shares[:: POINTS // 12], limit))
        chances = [100 * sequential.chance_to_meet(share) for share in few.tolist()]
        axes.plot(
            100 * few, chances, "o-", markersize=3, color=LIMIT, linewidth=1,
            label="tested after every pass",
        )  # fmt: skip
        axes.axvspan(100 * limit, 100 * shares[-1], color=WINDOW, alpha=0.3, linewidth=0)
        axes.text(100 * limit, 101, " excluded by the claim", fontsize=8, va="bottom")
        axes.set_xscale("log")
        axes.xaxis.set_major_formatter("{x:g}")
        axes.xaxis.set_minor_formatter("")
        axes.set_xlim(100 * shares[0], 100 * shares[-1])
        axes.set_ylim(0, 100)
        axes.set_xlabel("passes that are really missed, %")
        axes.set_ylabel(f"chance to meet {asked.claim}, %")
        axes.legend(fontsize=8, frameon=False, loc="lower left")
        return svg(figure, "reedproof plan run")
