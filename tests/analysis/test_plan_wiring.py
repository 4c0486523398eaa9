"""The plan of an input circuit: what it says against the circuit's differential equation, which parts it
takes, and which limit fails when."""

from __future__ import annotations

import json
import math
import re
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from pydantic import ValidationError
from scipy.integrate import solve_ivp

from reedproof.analysis.plan_wiring import (
    MARGIN_WANTED,
    SAMPLE_US,
    SELFTEST_RISE_US,
    Circuit,
    Parts,
    choose_parts,
    plan_wiring,
)
from reedproof.analysis.wiring import E12, e12_values
from reedproof.plan_tables import WiringPlan

ROOT = Path(__file__).resolve().parents[2]


def told(**asked: Any) -> dict[str, Any]:
    """The answer's JSON, which has to be JSON: no infinity and no NaN."""
    answer: dict[str, Any] = json.loads(
        json.dumps(plan_wiring(WiringPlan(**asked)).as_dict(), allow_nan=False)
    )
    return answer


def failing(answer: dict[str, Any]) -> set[str]:
    return {check["of"] for check in answer["checks"] if not check["is_kept"]}


def test_what_the_boards_do() -> None:
    """Times that the plan is held against are those of the firmware."""
    for name, pattern, value in (
        ("firmware/boards/avr/port_avr.c", r"#define SAMPLE_US (\d+)", SAMPLE_US),
        ("firmware/core/selftest.c", r"#define RISE_US (\d+)", SELFTEST_RISE_US),
        ("firmware/core/settings.h", r"#define MAKE_US_DEFAULT (\d+)", WiringPlan(cable_m=1).make_us),
        ("firmware/core/settings.h", r"#define BREAK_US_DEFAULT (\d+)", WiringPlan(cable_m=1).break_us),
    ):
        found = re.search(pattern, (ROOT / name).read_text())
        assert found is not None, f"{name}: {pattern}"
        assert float(found[1]) == value


def test_ten_metres() -> None:
    """By hand, from formulas of any textbook: 10 m have 1 nF and 2.5 Ohm; half of the way from 4.95 V to VIH
    is 0.975 V, so that 12 V through 500 pF need 5.65 nF, and 4.7 nF is the E12 value that is enough."""
    answer = told(cable_m=10)
    assert answer["parts"] == {"series_ohm": 470, "filter_nf": 4.7, "extra_pull_up_ohm": 0}
    assert answer["recommended"] == answer["parts"]
    assert answer["is_good"]
    assert answer["capacitance_nf"] == pytest.approx(5.7)
    assert answer["closed_v"] == pytest.approx(5 * 472.65 / 20_472.65)
    assert answer["open_v"] == pytest.approx(4.95)
    assert answer["tau_us"] == pytest.approx([114, 285])
    assert answer["rise_us"] == pytest.approx(285 * math.log((4.95 - 5 * 472.65 / 50_472.65) / 1.95))
    assert answer["inrush_ma"] == pytest.approx(5000 / 472.65)
    assert answer["closed_ma"] == pytest.approx([5000 / 50_472.65, 5000 / 20_472.65])
    assert answer["injected_v"] == pytest.approx(12 * 0.5 / 6.2)
    assert answer["injected_us"] == 0


def test_thresholds_are_those_of_the_chip() -> None:
    """ATmega328P data sheet, from memory: VIL 0.3 and VIH 0.6 of the supply."""
    limits = {check["of"]: check.get("at_most") for check in told(cable_m=10)["checks"]}
    assert limits["closed_v"] == pytest.approx(1.5)
    assert limits["leakage_v"] == pytest.approx(5 - 3)
    limits = {check["of"]: check.get("at_most") for check in told(cable_m=10, supply_v=3.3)["checks"]}
    assert limits["closed_v"] == pytest.approx(0.99)


CIRCUITS = [
    ({"cable_m": 10.0}, Parts(470, 4.7, 0)),
    ({"cable_m": 60.0, "leakage_ua": 5.0}, Parts(220, 33, 10_000)),
    ({"cable_m": 2.0, "supply_v": 3.3, "parallel_m": 1.0}, Parts(0, 0, 0)),
    ({"cable_m": 30.0, "cable_ohm_m": 1.0, "contact_mohm": 90_000.0}, Parts(1000, 22, 4700)),
]


@pytest.mark.parametrize(("asked", "parts"), CIRCUITS)
def test_times_by_the_differential_equation(asked: dict[str, Any], parts: Parts) -> None:
    """C dv/dt = (supply - v) / pull-up - leakage - v / (what the closed contact has), in V, kOhm, nF, us."""
    plan = WiringPlan(**asked)
    circuit = Circuit(plan, parts)
    c_nf = plan.cable_m * plan.cable_pf_m / 1000 + parts.filter_nf
    ground = (parts.series_ohm + plan.contact_mohm / 1000 + plan.cable_m * plan.cable_ohm_m) / 1000
    weakest, strongest = (
        1 / (1000 / ohm + (1000 / parts.extra_pull_up_ohm if parts.extra_pull_up_ohm else 0))
        for ohm in (50_000, 20_000)
    )

    def passes_us(pull_up: float, leak_ma: float, start_v: float, level_v: float, closed: bool) -> float:
        def change(_: float, v: np.ndarray) -> np.ndarray:
            through = v / ground if closed else 0.0
            return np.asarray(((plan.supply_v - v) / pull_up - leak_ma - through) / c_nf)

        def reached(_: float, v: np.ndarray) -> float:
            return float(v[0] - level_v)

        reached.terminal = True  # type: ignore[attr-defined]
        slow = c_nf * (ground if closed else pull_up)
        done = solve_ivp(
            change, (0, 20 * slow), [start_v], events=reached, rtol=1e-9, atol=1e-12, method="LSODA"
        )
        assert len(done.t_events[0]) == 1
        return float(done.t_events[0][0])

    leak_ma, vih, vil = plan.leakage_ua / 1000, 0.6 * plan.supply_v, 0.3 * plan.supply_v
    closed_v = plan.supply_v * ground / (weakest + ground)
    assert circuit.rise_us == pytest.approx(passes_us(weakest, leak_ma, closed_v, vih, False), rel=1e-4)
    assert circuit.rise_from_zero_us == pytest.approx(passes_us(weakest, leak_ma, 0, vih, False), rel=1e-4)
    assert circuit.fall_us == pytest.approx(passes_us(strongest, 0, plan.supply_v, vil, True), rel=1e-4)


@pytest.mark.parametrize(("asked", "parts"), CIRCUITS)
def test_what_flows_at_first_takes_the_charge_away(asked: dict[str, Any], parts: Parts) -> None:
    """Where one resistance limits it all, peak times time constant is the charge C V (conservation of
    charge); where a wave comes first, the peak is higher than that."""
    circuit = Circuit(WiringPlan(**asked), parts)
    charge_nc = circuit.capacitance_nf * circuit.asked.supply_v
    product = circuit.inrush_ma * circuit.inrush_tau_us
    if circuit.asked.cable_m * circuit.asked.cable_ohm_m <= 50 or not parts.filter_nf:
        assert product == pytest.approx(charge_nc)
    else:
        assert product > charge_nc


def test_a_long_cable_gives_its_wave_before_its_filter_answers() -> None:
    """500 m have 125 Ohm there and back, but a wave impedance of 50 Ohm: 5 V / (220 + 0.15 + 50)."""
    circuit = Circuit(WiringPlan(cable_m=500), Parts(220.0, 100.0, 0.0))
    assert circuit.inrush_ma == pytest.approx(5000 / 270.15)


def test_a_cable_alone_gives_a_wave_and_a_filter_all_it_has() -> None:
    """100 pF/m at 5 ns/m is a source of 50 Ohm (line theory)."""
    bare = told(cable_m=10, series_ohm=0, filter_nf=0, contact_mohm=1000)
    assert bare["inrush_ma"] == pytest.approx(5000 / 51)
    filtered = told(cable_m=10, series_ohm=0, filter_nf=1, contact_mohm=1000)
    assert filtered["inrush_ma"] == pytest.approx(5000 / 3.5)
    assert failing(filtered) >= {"inrush_ma"}


@pytest.mark.parametrize("cable_m", [0.1, 0.5, 1, 3, 10, 20, 30, 51, 100])
@pytest.mark.parametrize("supply_v", [3.3, 5.0])
def test_recommended_parts_keep_every_limit_twofold(cable_m: float, supply_v: float) -> None:
    answer = told(cable_m=cable_m, supply_v=supply_v)
    parts = answer["recommended"]
    assert answer["is_good"]
    assert all(check["margin"] is None or check["margin"] >= 1.95 for check in answer["checks"])
    for value in parts.values():
        digits = float(f"{value:.1e}".partition("e")[0])
        assert value == 0 or digits in E12, value
    # Nothing that is simpler would do: with the next smaller filter too much is put in.
    smaller = (
        {"filter_nf": max([0.0, *e12_values(1, parts["filter_nf"] * 0.99)])}
        if parts["filter_nf"] > 1
        else None
    )
    if smaller is not None:
        node_nf = 0.1 * cable_m + smaller["filter_nf"]
        coupling_nf = 0.05 * cable_m
        injected = 12 * coupling_nf / (coupling_nf + node_nf)
        assert injected > (answer["open_v"] - 0.6 * supply_v) / 1.95


def test_the_most_in_series_that_the_level_allows() -> None:
    """A pull-up of 1 kOhm leaves room for half of VIL: R / (R + pull-up) <= 0.15, so R <= 168 Ohm in all, of
    which contact and cable are 2.65."""
    assert choose_parts(WiringPlan(cable_m=10, extra_pull_up_ohm=1000)).series_ohm == 150


def test_parts_that_are_given_stay() -> None:
    answer = told(cable_m=10, series_ohm=100, filter_nf=10)
    assert answer["parts"] == {"series_ohm": 100, "filter_nf": 10, "extra_pull_up_ohm": 0}
    assert answer["recommended"] == {"series_ohm": 470, "filter_nf": 4.7, "extra_pull_up_ohm": 0}
    assert answer["is_good"]
    assert answer["advice"] == []


@pytest.mark.parametrize(
    ("asked", "keys", "words"),
    [
        ({"cable_m": 10, "series_ohm": 10_000, "filter_nf": 4.7}, {"closed_v"}, "smaller series resistor"),
        ({"cable_m": 10, "contact_mohm": 900_000, "extra_pull_up_ohm": 1000}, {"closed_v"}, "smaller series"),
        ({"cable_m": 10, "leakage_ua": 90, "extra_pull_up_ohm": 0}, {"leakage_v"}, "stronger pull-up"),
        ({"cable_m": 1, "filter_nf": 22, "extra_pull_up_ohm": 0}, {"rise_from_zero_us"}, "smaller filter"),
        (
            {"cable_m": 1, "filter_nf": 300, "extra_pull_up_ohm": 0},
            {"rise_us", "rise_from_zero_us"},
            "smaller filter",
        ),
        ({"cable_m": 10, "series_ohm": 0, "filter_nf": 4.7}, {"inrush_ma"}, "10 Ohm or more in series"),
        ({"cable_m": 10, "series_ohm": 470, "contact_ma": 10}, {"inrush_ma"}, "500 Ohm or more in series"),
        ({"cable_m": 10, "series_ohm": 470, "contact_w": 0.05}, {"inrush_w"}, "500 Ohm or more in series"),
        ({"cable_m": 10, "contact_v": 3}, {"supply_v"}, "higher rating"),
        ({"cable_m": 10, "filter_nf": 0}, {"injected_v"}, "lead it apart"),
        ({"cable_m": 10, "step_v": 100, "filter_nf": 10}, {"injected_v"}, "bigger filter"),
        ({"cable_m": 10, "motor_a_us": 1}, {"induced_v"}, "twist"),
        # Elesa, data sheet of magnetic sensors: above 50 m 10 to 500 Ohm, or a choke.
        ({"cable_m": 51, "series_ohm": 0, "filter_nf": 0, "parallel_m": 0}, {"series_ohm"}, "10 to 500 Ohm"),
        ({"cable_m": 50, "series_ohm": 0, "filter_nf": 0, "parallel_m": 0}, set(), ""),
    ],
)
def test_what_is_not_kept(asked: dict[str, Any], keys: set[str], words: str) -> None:
    answer = told(**asked)
    assert failing(answer) == keys
    assert answer["is_good"] is not bool(keys)
    for check in answer["checks"]:
        assert check["is_kept"] or words in check["otherwise"]


def test_a_filter_that_is_too_big_is_no_error() -> None:
    answer = told(cable_m=5, filter_nf=1000, extra_pull_up_ohm=0)
    assert failing(answer) == {"rise_us", "rise_from_zero_us"}
    assert answer["rise_us"] == pytest.approx(50 * 1000.5 * math.log((4.95 - 5 * 0.4714 / 50.4714) / 1.95))
    assert answer["advice"] == [
        "solder in 470 Ohm in series at the contact; 2.7 nF from input to ground; no pull-up but the board's "
        "own: then every limit is kept"
    ]  # fmt: skip


def test_where_no_parts_are_enough() -> None:
    answer = told(cable_m=900)
    assert failing(answer) == {"injected_v"}
    assert answer["parts"] == answer["recommended"]
    assert "no parts of the E12 series keep every limit" in answer["advice"][0]


def test_how_far_a_motor_lead_may_run_beside() -> None:
    """As far as it says, what it puts in is what the input bears, and nothing more."""
    circuit = Circuit(WiringPlan(cable_m=10), Parts(470, 0, 0))
    assert circuit.injected_v > circuit.noise_v
    nearer = Circuit(WiringPlan(cable_m=10, parallel_m=circuit.parallel_max_m), Parts(470, 0, 0))
    assert nearer.injected_v == pytest.approx(nearer.noise_v)
    # By hand: 4 V on 1.5 nF decay over 50 kOhm until 1.95 V are left.
    assert circuit.injected_v == pytest.approx(4)
    assert circuit.injected_us == pytest.approx(75 * math.log(4 / 1.95))
    assert nearer.injected_us == pytest.approx(0, abs=1e-6)


def test_what_a_step_does_against_make_us() -> None:
    def words(**asked: Any) -> str:
        answer = plan_wiring(WiringPlan(cable_m=10, filter_nf=0, **asked))
        return next(str(result.text) for result in answer.results if result.key == "injected_us")

    assert "shorter than make_us" in words()
    assert "longer than make_us" in words(make_us=10)
    assert "stays high" in words(parallel_m=0)


def test_an_input_that_never_reads_high() -> None:
    answer = told(cable_m=10, leakage_ua=1000, extra_pull_up_ohm=0)
    assert answer["open_v"] == 0
    assert answer["rise_us"] is None
    assert failing(answer) == {"leakage_v"}


def test_every_number_has_a_formula() -> None:
    answer = told(cable_m=10)
    for key in (
        "closed_v",
        "open_v",
        "tau_us",
        "rise_us",
        "fall_us",
        "inrush_ma",
        "injected_v",
        "recommended",
    ):
        assert answer["how"][key]["formula"], key
        assert answer["how"][key]["source"], key
    assert MARGIN_WANTED == 2


def test_cautions_and_the_order_of_plugging() -> None:
    answer = told(cable_m=10)
    said = " ".join(answer["cautions"])
    for words in ("short between supply and ground", "fuse", "2009/48/EC", "mains", "licensed"):
        assert words in said
    assert answer["plug_order"][0] == "supply and USB off"
    assert answer["plug_order"].index("supply and USB on") > 2
    assert "three-way plug are common practice, no source" in " ".join(answer["assumptions"])
    assert "pull-ups are off and inputs float" in " ".join(answer["assumptions"])


@pytest.mark.parametrize(
    ("asked", "words"),
    [
        ({"pull_up_ohm": [50_000, 20_000]}, "from 50000 to 20000; expected the smaller one first"),
        ({"vil_v": 3.0}, "vil_v 3, vih_v 3: expected the first below the second"),
        ({"vih_v": 5.0}, "below the supply of 5 V"),
    ],
)
def test_thresholds_and_ranges_that_are_none(asked: dict[str, Any], words: str) -> None:
    with pytest.raises(ValidationError, match=re.escape(words)):
        WiringPlan(cable_m=10, **asked)
