"""Units: those of names, those that are shown and those that are typed."""

from __future__ import annotations

from collections.abc import Callable

import pytest
import typer

from reedproof import units
from reedproof.cli.plan_inputs import of_unit, quantity, span_of
from reedproof.errors import ReedproofError


@pytest.mark.parametrize(
    ("key", "unit"),
    [
        ("gap_mm", "mm"),
        ("speed_mm_s", "mm/s"),
        ("deceleration_mm_s2", "mm/s²"),
        ("conversion_mt_at", "mT/AT"),
        ("peak_mt", "mT"),
        ("contacts", ""),
        ("mm", ""),
    ],
)
def test_the_unit_stands_last_in_a_name(key: str, unit: str) -> None:
    assert units.unit_of(key) == unit


def test_headings_of_columns() -> None:
    assert [units.heading(key) for key in ("speed_mm_s", "one_closure_gap_mm", "allow_0", "mm")] == [
        "speed mm/s", "one closure gap mm", "allow 0", "mm",
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("value", "key", "text"),
    [
        (14.4703, "peak_mt", "14.5 mT"),
        (999.4, "speed_mm_s", "999 mm/s"),
        (999.9999, "speed_mm_s", "1000 mm/s"),
        (-12345.6, "x_mm", "-12346 mm"),
        (0.00123, "share", "0.00123"),
        (float("inf"), "room_mm", "inf mm"),
    ],
)
def test_numbers_are_shown_with_three_digits(value: float, key: str, text: str) -> None:
    assert units.with_unit(value, key) == text


@pytest.mark.parametrize(
    ("text", "key", "value"),
    [
        ("10", "gap_mm", 10),
        ("1cm", "gap_mm", 10),
        ("0.5 in", "gap_mm", 12.7),  # 25.4 mm to the inch by definition (1959)
        ("20 AT", "operate_at", 20),
        ("300K", "temperature_c", 26.85),  # 0 degrees Celsius is 273.15 K by definition
        ("25 °C", "temperature_c", 25),
        ("50G", "operate_mt", 5),  # 1 G is 1e-4 T
        ("4.7kOhm", "pull_up_ohm", 4700),
        ("100 pF/m", "cable_pf_m", 100),
        ("-3 mm/s²", "deceleration_mm_s2", -3),
        ("30min", "run_hours", 0.5),
        ("0.5 ms", "make_us", 500),
        ("1e-3", "share", 0.001),
    ],
)
def test_what_is_typed_comes_in_the_unit_of_its_name(text: str, key: str, value: float) -> None:
    assert units.number(text, key) == pytest.approx(value)


@pytest.mark.parametrize("text", ["10kg", "abc", "10 foo", "1..", "1(", "", " ", "5 mm**", "10 mm mm", "1,5"])
def test_what_is_no_such_quantity_is_refused_with_what_was_expected(text: str) -> None:
    with pytest.raises(ReedproofError, match="expected a number of mm") as caught:
        units.number(text, "gap_mm")
    assert repr(text) in str(caught.value)


@pytest.mark.parametrize("text", ["nan", "inf", "-inf"])
def test_what_is_not_finite_is_refused(text: str) -> None:
    with pytest.raises(ReedproofError, match="expected a finite number"):
        units.number(text, "gap_mm")


def test_a_span_is_one_number_or_two() -> None:
    assert units.span("20..500", "speed_mm_s") == (20, 500)
    assert units.span("2cm/s..500", "speed_mm_s") == pytest.approx((20, 500))
    assert units.span("20..500 cm/s", "speed_mm_s") == pytest.approx((200, 5000))
    assert units.span("20mm/s..50 cm/s", "speed_mm_s") == pytest.approx((20, 500))
    assert units.span("1e1..2e1cm/s", "speed_mm_s") == pytest.approx((100, 200))
    assert units.span("320", "speed_mm_s") == (320, 320)


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("500..20", "the smaller one first"),
        ("20..", "expected a number"),
        ("20..cm/s", "expected a number"),
        ("..5", "expected"),
    ],
)
def test_a_span_that_is_none_is_refused(text: str, told: str) -> None:
    with pytest.raises(ReedproofError, match=told):
        units.span(text, "speed_mm_s")


# ---- options ----


@pytest.mark.parametrize(
    ("key", "metavar"),
    [("gap_mm", "mm"), ("temperature_c", "C"), ("deceleration_mm_s2", "mm/s2"), ("pull_up_ohm", "Ohm")],
)
def test_an_option_shows_its_unit_and_takes_what_it_shows(key: str, metavar: str) -> None:
    option = quantity(key, "How much.", "2")
    assert (option.metavar, option.help) == (metavar, "How much. [default: 2]")
    assert option.parser(f"5 {metavar}") == 5
    assert quantity(key, "How much.").help == "How much."


@pytest.mark.parametrize("parser", [of_unit("gap_mm"), span_of("gap_mm")])
def test_what_an_option_cannot_take_is_told_as_wrong_use(parser: Callable[[str], object]) -> None:
    with pytest.raises(typer.BadParameter, match="'5 kg': expected a number of mm"):
        parser("5 kg")
