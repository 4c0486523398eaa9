"""Formulas of the input circuit against published values, pint, and the circuit's differential equation."""

from __future__ import annotations

import math

import numpy as np
import pint
import pytest
from scipy.integrate import solve_ivp

from reedproof.analysis.wiring import (
    E12,
    coupled_v,
    current_ma,
    divider_v,
    e12_values,
    induced_v,
    parallel_ohm,
    pulled_up_v,
    tau_us,
    time_to_us,
    wave_impedance_ohm,
)
from reedproof.plan_tables import WiringPlan

UNITS: pint.UnitRegistry[float] = pint.UnitRegistry()


def test_the_e12_series() -> None:
    """IEC 60063: twelve values to a decade, the twelfth roots of ten as they were rounded once."""
    assert E12 == (1.0, 1.2, 1.5, 1.8, 2.2, 2.7, 3.3, 3.9, 4.7, 5.6, 6.8, 8.2)
    for step, value in enumerate(E12):
        assert value == pytest.approx(10 ** (step / 12), rel=0.05)


def test_values_of_a_range() -> None:
    assert e12_values(10, 27) == [10, 12, 15, 18, 22, 27]
    assert e12_values(390, 1300) == [390, 470, 560, 680, 820, 1000, 1200]
    assert e12_values(0.9, 1.1) == [1.0]
    assert e12_values(0.083, 0.095) == []
    assert len(e12_values(1, 99_999)) == 60


def test_inrush_of_ten_metres_through_a_hundred_ohms() -> None:
    """10 m of cable with 100 pF/m (assumed), 5 V, 100 Ohm: 50 mA that fall with 0.1 us (derived here)."""
    assert current_ma(5, 100) == pytest.approx(50)
    assert tau_us(100, 10 * 100 / 1000) == pytest.approx(0.1)


@pytest.mark.parametrize(
    ("pull_up_ohm", "milliamperes", "microseconds"),
    [
        # The pull-up of an AVR: ATmega328P data sheet, 20 to 50 kOhm, from memory; the rest follows.
        (20_000, 0.25, 20),
        (50_000, 0.10, 50),
        (4_700, 1.06, 4.7),
    ],
)
def test_pull_ups_on_one_nanofarad(pull_up_ohm: float, milliamperes: float, microseconds: float) -> None:
    assert current_ma(5, pull_up_ohm) == pytest.approx(milliamperes, rel=0.005)
    assert tau_us(pull_up_ohm, 1) == pytest.approx(microseconds)


def test_a_motor_lead_beside_the_cable() -> None:
    """12 V through 15 pF put 2.77 V on 50 pF and 0.18 V on 1 nF (derived here)."""
    assert coupled_v(12, 15, 0.05) == pytest.approx(2.77, abs=0.005)
    assert coupled_v(12, 15, 1) == pytest.approx(0.18, abs=0.005)


def test_copper() -> None:
    """1/58 Ohm mm2/m at 20 degrees (IEC 60028, from memory): a metre of 0.14 mm2 there and back. A conductor
    of AWG 24, 0.2047 mm2, has 84.2 Ohm per km (ASTM B258, from memory)."""
    assert pytest.approx(0.0842, rel=0.002) == 1 / 58 / 0.2047
    assert WiringPlan(cable_m=1).cable_ohm_m == pytest.approx(2 / 58 / 0.14, rel=0.02)


def test_wave_impedance() -> None:
    """RG-58 has 101 pF/m and 50 Ohm (cable tables, from memory)."""
    assert wave_impedance_ohm(101) == pytest.approx(50, rel=0.02)


def test_units_agree_with_pint() -> None:
    assert tau_us(4.7e3, 5.7) == pytest.approx((4.7 * UNITS.kohm * 5.7 * UNITS.nF).to("us").magnitude)
    assert current_ma(5, 470) == pytest.approx((5 * UNITS.V / (470 * UNITS.ohm)).to("mA").magnitude)
    dropped = (50 * UNITS.kohm * 3 * UNITS.uA).to("V").magnitude
    assert pulled_up_v(5, 50e3, 3) == pytest.approx(5 - dropped)
    induced = (0.5 * UNITS.uH / UNITS.m * 8 * UNITS.m * 1.5 * UNITS.A / UNITS.us).to("V").magnitude
    assert induced_v(0.5, 8, 1.5) == pytest.approx(induced)


def test_resistors() -> None:
    assert parallel_ohm([20_000]) == 20_000
    assert parallel_ohm([20_000, 20_000]) == 10_000
    assert divider_v(5, 3_000, 1_000) == 1.25


def test_times_of_a_step() -> None:
    """0.693 tau to the half and 2.303 tau to nine tenths: textbook."""
    assert time_to_us(10, 0, 5, 2.5) == pytest.approx(6.93, abs=0.005)
    assert time_to_us(10, 5, 0, 0.5) == pytest.approx(23.03, abs=0.005)
    assert time_to_us(10, 3, 5, 3) == 0
    assert time_to_us(10, 4, 5, 3) == 0
    assert time_to_us(10, 0, 3, 3) == math.inf
    assert time_to_us(10, 0, 2.9, 3) == math.inf
    assert time_to_us(10, 5, 1.6, 1.5) == math.inf


@pytest.mark.parametrize(("coupling_pf", "capacitance_nf"), [(15, 0.05), (500, 5.7), (3000, 6.0)])
def test_a_coupled_step_by_its_differential_equation(coupling_pf: float, capacitance_nf: float) -> None:
    """C dv/dt = (supply - v) / R + Cc d(motor - v)/dt, in V, kOhm, nF and us; the motor's lead falls by 12 V
    in 10 ns."""
    supply_v, r_kohm, cc_nf, fall_us = 5.0, 50.0, coupling_pf / 1000, 0.01

    def change(at_us: float, v: np.ndarray) -> np.ndarray:
        motor = -12 / fall_us if at_us < fall_us else 0.0
        return np.asarray(((supply_v - v) / r_kohm + cc_nf * motor) / (capacitance_nf + cc_nf))

    tau = tau_us(r_kohm * 1000, capacitance_nf + cc_nf)
    times = np.concatenate(([0.0, fall_us], np.linspace(0.01 * tau, 5 * tau, 2000)))
    kick = solve_ivp(change, (0, fall_us), [supply_v], max_step=fall_us / 20, rtol=1e-9, atol=1e-12)
    rest = solve_ivp(change, (fall_us, times[-1]), kick.y[:, -1], t_eval=times[1:], rtol=1e-9, atol=1e-12)
    injected = coupled_v(12, coupling_pf, capacitance_nf)
    assert supply_v - rest.y[0].min() == pytest.approx(injected, rel=2e-3)
    back = float(np.interp(3.0, rest.y[0], rest.t)) if rest.y[0].min() < 3 else 0.0
    assert time_to_us(tau, supply_v - injected, supply_v, 3.0) == pytest.approx(back, rel=5e-3, abs=0.05)
