"""What a contact has of a pass of the planned magnet, at any distance.

Neither is known exactly: remanence lies between two values of a grade, and the ampere turns of a data sheet
tell a field within a factor of two either way. Hence three levels: weakest, nominal and strongest.
"""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import NamedTuple

import numpy as np

from reedproof.analysis.magnetics import (
    GRADES,
    AnyMagnet,
    Block,
    Floats,
    Magnet,
    Orientation,
    closures_mm,
    field_mt,
    half_upright_mm,
)
from reedproof.errors import ReedproofError
from reedproof.plan_tables import MagnetPlan

#: Remanence per kelvin (maker's table of grades, Shanghai Magnet) and where it is told for (from memory).
REMANENCE_PER_K, REMANENCE_AT_C = -0.0012, 20.0
#: Fitted here to a maker's table of distances (RRE, MS-225 and MS-214). That the factor between two makers
#: "could vary by a factor of 2 or more" is published (Littelfuse, AN102A).
MT_PER_AT, MT_PER_AT_FACTOR = 0.11, 2.0

STEPS = 1000  # of travel, from the middle to where the field is too faint to matter
BAND_STEPS = 40  # of distance, from the glass to where the field is too faint
BAND_SAMPLES = 30  # per distance in travel, where closures are only counted
BAND_WITHIN_MM = 0.02
GLASS_PARTS = 14
NOISE_MT = 1e-9  # what rounding leaves of a field of 0


class Level(NamedTuple):
    """A remanence that the magnet may have, and fields that the contact may need."""

    name: str
    remanence_t: float
    operate_mt: float
    release_mt: float


@dataclass(frozen=True)
class Footprint:
    """One pass. ``field_mt``: along the contact's axis, shape as ``travel_mm``; ``closures``: from and to, in
    mm of travel."""

    travel_mm: Floats
    field_mt: Floats
    closures: list[tuple[float, float]]

    @property
    def lengths_mm(self) -> list[float]:
        return [end - start for start, end in self.closures]

    @property
    def notches(self) -> list[tuple[float, float]]:
        """The openings between closures."""
        return [(earlier[1], later[0]) for earlier, later in itertools.pairwise(self.closures)]

    @property
    def notches_mm(self) -> list[float]:
        return [end - start for start, end in self.notches]

    @property
    def lobes_mt(self) -> list[float]:
        """How strong the field becomes in each stretch in which it has one sign, strongest first."""
        field = self.field_mt[self.field_mt != 0]
        turns = np.flatnonzero(np.diff(np.sign(field))) + 1
        lobes = np.split(field, turns) if len(field) else []
        return sorted((float(abs(lobe).max()) for lobe in lobes), reverse=True)

    @property
    def peak_mt(self) -> float:
        return float(abs(self.field_mt).max())


def levels_of(asked: MagnetPlan) -> tuple[Level, Level, Level]:
    """Weakest, nominal, strongest; alike where nothing is uncertain."""
    if asked.grade is not None:
        low_t, high_t = GRADES[asked.grade]
    else:
        assert asked.remanence_t is not None
        low_t = high_t = asked.remanence_t
    warm = 1 + REMANENCE_PER_K * (asked.temperature_c - REMANENCE_AT_C)
    # It is not always that warm: the weakest and the strongest are those of here and of there.
    weakest, nominal, strongest = (
        Level(name, remanence_t, *_needed_mt(asked, factor))
        for name, remanence_t, factor in (
            ("weakest", min(warm, 1.0) * low_t, MT_PER_AT_FACTOR),
            ("nominal", warm * (low_t + high_t) / 2, 1.0),
            ("strongest", max(warm, 1.0) * high_t, 1 / MT_PER_AT_FACTOR),
        )
    )
    return weakest, nominal, strongest


def _needed_mt(asked: MagnetPlan, factor: float) -> tuple[float, float]:
    """To operate, and to release."""
    if asked.operate_mt is not None and asked.release_mt is not None:
        return asked.operate_mt, asked.release_mt
    assert asked.operate_at is not None
    assert asked.release_at is not None
    return MT_PER_AT * factor * asked.operate_at, MT_PER_AT * factor * asked.release_at


def magnet_of(asked: MagnetPlan) -> AnyMagnet:
    """Of 1 T: the field is in proportion."""
    if asked.diameter_mm is not None:
        return Magnet(asked.diameter_mm, asked.length_mm, 1.0)
    assert asked.width_mm is not None
    assert asked.height_mm is not None
    return Block(asked.width_mm, asked.height_mm, asked.length_mm, 1.0)


def touching_mm(asked: MagnetPlan) -> float:
    """The distance at which the magnet would touch the glass."""
    return half_upright_mm(magnet_of(asked), Orientation(asked.orientation)) + asked.glass_diameter_mm / 2


def distance_mm(asked: MagnetPlan) -> float:
    """Of the magnet's middle to the contact's axis. Raises ReedproofError where it would be in the glass."""
    nearest_mm = touching_mm(asked)
    if asked.distance_mm is None:
        assert asked.gap_mm is not None
        return asked.gap_mm + nearest_mm
    if asked.distance_mm < nearest_mm - 1e-9:
        raise ReedproofError(
            f"--distance-mm {asked.distance_mm:g}: the contact would be inside the magnet, or its glass; "
            f"expected at least {nearest_mm:.4g}, half of the magnet and half of the glass of "
            f"{asked.glass_diameter_mm:g} mm"
        )
    return asked.distance_mm


def footprint(
    asked: MagnetPlan, level: Level, distance_mm: float, *, step_mm: float = 0.0, glass_mm: float = 0.0
) -> Footprint:
    """One pass at a distance. With ``glass_mm`` the field is averaged over that length of the contact. A
    ``step_mm`` of 0 is as fine as lengths need it."""
    magnet = magnet_of(asked)
    faintest_mt = min(each.release_mt / each.remanence_t for each in levels_of(asked))
    # As far as anything closes, and as far as the lobes beside the middle, which are 1.2 distances away.
    half_mm = max(magnet.reach_mm(faintest_mt), 2 * distance_mm) + glass_mm / 2
    travel_mm, per_tesla_mt = _per_tesla(
        magnet,
        Orientation(asked.orientation),
        distance_mm,
        asked.offset_mm,
        half_mm,
        step_mm or half_mm / STEPS,
        glass_mm,
    )
    field = level.remanence_t * per_tesla_mt
    return Footprint(travel_mm, field, closures_mm(travel_mm, field, level.operate_mt, level.release_mt))


@lru_cache(maxsize=256)
def _per_tesla(
    magnet: AnyMagnet,
    orientation: Orientation,
    distance_mm: float,
    offset_mm: float,
    half_mm: float,
    step_mm: float,
    glass_mm: float,
) -> tuple[Floats, Floats]:
    """Travel, and the field of a magnet of 1 T there."""
    travel_mm = step_mm * np.arange(np.ceil(half_mm / step_mm) + 1)
    goes_along = orientation in (Orientation.ALONG, Orientation.UPRIGHT)
    field = np.zeros(len(travel_mm))
    parts = GLASS_PARTS if glass_mm else 1
    for part_mm in (glass_mm * ((np.arange(parts) + 0.5) / parts - 0.5)).tolist():
        # A point further along the contact sees the magnet further back.
        there, aside = (travel_mm - part_mm, offset_mm) if goes_along else (travel_mm, offset_mm - part_mm)
        field += field_mt(magnet, orientation, distance_mm, there, aside) / parts
    field[abs(field) < NOISE_MT] = 0.0
    # From the other side it comes with the same field, or with the opposite one.
    sign = 1.0 if orientation in (Orientation.ACROSS, Orientation.ALONG) else -1.0
    return np.append(-travel_mm[:0:-1], travel_mm), np.append(sign * field[:0:-1], field)


def band_mm(asked: MagnetPlan, levels: Sequence[Level]) -> tuple[float, float] | None:
    """The longest stretch of distances, from and to, at which a pass is exactly one closure on every level.
    None where there is none, or none that is as long as a step of the search."""

    def is_one(at_mm: float) -> bool:
        return all(
            len(footprint(asked, level, at_mm, step_mm=at_mm / BAND_SAMPLES).closures) == 1
            for level in set(levels)
        )

    def edge(good_mm: float, bad_mm: float) -> float:
        while abs(good_mm - bad_mm) > BAND_WITHIN_MM:
            middle_mm = (good_mm + bad_mm) / 2
            good_mm, bad_mm = (middle_mm, bad_mm) if is_one(middle_mm) else (good_mm, middle_mm)
        return good_mm

    weakest_mt = max(each.operate_mt / each.remanence_t for each in levels)
    farthest_mm = magnet_of(asked).reach_mm(weakest_mt)
    at_mm = np.linspace(touching_mm(asked), max(farthest_mm, touching_mm(asked) + 1), BAND_STEPS).tolist()
    step_mm = at_mm[1] - at_mm[0]
    runs = [list(run) for good, run in itertools.groupby(at_mm, key=is_one) if good]
    longest = max(runs, key=len, default=[])
    if not longest:
        return None
    near_mm, far_mm = longest[0], longest[-1]
    if near_mm > at_mm[0]:
        near_mm = edge(near_mm, near_mm - step_mm)
    return near_mm, edge(far_mm, far_mm + step_mm)
