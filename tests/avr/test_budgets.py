"""The budgets of the ATmega328P, held by the same measurements that `make bench` prints: they count
simulated cycles and bytes, so they are the same on every machine."""

from __future__ import annotations

import re

from benchmarks import avr


def test_budgets_of_the_atmega328p() -> None:
    seen: list[str] = []

    def report(name: str, value: float, unit: str, target: str) -> None:
        found = re.fullmatch(r"([<>]=) ([\d.]+)", target)
        if found:
            limit = float(found[2])
            assert value <= limit if found[1] == "<=" else value >= limit, f"{name}: {value} {unit}"
            seen.append(name)

    idle = avr.sampling(report)
    report("sampling interrupt / counter loop", idle / avr.counter_loop(), "", "<= 0.12")
    avr.memory(report)
    assert len(seen) == 11, seen


def test_a_full_line_loses_nothing() -> None:
    assert avr.carries(900, host_us=10_000)
