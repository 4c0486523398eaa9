"""The field of a passing magnet at a contact and what it closes, as an SVG file."""

from __future__ import annotations

from typing import TYPE_CHECKING

from reedproof.analysis.footprints import Footprint, distance_mm, footprint, levels_of, touching_mm
from reedproof.plan_tables import MagnetPlan
from reedproof.plots import CLOSED, LIMIT, WINDOW, house_style, svg

if TYPE_CHECKING:
    from matplotlib.axes import Axes

NOTCH = "#a02020"
AROUND = 1.15  # of the stretch in which something closes
FAINT = 0.5  # of the release level: further out nothing is to be seen


def field_plot(asked: MagnetPlan) -> str:
    """An SVG document. Raises ReedproofError where the contact would be inside the magnet."""
    from matplotlib.figure import Figure

    _, nominal, _ = levels_of(asked)
    at_mm = distance_mm(asked)
    seen = footprint(asked, nominal, at_mm)
    with house_style():
        figure = Figure(figsize=(9, 4.5), layout="constrained")
        axes = figure.subplots()
        axes.plot(seen.travel_mm, seen.field_mt, color=CLOSED, linewidth=1.5, label=f"{at_mm:.3g} mm away")
        for higher_mm, dashes in ((-asked.spread_mm, "--"), (asked.spread_mm, ":")):
            if higher_mm and at_mm + higher_mm >= touching_mm(asked):
                other = footprint(asked, nominal, at_mm + higher_mm)
                label = f"{at_mm + higher_mm:.3g} mm away"
                axes.plot(other.travel_mm, other.field_mt, dashes, color=CLOSED, linewidth=0.8, label=label)
        for level_mt, dashes, name in (
            (nominal.operate_mt, "-", "operates"),
            (nominal.release_mt, "--", "releases"),
        ):
            axes.axhline(
                level_mt, color=LIMIT, linestyle=dashes, linewidth=0.8, label=f"{name} at {level_mt:.3g} mT"
            )
            axes.axhline(-level_mt, color=LIMIT, linestyle=dashes, linewidth=0.8)
        _mark(axes, seen)
        edge_mm = _edge_mm(seen, nominal.release_mt)
        axes.set_xlim(-edge_mm, edge_mm)
        axes.set_xlabel("travel of the magnet, mm; 0 is its middle over the contact")
        axes.set_ylabel("field along the contact, mT")
        figure.legend(fontsize=8, frameon=False, loc="outside right upper")
        axes.set_title(
            f"magnet {asked.orientation}; light: closed{', red: open in between' if seen.notches else ''}",
            loc="left", fontsize=9, pad=18,
        )  # fmt: skip
        return svg(figure, "reedproof plan magnet")


def _mark(axes: Axes, seen: Footprint) -> None:
    """Closures with their lengths above the frame, notches as what is between them."""
    top = axes.get_xaxis_transform()
    for start, end in seen.closures:
        axes.axvspan(start, end, color=WINDOW, alpha=0.3, linewidth=0)
        axes.text(
            (start + end) / 2, 1.01, f"{end - start:.3g} mm", transform=top, ha="center", va="bottom",
            fontsize=8,
        )  # fmt: skip
    for start, end in seen.notches:
        axes.axvspan(start, end, color=NOTCH, alpha=0.35, linewidth=0.8)
        axes.text(
            (start + end) / 2, 0.01, f"{end - start:.2g} mm", transform=top, ha="center", va="bottom",
            fontsize=8, color=NOTCH,
        )  # fmt: skip


def _edge_mm(seen: Footprint, release_mt: float) -> float:
    """Where the picture ends: a little beyond what closes, or what comes near to it."""
    near = abs(seen.travel_mm[abs(seen.field_mt) > FAINT * release_mt])
    return float(min(seen.travel_mm[-1], AROUND * max(near, default=seen.travel_mm[-1])))
