"""What recordings call for: one story at a time, then the rules of choosing for all limits."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from reedproof.analysis.advice import MAKE_US_MIN, MARGIN, PASSES_MIN, Advice, Limits, Status, advise, choose
from reedproof.analysis.bounce import SENSIBLE_US
from reedproof.trace import Trace
from strategies import examples

SECOND_US = 1_000_000
Edges = list[int]


def trace_of(edges: Sequence[int], number: int = 1, pause_us: int | None = None) -> Trace:
    count = len(edges)
    closed = np.resize(np.array([1, 0], dtype=np.uint8), count)
    return Trace(
        np.array(edges, dtype=np.int64), np.full(count, number, dtype=np.uint8), closed, pause_us=pause_us
    )


def story(shape: Callable[[int], Edges], passes: int = 100, every_us: int = SECOND_US) -> Edges:
    """``shape(i)`` are the edges of pass i, from 0 on."""
    return [i * every_us + edge for i in range(passes) for edge in shape(i)]


def told(edges: Edges, **options: int) -> Advice:
    return advise([trace_of(edges)], 1, 1000, 10_000, **options)


def clean(length_us: int = 60_000) -> Callable[[int], Edges]:
    return lambda _: [0, 80, 120, length_us]


def test_ordinary_contacts_keep_the_defaults() -> None:
    advice = told(story(clean()))
    assert (advice.status, advice.make_us, advice.break_us) == (Status.RECOMMENDED, 1000, 10_000)
    evidence = advice.evidence
    assert evidence is not None
    assert evidence.bounce.making.longest_us == 120
    assert (evidence.passes, evidence.blips, evidence.exceptions) == (100, 0, None)
    assert evidence.make == Limits(0, 60_000 - 120)
    assert evidence.breaking == Limits(40, SECOND_US - 60_000)
    assert evidence.share_upper == pytest.approx(1 - 0.05 ** (1 / 100))
    assert evidence.next_closures == 5
    assert "the default keeps" in advice.reasons[0]
    assert "the default keeps" in advice.reasons[1]


def test_long_dropouts_call_for_a_longer_break_us() -> None:
    edges = story(lambda i: [0, 30_000, 30_000 + (7130 if i == 50 else 2000), 60_000])
    advice = told(edges, pause_us=500_000)
    assert (advice.status, advice.make_us) == (Status.RECOMMENDED, 1000)
    assert advice.break_us == 15_000  # 2 x 7.13 ms, rounded up to two digits
    assert "7.13 ms" in advice.reasons[1]


def test_two_magnets_close_together_call_for_a_shorter_break_us() -> None:
    """Pauses of 20 ms between two magnets of one train: half of that."""
    advice = told(story(lambda _: [0, 60_000, 75_000, 135_000]), pause_us=15_000)
    assert (advice.status, advice.break_us) == (Status.RECOMMENDED, 7500)
    evidence = advice.evidence
    assert evidence is not None
    assert evidence.passes == 200


def test_fast_passes_call_for_a_shorter_make_us() -> None:
    edges = story(lambda i: [0, 2100 if i == 7 else 60_000])
    advice = told(edges, pass_us=2000)
    assert (advice.status, advice.make_us) == (Status.RECOMMENDED, 1000)
    shorter = advise([trace_of(edges)], 1, 2000, 10_000, pass_us=2000)
    assert shorter.make_us == 1000  # half of 2.1 ms, rounded down to two digits


def test_blips_call_for_a_longer_make_us() -> None:
    advice = told(story(lambda _: [0, 60_000, 500_000, 500_700]))
    assert (advice.status, advice.make_us, advice.break_us) == (Status.RECOMMENDED, 1400, 10_000)
    evidence = advice.evidence
    assert evidence is not None
    assert (evidence.passes, evidence.blips) == (100, 100)
    assert "the longest blip is 0.70 ms" in advice.reasons[0]


def test_blips_as_long_as_passes_leave_no_room() -> None:
    advice = told(story(lambda i: [0, 2500 if i % 2 else 60_000, 500_000, 501_900]), pass_us=2000)
    assert (advice.status, advice.make_us, advice.break_us) == (Status.UNSAFE, None, None)
    assert "no sensible setting is safe" in advice.reasons[0]
    assert "1.90 ms" in advice.reasons[0]
    assert "2.50 ms" in advice.reasons[0]


def test_openings_as_long_as_pauses_leave_no_room() -> None:
    advice = told(story(lambda _: [0, 30_000, 39_000, 60_000, 95_000, 155_000]), pause_us=30_000)
    assert advice.status is Status.UNSAFE
    assert (
        "openings within a pass last up to 9.00 ms, and two passes come within 35.0 ms" in advice.reasons[0]
    )


def test_one_strange_pass_is_named_and_left_aside() -> None:
    advice = told(
        story(lambda i: [0, 60_000, 140_000, 160_000] if i == 30 else [0, 60_000]), pause_us=500_000
    )
    assert (advice.status, advice.make_us, advice.break_us) == (Status.EXCEPTIONS, 1000, 10_000)
    assert "1 of 100 passes is left aside: at 30.000 s" in advice.reasons[0]
    assert "80.0 ms" in advice.reasons[0]
    evidence = advice.evidence
    assert evidence is not None
    assert evidence.share_upper == pytest.approx(0.046559, abs=1e-5)  # exact, 1 of 100
    assert evidence.next_closures == 0


@pytest.mark.parametrize("passes", [3, 25, 100])
def test_bounce_of_hundreds_of_milliseconds_is_never_covered(passes: int) -> None:
    """However much or little of it there is."""

    def shape(i: int) -> Edges:
        chance = np.random.default_rng(i)
        inner = np.sort(
            chance.choice(np.arange(1000, 300_000), size=2 * chance.integers(2, 9), replace=False)
        )
        return [0, *inner.tolist(), 300_000] if i % 2 else [0, 400_000, *(400_000 + inner).tolist()]

    for every_us, options in ((2 * SECOND_US, {}), (2 * SECOND_US, {"pause_us": SECOND_US})):
        advice = told(story(shape, passes, every_us), **options)
        assert advice.make_us is None
        assert advice.break_us is None
        if options or passes > 3:
            assert advice.status is Status.UNSAFE, advice
            assert "no sensible setting is safe" in advice.reasons[0]


def test_a_contact_that_takes_long_to_settle_is_not_safe_either() -> None:
    """Gaps of a millisecond only, but 120 ms of them: any setting would act too late."""
    making = [time for at in range(0, 120_000, 1000) for time in (at, at + 400)]
    advice = told(story(lambda _: [*making, 120_000, 200_000]))
    assert advice.status is Status.UNSAFE
    assert "up to 120 ms until it stays closed" in advice.reasons[0]


def test_openings_of_all_lengths() -> None:
    lengths = [round(100 * 1.3**i) for i in range(40)]
    edges = [0]
    for length_us in lengths:
        edges += [edges[-1] + 60_000, edges[-1] + 60_000 + length_us]
    advice = told(edges)
    assert advice.status is Status.UNSAFE
    assert "openings of all lengths" in advice.reasons[0]
    assert advice.evidence is None


@pytest.mark.parametrize("passes", [2, PASSES_MIN - 1])
def test_too_little_is_said(passes: int) -> None:
    advice = told(story(clean(), passes))
    assert (advice.status, advice.make_us, advice.break_us) == (Status.TOO_LITTLE, None, None)
    assert f"too little: {passes} passes" in advice.reasons[0]
    assert told(story(clean(), PASSES_MIN)).status is Status.RECOMMENDED


@pytest.mark.parametrize("edges", [[5], [5, 500], [0, 60_000, 60_100, 120_000, 120_100]])
def test_no_passes_is_too_little(edges: Edges) -> None:
    advice = told(edges)
    assert advice.status is Status.TOO_LITTLE
    assert "too little" in advice.reasons[0]


def test_no_edge_at_all_is_a_dead_lead_and_no_lack_of_data() -> None:
    assert told([]).reasons == ("no edge at all: check lead and plug, then the magnet",)


def test_recordings_add_up() -> None:
    """Two recordings of 15 passes are enough where one is not; another input's edges do not count."""
    one = trace_of(story(clean(), 15))
    assert advise([one], 1, 1000, 10_000).status is Status.TOO_LITTLE
    other = trace_of(story(lambda _: [0, 30_000, 36_000, 60_000], 15))
    both = advise([one, other], 1, 1000, 10_000, pause_us=500_000)
    assert (both.status, both.break_us) == (Status.RECOMMENDED, 12_000)
    elsewhere = trace_of(story(clean(), 15), number=2)
    assert advise([one, elsewhere], 1, 1000, 10_000).status is Status.TOO_LITTLE


def test_each_trace_may_tell_its_pause() -> None:
    """A bounce recording knows what lies between its tests; its neighbour's pauses are found."""
    knows = trace_of(story(lambda _: [0, 30_000, 80_000, 120_000], 40), pause_us=500_000)
    plain = trace_of(story(clean(), 40))
    evidence = advise([knows, plain], 1, 1000, 10_000).evidence
    assert evidence is not None
    assert evidence.pauses_us == (500_000, SECOND_US - 60_000)
    assert evidence.passes == 80


# ---- two readings ----


def test_two_magnets_or_a_bad_contact() -> None:
    """An opening in every pass: what it is, the recording does not tell, and the settings depend on it."""
    edges = story(lambda i: [0, 60_000, 60_000 + 22_000 + 10 * i, 150_000], every_us=30 * SECOND_US)
    advice = told(edges)
    assert (advice.status, advice.make_us, advice.break_us) == (Status.UNCLEAR, None, None)
    (reason,) = advice.reasons
    assert reason.startswith("unclear: 100 of 100 passes hold an opening of 22.0 to 23.0 ms")
    assert "magnets, say --pause-ms 22; if the contact opened within a pass, say --pause-ms 820" in reason
    as_magnets, as_contact = told(edges, pause_us=22_000), told(edges, pause_us=820_000)
    assert (as_magnets.status, as_magnets.break_us) == (Status.RECOMMENDED, 10_000)
    assert (as_contact.status, as_contact.break_us) == (Status.RECOMMENDED, 46_000)


@pytest.mark.parametrize(("dropout_us", "status"), [(5000, Status.RECOMMENDED), (5001, Status.UNCLEAR)])
def test_an_opening_that_the_default_covers_raises_no_question(dropout_us: int, status: Status) -> None:
    edges = story(lambda i: [0, 30_000, 30_000 + (dropout_us if i == 3 else 1), 60_000])
    assert told(edges).status is status


def test_irregular_openings_are_no_magnets() -> None:
    """Once one, once three, once five of them: no train has now one magnet and now five."""
    edges = story(
        lambda i: [t for k in range(1 + 2 * (i % 3)) for t in (k * 50_000, k * 50_000 + 20_000)],
        every_us=30 * SECOND_US,
    )
    assert told(edges).status is Status.UNSAFE


def test_how_passes_were_told_apart_is_said() -> None:
    """Where it was found and not told; many short pauses are right only with several magnets."""
    plain = told(story(clean()))
    assert plain.reasons[-1] == "passes are told apart by openings of 940 ms and more"
    pairs = told(story(lambda _: [0, 60_000, 160_000, 220_000]))
    assert pairs.status is Status.RECOMMENDED
    assert pairs.reasons[-1] == (
        "passes are told apart by openings of 100 ms and more; 100 of 199 pauses are shorter than 250 ms, "
        "which is right only if trains carry several magnets"
    )
    assert "told apart" not in told(story(clean()), pause_us=500_000).reasons[-1]


@pytest.mark.parametrize(("few", "is_unclear"), [(1, True), (10, True), (30, False)])
def test_a_few_pauses_far_shorter_than_all_others(few: int, is_unclear: bool) -> None:
    edges = story(lambda i: [0, 60_000, 120_000, 180_000] if i < few else [0, 60_000])
    advice = told(edges)
    assert (advice.status is Status.UNCLEAR) is is_unclear, advice.reasons
    if is_unclear:
        assert (
            f"unclear: {few} of {99 + few} pauses last only up to 60.0 ms, the others at least 820 ms"
            in advice.reasons[0]
        )
        assert (
            "so soon, say --pause-ms 60; if one pass closed the contact twice, say --pause-ms 220"
            in advice.reasons[0]
        )
        assert told(edges, pause_us=60_000).status is Status.RECOMMENDED


def test_a_few_passes_far_shorter_than_all_others() -> None:
    edges = story(lambda i: [0, 3000 if i % 5 == 0 else 60_000])
    advice = told(edges)
    assert advice.status is Status.UNCLEAR
    assert (
        "unclear: 20 of 100 passes last only up to 3.00 ms, the others at least 60.0 ms" in advice.reasons[0]
    )
    assert "fast trains, say --pass-ms 3; if it is interference, say --pass-ms 13" in advice.reasons[0]
    assert (told(edges, pass_us=3000).make_us, told(edges, pass_us=13_000).make_us) == (1000, 6000)


def test_a_bounce_recording_does_not_tell_how_short_passes_are() -> None:
    """Its pauses are made by its reader."""
    evidence = advise([trace_of(story(clean()), pause_us=500_000)], 1, 1000, 10_000).evidence
    assert evidence is not None
    assert evidence.make.allowed_us is None
    assert evidence.breaking.allowed_us is None


def test_what_is_stuck_or_never_closes_properly_is_named() -> None:
    stuck = told([100])
    assert stuck.status is Status.TOO_LITTLE
    assert "closed from 0.000 s to the end: is it stuck, or a magnet parked?" in stuck.reasons[0]
    rubbing = told(story(lambda _: [0, 300, 900, 1200]))
    assert rubbing.status is Status.UNSAFE
    assert "it closed 100 times and never for 2.00 ms" in rubbing.reasons[0]
    hardly_open = told([edge for i in range(60) for edge in (i * 50_000, i * 50_000 + 49_900)])
    assert hardly_open.status is Status.UNSAFE
    assert "none longer than 0.10 ms: it is closed nearly all the time" in hardly_open.reasons[0]


# ---- choosing ----


@examples(1000)
@given(
    st.integers(0, 100_000), st.one_of(st.none(), st.integers(0, 200_000)), st.integers(1, 65_535),
    st.sampled_from([1, MAKE_US_MIN]),
)  # fmt: skip
def test_a_chosen_setting_keeps_the_margins(
    needed_us: int, allowed_us: int | None, default_us: int, least_us: int
) -> None:
    chosen = choose(Limits(needed_us, allowed_us), default_us, least_us)
    highest = SENSIBLE_US if allowed_us is None else min(SENSIBLE_US, allowed_us / MARGIN)
    lowest = max(needed_us * MARGIN, least_us)
    if chosen is None:
        assert lowest > highest or math.ceil(lowest) > highest
        return
    assert lowest <= chosen <= highest
    if lowest <= default_us <= highest:
        assert chosen == default_us
    elif chosen not in (math.ceil(lowest), math.floor(highest)):
        digits = str(chosen).rstrip("0")
        assert len(digits) <= 2, "two digits are enough"
