"""Cases made by hand, without any simulation: a loop of contacts that a train passes one after the other."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from reedproof.analysis.case import (
    PARTS,
    Case,
    ContactFacts,
    Counts,
    Extras,
    InputFacts,
    SeenPasses,
    Step,
)

NAMES = ("quarry", "mill", "quay", "yard", "halt", "depot")
LAP_S, STEP_S = 60.0, 10.0
LAPS = 200
SPEED_MM_S, MS = 200.0, 60.0  # so that a closure is 12 mm long
QUIET = Counts(12_000.0, 2000, LAPS, 0, 0, 0, 0)


def passes(
    count: int,
    *,
    at_s: Any = None,
    closures: Any = 1,
    train: Any = 0,
    step: Any = Step.RUN,
    speed: Any = SPEED_MM_S,
    parts_ms: Any = None,
    gaps_ms: Any = None,
    bounces: Any = 0,
    dropouts: Any = 0,
) -> SeenPasses:
    """Each may be one value for all or one for each pass; parts and gaps are rows, by default what the
    number of closures says: parts of 60 ms, gaps of 6 ms."""
    number = np.broadcast_to(np.asarray(closures, np.int16), count)
    parts = np.full((count, PARTS), MS) if parts_ms is None else _rows(parts_ms, count, PARTS)
    gaps = np.full((count, PARTS - 1), 6.0) if gaps_ms is None else _rows(gaps_ms, count, PARTS - 1)
    parts = np.where(np.arange(PARTS) < number[:, None], parts, np.nan)
    gaps = np.where(np.arange(PARTS - 1) < number[:, None] - 1, gaps, np.nan)
    return SeenPasses(
        np.array(np.arange(count) * LAP_S if at_s is None else at_s, np.float64),
        *(
            np.array(np.broadcast_to(each, count), kind)
            for each, kind in ((train, np.int16), (step, np.int8), (speed, np.float64))
        ),
        np.array(number),
        parts,
        gaps,
        np.array(np.broadcast_to(bounces, count), np.int32),
        np.array(np.broadcast_to(dropouts, count), np.int32),
    )


def _rows(given: Any, count: int, width: int) -> NDArray[np.float64]:
    rows = np.asarray(given, np.float64)
    if rows.ndim < 2:
        rows = np.broadcast_to(rows, (count, rows.shape[0]))
    return np.concatenate([rows, np.full((count, width - rows.shape[1]), np.nan)], axis=1)


def extras(*at_s_and_ms: tuple[float, float]) -> Extras:
    at_s, ms = np.array(sorted(at_s_and_ms), np.float64).reshape(len(at_s_and_ms), 2).T
    return Extras(at_s, ms)


def an_input(
    number: int, board: str = "one", closures_at_s: Sequence[float] = (), **known: Any
) -> InputFacts:
    facts = InputFacts(board, number, QUIET, 1000, 10_000, None, (), np.array(closures_at_s, np.float64))
    return replace(facts, **known)


def contact(
    name: str, number: int, seen: SeenPasses, extra: Extras | None = None, unclear: str = "", **known: Any
) -> ContactFacts:
    """Its input closed with each pass that was seen and with each extra closure."""
    extra = extra or extras()
    at_s = np.sort(np.concatenate([seen.at_s[~seen.missed], extra.at_s]))
    return ContactFacts(name, an_input(number, closures_at_s=at_s, **known), seen, extra, unclear)


def usual(at: int, seed: int = 1, laps: int = LAPS, **but: Any) -> SeenPasses:
    """Passes of the contact at that position as they should be: about 12 mm, one or two bounces; trains are
    a tenth faster and slower."""
    rng = np.random.default_rng([seed, at])
    pace = rng.normal(0, 0.1, laps)
    keys: dict[str, Any] = {
        "at_s": LAP_S * np.arange(laps) + STEP_S * at + rng.normal(0, 0.3, laps),
        "speed": SPEED_MM_S * np.exp(pace),
        "parts_ms": (MS * np.exp(rng.normal(0, 0.03, laps) - pace))[:, None],
        "bounces": rng.poisson(1.5, laps),
    }
    return passes(laps, **{**keys, **but})


def contacts(laps: int = LAPS, **usually: Any) -> list[ContactFacts]:
    """All of them in order."""
    return [contact(name, at + 1, usual(at, laps=laps, **usually)) for at, name in enumerate(NAMES)]


def case(
    all_contacts: Sequence[ContactFacts],
    spares: Sequence[InputFacts] = (),
    trains: tuple[str, ...] = ("slate",),
    **but: Any,
) -> Case:
    keys: dict[str, Any] = {
        "source": "by hand",
        "from_s": -LAP_S,
        "to_s": LAP_S * LAPS + LAP_S,
        "alike": tuple((at,) for at in range(len(trains))),
        "length_unit": "mm",
        **but,
    }
    return Case(trains=trains, contacts=tuple(all_contacts), spares=tuple(spares), **keys)


def with_one(at: int, changed: ContactFacts, among: Sequence[ContactFacts] | None = None) -> Case:
    """A case in which one contact is not like the others."""
    all_contacts = list(among if among is not None else contacts())
    all_contacts[at] = changed
    return case(all_contacts)
