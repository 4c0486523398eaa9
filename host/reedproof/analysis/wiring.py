"""The input circuit of a contact: levels, times and currents, and what a lead beside it puts in.

A pull-up leads from the supply to the input; from there the cable goes to the contact and back to ground,
with a resistor in series at the contact. The cable and a filter capacitor at the input are one capacitance: a
rise takes microseconds, the way along a cable nanoseconds.
"""

from __future__ import annotations

import bisect
import math
from collections.abc import Sequence

#: The E12 series of preferred values: IEC 60063.
E12 = (1.0, 1.2, 1.5, 1.8, 2.2, 2.7, 3.3, 3.9, 4.7, 5.6, 6.8, 8.2)
#: At two thirds of the speed of light, as in a cable with plastic in it: common practice, no source.
DELAY_NS_M = 5.0


def e12_values(low: float, high: float) -> list[float]:
    """Those from ``low`` to ``high``, both above 0 and in any unit, upwards (IEC 60063)."""
    decades = range(math.floor(math.log10(low)), math.floor(math.log10(high)) + 1)
    # From its digits: 4.7 * 10**2 is not 470.
    values = [float(f"{value}e{decade}") for decade in decades for value in E12]
    return values[bisect.bisect_left(values, low) : bisect.bisect_right(values, high)]


def parallel_ohm(resistances_ohm: Sequence[float]) -> float:
    """Of resistors side by side (Kirchhoff)."""
    return 1 / sum(1 / each for each in resistances_ohm)


def current_ma(volts_v: float, resistance_ohm: float) -> float:
    """Ohm's law."""
    return 1000 * volts_v / resistance_ohm


def divider_v(supply_v: float, upper_ohm: float, lower_ohm: float) -> float:
    """Between a resistor from the supply and one to ground (Kirchhoff)."""
    return supply_v * lower_ohm / (upper_ohm + lower_ohm)


def pulled_up_v(supply_v: float, pull_up_ohm: float, leakage_ua: float) -> float:
    """Of an open input from which ``leakage_ua`` flow to ground (Ohm's law)."""
    return supply_v - pull_up_ohm * leakage_ua / 1e6


def tau_us(resistance_ohm: float, capacitance_nf: float) -> float:
    """The time constant R C: after it 63 % of a step are done."""
    return resistance_ohm * capacitance_nf / 1000


def time_to_us(tau_us: float, from_v: float, towards_v: float, level_v: float) -> float:
    """Until a voltage on its way ``towards_v`` passes ``level_v``; 0 if that lies behind it, infinite if it
    lies beyond its end.

    tau ln((towards - from) / (towards - level)): the step response of R and C, solved for the time.
    """
    if (level_v - from_v) * (towards_v - from_v) <= 0:
        return 0.0
    if (towards_v - level_v) * (towards_v - from_v) <= 0:
        return math.inf
    return tau_us * math.log((towards_v - from_v) / (towards_v - level_v))


def wave_impedance_ohm(cable_pf_m: float) -> float:
    """Of a cable, from its capacitance: delay over capacitance (line theory). Until its far end answers, a
    charged cable is a source of this resistance."""
    return 1000 * DELAY_NS_M / cable_pf_m


def coupled_v(step_v: float, coupling_pf: float, capacitance_nf: float) -> float:
    """What a step on a lead beside the cable moves an input by before its resistors act: the capacitive
    divider V Cc / (Cc + C). It decays with R (Cc + C)."""
    return step_v * coupling_pf / (coupling_pf + 1000 * capacitance_nf)


def induced_v(mutual_uh_m: float, parallel_m: float, change_a_us: float) -> float:
    """What a current that changes by ``change_a_us`` A/us induces in a loop beside it: M dI/dt (Faraday)."""
    return mutual_uh_m * parallel_m * change_a_us
