"""Which make_us and break_us a contact's recordings call for, and why.

The settings have to cover the longest blip and the longest opening within a pass, and must not reach the
shortest pass and the shortest pause between two passes. A setting is recommended when it keeps MARGIN to both
of its limits; the defaults are kept where they do.
"""

from __future__ import annotations

import enum
import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from reedproof.analysis.bounce import (
    BLIP_MAX_US,
    PAUSE_MIN_US,
    REST_US,
    SENSIBLE_US,
    Bounce,
    Exceptions,
    Passes,
    Times,
    find_exceptions,
    find_passes,
    find_pause,
    measure,
    ms,
    openings,
)
from reedproof.analysis.confidence import next_below_largest, share_upper
from reedproof.trace import Trace

#: Kept to either side of a limit: twice the longest bounce seen, half of the shortest pass seen. A rule of
#: ours, no claim; what the data proves is said by the bounds.
MARGIN = 2.0
#: Passes beyond what is sensible are named and left aside if they are no more than this share, or one.
EXCEPTIONS_MAX = 0.001
#: Fewer passes say too little: 22 without a failure are the usual plan for 90 % reliability at 90 %
#: confidence (success run: ln 0.1 / ln 0.9).
PASSES_MIN = 22
MAKE_US_MIN = 200  # four samples of a board


class Status(enum.Enum):
    RECOMMENDED = "recommended"
    EXCEPTIONS = "exceptions"  # recommended, though single passes are beyond any sensible setting
    UNSAFE = "unsafe"  # no sensible setting is safe
    TOO_LITTLE = "too_little"  # data


@dataclass(frozen=True)
class Limits:
    """What a setting has to stay above, and what below; ``allowed_us`` is None where nothing limits it."""

    needed_us: int
    allowed_us: int | None


@dataclass(frozen=True)
class Evidence:
    """What was measured of one input, ordinary passes only where there are exceptions.

    Attributes:
        pauses_us: for each trace, the shortest opening that was taken for one between two passes.
        share_upper: with 95 % confidence no larger a share of the closures to come bounces longer than the
            longest of the ordinary ones.
        next_closures: with 95 % probability none of this many closures to come does.
    """

    passes: int
    blips: int
    pauses_us: tuple[int, ...]
    make: Limits
    breaking: Limits
    bounce: Bounce
    exceptions: Exceptions | None
    share_upper: float
    next_closures: int


@dataclass(frozen=True)
class Advice:
    """What one input's recordings say about its settings.

    Attributes:
        make_us, break_us: None where nothing can be recommended.
        reasons: sentences for the user, the most important first.
        evidence: None where no passes could be told apart.
    """

    input: int
    status: Status
    reasons: tuple[str, ...]
    make_us: int | None = None
    break_us: int | None = None
    evidence: Evidence | None = None


def choose(limits: Limits, default_us: int, least_us: int = 1) -> int | None:
    """A setting between the limits with MARGIN to both: the default if it has it, else the nearest that has.
    None if there is none."""
    low = max(limits.needed_us * MARGIN, least_us)
    high = min(SENSIBLE_US, math.inf if limits.allowed_us is None else limits.allowed_us / MARGIN)
    if low > high:
        return None
    if default_us < low:
        return min(_two_digits(low, math.ceil), math.floor(high))
    return default_us if default_us <= high else max(_two_digits(high, math.floor), math.ceil(low))


def _two_digits(value: float, towards: Callable[[float], int]) -> int:
    """Rounded, so that nobody takes the third digit for knowledge."""
    unit: int = 10 ** max(0, math.floor(math.log10(max(value, 1))) - 1)
    return towards(value / unit) * unit


def pauses_of(traces: Sequence[Trace], number: int, pause_us: int | None = None) -> list[int] | None:
    """For each trace the shortest opening of input ``number`` between two passes: as the user knows it, as
    the trace tells, or as found from the openings of all traces that do not tell; None where it cannot be."""
    pauses = [pause_us if pause_us is not None else trace.pause_us for trace in traces]
    untold = [
        openings(trace.times_us[trace.inputs == number])
        for trace, told in zip(traces, pauses, strict=True)
        if told is None
    ]
    unknown = np.concatenate(untold) if untold else np.zeros(0, dtype=np.int64)
    found_us = find_pause(unknown) if len(unknown) else PAUSE_MIN_US
    return None if found_us is None else [found_us if told is None else told for told in pauses]


def advise(
    traces: Sequence[Trace], number: int, make_default_us: int, break_default_us: int,
    pause_us: int | None = None,
) -> Advice:  # fmt: skip
    """What the recordings of input ``number`` say about its settings.

    ``pause_us``: the shortest opening between two passes, where the user knows it.
    """
    recordings = [trace.times_us[trace.inputs == number] for trace in traces]
    pauses = pauses_of(traces, number, pause_us)
    if pauses is None:
        return _without_pause(number, np.concatenate([openings(times) for times in recordings]))
    passes = find_passes(recordings, pauses)
    if not len(passes):
        why = (
            f"too little: no pass, {len(passes.blips_us)} closings below {ms(BLIP_MAX_US)} ms; record again "
            "while trains run over it"
        )
        return Advice(number, Status.TOO_LITTLE, (why,))
    make = Limits(int(passes.blips_us.max(initial=0)), int(passes.longest_closed_us().min()))
    make_us = choose(make, make_default_us, MAKE_US_MIN)
    evidence = _weigh(passes, pauses, make, make_us or min(make_default_us, BLIP_MAX_US))
    break_us = choose(evidence.breaking, break_default_us)
    return _conclude(number, evidence, make_us, break_us, make_default_us, break_default_us)


def _without_pause(number: int, openings_us: Times) -> Advice:
    longest_us = int(openings_us.max())
    if longest_us < PAUSE_MIN_US or len(openings_us) < PASSES_MIN:
        why = (
            f"too little: {len(openings_us)} openings, the longest {ms(longest_us)} ms, are no passes with "
            f"pauses between them; record at least {PASSES_MIN} passes with pauses of a second"
        )
        return Advice(number, Status.TOO_LITTLE, (why,))
    why = (
        f"no sensible setting is safe: there are openings of all lengths up to {ms(longest_us)} ms, so "
        "bounce cannot be told from pauses between passes; replace the contact or its lead, or, if you know "
        "how short the pauses are, say it with --pause-ms"
    )
    return Advice(number, Status.UNSAFE, (why,))


def _weigh(passes: Passes, pauses_us: Sequence[int], make: Limits, make_us: int) -> Evidence:
    beyond, exceptions = find_exceptions(passes, make_us)
    ordinary = passes.only(~beyond) if not beyond.all() else passes
    opening_us = ordinary.longest_opening_us(ordinary.first, ordinary.last)
    pauses = passes.pauses_us
    count = exceptions.count if exceptions else 0
    return Evidence(
        passes=len(passes),
        blips=len(passes.blips_us),
        pauses_us=tuple(pauses_us),
        make=make,
        breaking=Limits(int(opening_us.max()), int(pauses.min()) if len(pauses) else None),
        bounce=measure(ordinary, make_us),
        exceptions=exceptions,
        share_upper=share_upper(len(passes), count),
        next_closures=0 if exceptions else next_below_largest(len(passes)),
    )


def _conclude(
    number: int, evidence: Evidence, make_us: int | None, break_us: int | None,
    make_default_us: int, break_default_us: int,
) -> Advice:  # fmt: skip
    problems = _problems(evidence, make_us, break_us)
    if problems:
        reasons = (f"no sensible setting is safe: {problems[0]}", *problems[1:])
        return Advice(number, Status.UNSAFE, reasons, evidence=evidence)
    if evidence.passes < PASSES_MIN:
        why = (
            f"too little: {evidence.passes} passes, where at least {PASSES_MIN} are wanted and some hundred "
            "are better; keep the settings as they are and record more"
        )
        return Advice(number, Status.TOO_LITTLE, (why,), evidence=evidence)
    assert make_us is not None
    assert break_us is not None
    reasons = (
        _why("make_us", make_us, make_default_us, evidence.make, "the longest blip", "the shortest pass"),
        _why(
            "break_us", break_us, break_default_us, evidence.breaking, "the longest opening within a pass",
            "the shortest pause between two",
        ),
    )  # fmt: skip
    if evidence.exceptions is None:
        return Advice(number, Status.RECOMMENDED, reasons, make_us, break_us, evidence)
    found = evidence.exceptions
    what = (
        f"{found.count} of {evidence.passes} passes {'is' if found.count == 1 else 'are'} left aside: at "
        f"{found.at_us / 1e6:.3f} s, {_described(found)}; no break_us up to {ms(SENSIBLE_US)} ms covers that"
    )
    return Advice(number, Status.EXCEPTIONS, (what, *reasons), make_us, break_us, evidence)


def _described(found: Exceptions) -> str:
    parts = [
        text
        for length_us, text in (
            (found.opening_us, f"open for up to {ms(found.opening_us)} ms and closed again"),
            (found.making_us, f"up to {ms(found.making_us)} ms until it stays closed"),
            (found.breaking_us, f"up to {ms(found.breaking_us)} ms until it stays open"),
            (found.rattle_us, f"up to {ms(found.rattle_us)} ms without resting for {ms(REST_US)} ms"),
        )
        if length_us >= SENSIBLE_US
    ]
    return ", ".join(parts)


def _problems(evidence: Evidence, make_us: int | None, break_us: int | None) -> list[str]:
    problems: list[str] = []
    found, breaking, make = evidence.exceptions, evidence.breaking, evidence.make
    if found and found.count > max(1, EXCEPTIONS_MAX * evidence.passes):
        magnets = (
            "; if the long openings are pauses between two magnets, say how short with --pause-ms"
            if found.opening_us >= SENSIBLE_US
            else ""
        )
        problems.append(
            f"{found.count} of {evidence.passes} passes bounce for {ms(SENSIBLE_US)} ms and more "
            f"({_described(found)}); a window that long would act on a train too late and take two passes "
            f"for one. Replace the contact or its lead{magnets}"
        )
    elif break_us is None:
        pause = (
            f", and two passes come within {ms(breaking.allowed_us)} ms"
            if breaking.allowed_us is not None and breaking.allowed_us < MARGIN * SENSIBLE_US
            else ""
        )
        problems.append(
            f"openings within a pass last up to {ms(breaking.needed_us)} ms{pause}: no break_us up to "
            f"{ms(SENSIBLE_US)} ms keeps twice the distance to both; look for a bad joint and for a weak or "
            "turned magnet"
        )
    if make_us is None:
        problems.append(
            f"blips last up to {ms(make.needed_us)} ms and the shortest pass only "
            f"{ms(make.allowed_us or 0)} ms: no make_us keeps twice the distance to both; look for "
            "interference, and for a weak magnet"
        )
    return problems


def _why(name: str, chosen_us: int, default_us: int, limits: Limits, needed: str, allowed: str) -> str:
    room = f"{needed} is {ms(limits.needed_us)} ms" if limits.needed_us else f"{needed}: none"
    room += f", {allowed} {ms(limits.allowed_us)} ms" if limits.allowed_us is not None else ""
    which = "the default keeps" if chosen_us == default_us else "this keeps"
    return f"{name} {chosen_us}: {room}; {which} twice the distance to both"
