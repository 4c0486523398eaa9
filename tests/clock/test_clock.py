"""The clock map: published examples, the linear program it stands for, and its bound, which has to hold."""

from __future__ import annotations

import math
import random
from fractions import Fraction
from importlib import import_module
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from reedproof.clock import ClockMap, offset_and_delay

linprog: Any = import_module("scipy.optimize").linprog  # scipy ships no types

MAX_PPM = 10_000
BOARD_MAX_US = 2**48 - 1


def filled(probes: list[tuple[float, int, int, float]], arrivals: list[tuple[int, float]]) -> ClockMap:
    clock = ClockMap(MAX_PPM, window_s=math.inf, points_max=1000)
    for board_us, host_s in arrivals:
        clock.add_arrival(board_us, host_s)
    for probe in probes:
        clock.add_probe(*probe)
    return clock


def test_rfc_5905_example() -> None:
    # Formula from memory (the RFC was not at hand): theta = ((T2-T1)+(T3-T4))/2, delta = (T4-T1)-(T3-T2).
    # The example was worked out by hand: ((12 - 0) + (13 - 5)) / 2 and (5 - 0) - (13 - 12).
    assert offset_and_delay(0, 12, 13, 5) == (10, 4)


def test_offset_and_delay_of_a_symmetric_exchange_are_exact() -> None:
    # Other clock 100 ahead, 3 each way, kept for 2.
    assert offset_and_delay(50, 153, 155, 58) == (100, 6)


def test_one_way_hull_hand_check() -> None:
    """Reference sheet, section 5: slope 100 ppm, intercept 7 ms (a regression would say 120 ppm, 9.2 ms)."""
    clock = ClockMap()
    for t_s, delay_ms in zip((0, 10, 20, 30, 40), (7, 13, 10, 17, 11), strict=True):
        clock.add_arrival(t_s * 1_000_000, t_s + delay_ms / 1000)
    assert clock.skew_ppm()[0] == pytest.approx(100, abs=1e-6)
    assert clock.to_host(0) == pytest.approx((0.007, math.inf), abs=1e-12)
    assert clock.to_host(40_000_000)[0] == pytest.approx(40.011, abs=1e-12)


def test_before_anything_arrived_there_is_no_time() -> None:
    host_s, bound_s = ClockMap().to_host(5)
    assert math.isnan(host_s)
    assert bound_s == math.inf
    assert ClockMap(300).skew_ppm() == (0, 300)


def test_before_the_first_probe_the_bound_is_infinite_and_it_says_so() -> None:
    clock = ClockMap()
    for second in range(3):
        clock.add_arrival(second * 1_000_000, 70.0 + second)
    assert not clock.bounded
    assert clock.to_host(1_000_000) == pytest.approx((71.0, math.inf))
    assert clock.skew_ppm() == pytest.approx((0, MAX_PPM), abs=1e-6)
    clock.add_probe(73.0, 3_000_000, 3_000_000, 73.01)
    assert clock.bounded
    assert clock.to_host(3_000_000)[1] < 0.006


def test_arrivals_with_one_stamp_have_no_slope() -> None:
    clock = ClockMap()
    clock.add_arrival(0, 0.5)
    for host_s in (0.4, 0.4, 0.6):
        clock.add_arrival(0, host_s)
    assert clock.to_host(10_000_000)[0] == pytest.approx(10.4)


def test_one_probe_bounds_its_instant_by_half_the_round_trip() -> None:
    clock = ClockMap()
    clock.add_probe(100.0, 2_000_000, 2_000_000, 100.004)
    assert clock.to_host(2_000_000) == pytest.approx((100.002, 0.002))
    # Ten seconds on, one percent of rate is unknown either way.
    assert clock.to_host(12_000_000) == pytest.approx((110.002, 0.102))
    assert clock.skew_ppm() == pytest.approx((0, MAX_PPM))


def test_two_probes_bound_the_rate() -> None:
    clock = ClockMap()
    clock.add_probe(0.0, 0, 0, 0.002)
    clock.add_probe(100.01, 100_000_000, 100_000_000, 100.012)
    skew_ppm, bound_ppm = clock.skew_ppm()
    assert skew_ppm == pytest.approx(100)
    assert bound_ppm == pytest.approx(20)  # 2 ms over 100 s


@st.composite
def links(draw: st.DrawFn) -> tuple[Fraction, Fraction, ClockMap, list[int]]:
    """A true line, a map fed with delayed arrivals and probes of it, and instants to ask about."""
    rate = 1 + Fraction(draw(st.integers(-MAX_PPM * 1000, MAX_PPM * 1000)), 10**9)
    offset_s = Fraction(draw(st.integers(-(10**9), 10**15)), 10**6)
    start_us = draw(st.integers(0, BOARD_MAX_US - 10**11))
    board_us = st.integers(start_us, start_us + draw(st.sampled_from([10, 10**6, 10**9, 10**11])))
    delay_s = st.integers(0, 10**7).map(lambda us: Fraction(us, 10**6)) | st.just(Fraction(0))
    clock = ClockMap(
        MAX_PPM,
        window_s=draw(st.sampled_from([1.0, 600.0, math.inf])),
        points_max=draw(st.sampled_from([3, 4, 64])),
    )
    for _ in range(draw(st.integers(1, 40))):
        at_us = draw(board_us)
        if draw(st.booleans()):
            clock.add_arrival(at_us, float(offset_s + rate * Fraction(at_us, 10**6) + draw(delay_s)))
        else:
            answered_us = at_us + draw(st.integers(0, 10**6))
            clock.add_probe(
                float(offset_s + rate * Fraction(at_us, 10**6) - draw(delay_s)),
                at_us,
                answered_us,
                float(offset_s + rate * Fraction(answered_us, 10**6) + draw(delay_s)),
            )
    return rate, offset_s, clock, draw(st.lists(board_us, min_size=1, max_size=5))


@given(links())
def test_the_truth_is_always_within_the_bound(link: tuple[Fraction, Fraction, ClockMap, list[int]]) -> None:
    rate, offset_s, clock, instants_us = link
    assert clock.restarts == 0, "a constant rate never contradicts itself"
    for board_us in instants_us:
        truth_s = offset_s + rate * Fraction(board_us, 10**6)
        host_s, bound_s = clock.to_host(board_us)
        assert bound_s == math.inf or abs(Fraction(host_s) - truth_s) <= Fraction(bound_s)
    skew_ppm, bound_ppm = clock.skew_ppm()
    assert abs(skew_ppm - float((rate - 1) * 10**6)) <= bound_ppm * (1 + 1e-9) + 1e-6


@pytest.mark.parametrize("seed", range(60))
def test_the_interval_is_the_optimum_of_the_linear_program(seed: int) -> None:
    """Moon et al. 1999: the extreme lines are the solutions of a linear program.

    Times in units of 100 s and residuals in milliseconds, because the solver stops at an absolute 1e-7.
    """
    chance = random.Random(seed)
    rate = 1 + chance.uniform(-MAX_PPM, MAX_PPM) * 1e-6
    offset_s = chance.uniform(0, 1000)

    def host(board_us: int) -> float:
        return offset_s + rate * board_us * 1e-6

    arrivals: list[tuple[int, float]] = []
    probes: list[tuple[float, int, int, float]] = []
    above: list[tuple[int, float]] = []
    below: list[tuple[int, float]] = []
    for _ in range(chance.randint(1, 60)):
        at_us = chance.randrange(100_000_000)
        arrivals.append((at_us, host(at_us) + chance.expovariate(100)))
    for _ in range(chance.randint(1, 12)):
        at_us = chance.randrange(100_000_000)
        answered_us = at_us + chance.randrange(5000)
        sent_s, arrived_s = host(at_us) - chance.expovariate(100), host(answered_us) + chance.expovariate(100)
        probes.append((sent_s, at_us, answered_us, arrived_s))
        below.append((at_us, sent_s))
        above.append((answered_us, arrived_s))
    above += arrivals
    clock = filled(probes, arrivals)

    # Unknowns: alpha in ms and slope in ms per 100 s of the residual host - offset - board.
    def row(board_us: int, host_s: float, side: int) -> tuple[list[float], float]:
        return [side, side * board_us / 1e8], side * (host_s - offset_s - board_us / 1e6) * 1e3

    rows = [row(*point, 1) for point in above] + [row(*point, -1) for point in below]
    slope_ms = MAX_PPM * 1e-6 * 100 * 1e3
    for board_us in (0, 30_000_000, chance.randrange(100_000_000), 100_000_000, 500_000_000):
        ends = []
        for sign in (1, -1):
            found = linprog(
                [sign, sign * board_us / 1e8],
                A_ub=[coefficients for coefficients, _ in rows],
                b_ub=[limit for _, limit in rows],
                bounds=[(None, None), (-slope_ms, slope_ms)],
                method="highs",
            )
            assert found.status == 0
            ends.append(offset_s + board_us / 1e6 + sign * found.fun / 1e3)
        host_s, bound_s = clock.to_host(board_us)
        assert host_s - bound_s == pytest.approx(ends[0], abs=1e-8)
        assert host_s + bound_s == pytest.approx(ends[1], abs=1e-8)


def test_rounding_far_from_the_data_is_part_of_the_bound() -> None:
    """A board exactly at the largest rate, of which only its first instant is known."""
    clock = ClockMap(MAX_PPM)
    clock.add_probe(0.0, 0, 0, 0.0)
    for board_us in range(10**11, 10**11 + 200):
        host_s, bound_s = clock.to_host(board_us)
        assert abs(Fraction(host_s) - Fraction(board_us * 101, 10**8)) <= Fraction(bound_s)
        assert bound_s == pytest.approx(board_us / 1e8)


def test_rounding_of_the_first_point_contradicts_nothing() -> None:
    """Found by a long Hypothesis run: residuals larger than the times they come from, at the largest rate."""
    clock = ClockMap(MAX_PPM, points_max=3)
    clock.add_probe(-7.739061644475472, 2_237_736, 2_237_736, 2.260113355524528)
    clock.add_probe(0.0, 0, 0, 0.0)
    clock.add_probe(0.425604909157218, 421_391, 421_392, 0.425605919157216)
    assert clock.restarts == 0
    host_s, bound_s = clock.to_host(0)
    assert abs(host_s) <= bound_s < 1e-13


def test_a_probe_at_the_smallest_rate_is_not_refused_for_its_rounding() -> None:
    for kept_us in range(1_000_000, 1_000_200):
        clock = ClockMap(MAX_PPM)
        clock.add_probe(0.1, 0, kept_us, float(Fraction(0.1) + Fraction(kept_us * 99, 10**8)))
        assert clock.restarts == 0


def test_rounding_of_a_distant_point_is_part_of_the_bound() -> None:
    """Found by a long Hypothesis run: probes without delay, the second one hours after the first."""
    clock = ClockMap(MAX_PPM, points_max=3)
    clock.add_arrival(1, 0.064755002195863)
    clock.add_probe(0.0, 0, 0, 0.0)
    clock.add_probe(34434.59566911961, 34_359_147_688, 34_359_147_688, 34434.59566911961)
    host_s, bound_s = clock.to_host(1)
    truth_s = Fraction(1_002_195_863, 10**15)
    assert abs(Fraction(host_s) - truth_s) <= Fraction(bound_s)
    assert bound_s < 1e-9


def test_order_of_arrival_does_not_matter() -> None:
    """Records sent again after a break arrive with old board times."""
    arrivals = [(i * 1_000_000, i + 0.01 + 0.003 * (i * 7 % 11)) for i in range(50)]
    probe = (10.0, 10_004_000, 10_004_100, 10.009)
    forward, shuffled = filled([probe], arrivals), filled([probe], random.Random(3).sample(arrivals, 50))
    for board_us in (0, 20_500_000, 90_000_000):
        assert forward.to_host(board_us) == pytest.approx(shuffled.to_host(board_us), abs=1e-12)


def test_the_largest_board_times_lose_nothing() -> None:
    small, large = ClockMap(), ClockMap()
    shift_us = BOARD_MAX_US - 60_000_000
    for clock, start_us in ((small, 0), (large, shift_us)):
        for i in range(6):
            at_us = start_us + i * 10_000_000 + 1
            clock.add_probe(i * 10.0, at_us, at_us + 50, i * 10.0 + 0.0021)
    assert large.to_host(shift_us + 25_000_003) == small.to_host(25_000_003)
    assert large.skew_ppm() == small.skew_ppm()


def test_a_clock_since_1970_is_bounded_by_what_a_float_resolves() -> None:
    clock = ClockMap()
    clock.add_probe(1.8e9, 1_000_000, 1_000_000, 1.8e9)
    host_s, bound_s = clock.to_host(1_000_000)
    assert host_s == 1.8e9
    assert 0 < bound_s < 1e-5


def test_memory_is_bounded_and_thinning_only_widens() -> None:
    # A delay that bends evenly puts every single point on the hull.
    all_points, few_points = (
        ClockMap(window_s=math.inf, points_max=5000),
        ClockMap(window_s=math.inf, points_max=8),
    )
    for clock in (all_points, few_points):
        for i in range(1, 2001):
            clock.add_arrival(i * 10_000, i * 0.01 + 1e-3 + 1e-8 * (i - 1000) ** 2)
        clock.add_probe(10.0, 10_000_500, 10_000_500, 10.02)
    assert all_points.points > 2000
    assert few_points.points <= 4 * 8
    for board_us in range(0, 20_000_000, 1_370_000):
        host_s, bound_s = all_points.to_host(board_us)
        wide_s, wide_bound_s = few_points.to_host(board_us)
        assert wide_s - wide_bound_s <= host_s - bound_s + 1e-12
        assert wide_s + wide_bound_s >= host_s + bound_s - 1e-12


def test_constraints_are_forgotten_after_two_windows() -> None:
    clock = ClockMap(window_s=10)
    bounds_s = []
    for second in range(40):
        trip_s = 0.002 if second < 5 else 0.2
        clock.add_probe(float(second), second * 1_000_000, second * 1_000_000, second + trip_s)
        bounds_s.append(clock.to_host(second * 1_000_000)[1])
    assert bounds_s[10] < 0.02, "the good probes at the start still count after one window"
    assert bounds_s[25] > 0.09, "and no longer after two"


def test_another_rate_is_found_once_the_old_one_is_forgotten() -> None:
    """A board that warms up: rate constant at first, then another one for good."""
    clock = ClockMap(window_s=60)
    host_s = 0.0
    for second in range(600):
        clock.add_probe(host_s - 0.001, second * 1_000_000, second * 1_000_000, host_s + 0.001)
        host_s += 1.0 if second < 300 else 1.0001
    skew_ppm, bound_ppm = clock.skew_ppm()
    assert abs(skew_ppm - 100) <= bound_ppm < 40
    assert clock.restarts > 0


def test_old_constraints_stay_while_there_is_no_new_probe() -> None:
    clock = ClockMap(window_s=10)
    clock.add_probe(0.0, 0, 0, 0.002)
    for second in range(1, 100):
        clock.add_arrival(second * 1_000_000, second + 0.002)
    assert clock.bounded
    assert clock.to_host(0)[1] < 0.0011


def test_contradictions_restart_from_the_current_window() -> None:
    clock = ClockMap(window_s=100)
    for second in range(150):  # the window turns over once, at 100 s
        clock.add_probe(second - 0.001, second * 1_000_000, second * 1_000_000, second + 0.001)
    assert clock.restarts == 0
    # The host's clock jumps back by a second: no line fits before and after.
    clock.add_probe(148.999, 150_000_000, 150_000_000, 149.001)
    assert clock.restarts == 1
    host_s, bound_s = clock.to_host(150_000_000)
    assert abs(host_s - 149) <= bound_s < 0.0011


@pytest.mark.parametrize("board_us", [9_000_000, 10_000_000, 11_000_000])
def test_a_contradicting_arrival_leaves_an_infinite_bound_until_the_next_probe(board_us: int) -> None:
    clock = ClockMap()
    clock.add_probe(10.0, 10_000_000, 10_000_000, 10.001)
    clock.add_arrival(board_us, 5.0)
    assert clock.restarts == 1
    assert clock.to_host(board_us) == pytest.approx((5.0, math.inf))
    host_s = 5.0 + (12_000_000 - board_us) * 1e-6
    clock.add_probe(host_s - 0.001, 12_000_000, 12_000_000, host_s)
    assert clock.restarts == 1
    assert clock.to_host(12_000_000)[1] < 0.001


def test_a_drift_restarts_from_the_window_and_keeps_the_bound_finite() -> None:
    """The rate bends slowly; only the window's constraints fit one line, and they keep the map bounded."""
    clock = ClockMap(window_s=50)
    restart_bounds_ppm = []
    for second in range(2000):
        restarts = clock.restarts
        host_s = second + 1e-6 * second**2
        clock.add_probe(host_s - 0.0005, second * 1_000_000, second * 1_000_000, host_s + 0.0005)
        mapped_s, bound_s = clock.to_host(second * 1_000_000)
        assert abs(mapped_s - host_s) < 0.002
        assert bound_s < math.inf
        if clock.restarts > restarts:
            restart_bounds_ppm.append(clock.skew_ppm()[1])
    assert min(restart_bounds_ppm) < 500, (
        "more than the newest probe is left, which alone says nothing of rates"
    )


@pytest.mark.parametrize(
    ("probe", "part"),
    [
        ((1.0, 1000, 999, 1.1), "the order is wrong"),
        ((1.0, 1000, 1000, 0.9), "the order is wrong"),
        ((1.0, 1000, 3_001_000, 1.5), "the board kept it 3"),
        ((math.nan, 1000, 1000, 1.5), "finite"),
        ((1.0, 1000, 1000, math.inf), "finite"),
        ((1.0, -1, 1000, 1.1), "from 0 on"),
    ],
)
def test_an_impossible_probe_is_refused_and_leaves_no_trace(
    probe: tuple[float, int, int, float], part: str
) -> None:
    clock = ClockMap()
    with pytest.raises(ValueError, match=part) as caught:
        clock.add_probe(*probe)
    assert "\n" not in str(caught.value)
    assert clock.points == 0
    assert math.isnan(clock.to_host(0)[0])


def test_an_impossible_arrival_is_refused() -> None:
    with pytest.raises(ValueError, match="finite"):
        ClockMap().add_arrival(1, math.nan)
    with pytest.raises(ValueError, match="from 0 on"):
        ClockMap().add_arrival(-1, 1.0)


@pytest.mark.parametrize(
    "arguments",
    [{"max_ppm": 0}, {"max_ppm": 1e6}, {"window_s": 0}, {"window_s": math.nan}, {"points_max": 2}],
)
def test_impossible_assumptions_are_refused(arguments: dict[str, Any]) -> None:
    with pytest.raises(ValueError, match=next(iter(arguments))):
        ClockMap(**arguments)
