"""The books of a run: explained closures are entered portion by portion, an account is drawn up at any
time."""

from __future__ import annotations

import copy
from collections import defaultdict
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from reedproof.analysis.account import Account, Block, ContactCount, Evidence, Kind, Status
from reedproof.analysis.align import GAPPED, HALTED, MOVED, TURNED
from reedproof.analysis.chances import Chances
from reedproof.analysis.closures import Closures, Gap
from reedproof.analysis.journey import Journey
from reedproof.analysis.learning import Seen, note_lengths, note_times
from reedproof.analysis.track import Track

#: Of each kind and contact.
EVIDENCE_MAX = 1000
BLOCK_S = 600.0
BLOCKS_MAX = 10_000_000  # a run of two centuries
#: A count is given if this share of the drawn explanations agrees with it.
SURE = 0.95
#: A contact that misses more than this is as good as dead: it proves nothing about where a train was.
DEAD = 0.5
#: A contact that closes less often than this share of the busiest one of its route is silent.
SILENT = 0.1
#: After a gap that hid all of its route a train begins anew, and what was missed beside the gap is not seen.
#: More often than a few times, and once in so many laps, that makes what is left look too good.
ANEW_MAX, ANEW_LAPS = 2, 20
#: If more of the closures than this are left unexplained, the sheet describes another layout.
STRANGE = 0.3
#: Nobody lifts trains off the track more often than this, and than this share of the laps.
MOVES_MAX, MOVES = 3, 0.1
CHECK_ORDER = "check the order of its contacts in the sheet"

PASSES, MISSED, EXTRA = range(3)


@dataclass(frozen=True)
class Missed:
    """Passes that gave no closure while somebody looked. ``at_s`` is when they are thought to have happened,
    ``speed`` the mean one between the closures before and after, mm/s if the sheet tells distances, else a
    share of the usual speed; NaN where it is not known. Shapes (n,)."""

    contact: NDArray[np.int16]
    train: NDArray[np.int16]
    at_s: NDArray[np.float64]
    speed: NDArray[np.float64]

    @classmethod
    def join(cls, parts: Sequence[Missed]) -> Missed:
        """One after the other."""
        return cls(
            np.concatenate([part.contact for part in parts] or [np.zeros(0, np.int16)]),
            np.concatenate([part.train for part in parts] or [np.zeros(0, np.int16)]),
            np.concatenate([part.at_s for part in parts] or [np.zeros(0)]),
            np.concatenate([part.speed for part in parts] or [np.zeros(0)]),
        )


@dataclass(frozen=True)
class Passes:
    """Closures that were passes, for a look at how they change over a run, and what was missed among them.
    ``length`` is the effective length of the closure: its duration times the speed of the train there, in
    mm if the sheet tells distances, else in ms at the usual speed; NaN where it is not known. ``train``:
    its position among the tracks. Shapes (n,)."""

    contact: NDArray[np.int16]
    train: NDArray[np.int16]
    made_s: NDArray[np.float64]
    length: NDArray[np.float64]
    bounces: NDArray[np.uint16]
    missed: Missed

    @classmethod
    def join(cls, parts: Sequence[Passes]) -> Passes:
        """One after the other."""
        return cls(
            np.concatenate([part.contact for part in parts] or [np.zeros(0, np.int16)]),
            np.concatenate([part.train for part in parts] or [np.zeros(0, np.int16)]),
            np.concatenate([part.made_s for part in parts] or [np.zeros(0)]),
            np.concatenate([part.length for part in parts] or [np.zeros(0)]),
            np.concatenate([part.bounces for part in parts] or [np.zeros(0, np.uint16)]),
            Missed.join([part.missed for part in parts]),
        )


@dataclass(frozen=True)
class Portion:
    """Closures and what each is explained by; ``depart_s`` is when the train left, ``is_near`` marks those
    soon after another one at the same contact. ``found`` has dtype align.PASS, all shapes (n,)."""

    closures: Closures
    depart_s: NDArray[np.float64]
    is_near: NDArray[np.bool_]
    found: NDArray[Any]
    chances: Chances

    def __len__(self) -> int:
        return len(self.closures)


@dataclass(frozen=True)
class Skipped:
    """Stations that a train passed without a closure; shapes (n,). ``row`` is the closure after it."""

    contact: NDArray[np.int64]
    at_s: NDArray[np.float64]
    row: NDArray[np.int64]
    is_hidden: NDArray[np.bool_]  # nobody looked


class Books:
    def __init__(self, names: Sequence[str], chances: Chances) -> None:
        contacts = len(names)
        self._names = names
        self._tracks = chances.tracks
        self._distances = [_distances(chances, at) for at in range(len(chances.tracks))]
        self.seen = Seen.nothing(contacts, chances.tracks)
        self._counts = np.zeros((contacts, 3), dtype=np.int64)
        self._doubled = np.zeros(contacts, dtype=np.int64)
        self._unobserved = np.zeros(contacts, dtype=np.int64)
        self._turns = np.zeros((contacts, 2), dtype=np.int64)  # on the contact; unseen, so on it or beyond
        self._blocks: dict[tuple[int, int], NDArray[np.int64]] = {}
        self._steps = [0] * len(chances.tracks)
        self._moves = [0] * len(chances.tracks)
        self._anew = [0] * len(chances.tracks)  # times a train began anew after a gap
        self._left_s = [np.nan] * len(chances.tracks)  # when each train left its last station
        self._evidence: list[Evidence] = []
        self._evidence_counts: defaultdict[tuple[Kind, int], int] = defaultdict(int)
        self._last_is_pass = np.zeros(contacts, dtype=np.bool_)  # the last closure was one
        self._closures = 0
        self._from_s = self._to_s = np.nan

    def copy(self) -> Books:
        """Books of their own, with the same entries. What never changes is shared."""
        shared = (self._names, self._tracks, self._distances, *self._evidence)
        return copy.deepcopy(self, {id(each): each for each in shared})

    # ---- in ----

    def enter(
        self, portion: Portion, gaps: Sequence[Gap], on_pass: Callable[[Passes], None] | None = None
    ) -> None:
        if not len(portion):
            return
        made_s = portion.closures.made_s
        if not self._closures:
            self._from_s = float(made_s[0])
            self._to_s = self._from_s
        self.seen.seconds += float(made_s[-1]) - self._to_s
        self._to_s = float(made_s[-1])
        self._closures += len(portion)
        self._enter_closures(portion, gaps)
        journeys = list(self._journeys(portion))
        skipped = [self._enter_journey(portion, journey, gaps) for journey in journeys]
        if on_pass is not None:
            on_pass(self._passes(portion, journeys, skipped))

    def _enter_closures(self, portion: Portion, gaps: Sequence[Gap]) -> None:
        closures, contacts = portion.closures, len(self._names)
        is_pass = portion.found["train"] >= 0
        taken = np.bincount(closures.contact[is_pass], minlength=contacts)
        self._counts[:, PASSES] += taken
        self.seen.passes += taken
        extras = np.flatnonzero(~is_pass)
        self._counts[:, EXTRA] += np.bincount(closures.contact[extras], minlength=contacts)
        near = extras[portion.is_near[extras]]
        self.seen.doubled += np.bincount(closures.contact[near], minlength=contacts)
        self.seen.strays += np.bincount(
            closures.contact[extras[~portion.is_near[extras]]], minlength=contacts
        )
        note_lengths(self.seen, portion.chances, closures, is_pass, portion.is_near)
        self._block(closures.contact[is_pass], closures.made_s[is_pass], PASSES, gaps)
        self._block(closures.contact[extras], closures.made_s[extras], EXTRA, gaps)
        self._enter_doubled(closures, is_pass, portion.is_near)
        for kind, rows in ((Kind.DOUBLED, near), (Kind.EXTRA, extras[~portion.is_near[extras]])):
            for row, contact in self._within_limit(kind, closures.contact[rows], rows):
                length = closures.duration_ms[row]
                told = f"closed for {length:.1f} ms" if np.isfinite(length) else "closed"
                because = (
                    f"{told}, right after the closure before it"
                    if kind is Kind.DOUBLED
                    else f"{told}; no train can have been there"
                )
                self._evidence.append(Evidence(kind, contact, "", float(closures.made_s[row]), because))

    def _enter_doubled(
        self, closures: Closures, is_pass: NDArray[np.bool_], is_near: NDArray[np.bool_]
    ) -> None:
        """Counts passes with a second closure, each once however many more it has."""
        for contact in np.unique(closures.contact):
            rows = np.flatnonzero(closures.contact == contact)
            second = ~is_pass[rows] & is_near[rows]
            after_pass = np.concatenate([[self._last_is_pass[contact]], is_pass[rows[:-1]]])
            self._doubled[contact] += int(np.sum(second & after_pass))
            self._last_is_pass[contact] = is_pass[rows[-1]]

    def _journeys(self, portion: Portion) -> Iterator[Journey]:
        for at, track in enumerate(self._tracks):
            rows = np.flatnonzero(portion.found["train"] == at)
            if not len(rows):
                continue
            found = portion.found[rows]
            station, steps = found["station"].astype(np.int64), found["steps"].astype(np.int64)
            left_s = np.concatenate([[self._left_s[at]], portion.depart_s[rows[:-1]]])
            self._left_s[at] = float(portion.depart_s[rows[-1]])
            yield Journey(
                at, rows, station, (station - steps) % len(track), steps, found["flags"], left_s,
                portion.closures.made_s[rows],
            )  # fmt: skip

    def _enter_journey(self, portion: Portion, journey: Journey, gaps: Sequence[Gap]) -> Skipped:
        self._steps[journey.at] += int(journey.steps.sum())
        self._anew[journey.at] += int(np.sum((journey.flags & GAPPED > 0) & (journey.steps == 0)))
        self._moves[journey.at] += int(np.sum(journey.flags & MOVED > 0))
        note_times(self.seen, portion.chances, journey)
        skipped = _skipped(portion.chances, journey, self._tracks[journey.at], gaps)
        contacts = len(self._names)
        np.add.at(self._unobserved, skipped.contact[skipped.is_hidden], 1)
        seen = ~skipped.is_hidden
        missed = np.bincount(skipped.contact[seen], minlength=contacts)
        self._counts[:, PASSES] += missed
        self._counts[:, MISSED] += missed
        self.seen.passes += missed
        self.seen.missed += missed
        for column in (PASSES, MISSED):
            self._block(skipped.contact[seen], skipped.at_s[seen], column, gaps)
        self._enter_turns(journey)
        self._tell_missed(portion, journey, skipped)
        self._tell_odd(journey)
        return skipped

    def _enter_turns(self, journey: Journey) -> None:
        track = self._tracks[journey.at]
        on_it = track.contact[journey.station[journey.flags & TURNED > 0]]
        np.add.at(self._turns[:, 0], on_it, 1)
        for station in np.flatnonzero(track.turned):
            # From before the first of the two passes to beyond the second one.
            before = (station - 1 - journey.from_station) % len(track)
            unseen = (before >= 1) & (journey.steps > before + 1)
            self._turns[track.contact[station], 1] += int(unseen.sum())

    def _tell_missed(self, portion: Portion, journey: Journey, skipped: Skipped) -> None:
        train = self._tracks[journey.at].train
        total_s = portion.chances.total_s(journey.at)
        rows = np.flatnonzero(~skipped.is_hidden)
        for each, contact in self._within_limit(Kind.MISSED, skipped.contact[rows], rows):
            row = skipped.row[each]
            start, steps = journey.from_station[row], journey.steps[row]
            track = self._tracks[journey.at]
            usual_s = total_s[start, steps - 1]
            took_s = journey.made_s[row] - journey.from_s[row]
            because = (
                f"from {self._names[track.contact[start]]!r} to "
                f"{self._names[track.contact[journey.station[row]]]!r} in {took_s:.1f} s, "
                f"usually {usual_s:.1f} s, and no closure between"
            )
            self._evidence.append(Evidence(Kind.MISSED, contact, train, float(skipped.at_s[each]), because))

    def _tell_odd(self, journey: Journey) -> None:
        track = self._tracks[journey.at]
        for flag, kind in ((HALTED, Kind.HALTED), (MOVED, Kind.MOVED)):
            rows = np.flatnonzero(journey.flags & flag)
            for row, contact in self._within_limit(kind, track.contact[journey.station[rows]], rows):
                took_s = journey.made_s[row] - journey.from_s[row]
                because = (
                    f"{took_s:.1f} s on the way here"
                    if kind is Kind.HALTED
                    else "no way along the route explains the train here; passes between are not counted"
                )
                self._evidence.append(
                    Evidence(kind, contact, track.train, float(journey.made_s[row]), because)
                )

    def _within_limit(
        self, kind: Kind, contacts: NDArray[Any], rows: NDArray[np.int64]
    ) -> Iterator[tuple[int, int]]:
        """(row, contact) of what is told in words; the rest is only counted."""
        for contact in np.unique(contacts):
            mine = rows[contacts == contact]
            key = (kind, int(contact))
            room = max(0, EVIDENCE_MAX - self._evidence_counts[key])
            self._evidence_counts[key] += len(mine)
            for row in mine[:room]:
                yield int(row), int(contact)

    def _block(
        self, contacts: NDArray[Any], at_s: NDArray[np.float64], column: int, gaps: Sequence[Gap]
    ) -> None:
        if not len(contacts):
            return
        after = np.searchsorted(np.array([gap.from_s for gap in gaps], dtype=np.float64), at_s)
        since = np.maximum((at_s - self._from_s) // BLOCK_S, 0).astype(np.int64)
        unique, which = np.unique(after * BLOCKS_MAX + since, return_inverse=True)
        for at, key in enumerate(unique.tolist()):
            counts = self._blocks.setdefault(
                divmod(key, BLOCKS_MAX), np.zeros((len(self._names), 3), dtype=np.int64)
            )
            counts[:, column] += np.bincount(contacts[which == at], minlength=len(self._names))

    def _passes(self, portion: Portion, journeys: Sequence[Journey], skipped: Sequence[Skipped]) -> Passes:
        closures = portion.closures
        speed = np.full(len(portion), np.nan)
        missed = []
        for journey, skip in zip(journeys, skipped, strict=True):
            before = _speed_before(journey, self._distances[journey.at])
            speed[journey.rows] = _speed(before)
            missed.append(_missed(journey, skip, before))
        is_pass = portion.found["train"] >= 0
        # A train that stood on the contact was not on its way.
        is_odd = portion.depart_s > closures.made_s
        length = np.where(is_odd, np.nan, closures.duration_ms / 1000 * speed)
        return Passes(
            closures.contact[is_pass],
            portion.found["train"][is_pass].astype(np.int16),
            closures.made_s[is_pass],
            length[is_pass],
            closures.bounces[is_pass],
            Missed.join(missed),
        )

    # ---- out ----

    def account(self, draws: NDArray[np.int32]) -> Account:
        """``draws``, shape (draws, contacts, 3): what other likely explanations count beyond this one."""
        reasons = self._reasons()
        laps: dict[str, int] = {}
        for track, steps in zip(self._tracks, self._steps, strict=True):
            laps[track.train] = steps // len(track)
        return Account(
            contacts=tuple(
                self._contact(at, draws[:, at, :], reasons.get(at, "")) for at in range(len(self._names))
            ),
            laps=laps,
            closures=self._closures,
            from_s=float(self._from_s),
            to_s=float(self._to_s),
            evidence=tuple(sorted(self._evidence, key=lambda each: each.at_s)),
            evidence_left_out=sum(max(0, n - EVIDENCE_MAX) for n in self._evidence_counts.values()),
        )

    def _contact(self, at: int, draws: NDArray[np.int32], reason: str) -> ContactCount:
        passes, missed, extra = map(int, self._counts[at])
        low = np.quantile(draws, 0.005, axis=0, method="lower").astype(int)
        high = np.quantile(draws, 0.995, axis=0, method="higher").astype(int)
        ranges = [
            [max(0, count + low[column]), count + high[column]]
            for column, count in enumerate((passes, missed, extra))
        ]
        on_it, unseen = self._turns[at].tolist()
        if reason:  # any of its passes may have been another one, or none
            ranges[MISSED] = [0, ranges[PASSES][1]]
            ranges[PASSES][0] = passes - missed
        elif on_it and unseen:
            ranges[MISSED][0] -= unseen
            ranges[PASSES][0] -= unseen
            reason = (
                f"trains turned on it {on_it} times, which is one pass and not two; {unseen} times nobody "
                "knows which it was"
            )
        else:
            agreed = float(np.mean(~draws.any(axis=1)))
            if agreed < SURE:
                reason = (
                    f"the closures can be read in several ways; the likeliest has {passes} passes, {missed} "
                    f"missed and {extra} extra"
                )
        blocks = [
            Block(float(self._from_s + key[1] * BLOCK_S), *map(int, counts[at]))
            for key, counts in sorted(self._blocks.items())
            if counts[at].any()
        ]
        passes_range, missed_range, extra_range = ((int(a), int(b)) for a, b in ranges)
        return ContactCount(
            contact=self._names[at],
            passes=passes,
            good=passes - missed - int(self._doubled[at]),
            missed=missed,
            extra=extra,
            doubled=int(self._doubled[at]),
            unobserved=int(self._unobserved[at]),
            status=Status.CANNOT_TELL if reason else Status.COUNTED,
            reason=reason,
            passes_range=passes_range,
            missed_range=missed_range,
            extra_range=extra_range,
            blocks=tuple(blocks),
        )

    def _reasons(self) -> dict[int, str]:
        """Contacts whose count means nothing whatever the likelihoods say."""
        reasons: dict[int, str] = {}
        on_route = {int(contact) for track in self._tracks for contact in track.contact}
        for at in range(len(self._names)):
            if at not in on_route:
                reasons[at] = "no route of the sheet goes over it"
        passes, missed = self._counts[:, PASSES], self._counts[:, MISSED]
        dead = {at for at in on_route if missed[at] > DEAD * max(passes[at], 1)}
        elsewhere = {at for at in dead if self._counts[at, EXTRA] > DEAD * passes[at]}
        busy = passes - missed + self._counts[:, EXTRA]
        extras = self._counts[sorted(on_route), EXTRA].sum()
        total = extras + (passes - missed)[sorted(on_route)].sum()
        for track, steps, moves, anew in zip(self._tracks, self._steps, self._moves, self._anew, strict=True):
            laps = steps / len(track)
            mine = {int(contact) for contact in track.contact}
            closing = [at for at in mine if busy[at] > SILENT * busy[list(mine)].max()]
            reason = ""
            if len(mine) < 2:
                reason = "it is alone on its route, where a missed pass looks like a slow lap"
            elif len(closing) < 2:
                reason = "too few contacts of the route close to tell where the train was"
            elif (extras > STRANGE * total and total >= 20) or moves > MOVES_MAX + MOVES * laps:
                reason = "the closures do not follow the route; " + CHECK_ORDER
            elif laps < 2:
                reason = "less than two laps were seen"
            elif anew > ANEW_MAX + laps / ANEW_LAPS:
                reason = f"{anew} gaps hid all of the route, and what was missed beside them is not seen"
            for at in mine:
                if reason:
                    reasons.setdefault(at, reason)
                elif at in elsewhere:
                    reasons.setdefault(at, "it closes, but not where the route has it; " + CHECK_ORDER)
                elif at in dead and (why := self._why_unproved(track, at, dead)):
                    reasons.setdefault(at, why)
        return reasons

    def _why_unproved(self, track: Track, dead_one: int, dead: set[int]) -> str:
        """A dead contact is proved to be one by the living contacts on both sides of it."""
        ring = [int(contact) for contact in track.contact]
        ring = [at for before, at in zip([ring[-1], *ring[:-1]], ring, strict=True) if at != before]
        for place, at in enumerate(ring):
            if at != dead_one:
                continue
            sides = {ring[place - 1], ring[(place + 1) % len(ring)]}
            if sides & dead:
                name = self._names[min(sides & dead)]
                return f"its neighbour {name!r} does not close either: the train may go another way"
            if len(sides) == 1:
                return "it does not close, and no contact beyond it shows that the train went over it"
        return ""


def _distances(chances: Chances, at: int) -> NDArray[np.float64]:
    """From each station over so many sections + 1, in mm, or in usual seconds where the sheet tells no
    distance; NaN across a turn. Shape (stations, reach)."""
    track, mean_s = chances.tracks[at], chances.mean_s[at]
    known = np.isfinite(track.distance_mm)
    speed = track.distance_mm[known].sum() / mean_s[known].sum() if known.any() else 1.0
    section = np.where(known, track.distance_mm, mean_s * speed)
    section[track.is_turn] = np.nan
    return np.cumsum(section[chances.on_way(at)], axis=1)


def _speed_before(journey: Journey, distances: NDArray[np.float64]) -> NDArray[np.float64]:
    """Mean speed on the way to each pass."""
    took_s = journey.made_s - journey.from_s
    plain = journey.is_plain() & (took_s > 0)
    before = np.full(len(journey.rows), np.nan)
    before[plain] = distances[journey.from_station[plain], journey.sections()[plain] - 1] / took_s[plain]
    return before


def _missed(journey: Journey, skipped: Skipped, before: NDArray[np.float64]) -> Missed:
    seen = ~skipped.is_hidden
    contact = skipped.contact[seen].astype(np.int16)
    train = np.full(len(contact), journey.at, np.int16)
    return Missed(contact, train, skipped.at_s[seen], before[skipped.row[seen]])


def _speed(before: NDArray[np.float64]) -> NDArray[np.float64]:
    """Mean of the speed before and after each pass, of one where the other is not known."""
    after = np.append(before[1:], np.nan)
    return np.where(np.isnan(before), after, np.where(np.isnan(after), before, (before + after) / 2))


def _skipped(chances: Chances, journey: Journey, track: Track, gaps: Sequence[Gap]) -> Skipped:
    count = np.maximum(journey.sections() - 1, 0)
    row = np.repeat(np.arange(len(journey.rows)), count)
    nth = np.arange(len(row)) - np.repeat(np.cumsum(count) - count, count)
    start = journey.from_station[row]
    contact = track.contact[(start + nth + 1) % len(track)].astype(np.int64)
    total_s = chances.total_s(journey.at)
    share = total_s[start, nth] / total_s[start, journey.sections()[row] - 1]
    from_s, made_s = journey.from_s[row], journey.made_s[row]
    hidden = np.zeros(len(row), dtype=np.bool_)
    for i in np.flatnonzero(journey.flags[row] & GAPPED):
        hidden[i] = any(
            gap.from_s < made_s[i] and gap.to_s > from_s[i] and contact[i] in gap.contacts for gap in gaps
        )
    return Skipped(contact, from_s + share * (made_s - from_s), row, hidden)
