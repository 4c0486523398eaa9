"""Faults of one input: each limit exactly, and then any order of happenings against the rules."""

from __future__ import annotations

from typing import Any

import pytest
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, invariant, rule

from reedproof.records import Fault
from reedproof.sim.core import ffi, lib
from strategies import examples

STUCK, NEVER, CHATTER, SHORTED = Fault.STUCK_CLOSED, Fault.NEVER_TRIGGERED, Fault.CHATTER, Fault.SHORTED
NONE = Fault(0)


def settings_of(
    stuck_ms: int = 60_000, silent_ms: int = 600_000, traffic: int = 20, chatter_edges: int = 95
) -> Any:
    return ffi.new("struct fault_settings *", [stuck_ms, silent_ms, traffic, chatter_edges])


def fresh() -> Any:
    fault = ffi.new("struct fault *")
    ffi.buffer(fault)[:] = b"\xff" * ffi.sizeof("struct fault")  # whatever was in memory
    lib.fault_init(fault)
    assert (lib.fault_active(fault), lib.fault_muted(fault), fault.edges) == (0, False, 0)
    return fault


@pytest.mark.parametrize("limit", [1, 95, 254])
def test_chatter_is_one_edge_more_than_the_limit(limit: int) -> None:
    fault, settings = fresh(), settings_of(chatter_edges=limit)
    assert [lib.fault_edge(fault, settings) for _ in range(limit)] == [0] * limit
    assert lib.fault_edge(fault, settings) == CHATTER
    assert lib.fault_edge(fault, settings) == NONE  # said once
    assert not lib.fault_muted(fault)  # what was being made still counts
    assert lib.fault_window(fault, settings) == NONE
    assert lib.fault_muted(fault)
    assert lib.fault_active(fault) == CHATTER


@pytest.mark.parametrize("limit", [1, 95, 254])
def test_chatter_ends_with_a_calm_second(limit: int) -> None:
    fault, settings = fresh(), settings_of(chatter_edges=limit)
    for _ in range(2):  # two loud seconds
        for _ in range(limit + 1):
            lib.fault_edge(fault, settings)
        assert lib.fault_window(fault, settings) == NONE
        assert lib.fault_muted(fault)
    for _ in range(limit):  # as many as are allowed
        assert lib.fault_edge(fault, settings) == NONE
    assert lib.fault_window(fault, settings) == CHATTER
    assert not lib.fault_muted(fault)
    assert lib.fault_active(fault) == NONE


def test_a_storm_of_edges_does_not_wrap() -> None:
    fault, settings = fresh(), settings_of(chatter_edges=254)
    for _ in range(1000):
        lib.fault_edge(fault, settings)
    assert fault.edges == 255
    lib.fault_window(fault, settings)
    assert lib.fault_muted(fault)


def test_stuck_closed_after_stuck_ms() -> None:
    fault, settings = fresh(), settings_of(stuck_ms=5000)
    assert lib.fault_made(fault, False) == NONE
    assert lib.fault_closed(fault, settings, 5000) == NONE
    assert lib.fault_closed(fault, settings, 5001) == STUCK
    assert lib.fault_closed(fault, settings, 6000) == NONE
    assert lib.fault_broke(fault) == STUCK
    assert lib.fault_active(fault) == NONE
    assert lib.fault_broke(fault) == NONE


def test_stuck_ms_of_0_is_never() -> None:
    assert lib.fault_closed(fresh(), settings_of(stuck_ms=0), 2**32 - 1) == NONE


def test_closed_at_power_up_is_stuck_at_once() -> None:
    fault = fresh()
    assert lib.fault_made(fault, True) == STUCK
    assert lib.fault_broke(fault) == STUCK


def test_never_triggered_by_traffic() -> None:
    fault, settings = fresh(), settings_of(silent_ms=0, traffic=20)
    assert lib.fault_silence(fault, settings, 2**32 - 1, 19) == NONE
    assert lib.fault_silence(fault, settings, 0, 20) == NEVER
    assert lib.fault_silence(fault, settings, 0, 21) == NONE
    assert lib.fault_made(fault, False) == NEVER  # gone
    assert lib.fault_silence(fault, settings, 2**32 - 1, 0xFFFF) == NONE  # it was triggered
    assert lib.fault_arm(fault) == NONE
    assert lib.fault_silence(fault, settings, 0, 20) == NEVER
    assert lib.fault_arm(fault) == NEVER


def test_never_triggered_by_silence() -> None:
    fault, settings = fresh(), settings_of(silent_ms=600_000, traffic=0)
    assert lib.fault_silence(fault, settings, 599_999, 0xFFFF) == NONE
    assert lib.fault_silence(fault, settings, 600_000, 0) == NEVER


def test_silent_ms_and_traffic_of_0_are_never() -> None:
    assert lib.fault_silence(fresh(), settings_of(silent_ms=0, traffic=0), 2**32 - 1, 0xFFFF) == NONE


def test_shorted_follows_the_self_test() -> None:
    fault = fresh()
    assert lib.fault_shorted(fault, False) == NONE
    assert lib.fault_shorted(fault, True) == SHORTED
    assert lib.fault_shorted(fault, True) == NONE
    assert lib.fault_active(fault) == SHORTED
    assert lib.fault_shorted(fault, False) == SHORTED


class Happenings(RuleBasedStateMachine):
    """Every order of happenings. The model keeps why a fault holds, and derives the faults from that."""

    LIMIT = 5

    def __init__(self) -> None:
        super().__init__()
        self.fault = fresh()
        self.settings = settings_of(stuck_ms=1000, silent_ms=2000, traffic=3, chatter_edges=self.LIMIT)
        self.stuck = self.triggered = self.silent = self.shorted = False
        self.edges = 0
        self.loud_before = False
        self.before = NONE

    def active(self) -> Fault:
        chatter = self.loud_before or self.edges > self.LIMIT
        return Fault(STUCK * self.stuck | NEVER * self.silent | CHATTER * chatter | SHORTED * self.shorted)

    def check(self, changed: int) -> None:
        """What a call returns is what changed."""
        assert changed == self.before ^ self.active()
        self.before = self.active()

    @rule(count=st.integers(1, 8))
    def edges_come(self, count: int) -> None:
        for _ in range(count):
            self.edges += 1
            self.check(lib.fault_edge(self.fault, self.settings))

    @rule()
    def second_ends(self) -> None:
        self.loud_before = self.edges > self.LIMIT
        self.edges = 0
        self.check(lib.fault_window(self.fault, self.settings))

    @rule(at_power_up=st.booleans())
    def makes(self, at_power_up: bool) -> None:
        self.triggered = True
        self.silent = False
        self.stuck = self.stuck or at_power_up
        self.check(lib.fault_made(self.fault, at_power_up))

    @rule()
    def breaks(self) -> None:
        self.stuck = False
        self.check(lib.fault_broke(self.fault))

    @rule(closed_ms=st.sampled_from([0, 999, 1000, 1001, 2**32 - 1]))
    def is_closed(self, closed_ms: int) -> None:
        self.stuck = self.stuck or closed_ms > 1000
        self.check(lib.fault_closed(self.fault, self.settings, closed_ms))

    @rule()
    def is_armed(self) -> None:
        self.triggered = self.silent = False
        self.check(lib.fault_arm(self.fault))

    @rule(armed_ms=st.sampled_from([0, 1999, 2000, 2**32 - 1]), closures=st.sampled_from([0, 2, 3, 0xFFFF]))
    def is_silent(self, armed_ms: int, closures: int) -> None:
        self.silent = self.silent or (not self.triggered and (armed_ms >= 2000 or closures >= 3))
        self.check(lib.fault_silence(self.fault, self.settings, armed_ms, closures))

    @rule(shorted=st.booleans())
    def is_tested(self, shorted: bool) -> None:
        self.shorted = shorted
        self.check(lib.fault_shorted(self.fault, shorted))

    @invariant()
    def holds(self) -> None:
        assert lib.fault_active(self.fault) == self.active()
        assert lib.fault_muted(self.fault) == self.loud_before


TestHappenings = Happenings.TestCase
TestHappenings.settings = examples(150, steps=40)
