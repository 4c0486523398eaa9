"""Which make_us and break_us a contact's recordings call for, and why.

The settings have to cover the longest blip and the longest opening within a pass, and must not reach the
shortest pass and the shortest pause between two passes. A setting is recommended when it keeps MARGIN to both
of its limits; the defaults are kept where they do.
"""

from __future__ import annotations

import enum
import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from reedproof.analysis.bounce import (
    BLIP_MAX_US,
    OPENING_MAX_US,
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
    widest_step,
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
#: No train is back so soon: a few pauses this short among long ones may be one pass counted twice.
SHORT_PAUSE_US = 250_000
#: Passes shorter than this, with all others several times as long, may be interference.
SHORT_PASS_US = 10_000
#: What is rarer than this among pauses or passes is an oddity and no habit.
FEW = 0.1


class Status(enum.Enum):
    RECOMMENDED = "recommended"
    EXCEPTIONS = "exceptions"  # recommended, though single passes are beyond any sensible setting
    UNSAFE = "unsafe"  # no sensible setting is safe
    UNCLEAR = "unclear"  # the recordings can be read in two ways, and the settings depend on which
    TOO_LITTLE = "too_little"  # data


@dataclass(frozen=True)
class Limits:
    """What a setting has to stay above, and what below; ``allowed_us`` is None where nothing limits it."""

    needed_us: int
    allowed_us: int | None


@dataclass(frozen=True)
class Evidence:
    """What was measured of one input.

    Attributes:
        pauses_us: for each trace, the shortest opening that was taken for one between two passes.
        make, breaking: limits of the settings; exceptions are left aside.
        bounce: of all passes, exceptions too.
        share_upper: with 95 % confidence no larger a share of the passes to come goes beyond the longest
            ordinary one, in any one length that is measured of a pass.
        next_closures: with 95 % probability none of this many passes to come does, likewise.
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
    pause_us: int | None = None, pass_us: int | None = None,
) -> Advice:  # fmt: skip
    """What the recordings of input ``number`` say about its settings.

    ``pause_us``, ``pass_us``: the shortest opening between two passes, and the shortest closing of a pass,
    where the user knows them. What the user does not know and the recordings do not tell is not guessed where
    the settings depend on it.
    """
    recordings = [trace.times_us[trace.inputs == number] for trace in traces]
    pauses = pauses_of(traces, number, pause_us)
    if pauses is None:
        return _without_pause(number, np.concatenate([openings(times) for times in recordings]))
    passes = find_passes(recordings, pauses, pass_us or BLIP_MAX_US)
    if not len(passes):
        return _without_passes(number, recordings, passes)
    # A bounce recording is laid out by its reader: how short its passes and pauses are, it does not tell.
    true_to_life = [at for at, trace in enumerate(traces) if trace.pause_us is None]
    real = find_passes(
        [recordings[at] for at in true_to_life], [pauses[at] for at in true_to_life], pass_us or BLIP_MAX_US
    )
    shortest_us = int(real.longest_closed_us().min()) if len(real) else None
    make = Limits(int(passes.blips_us.max(initial=0)), shortest_us)
    make_us = choose(make, make_default_us, MAKE_US_MIN)
    evidence = _weigh(passes, real, pauses, make, min(make_us or make_default_us, passes.pass_us))
    doubts = [
        *(_doubts_of_pauses(passes, min(pauses), break_default_us) if pause_us is None and len(real) else []),
        *(_doubts_of_widths(real) if pass_us is None and len(real) else []),
    ]
    if doubts:
        return Advice(number, Status.UNCLEAR, tuple(doubts), evidence=evidence)
    break_us = choose(evidence.breaking, break_default_us)
    advice = _conclude(number, evidence, make_us, break_us, make_default_us, break_default_us)
    if pause_us is None and len(real):
        return replace(advice, reasons=(*advice.reasons, _told_apart(real, min(pauses))))
    return advice


def _told_apart(passes: Passes, pause_us: int) -> str:
    how = f"passes are told apart by openings of {ms(pause_us)} ms and more"
    short = int((passes.pauses_us < SHORT_PAUSE_US).sum())
    if short == 0:
        return how
    return (
        f"{how}; {short} of {len(passes.pauses_us)} pauses are shorter than {ms(SHORT_PAUSE_US)} ms, which "
        "is right only if trains carry several magnets"
    )


def _without_pause(number: int, openings_us: Times) -> Advice:
    longest_us = int(openings_us.max())
    if len(openings_us) < PASSES_MIN:
        why = (
            f"too little: {len(openings_us)} openings, the longest {ms(longest_us)} ms, are no passes with "
            f"pauses between them; record at least {PASSES_MIN} passes with pauses of a second"
        )
        return Advice(number, Status.TOO_LITTLE, (why,))
    if longest_us < PAUSE_MIN_US:
        why = (
            f"no sensible setting is safe: {len(openings_us)} openings, none longer than {ms(longest_us)} "
            "ms: it is closed nearly all the time; move the magnet away, then look at contact and lead"
        )
        return Advice(number, Status.UNSAFE, (why,))
    why = (
        f"no sensible setting is safe: there are openings of all lengths up to {ms(longest_us)} ms, so "
        "bounce cannot be told from pauses between passes; replace the contact or its lead, or, if you know "
        "how short the pauses are, say it with --pause-ms"
    )
    return Advice(number, Status.UNSAFE, (why,))


def _without_passes(number: int, recordings: Sequence[Times], passes: Passes) -> Advice:
    if not any(len(times) for times in recordings):
        return Advice(number, Status.TOO_LITTLE, ("no edge at all: check lead and plug, then the magnet",))
    blips = len(passes.blips_us)
    if blips >= PASSES_MIN:
        why = (
            f"no sensible setting is safe: it closed {blips} times and never for {ms(BLIP_MAX_US)} ms; look "
            "for a rubbing lead, a bad joint, interference"
        )
        return Advice(number, Status.UNSAFE, (why,))
    why = f"too little: no pass, {blips} blips; record again while trains run over it"
    closed_us = [int(times[-1]) for times in recordings if len(times) % 2]
    if closed_us:
        why += f". It is closed from {closed_us[0] / 1e6:.3f} s to the end: is it stuck, or a magnet parked?"
    return Advice(number, Status.TOO_LITTLE, (why,))


def _doubts_of_pauses(passes: Passes, pause_us: int, break_default_us: int) -> list[str]:
    """Where pauses were found and not told: openings that may be either, and matter."""
    doubts = []
    dropouts = passes.dropouts_us(math.ceil(break_default_us / MARGIN) + 1)
    counts = np.array([len(one) for one in dropouts])
    several = counts[counts > 0]
    # Magnets come in the same number with every train; a bad contact opens now once and now five times.
    if len(several) and (several == np.bincount(several).argmax()).mean() >= 1 - FEW:
        lengths = np.concatenate(dropouts)
        doubts.append(
            f"unclear: {len(several)} of {len(passes)} passes hold an opening of {ms(lengths.min())} to "
            f"{ms(lengths.max())} ms between two long closings. If these are pauses between two magnets, say "
            f"--pause-ms {_option_ms(lengths.min())}; if the contact opened within a pass, say --pause-ms "
            f"{_option_ms(math.sqrt(lengths.max() * pause_us))}"
        )
    step = widest_step(passes.pauses_us)
    if step is not None and step[0] <= SHORT_PAUSE_US:
        short = int((passes.pauses_us <= step[0]).sum())
        if short <= FEW * len(passes.pauses_us):
            doubts.append(
                f"unclear: {short} of {len(passes.pauses_us)} pauses last only up to {ms(step[0])} ms, the "
                f"others at least {ms(step[1])} ms. If a second magnet came so soon, say --pause-ms "
                f"{_option_ms(pause_us)}; if one pass closed the contact twice, say --pause-ms "
                f"{_option_ms(math.sqrt(step[0] * step[1]))}"
            )
    return doubts


def _doubts_of_widths(passes: Passes) -> list[str]:
    """Where the shortest pass was not told: a few that are far shorter than all others."""
    widths = passes.longest_closed_us()
    step = widest_step(widths)
    if step is None or step[0] > SHORT_PASS_US:
        return []
    short = int((widths <= step[0]).sum())
    return [
        f"unclear: {short} of {len(passes)} passes last only up to {ms(step[0])} ms, the others at least "
        f"{ms(step[1])} ms. If these are fast trains, say --pass-ms {_option_ms(widths.min())}; if it is "
        f"interference, say --pass-ms {_option_ms(math.sqrt(step[0] * step[1]))}"
    ]


def _option_ms(length_us: float) -> str:
    """For an option: two digits, not above the length."""
    return f"{_two_digits(length_us, math.floor) / 1000:g}"


def _weigh(passes: Passes, real: Passes, pauses_us: Sequence[int], make: Limits, make_us: int) -> Evidence:
    beyond, exceptions = find_exceptions(passes, make_us)
    ordinary = passes.only(~beyond)
    opening_us = ordinary.longest_opening_us(ordinary.first, ordinary.last)
    pauses = real.pauses_us
    return Evidence(
        passes=len(passes),
        blips=len(passes.blips_us),
        pauses_us=tuple(pauses_us),
        make=make,
        breaking=Limits(int(opening_us.max(initial=0)), int(pauses.min()) if len(pauses) else None),
        bounce=measure(passes, make_us),
        exceptions=exceptions,
        share_upper=share_upper(len(passes), exceptions.count if exceptions else 0),
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
        f"{found.at_us / 1e6:.3f} s, {_described(found)}; no sensible break_us covers that with room"
    )
    return Advice(number, Status.EXCEPTIONS, (what, *reasons), make_us, break_us, evidence)


def _described(found: Exceptions) -> str:
    parts = [
        text
        for is_said, text in (
            (found.opening_us > OPENING_MAX_US, f"open for up to {ms(found.opening_us)} ms and closed again"),
            (found.making_us >= SENSIBLE_US, f"up to {ms(found.making_us)} ms until it stays closed"),
            (found.breaking_us >= SENSIBLE_US, f"up to {ms(found.breaking_us)} ms until it stays open"),
            (
                found.rattle_us >= SENSIBLE_US,
                f"up to {ms(found.rattle_us)} ms without resting for {ms(REST_US)} ms",
            ),
        )
        if is_said
    ]
    return ", ".join(parts)


def _problems(evidence: Evidence, make_us: int | None, break_us: int | None) -> list[str]:
    problems: list[str] = []
    found, breaking, make = evidence.exceptions, evidence.breaking, evidence.make
    if found and found.count > max(1, EXCEPTIONS_MAX * evidence.passes):
        problems.append(
            f"{found.count} of {evidence.passes} passes are beyond every sensible window "
            f"({_described(found)}); one that covers them acts too late, or takes two passes for one. "
            "Replace the contact or its lead"
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
    below = f"{needed} is {ms(limits.needed_us)} ms" if limits.needed_us else f"{needed}: none"
    above = f"{ms(limits.allowed_us)} ms" if limits.allowed_us is not None else "not told by the recording"
    which = "the default keeps" if chosen_us == default_us else "this keeps"
    return f"{name} {chosen_us}: {below}, {allowed}: {above}; {which} twice the distance"
