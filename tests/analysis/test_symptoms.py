"""What is odd about a contact, in numbers: each against values by hand; and what holds for any case."""

from __future__ import annotations

import json
import math
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from analysis.cases import (
    LAP_S,
    LAPS,
    MS,
    NAMES,
    SPEED_MM_S,
    STEP_S,
    an_input,
    case,
    contact,
    contacts,
    extras,
    passes,
    usual,
)
from reedproof.analysis.case import Case, ContactFacts, Counts, FaultSpan, SeenPasses, SelfTest, Step, Swap
from reedproof.analysis.diagnosis import diagnose
from reedproof.analysis.symptoms import (
    HELD_MIN_S,
    SILENT,
    SPREAD_MM,
    SPREAD_MS,
    TIMING_MIN,
    TREND_MIN,
    Held,
    Symptoms,
    signs_of,
)
from reedproof.records import Fault, Verdict

pytestmark = pytest.mark.filterwarnings("error")


def symptoms(seen: SeenPasses) -> Symptoms:
    return Symptoms(0, contact("mill", 1, seen), seen, (), np.array([np.nan]), SPREAD_MM)


def closing(text: str, **but: Any) -> Symptoms:
    """'110201': the closures of each pass."""
    return symptoms(passes(len(text), closures=[int(each) for each in text], **but))


# ---- misses ----


@pytest.mark.parametrize(
    ("text", "missed", "silence", "ends_silent"),
    [
        ("", 0, 0, False),
        ("111", 0, 0, False),
        ("0000", 4, 4, False),  # too few to say so
        ("00000", 5, 5, True),
        ("1011001", 3, 2, False),
        ("100011", 3, 3, False),
        ("1100000", 5, 5, True),
        ("0000011", 5, 5, False),
        ("11" + "0" * (SILENT - 1), SILENT - 1, SILENT - 1, False),
    ],
)
def test_misses(text: str, missed: int, silence: int, ends_silent: bool) -> None:
    found = closing(text)
    assert (found.count, found.missed, found.silence, found.ends_silent) == (
        len(text), missed, silence, ends_silent,
    )  # fmt: skip


def test_clustering_by_hand() -> None:
    """Ten seen, ten missed: of 19 steps 9 stay closed, 1 changes, 9 stay missed. As a chain ln L is
    9 ln 0.9 + ln 0.1, and 0 once it is missed; as chance 9 ln(9/19) + 10 ln(10/19)."""
    chain = 9 * math.log(0.9) + math.log(0.1)
    chance = 9 * math.log(9 / 19) + 10 * math.log(10 / 19)
    assert closing("1" * 10 + "0" * 10).clustering == pytest.approx(chain - chance - 0.5 * math.log(20))


@pytest.mark.parametrize(
    "text", ["", "0" * 10, "1" * 10, "1110111", "10" * 20, "0" + "1" * 20, "1" * 20 + "0"]
)
def test_what_does_not_cluster(text: str) -> None:
    """Nothing missed, everything missed, too few, in turns, one alone."""
    assert closing(text).clustering == 0.0


@given(st.integers(2, 30), st.integers(0, 2**32))
@settings(max_examples=50)
def test_a_row_clusters_more_than_the_same_misses_shuffled(missed: int, seed: int) -> None:
    row = np.array([1] * 70 + [0] * missed)
    shuffled = np.random.default_rng(seed).permutation(row)
    told = ["".join(map(str, each)) for each in (row, shuffled)]
    assert closing(told[1]).clustering <= closing(told[0]).clustering + 1e-9


def test_pace_of_missed_by_hand() -> None:
    """Missed at twice the speed; the two trains differ by half, which does not matter."""
    speed = np.array([100, 100, 110, 90, 200, 200, 220, 50, 50, 55, 45, 100, 100, 110])
    gone = [1, 1, 1, 1, 0, 0, 0, 1, 1, 1, 1, 0, 0, 0]
    train = [0] * 7 + [1] * 7
    found = symptoms(passes(14, closures=gone, speed=speed, train=train))
    one = np.log(speed[:7]) - math.log(110)
    two = np.log(speed[7:]) - math.log(55)
    logs = np.concatenate([one, two])
    missed, seen = logs[np.array(gone) == 0], logs[np.array(gone) == 1]
    difference, errors = found.pace_of_missed
    assert difference == pytest.approx(missed.mean() - seen.mean())
    assert difference == pytest.approx(math.log(2), abs=0.05)
    wanted = difference / math.sqrt(missed.var(ddof=1) / 6 + seen.var(ddof=1) / 8)
    assert errors == pytest.approx(wanted)


@pytest.mark.parametrize("text", ["11100", "00011", "111111"])
def test_too_few_to_tell_a_pace(text: str) -> None:
    assert closing(text).pace_of_missed == (0.0, 0.0)


def test_unknown_speeds_tell_no_pace() -> None:
    assert closing("111000", speed=np.nan).pace_of_missed == (0.0, 0.0)


# ---- openings ----


def test_openings() -> None:
    found = closing("102131", dropouts=[0, 0, 2, 1, 0, 0])
    assert found.openings.tolist() == [0, 3, 1, 2, 0]
    assert found.opening_rate == pytest.approx(6 / 5)
    assert found.opened == pytest.approx(3 / 5)
    assert (found.doubled, found.tripled) == (1, 1)


def test_no_openings_without_a_pass() -> None:
    for found in (closing(""), closing("000")):
        assert (found.opening_rate, found.opened, found.doubled, found.tripled) == (0.0, 0.0, 0, 0)
        assert math.isnan(found.usual_ms)
        assert found.bounces == (0.0, 1.0)


def test_where_openings_lie() -> None:
    """40 ms, open for 10 ms, 30 ms: the opening takes an eighth, its middle lies at 45 of 80 ms."""
    found = closing("1221", parts_ms=[[60, 0, 0], [40, 30, 0], [30, 60, 0], [50, 0, 0]], gaps_ms=[10, 0])
    gap, share, place = found.gaps
    assert gap.tolist() == [10, 10]
    assert share == pytest.approx([1 / 8, 1 / 10])
    assert place == pytest.approx([45 / 80, 35 / 100])


def test_an_end_that_is_not_known_has_no_gap() -> None:
    found = closing("22", parts_ms=[[40, 30], [40, np.nan]], gaps_ms=[10])
    assert found.gaps[0].tolist() == [10]


def test_bounce_shares_are_of_single_closures() -> None:
    found = closing("11121", bounces=[0, 1, 1, 9, 40])
    shares = found.bounce_shares
    assert shares.sum() == pytest.approx(1)
    assert shares.argmax() == 1
    assert shares[9] == shares[5]  # the pass with two closures is left out
    assert shares[-1] == shares[0]  # as many as are counted


# ---- lengths and bounces ----


def test_whole_and_length() -> None:
    """A pass lasts from the first closing to the last opening; the speed makes millimetres of it."""
    seen = passes(
        5,
        closures=[1, 2, 0, 4, 1],
        parts_ms=[[60, 0, 0], [40, 30, 0], [0, 0, 0], [9, 9, 9], [50, 0, 0]],
        gaps_ms=[10, 10],
        speed=[200, 100, 200, 200, np.nan],
    )
    np.testing.assert_allclose(seen.whole_ms, [60, 80, np.nan, np.nan, 50])
    np.testing.assert_allclose(seen.length, [12, 8, np.nan, np.nan, np.nan])


def test_length_trend_by_hand() -> None:
    """40 passes: the quarter at the end is half as long as the one at the beginning."""
    parts = np.linspace(0, 1, 40)
    ms = np.where(parts < 0.5, 80.0, 40.0) * np.tile([0.98, 1.0, 1.02, 1.0], 10)
    change, errors = closing("1" * 40, parts_ms=ms[:, None]).length_trend
    assert change == pytest.approx(math.log(0.5), abs=1e-9)
    logs = np.log(ms)
    mads = [np.median(np.abs(end - np.median(end))) for end in (logs[:10], logs[-10:])]
    error = 1.25 * math.hypot(*(1.4826 * mad / math.sqrt(10) for mad in mads))
    assert errors == pytest.approx(change / max(error, 0.01))


def test_trends_need_passes() -> None:
    short = closing(
        "1" * (TREND_MIN - 1),
        bounces=np.arange(TREND_MIN - 1),
        parts_ms=np.linspace(90, 30, TREND_MIN - 1)[:, None],
    )
    assert short.length_trend == (0.0, 0.0)
    assert short.bounce_trend == ((TREND_MIN - 2) / 2, (TREND_MIN - 2) / 2, 0.0)


def test_bounces_by_hand() -> None:
    found = closing("1101", bounces=[1, 3, 0, 5])
    assert found.bounces == (3.0, pytest.approx(math.sqrt(8 / 3) / math.sqrt(3)))


def test_bounce_trend_by_hand() -> None:
    """A t test of the slope, as scipy's linear regression has it."""
    from scipy.stats import linregress

    bounces = np.arange(40) // 4 + np.tile([0, 1, 0, 2], 10)
    first, last, errors = closing("1" * 40, bounces=bounces).bounce_trend
    assert (first, last) == (bounces[:10].mean(), bounces[-10:].mean())
    fit = linregress(np.arange(40), bounces)
    assert errors == pytest.approx(fit.slope / fit.stderr)


def test_bounces_that_never_change_have_no_trend() -> None:
    assert closing("1" * 40, bounces=2).bounce_trend == (2.0, 2.0, 0.0)


# ---- against the other contacts ----


def of_lengths(*mm: float, unit: str = "mm", **but: Any) -> Case:
    """Contacts with closures of these lengths."""
    return case(
        [
            contact(f"c{at}", at + 1, passes(5, parts_ms=[1000 * each / SPEED_MM_S]))
            for at, each in enumerate(mm)
        ],
        length_unit=unit,
        **but,
    )  # fmt: skip


def test_ratio_is_against_the_median_of_the_others() -> None:
    signs = signs_of(of_lengths(12, 10, 11, 5))
    assert [each.length_ratio for each in signs.contacts] == pytest.approx(
        [math.log(12 / 10), math.log(10 / 11), math.log(11 / 10), math.log(5 / 11)]
    )
    np.testing.assert_allclose(signs.lengths[:, 0], np.log([12, 10, 11, 5]))


def test_ratio_needs_two_others_in_a_run_and_passes_enough() -> None:
    assert [math.isnan(each.length_ratio) for each in signs_of(of_lengths(12, 6)).contacts] == [True, True]
    made = of_lengths(12, 10, 11)
    few = contact("c0", 1, passes(2, parts_ms=[30.0]))
    made = replace(made, contacts=(few, *made.contacts[1:], contact("c3", 4, passes(5, parts_ms=[55.0]))))
    known = [math.isfinite(each.length_ratio) for each in signs_of(made).contacts]
    assert known == [False, True, True, True]


def test_ratio_is_by_train() -> None:
    """The second train's magnets are weaker everywhere: no contact is to blame."""
    made = [
        contact(name, at + 1, passes(10, train=np.arange(10) % 2, parts_ms=np.tile([60.0, 30.0], 5)[:, None]))
        for at, name in enumerate(NAMES)
    ]
    signs = signs_of(case(made, trains=("slate", "milk")))
    for each in signs.contacts:
        assert each.ratio == pytest.approx([0, 0])
    np.testing.assert_allclose(np.exp(signs.lengths), np.tile([12.0, 6.0], (len(NAMES), 1)))


@pytest.mark.parametrize(("unit", "usual_spread"), [("mm", SPREAD_MM), ("ms", SPREAD_MS)])
def test_spread(unit: str, usual_spread: float) -> None:
    """Of a layout without differences the usual one; where contacts differ much, more; and one that is out
    of the way does not make itself look usual."""
    assert {each.spread for each in signs_of(of_lengths(10, 10, 10, 10, unit=unit)).contacts} == {
        usual_spread
    }
    far = signs_of(of_lengths(10, 10, 10, 10, 2, unit=unit))
    assert far.contacts[-1].spread == usual_spread
    wide = signs_of(of_lengths(4, 8, 16, 32, 64, 128, unit=unit))
    assert all(each.spread > usual_spread for each in wide.contacts)


def test_in_a_session_one_other_contact_is_enough() -> None:
    made = [
        contact("mill", 1, passes(5, step=Step.USUAL, parts_ms=[30.0])),
        contact("quay", 2, passes(5, step=Step.REFERENCE)),
    ]
    asked = signs_of(case(made)).contacts[0]
    assert asked.length_ratio == pytest.approx(math.log(0.5))
    assert asked.spread == SPREAD_MM  # it is not measured by itself


def test_usual_is_the_median_of_contacts_with_passes() -> None:
    made = [contact(f"c{n}", n + 1, passes(5, bounces=n)) for n in range(3)]
    signs = signs_of(case([*made, contact("new", 9, passes(0))]))
    assert signs.usual(lambda each: each.bounces[0]) == 1.0
    assert signs_of(case([])).usual(lambda each: each.bounces[0]) == 0.0
    assert signs_of(case([], from_s=0.0, to_s=7200.0)).hours == 2.0


# ---- held ----

START, HELD = 20, 130.0  # it is held from lap 20 on, for more than two laps


def loop() -> list[SeenPasses]:
    """A train that takes 10 s from contact to contact, on the second."""
    return [passes(60, at_s=LAP_S * np.arange(60) + STEP_S * at) for at in range(len(NAMES))]


def held_at(
    at_s: float | None, seconds: float = HELD, seen: list[SeenPasses] | None = None, **but: Any
) -> tuple[Held, ...]:
    """Of 'quay', the third contact: held from its pass in lap 20 on, or from another moment."""
    seen = loop() if seen is None else seen
    mine = seen[2]
    begin_s = LAP_S * START + 2 * STEP_S if at_s is None else at_s
    rows = np.arange(60)
    hidden = (mine.at_s > begin_s) & (mine.at_s < begin_s + seconds)
    parts = mine.parts_ms.copy()
    if at_s is None:
        parts[START, 0] = seconds * 1000
    closed = np.where(hidden & (rows != START if at_s is None else True), 0, 1)
    mine = passes(60, at_s=mine.at_s, closures=closed, parts_ms=parts)
    extra = extras() if at_s is None else extras((at_s, seconds * 1000))
    made = [
        contact(name, n + 1, mine if n == 2 else seen[n], extra if n == 2 else None)
        for n, name in enumerate(NAMES)
    ]
    return signs_of(case(made, to_s=60 * LAP_S, **but)).contacts[2].held


def test_held_from_when_the_train_came() -> None:
    (held,) = held_at(None)
    begin_s = LAP_S * START + 2 * STEP_S
    assert (held.from_s, held.to_s, held.seconds) == (begin_s, begin_s + HELD, HELD)
    assert (held.train, held.over, held.went_on, held.lasts) == (0, 2, True, False)
    # It comes half way between its neighbours to 1 in 50, once in three such stretches.
    wanted = math.log(LAP_S / (2 * STEP_S)) - math.log(0.02 * math.sqrt(2 * math.pi))
    assert held.timing == pytest.approx(wanted)


def test_held_from_when_no_train_was_due() -> None:
    (held,) = held_at(LAP_S * START + 3.2 * STEP_S)
    assert held.timing == TIMING_MIN
    assert held.train is None
    assert held.went_on


def test_held_between_other_contacts_is_no_train() -> None:
    """Between 'halt' and 'depot' no train is at 'quay'."""
    (held,) = held_at(LAP_S * START + 4.5 * STEP_S)
    assert (held.timing, held.train) == (TIMING_MIN, None)


@pytest.mark.parametrize("off_s", [-0.2, 0.0, 0.2])
def test_timing_falls_with_the_distance(off_s: float) -> None:
    """0.2 s of 20 s is half a standard deviation, the least there is."""
    begin_s = LAP_S * START + 2 * STEP_S
    seen = loop()
    (exact,) = held_at(None, seen=seen)
    seen[2] = passes(60, at_s=np.where(np.arange(60) == START, begin_s + off_s, seen[2].at_s))
    (held,) = held_at(None, seen=seen)
    assert held.timing == pytest.approx(exact.timing - 0.5 * (off_s / 20 / 0.02) ** 2)


def test_a_train_that_stands_there_has_not_gone_on() -> None:
    seen = [
        passes(60, at_s=LAP_S * np.arange(60) + STEP_S * at + HELD * (np.arange(60) >= START + (at <= 2)))
        for at in range(len(NAMES))
    ]
    (held,) = held_at(None, seen=seen)
    assert (held.went_on, held.over) == (False, 0)


def test_held_until_the_end_lasts() -> None:
    (held,) = held_at(LAP_S * 55 + 3.2 * STEP_S, seconds=LAP_S * 5 - 3.2 * STEP_S)
    assert held.lasts


@pytest.mark.parametrize(
    ("seconds", "is_held"),
    [(HELD_MIN_S - 0.01, False), (HELD_MIN_S + 0.01, True)],
)
def test_how_long_is_held(seconds: float, is_held: bool) -> None:
    assert bool(held_at(LAP_S * START + 3.2 * STEP_S, seconds=seconds)) is is_held


def test_slow_trains_do_not_hold() -> None:
    """Where all closures last for seconds, eight times as long is held."""
    slow = [
        passes(60, at_s=LAP_S * np.arange(60) + STEP_S * at, parts_ms=[1000.0]) for at in range(len(NAMES))
    ]
    assert not held_at(LAP_S * START + 3.2 * STEP_S, 7.9, seen=slow)
    assert held_at(LAP_S * START + 3.2 * STEP_S, 8.1, seen=slow)


def test_passes_over_a_held_contact_are_left_out() -> None:
    """It could not close: they are neither missed nor seen, and the long closure has no length."""
    seen = loop()
    parts = np.full((60, 1), MS)
    parts[START] = HELD * 1000
    closures = np.where((np.arange(60) > START) & (np.arange(60) <= START + 2), 0, 1)
    seen[2] = passes(60, at_s=seen[2].at_s, closures=closures, parts_ms=parts)
    made = [contact(name, n + 1, each) for n, (name, each) in enumerate(zip(NAMES, seen, strict=True))]
    found = signs_of(case(made, to_s=60 * LAP_S)).contacts[2]
    assert found.missed == 0
    assert 57 <= found.count <= 58
    assert found.usual_ms == MS


# ---- two lines that know nothing of each other ----


def two_lines() -> Case:
    """'quarry', 'mill' and 'quay' are one line, the other three another. On 'mill' a train stands at a
    station in lap 30."""
    line = [at // 3 for at in range(len(NAMES))]
    seen = [usual(at, train=line[at]) for at in range(len(NAMES))]
    for at in range(3):
        seen[at] = replace(seen[at], at_s=seen[at].at_s + 250.0 * (np.arange(LAPS) >= 30 + (at <= 1)))
    seen[1].parts_ms[30, 0] = 250_000.0
    return case(
        [contact(name, at + 1, seen[at]) for at, name in enumerate(NAMES)],
        trains=("slate", "milk"),
        to_s=LAP_S * (LAPS + 6),
    )


def test_the_train_that_came_is_one_that_comes_here() -> None:
    (held,) = signs_of(two_lines()).contacts[1].held
    assert held.train in (0, None)


def test_a_train_stands_while_others_go_on() -> None:
    assert diagnose(two_lines()).is_clear


# ---- for any case ----

FINITE = {"allow_nan": False, "allow_infinity": False}
MILLISECONDS = st.floats(0.1, 5000)


@st.composite
def any_passes(draw: st.DrawFn, trains: int, session: bool) -> SeenPasses:
    count = draw(st.integers(0, 30))
    rng = np.random.default_rng(draw(st.integers(0, 2**32)))
    mean = draw(st.sampled_from([0.2, 1.0, 3.0]))
    steps = [Step.USUAL, Step.SLOW, Step.FAST, Step.WIGGLE, Step.OTHER] if session else [Step.RUN]
    unknown = draw(st.sampled_from([0.0, 0.3, 1.0]))

    def some(values: Any) -> Any:
        return np.where(rng.random(values.shape) < unknown, np.nan, values)

    closures = rng.poisson(mean, count)
    # Only the last closure of a pass can be one of which the end is not known.
    is_open = (np.arange(3) == closures[:, None] - 1) & (rng.random((count, 1)) < unknown / 3)
    whole = draw(MILLISECONDS) * rng.lognormal(0, 0.5, (count, 3))
    return passes(
        count,
        at_s=np.sort(rng.uniform(0, 3600, count)),
        closures=closures,
        train=rng.integers(0, trains, count) if trains else 0,
        step=rng.choice(steps, count) if count else 0,
        speed=some(rng.lognormal(5, 1, count)),
        parts_ms=np.where(is_open, np.nan, whole),
        gaps_ms=rng.lognormal(2, 1, (count, 2)),
        bounces=rng.poisson(2 * mean, count),
        dropouts=rng.poisson(draw(st.sampled_from([0.0, 0.5, 5.0])), count),
    )  # fmt: skip


@st.composite
def any_contact(draw: st.DrawFn, number: int, trains: int, session: bool) -> ContactFacts:
    few = st.integers(0, 50)
    counts = st.builds(
        Counts, st.just(3600.0), few, few, few, few, st.integers(0, 60_000), st.integers(0, 60_000)
    )
    spans = st.lists(
        st.sampled_from([FaultSpan(Fault.CHATTER, 5.0, 9.0), FaultSpan(Fault.STUCK_CLOSED, 5.0, None)]),
        max_size=3,
    )
    tests = st.builds(SelfTest, st.sampled_from(Verdict), st.lists(st.integers(1, 6), max_size=2).map(tuple))
    extra = st.lists(
        st.tuples(st.floats(0, 3600), st.one_of(st.just(np.nan), st.floats(0.5, 1e6))), max_size=12
    )
    return contact(
        f"c{number}",
        number,
        draw(any_passes(trains, session)),
        extras(*draw(extra)),
        board=draw(st.sampled_from(["one", "two"])),
        counts=draw(st.none() | counts),
        faults=tuple(draw(spans)),
        selftest=draw(st.none() | tests),
        make_us=draw(st.sampled_from([0, 1000, 50_000])),
        break_us=draw(st.sampled_from([0, 500, 10_000])),
    )


@st.composite
def any_case(draw: st.DrawFn) -> Case:
    number, session = draw(st.integers(0, 5)), draw(st.booleans())
    trains = draw(st.integers(1 if number else 0, 3))
    made = [draw(any_contact(at + 1, trains, session)) for at in range(number)]
    spares = [
        an_input(
            n,
            draw(st.sampled_from(["one", "two", "three"])),
            sorted(draw(st.lists(st.floats(0, 3600), max_size=8))),
        )
        for n in range(10, 10 + draw(st.integers(0, 3)))
    ]
    alike = (
        tuple(tuple(range(trains)) for _ in range(trains))
        if draw(st.booleans())
        else tuple((at,) for at in range(trains))
    )
    swaps = (Swap(0, 1, 9, 1, 30.0),) if number > 1 and draw(st.booleans()) else ()
    return case(
        made, spares, tuple(f"train {n}" for n in range(trains)), alike=alike, swaps=swaps,
        length_unit=draw(st.sampled_from(["mm", "ms"])), from_s=0.0, to_s=3600.0,
    )  # fmt: skip


@given(any_case())
@settings(max_examples=100, deadline=None)
def test_any_case_gives_a_diagnosis(made: Case) -> None:
    """Without an exception, and, as warnings are errors here, without a warning."""
    found = diagnose(made)
    for each in found.findings:
        assert 0 <= each.confidence <= 0.99
        assert "nan" not in " ".join(each.evidence), each
        assert "inf" not in " ".join(each.evidence).replace("interference", ""), each
        assert each.evidence
        assert set(each.contacts) <= {one.name for one in made.contacts}
        for sketch in each.sketches:
            flat = [edge for part in sketch.closed_ms for edge in part]
            assert flat == sorted(flat)
            assert flat[-1] == sketch.until_ms
    sure = [each.confidence for each in found.findings]
    assert sure == sorted(sure, reverse=True)
    json.dumps(found.as_dict(), allow_nan=False)


@given(any_case())
@settings(max_examples=50, deadline=None)
def test_numbers_are_known_where_they_have_to_be(made: Case) -> None:
    for each in signs_of(made).contacts:
        assert 0 <= each.missed <= each.count
        assert 0 <= each.silence <= each.missed
        assert 0 <= each.missed <= each.count
        assert 0 <= each.opened <= 1
        assert each.spread > 0
        numbers = [
            each.clustering, *each.pace_of_missed, each.opening_rate, *each.length_trend, *each.bounces,
            *each.bounce_trend, *each.bounce_shares, *np.concatenate(each.gaps),
            *(number for held in each.held for number in (held.seconds, held.timing or 0.0)),
        ]  # fmt: skip
        assert np.isfinite(numbers).all(), numbers


@given(any_case(), st.randoms(use_true_random=False))
@settings(max_examples=40, deadline=None)
def test_the_order_of_the_sheet_does_not_matter(made: Case, random: Any) -> None:
    order = list(range(len(made.contacts)))
    random.shuffle(order)
    other = replace(made, contacts=tuple(made.contacts[at] for at in order))
    before, after = signs_of(made), signs_of(other)
    for at, each in zip(order, after.contacts, strict=True):
        same = before.contacts[at]
        assert each.contact is same.contact
        np.testing.assert_allclose(each.ratio, same.ratio)
        np.testing.assert_allclose(each.spread, same.spread)
        assert [(one.from_s, one.to_s, one.over, one.went_on) for one in each.held] == [
            (one.from_s, one.to_s, one.over, one.went_on) for one in same.held
        ]
        assert (each.count, each.missed, each.clustering) == (same.count, same.missed, same.clustering)


@given(st.floats(0.1, 10))
@settings(max_examples=20, deadline=None)
def test_the_unit_of_length_does_not_matter(factor: float) -> None:
    """All speeds in another unit: every ratio is the same."""
    mine = contacts(laps=30)
    other = [replace(each, passes=replace(each.passes, speed=each.passes.speed * factor)) for each in mine]
    for one, two in zip(signs_of(case(mine)).contacts, signs_of(case(other)).contacts, strict=True):
        np.testing.assert_allclose(one.ratio, two.ratio, atol=1e-9)
        assert one.length_trend == pytest.approx(two.length_trend)


@given(st.floats(-1e6, 1e9))
@settings(max_examples=20, deadline=None)
def test_the_moment_does_not_matter(later_s: float) -> None:
    """The same run at another time is the same to a microsecond."""
    seen = [usual(at, laps=30) for at in range(len(NAMES))]
    first, later = (
        case(
            [
                contact(
                    name,
                    at + 1,
                    replace(seen[at], at_s=seen[at].at_s + shift_s),
                    extras((701.0 + shift_s, 2.5e5)),
                )
                for at, name in enumerate(NAMES)
            ],
            from_s=shift_s,
            to_s=shift_s + 30 * LAP_S,
        )
        for shift_s in (0.0, later_s)
    )
    for one, two in zip(signs_of(first).contacts, signs_of(later).contacts, strict=True):
        assert (one.count, one.missed, len(one.held)) == (two.count, two.missed, len(two.held))
        assert [each.timing for each in one.held] == pytest.approx(
            [each.timing for each in two.held], abs=1e-2
        )
        assert [each.train for each in one.held] == [each.train for each in two.held]
