"""Closures as planned and as measured."""

from __future__ import annotations

import numpy as np
import pytest

from reedproof.analysis.books import Missed, Passes
from reedproof.analysis.magnetics import Magnet, Orientation, closures_mm, field_mt
from reedproof.analysis.planned import AS_PLANNED, LengthMeter, PlannedLength


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
    ],
)
def test_what_is_said(
    planned_mm: tuple[float, ...], measured_mm: float | None, is_as_planned: bool | None, told: str
) -> None:
    length = PlannedLength("mill", planned_mm, measured_mm)
    assert length.is_as_planned is is_as_planned
    assert length.sentence.startswith(told)


@pytest.mark.parametrize("magnet", [Magnet(4.9, 10, 1.3), Magnet(4, 10, 1.2), Magnet(8, 15, 1.3)])
@pytest.mark.parametrize("distance_mm", [7.0, 8.0, 9.0])
def test_a_factor_of_two_in_field_passes_as_planned(magnet: Magnet, distance_mm: float) -> None:
    """What is not known of a contact given in ampere-turns (order of magnitude only, "could vary by a factor
    of 2 or more": a maker's application note, Littelfuse AN102A)."""
    travel = np.arange(-100, 100, 0.05)
    field = field_mt(magnet, Orientation.ACROSS, distance_mm, travel)
    (usual,), (half,) = (closures_mm(travel, field, 1.5 * times, 1.0 * times) for times in (1, 2))
    share = (half[1] - half[0]) / (usual[1] - usual[0])
    assert 1 / AS_PLANNED < share < 1 / 1.2
