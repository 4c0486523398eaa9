"""What each cause looks like, and its nearest neighbour that looks nearly so: small cases made by hand.

Nothing rests on a score: a cause has to be the first finding and at least likely, its neighbour must not be.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from analysis.cases import (
    LAP_S,
    LAPS,
    MS,
    NAMES,
    QUIET,
    SPEED_MM_S,
    STEP_S,
    an_input,
    case,
    contact,
    contacts,
    extras,
    passes,
    usual,
    with_one,
)
from reedproof.analysis.case import Case, ContactFacts, Edges, FaultSpan, SeenPasses, SelfTest, Step, Swap
from reedproof.analysis.causes import clues_of
from reedproof.analysis.diagnosis import diagnose
from reedproof.analysis.finding import Cause, Certainty, Finding
from reedproof.analysis.symptoms import signs_of
from reedproof.records import Fault, Verdict

pytestmark = pytest.mark.filterwarnings("error")

MILL, QUAY = 1, 2
BOTH = ("slate", "milk")


def rng(seed: int = 7) -> np.random.Generator:
    return np.random.default_rng(seed)


def mill(seen: SeenPasses | None = None, *rest: Any, **known: Any) -> ContactFacts:
    return contact("mill", MILL + 1, usual(MILL) if seen is None else seen, *rest, **known)


def missed_where(gone: Any, **but: Any) -> SeenPasses:
    return usual(MILL, closures=np.where(gone, 0, 1), **but)


# ---- a run: no closure ----


def open_for_a_while() -> Case:
    """Passes 100 to 139 left nothing, the others are as they should be."""
    gone = (np.arange(LAPS) >= 100) & (np.arange(LAPS) < 140)
    return with_one(MILL, mill(missed_where(gone)))


def open_always() -> Case:
    return with_one(MILL, mill(missed_where(True), counts=replace(QUIET, edges=0, closures=0)))


def shorter(factor: float, **but: Any) -> SeenPasses:
    return usual(MILL, parts_ms=usual(MILL).parts_ms * factor, **but)


def weak() -> Case:
    """Closures are half as long as elsewhere and every tenth pass is missed, here and there."""
    return with_one(MILL, mill(shorter(0.5, closures=np.where(rng().random(LAPS) < 0.1, 0, 1))))


def weak_for_one_train(at: tuple[int, ...]) -> Case:
    """Of two trains that take turns, one has short closures at these contacts."""
    train = np.arange(LAPS) % 2
    all_contacts = []
    for number, name in enumerate(NAMES):
        short = np.where(train == 1, 0.5, 1.0)[:, None] if number in at else 1.0
        seen = usual(number, train=train, parts_ms=usual(number).parts_ms * short)
        all_contacts.append(contact(name, number + 1, seen))
    return case(all_contacts, trains=BOTH)


def weak_for_all_trains() -> Case:
    train = np.arange(LAPS) % 2
    all_contacts = [
        contact(
            name, at + 1, usual(at, train=train, parts_ms=usual(at).parts_ms * (0.5 if at == MILL else 1))
        )
        for at, name in enumerate(NAMES)
    ]
    return case(all_contacts, trains=BOTH)


def too_fast(make_us: int) -> Case:
    """The fastest tenth of the passes is missed; the board saw closings of up to 45 ms that did not count."""
    gone = usual(MILL).speed > np.quantile(usual(MILL).speed, 0.9)
    counts = replace(QUIET, blips=20, longest_blip_us=45_000)
    return with_one(MILL, mill(missed_where(gone), counts=counts, make_us=make_us))


# ---- a run: several closures in a pass ----


def notched(gap: float = 0.2, first: float = 0.4) -> SeenPasses:
    """Two closures in each pass, of which the opening takes a share."""
    whole = usual(MILL).parts_ms[:, :1]
    return usual(
        MILL,
        closures=2,
        parts_ms=np.concatenate([first * whole, (1 - gap - first) * whole], axis=1),
        gaps_ms=gap * whole,
    )


def turned() -> Case:
    return with_one(MILL, mill(notched()))


def lobes() -> Case:
    whole = usual(MILL).parts_ms[:, :1]
    return with_one(
        MILL,
        mill(usual(MILL, closures=3, parts_ms=whole * [[0.15, 0.4, 0.15]], gaps_ms=whole * [[0.15, 0.15]])),
    )


def loose() -> Case:
    """A fifth of the passes opens, anywhere and for any time; some openings are too short to count."""
    random = rng()
    opens = random.random(LAPS) < 0.2
    whole, gap = usual(MILL).parts_ms[:, 0], random.uniform(11, 25, LAPS)
    first = random.uniform(0.02, 0.98, LAPS) * (whole - gap)
    first, second = np.where(opens, first, whole), whole - gap - first
    return with_one(
        MILL,
        mill(
            usual(
                MILL,
                closures=1 + opens,
                parts_ms=np.stack([first, second], axis=1),
                gaps_ms=gap[:, None],
                dropouts=random.poisson(0.5, LAPS),
            ),
            counts=replace(QUIET, dropouts=LAPS // 2),
        ),
    )


def one_rattle() -> Case:
    """A single pass opened three times, as any contact may do once."""
    return with_one(MILL, mill(usual(MILL, dropouts=np.where(np.arange(LAPS) == 90, 3, 0))))


def bursts() -> Case:
    """Six passes of 200 opened several times each: a lead that is moved now and then."""
    dropouts = np.zeros(LAPS, np.int32)
    dropouts[[20, 50, 51, 52, 120, 160]] = [3, 8, 5, 4, 6, 7]
    return with_one(MILL, mill(usual(MILL, dropouts=dropouts)))


def many_closures() -> Case:
    """break_us is so short that each third pass gave five closures, the first ones of bounce."""
    whole = usual(MILL).parts_ms[:, 0]
    often = np.arange(LAPS) % 3 == 0
    parts = np.where(often[:, None], 0.6, whole[:, None] * [1, 1, 1])
    seen = usual(MILL, closures=np.where(often, 5, 1), parts_ms=parts, gaps_ms=[0.7, 0.7])
    return with_one(MILL, mill(seen, break_us=500))


def bouncing(break_us: int) -> Case:
    """Each third pass closes for a moment, opens for 0.7 ms as contacts do when they bounce, then closes."""
    whole = usual(MILL).parts_ms[:, 0]
    twice = np.arange(LAPS) % 3 == 0
    parts = np.stack([np.where(twice, 0.6, whole), whole - 1.3], axis=1)
    seen = usual(MILL, closures=1 + twice, parts_ms=parts, gaps_ms=[0.7])
    return with_one(MILL, mill(seen, break_us=break_us))


def worn(at: tuple[int, ...], first: float, last: float) -> Case:
    mean = np.linspace(first, last, LAPS)
    return case(
        [
            contact(name, number + 1, usual(number, bounces=rng(number).poisson(mean)))
            if number in at
            else contact(name, number + 1, usual(number))
            for number, name in enumerate(NAMES)
        ]
    )


# ---- a run: closed for too long ----

HELD_S = 250.0


def stuck(times: int = 3) -> Case:
    """Several times it stayed closed after a train, for four laps of it, in which nothing more came."""
    closures, parts = np.ones(LAPS, np.int16), usual(MILL).parts_ms.copy()
    for start in [30 + 50 * number for number in range(times)]:
        parts[start, 0] = HELD_S * 1000
        closures[start + 1 : start + 5] = 0
    return with_one(MILL, mill(usual(MILL, closures=closures, parts_ms=parts)))


def parked() -> Case:
    """Once it closed when the train was far away, between 'halt' and 'depot', and stayed closed."""
    at_s = 50 * LAP_S + 4.5 * STEP_S
    gone = (usual(MILL).at_s > at_s) & (usual(MILL).at_s < at_s + HELD_S)
    return with_one(MILL, mill(missed_where(gone), extras((at_s, HELD_S * 1000))))


def stands() -> Case:
    """The train came, stood on it and went on: nothing is wrong."""
    at_s = [usual(at).at_s for at in range(len(NAMES))]
    parts = usual(MILL).parts_ms.copy()
    parts[30, 0] = HELD_S * 1000
    for at, times_s in enumerate(at_s):
        times_s[30 + (at <= MILL) :] += HELD_S
    all_contacts = [contact(name, at + 1, usual(at, at_s=at_s[at])) for at, name in enumerate(NAMES)]
    all_contacts[MILL] = mill(usual(MILL, at_s=at_s[MILL], parts_ms=parts))
    return case(all_contacts, to_s=LAP_S * (LAPS + 1) + HELD_S)


# ---- a run: inputs ----


def shorted(how: str) -> Case:
    """'mill' and 'quay' close with each other: ``always``, or ``by chance`` as two busy inputs may."""
    both = [contact("mill", 2, usual(MILL)), contact("quay", 3, usual(QUAY))]
    extra_s = rng().uniform(0, LAPS * LAP_S, 30)
    if how == "always":
        each = [usual(QUAY).at_s, usual(MILL).at_s]
        both = [
            contact("mill", 2, usual(MILL), extras(*((at_s, MS) for at_s in each[0]))),
            contact("quay", 3, usual(QUAY), extras(*((at_s, MS) for at_s in each[1]))),
        ]
    elif how == "by chance":
        both = [
            contact("mill", 2, usual(MILL), extras(*((at_s, MS) for at_s in extra_s))),
            contact("quay", 3, usual(QUAY), extras((extra_s[0] + 0.001, MS))),
        ]
    elif how == "self-test":
        both = [
            contact("mill", 2, usual(MILL), selftest=SelfTest(Verdict.SHORTED, (3,))),
            contact("quay", 3, usual(QUAY), selftest=SelfTest(Verdict.SHORTED, (2,))),
        ]
    all_contacts = contacts()
    all_contacts[MILL : QUAY + 1] = both
    return case(all_contacts)


def swapped(gain: float) -> Case:
    swaps = (Swap(MILL, QUAY, 150, 2, gain),) if gain else ()
    return case(contacts(), swaps=swaps)


def noisy(on_contacts: tuple[int, ...], on_spares: tuple[int, ...], **known: Any) -> Case:
    noise = {"counts": replace(QUIET, blips=60, longest_blip_us=400), **known}
    all_contacts = [
        contact(name, at + 1, usual(at), **(noise if at in on_contacts else {}))
        for at, name in enumerate(NAMES)
    ]
    silent = replace(QUIET, edges=0, closures=0)
    spares = [
        an_input(number, **{"counts": silent, **(noise if number in on_spares else {})})
        for number in range(7, 17)
    ]
    return case(all_contacts, spares)


def closes_alone(number: int, often: int = 25) -> Case:
    """An input closes without a train: one with a contact or one without."""
    at_s = np.sort(rng().uniform(0, LAPS * LAP_S, often))
    if number > len(NAMES):
        return case(contacts(), [an_input(number, closures_at_s=list(at_s)), an_input(number + 1)])
    extra = extras(*((at, 5.0) for at in at_s))
    return with_one(number - 1, contact(NAMES[number - 1], number, usual(number - 1), extra))


def two_close_alone() -> Case:
    """Two inputs close for a moment without a train, always at once: that is not one bad input."""
    extra = extras(*((s, 5.0) for s in rng().uniform(0, LAPS * LAP_S, 25)))
    all_contacts = contacts()
    all_contacts[MILL : QUAY + 1] = [
        contact("mill", 2, usual(MILL), extra),
        contact("quay", 3, usual(QUAY), extra),
    ]
    return case(all_contacts)


def all_close_alone() -> Case:
    """All do so a little: what is usual at a place is no sign of one input."""
    return case(
        [
            contact(
                name, at + 1, usual(at), extras(*((s, 5.0) for s in rng(at).uniform(0, LAPS * LAP_S, 25)))
            )
            for at, name in enumerate(NAMES)
        ]
    )


def not_running() -> Case:
    """Two trains that look alike: one is seen on the first laps only."""
    train = np.where(np.arange(LAPS) < 5, 1, 0)
    return case(
        [contact(name, at + 1, usual(at, train=train)) for at, name in enumerate(NAMES)],
        trains=BOTH,
        alike=((0, 1), (0, 1)),
    )


def misses_of_one_train() -> Case:
    train = np.arange(LAPS) % 2
    return case(
        [
            contact(
                name,
                at + 1,
                usual(at, train=train, closures=np.where((train == 1) & (rng(at).random(LAPS) < 0.2), 0, 1)),
            )
            for at, name in enumerate(NAMES)
        ],
        trains=BOTH,
    )


# ---- the tables ----

ONE = ("mill",)
RUNS = [
    pytest.param(open_for_a_while, Cause.OPEN_LEAD, ONE, id="open lead for a while"),
    pytest.param(open_always, Cause.OPEN_LEAD, ONE, id="open lead"),
    pytest.param(weak, Cause.WEAK_MAGNET, ONE, id="weak"),
    pytest.param(weak_for_all_trains, Cause.WEAK_MAGNET, ONE, id="weak for both trains"),
    pytest.param(lambda: too_fast(50_000), Cause.WINDOW_TOO_LONG, ONE, id="make_us too long"),
    pytest.param(turned, Cause.TURNED_MAGNET, ONE, id="turned"),
    pytest.param(lobes, Cause.SIDE_LOBES, ONE, id="lobes"),
    pytest.param(loose, Cause.LOOSE_LEAD, ONE, id="loose"),
    pytest.param(lambda: bouncing(500), Cause.WINDOW_TOO_SHORT, ONE, id="break_us too short"),
    pytest.param(many_closures, Cause.WINDOW_TOO_SHORT, ONE, id="break_us far too short"),
    pytest.param(lambda: worn((MILL,), 2, 12), Cause.WORN_CONTACT, ONE, id="worn"),
    pytest.param(stuck, Cause.STUCK_CONTACT, ONE, id="stuck"),
    pytest.param(parked, Cause.PARKED_MAGNET, ONE, id="parked"),
    pytest.param(lambda: shorted("always"), Cause.SHORTED_INPUTS, ("mill", "quay"), id="shorted"),
    pytest.param(lambda: shorted("self-test"), Cause.SHORTED_INPUTS, ("mill", "quay"), id="shorted, told"),
    pytest.param(lambda: swapped(90.0), Cause.SWAPPED_PLUGS, ("mill", "quay"), id="swapped"),
    pytest.param(
        lambda: noisy((0, 1, 2, 3, 4, 5), tuple(range(7, 17))), Cause.INTERFERENCE, (), id="interference"
    ),
    pytest.param(lambda: closes_alone(2), Cause.BAD_INPUT, ONE, id="bad input"),
    pytest.param(lambda: closes_alone(9), Cause.BAD_INPUT, (), id="bad input without a contact"),
    pytest.param(lambda: weak_for_one_train(tuple(range(6))), Cause.VEHICLE, (), id="vehicle is weak"),
    pytest.param(misses_of_one_train, Cause.VEHICLE, (), id="vehicle is missed"),
    pytest.param(not_running, Cause.VEHICLE, (), id="vehicle does not run"),
]


def told(findings: tuple[Finding, ...]) -> str:
    lines = [f"{each.cause.value} {each.contacts} {each.confidence:.2f} {each.evidence}" for each in findings]
    return "\n".join(lines) or "nothing found"


@pytest.mark.parametrize(("build", "cause", "whom"), RUNS)
def test_the_cause_comes_first(build: Callable[[], Case], cause: Cause, whom: tuple[str, ...]) -> None:
    found = diagnose(build()).findings
    assert found, "nothing found"
    assert (found[0].cause, found[0].contacts) == (cause, whom), told(found)
    assert found[0].certainty is not Certainty.POSSIBLE, told(found)


def test_every_cause_has_a_case() -> None:
    assert {each.values[1] for each in RUNS} == set(Cause)


NEIGHBOURS = [
    pytest.param(weak, Cause.OPEN_LEAD, id="misses here and there are no open lead"),
    pytest.param(open_for_a_while, Cause.WEAK_MAGNET, id="misses in a row do not make a magnet weak"),
    pytest.param(open_for_a_while, Cause.BAD_INPUT, id="nor an input bad"),
    pytest.param(
        lambda: weak_for_one_train(tuple(range(6))), Cause.WEAK_MAGNET, id="one train at all contacts"
    ),
    pytest.param(weak_for_all_trains, Cause.VEHICLE, id="all trains at one contact"),
    pytest.param(lambda: too_fast(1000), Cause.WINDOW_TOO_LONG, id="make_us is short against closures"),
    pytest.param(weak, Cause.WINDOW_TOO_LONG, id="short closures, make_us as it should be"),
    pytest.param(turned, Cause.LOOSE_LEAD, id="exactly one opening in each pass"),
    pytest.param(turned, Cause.SIDE_LOBES, id="two closures, not three"),
    pytest.param(lobes, Cause.TURNED_MAGNET, id="three closures, not two"),
    pytest.param(lobes, Cause.LOOSE_LEAD, id="exactly two openings in each pass"),
    pytest.param(loose, Cause.TURNED_MAGNET, id="openings anywhere are no notch"),
    pytest.param(loose, Cause.SIDE_LOBES, id="openings anywhere are no lobes"),
    pytest.param(loose, Cause.WINDOW_TOO_SHORT, id="break_us as it should be"),
    pytest.param(loose, Cause.WORN_CONTACT, id="openings are no bounces"),
    pytest.param(
        lambda: with_one(MILL, mill(notched(0.2, 0.05))),
        Cause.TURNED_MAGNET,
        id="a notch at the edge",
    ),
    pytest.param(
        one_rattle,
        Cause.SIDE_LOBES,
        id="one pass that rattles",
    ),
    pytest.param(
        bursts,
        Cause.SIDE_LOBES,
        id="a few passes that rattle",
    ),
    pytest.param(lambda: bouncing(10_000), Cause.WINDOW_TOO_SHORT, id="what bounce is, the default hides"),
    pytest.param(lambda: bouncing(500), Cause.LOOSE_LEAD, id="bounce is no loose lead"),
    pytest.param(lambda: worn((MILL,), 12, 12), Cause.WORN_CONTACT, id="bounces, and always did"),
    pytest.param(lambda: worn(tuple(range(6)), 2, 12), Cause.WORN_CONTACT, id="they all bounce so"),
    pytest.param(lambda: worn((MILL,), 12, 2), Cause.WORN_CONTACT, id="it bounces ever less"),
    pytest.param(stuck, Cause.PARKED_MAGNET, id="from when a train came"),
    pytest.param(parked, Cause.STUCK_CONTACT, id="when no train was due"),
    pytest.param(stuck, Cause.OPEN_LEAD, id="no pass can be seen while it is closed"),
    pytest.param(parked, Cause.OPEN_LEAD, id="nor while a magnet stands there"),
    pytest.param(stands, Cause.STUCK_CONTACT, id="a train that stood on it"),
    pytest.param(stands, Cause.PARKED_MAGNET, id="a train that stood on it is no magnet left behind"),
    pytest.param(lambda: shorted("by chance"), Cause.SHORTED_INPUTS, id="together by chance"),
    pytest.param(lambda: shorted("not"), Cause.SHORTED_INPUTS, id="never together"),
    pytest.param(lambda: shorted("always"), Cause.BAD_INPUT, id="together are not two bad inputs"),
    pytest.param(lambda: swapped(0.0), Cause.SWAPPED_PLUGS, id="in order"),
    pytest.param(lambda: noisy((MILL,), ()), Cause.INTERFERENCE, id="noise at one input"),
    pytest.param(lambda: noisy((), (9,)), Cause.INTERFERENCE, id="noise at one spare input"),
    pytest.param(lambda: closes_alone(2), Cause.INTERFERENCE, id="one input is no interference"),
    pytest.param(two_close_alone, Cause.BAD_INPUT, id="two at once"),
    pytest.param(all_close_alone, Cause.BAD_INPUT, id="all of them alike"),
    pytest.param(lambda: closes_alone(2, 2), Cause.BAD_INPUT, id="twice is not often"),
    pytest.param(lambda: weak_for_one_train((MILL,)), Cause.VEHICLE, id="one train at one contact"),
]


@pytest.mark.parametrize(("build", "cause"), NEIGHBOURS)
def test_what_looks_nearly_so_is_not(build: Callable[[], Case], cause: Cause) -> None:
    found = diagnose(build()).findings
    wrong = [each for each in found if each.cause is cause and each.certainty is not Certainty.POSSIBLE]
    assert not wrong, told(found)


HEALTHY = [
    pytest.param(lambda: case(contacts()), id="one train"),
    pytest.param(lambda: weak_for_one_train(()), id="two trains"),
    pytest.param(lambda: case(contacts(), [an_input(n, counts=QUIET) for n in range(7, 17)]), id="spares"),
    pytest.param(stands, id="a train stands on a contact"),
    pytest.param(lambda: shorted("not"), id="no extras"),
    pytest.param(lambda: with_one(MILL, mill(missed_where(np.arange(LAPS) == 90))), id="one miss"),
    pytest.param(lambda: with_one(MILL, mill(usual(MILL), extras((1234.5, 5.0)))), id="one extra"),
    pytest.param(lambda: with_one(MILL, mill(shorter(0.93))), id="a contact a little further away"),
    pytest.param(
        lambda: with_one(MILL, mill(usual(MILL, dropouts=np.arange(LAPS) == 90))), id="one short opening"
    ),
    pytest.param(lambda: case([contact("alone", 1, usual(0))]), id="one contact"),
    pytest.param(lambda: case([contact("alone", 1, passes(0))]), id="no pass at all"),
    pytest.param(lambda: case([]), id="no contact"),
    pytest.param(lambda: case([], [an_input(3)]), id="nothing but an input"),
    pytest.param(
        lambda: case([contact(n, at + 1, usual(at, laps=1)) for at, n in enumerate(NAMES)]), id="one lap"
    ),
    pytest.param(
        lambda: case([contact(n, at + 1, usual(at, speed=np.nan)) for at, n in enumerate(NAMES)]),
        id="no speeds",
    ),
    pytest.param(
        lambda: case([contact(n, at + 1, usual(at), counts=None) for at, n in enumerate(NAMES)]),
        id="nothing counted",
    ),
]


@pytest.mark.parametrize("build", HEALTHY)
def test_nothing_is_wrong(build: Callable[[], Case]) -> None:
    found = diagnose(build())
    assert all(each.certainty is Certainty.POSSIBLE for each in found.findings), told(found.findings)


# ---- evidence ----


def first(made: Case) -> Finding:
    return diagnose(made).findings[0]


def evidence(made: Case, cause: Cause) -> str:
    """Of the surest clue."""
    found = max(
        (each for each in clues_of(signs_of(made)) if each.cause is cause), key=lambda clue: clue.score
    )
    return "; ".join(found.evidence)


def test_evidence_names_what_was_put_in() -> None:
    assert "40 of 200 passes missed, 40 of them in a row" in evidence(open_for_a_while(), Cause.OPEN_LEAD)
    assert "none of 200 passes closed it, and its input never changed" in evidence(
        open_always(), Cause.OPEN_LEAD
    )
    missed = int((rng().random(LAPS) < 0.1).sum())
    said = evidence(weak(), Cause.WEAK_MAGNET)
    assert f"{missed} of 200 passes missed, here and there" in said
    assert "closures are 50 % shorter than at the other contacts" in said
    said = evidence(too_fast(50_000), Cause.WINDOW_TOO_LONG)
    assert "make_us is 50 ms" in said
    assert "20 of 200 passes missed" in said
    assert "20 closings were too short to count, up to 45.0 ms" in said
    said = evidence(turned(), Cause.TURNED_MAGNET)
    assert "100 % of 200 passes opened in between" in said
    assert "200 of 200 passes gave two closures" in said
    assert "the opening lies 50 % through the pass" in said
    assert "takes 20 % of it" in said
    assert "200 of 200 passes gave three closures" in evidence(lobes(), Cause.SIDE_LOBES)
    said = evidence(bouncing(500), Cause.WINDOW_TOO_SHORT)
    assert "break_us is 0.5 ms, 67 of 200 passes gave more than one closure" in said
    assert "the openings between last 0.7 ms" in said
    assert "it stayed closed 3 times, for up to 250 s" in evidence(stuck(), Cause.STUCK_CONTACT)
    assert "3 times from when 'slate' came" in evidence(stuck(), Cause.STUCK_CONTACT)
    said = evidence(parked(), Cause.PARKED_MAGNET)
    assert "it stayed closed once, for up to 250 s" in said
    assert "4 passes went over it meanwhile" in said
    said = evidence(shorted("always"), Cause.SHORTED_INPUTS)
    assert "'mill' and 'quay' closed at the same moment 400 times, of 400 closures" in said
    assert "self-test found them connected" in evidence(shorted("self-test"), Cause.SHORTED_INPUTS)
    said = evidence(swapped(90.0), Cause.SWAPPED_PLUGS)
    assert "150 passes of the last ones" in said
    assert "'mill' and 'quay' exchanged on paper, 2" in said
    assert "'mill' closed 25 times without a train" in evidence(closes_alone(2), Cause.BAD_INPUT)
    assert "input 9 of board 'one' closed 25 times" in evidence(closes_alone(9), Cause.BAD_INPUT)
    said = evidence(weak_for_one_train(tuple(range(6))), Cause.VEHICLE)
    assert "train 'milk': closures are 50 % shorter than those of the other trains, over 6 contacts" in said


def test_evidence_of_openings() -> None:
    made = loose()
    seen = made.contacts[MILL].passes
    openings, doubled = seen.closures - 1 + seen.dropouts, int((seen.closures == 2).sum())
    said = evidence(made, Cause.LOOSE_LEAD)
    assert f"{np.sum(openings > 0)} of 200 passes opened in between, {openings.sum()} times in all" in said
    assert f"{doubled} of 200 passes gave more than one closure" in said


def test_what_is_not_known_is_not_told() -> None:
    said = evidence(many_closures(), Cause.WINDOW_TOO_SHORT)
    assert "67 of 200 passes gave more than one closure" in said
    assert "the openings between last 0.7 ms: that is bounce" in said


def test_evidence_of_wear() -> None:
    bounces = rng(MILL).poisson(np.linspace(2, 12, LAPS))
    others = np.median([usual(at).bounces.mean() for at in range(len(NAMES)) if at != MILL])
    said = evidence(worn((MILL,), 2, 12), Cause.WORN_CONTACT)
    assert f"{bounces[-50:].mean():.1f} bounces per pass at the end" in said
    assert f"{bounces[:50].mean():.1f} at the beginning" in said
    usual_here = float(said.split("beginning; ")[1].split(" ")[0])
    assert usual_here == pytest.approx(others, abs=0.3)


def test_evidence_of_interference() -> None:
    said = evidence(noisy((0, 1, 2), (7, 8, 9)), Cause.INTERFERENCE)
    assert "6 of 16 inputs of board 'one'" in said
    assert "360 times in all" in said
    assert "3 of them have no contact" in said
    assert "the mains" not in said


def test_interference_in_step_with_the_mains() -> None:
    """Closings every 20 ms for a few seconds, as a lead beside a mains lead sees them."""
    at_s = np.repeat(np.arange(0, 3, 0.02), 2) + np.tile([0.0, 0.001], 150)
    edges = Edges(at_s, np.tile([True, False], 150))
    said = evidence(noisy((0, 1, 2, 3, 4, 5), (), edges=edges), Cause.INTERFERENCE)
    assert "they come every 20.0 ms; the mains do" in said


def test_chatter_speaks_for_a_loose_lead() -> None:
    spans = tuple(FaultSpan(Fault.CHATTER, 600.0 * n, 600.0 * n + 2) for n in range(1, 9))
    seen = usual(MILL, dropouts=rng().poisson(0.15, LAPS))
    quiet, chattering = (with_one(MILL, mill(seen, faults=each)) for each in ((), spans))
    sure = {each.cause: each.confidence for each in diagnose(quiet).findings}
    found = first(chattering)
    assert found.cause is Cause.LOOSE_LEAD
    assert "the board saw it chatter 8 times" in found.evidence
    assert found.confidence >= sure.get(Cause.LOOSE_LEAD, 0.0)


@pytest.mark.parametrize("verdict", [Verdict.READS_LOW, Verdict.HELD_HIGH])
def test_a_self_test_tells_a_bad_input(verdict: Verdict) -> None:
    found = first(with_one(MILL, mill(selftest=SelfTest(verdict))))
    assert (found.cause, found.contacts, found.board) == (Cause.BAD_INPUT, ("mill",), "one")
    assert found.certainty is not Certainty.POSSIBLE
    assert (
        f"the board's self-test says of input 2: {verdict.name.lower().replace('_', ' ')}" in found.evidence
    )


def test_self_tests_that_found_nothing_say_nothing() -> None:
    good = [contact(n, at + 1, usual(at), selftest=SelfTest(Verdict.GOOD)) for at, n in enumerate(NAMES)]
    assert diagnose(case(good)).is_clear


def test_trains_that_closures_cannot_tell_apart_are_both_named() -> None:
    found = first(not_running())
    assert found.trains == BOTH
    assert "one of 'slate' and 'milk'" in found.evidence[0]


def test_what_came_at_two_inputs_at_once_is_odd_of_neither() -> None:
    told = [each.evidence for each in clues_of(signs_of(two_close_alone())) if each.cause is Cause.BAD_INPUT]
    assert not any("without a train" in each for one in told for each in one)


def test_boards_are_held_apart() -> None:
    """Two inputs on different boards that close together are not shorted."""
    all_contacts = contacts()
    at_s = usual(QUAY).at_s
    all_contacts[MILL] = contact("mill", 2, usual(MILL), extras(*((each, MS) for each in at_s)))
    all_contacts[QUAY] = contact("quay", 3, usual(QUAY), board="two")
    assert Cause.SHORTED_INPUTS not in {each.cause for each in diagnose(case(all_contacts)).findings}


# ---- a guided session ----

REFERENCE = contact("quay", 3, passes(6, at_s=np.arange(100, 106), step=Step.REFERENCE))


def session(mine: ContactFacts, *others: ContactFacts, **but: Any) -> Case:
    spares = but.pop("spares", [an_input(n) for n in range(8, 12)])
    trains = but.pop("trains", ("this vehicle",))
    return case([mine, *others], spares, trains, **{"from_s": 0.0, "to_s": 200.0, **but})


def asked(count: int = 10, **but: Any) -> SeenPasses:
    keys: dict[str, Any] = {"at_s": 5.0 + 5 * np.arange(count), "step": Step.USUAL, "bounces": 1, **but}
    return passes(count, **keys)


def slow_and_fast(closures: tuple[int, int, int], parts_ms: Any, gaps_ms: Any) -> SeenPasses:
    """Five usual passes, five slow ones with everything four times as long, five fast ones; speeds of the
    latter are not known."""
    pace = np.repeat([1.0, 4.0, 0.5], 5)
    return passes(
        15,
        at_s=5.0 + 5 * np.arange(15),
        step=np.repeat([Step.USUAL, Step.SLOW, Step.FAST], 5),
        closures=np.repeat(closures, 5),
        speed=np.repeat([SPEED_MM_S, np.nan, np.nan], 5),
        parts_ms=pace[:, None] * np.array(parts_ms),
        gaps_ms=pace[:, None] * np.array(gaps_ms),
        bounces=1,
    )


def wiggled() -> Case:
    still = asked(10)
    moved = passes(1, at_s=[80.0], step=Step.WIGGLE, closures=4, speed=np.nan, dropouts=5,
                   parts_ms=[800.0, 300, 900], gaps_ms=[40.0, 90])  # fmt: skip
    return session(mill(SeenPasses.join([still, moved])), REFERENCE)


def held_in_session() -> Case:
    seen = asked(10, closures=[1, 1, 1, 0, 0, 0, 0, 0, 0, 0],
                 parts_ms=np.array([[60.0], [60], [100_000], *[[60]] * 7]))  # fmt: skip
    return session(mill(seen), REFERENCE)


def silent(**known: Any) -> ContactFacts:
    return mill(asked(10, closures=0), counts=replace(QUIET, edges=0, closures=0), **known)


SESSIONS = [
    pytest.param(lambda: session(silent(), REFERENCE), Cause.OPEN_LEAD, id="nothing came"),
    pytest.param(
        lambda: session(silent(), REFERENCE, spares=[an_input(9, closures_at_s=list(asked().at_s))]),
        Cause.SWAPPED_PLUGS,
        id="it came at another input",
    ),
    pytest.param(
        wiggled,
        Cause.LOOSE_LEAD,
        id="opened while it was moved",
    ),
    pytest.param(
        lambda: session(mill(slow_and_fast((2, 2, 2), [20, 20], [15])), REFERENCE),
        Cause.TURNED_MAGNET,
        id="two closures at each speed",
    ),
    pytest.param(
        lambda: session(mill(slow_and_fast((3, 3, 3), [12, 40, 12], [10, 10])), REFERENCE),
        Cause.SIDE_LOBES,
        id="three closures at each speed",
    ),
    pytest.param(
        lambda: session(mill(asked(10, parts_ms=[25.0], closures=[1, 1, 1, 0, 1, 1, 1, 1, 0, 1])), REFERENCE),
        Cause.WEAK_MAGNET,
        id="shorter than at another contact",
    ),
    pytest.param(held_in_session, Cause.STUCK_CONTACT, id="closed while vehicles passed"),
    pytest.param(
        lambda: session(
            mill(asked(10, closures=0), make_us=50_000,
                 counts=replace(QUIET, edges=20, closures=0, blips=10, longest_blip_us=44_000)),
            REFERENCE,
        ),
        Cause.WINDOW_TOO_LONG,
        id="closed for less than make_us",
    ),
    pytest.param(
        lambda: session(mill(asked(), selftest=SelfTest(Verdict.READS_LOW)), REFERENCE),
        Cause.BAD_INPUT,
        id="the self-test says so",
    ),
]  # fmt: skip


@pytest.mark.parametrize(("build", "cause"), SESSIONS)
def test_a_session(build: Callable[[], Case], cause: Cause) -> None:
    made = build()
    assert made.is_session
    found = diagnose(made).findings
    assert found, "nothing found"
    assert found[0].cause is cause, told(found)
    assert found[0].certainty is not Certainty.POSSIBLE, told(found)


GOOD_SESSIONS = [
    pytest.param(lambda: session(mill(asked()), REFERENCE), id="as at the other contact"),
    pytest.param(lambda: session(mill(asked())), id="no other contact"),
    pytest.param(lambda: session(mill(slow_and_fast((1, 1, 1), [60], [])), REFERENCE), id="slow and fast"),
    pytest.param(
        lambda: session(mill(asked()), REFERENCE, spares=[an_input(9, closures_at_s=[7.0, 11.0])]),
        id="a train somewhere else",
    ),
    pytest.param(lambda: session(mill(passes(0), unclear="no pass was seen")), id="nothing was seen"),
]


@pytest.mark.parametrize("build", GOOD_SESSIONS)
def test_nothing_is_wrong_in_a_session(build: Callable[[], Case]) -> None:
    found = diagnose(build())
    assert all(each.certainty is Certainty.POSSIBLE for each in found.findings), told(found.findings)


def test_a_vehicle_in_a_session() -> None:
    """The first vehicle is weak over its contact and over a good one; another vehicle is not."""
    seen = SeenPasses.join(
        [asked(8, parts_ms=[25.0]), asked(8, at_s=50.0 + 5 * np.arange(8), step=Step.OTHER, train=1)]
    )
    reference = contact("quay", 3, passes(6, at_s=np.arange(100, 106), step=Step.REFERENCE, parts_ms=[25.0]))
    made = session(mill(seen), reference, trains=("this vehicle", "another vehicle"))
    found = diagnose(made).findings
    assert found, "nothing found"
    assert (found[0].cause, found[0].trains) == (Cause.VEHICLE, ("this vehicle",)), told(found)
    assert found[0].certainty is not Certainty.POSSIBLE


def test_evidence_of_a_session() -> None:
    made = session(silent(), REFERENCE, spares=[an_input(9, closures_at_s=list(asked().at_s))])
    said = evidence(made, Cause.SWAPPED_PLUGS)
    assert "none of 10 passes over 'mill' closed input 2; meanwhile input 9 closed 10 times" in said
    assert "it opened 8 times while lead and plug were moved" in evidence(wiggled(), Cause.LOOSE_LEAD)
    assert "7 passes were made meanwhile" in evidence(held_in_session(), Cause.STUCK_CONTACT)
