"""What a magnet does to a contact: to be known before the contact is drilled for and the magnet glued in.

Results are those of the nominal level where they do not say that they are the worst; every check is of the
worst one.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from reedproof.analysis.answer import Answer, Check, Grid, Result
from reedproof.analysis.footprints import (
    MT_PER_AT,
    REMANENCE_AT_C,
    Footprint,
    Level,
    band_mm,
    distance_mm,
    footprint,
    levels_of,
    touching_mm,
)
from reedproof.analysis.magnetics import AnyMagnet, Magnet, Orientation
from reedproof.errors import ReedproofError
from reedproof.plan_tables import MAGNET_ANSWER, MagnetPlan, TimingPlan

GLASS_MM = 14.0  # length of a small contact's glass, from memory
OVERDRIVE = 1.5  # of the peak over operate; chosen here, no source
#: The board's, unless it was set to another, and by how much it may see an opening longer.
BREAK_MS = TimingPlan.model_fields["break_us"].default / 1000
PLAY_MS = sum(TimingPlan.model_fields[key].default for key in ("operate_us", "sampling_us")) / 1000
SLOW_MM_S, FAST_MM_S = 50.0, 500.0
SPREAD_STEPS = 5
#: Sizes that are usual, no source; their remanence is that of the plan.
USUAL: tuple[AnyMagnet, ...] = tuple(
    Magnet(diameter_mm, length_mm, 1.0)
    for diameter_mm, length_mm in ((2.0, 10.0), (3.0, 6.0), (3.0, 10.0), (4.0, 10.0), (5.0, 10.0))
)

MAGPYLIB = "magpylib: Ortner & Coliado Bandeira, SoftwareX 11 (2020), from memory"
GRADES_SOURCE = "maker's table of grades, Shanghai Magnet"
TURNS_SOURCE = "fitted here to a maker's distances, RRE MS-225 and MS-214; factor: Littelfuse AN102A"
HERE = "derived here"

CAUTIONS = (
    "two magnets that are swallowed pull together through the gut; glue them in and count them (16 CFR 1262; "
    "of 596 children's exposures 46 % ended in endoscopy or surgery, Pediatrics 149(3) 2022)",
    "keep magnets 15 cm away from pacemakers and other implants (FDA, May 2021)",
    "neodymium magnets pinch fingers, break and splinter (from memory)",
)


@dataclass(frozen=True)
class Worst:
    """Of every level and over the spread. ``shortest_mm``: the shortest closure, 0 where there may be none;
    ``longest_mm``: the longest stretch from a pass's first closing to its last opening; ``notch_mm``: the
    longest opening between, also with the field averaged over the glass; ``closures``: the most in a pass."""

    shortest_mm: float
    longest_mm: float
    notch_mm: float
    closures: int


@dataclass(frozen=True)
class Turned:
    """The plan with the magnet in one orientation. ``seen`` is None where it would be in the glass, ``band``
    where no distances give one closure."""

    orientation: str
    seen: Footprint | None
    band: tuple[float, float] | None

    @property
    def merit_mm(self) -> float:
        """Length of the band where one closure is what it gives here, else 0."""
        is_one = self.seen is not None and len(self.seen.closures) == 1
        return self.band[1] - self.band[0] if self.band and is_one else 0.0


def plan_magnet(asked: MagnetPlan, others: Sequence[AnyMagnet] = USUAL) -> Answer:
    """What a pass gives, at which distances it is one closure, and how else the magnet could lie. ``others``:
    magnets for the table, of the plan's remanence.

    Raises ReedproofError where the contact would be inside the magnet.
    """
    at_mm = distance_mm(asked)
    levels = levels_of(asked)
    seen = footprint(asked, levels[1], at_mm)
    over_glass = footprint(asked, levels[1], at_mm, glass_mm=GLASS_MM)
    worst = _worst(asked, levels, at_mm)
    turned = [_turned(asked, orientation, levels) for orientation in Orientation]
    band = next(each.band for each in turned if each.orientation == asked.orientation)
    widest = max(turned, key=lambda each: each.merit_mm)
    best = widest if widest.merit_mm else None
    return Answer(
        [
            *_of_pass(seen, over_glass),
            *_of_worst(worst),
            *_of_place(asked, at_mm, band),
            Result(
                "best_orientation", "best orientation here", best and best.orientation,
                "one closure here, and of those the widest band of distances with one", HERE,
                None if best else "none of them gives one closure",
            ),
            *_of_levels(asked, levels),
        ],
        _checks(asked, levels, worst, at_mm, band),
        grids=[
            _orientations(asked, turned),
            _rides(asked, levels[1], at_mm),
            *_levels(asked, levels, at_mm),
            _magnets(asked, others, levels),
        ],
        advice=list(_advice(asked, seen, over_glass, worst, turned, best)),
        assumptions=list(_assumptions(asked)),
        cautions=CAUTIONS,
    )  # fmt: skip


def lengths_of(answer: Answer) -> Mapping[str, Any]:
    """What the keys of `MAGNET_ANSWER` hold."""
    return {result.key: result.value for result in answer.results if result.key in MAGNET_ANSWER}


def headline(asked: MagnetPlan, answer: Answer) -> str:
    """The answer in one line."""
    lengths = lengths_of(answer)["closures_mm"]
    kept = "every margin is kept" if answer.is_good else "NOT every margin is kept"
    kept += ", WITHOUT the steel" if asked.steel_rail else ""
    if not lengths:
        return f"No closure in a pass; {kept}"
    many = "One closure" if len(lengths) == 1 else f"{len(lengths)} closures"
    return f"{many} of {_list(lengths)} mm in a pass; {kept}"


def _list(values: Sequence[float]) -> str:
    return ", ".join(f"{value:.3g}" for value in values)


def _spread_mm(asked: MagnetPlan, at_mm: float) -> tuple[float, float]:
    """The nearest and the farthest pass. None is nearer than the glass."""
    return max(touching_mm(asked), at_mm - asked.spread_mm), at_mm + asked.spread_mm


def _worst(asked: MagnetPlan, levels: Sequence[Level], at_mm: float) -> Worst:
    over_spread = np.linspace(*_spread_mm(asked, at_mm), SPREAD_STEPS).tolist()
    at = [(level, each_mm) for level in dict.fromkeys(levels) for each_mm in over_spread]
    passes = [footprint(asked, *where) for where in at]
    over_glass = [footprint(asked, *where, glass_mm=GLASS_MM) for where in at]
    return Worst(
        min(min(each.lengths_mm, default=0.0) for each in passes),
        max(each.closures[-1][1] - each.closures[0][0] if each.closures else 0.0 for each in passes),
        max((mm for each in (*passes, *over_glass) for mm in each.notches_mm), default=0.0),
        max(len(each.closures) for each in passes),
    )


# ---- results ----


def _of_pass(seen: Footprint, over_glass: Footprint) -> Iterator[Result]:
    yield Result(
        "closures", "closed from where to where of the travel",
        [{"start_mm": start, "end_mm": end} for start, end in seen.closures],
        "from where the field reaches operate to where it falls below release", HERE,
        ", ".join(f"{start:.1f} to {end:.1f} mm" for start, end in seen.closures) or "nowhere",
    )  # fmt: skip
    for key, label, values in (
        ("closures_mm", "length of each closure", seen.lengths_mm),
        ("notches_mm", "open between closures", seen.notches_mm),
    ):
        yield Result(key, label, values, text=f"{_list(values)} mm" if values else "none")
    yield Result(
        "peak_mt", "peak field along the contact", seen.peak_mt,
        "field of an evenly magnetised body along the contact's axis, at its middle", MAGPYLIB,
    )  # fmt: skip
    yield Result(
        "peak_over_glass_mt", f"the same averaged over {GLASS_MM:g} mm of glass", over_glass.peak_mt,
        "mean over 14 points of the contact's axis", HERE,
    )  # fmt: skip
    yield Result("closures_over_glass", "closures with that average", len(over_glass.closures))


def _of_worst(worst: Worst) -> Iterator[Result]:
    for key, label, value, formula in (
        (
            "shortest_mm", "shortest closure there may be", worst.shortest_mm,
            "least on every level over the spread",
        ),
        (
            "longest_mm", "longest way from first closing to last opening", worst.longest_mm,
            "most on every level over the spread",
        ),
        (
            "notch_mm", "longest opening there may be between closures", worst.notch_mm,
            "most on every level over the spread, at the contact's middle and averaged over the glass",
        ),
    ):  # fmt: skip
        yield Result(key, label, value, formula, HERE, None if value else "none")
    if worst.notch_mm:
        yield Result(
            "one_above_mm_s",
            f"faster than this a pass is one, for a board with break_us {1000 * BREAK_MS:.0f}",
            1000 * worst.notch_mm / (BREAK_MS - PLAY_MS),
            "longest opening there may be / (break_us - operate_us - sampling_us)", HERE,
        )  # fmt: skip


def _of_place(asked: MagnetPlan, at_mm: float, band: tuple[float, float] | None) -> Iterator[Result]:
    touching = touching_mm(asked)
    yield Result("distance_mm", "magnet's middle to contact's axis", at_mm)
    yield Result(
        "gap_mm", "gap between magnet and glass", at_mm - touching,
        "distance - half of the magnet - half of the glass",
    )  # fmt: skip
    for key, label, less_mm, formula, source in (
        (
            "one_closure_distance_mm", "distances with exactly one closure", 0.0,
            "longest stretch of them, on every level", HERE,
        ),
        ("one_closure_gap_mm", "gaps with exactly one closure", touching, "", ""),
    ):  # fmt: skip
        ends = [end - less_mm for end in band] if band else None
        text = f"{ends[0]:.3g} to {ends[1]:.3g} mm" if ends else "none"
        yield Result(key, label, ends, formula, source, text)


def _of_levels(asked: MagnetPlan, levels: Sequence[Level]) -> Iterator[Result]:
    weakest, nominal, strongest = levels
    if asked.grade is not None or asked.temperature_c != REMANENCE_AT_C:
        ends = [weakest.remanence_t, strongest.remanence_t]
        at_c = dict.fromkeys((asked.temperature_c, REMANENCE_AT_C))
        yield Result(
            "remanence_t", f"remanence at {' and '.join(f'{each:g}' for each in at_c)} °C", ends,
            f"Br (1 - 0.0012 (temperature - {REMANENCE_AT_C:g}))", GRADES_SOURCE,
            " to ".join(f"{value:.3f}" for value in dict.fromkeys(ends)) + " T",
        )  # fmt: skip
    if asked.operate_at is not None:
        for key, label in (("operate_mt", "field that closes it"), ("release_mt", "field that opens it")):
            low, middle, high = (getattr(level, key) for level in (strongest, nominal, weakest))
            yield Result(
                key, label, [low, middle, high], f"{MT_PER_AT:g} mT/AT, factor 2 either way", TURNS_SOURCE,
                f"{middle:.3g} mT, but {low:.3g} to {high:.3g} mT is possible",
            )  # fmt: skip


# ---- margins ----


def _checks(
    asked: MagnetPlan,
    levels: Sequence[Level],
    worst: Worst,
    at_mm: float,
    band: tuple[float, float] | None,
) -> list[Check]:
    weakest, _, strongest = levels
    near_mm, far_mm = _spread_mm(asked, at_mm)
    is_across_middle = asked.orientation == "across" and not asked.offset_mm
    stay = "bring the magnet nearer, take a larger one, or turn it"
    if band:
        stay = f"keep the distance between {band[0]:.3g} and {band[1]:.3g} mm, or take another magnet"
    checks = [
        Check(
            "weakest_peak_mt", f"peak field at {at_mm:.3g} mm, {OVERDRIVE:g} times what closes it",
            footprint(asked, weakest, at_mm).peak_mt, OVERDRIVE * weakest.operate_mt, stay,
        ),
        Check(
            "far_peak_mt", f"peak field left at {far_mm:.3g} mm, the end of the spread",
            footprint(asked, weakest, far_mm).peak_mt, weakest.operate_mt, stay,
        ),
        Check(
            "most_closures", "closures in a pass, most over the spread", worst.closures, 1,
            stay if band or is_across_middle else _without_second_lobe(asked), is_upper=True,
        ),
        Check(
            "least_gap_mm", "gap left under the lowest vehicle",
            at_mm - asked.spread_mm - touching_mm(asked), 0.0,
            "raise the magnet or sink the contact: they would hit each other",
        ),
    ]  # fmt: skip
    beside_mt = footprint(asked, strongest, near_mm).lobes_mt[1:]
    if beside_mt:
        checks.append(
            Check(
                "second_lobe_mt", f"second lobe at {near_mm:.3g} mm, below what closes it", beside_mt[0],
                strongest.operate_mt, f"raise the magnet, or {_without_second_lobe(asked)}", is_upper=True,
            )
        )  # fmt: skip
    return checks


def _without_second_lobe(asked: MagnetPlan) -> str:
    """Across there is none, where it passes the contact's middle."""
    if not asked.offset_mm:
        return "turn it across"
    nearer = "pass it nearer to the contact's middle"
    return nearer if asked.orientation == "across" else f"{nearer} and turn it across"


# ---- tables ----


def _turned(asked: MagnetPlan, orientation: Orientation, levels: Sequence[Level]) -> Turned:
    other = asked.model_copy(update={"orientation": orientation.value})
    band = band_mm(other, levels)
    try:
        at_mm = distance_mm(other)
    except ReedproofError:
        return Turned(orientation.value, None, band)
    return Turned(orientation.value, footprint(other, levels[1], at_mm), band)


def _row(seen: Footprint | None) -> tuple[float | None, list[float] | None, list[float] | None]:
    """Peak, lengths, openings; None where there is no room for the magnet."""
    return (seen.peak_mt, seen.lengths_mm, seen.notches_mm) if seen else (None, None, None)


def _same(asked: MagnetPlan) -> str:
    return "gap" if asked.distance_mm is None else "distance"


def _orientations(asked: MagnetPlan, turned: Sequence[Turned]) -> Grid:
    return Grid(
        "orientations",
        f"The magnet turned, at the same {_same(asked)}",
        ("orientation", "peak_mt", "closures_mm", "notches_mm", "one_closure_distance_mm"),
        [(each.orientation, *_row(each.seen), list(each.band) if each.band else None) for each in turned],
    )


def _rides(asked: MagnetPlan, level: Level, at_mm: float) -> Grid:
    touching = touching_mm(asked)
    heights = sorted({0.0 - asked.spread_mm, -1.0, 0.0, 1.0, asked.spread_mm})
    return Grid(
        "rides",
        "A vehicle that rides higher, or lower",
        ("higher_mm", "gap_mm", "peak_mt", "closures_mm", "notches_mm"),
        [
            (height, at_mm + height - touching, *_row(footprint(asked, level, at_mm + height)))
            for height in heights
            if at_mm + height >= touching
        ],
    )


def _levels(asked: MagnetPlan, levels: Sequence[Level], at_mm: float) -> Iterator[Grid]:
    if len({level[1:] for level in levels}) > 1:
        yield Grid(
            "levels",
            "As weak and as strong as it may be",
            ("level", "remanence_t", "operate_mt", "peak_mt", "closures_mm", "notches_mm"),
            [(*level[:3], *_row(footprint(asked, level, at_mm))) for level in levels],
        )


def _magnets(asked: MagnetPlan, others: Sequence[AnyMagnet], levels: Sequence[Level]) -> Grid:
    rows = []
    for magnet in others:
        sides = {key: side for key, side in vars(magnet).items() if key != "remanence_t"}
        none = dict.fromkeys(("diameter_mm", "width_mm", "height_mm"))
        other = asked.model_copy(update={**none, **sides})
        try:
            seen = footprint(other, levels[1], distance_mm(other))
        except ReedproofError:
            seen = None
        band = band_mm(other, levels)
        gaps = [end - touching_mm(other) for end in band] if band else None
        rows.append((magnet.size, *_row(seen), gaps))
    return Grid(
        "magnets",
        f"Other magnets, {asked.orientation} at the same {_same(asked)}",
        ("magnet_mm", "peak_mt", "closures_mm", "notches_mm", "one_closure_gap_mm"),
        rows,
    )


# ---- words ----


def _advice(
    asked: MagnetPlan,
    seen: Footprint,
    over_glass: Footprint,
    worst: Worst,
    turned: Sequence[Turned],
    best: Turned | None,
) -> Iterator[str]:
    if best and best.seen and best.band:
        others = ", ".join(
            f"{each.orientation} {len(each.seen.closures) or 'none'}"
            for each in turned
            if each is not best and each.seen
        )
        yield (
            f"{best.orientation} is best here: one closure of {best.seen.lengths_mm[0]:.3g} mm, and one at "
            f"every distance from {best.band[0]:.3g} to {best.band[1]:.3g} mm (closures otherwise: {others})"
        )
    if asked.orientation == "upright" and worst.notch_mm:
        notch_mm = worst.notch_mm
        yield (
            "an upright magnet gives one closure fast and two slow: its notch, up to "
            f"{notch_mm:.2g} mm, is open for {1000 * notch_mm / SLOW_MM_S:.2g} ms at {SLOW_MM_S:g} mm/s and "
            f"for {1000 * notch_mm / FAST_MM_S:.2g} ms at {FAST_MM_S:g} mm/s; turn it across"
        )
    if asked.orientation == "along" and seen.notches:
        yield (
            f"the side lobes of a magnet along the contact reach {seen.lobes_mt[1]:.3g} mT, which closes it "
            f"before and after the middle too; raise the magnet, or {_without_second_lobe(asked)}"
        )
    if asked.orientation == "crosswise":
        yield (
            "a magnet crosswise has no field along the contact unless it passes aside, so that it never "
            "closes it; turn it across"
        )
    if len(over_glass.closures) != len(seen.closures):
        yield (
            f"do not rely on the count: the field at the contact's middle gives {len(seen.closures)}, its "
            f"average over the glass {len(over_glass.closures)}; try it by hand before you drill"
        )
    if asked.steel_rail:
        yield (
            "steel bends the field, and nothing here accounts for it: try magnet and contact at the rail "
            "before you drill (that magnetic surroundings change a contact: OKI, data book of reed switches)"
        )


def _assumptions(asked: MagnetPlan) -> Iterator[str]:
    yield (
        "what closes the contact is the field along its axis at its middle; the blades gather that of some "
        "millimetres, so near a magnet the average over the glass is the more cautious figure"
    )
    yield (
        f"the magnet passes above the contact, whose glass is {asked.glass_diameter_mm:g} mm thick; vehicles "
        f"ride up to {asked.spread_mm:g} mm higher and lower"
    )
    steel = "the steel is left out" if asked.steel_rail else "no steel is near"
    yield f"its polarity does not matter, no other magnet is near, and {steel}"
    if asked.operate_at is not None:
        yield (
            "ampere turns are those of the maker's test coil and no field: the conversion is an order of "
            "magnitude"
        )
