"""Whether a train comes to rest in front of the signal: by one contact, or by one that slows and one that
stops it."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from reedproof.analysis.answer import Check, Result
from reedproof.analysis.rounding import up
from reedproof.analysis.timing import braking_way_mm, speed_after_mm_s, way_mm
from reedproof.plan_tables import TimingPlan
from reedproof.units import with_unit

SOURCE = "uniform deceleration"
ASSUMED = (
    "trains slow down evenly, and what controls them acts within command_ms (no source: measure it); one "
    "that is still braking at the stopping contact keeps its speed meanwhile",
    "a contact closes when the magnet's middle is over it; it closes sooner, which leaves more room",
)
CAUTIONS = (
    "any contact can be missed: where a train could fall or collide, let something stop it that needs none",
)


@dataclass(frozen=True)
class Stopping:
    """``slow_mm_s`` is the speed behind the braking contact; None where one contact does all."""

    approach_mm_s: float
    slow_mm_s: float | None
    deceleration_mm_s2: float
    delay_ms: float
    braking_to_stopping_mm: float | None
    stopping_to_signal_mm: float | None
    front_mm: float

    @property
    def arrival_mm_s(self) -> float:
        """The speed at the stopping contact."""
        if self.slow_mm_s is None:
            return self.approach_mm_s
        if self.braking_to_stopping_mm is None:
            return self.slow_mm_s
        return speed_after_mm_s(
            self.approach_mm_s, self.deceleration_mm_s2, self.delay_ms, self.braking_to_stopping_mm,
            to_mm_s=self.slow_mm_s,
        )  # fmt: skip

    def standstill_mm(self, speed_mm_s: float) -> float:
        """From a contact that stops the train."""
        return braking_way_mm(speed_mm_s, self.deceleration_mm_s2, self.delay_ms)

    @property
    def slowing_mm(self) -> float | None:
        """From the braking contact until the train is slow."""
        if self.slow_mm_s is None:
            return None
        return braking_way_mm(
            self.approach_mm_s, self.deceleration_mm_s2, self.delay_ms, to_mm_s=self.slow_mm_s
        )

    @property
    def to_signal_mm(self) -> float:
        """What the stopping contact has to be away from the signal."""
        return self.front_mm + self.standstill_mm(self.arrival_mm_s)

    @property
    def room_mm(self) -> float | None:
        """In front of the signal; below 0 is behind it."""
        told = self.stopping_to_signal_mm
        return None if told is None else told - self.to_signal_mm

    def results(self) -> Iterator[Result]:
        yield Result(
            "command_delay_ms", "from a contact until a train slows down", self.delay_ms, "delay + command_ms"
        )
        slowing_mm = self.slowing_mm
        at_once_mm = self.standstill_mm(self.approach_mm_s)
        yield Result(
            "standstill_mm", "from a contact straight to standstill", at_once_mm, "v t + v^2 / 2 a", SOURCE,
            f"{with_unit(at_once_mm, 'way_mm')} from {with_unit(self.approach_mm_s, 'speed_mm_s')}",
        )  # fmt: skip
        if slowing_mm is not None:
            assert self.slow_mm_s is not None
            yield Result(
                "slowing_mm", "from the braking contact until it is slow", slowing_mm,
                "v t + (v^2 - u^2) / 2 a, u the slow speed", SOURCE,
            )  # fmt: skip
            stopping_mm = self.standstill_mm(self.slow_mm_s)
            yield Result(
                "stopping_mm", "from the stopping contact to standstill, if it is slow by then",
                stopping_mm, "u t + u^2 / 2 a", SOURCE,
            )  # fmt: skip
            yield Result(
                "place_mm", "braking contact to signal, at the least",
                slowing_mm + stopping_mm + self.front_mm, "sum of both, and front_mm",
            )  # fmt: skip
        if self.slow_mm_s is not None and self.braking_to_stopping_mm is not None:
            yield Result(
                "arrival_mm_s", "speed at the stopping contact", self.arrival_mm_s,
                "sqrt(v^2 - 2 a (way - v t)), u at the least", SOURCE,
            )  # fmt: skip
            if self.arrival_mm_s > self.slow_mm_s:
                yield Result(
                    "arrival_standstill_mm", "from there to standstill, as it is not slow yet",
                    self.standstill_mm(self.arrival_mm_s), "v t + v^2 / 2 a", SOURCE,
                )  # fmt: skip
        if self.room_mm is not None:
            yield Result(
                "room_mm", "room left in front of the signal", self.room_mm,
                "stopping contact to signal - front_mm - way to standstill", SOURCE,
            )  # fmt: skip

    def checks(self) -> Iterator[Check]:
        slowing_mm = self.slowing_mm
        if slowing_mm is not None and self.braking_to_stopping_mm is not None:
            yield Check(
                "braking_to_stopping_mm", "braking to stopping contact", self.braking_to_stopping_mm,
                slowing_mm,
                f"the train comes to the second one at {with_unit(self.arrival_mm_s, 'speed_mm_s')}; "
                f"{self._slow_sooner(slowing_mm)}",
            )  # fmt: skip
        if self.stopping_to_signal_mm is not None:
            yield Check(
                "stopping_to_signal_mm", "stopping contact to signal", self.stopping_to_signal_mm,
                self.to_signal_mm,
                f"the train passes it by {up(self.to_signal_mm - self.stopping_to_signal_mm, 'way_mm')}; "
                f"put the contact {up(self.to_signal_mm, 'way_mm')} in front of it, come slower, or slow "
                "down harder"
                if self.to_signal_mm > self.stopping_to_signal_mm
                else "",
            )  # fmt: skip

    def _slow_sooner(self, slowing_mm: float) -> str:
        assert self.slow_mm_s is not None
        assert self.braking_to_stopping_mm is not None
        apart = f"put the contacts {up(slowing_mm, 'way_mm')} apart"
        free_mm = self.braking_to_stopping_mm - way_mm(self.approach_mm_s, self.delay_ms)
        if free_mm <= 0:
            return f"{apart}: it is over the second one before it is told to brake"
        harder = (self.approach_mm_s**2 - self.slow_mm_s**2) / (2 * free_mm)
        return f"{apart}, or slow down by {up(harder, 'deceleration_mm_s2')}"


def stopping_of(plan: TimingPlan, host_delay_ms: float) -> Stopping | None:
    """None where the plan does not ask for it."""
    if plan.deceleration_mm_s2 is None:
        return None
    return Stopping(
        plan.fastest_mm_s if plan.approach_mm_s is None else plan.approach_mm_s,
        plan.slow_mm_s, plan.deceleration_mm_s2, host_delay_ms + plan.command_ms,
        plan.braking_to_stopping_mm, plan.stopping_to_signal_mm, plan.front_mm,
    )  # fmt: skip
