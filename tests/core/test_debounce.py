"""The debouncer: timelines by hand, then everything against the reference debouncer."""

from __future__ import annotations

import random
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import pytest
from hypothesis import given
from hypothesis import strategies as st

from core import reference
from core.reference import Event
from reedproof.records import width_code
from reedproof.sim.core import ffi, lib
from strategies import Timing, edge_traces, examples, timings

KINDS = ["nothing", "made", "broke", "blip", "dropout"]
OPEN, CLOSED = 0, 2  # settled phases
NEAR_WRAP = [0, 7777, 2**32 - 1, 2**32 - 3000, 2**31 - 20]


@dataclass(frozen=True)
class Seen:
    """What the C debouncer said, and when it said so; widths are codes, times as since the first edge."""

    said_us: int
    kind: str
    time_us: int | None
    pairs: int
    longest: int | None
    settle_us: int | None
    dropouts: int | None
    duration_us: int | None


def seen_from(event: Event, polls: Sequence[int]) -> Seen:
    """What C should say of ``event``: at the first poll from which on it is due."""
    longest = None if event.longest_us is None else width_code(event.longest_us)
    dropouts = None if event.dropouts is None else min(event.dropouts, 255)
    said_us = next(poll for poll in polls if poll >= event.at_us)
    return Seen(
        said_us, event.kind, event.time_us, event.pairs, longest, event.settle_us, dropouts, event.duration_us
    )


def run(edges: Sequence[int], timing: Timing, polls: Iterable[int] = (), start_us: int = 0) -> list[Seen]:
    """The C debouncer over ``edges``, looked at in between at ``polls``; its clock begins at ``start_us``."""
    debounce = ffi.new("struct debounce *")
    settings = ffi.new("struct debounce_settings *", {"make_us": timing.make_us, "break_us": timing.break_us})
    event = ffi.new("struct debounce_event *")
    ffi.buffer(debounce)[:] = b"\xff" * ffi.sizeof("struct debounce")  # whatever was in memory
    lib.debounce_init(debounce)
    found: list[Seen] = []

    def note(said_us: int) -> None:
        kind = KINDS[event.kind]
        if kind == "nothing":
            return

        def back(time: int) -> int:
            return (time - start_us) % 2**32

        found.append(
            Seen(
                said_us,
                kind,
                back(event.time_us) if kind in ("made", "broke") else None,
                event.pairs,
                event.longest if kind != "broke" else None,
                event.settle_us if kind == "made" else None,
                event.dropouts if kind == "broke" else None,
                event.duration_us if kind == "broke" else None,
            )
        )

    # Edges come before a look at the same time: an edge has to notice for itself what fell due before it.
    steps = sorted([(time_us, 0) for time_us in edges] + [(time_us, 1) for time_us in polls])
    for time_us, is_poll in steps:
        now_us = (start_us + time_us) % 2**32
        if is_poll:
            lib.debounce_settle(debounce, settings, now_us, event)
        else:
            level = lib.debounce_closed(debounce)
            lib.debounce_edge(debounce, settings, now_us, event)
            assert lib.debounce_closed(debounce) is not level
        note(time_us)
    return found


def settled_end(edges: Sequence[int], timing: Timing) -> int:
    return (edges[-1] if edges else 0) + max(timing.make_us, timing.break_us)


def cadences(edges: Sequence[int], timing: Timing, seed: int) -> dict[str, list[int]]:
    """Ways to look: by name the times of looking. Each ends when everything is decided."""
    end_us = settled_end(edges, timing)
    chance = random.Random(seed)
    return {
        "every edge only": [end_us],
        "each us": list(range(end_us + 1)),
        "each 50 us": [*range(0, end_us, 50), end_us],
        f"random, seed {seed}": sorted([chance.randint(0, end_us) for _ in range(100)] + [end_us]),
    }


# ---- timelines ----

T = Timing(100, 1000)


def made(time_us: int, at_us: int, bounces: int = 0, gap_us: int = 0, settle_us: int = 0) -> Event:
    return Event("made", at_us, time_us, bounces, gap_us, settle_us)


def broke(time_us: int, at_us: int, duration_us: int, bounces: int = 0, dropouts: int = 0) -> Event:
    return Event("broke", at_us, time_us, bounces, dropouts=dropouts, duration_us=duration_us)


def blip(at_us: int, count: int, longest_us: int) -> Event:
    return Event("blip", at_us, pairs=count, longest_us=longest_us)


def dropout(at_us: int, count: int, longest_us: int) -> Event:
    return Event("dropout", at_us, pairs=count, longest_us=longest_us)


#: name -> ({t: level}, expected events), with make_us 100 and break_us 1000
TIMELINES: dict[str, tuple[dict[float, int], list[Event]]] = {
    "nothing": ({}, []),
    "clean closure": ({10: 1, 500: 0}, [made(10, 110), broke(500, 1500, 490)]),
    "stays closed": ({10: 1}, [made(10, 110)]),
    "closed for make_us exactly": ({10: 1, 110: 0}, [made(10, 110), broke(110, 1110, 100)]),
    "closed 1 us too short": ({10: 1, 109: 0}, [blip(1109, 1, 99)]),
    "bounces at make": (
        {10: 1, 30: 0, 45: 1, 60: 0, 100: 1, 900: 0},
        [made(10, 200, 2, 40, 90), broke(900, 1900, 890)],
    ),
    "first closing of the train is the time, however long ago": (
        {0: 1, 10: 0, 1009: 1, 1020: 0, 2000: 1, 5000: 0},
        [made(0, 2100, 2, 999, 2000), broke(5000, 6000, 5000)],
    ),
    "an open gap of break_us starts a new train": (
        {0: 1, 10: 0, 1010: 1, 2000: 0},
        [blip(1010, 1, 10), made(1010, 1110), broke(2000, 3000, 990)],
    ),
    "an open gap 1 us shorter does not": (
        {0: 1, 10: 0, 1009: 1, 2000: 0},
        [made(0, 1109, 1, 999, 1009), broke(2000, 3000, 2000)],
    ),
    "bounces at break": (
        {0: 1, 500: 0, 510: 1, 520: 0, 600: 1, 690: 0},
        [made(0, 100), broke(500, 1690, 500, 2)],
    ),
    "a stable closed stretch while breaking is a dropout before": (
        {0: 1, 500: 0, 510: 1, 700: 0, 720: 1, 750: 0},
        [made(0, 100), dropout(610, 1, 10), broke(700, 1750, 700, 1, 1)],
    ),
    "three openings in one dropout": (
        {0: 1, 500: 0, 510: 1, 600: 0, 680: 1, 700: 0, 730: 1, 5000: 0},
        [made(0, 100), dropout(830, 3, 80), broke(5000, 6000, 5000, 0, 3)],
    ),
    "dropout of break_us less 1": (
        {0: 1, 500: 0, 1499: 1, 1599: 0},
        [made(0, 100), dropout(1599, 1, 999), broke(1599, 2599, 1599, 0, 1)],
    ),
    "opening of break_us exactly ends the closure": (
        {0: 1, 500: 0, 1500: 1, 1599: 0},
        [made(0, 100), broke(500, 1500, 500), blip(2599, 1, 99)],
    ),
    "blips of one train": (
        {0: 1, 50: 0, 60: 1, 159: 0, 1000: 1, 1000 + 1: 0},
        [blip(2001, 3, 99)],
    ),
    "the longest blip is that of its own train": (
        {0: 1, 90: 0, 2000: 1, 2010: 0},
        [blip(1090, 1, 90), blip(3010, 1, 10)],
    ),
    "dropouts of the closure before are no blip's width": (
        {0: 1, 200: 0, 210: 1, 400: 0, 410: 1, 900: 0, 3000: 1, 3001: 0},
        [
            made(0, 100),
            dropout(310, 1, 10),
            dropout(510, 1, 10),
            broke(900, 1900, 900, 0, 2),
            blip(4001, 1, 1),
        ],
    ),
    "closes again at once after an opening": (
        {0: 1, 500: 0, 1500: 1, 1700: 0},
        [made(0, 100), broke(500, 1500, 500), made(1500, 1600), broke(1700, 2700, 200)],
    ),
    "edges at one instant": (
        {0: 1, 200: 0, 200.25: 1, 200.5: 0, 200.75: 1, 900: 0},  # rounded down below
        [made(0, 100), dropout(300, 2, 0), broke(900, 1900, 900, 0, 2)],
    ),
}  # fmt: skip


def edges_of(levels: dict[float, int]) -> list[int]:
    closed = 0
    for level in levels.values():
        assert level == 1 - closed, "a timeline alternates"
        closed = level
    return [int(time_us) for time_us in levels]


@pytest.mark.parametrize("start_us", NEAR_WRAP)
@pytest.mark.parametrize("name", TIMELINES)
def test_timeline(name: str, start_us: int) -> None:
    levels, expected = TIMELINES[name]
    edges = edges_of(levels)
    for cadence, polls in cadences(edges, T, seed=1).items():
        said = run(edges, T, polls, start_us)
        due = sorted([*polls, *edges])
        assert said == [seen_from(event, due) for event in expected], f"{cadence}, start at {start_us}"


@pytest.mark.parametrize("name", TIMELINES)
def test_reference_agrees_with_the_timelines(name: str) -> None:
    levels, expected = TIMELINES[name]
    assert reference.debounce(edges_of(levels), T.make_us, T.break_us) == expected


@pytest.mark.parametrize("name", TIMELINES)
def test_a_minute_of_silence_says_nothing(name: str) -> None:
    edges = edges_of(TIMELINES[name][0])
    end_us = settled_end(edges, T)
    silence = range(end_us + 1, end_us + 60_000_000, 50_000)
    assert run(edges, T, [end_us, *silence]) == run(edges, T, [end_us])


def test_counts_stay_at_their_largest() -> None:
    """65535 bounces and more, 255 dropouts and more."""
    blips = list(range(0, 2 * 70_000))  # 70 000 closings of 1 us
    assert [event.pairs for event in run(blips, T, [200_000])] == [0xFFFF]
    made_late = [*blips, 140_000]
    assert [event.pairs for event in run(made_late, T, [200_000])] == [0xFFFF]
    dropouts = [0, *range(1000, 1000 + 2 * 300)]  # ends closed: 300 openings of 1 us, in one train
    dropouts += [10_000, 10_001, 20_000]
    assert [(event.kind, event.pairs, event.dropouts) for event in run(dropouts, T, [30_000])] == [
        ("made", 0, None), ("dropout", 300, None), ("dropout", 1, None), ("broke", 0, 255),
    ]  # fmt: skip
    at_once = [*dropouts[:-3], 20_000]  # all 300 in the last train that was no opening
    assert [event.dropouts for event in run(at_once, T, [30_000])][-1] == 255


# ---- everything else, against the reference ----


@st.composite
def recordings(draw: st.DrawFn, ends_open: bool = False) -> tuple[Timing, list[int]]:
    timing = draw(timings())
    # Shorter than half the range of the clock in all, so that no time is ambiguous.
    return timing, draw(edge_traces(timing, 40, 1 << 26, ends_open=ends_open))


@examples(1500)
@given(recordings(), st.one_of(st.sampled_from(NEAR_WRAP), st.integers(0, 2**32 - 1)), st.data())
def test_equals_the_reference(
    recording: tuple[Timing, list[int]], start_us: int, data: st.DataObject
) -> None:
    """Whenever one looks, whatever the clock shows: the same events, each at the first look when due."""
    timing, edges = recording
    expected = reference.debounce(edges, timing.make_us, timing.break_us)
    end_us = settled_end(edges, timing)
    looks = st.one_of(
        st.integers(0, end_us),
        st.sampled_from([e.at_us + off for e in expected for off in (-1, 0, 1) if e.at_us + off >= 0] or [0]),
    )
    polls = [*data.draw(st.lists(looks, max_size=30)), end_us]
    due = sorted([*polls, *edges])
    assert run(edges, timing, polls, start_us) == [seen_from(event, due) for event in expected]


def bare(events: list[Seen]) -> list[tuple[object, ...]]:
    return [(e.kind, e.time_us, e.pairs, e.longest, e.settle_us, e.dropouts, e.duration_us) for e in events]


@examples(400)
@given(recordings(), st.integers(0, 2**32 - 1))
def test_neither_cadence_nor_clock_matter(recording: tuple[Timing, list[int]], start_us: int) -> None:
    timing, edges = recording
    end_us = settled_end(edges, timing)
    plain = bare(run(edges, timing, [end_us]))
    often = [edge + off for edge in edges for off in (1, timing.make_us, timing.break_us)]
    assert bare(run(edges, timing, [*often, end_us + 70_000], start_us)) == plain


@examples(600)
@given(recordings(ends_open=True))
def test_every_edge_is_accounted_for(recording: tuple[Timing, list[int]]) -> None:
    timing, edges = recording
    events = run(edges, timing, [settled_end(edges, timing)])
    firm = [event.kind for event in events if event.kind in ("made", "broke")]
    assert firm == ["made", "broke"] * (len(firm) // 2)
    pairs = sum(event.pairs for event in events)  # bounces of both kinds, blips, dropouts
    assert len(edges) == 2 * (len(firm) // 2 + pairs)
    assert [event.dropouts for event in events if event.kind == "broke"] == [
        sum(e.pairs for e in events if e.kind == "dropout" and made_at < e.said_us < broke_at)
        for made_at, broke_at in zip(
            [e.said_us for e in events if e.kind == "made"],
            [e.said_us for e in events if e.kind == "broke"],
            strict=True,
        )
    ]


def test_a_closure_of_an_hour_has_its_time_and_age() -> None:
    hour_us = 3_600_000_000
    events = run([0, hour_us], Timing(1000, 10000), [1000, hour_us + 10000], start_us=2**32 - 5)
    assert [(e.kind, e.time_us, e.duration_us) for e in events] == [
        ("made", 0, None),
        ("broke", hour_us, hour_us),
    ]
