"""The formulas of `timing.py` against published numbers, the protocol's page, and what boards really do."""

from __future__ import annotations

import math
import re
from pathlib import Path

import numpy as np
import pytest
from scipy.integrate import quad
from scipy.optimize import brentq

from analysis.contact import closed_us, sampled_us
from reedproof.analysis import timing
from reedproof.analysis.timing import (
    SCALES,
    Counted,
    braking_way_mm,
    certain_speed_mm_s,
    counted,
    duration_us,
    frame_bytes,
    line_ms,
    lockout_us,
    model_speed_mm_s,
    prototype_speed_km_h,
    ratio_of,
    samples_in,
    speed_after_mm_s,
    way_mm,
)
from reedproof.errors import ReedproofError
from reedproof.sim.core import Device, ReplaySettings, replay
from reedproof.transport import BAUD

PROTOCOL = (Path(__file__).parents[2] / "protocol.md").read_text()


# ---- scales ----


def test_the_ratios_are_those_of_nem_010() -> None:
    """NEM 010 (2011)."""
    published = {"Z": 220, "N": 160, "TT": 120, "H0": 87, "0": 45, "I": 32, "II": 22.5}
    assert published == SCALES


def test_h0_is_three_and_a_half_millimetres_to_the_foot() -> None:
    """3.5 mm/ft is 304.8 / 3.5 = 87.086 (the foot of 1959), which NEM 010 (2011) rounds."""
    assert ratio_of("1:87.086") == pytest.approx(304.8 / 3.5, abs=5e-4)
    assert ratio_of("H0") == pytest.approx(304.8 / 3.5, rel=1e-3)


@pytest.mark.parametrize(
    ("scale", "km_h", "mm_s"),
    [
        ("H0", 100, 319.3),
        ("H0", 160, 510.9),
        ("H0", 250, 798.2),
        ("N", 100, 173.6),
        ("Z", 100, 126.3),
        ("0", 100, 617.3),
    ],
)
def test_model_speeds(scale: str, km_h: float, mm_s: float) -> None:
    """V / (3.6 x ratio) with the ratios of NEM 010 (2011), to a tenth; derived here."""
    assert model_speed_mm_s(km_h, ratio_of(scale)) == pytest.approx(mm_s, abs=0.05)
    assert prototype_speed_km_h(mm_s, ratio_of(scale)) == pytest.approx(km_h, rel=5e-4)


@pytest.mark.parametrize(
    ("text", "ratio"), [("h0", 87), ("HO", 87), ("O", 45), ("ii", 22.5), ("1:22.5", 22.5), ("1:87", 87)]
)
def test_scales_as_people_write_them(text: str, ratio: float) -> None:
    assert ratio_of(text) == ratio


@pytest.mark.parametrize("text", ["G", "", "87", "1:0", "1:", "1:x", "1:-3", "1:1e3"])
def test_an_unknown_scale_lists_those_that_are_known(text: str) -> None:
    with pytest.raises(ReedproofError, match=r"no known scale; .*1:87.*Z \(1:220\).*II \(1:22.5\)"):
        ratio_of(text)


# ---- certain detection and lockout ----


@pytest.mark.parametrize(("samples", "sampling_us", "mm_s"), [(5, 1000, 2964), (4, 5000, 795)])
def test_highest_certain_speed(samples: int, sampling_us: float, mm_s: float) -> None:
    """L / (n Ts + t_operate) for L = 16.3 mm and 0.5 ms; derived here."""
    assert certain_speed_mm_s(16.3, samples * sampling_us, 500) == pytest.approx(mm_s, abs=0.5)


def test_lockout_of_an_upright_magnet_that_cannot_be_had() -> None:
    """notch / v_min < T < (S - L) / v_max: 34 ms and 30 ms; derived here."""
    needed_us, allowed_us = lockout_us(0.68, 20, 60, 45, 500)
    assert needed_us == pytest.approx(34_000)
    assert allowed_us == pytest.approx(30_000)
    assert lockout_us(0.68, 20, 60, 45, 500, play_us=550) == pytest.approx((34_550, 29_450))
    assert lockout_us(0.68, 20, None, 45, 500)[1] == math.inf


@pytest.mark.parametrize(
    ("speed_mm_s", "open_ms"), [(200, 1.4), (500, 0.56), (50, 5.6)]
)  # fmt: skip
def test_how_long_the_notch_of_an_upright_magnet_is_open(speed_mm_s: float, open_ms: float) -> None:
    """0.28 mm, 10 mm above a contact of 2 / 1 mT, a magnet of 4.9 x 10 mm and 1.3 T; derived here."""
    assert duration_us(0.28, speed_mm_s) / 1000 == pytest.approx(open_ms)


def test_samples_that_see_a_closure() -> None:
    assert samples_in(1550, 500, 50) == 21
    assert samples_in(1549, 500, 50) == 20
    assert samples_in(400, 500, 50) == 0


def test_sampling_sees_at_least_so_many() -> None:
    """Wherever in the period of sampling the closure begins, and at times one more."""
    rng = np.random.default_rng(1)
    for _ in range(300):
        closure_us, operate_us, sampling_us = rng.uniform((0, 0, 10), (5000, 500, 1000))
        closes_us = rng.uniform(0, sampling_us) + operate_us
        ticks = np.arange(0, 12_000, sampling_us)
        seen = int(((ticks >= closes_us) & (ticks < closes_us + closure_us - operate_us)).sum())
        least = samples_in(closure_us, operate_us, sampling_us)
        assert seen - least in (0, 1), (closure_us, operate_us, sampling_us, closes_us)


# ---- what the board counts, by the code of the board ----


def case(rng: np.random.Generator) -> dict[str, float]:
    """Durations near the settings, where it matters."""
    make_us, break_us = (int(value) for value in rng.integers((1, 1), (4000, 20_000)))
    near = np.exp(rng.uniform((-1, -1, -1, -3), 2))
    notch_us = break_us * near[1] * rng.integers(2)
    closure_us = make_us * near[0]
    return {
        "make_us": make_us,
        "break_us": break_us,
        "operate_us": rng.choice([0.0, 100.0, 500.0, 1000.0]),
        "sampling_us": rng.choice([20.0, 50.0, 500.0]),
        "closure_us": closure_us,
        "notch_us": notch_us,
        "second_us": closure_us * max(1.0, near[2]) if notch_us else 0.0,
        "between_us": break_us * near[3] if rng.integers(2) else math.inf,
    }


def core_counts(drawn: dict[str, float], rng: np.random.Generator) -> tuple[int, int]:
    """Closures that the C core counts, and magnets that passed."""
    one = [(0.0, drawn["closure_us"])]
    if drawn["notch_us"]:
        again = drawn["closure_us"] + drawn["notch_us"]
        one.append((again, again + drawn["second_us"]))
    magnets = 1 if math.isinf(drawn["between_us"]) else 2
    apart = one[-1][1] + (drawn["between_us"] if magnets == 2 else 0)
    held = [(start + k * apart, stop + k * apart) for k in range(magnets) for start, stop in one]
    edges = sampled_us(closed_us(held, drawn["operate_us"], rng), drawn["sampling_us"], rng)
    settings = ReplaySettings(int(drawn["make_us"]), int(drawn["break_us"]))
    done = replay(edges, np.ones(len(edges), dtype=np.uint8), settings)
    return (done.totals[1].closures if done.totals else 0), magnets


def verdict(drawn: dict[str, float]) -> Counted:
    return counted(
        drawn["closure_us"], drawn["notch_us"], drawn["between_us"], make_us=drawn["make_us"],
        break_us=drawn["break_us"], play_us=drawn["operate_us"] + drawn["sampling_us"],
    )  # fmt: skip


def test_what_is_certain_is_what_the_boards_code_counts() -> None:
    """Random closures, notches, magnets, settings and sampling, the contact late and bouncing as it likes."""
    seen = dict.fromkeys(Counted, 0)
    for seed in range(4000):
        rng = np.random.default_rng(seed)
        drawn = case(rng)
        said = verdict(drawn)
        seen[said] += 1
        count, magnets = core_counts(drawn, rng)
        play_us = drawn["operate_us"] + drawn["sampling_us"]
        agrees = {
            Counted.ONCE: count == magnets,
            Counted.MISSED: count == 0,
            Counted.TWICE: count > magnets,
            Counted.JOINED: count == 1 or drawn["notch_us"] + play_us >= drawn["break_us"],
        }
        assert agrees.get(said, True), f"default_rng({seed}): {said}, the core counts {count}: {drawn}"
    assert min(seen[said] for said in (Counted.ONCE, Counted.MISSED, Counted.TWICE, Counted.JOINED)) > 300


@pytest.mark.parametrize(
    ("said", "changed", "outcomes"),
    [
        (Counted.PERHAPS_MISSED, {"closure_us": 1500.0}, {0, 1}),
        (Counted.PERHAPS_MISSED, {"closure_us": 940.0, "between_us": 20.0}, {0, 1}),
        (Counted.PERHAPS_TWICE, {"notch_us": 10_000.0, "second_us": 5000.0}, {1, 2}),
        (Counted.PERHAPS_JOINED, {"between_us": 10_000.0}, {1, 2}),
    ],
)
def test_what_is_uncertain_goes_both_ways(
    said: Counted, changed: dict[str, float], outcomes: set[int]
) -> None:
    drawn: dict[str, float] = {
        "make_us": 1500, "break_us": 10_000, "operate_us": 500.0, "sampling_us": 50.0, "closure_us": 5000.0,
        "notch_us": 0.0, "second_us": 0.0, "between_us": math.inf,
    }  # fmt: skip
    drawn |= changed
    assert verdict(drawn) is said
    assert {core_counts(drawn, np.random.default_rng(seed))[0] for seed in range(100)} == outcomes


# ---- delay ----


def test_time_on_the_line() -> None:
    """16 bytes at 115 200 baud with start and stop bits take 1.39 ms; derived here."""
    assert line_ms(16, 115_200) == pytest.approx(1.39, abs=0.005)


def test_numbers_of_the_protocol() -> None:
    found = re.search(r"^([\d ]+) baud", PROTOCOL, re.M)
    assert found is not None
    assert int(found[1].replace(" ", "")) == timing.BAUD == BAUD
    found = re.search(r"\| 0x02 \| made \| (\d+) \|", PROTOCOL)
    assert found is not None
    assert int(found[1]) == timing.MADE_BYTES
    found = re.search(r"at most \*\*(\d+) bytes\*\* long on the line", PROTOCOL)
    assert found is not None
    assert int(found[1]) == timing.FRAME_MAX_BYTES


def test_the_record_of_a_closure_as_the_core_sends_it() -> None:
    """As long as was worked out, and decided after make_us, neither sooner nor later."""
    device = Device()
    device.receive(1000, bytes.fromhex("02400401ef3e00"))  # the hello of protocol.md, section 2
    device.poll(1000)
    while device.transmit():
        pass
    device.sample(2000, 1)
    sent = {}
    for now_us in range(2000, 8000, 50):
        device.poll(now_us)
        while frame := device.transmit():
            if frame[1] == 2:  # the type, which is never zero, follows the first code byte
                sent[now_us] = frame
    assert [(when, len(frame)) for when, frame in sent.items()] == [(3000, frame_bytes(timing.MADE_BYTES))]


@pytest.mark.parametrize(
    ("parts_ms", "delay_ms", "mm"),
    [((0.5, 5, 1, 1, 2), 9.5, 3.0), ((0.5, 5, 1, 1.39, 16, 2), 25.9, 8.3)],
)
def test_budget(parts_ms: tuple[float, ...], delay_ms: float, mm: float) -> None:
    """Contact, confirming, sampling, line, USB bridge and host at 320 mm/s; derived here."""
    assert sum(parts_ms) == pytest.approx(delay_ms, abs=0.05)
    assert way_mm(320, sum(parts_ms)) == pytest.approx(mm, abs=0.05)


# ---- stopping ----

FOOT_MM = 304.8
MPH_MM_S = 1_609_344 / 3600


@pytest.mark.parametrize(("mph", "feet"), [(20, 40), (30, 75), (40, 120), (50, 175), (60, 240), (70, 315)])
def test_typical_stopping_distances(mph: float, feet: float) -> None:
    """The Highway Code (United Kingdom), typical stopping distances; from memory. Their rule: a foot of
    thinking per mile per hour, and the square of these over 20 in feet of braking."""
    delay_ms = 1000 * FOOT_MM / MPH_MM_S
    deceleration_mm_s2 = 20 * MPH_MM_S**2 / (2 * FOOT_MM)
    assert braking_way_mm(mph * MPH_MM_S, deceleration_mm_s2, delay_ms) == pytest.approx(feet * FOOT_MM)


def speed_at(time_s: float, speed: float, slow: float, deceleration: float, delay_s: float) -> float:
    return max(slow, speed - deceleration * max(0.0, time_s - delay_s))


def integrated_mm(until_s: float, speed: float, slow: float, deceleration: float, delay_s: float) -> float:
    kinks = sorted({delay_s, delay_s + (speed - slow) / deceleration})
    way, error = quad(
        speed_at, 0, until_s, (speed, slow, deceleration, delay_s), points=kinks, limit=200
    )  # fmt: skip
    assert error < 1e-3
    return float(way)


@pytest.mark.parametrize("seed", range(20))
def test_ways_and_speeds_as_integrated_over_time(seed: int) -> None:
    rng = np.random.default_rng(seed)
    speed, deceleration, delay_s = rng.uniform((50, 50, 0.01), (800, 1000, 0.5)).tolist()
    slow = float(rng.uniform(0.0, 0.9) * speed)
    slowed_s = delay_s + (speed - slow) / deceleration
    assert braking_way_mm(speed, deceleration, 1000 * delay_s, to_mm_s=slow) == pytest.approx(
        integrated_mm(slowed_s, speed, slow, deceleration, delay_s), rel=1e-6
    )
    stopped_s = delay_s + speed / deceleration
    assert braking_way_mm(speed, deceleration, 1000 * delay_s) == pytest.approx(
        integrated_mm(stopped_s, speed, 0.0, deceleration, delay_s), rel=1e-6
    )
    for share in (0.1, 0.5, 0.9, 1.5):
        distance = share * integrated_mm(slowed_s, speed, slow, deceleration, delay_s)
        reached_s = brentq(
            lambda time_s, distance=distance: (
                integrated_mm(time_s, speed, slow, deceleration, delay_s) - distance
            ),
            0, distance / max(slow, 1.0) + slowed_s,
        )  # fmt: skip
        assert speed_after_mm_s(speed, deceleration, 1000 * delay_s, distance, to_mm_s=slow) == pytest.approx(
            speed_at(reached_s, speed, slow, deceleration, delay_s), rel=1e-4, abs=1e-3
        )
