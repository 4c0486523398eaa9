"""A run as a case: its closures put together into passes, beside what its boards counted."""

from __future__ import annotations

import itertools
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from reedproof.analysis.account import Account, Kind, Status
from reedproof.analysis.books import Passes
from reedproof.analysis.case import (
    BoardFacts,
    Case,
    ContactFacts,
    Extras,
    InputFacts,
    SeenPasses,
    Swap,
)
from reedproof.analysis.closures import Closures, Gap
from reedproof.analysis.passes import Accountant
from reedproof.analysis.planned import LengthMeter, planned_lengths
from reedproof.analysis.track import tracks_of
from reedproof.analysis.visits import grouped, missed_passes, put_together
from reedproof.layout import Sheet

#: So many closures are looked at, the newest; what is to blame shows in less.
CLOSURES_MAX = 300_000
#: Between two closures of one magnet it is open for less than this share of the shorter one (a notch or the
#: gap to a side lobe is a few millimetres wide); two magnets of a train come within that time.
ONE_MAGNET, OTHER_MAGNET_S = 1.0, 10.0
#: Plugs are exchanged on paper if so many passes are odd, where more than this share of what an input saw is,
#: at no more contacts than that, with so many closures.
ODD_MIN, ODD, SUSPECTS_MAX, TRIAL = 8, 0.25, 10, 200
ODD_STRANGE = 0.1
#: A closure shorter than this share of the usual one is left out there.
SHORT = 0.3
#: Times between two contacts that differ so many times as much as usual look like a wrong order.
UNEVEN = 1.7
MOVED_MAX = 3  # times that a train is lifted off the track
#: What an odd pass costs, and what an exchange has to gain, in logarithms of likelihood; and how much of
#: what was odd it may leave.
ODD_COST, GAIN, CURED = 4.0, 20.0, 0.4


def places(sheet: Sheet, boards: Mapping[str, BoardFacts]) -> dict[tuple[str, int], int]:
    """Positions by board and input: those of the sheet's contacts, then the inputs without one."""
    found = sheet.positions()
    for name, facts in boards.items():
        for number in sorted({*facts.counts, *facts.settings}):
            found.setdefault((name, number), len(found))
    return found


def case_of_run(
    source: str,
    sheet: Sheet,
    closures: Iterable[Closures],
    gaps: Sequence[Gap],
    boards: Mapping[str, BoardFacts],
    from_s: float,
    to_s: float,
) -> Case:
    """``closures`` have the positions that :func:`places` gives, ``gaps`` those of the sheet; times are host
    times, the run's first and last one among them."""
    seen, notes = _newest(closures)
    if notes and len(seen):
        from_s = float(seen.made_s[0])
    count = len(sheet.contacts)
    mine = seen[seen.contact < count]
    inputs = [
        _input(place, boards, seen.made_s[seen.contact == position])
        for place, position in places(sheet, boards).items()
    ]
    tracks = tracks_of(sheet)
    unit = "ms"
    swaps: tuple[Swap, ...] = ()
    try:
        account, passes, unit = _accounted(sheet, mine, gaps)
        swaps = tuple(_swaps(sheet, mine, gaps))
        told = [each.reason if each.status is Status.CANNOT_TELL else "" for each in account.contacts]
    except ValueError as error:
        passes = Passes.join([])
        told = [f"its passes cannot be counted: {error}"] * count
        notes.append(f"passes cannot be counted: {error}")
    meter = LengthMeter(count)
    meter.feed(passes)
    planned = {each.contact: each for each in planned_lengths(sheet, meter, in_mm=unit == "mm")}
    return Case(
        source,
        from_s,
        to_s,
        tuple(track.train for track in tracks),
        _alike(sheet, [track.train for track in tracks]),
        tuple(
            ContactFacts(
                contact.name,
                inputs[at],
                *_passes_at(at, mine, passes, _known_to_s(at, gaps, to_s)),
                told[at],
                planned.get(contact.name),
            )
            for at, contact in enumerate(sheet.contacts)
        ),
        tuple(inputs[count:]),
        unit,
        swaps,
        tuple(notes),
    )


def _alike(sheet: Sheet, names: Sequence[str]) -> tuple[tuple[int, ...], ...]:
    """Trains with the same magnets on the same route; one that the sheet does not name is alone on its."""
    kinds = {train.name: (train.route, train.magnets, train.spacing_mm) for train in sheet.trains}
    return tuple(
        tuple(at for at, other in enumerate(names) if kinds.get(other, other) == kinds.get(name, name))
        for name in names
    )


def _known_to_s(at: int, gaps: Sequence[Gap], to_s: float) -> float:
    """Up to when it is known whether a contact opened: nobody may have looked at the end."""
    return min([gap.from_s for gap in gaps if at in gap.contacts and gap.to_s >= to_s], default=to_s)


def _newest(closures: Iterable[Closures]) -> tuple[Closures, list[str]]:
    kept: list[Closures] = []
    left_out = 0
    for part in closures:
        kept.append(part)
        while sum(map(len, kept[1:])) >= CLOSURES_MAX:
            left_out += len(kept.pop(0))
    notes = [f"the first {left_out} closures of the run were left out"] if left_out else []
    return Closures.join(kept), notes


def _input(
    place: tuple[str, int], boards: Mapping[str, BoardFacts], closures_at_s: NDArray[np.float64]
) -> InputFacts:
    board, number = place
    facts = boards.get(board, BoardFacts())
    make_us, break_us = facts.settings.get(number, (0, 0))
    return InputFacts(
        board,
        number,
        facts.counts.get(number),
        make_us,
        break_us,
        facts.selftest.get(number),
        tuple(facts.faults.get(number, ())),
        closures_at_s,
    )


def _accounted(sheet: Sheet, closures: Closures, gaps: Sequence[Gap]) -> tuple[Account, Passes, str]:
    parts: list[Passes] = []
    accountant = Accountant(sheet, gaps, on_pass=parts.append)
    accountant.feed(closures)
    return accountant.finish(), Passes.join(parts), "mm" if accountant.lengths_in_mm else "ms"


# ---- one contact ----


def _passes_at(at: int, closures: Closures, passes: Passes, to_s: float) -> tuple[SeenPasses, Extras]:
    """A pass is a closure that the account takes for one, with what comes right before or after it."""
    mine = closures[closures.contact == at]
    taken = passes.contact == at
    order = np.argsort(passes.made_s[taken], kind="stable")
    made_s, length = passes.made_s[taken][order], passes.length[taken][order]
    nth = np.arange(len(made_s)) - np.searchsorted(made_s, made_s)  # of those at the same moment
    is_pass = np.zeros(len(mine), np.bool_)
    is_pass[np.searchsorted(mine.made_s, made_s) + nth] = True
    ms = mine.duration_ms.astype(np.float64)
    if len(ms) and np.isnan(ms[-1]) and mine.made_s[-1] < to_s:  # it still lasts, as far as anybody knows
        ms[-1] = (to_s - mine.made_s[-1]) * 1000
    with np.errstate(divide="ignore", invalid="ignore"):
        speed = np.full(len(mine), np.nan)
        speed[is_pass] = length / ms[is_pass] * 1000
    train = np.full(len(mine), -1, np.int16)
    train[is_pass] = passes.train[taken][order]
    group = _magnets(mine.made_s, ms, is_pass)
    _relabel(mine.made_s, group, train)
    first = {int(group[row]): int(row) for row in np.flatnonzero(train >= 0)[::-1]}
    starts = np.searchsorted(group, sorted(first))
    ends = np.searchsorted(group, sorted(first), side="right")
    rows = [np.arange(start, end) for start, end in zip(starts, ends, strict=True)]
    labels = [first[number] for number in sorted(first)]
    of_pass = np.isin(group, list(first))
    seen = put_together(mine, ms, rows, train[labels], speed[labels])
    missed = passes.missed.contact == at
    gone = missed_passes(passes.missed.at_s[missed], passes.missed.train[missed], passes.missed.speed[missed])
    return SeenPasses.join([seen, gone]), Extras(mine.made_s[~of_pass], ms[~of_pass])


def _magnets(
    made_s: NDArray[np.float64], ms: NDArray[np.float64], is_pass: NDArray[np.bool_]
) -> NDArray[np.int64]:
    """Closures grouped by the magnet that made them. Two magnets may follow each other closely: then the
    opening between them is long against their closures."""
    group = grouped(made_s, ms)
    nth = np.cumsum(is_pass)
    start = np.searchsorted(group, group, side="left")
    is_later = is_pass & (nth - np.where(start > 0, nth[start - 1], 0) > 1)
    opened_ms = np.diff(made_s, prepend=made_s[:1]) * 1000 - np.concatenate([ms[:1], ms[:-1]])
    shorter_ms = np.fmin(ms, np.concatenate([ms[:1], ms[:-1]]))
    return np.asarray(group + np.cumsum(is_later & (opened_ms >= ONE_MAGNET * shorter_ms)))


def _relabel(made_s: NDArray[np.float64], group: NDArray[np.int64], train: NDArray[np.int16]) -> None:
    """Where the account takes two closures of one magnet for two passes, the closures of the other magnet
    are left without: they get the second one's label."""
    taken, counts = np.unique(group[train >= 0], return_counts=True)
    free = np.setdiff1d(group, taken)
    for number in taken[counts > 1]:
        for row in np.flatnonzero((group == number) & (train >= 0))[1:]:
            nearest = free[np.abs(made_s[np.searchsorted(group, free)] - made_s[row]) < OTHER_MAGNET_S]
            if len(nearest):
                to = np.searchsorted(group, nearest)
                best = int(np.argmin(np.abs(made_s[to] - made_s[row])))
                train[to[best]] = train[row]
                free = free[free != nearest[best]]
            train[row] = -1


# ---- plugs exchanged on paper ----


@dataclass(frozen=True)
class _Fit:
    """How well the sheet explains closures: ``cost`` is about -ln of their likelihood, ``odd`` counts what
    was missed, extra or out of place, by contact. ``disordered``: contacts of trains that were out of place,
    or take far less regular times between some contacts than between others. ``neighbours``, shape
    (contacts, contacts): those that are on a route with each contact, itself left out."""

    cost: float
    odd: NDArray[np.int64]
    disordered: NDArray[np.bool_]
    neighbours: NDArray[np.bool_]


def _swaps(sheet: Sheet, closures: Closures, gaps: Sequence[Gap]) -> Iterator[Swap]:
    """The pair of contacts whose exchange explains most of what is odd; looked for in the newest closures
    only, as plugs may have been exchanged during the run."""
    known_ms = closures.duration_ms[np.isfinite(closures.duration_ms)]
    if not len(known_ms):
        return
    closures = closures[~(closures.duration_ms < SHORT * np.median(known_ms))]  # no magnet
    for count in (TRIAL, TRIAL // 2):
        part = closures[-count:]
        before = _fit(sheet, part, gaps)
        if before.odd.sum() < ODD_MIN and not before.disordered.any():
            continue
        each = np.bincount(part.contact, minlength=len(before.odd)) + 1
        # So odd that the account may have put it in the wrong place: any contact may be one of the two.
        least = ODD_STRANGE if before.odd.sum() > ODD * len(part) else ODD
        suspected = before.disordered | (before.odd > least * each)
        suspects = [int(at) for at in np.argsort(-before.odd / each, kind="stable") if suspected[at]]
        suspects = suspects[:SUSPECTS_MAX]
        pairs = set(itertools.combinations(sorted(suspects), 2))
        # The account may blame one of the two alone: missed in its place, extra in the other's.
        for worst in suspects[:1]:
            others = np.flatnonzero(before.neighbours[worst]).tolist()
            pairs |= {(min(worst, other), max(worst, other)) for other in others}
        found = []
        for first, second in sorted(pairs):
            after = _fit(sheet, _exchanged(part, first, second), gaps)
            is_cured = after.odd.sum() <= CURED * before.odd.sum() + 1
            if is_cured and before.cost - after.cost > GAIN:
                odd = int(before.odd.sum()), int(after.odd.sum())
                found.append(Swap(first, second, *odd, before.cost - after.cost))
        if found:
            yield max(found, key=lambda swap: swap.gain)
            return


def _exchanged(closures: Closures, first: int, second: int) -> Closures:
    contact = closures.contact.copy()
    contact[closures.contact == first], contact[closures.contact == second] = second, first
    return replace(closures, contact=contact)


def _fit(sheet: Sheet, closures: Closures, gaps: Sequence[Gap]) -> _Fit:
    accountant = Accountant(sheet, gaps)
    accountant.feed(closures)
    account = accountant.finish()
    odd = np.array([each.missed + each.extra for each in account.contacts], dtype=np.int64)
    moved = [each for each in account.evidence if each.kind is Kind.MOVED]
    np.add.at(odd, [each.contact for each in moved], 1)
    disordered = np.zeros(len(odd), dtype=np.bool_)
    neighbours = np.zeros((len(odd), len(odd)), dtype=np.bool_)
    passes, ways = sum(each.good for each in account.contacts), []
    for track, sd in zip(tracks_of(sheet), accountant.spreads, strict=True):
        neighbours[np.ix_(track.contact, track.contact)] = True
        way = sd[~track.is_turn]
        often_moved = sum(each.train == track.train for each in moved) > MOVED_MAX
        if often_moved or (len(way) > 2 and way.max() > UNEVEN * np.median(way)):
            disordered[track.contact] = True
        ways.append(way)
    spread = float(np.mean(np.log(np.concatenate(ways))))
    np.fill_diagonal(neighbours, False)
    return _Fit(ODD_COST * float(odd.sum()) + passes * spread, odd, disordered, neighbours)
