"""The C debouncer, driven step by step; what it says comes as the reference model says it."""

from __future__ import annotations

from dataclasses import replace

from core.reference import Event
from reedproof.records import width_code
from reedproof.sim.core import ffi, lib
from strategies import Timing

KINDS = ["nothing", "made", "broke", "blip", "dropout"]


class Debouncer:
    """Times are since the first edge; the clock of the C code begins at ``start_us`` and wraps."""

    def __init__(self, timing: Timing, start_us: int = 0) -> None:
        self._debounce = ffi.new("struct debounce *")
        self._settings = ffi.new("struct debounce_settings *", timing.__dict__)
        self._event = ffi.new("struct debounce_event *")
        self._start_us = start_us
        self.said: list[Event] = []
        lib.debounce_init(self._debounce)

    def edge(self, time_us: int) -> None:
        level = lib.debounce_closed(self._debounce)
        lib.debounce_edge(self._debounce, self._settings, self._clock(time_us), self._event)
        assert lib.debounce_closed(self._debounce) is not level
        self._note(time_us)

    def look(self, time_us: int) -> None:
        lib.debounce_settle(self._debounce, self._settings, self._clock(time_us), self._event)
        self._note(time_us)

    def _clock(self, time_us: int) -> int:
        return (self._start_us + time_us) % 2**32

    def _note(self, said_us: int) -> None:
        event = self._event
        kind = KINDS[event.kind]
        if kind == "nothing":
            return
        is_firm = kind in ("made", "broke")
        self.said.append(
            Event(
                kind,
                said_us,
                (event.time_us - self._start_us) % 2**32 if is_firm else None,
                event.pairs,
                event.longest if kind != "broke" else None,
                event.settle_us if kind == "made" else None,
                event.dropouts if kind == "broke" else None,
                event.duration_us if kind == "broke" else None,
            )
        )


def as_said(event: Event, said_us: int) -> Event:
    """What the C code should say of an event of the reference at that time: widths as codes, dropouts that
    stay at their largest."""
    return replace(
        event,
        at_us=said_us,
        longest_us=None if event.longest_us is None else width_code(event.longest_us),
        dropouts=None if event.dropouts is None else min(event.dropouts, 255),
    )
