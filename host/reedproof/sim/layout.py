"""A virtual layout: trains run along a sheet's routes over virtual boards, and what must be counted is known.

The motion is simple: each section between two contacts is run at one speed, drawn anew each time. What a
contact makes of a magnet comes from `contacts`; how a pass is missed and where extra closures come from is
our assumption, as the closing length is. Everything follows from the seed.
"""

from __future__ import annotations

import heapq
import itertools
from bisect import bisect_left
from collections import defaultdict, deque
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from hashlib import sha256
from random import Random
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from reedproof.analysis.closures import Closures
from reedproof.analysis.finding import Cause
from reedproof.errors import LineError, ReedproofError
from reedproof.layout import Route, Sheet, Train, train_on
from reedproof.sim.board import Electrics, VirtualBoard, named
from reedproof.sim.contacts import Contact, Edge
from reedproof.sim.core import (
    BREAK_US_DEFAULT,
    MAKE_US_DEFAULT,
    STILL_CLOSED,
    Replay,
    ReplaySettings,
    replay,
)
from reedproof.sim.installed import Crossing, Installed, Vehicles
from reedproof.sim.scenario import Physics, ScenarioFault
from reedproof.sim.wiring import Wiring

SPEED_MM_S = 150.0
SECTION_MM = 600.0
LENGTH_MM = 16.0  # of track over which a magnet holds a contact closed; a mean
LENGTH_SPREAD = 0.06  # from contact to contact
LENGTH_MIN_MM = 2.0  # a magnet that would hold a contact for less passes unnoticed
WOBBLE_MM = 1.0  # how differently the passes over a weak contact are, a mean
CLEAR_MM = 50.0  # trains start, stand and turn this far from a contact, and magnets are this far apart
#: Between two closures of a contact: more than bounce and break_us, so that the core counts two.
APART_US = 2 * BREAK_US_DEFAULT
START_S = 5.0  # trains stand until all boards have been connected
RETRY_US = 500_000  # between two attempts to open the port of a board that is unplugged
RESTART_US = 500_000  # for a board to be heard again


@dataclass(frozen=True)
class Outage:
    """A board loses power ``at_s`` into the run, for ``off_s``; 0 is a reset that leaves the line up."""

    board: str
    at_s: float
    off_s: float = 0.0


@dataclass(frozen=True)
class Conditions:
    """What happens to trains and contacts. Chances lie between 0 and 1.

    ``miss`` and ``extra`` are chances per pass, by name of the contact. The speed of a section is drawn
    evenly between ``1 - speed_spread`` and ``1 + speed_spread`` of the usual one. ``halt`` is the chance that
    a train stands for a while in a section, between contacts; ``halt_on_contact`` that it does so with a
    magnet over one. ``lifts`` has the lap (from 1) in which a train is lifted off the track and put back
    elsewhere on its route. ``weaken`` is the share of its closing length that a contact loses over the run.
    """

    miss: Mapping[str, float] = field(default_factory=dict)
    extra: Mapping[str, float] = field(default_factory=dict)
    speed_spread: float = 0.33
    halt: float = 0.0
    halt_on_contact: float = 0.0
    lifts: Mapping[str, int] = field(default_factory=dict)
    weaken: Mapping[str, float] = field(default_factory=dict)
    outages: Sequence[Outage] = ()


@dataclass
class Tally:
    """What a contact went through, from the first closure of each train to its last. ``outside`` are passes
    missed before or after: nobody can know of them, and a run does not count them. ``unobserved`` passes came
    while its board was off. Neither are in the other numbers."""

    passes: int = 0
    missed: int = 0
    extra: int = 0
    outside: int = 0
    unobserved: int = 0


@dataclass(frozen=True)
class _Piece:
    """A stretch of a train's way; ``crossings`` are (how far into it its head is, contact) when one of its
    magnets is over a contact. The train stands and reverses after a piece that ``turns``."""

    length_mm: float
    speed_mm_s: float
    crossings: tuple[tuple[float, int], ...]
    turns: bool = False

    def reversed(self) -> _Piece:
        crossings = tuple((self.length_mm - at_mm, contact) for at_mm, contact in reversed(self.crossings))
        return _Piece(self.length_mm, self.speed_mm_s, crossings)

    def clear_mm(self, random: Random) -> float | None:
        """A place far from all contacts, or None."""
        for _ in range(20):
            at_mm = random.uniform(0, self.length_mm)
            taken = (0.0, self.length_mm, *(crossing_mm for crossing_mm, _ in self.crossings))
            if min(abs(at_mm - other_mm) for other_mm in taken) > CLEAR_MM:
                return at_mm
        return None


class _Pass(NamedTuple):
    made_us: int
    contact: int
    duration_us: int  # 0: the magnet did not reach the contact
    train: int
    crossing: Crossing


def _sections(sheet: Sheet, route: Route) -> list[tuple[float, float]]:
    """(length in mm, usual speed in mm/s) from each contact of the route to the next."""
    places = {contact.name: contact.place_mm for contact in sheet.contacts}
    speed_mm_s = route.speed_mm_s or SPEED_MM_S
    lengths: list[float | None] = []
    for first, second in itertools.pairwise(route.contacts):
        start_mm, end_mm = places[first], places[second]
        known = start_mm is not None and end_mm is not None and start_mm != end_mm
        lengths.append(abs(end_mm - start_mm) if known else None)  # type: ignore[operator]
    if route.kind == "loop":
        lengths.append(None)  # places do not tell how long the way back to the first is
    all_known = [length for length in lengths if length is not None]
    usual_mm = sum(all_known) / len(all_known) if all_known else SECTION_MM
    if route.times_s is None:
        return [(length or usual_mm, speed_mm_s) for length in lengths]
    return [
        (length or time_s * speed_mm_s, (length or time_s * speed_mm_s) / time_s)
        for length, time_s in zip(lengths, route.times_s, strict=True)
    ]


def _pieces(ends_mm: list[float], speeds: list[float], at: list[tuple[float, int]]) -> list[_Piece]:
    """Pieces between ``ends_mm`` with the crossings that lie in each (its end belongs to it)."""
    pieces = []
    for (start_mm, end_mm), speed in zip(itertools.pairwise(ends_mm), speeds, strict=True):
        inside = tuple((x - start_mm, contact) for x, contact in at if start_mm < x <= end_mm)
        pieces.append(_Piece(end_mm - start_mm, speed, inside))
    return pieces


def _loop(
    sections: list[tuple[float, float]], contacts: list[int], offsets_mm: list[float], share: float
) -> list[_Piece]:
    """One lap of a loop, beginning ``share`` of a lap's time after the middle of its last section."""
    ends_mm = [0.0, *itertools.accumulate(length for length, _ in sections)]
    lap_mm = ends_mm[-1]
    at = sorted(
        ((x + offset) % lap_mm or lap_mm, contact)
        for x, contact in zip(ends_mm, contacts, strict=False)
        for offset in offsets_mm
    )
    lap = _pieces(ends_mm, [speed for _, speed in sections], at)
    times_s = [0.0, *itertools.accumulate(length / speed for length, speed in sections)]
    middle_s = times_s[-1] - sections[-1][0] / sections[-1][1] / 2
    start_s = (middle_s + share * times_s[-1]) % times_s[-1]
    start_mm = float(np.interp(start_s, times_s, ends_mm))
    start_mm = _clear_near(start_mm, lap_mm, [x for x, _ in at])
    first = max(index for index, end in enumerate(ends_mm[:-1]) if end <= start_mm)
    piece, cut_mm = lap[first], start_mm - ends_mm[first]
    tail = _Piece(
        piece.length_mm - cut_mm,
        piece.speed_mm_s,
        tuple((x - cut_mm, contact) for x, contact in piece.crossings if x > cut_mm),
    )
    head = _Piece(cut_mm, piece.speed_mm_s, tuple(each for each in piece.crossings if each[0] <= cut_mm))
    return [tail, *lap[first + 1 :], *lap[:first], head]


def _clear_near(wanted_mm: float, lap_mm: float, taken_mm: list[float]) -> float:
    """The place nearest to the wanted one at which no magnet stands over a contact."""

    def away(at_mm: float, other_mm: float) -> float:
        apart = abs(at_mm - other_mm) % lap_mm
        return min(apart, lap_mm - apart)

    places = [(wanted_mm + step * lap_mm / 1000) % lap_mm for step in range(1000)]
    free = [x for x in places if min(away(x, other) for other in taken_mm) > LENGTH_MM * 1.5]
    if not free:
        raise ReedproofError("the magnets of the train cover the loop; give it fewer magnets or less spacing")
    return min(free, key=lambda x: away(x, wanted_mm))


def _shuttle(
    sections: list[tuple[float, float]], contacts: list[int], offsets_mm: list[float]
) -> list[_Piece]:
    """There and back, beginning before the first contact."""
    first_speed = sections[0][1] if sections else SPEED_MM_S
    last_speed = sections[-1][1] if sections else SPEED_MM_S
    at_mm = [0.0, *itertools.accumulate(length for length, _ in sections)]
    # The whole train runs over the last contact, not only its head.
    ends_mm = [-2 * CLEAR_MM, *at_mm, at_mm[-1] + offsets_mm[-1] + 2 * CLEAR_MM]
    at = sorted(
        (x + offset, contact) for x, contact in zip(at_mm, contacts, strict=True) for offset in offsets_mm
    )
    there = _pieces(ends_mm, [first_speed, *(speed for _, speed in sections), last_speed], at)
    back = [piece.reversed() for piece in reversed(there)]
    for way in (there, back):
        way[-1] = replace(way[-1], turns=True)
    return [*there, *back]


@dataclass
class _Runner:
    """A train with its way. ``keeps_time`` when others run on the same route: a train that is ahead of its
    timetable takes the slower half of the speeds, else the faster half, so that none catches up another."""

    train: Train
    number: int
    lap: list[_Piece]
    keeps_time: bool
    laps_run: int = 0

    @property
    def passes(self) -> int:
        """In one lap."""
        return sum(len(piece.crossings) for piece in self.lap)


@dataclass
class _Site:
    """A contact in the track. ``owed``: an extra closure that waits to see how much room there is."""

    name: str
    contact: Contact
    random: Random
    length_mm: float
    miss: float
    extra: float
    weaken: float
    off_us: list[tuple[int, int]]
    tally: Tally = field(default_factory=Tally)
    owed: tuple[bool, int, int] | None = None  # (is a side lobe, first one broke, its duration)


class Replayed(NamedTuple):
    """Raw edges of a board, times and inputs of shape (n,), and what the core makes of them."""

    times_us: NDArray[np.int64]
    inputs: NDArray[np.uint8]
    replay: Replay


class VirtualLayout:
    """Trains run ``laps`` laps each (a lap of a shuttle is there and back), for ever if it is None.

    Use it once: either `boards` or `replayed` takes the run. ``tallies`` and ``laps_run`` are the truth, and
    complete when the run is over. Times of the run begin with 0. Routes that share a contact take turns.
    ``speed`` 0 runs as fast as it can, 1 in real time. Boards have been started ``boots`` times before: what
    goes on in a store that knows them must not begin with a boot that is there.
    With ``physics`` contacts do what magnets and ``faults`` make of them, and what a pass brings is not known
    beforehand: the truth is then which magnets went over, and what was wrong. Such a run has an end.
    Raises ReedproofError for a sheet on which trains cannot run, or conditions that name what is not there.
    """

    def __init__(
        self,
        sheet: Sheet,
        laps: int | None,
        *,
        seed: int = 1,
        conditions: Conditions | None = None,
        speed: float = 0.0,
        boots: int = 0,
        physics: Physics | None = None,
        faults: Sequence[ScenarioFault] = (),
    ) -> None:
        self.sheet, self.laps, self.seed = sheet, laps, seed
        self.physics, self.faults = physics, faults
        self.conditions = conditions or Conditions()
        self._position = {contact.name: index for index, contact in enumerate(sheet.contacts)}
        self._check()
        self._sites = [self._site(contact.name, contact.board) for contact in sheet.contacts]
        self.groups = self._groups()
        self.end_us: int | None = None
        self._stopped_us = 0.0  # when the last train so far came to its end
        self._pins = [(contact.board, contact.input) for contact in sheet.contacts]
        self._wiring: Wiring | None = None
        self._stream = self._edges() if physics is None else self._wired_edges(physics)
        self._unproved: defaultdict[int, list[_Site]] = defaultdict(
            list
        )  # missed since a train's last closure
        self._seen: set[int] = set()
        self._queues: dict[str, deque[tuple[int, int, bool]]] = {name: deque() for name in sheet.boards}
        self.boards = {name: LayoutBoard(self, name, speed, boots) for name in sheet.boards}

    # ---- setting up ----

    def _check(self) -> None:
        conditions, known = self.conditions, list(self._position)
        for what in (conditions.miss, conditions.extra, conditions.weaken):
            for name, chance in what.items():
                if name not in self._position:
                    raise ReedproofError(f"{name}: no such contact; the sheet has {', '.join(known)}")
                if not 0 <= chance <= 1:
                    raise ReedproofError(f"{name}={chance:g}: expected a chance between 0 and 1")
        if not 0 <= conditions.speed_spread <= 0.9:
            raise ReedproofError(f"speed spread {conditions.speed_spread:g}: expected 0 to 0.9")
        if self.physics is None and self.faults:
            raise ReedproofError("faults need magnets and contacts that are simulated; give the physics, too")
        if self.physics is not None:
            if conditions.miss or conditions.extra or conditions.weaken or conditions.outages:
                raise ReedproofError(
                    "what a pass brings follows from the physics; give no chances, but faults"
                )
            if self.laps is None:
                raise ReedproofError("a simulation with physics has an end; give it laps")
        if not self.sheet.routes:
            raise ReedproofError("the sheet has no route to run along; add a [[routes]]")

    def _site(self, name: str, board: str) -> _Site:
        random = Random(f"{self.seed}/contact/{name}")
        conditions = self.conditions
        off_us = [
            (round(each.at_s * 1e6) - APART_US, round((each.at_s + each.off_s) * 1e6) + RESTART_US)
            for each in conditions.outages
            if each.board == board
        ]
        return _Site(
            name, Contact(random), random,
            LENGTH_MM * random.uniform(1 - LENGTH_SPREAD, 1 + LENGTH_SPREAD),
            conditions.miss.get(name, 0.0), conditions.extra.get(name, 0.0), conditions.weaken.get(name, 0.0),
            off_us,
        )  # fmt: skip

    def _groups(self) -> list[list[list[_Runner]]]:
        """Routes that may run at the same time, each a row of those that take turns, each with its trains."""
        trains = self.sheet.trains or [train_on(route) for route in self.sheet.routes]
        groups: list[tuple[set[str], list[list[_Runner]]]] = []
        numbers = itertools.count()
        for route in self.sheet.routes:
            own = [train for train in trains if train.route == route.name]
            if not own:
                continue
            runners = self._runners(route, own, numbers)
            contacts = set(route.contacts)
            together = [group for group in groups if group[0] & contacts]
            groups = [group for group in groups if not group[0] & contacts]
            groups.append(
                (
                    contacts.union(*(names for names, _ in together)),
                    [*itertools.chain.from_iterable(turns for _, turns in together), runners],
                )
            )
        return [turns for _, turns in groups]

    def _runners(self, route: Route, trains: list[Train], numbers: Iterator[int]) -> list[_Runner]:
        sections = _sections(self.sheet, route)
        contacts = [self._position[name] for name in route.contacts]
        several = len(trains) > 1
        if several and route.kind == "shuttle":
            raise ReedproofError(f"route {route.name!r}: several trains on a shuttle would meet; give it one")
        if several and (self.conditions.halt or self.conditions.halt_on_contact):
            raise ReedproofError(f"route {route.name!r}: simulated trains halt only where they are alone")
        runners = []
        for index, train in enumerate(trains):
            spacing_mm = train.spacing_mm or 0.0
            if train.magnets > 1 and spacing_mm < CLEAR_MM:
                raise ReedproofError(
                    f"train {train.name!r}: magnets {spacing_mm:g} mm apart; expected at least "
                    f"{CLEAR_MM:g} mm, closer ones may hold a contact together"
                )
            if several and train.name in self.conditions.lifts:
                raise ReedproofError(f"train {train.name!r}: only a train alone on its route can be lifted")
            offsets_mm = [magnet * spacing_mm for magnet in range(train.magnets)]
            if route.kind == "loop":
                lap = _loop(sections, contacts, offsets_mm, index / len(trains))
            else:
                lap = _shuttle(sections, contacts, offsets_mm)
            runners.append(_Runner(train, next(numbers), lap, several))
        if several:
            self._check_room(route, sections, runners)
        return runners

    def _check_room(self, route: Route, sections: list[tuple[float, float]], runners: list[_Runner]) -> None:
        """A timetable holds a train within a section's worth of time; the trains must be further apart."""
        lap_s = sum(length / speed for length, speed in sections)
        slowest = min(speed for _, speed in sections) * (1 - self.conditions.speed_spread)
        longest_mm = max(
            (runner.train.magnets - 1) * (runner.train.spacing_mm or 0.0) + CLEAR_MM for runner in runners
        )
        spread = self.conditions.speed_spread
        drift_s = max(length / speed for length, speed in sections) * spread / (1 - spread)
        if lap_s / len(runners) < 2 * drift_s + longest_mm / slowest:
            raise ReedproofError(
                f"route {route.name!r}: {len(runners)} trains are too many for a lap of {lap_s:.0f} s; they "
                "would catch up each other"
            )

    # ---- the trains ----

    def _passes(self, runner: _Runner, start_us: float) -> Iterator[_Pass]:
        """The passes of one train, in order but for a little where speeds change."""
        conditions, random = self.conditions, Random(f"{self.seed}/train/{runner.train.name}")
        spread, sites = conditions.speed_spread, self._sites
        now_us = due_us = start_us
        from_mm = 0.0
        for lap in range(self.laps) if self.laps is not None else itertools.count():
            lift = self._lift(runner, random) if conditions.lifts.get(runner.train.name) == lap + 1 else None
            done = lap / self.laps if self.laps else 0.0
            index = 0
            while index < len(runner.lap):
                piece = runner.lap[index]
                draw = random.uniform(-1.0, 1.0)
                if runner.keeps_time:
                    draw = abs(draw) if now_us > due_us else -abs(draw)
                per_mm_us = 1e6 / (piece.speed_mm_s * (1 + spread * draw))
                due_us += piece.length_mm * 1e6 / piece.speed_mm_s
                to_mm = piece.length_mm
                stands = self._halts(piece, random) if conditions.halt or conditions.halt_on_contact else {}
                if lift is not None and lift[0] == index:
                    to_mm, stands = lift[1], {}
                for at_mm, contact in piece.crossings:
                    if not from_mm < at_mm <= to_mm and not (at_mm == from_mm == 0.0):
                        continue
                    site = sites[contact]
                    length_mm = site.length_mm
                    if site.weaken:
                        length_mm *= 1 - site.weaken * done
                        length_mm -= random.expovariate(1 / WOBBLE_MM)
                    waited_us = sum(us for mm, us in stands.items() if mm < at_mm)
                    middle_us = now_us + (at_mm - from_mm) * per_mm_us + waited_us
                    crossing = Crossing(middle_us, 1e6 / per_mm_us, stands.get(at_mm, 0), runner.train.name)
                    made_us = round(middle_us - length_mm / 2 * per_mm_us)
                    if length_mm < LENGTH_MIN_MM:
                        yield _Pass(round(middle_us), contact, 0, runner.number, crossing)
                    else:
                        duration_us = round(length_mm * per_mm_us) + stands.get(at_mm, 0)
                        yield _Pass(made_us, contact, duration_us, runner.number, crossing)
                now_us += (to_mm - from_mm) * per_mm_us + sum(stands.values())
                from_mm = 0.0
                if lift is not None and lift[0] == index:
                    index, from_mm = lift[2], lift[3]
                    now_us += random.uniform(5e6, 20e6)
                    lift = None
                    continue
                if piece.turns:
                    now_us += random.uniform(2e6, 8e6)
                index += 1
            runner.laps_run = lap + 1
        self._stopped_us = max(self._stopped_us, now_us)

    def _halts(self, piece: _Piece, random: Random) -> dict[float, int]:
        """Where the train stands in this piece, and how long."""
        stands: dict[float, int] = {}
        if random.random() < self.conditions.halt:
            at_mm = piece.clear_mm(random)
            if at_mm is not None:
                stands[at_mm] = round(random.uniform(3e6, 30e6))
        if random.random() < self.conditions.halt_on_contact and piece.crossings:
            stands[random.choice(piece.crossings)[0]] = round(random.uniform(3e6, 30e6))
        return stands

    @staticmethod
    def _lift(runner: _Runner, random: Random) -> tuple[int, float, int, float]:
        """(piece, place in it) where the train is lifted, and where it is put back."""
        free = [(index, at) for index, piece in enumerate(runner.lap) if (at := piece.clear_mm(random))]
        if len(free) < 2:
            raise ReedproofError(f"train {runner.train.name!r}: no room between contacts to lift it from")
        (lifted, lifted_mm), (put, put_mm) = random.sample(free, 2)
        return lifted, lifted_mm, put, put_mm

    def _turns(self, turns: list[list[_Runner]]) -> Iterator[_Pass]:
        """Routes that share contacts, one after the other."""
        start_us = START_S * 1e6
        for runners in turns:
            yield from heapq.merge(*(self._passes(runner, start_us) for runner in runners))
            start_us = self._stopped_us + 1e6

    # ---- the contacts ----

    def _edges(self) -> Iterator[tuple[int, int, bool]]:
        """(time in us, contact, closed) of the whole layout in order of time."""
        waiting: list[tuple[int, int, bool]] = []
        owing: dict[int, int] = {}  # contact -> nothing of it comes before this time
        late_us = self._late_us()
        for count, each in enumerate(heapq.merge(*(self._turns(turns) for turns in self.groups))):
            site = self._sites[each.contact]
            if site.owed is not None:
                waiting += [(at, each.contact, on) for at, on in self._extra(site, each.made_us)]
                del owing[each.contact]
            waiting += [(at, each.contact, on) for at, on in self._pass(site, each)]
            if site.owed is not None:
                owing[each.contact] = site.owed[1]
            if count % 64 == 63:
                yield from self._ripe(waiting, min([each.made_us - late_us, *owing.values()]))
        end_us = round(self._stopped_us) + 1_000_000
        for site in itertools.chain.from_iterable(self._unproved.values()):
            site.tally.outside += 1
        for contact, site in enumerate(self._sites):
            if site.owed is not None:
                waiting += [(at, contact, on) for at, on in self._extra(site, end_us)]
        yield from self._ripe(waiting, end_us + 3_600_000_000)
        self.end_us = end_us

    def _wired_edges(self, physics: Physics) -> Iterator[tuple[int, int, bool]]:
        """As `_edges`, from the fields of the magnets and through the wiring; inputs without a contact come
        after the contacts' own."""
        crossings: list[list[Crossing]] = [[] for _ in self._sites]
        for each in heapq.merge(*(self._turns(turns) for turns in self.groups)):
            crossings[each.contact].append(each.crossing)
            self._sites[each.contact].tally.passes += 1
        begin_us, end_us = round(START_S * 1e6), round(self._stopped_us) + 1_000_000
        vehicles = Vehicles(physics, self.faults, self.seed, list(self.laps_run), end_us)
        closed = {
            site.name: Installed(site.name, physics, self.faults, self.seed, begin_us, end_us).closed(
                sorted(own), vehicles
            )
            for site, own in zip(self._sites, crossings, strict=True)
        }
        edges = [np.zeros((0, 3), dtype=np.int64)]
        self._wiring = Wiring(self.sheet, self.faults, self.seed, begin_us, end_us)
        for pin, levels in self._wiring.levels(closed).items():
            if pin not in self._pins:
                self._pins.append(pin)
            times_us = levels.ravel()
            times_us = times_us[times_us < end_us]
            pins = np.full(len(times_us), self._pins.index(pin))
            edges.append(np.column_stack((times_us, pins, np.arange(len(times_us)) % 2 == 0)))
        joined = np.concatenate(edges)
        for time_us, at, is_closed in joined[np.argsort(joined[:, 0], kind="stable")].tolist():
            yield time_us, at, bool(is_closed)
        self.end_us = end_us

    def _late_us(self) -> int:
        """How much before its middle a closure may begin: a pass that comes later may begin earlier."""
        speeds = [
            piece.speed_mm_s * (1 - self.conditions.speed_spread)
            for turns in self.groups for runners in turns for runner in runners for piece in runner.lap
        ]  # fmt: skip
        return round(LENGTH_MM * 2 / min(speeds) * 1e6)

    @staticmethod
    def _ripe(waiting: list[tuple[int, int, bool]], before_us: int) -> list[tuple[int, int, bool]]:
        waiting.sort()
        cut = bisect_left(waiting, (before_us,))
        ripe = waiting[:cut]
        del waiting[:cut]
        return ripe

    def _pass(self, site: _Site, each: _Pass) -> list[Edge]:
        """The edges of a pass. An extra closure that it brings is owed until the next pass is known."""
        random, tally = site.random, site.tally
        if any(each.made_us + each.duration_us > start and each.made_us < end for start, end in site.off_us):
            tally.unobserved += 1
            return []
        missed = random.random() < site.miss
        edges: list[Edge] = []
        if missed or each.duration_us == 0:
            self._unproved[each.train].append(site)
            if random.random() < 0.5:  # a magnet just too far away
                edges = [
                    (each.made_us, True),
                    (each.made_us + random.randint(50, MAKE_US_DEFAULT // 2), False),
                ]
        else:
            self._prove(each.train)
            tally.passes += 1
            site.contact.closure_ms = each.duration_us / 1000
            edges = site.contact.pass_magnet(each.made_us)
        if random.random() < site.extra:
            over_us = edges[-1][0] if edges else each.made_us
            lobe = random.random() < 0.5 and not missed and each.duration_us > 0
            site.owed = (lobe, over_us, each.duration_us)
        return edges

    def _prove(self, train: int) -> None:
        """A closure of a train shows that it came over all contacts before; before its first nobody knows."""
        for site in self._unproved.pop(train, []):
            if train in self._seen:
                site.tally.passes += 1
                site.tally.missed += 1
            else:
                site.tally.outside += 1
        self._seen.add(train)

    def _extra(self, site: _Site, next_us: int) -> list[Edge]:
        """The extra closure that is owed, if there is room for it before the next pass."""
        assert site.owed is not None
        lobe, over_us, duration_us = site.owed
        site.owed = None
        random, limit_us = site.random, next_us - APART_US
        if lobe:
            at_us = over_us + random.randint(20_000 + 1, 60_000)
            length_us = round(duration_us * random.uniform(0.5, 0.8))
        else:
            length_us = random.randint(2300, 7200)
            latest_us = limit_us - length_us * 2
            at_us = random.randint(over_us + APART_US, max(over_us + APART_US, latest_us))
        off = any(at_us + length_us > start and at_us < end for start, end in site.off_us)
        if off or at_us + length_us * 1.2 > limit_us:
            return []
        site.contact.closure_ms = length_us / 1000
        site.tally.extra += 1
        return site.contact.pass_magnet(at_us)

    # ---- the truth ----

    @property
    def passes_planned(self) -> int:
        """Of all contacts together, if no train is lifted."""
        return (self.laps or 0) * sum(
            runner.passes for turns in self.groups for runners in turns for runner in runners
        )

    def done(self, time_us: int) -> float:
        """The share of the run that is over at this time."""
        if self._wiring is not None:  # passes are run before the first edge comes out
            return min(1.0, time_us / self._stopped_us)
        return self.passes_run / self.passes_planned

    @property
    def passes_run(self) -> int:
        return sum(site.tally.passes + site.tally.outside + site.tally.unobserved for site in self._sites)

    @property
    def tallies(self) -> dict[str, Tally]:
        return {site.name: site.tally for site in self._sites}

    @property
    def laps_run(self) -> dict[str, int]:
        return {
            runner.train.name: runner.laps_run
            for turns in self.groups for runners in turns for runner in runners
        }  # fmt: skip

    def truth(self) -> dict[str, Any]:
        """As `reedproof simulate` writes it."""
        if self.physics is not None:
            return {
                "contacts": {name: {"passes": tally.passes} for name, tally in self.tallies.items()},
                "laps_run": self.laps_run,
                "faults": [fault.as_given() for fault in self.faults],
            }
        return {
            "contacts": {
                name: {"passes": tally.passes, "missed": tally.missed, "extra": tally.extra}
                for name, tally in self.tallies.items()
            },
            "laps_run": self.laps_run,
        }

    # ---- the ways out ----

    def edges_before(self, board: str, time_us: int) -> Iterable[tuple[int, int, bool]]:
        """(time, input, closed) of one board before a time, each once; those of other boards wait."""
        queue = self._queues[board]
        while self.end_us is None and not (queue and queue[-1][0] >= time_us):
            edge = next(self._stream, None)
            if edge is None:
                break
            name, number = self._pins[edge[1]]
            self._queues[name].append((edge[0], number, edge[2]))
            if edge[0] >= time_us:
                break
        while queue and queue[0][0] < time_us:
            yield queue.popleft()

    def is_over(self, time_us: int) -> bool:
        return self.end_us is not None and time_us > self.end_us and not any(self._queues.values())

    def replays(self) -> dict[str, Replayed]:
        """The whole run at once, by board: the edges through the C core, without boards and lines."""
        edges = np.fromiter(self._stream, dtype=np.dtype([("time_us", "i8"), ("pin", "i2"), ("closed", "?")]))
        inputs = np.array([number for _, number in self._pins], dtype=np.uint8)
        found = {}
        for name in self.sheet.boards:
            own = edges[np.array([board == name for board, _ in self._pins])[edges["pin"]]]
            times_us, numbers = own["time_us"], inputs[own["pin"]]
            settings = ReplaySettings(inputs=self.windows(name))
            found[name] = Replayed(times_us, numbers, replay(times_us, numbers, settings))
        return found

    def replayed(self, start_s: float = 0.0) -> Closures:
        """The closures of `replays`. ``start_s`` is the host time of the run's begin."""
        return self.joined({name: each.replay.closures for name, each in self.replays().items()}, start_s)

    def joined(self, closures: Mapping[str, NDArray[Any]], start_s: float = 0.0) -> Closures:
        """Closures of contacts, as the core gives them for each board, in order of time."""
        positions = self.sheet.positions()
        parts = []
        for name, found in closures.items():
            position = np.full(256, -1, dtype=np.int16)
            for (board, number), contact in positions.items():
                if board == name:
                    position[number] = contact
            found = found[position[found["input"]] >= 0]
            ended = found["broke_us"] != STILL_CLOSED
            duration_us = np.where(ended, found["broke_us"], 0) - found["made_us"]
            parts.append(
                Closures(
                    position[found["input"]],
                    start_s + found["made_us"] / 1e6,
                    np.where(ended, duration_us / 1000, np.nan).astype(np.float32),
                    found["make_bounces"] + found["break_bounces"],
                    found["dropouts"],
                )
            )
        joined = Closures.join(parts)
        return joined[np.argsort(joined.made_s, kind="stable")]

    def windows(self, board: str) -> dict[int, tuple[int, int]]:
        """(make_us, break_us) of the inputs that a fault has set otherwise."""
        positions, found = self.sheet.positions(), {}
        for (name, number), at in positions.items():
            for fault in self.faults:
                if name == board and fault.contact == self.sheet.contacts[at].name:
                    window_us = round(fault.amount)
                    if fault.cause is Cause.WINDOW_TOO_SHORT:
                        found[number] = (window_us, window_us)
                    elif fault.cause is Cause.WINDOW_TOO_LONG:
                        found[number] = (window_us, BREAK_US_DEFAULT)
        return found

    def electrics(self, board: str, time_us: int) -> Electrics:
        """What is wrong with the inputs of a board at a time of the run, electrically."""
        return self._wiring.electrics(board, time_us) if self._wiring is not None else Electrics()


def board_id(sheet: Sheet, name: str) -> int:
    """The id of a sheet's virtual board: the sheet's own, else one that layout and board name always give."""
    given = sheet.boards[name].id
    if given is not None:
        return int(given, 16)
    return int.from_bytes(sha256(f"{sheet.layout.name}/{name}".encode()).digest()[:4], "big") or 1


class LayoutBoard(VirtualBoard):
    """A board of a virtual layout. Its clock is the layout's: an edge at a time of the layout comes when this
    clock shows that time. Unplugged, it can be plugged in again: give ``plug_in`` to a link."""

    def __init__(self, layout: VirtualLayout, name: str, speed: float, boots: int) -> None:
        self._layout, self._name = layout, name
        board = layout.sheet.boards[name]
        super().__init__(
            name=f"virtual:{name}",
            inputs=board.inputs,
            speed=speed,
            memory=named(board_id(layout.sheet, name), boots, layout.windows(name)),
        )
        outages = (each for each in layout.conditions.outages if each.board == name)
        self._outages = deque(sorted(outages, key=lambda outage: outage.at_s))
        self._off_until_us = 0

    def read(self, timeout_s: float) -> bytes:
        if self._outages:
            left_s = self._outages[0].at_s - self.now_s()
            if left_s <= 0:
                self._lose_power(self._outages.popleft())
            else:
                timeout_s = min(timeout_s, left_s)
        end_us = self.now_us + round(timeout_s * 1e6) + 1000
        for time_us, number, closed in self._layout.edges_before(self._name, end_us):
            self.schedule(number, [(time_us, closed)])
        return super().read(timeout_s)

    def electrics(self) -> Electrics:
        return self._layout.electrics(self._name, self.now_us)

    def _lose_power(self, outage: Outage) -> None:
        if outage.off_s == 0:
            self.reset()
            return
        self._off_until_us = self.now_us + round(outage.off_s * 1e6)
        self.close()

    def plug_in(self) -> LayoutBoard:
        """Opens the line, as a link's ``connect`` does. Raises LineError while the board is unplugged; time
        passes with each attempt."""
        if self.now_us < self._off_until_us:
            self.now_us = min(self._off_until_us, self.now_us + RETRY_US)
            raise LineError(f"{self.name}: there is no such port; 'reedproof boards' lists those there are")
        if self._closed:
            self._closed = False
            self.reset(reset_cause=1)
        return self
