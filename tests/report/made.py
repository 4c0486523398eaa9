"""Runs written into a store, with known truth: a train going round, and what its contacts made of it."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from reedproof.records import Broke, Hello, Made, Record
from reedproof.store import Store

STARTED_S = 1_764_000_000.0
NAMES = (
    "quarry, braking", "quarry, stopping", "crusher", "incline foot, braking", "incline foot, stopping",
    "weighbridge", "mill, braking", "mill, stopping",
)  # fmt: skip
STEP_S = 6.0  # from contact to contact
SETTINGS = {"inputs": {str(number): {"make_us": 1000, "break_us": 10_000} for number in range(1, 17)}}


def sheet(names: Sequence[str] = NAMES, layout: str = "Fernhollow slate tramway") -> dict[str, Any]:
    """One loop over two boards: the first half of the contacts on 'quarry', the others on 'mill'."""
    half = (len(names) + 1) // 2
    return {
        "layout": {"name": layout, "scale": "1:32"},
        "boards": {"quarry": {"kind": "virtual"}, "mill": {"kind": "virtual"}},
        "contacts": [
            {
                "name": name,
                "board": "quarry" if at < half else "mill",
                "input": at % half + 1,
                "purpose": "braking"
                if "braking" in name
                else "stopping"
                if "stopping" in name
                else "passing",
                "place_mm": 800.0 * at,
                "plug": f"P{at + 1}",
            }
            for at, name in enumerate(names)
        ],
        "routes": [{"name": "main line", "kind": "loop", "contacts": list(names), "speed_mm_s": 130}],
        "trains": [{"name": "stone train", "route": "main line"}],
    }


@dataclass(frozen=True)
class Wrong:
    """What goes wrong, by position of the contact: shares of passes missed and of extra closures, and by how
    much closures are shorter in the end. In the part ``away`` of the run nothing came from board 'mill'."""

    missed: Mapping[int, float] = field(default_factory=dict)
    extra: Mapping[int, float] = field(default_factory=dict)
    shorter: Mapping[int, float] = field(default_factory=dict)
    away: tuple[float, float] = (0.0, 0.0)
    seed: int = 1


@dataclass(frozen=True)
class Truth:
    passes: list[int]
    missed: list[int]
    extra: list[int]


def hello(board: int) -> Hello:
    return Hello(
        protocol=1, build=0xC0FFEE, kind=0, board=board, boot=1, reset_cause=1, inputs=16, sample_us=50,
        flags=0, time_us=0, oldest=0, next=0, ring=64,
    )  # fmt: skip


def _closures(count: int, laps: int, wrong: Wrong, truth: Truth) -> Iterator[tuple[float, int, float, int]]:
    """(seconds since the start, contact, milliseconds closed, bounces)."""
    rng = np.random.default_rng(wrong.seed)
    at_s = 2.0
    for step in range(laps * count):
        lap, contact = divmod(step, count)
        pace = float(np.exp(rng.normal(0, 0.08)))
        at_s += STEP_S * pace
        part = step / (laps * count)
        if contact >= (count + 1) // 2 and wrong.away[0] <= part < wrong.away[1]:
            continue
        truth.passes[contact] += 1
        shorter = 1 - wrong.shorter.get(contact, 0.0) * lap / laps
        length_ms = 60 * pace * shorter * float(np.exp(rng.normal(0, 0.05)))
        if rng.random() < wrong.missed.get(contact, 0.0):
            truth.missed[contact] += 1
        else:
            yield at_s, contact, length_ms, int(rng.poisson(2))
        if rng.random() < wrong.extra.get(contact, 0.0):
            truth.extra[contact] += 1
            yield at_s + STEP_S / 3, contact, 15.0, 1


def write_run(
    store: Store,
    laps: int,
    plan: Mapping[str, Any],
    wrong: Wrong,
    *,
    outcome: str | None = "met",
    names: Sequence[str] = NAMES,
    simulated: bool = False,
    seed: int | None = None,
    begun_s: float = STARTED_S,
    plans: Mapping[str, Any] | None = None,
) -> tuple[int, Truth]:
    """A run of so many laps; its number and the truth about it. Without an outcome it is left unfinished.
    ``plans``: the sheet's table [plan]."""
    count = len(names)
    half = (count + 1) // 2
    truth = Truth([0] * count, [0] * count, [0] * count)
    sheet_used = {**sheet(names), **({"plan": plans} if plans else {})}
    run_id = store.begin_run(begun_s, sheet_used, plan, simulated=simulated, seed=seed)
    closed = sorted(_closures(count, laps, wrong, truth))
    ended_s = begun_s + max((after_s for after_s, *_ in closed), default=0.0) + 5.0
    for at, name in enumerate(("quarry", "mill")):
        boot_id = store.boot(hello(0x6A000 + run_id * 16 + at), begun_s)
        store.join_run(run_id, name, boot_id, 0, begun_s, SETTINGS)
        batch: list[tuple[Record, float]] = []
        for after_s, contact, length_ms, bounces in closed:
            if contact // half != at:
                continue
            made_us, number, input_ = round(after_s * 1e6), len(batch), contact % half + 1
            broke_us = made_us + round(1000 * length_ms)
            batch.append((Made(number, input_, made_us, bounces, 31, 62), begun_s + after_s))
            batch.append(
                (
                    Broke(number + 1, input_, broke_us, 0, 0, int(length_ms)),
                    begun_s + after_s + length_ms / 1000,
                )
            )
        store.add(boot_id, batch)
        store.heard(run_id, boot_id, ended_s)
    if wrong.away[1]:
        from_s, to_s = (begun_s + part * (ended_s - begun_s) for part in wrong.away)
        store.add_run_gap(run_id, "mill", from_s, to_s, "lost", "unplugged; records 300 to 340 are lost")
    if outcome is not None:
        store.end_run(run_id, ended_s, outcome)
    return run_id, truth
