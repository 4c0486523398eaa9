"""A guided session as a case: what one contact did, step by step, beside what its board saw elsewhere."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from reedproof.analysis.bounce import BLIP_MAX_US
from reedproof.analysis.case import Case, ContactFacts, Extras, InputFacts, SeenPasses, Step
from reedproof.analysis.closures import Closures
from reedproof.analysis.visits import grouped, missed_passes, put_together

AT_USUAL_SPEED = (Step.USUAL, Step.OTHER, Step.REFERENCE)
THIS, ANOTHER = "this vehicle", "another vehicle"
WITH_PASSES = (Step.USUAL, Step.SLOW, Step.FAST, Step.OTHER, Step.REFERENCE)


@dataclass(frozen=True)
class Window:
    """From ``from_s`` to ``to_s`` (host time) a step was asked for.

    Attributes:
        passes: how many were made; None where nobody said so: then those that were seen are all there is.
        shaken_s: of WIGGLE: from when to when lead and plug were moved.
    """

    step: Step
    from_s: float
    to_s: float
    passes: int | None = None
    shaken_s: tuple[float, float] | None = None


@dataclass(frozen=True, eq=False)
class SeenInput:
    """``closures`` of one input, all of them, in order; a closure that still lasts ends with the session."""

    name: str
    facts: InputFacts
    closures: Closures


def passes_in(closures: Closures) -> tuple[list[NDArray[np.intp]], NDArray[np.intp]]:
    """The closures of each pass, and those that are none: no magnet passes so fast."""
    ms = closures.duration_ms.astype(np.float64)
    group = grouped(closures.made_s, ms)
    rows = np.split(np.arange(len(group)), np.flatnonzero(np.diff(group)) + 1) if len(group) else []
    is_pass = [not np.nansum(ms[own]) * 1000 < BLIP_MAX_US or bool(np.isnan(ms[own]).any()) for own in rows]
    passes = [own for own, good in zip(rows, is_pass, strict=True) if good]
    others = [own for own, good in zip(rows, is_pass, strict=True) if not good]
    return passes, np.concatenate([np.zeros(0, np.intp), *others])


def made_within(closures: Closures, from_s: float, to_s: float) -> Closures:
    return closures[(from_s <= closures.made_s) & (closures.made_s < to_s)]


def reference_of(
    inputs: Mapping[int, SeenInput], asked: int, from_s: float, to_s: float, passes: int | None
) -> int | None:
    """The input that was most likely passed where ``passes`` over another contact were made: it gave a number
    of passes closest to that, or the most where it is not known, and is the nearest such one. None where no
    other input answered."""
    counts = {
        number: len(passes_in(made_within(seen.closures, from_s, to_s))[0])
        for number, seen in inputs.items()
        if number != asked
    }
    answered = [number for number, count in counts.items() if count]

    def off(number: int) -> tuple[int, int, int]:
        count = counts[number]
        return -count if passes is None else abs(count - passes), abs(number - asked), number

    return min(answered, key=off, default=None)


def case_of_session(
    source: str,
    asked: int,
    inputs: Mapping[int, SeenInput],
    windows: Sequence[Window],
    from_s: float,
    to_s: float,
    *,
    speed_mm_s: float | None = None,
    unclear: str = "",
    notes: Sequence[str] = (),
) -> Case:
    """``inputs`` are all of the board, ``asked`` the one whose contact was passed. ``speed_mm_s`` is the
    usual speed, which other vehicles and other contacts are passed at as well; ``unclear`` says why passes
    could not be counted, and then none is called missed."""
    mine = inputs[asked]
    usual = 1.0 if speed_mm_s is None else speed_mm_s
    seen, is_extra = _of_asked(mine.closures, windows, usual, may_miss=not unclear)
    extras = mine.closures[is_extra]
    if not len(seen) and not unclear:
        unclear = "no pass was seen, and nobody said that one was made"
    contacts = [
        ContactFacts(
            mine.name,
            mine.facts,
            seen,
            Extras(extras.made_s, extras.duration_ms.astype(np.float64)),
            unclear,
        )
    ]
    others = [number for number in inputs if number != asked]
    for window in windows:
        if window.step is not Step.REFERENCE:
            continue
        number = reference_of(inputs, asked, window.from_s, window.to_s, window.passes)
        if number is not None:
            other = inputs[number]
            part = made_within(other.closures, window.from_s, window.to_s)
            contacts.append(
                ContactFacts(
                    other.name, other.facts, _seen(window, part, passes_in(part)[0], usual), _no_extras()
                )
            )
            others.remove(number)
    has_other = bool(np.any(seen.train == 1))
    return Case(
        source,
        from_s,
        to_s,
        (THIS, ANOTHER) if has_other else (THIS,),
        ((0,), (1,)) if has_other else ((0,),),
        tuple(contacts),
        tuple(inputs[number].facts for number in others),
        "ms" if speed_mm_s is None else "mm",
        notes=tuple(notes),
    )


def _no_extras() -> Extras:
    return Extras(np.zeros(0), np.zeros(0))


def _of_asked(
    closures: Closures, windows: Sequence[Window], usual: float, *, may_miss: bool
) -> tuple[SeenPasses, NDArray[np.bool_]]:
    """Its passes, and which of its closures belong to none. Closures while a magnet was put over it or taken
    away are neither."""
    is_extra = np.ones(len(closures), np.bool_)
    parts: list[SeenPasses] = []
    for window in windows:
        own = np.flatnonzero((window.from_s <= closures.made_s) & (closures.made_s < window.to_s))
        if window.step is Step.WIGGLE:
            is_extra[own] = False
            if window.shaken_s is not None:
                parts.append(_shaken(closures, *window.shaken_s))
        elif window.step in WITH_PASSES:
            part = closures[own]
            rows, others = passes_in(part)
            rows, surplus = _as_many_as_made(part, rows, window)
            is_extra[own] = np.isin(np.arange(len(own)), np.concatenate([others, surplus]))
            told = window if may_miss and window.step is not Step.REFERENCE else replace(window, passes=None)
            parts.append(_seen(told, part, rows, usual))
    return SeenPasses.join([_seen(Window(Step.RUN, 0, 0), closures[:0], [], usual), *parts]), is_extra


def _as_many_as_made(
    closures: Closures, rows: list[NDArray[np.intp]], window: Window
) -> tuple[list[NDArray[np.intp]], NDArray[np.intp]]:
    """Where more came than were made, the shortest were none; what was closed for as long, the later ones."""
    if window.passes is None or len(rows) <= window.passes or window.step is Step.REFERENCE:
        return rows, np.zeros(0, np.intp)
    closed_ms = [-np.nansum(closures.duration_ms[own]) for own in rows]
    kept = np.sort(np.argsort(closed_ms, kind="stable")[: window.passes])
    surplus = [own for at, own in enumerate(rows) if at not in kept]
    return [rows[at] for at in kept], np.concatenate(surplus)


def _seen(window: Window, closures: Closures, rows: list[NDArray[np.intp]], usual: float) -> SeenPasses:
    """The passes of a window, those that were made and not seen at its end."""
    missing = max(0, (window.passes or 0) - len(rows))
    train = int(window.step is Step.OTHER)
    speed = usual if window.step in AT_USUAL_SPEED else np.nan

    def same(count: int) -> tuple[NDArray[np.int16], NDArray[np.float64]]:
        return np.full(count, train, np.int16), np.full(count, speed)

    ms = closures.duration_ms.astype(np.float64)
    seen = put_together(closures, ms, rows, *same(len(rows)))
    gone = missed_passes(np.full(missing, window.to_s), *same(missing))
    joined = SeenPasses.join([seen, gone])
    return replace(joined, step=np.full(len(joined), window.step, np.int8))


def _shaken(closures: Closures, from_s: float, to_s: float) -> SeenPasses:
    """One pass that lasted as long as lead and plug were moved: whatever opens then, the magnet stands
    still. Bounces and dropouts are of all closures that reach into that time."""
    ends_s = np.nan_to_num(closures.made_s + closures.duration_ms.astype(np.float64) / 1000, nan=np.inf)
    part = closures[(closures.made_s < to_s) & (ends_s > from_s)]
    window = Window(Step.WIGGLE, from_s, to_s, passes=1)
    if not len(part):
        return _seen(window, part, [], np.nan)
    made_s = np.maximum(part.made_s, from_s)
    ends_s = np.minimum(ends_s[(closures.made_s < to_s) & (ends_s > from_s)], to_s)
    ms = (ends_s - made_s) * 1000
    clipped = Closures(part.contact, made_s, ms.astype(np.float32), part.bounces, part.dropouts)
    return _seen(window, clipped, [np.arange(len(part))], np.nan)
