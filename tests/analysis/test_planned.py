"""Closures as planned and as measured."""

from __future__ import annotations

import numpy as np
import pytest

from reedproof.analysis.books import Missed, Passes
from reedproof.analysis.magnetics import Magnet, Orientation, closures_mm, field_mt
from reedproof.analysis.plan_magnet import lengths_of, plan_magnet
from reedproof.analysis.planned import AS_PLANNED, LengthMeter, PlannedLength, planned_lengths
from reedproof.layout import Sheet
from reedproof.plan_tables import MagnetPlan
from reedproof.report_words import planned_text


def passes(contact: list[int], length: list[float]) -> Passes:
    count = len(contact)
    return Passes(
        np.array(contact, np.int16), np.zeros(count, np.int16), np.arange(count, dtype=float),
        np.array(length), np.zeros(count, np.uint16), Missed.join([]),
    )  # fmt: skip


def test_geometric_means_over_portions() -> None:
    """Five lengths are too few, and unknown ones do not count."""
    meter = LengthMeter(3)
    meter.feed(passes([0, 1] * 5, [4.0, 3.0] * 5))
    meter.feed(passes([0, 1, 2] * 5, [9.0, np.nan, 5.0] * 5))
    assert meter.means() == [pytest.approx(6.0), None, None]


@pytest.mark.parametrize(
    ("planned_mm", "measured_mm", "is_as_planned", "told"),
    [
        ((10.0,), 10.0, True, "as planned"),
        ((10.0,), 7.2, True, "as planned"),
        ((10.0,), 7.1, False, "shorter than planned"),
        ((10.0,), 13.9, True, "as planned"),
        ((10.0,), 14.1, False, "longer than planned"),
        ((10.0,), None, None, "too few lengths are known"),
        ((10.0, 11.0), 10.0, None, "several closures are planned"),
        ((), None, None, "no closure is planned"),
    ],
)
def test_what_is_said(
    planned_mm: tuple[float, ...], measured_mm: float | None, is_as_planned: bool | None, told: str
) -> None:
    length = PlannedLength("mill", planned_mm, measured_mm)
    assert length.is_as_planned is is_as_planned
    assert length.sentence.startswith(told)


@pytest.mark.parametrize(
    ("measured_mm", "is_as_planned", "told"),
    [
        (9.2, True, "as planned"),
        (8.5, False, "shorter than planned"),
        (31.0, True, "as planned"),
        (34.0, False, "longer than planned"),
    ],
)
def test_what_the_plan_allows_goes_over_a_factor(measured_mm: float, is_as_planned: bool, told: str) -> None:
    """Narrow for a contact whose fields are known, wide for one in ampere turns; and a tenth beyond."""
    length = PlannedLength("mill", (11.0,), measured_mm, shortest_mm=10.0, longest_mm=30.0)
    assert length.is_as_planned is is_as_planned
    assert length.sentence.startswith(told)
    assert (length.as_dict()["shortest_mm"], length.as_dict()["longest_mm"]) == (10.0, 30.0)


@pytest.mark.parametrize("factor", [0.5, 1.0, 2.0])
def test_a_contact_that_is_as_uncertain_as_its_plan_says_is_as_planned(factor: float) -> None:
    """Ampere turns tell a field within a factor of 2 (order of magnitude only, "could vary by a factor of 2
    or more": a maker's application note, Littelfuse AN102A). The closure is worked out by itself here."""
    asked = MagnetPlan(
        diameter_mm=4.0, length_mm=10.0, remanence_t=1.2, orientation="across", distance_mm=8.0,
        operate_at=14.0, release_at=9.0,
    )  # fmt: skip
    told = lengths_of(plan_magnet(asked, ()))
    travel = np.arange(-100, 100, 0.05)
    field = field_mt(Magnet(4.0, 10.0, 1.2), Orientation.ACROSS, 8.0, travel)
    ((start, end),) = closures_mm(travel, field, 0.11 * factor * 14.0, 0.11 * factor * 9.0)
    length = PlannedLength(
        "mill", tuple(told["closures_mm"]), end - start, told["shortest_mm"], told["longest_mm"]
    )  # fmt: skip
    assert told["shortest_mm"] <= end - start <= told["longest_mm"]
    assert length.is_as_planned is True


def test_a_contact_whose_field_is_known_has_a_narrow_plan() -> None:
    """Half of the field is not as planned, which a factor of 1.4 in length did not see."""
    asked = MagnetPlan(
        diameter_mm=4.0, length_mm=10.0, remanence_t=1.2, orientation="across", distance_mm=8.0,
        operate_mt=1.5, release_mt=1.0,
    )  # fmt: skip
    told = lengths_of(plan_magnet(asked, ()))
    travel = np.arange(-100, 100, 0.05)
    field = field_mt(Magnet(4.0, 10.0, 1.2), Orientation.ACROSS, 8.0, travel)
    ((start, end),) = closures_mm(travel, field, 3.0, 2.0)
    planned_mm = tuple(told["closures_mm"])
    length = PlannedLength("mill", planned_mm, end - start, told["shortest_mm"], told["longest_mm"])
    assert length.is_as_planned is False
    assert PlannedLength("mill", planned_mm, end - start).is_as_planned is True
    assert (end - start) / planned_mm[0] > 1 / AS_PLANNED


def test_a_contact_that_no_magnet_closes_is_planned_too() -> None:
    magnet = {
        "diameter_mm": 4.0, "length_mm": 10.0, "remanence_t": 1.2, "orientation": "crosswise",
        "distance_mm": 8.0, "operate_mt": 1.5, "release_mt": 1.0, "closures_mm": [], "shortest_mm": 0.0,
        "longest_mm": 4.0,
    }  # fmt: skip
    sheet = Sheet.model_validate({
        "layout": {"name": "Millbrook"}, "boards": {"one": {"kind": "virtual"}},
        "contacts": [{"name": "mill", "board": "one", "input": 1}], "plan": {"magnet": magnet},
    })  # fmt: skip
    (length,) = planned_lengths(sheet, LengthMeter(1), in_mm=True)
    assert (length.planned_mm, length.sentence, planned_text(length)) == ((), "no closure is planned", "-")
    assert (length.shortest_mm, length.longest_mm) == (0.0, 4.0)
