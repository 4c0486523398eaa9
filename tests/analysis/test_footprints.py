"""What a contact has of a pass, at any distance: against published figures, textbook formulas, and what
follows from a field found another way."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from reedproof.analysis.footprints import (
    BAND_STEPS,
    Footprint,
    band_mm,
    distance_mm,
    footprint,
    levels_of,
    magnet_of,
    touching_mm,
)
from reedproof.analysis.magnetics import Block, Magnet, Orientation, dipole_mt, field_mt
from reedproof.errors import ReedproofError
from reedproof.plan_tables import MagnetPlan

USUAL: dict[str, Any] = {
    "diameter_mm": 4.9, "length_mm": 10.0, "remanence_t": 1.30, "orientation": "across",
    "distance_mm": 10.0, "operate_mt": 2.0, "release_mt": 1.0,
}  # fmt: skip


def plan(**other: Any) -> MagnetPlan:
    """The usual one with something else; None takes a key away."""
    return MagnetPlan(**{key: value for key, value in {**USUAL, **other}.items() if value is not None})


def seen(**other: Any) -> Footprint:
    asked = plan(**other)
    return footprint(asked, levels_of(asked)[1], distance_mm(asked))


# ---- levels ----


def test_a_remanence_that_is_known_and_fields_that_are_known_make_three_like_levels() -> None:
    assert [level[1:] for level in levels_of(plan())] == [(1.30, 2.0, 1.0)] * 3


def test_a_grade_is_a_range_and_falls_by_its_published_share_per_kelvin() -> None:
    """N42 1.28 to 1.32 T, -0.12 % per kelvin (Shanghai Magnet, table of grades): -4.8 % for 40 K.
    The strongest is the one that is not warm yet."""
    at_20 = levels_of(plan(remanence_t=None, grade="N42"))
    assert [level.remanence_t for level in at_20] == pytest.approx([1.28, 1.30, 1.32])
    at_60 = levels_of(plan(remanence_t=None, grade="N42", temperature_c=60.0))
    assert [
        hot.remanence_t / cool.remanence_t for hot, cool in zip(at_60, at_20, strict=True)
    ] == pytest.approx([1 - 0.048, 1 - 0.048, 1.0])
    cold = levels_of(plan(temperature_c=-5.0))
    assert cold[1].remanence_t == pytest.approx(1.30 * 1.03)


#: Actuation table of a maker (RRE, parts MS-225 and MS-214; its text was read) for a magnet of 4 x 10 mm, tip
#: to tip: ampere turns at which a contact operates at a distance, in mm.
OPERATES = [(10, 11.5), (15, 8.0), (20, 6.5)]


@pytest.mark.parametrize(("turns", "tip_mm"), OPERATES)
def test_published_distances_lie_within_the_levels_of_their_ampere_turns(turns: int, tip_mm: float) -> None:
    """Within the factor of two, and within 25 % of the nominal field. The remanence (1.25 T) and the depth at
    which the field counts (10.7 mm) are not in the table: assumed and fitted, see `test_magnetics.py`. Their
    ranges, 1.2 to 1.3 T and 9.8 to 11.7 mm, alone make 0.10 to 0.16 mT/AT of it."""
    asked = plan(operate_mt=None, release_mt=None, operate_at=float(turns), release_at=turns / 2)
    weakest, nominal, strongest = levels_of(asked)
    magnet = Magnet(4.0, 10.0, 1.25)
    (field,) = field_mt(magnet, Orientation.ALONG, 0.0, [tip_mm + 10.7 + magnet.length_mm / 2])
    assert strongest.operate_mt < field < weakest.operate_mt
    assert field == pytest.approx(nominal.operate_mt, rel=0.25)
    assert nominal.release_mt == pytest.approx(nominal.operate_mt / 2)


def test_ampere_turns_are_a_factor_of_two_rough() -> None:
    """Littelfuse, AN102A: "could vary by a factor of 2 or more" (its text was read)."""
    levels = levels_of(plan(operate_mt=None, release_mt=None, operate_at=18.0, release_at=9.0))
    assert [level.operate_mt for level in levels] == pytest.approx([3.96, 1.98, 0.99])
    assert [level.release_mt for level in levels] == pytest.approx([1.98, 0.99, 0.495])


# ---- distances ----


@pytest.mark.parametrize(
    ("shape", "orientation", "half_mm"),
    [
        ({}, "across", 2.45),
        ({}, "upright", 5.0),
        ({"diameter_mm": None, "width_mm": 6.0, "height_mm": 3.0}, "along", 1.5),
        ({"diameter_mm": None, "width_mm": 6.0, "height_mm": 3.0}, "upright", 5.0),
    ],
)
def test_a_gap_is_from_the_magnets_underside_to_the_glass(
    shape: dict[str, Any], orientation: str, half_mm: float
) -> None:
    asked = plan(**shape, orientation=orientation, distance_mm=None, gap_mm=4.0, glass_diameter_mm=2.5)
    assert touching_mm(asked) == pytest.approx(half_mm + 1.25)
    assert distance_mm(asked) == pytest.approx(4.0 + half_mm + 1.25)


def test_the_contact_is_not_inside_the_magnet_and_its_glass_neither() -> None:
    assert distance_mm(plan(distance_mm=3.45)) == 3.45
    with pytest.raises(ReedproofError, match=r"--distance-mm 3\.4: .* expected at least 3\.45"):
        distance_mm(plan(distance_mm=3.4))
    assert distance_mm(plan(distance_mm=None, gap_mm=0.0)) == pytest.approx(3.45)


def test_the_magnet_is_round_or_a_block() -> None:
    assert magnet_of(plan()) == Magnet(4.9, 10.0, 1.0)
    assert magnet_of(plan(diameter_mm=None, width_mm=5.0, height_mm=3.0)) == Block(5.0, 3.0, 10.0, 1.0)


# ---- one pass ----

#: By orientation and distance: peak in mT, lengths of closures and openings in mm, of a magnet of 4.9 x 10 mm
#: and 1.30 T at 2 and 1 mT. Recomputed with magpylib 6.3.0.
PASSES = {
    ("across", 6): (42.278, [45.8], []),
    ("across", 10): (14.470, [42.9], []),
    ("across", 20): (2.259, [23.4], []),
    ("along", 10): (14.470, [13.8, 14.7, 21.2], [1.75, 2.1]),
    ("along", 15): (5.048, [16.3], []),
    ("upright", 6): (215.9, [18.8, 22.9], [0.03]),
    ("upright", 10): (24.44, [19.8, 24.7], [0.28]),
    ("upright", 15): (5.845, [18.3, 23.8], [1.97]),
    ("crosswise", 10): (0.0, [], []),
}


@pytest.mark.parametrize("case", PASSES)
def test_a_pass(case: tuple[str, float]) -> None:
    orientation, at_mm = case
    peak_mt, lengths_mm, notches_mm = PASSES[case]
    found = seen(orientation=orientation, distance_mm=float(at_mm))
    assert found.peak_mt == pytest.approx(peak_mt, rel=1e-3)
    assert found.lengths_mm == pytest.approx(lengths_mm, abs=0.06)
    assert found.notches_mm == pytest.approx(notches_mm, abs=0.04)
    assert len(found.notches) == max(0, len(found.closures) - 1)


def test_lobes_are_those_of_a_dipole_from_far() -> None:
    """From the derivative of a dipole's field: along, side lobes of 0.2024 of the middle; upright, two lobes
    of 0.8587 K / z^3; across, one."""
    far: dict[str, Any] = {"distance_mm": 100.0, "operate_mt": 0.2, "release_mt": 0.1}
    middle, *sides = seen(orientation="along", **far).lobes_mt
    assert sides == pytest.approx([0.2024 * middle] * 2, rel=0.02)
    per_cube = Magnet(4.9, 10.0, 1.30).strength_mt_mm3 / 100**3
    assert seen(orientation="upright", **far).lobes_mt == pytest.approx([0.8587 * per_cube] * 2, rel=0.02)
    assert seen(orientation="across", **far).lobes_mt == pytest.approx([per_cube], rel=0.02)


def test_a_crosswise_magnet_closes_nothing_but_aside_it_does() -> None:
    assert seen(orientation="crosswise", distance_mm=5.0).lobes_mt == []
    aside = seen(orientation="crosswise", distance_mm=5.0, offset_mm=4.0)
    assert len(aside.closures) == 2


def test_travel_goes_on_until_the_field_is_too_faint_for_every_level() -> None:
    asked = plan(operate_mt=None, release_mt=None, operate_at=18.0, release_at=9.0)
    for level in levels_of(asked):
        found = footprint(asked, level, 10.0)
        assert abs(found.field_mt[[0, -1]]).max() < levels_of(asked)[2].release_mt
        assert found.travel_mm[0] < found.closures[0][0] < found.closures[-1][1] < found.travel_mm[-1]


def test_what_an_average_over_the_glass_makes_of_it() -> None:
    """Over 14 mm, recomputed with magpylib: across at 10 mm 9.7 instead of 14.5 mT, along at 12 mm one
    closure instead of three, upright at 10 mm a notch of 1.2 mm."""

    def averaged(orientation: str, at_mm: float) -> Footprint:
        asked = plan(orientation=orientation, distance_mm=at_mm)
        return footprint(asked, levels_of(asked)[1], at_mm, glass_mm=14.0)

    assert averaged("across", 10.0).peak_mt == pytest.approx(9.7, abs=0.05)
    assert len(averaged("along", 12.0).closures) == 1
    assert len(seen(orientation="along", distance_mm=12.0).closures) == 3
    assert averaged("upright", 10.0).notches_mm == pytest.approx([1.2], abs=0.05)


# ---- bands ----


def test_across_the_band_reaches_from_the_glass_to_where_the_peak_just_operates() -> None:
    """That distance from the field of two poles, K / (z^2 + h^2 / 4)^1.5, which is within 2 % there: 0.7 % in
    distance, and 0.3 mm are given."""
    asked = plan()
    band = band_mm(asked, levels_of(asked))
    assert band is not None
    two_poles_mm = math.sqrt(math.cbrt(Magnet(4.9, 10.0, 1.30).strength_mt_mm3 / 2.0) ** 2 - 25)
    assert band == pytest.approx((3.45, two_poles_mm), abs=0.3)
    assert band[0] == pytest.approx(3.45)


def test_along_it_begins_where_the_side_lobes_no_longer_operate() -> None:
    asked = plan(orientation="along")
    band = band_mm(asked, levels_of(asked))
    assert band is not None
    _, side_mt, _ = seen(orientation="along", distance_mm=band[0]).lobes_mt
    assert side_mt == pytest.approx(2.0, rel=0.01)
    assert seen(orientation="along", distance_mm=band[1]).peak_mt == pytest.approx(2.0, rel=0.01)


@pytest.mark.parametrize("orientation", ["upright", "crosswise"])
def test_there_is_none_where_no_distance_gives_one_closure(orientation: str) -> None:
    asked = plan(orientation=orientation)
    assert band_mm(asked, levels_of(asked)) is None


@settings(max_examples=15)
@given(
    st.sampled_from(["across", "along"]),
    st.floats(2, 8), st.floats(3, 15), st.floats(0.5, 4), st.floats(0.4, 0.9), st.floats(0.02, 0.98),
)  # fmt: skip
def test_within_a_band_a_pass_is_one_closure_and_just_outside_it_is_not(
    orientation: str, diameter_mm: float, length_mm: float, operate_mt: float, share: float, part: float
) -> None:
    asked = plan(
        orientation=orientation, diameter_mm=diameter_mm, length_mm=length_mm, operate_mt=operate_mt,
        release_mt=share * operate_mt,
    )  # fmt: skip
    levels = levels_of(asked)
    band = band_mm(asked, levels)
    reach_mm = magnet_of(asked).reach_mm(operate_mt / 1.30)
    if band is None:
        step_mm = (reach_mm - touching_mm(asked)) / BAND_STEPS
        ends = np.arange(touching_mm(asked), reach_mm, step_mm / 3)
        single = [len(footprint(asked, levels[1], each).closures) == 1 for each in ends.tolist()]
        assert sum(single) < 9
        return
    near, far = band
    inside = footprint(asked, levels[1], near + part * (far - near))
    assert len(inside.closures) == 1
    assert len(footprint(asked, levels[1], far + 0.05).closures) != 1
    if near > touching_mm(asked) + 0.05:
        assert len(footprint(asked, levels[1], near - 0.05).closures) != 1


def test_a_band_holds_on_every_level() -> None:
    """From where the strongest has no side lobe any more to where the weakest still operates."""
    asked = plan(orientation="along", operate_mt=None, release_mt=None, operate_at=18.0, release_at=9.0)
    levels = levels_of(asked)
    weakest, nominal, strongest = (band_mm(asked, [level]) for level in levels)
    assert weakest is not None
    assert nominal is not None
    assert strongest is not None
    assert weakest[0] < nominal[0] < strongest[0] < weakest[1] < nominal[1] < strongest[1]
    assert band_mm(asked, levels) == pytest.approx((strongest[0], weakest[1]), abs=0.05)
    rough = plan(orientation="along", operate_mt=None, release_mt=None, operate_at=18.0, release_at=2.0)
    assert band_mm(rough, levels_of(rough)) == pytest.approx((strongest[0], weakest[1]), abs=0.05)


def test_the_dipole_would_have_told_a_distance_too_far() -> None:
    """Why the planner uses the exact field: even at the band's end a dipole is 7 % too strong."""
    asked = plan()
    band = band_mm(asked, levels_of(asked))
    assert band is not None
    (dipole,) = abs(dipole_mt(Magnet(4.9, 10.0, 1.30), Orientation.ACROSS, band[1], [0.0]))
    assert dipole / 2.0 == pytest.approx(1.07, abs=0.01)
