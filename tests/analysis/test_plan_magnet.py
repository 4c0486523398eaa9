"""What the planner says of a magnet: results, the tables, the margins and the advice. The field and the
closures themselves are examined in `test_magnetics.py` and `test_footprints.py`."""

from __future__ import annotations

import re
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from reedproof.analysis import plan_magnet as planner
from reedproof.analysis.answer import Answer, Check
from reedproof.analysis.magnetics import Block, Magnet, Orientation, closures_mm, field_mt
from reedproof.analysis.plan_magnet import headline, plan_magnet
from reedproof.analysis.plan_timing import plan_timing
from reedproof.errors import ReedproofError
from reedproof.plan_tables import MagnetPlan, TimingPlan

ROOT = Path(__file__).parents[2]
USUAL: dict[str, Any] = {
    "diameter_mm": 4.9, "length_mm": 10.0, "remanence_t": 1.30, "orientation": "across",
    "distance_mm": 10.0, "operate_mt": 2.0, "release_mt": 1.0,
}  # fmt: skip


@cache
def answer(others: tuple[Magnet | Block, ...] = (), **other: Any) -> Answer:
    """Of the usual plan with something else; None takes a key away."""
    values = {key: value for key, value in {**USUAL, **other}.items() if value is not None}
    return plan_magnet(MagnetPlan(**values), others)


def checks(told: Answer) -> dict[str, Check]:
    return {check.key: check for check in told.checks}


def kept(told: Answer) -> dict[str, bool]:
    return {key: check.is_kept for key, check in checks(told).items()}


# ---- results ----


def test_the_usual_magnet_across() -> None:
    """14.47 mT and 42.9 mm, recomputed with magpylib 6.3.0."""
    told = answer().as_dict()
    assert told["peak_mt"] == pytest.approx(14.470, abs=1e-3)
    (closure,) = told["closures"]
    assert closure["end_mm"] - closure["start_mm"] == pytest.approx(42.9, abs=0.06)
    assert told["closures_mm"] == pytest.approx([42.9], abs=0.06)
    assert told["notches_mm"] == []
    assert told["gap_mm"] == pytest.approx(10 - 4.9 / 2 - 2 / 2)
    assert told["is_good"] is True
    assert told["best_orientation"] == "across"
    assert "one_above_mm_s" not in told
    assert told["notch_mm"] == 0


def test_it_opens_further_away_than_it_closes() -> None:
    (closure,) = answer().as_dict()["closures"]
    assert -closure["start_mm"] < closure["end_mm"]


def test_the_band_is_told_as_distances_and_as_gaps() -> None:
    told = answer().as_dict()
    near, far = told["one_closure_distance_mm"]
    assert near == pytest.approx(3.45)
    assert told["one_closure_gap_mm"] == pytest.approx([near - 3.45, far - 3.45])
    none = answer(orientation="upright").as_dict()
    assert (none["one_closure_distance_mm"], none["one_closure_gap_mm"]) == (None, None)


def test_what_is_averaged_over_the_glass_is_told_beside_it() -> None:
    """9.7 mT at 10 mm, recomputed with magpylib: a third less, by averaging over 14 mm."""
    told = answer().as_dict()
    assert told["peak_over_glass_mt"] == pytest.approx(9.7, abs=0.05)
    assert told["closures_over_glass"] == 1


def test_every_result_that_is_computed_has_a_formula_and_a_source() -> None:
    told = answer(
        remanence_t=None, grade="N42", operate_mt=None, release_mt=None, operate_at=18.0, release_at=9.0
    )
    how = told.as_dict()["how"]
    for key in (
        "closures",
        "shortest_mm",
        "longest_mm",
        "notch_mm",
        "peak_mt",
        "peak_over_glass_mt",
        "one_closure_distance_mm",
        "remanence_t",
        "operate_mt",
    ):
        assert how[key]["formula"], key
        assert how[key]["source"], key


def test_a_warm_magnet_is_weaker() -> None:
    """-0.12 % per kelvin (Shanghai Magnet, table of grades)."""
    cool, warm = answer().as_dict(), answer(temperature_c=60.0).as_dict()
    assert warm["peak_mt"] / cool["peak_mt"] == pytest.approx(1 - 0.048)
    assert "remanence_t" not in cool


def test_a_magnet_that_becomes_warm_is_also_cold() -> None:
    """The weakest field is that of the warm magnet, the strongest one that of 20 °C; a frosty one is stronger
    by the same share per kelvin."""
    assert answer(temperature_c=60.0).as_dict()["remanence_t"] == pytest.approx([1.30 * 0.952, 1.30])
    assert answer(temperature_c=-20.0).as_dict()["remanence_t"] == pytest.approx([1.30, 1.30 * 1.048])
    cool, warm = (
        checks(answer(orientation="along", distance_mm=12.5, temperature_c=each)) for each in (20.0, 60.0)
    )
    assert warm["second_lobe_mt"].value == cool["second_lobe_mt"].value
    assert warm["weakest_peak_mt"].value == pytest.approx(0.952 * cool["weakest_peak_mt"].value)


@pytest.mark.parametrize(
    ("other", "line"),
    [
        ({}, "One closure of 42.9 mm in a pass; every margin is kept"),
        ({"orientation": "upright"}, "2 closures of 19.8, 24.7 mm in a pass; NOT every margin is kept"),
        ({"orientation": "crosswise"}, "No closure in a pass; NOT every margin is kept"),
        ({"steel_rail": True}, "One closure of 42.9 mm in a pass; every margin is kept, WITHOUT the steel"),
    ],
)
def test_the_headline_leads_with_the_answer(other: dict[str, Any], line: str) -> None:
    told = answer(**other)
    assert headline(MagnetPlan(**{**USUAL, **other}), told) == line
    assert ("no steel is near" in " ".join(told.assumptions)) is ("steel_rail" not in other)


# ---- tables ----


def test_orientations_stand_side_by_side() -> None:
    rows = {row["orientation"]: row for row in answer().as_dict()["orientations"]}
    assert list(rows) == ["across", "along", "upright", "crosswise"]
    assert [len(row["closures_mm"]) for row in rows.values()] == [1, 3, 2, 0]
    assert rows["along"]["closures_mm"] == pytest.approx([13.8, 14.7, 21.2], abs=0.06)
    assert rows["upright"]["notches_mm"] == pytest.approx([0.28], abs=0.01)
    assert rows["crosswise"]["peak_mt"] == 0
    assert rows["along"]["one_closure_distance_mm"] == pytest.approx([12.2, 20.9], abs=0.1)


def test_a_magnet_turned_where_it_has_no_room_is_a_row_without_values() -> None:
    """Upright the magnet reaches 5 mm down: at 5.9 mm it would be in the glass of 2 mm."""
    rows = {row["orientation"]: row for row in answer(distance_mm=5.9).as_dict()["orientations"]}
    assert (rows["upright"]["peak_mt"], rows["upright"]["closures_mm"]) == (None, None)
    assert rows["along"]["peak_mt"] is not None
    by_gap = answer(distance_mm=None, gap_mm=2.45).as_dict()["orientations"]
    assert None not in [row["peak_mt"] for row in by_gap]


def test_the_best_orientation_has_one_closure_in_the_widest_band() -> None:
    assert answer(orientation="along", distance_mm=15.0).as_dict()["best_orientation"] == "across"
    # Aside along the contact by a whole distance, across has hardly a field left.
    aside = answer(offset_mm=10.0).as_dict()
    bands = {row["orientation"]: row["one_closure_distance_mm"] for row in aside["orientations"]}
    assert bands["along"][1] - bands["along"][0] > bands["across"][1] - bands["across"][0]
    assert aside["best_orientation"] == "along"
    weak = answer(remanence_t=0.05)
    assert weak.as_dict()["best_orientation"] is None
    assert not weak.advice


def test_a_vehicle_that_rides_higher_or_lower() -> None:
    rows = answer(spread_mm=2.0).as_dict()["rides"]
    assert [row["higher_mm"] for row in rows] == [-2, -1, 0, 1, 2]
    assert [row["gap_mm"] for row in rows] == pytest.approx([4.55, 5.55, 6.55, 7.55, 8.55])
    by_height = {row["higher_mm"]: row for row in rows}
    assert by_height[-2]["peak_mt"] == pytest.approx(24.172, abs=1e-3)  # at 8 and 12 mm: as in test_magnetics
    assert by_height[2]["peak_mt"] == pytest.approx(9.152, abs=1e-3)
    assert by_height[2]["closures_mm"] == pytest.approx([40.7], abs=0.06)


def test_a_vehicle_cannot_ride_below_the_glass() -> None:
    rows = answer(distance_mm=4.0).as_dict()["rides"]
    assert [row["higher_mm"] for row in rows] == [0, 1]


def test_a_spread_of_nothing_is_no_minus_0() -> None:
    rows = answer(spread_mm=0.0).as_dict()["rides"]
    assert [str(row["higher_mm"]) for row in rows] == ["-1.0", "0.0", "1.0"]


def test_other_magnets() -> None:
    told = answer(
        (Magnet(4.9, 10.0, 1.0), Magnet(2.0, 5.0, 1.0), Block(5.0, 3.0, 10.0, 1.0), Magnet(20.0, 5.0, 1.0))
    )
    same, small, block, large = told.as_dict()["magnets"]
    assert [each["magnet_mm"] for each in (same, small, block)] == ["4.9 x 10", "2 x 5", "5 x 3 x 10"]
    assert same["peak_mt"] == pytest.approx(14.470, abs=1e-3)
    assert same["one_closure_gap_mm"] == told.as_dict()["one_closure_gap_mm"]
    assert small["closures_mm"] == []
    (field,) = field_mt(Block(5.0, 3.0, 10.0, 1.30), Orientation.ACROSS, 10.0, [0.0])
    assert block["peak_mt"] == pytest.approx(abs(field))
    assert large["peak_mt"] is None  # its radius is 10 mm
    # Across there is one closure from the glass on, whatever the magnet.
    assert [each["one_closure_gap_mm"][0] for each in (same, small, block, large)] == [0.0] * 4


def test_the_usual_magnets_are_those_that_fit_a_brick_of_the_hobby() -> None:
    """Round, up to 5 mm in diameter: common practice, no source."""
    rows = plan_magnet(MagnetPlan(**USUAL)).as_dict()["magnets"]
    assert max(float(row["magnet_mm"].split(" x ")[0]) for row in rows) == 5
    peaks = [row["peak_mt"] for row in rows]
    assert peaks == sorted(peaks)


# ---- margins, of the worst ----


def test_across_keeps_all() -> None:
    told = checks(answer())
    assert all(check.is_kept for check in told.values())
    assert (told["weakest_peak_mt"].limit, told["far_peak_mt"].limit) == (3.0, 2.0)
    assert told["weakest_peak_mt"].margin == pytest.approx(14.470 / 3, rel=1e-3)
    assert told["least_gap_mm"].value == pytest.approx(5.55)


def test_a_second_lobe_is_a_margin_of_its_own() -> None:
    """Along: of a dipole it is a fifth of the peak, near the magnet more."""
    near, far = checks(answer(orientation="along")), checks(answer(orientation="along", distance_mm=15.0))
    assert not near["second_lobe_mt"].is_kept
    assert not near["most_closures"].is_kept
    assert near["most_closures"].value == 3
    assert far["second_lobe_mt"].is_kept
    assert (
        0.2024
        < far["second_lobe_mt"].value / checks(answer(distance_mm=14.0))["weakest_peak_mt"].value
        < 0.25
    )
    assert "second_lobe_mt" not in checks(answer())


def test_no_key_of_a_check_is_that_of_a_result_of_another_level() -> None:
    told = answer(remanence_t=None, grade="N42").as_dict()
    for check in told["checks"]:
        assert check["of"] not in told or told[check["of"]] == check["value"], check["of"]


def test_what_is_advised_against_a_second_lobe_takes_it_away() -> None:
    """Across there is none over the contact's middle; aside there are, and it lies across already."""
    aside = checks(answer(distance_mm=6.0, offset_mm=8.0, operate_mt=1.0, release_mt=0.5))["second_lobe_mt"]
    assert not aside.is_kept
    assert aside.otherwise == "raise the magnet, or pass it nearer to the contact's middle"
    assert "second_lobe_mt" not in checks(answer(distance_mm=6.0, operate_mt=1.0, release_mt=0.5))
    along = checks(answer(orientation="along", distance_mm=6.0))["second_lobe_mt"]
    assert along.otherwise == "raise the magnet, or turn it across"
    both = checks(answer(orientation="along", distance_mm=6.0, offset_mm=3.0))["second_lobe_mt"]
    assert both.otherwise.endswith("nearer to the contact's middle and turn it across")


def test_the_worst_closures_are_those_of_every_level_over_the_spread() -> None:
    """Worked out here at the ends: a field of 1.5 mT is needed, or twice or half of it; 9 to 11 mm away."""
    told = answer(
        remanence_t=None, grade="N42", operate_mt=None, release_mt=None, operate_at=18.0, release_at=9.0,
    ).as_dict()  # fmt: skip
    travel = np.arange(-150, 150, 0.05)
    lengths = [
        end - start
        for remanence_t, factor in ((1.28, 2.0), (1.30, 1.0), (1.32, 0.5))
        for distance_mm in (9.0, 9.5, 10.0, 10.5, 11.0)
        for start, end in closures_mm(
            travel,
            field_mt(Magnet(4.9, 10.0, remanence_t), Orientation.ACROSS, distance_mm, travel),
            0.11 * factor * 18.0,
            0.11 * factor * 9.0,
        )
    ]
    assert told["shortest_mm"] == pytest.approx(min(lengths), abs=0.05)
    assert told["longest_mm"] == pytest.approx(max(lengths), abs=0.05)
    assert told["notch_mm"] == 0
    assert answer(orientation="crosswise").as_dict()["shortest_mm"] == 0
    upright = answer(orientation="upright", spread_mm=0.0).as_dict()
    assert upright["notch_mm"] > max(upright["notches_mm"]), "averaged over the glass"
    assert upright["shortest_mm"] == min(upright["closures_mm"])
    along = answer(orientation="along", spread_mm=0.0).as_dict()
    assert along["shortest_mm"] == min(along["closures_mm"])
    assert along["longest_mm"] == pytest.approx(sum(along["closures_mm"]) + sum(along["notches_mm"]))


def test_a_magnet_that_is_good_where_it_is_and_not_over_its_spread() -> None:
    """Along, three closures below 12.2 mm; across, none above 20.9 mm."""
    assert kept(answer(orientation="along", distance_mm=13.5))["most_closures"]
    assert not kept(answer(orientation="along", distance_mm=13.5, spread_mm=2.0))["most_closures"]
    assert kept(answer(distance_mm=19.5))["far_peak_mt"]
    far = answer(distance_mm=19.5, spread_mm=2.0)
    assert not kept(far)["far_peak_mt"]
    assert not far.is_good


def test_a_peak_that_just_closes_the_contact_is_too_weak() -> None:
    told = answer(distance_mm=20.0, spread_mm=0.0)
    assert told.as_dict()["closures_mm"]
    assert kept(told) == {
        "weakest_peak_mt": False, "far_peak_mt": True, "most_closures": True, "least_gap_mm": True,
    }  # fmt: skip
    assert "between 3.45 and 20.9 mm" in checks(told)["weakest_peak_mt"].otherwise


def test_the_lowest_vehicle_has_to_clear_the_glass() -> None:
    assert kept(answer(distance_mm=4.45))["least_gap_mm"]
    assert not kept(answer(distance_mm=4.4))["least_gap_mm"]


def test_margins_are_those_of_the_weakest_and_the_strongest() -> None:
    """18 AT are 0.99 to 3.96 mT, a factor of two about 1.98 (Littelfuse, AN102A)."""
    told = answer(
        orientation="along", distance_mm=14.0, remanence_t=None, grade="N42", operate_mt=None,
        release_mt=None, operate_at=18.0, release_at=9.0,
    )  # fmt: skip
    found = told.as_dict()
    assert found["operate_mt"] == pytest.approx([0.99, 1.98, 3.96])
    assert found["release_mt"] == pytest.approx([0.495, 0.99, 1.98])
    assert [row["level"] for row in found["levels"]] == ["weakest", "nominal", "strongest"]
    assert [len(row["closures_mm"]) for row in found["levels"]] == [1, 1, 3]
    assert [row["peak_mt"] for row in found["levels"]] == pytest.approx(
        [found["peak_mt"] * share for share in (1.28 / 1.30, 1, 1.32 / 1.30)]
    )
    assert checks(told)["weakest_peak_mt"].limit == pytest.approx(1.5 * 3.96)
    assert checks(told)["weakest_peak_mt"].value == pytest.approx(found["peak_mt"] * 1.28 / 1.30)
    assert checks(told)["second_lobe_mt"].limit == pytest.approx(0.99)
    assert not kept(told)["most_closures"]
    assert len(found["closures_mm"]) == 1
    assert "levels" not in answer().as_dict()


# ---- advice and cautions ----


def advice(**other: Any) -> str:
    return "\n".join(answer(**other).advice)


def test_the_best_orientation_comes_first_with_its_reason() -> None:
    (first, *_) = answer(orientation="upright").advice
    assert first.startswith("across is best here: one closure of 42.9 mm")
    assert "along 3, upright 2, crosswise none" in first


def test_an_upright_magnet_counts_once_fast_and_twice_slow() -> None:
    """The notch is 0.28 mm, and wider a millimetre higher or averaged over the glass; a board counts two if
    it sees it for longer than break_us."""
    told = answer(orientation="upright")
    notch_mm = told.as_dict()["notch_mm"]
    assert notch_mm > told.as_dict()["notches_mm"][0] == pytest.approx(0.28, abs=0.01)
    assert f"open for {notch_mm / 0.05:.2g} ms at 50 mm/s and for {notch_mm / 0.5:.2g} ms" in advice(
        orientation="upright"
    )
    assert "upright magnet" not in advice()


def test_above_the_speed_that_is_told_the_planner_of_timing_has_a_pass_as_one() -> None:
    told = answer(orientation="upright").as_dict()
    lengths = {"closure_mm": told["shortest_mm"], "notch_mm": told["notch_mm"]}
    for share, how in ((1.01, "once"), (0.99, "perhaps twice")):
        speed_mm_s = share * told["one_above_mm_s"]
        asked = TimingPlan(slowest_mm_s=speed_mm_s, fastest_mm_s=speed_mm_s, **lengths)
        assert plan_timing(asked).as_dict()["counted"]["slowest"] == how


def test_the_boards_break_us_is_that_of_the_firmware() -> None:
    text = (ROOT / "firmware" / "core" / "settings.h").read_text()
    found = re.search(r"#define BREAK_US_DEFAULT (\d+)", text)
    assert found is not None
    assert int(found[1]) == 1000 * planner.BREAK_MS


def test_what_is_wrong_with_an_orientation_is_told() -> None:
    assert "side lobes of a magnet along the contact reach 3.56 mT" in advice(orientation="along")
    assert "side lobes" not in advice(orientation="along", distance_mm=16.0)
    assert "never closes" in advice(orientation="crosswise")
    edge = advice(orientation="along", distance_mm=12.0)
    assert "the field at the contact's middle gives 3, its average over the glass 1" in edge
    assert "do not rely" not in advice()


def test_steel_is_said_and_not_accounted_for() -> None:
    with_steel = answer(steel_rail=True)
    assert "steel bends the field" in with_steel.advice[-1]
    assert with_steel.as_dict()["peak_mt"] == answer().as_dict()["peak_mt"]
    assert "steel" not in advice()


def test_magnets_come_with_cautions() -> None:
    """16 CFR 1262.3 and Pediatrics 149(3) 2022, e2021054543: 596 children, 46.3 % endoscopy or surgery; FDA,
    May 2021: 6 inches. Their texts were read."""
    text = " ".join(answer().cautions)
    for part in ("16 CFR 1262", "596", "46 %", "Pediatrics 149(3) 2022", "15 cm", "FDA, May 2021", "pinch"):
        assert part in text


def test_assumptions_are_told() -> None:
    text = " ".join(answer(spread_mm=0.5).assumptions)
    for part in ("glass is 2 mm thick", "0.5 mm higher and lower", "polarity", "average over the glass"):
        assert part in text
    assert "ampere turns" not in text
    assert "ampere turns" in " ".join(
        answer(operate_mt=None, release_mt=None, operate_at=18.0, release_at=9.0).assumptions
    )


# ---- impossible ----


def test_the_contact_is_never_inside_the_magnet() -> None:
    with pytest.raises(ReedproofError, match=r"--distance-mm 2: .*at least 3\.45"):
        answer(distance_mm=2.0)
