"""A run: trains go round for hours, and everything that any board saw or could not see is accounted for.

Gaps come from evidence. A line that was away is none, if the board is in the same boot and its numbered
records go on without a hole: the board kept them. Without a screen; ``cli/endure.py`` is one.
"""

from __future__ import annotations

import math
import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from reedproof.analysis.account import Account
from reedproof.analysis.closures import Gap
from reedproof.errors import LineError
from reedproof.layout import Sheet
from reedproof.link import Link
from reedproof.live_account import LiveAccount
from reedproof.recorder import Recorder
from reedproof.records import (
    Fault,
    FaultChange,
    Heartbeat,
    Hello,
    LinkDown,
    LinkUp,
    Lost,
    Made,
    Record,
    number_after,
)
from reedproof.store import Store
from reedproof.store_runs import Run, RunBoard, RunGap, stored_settings

#: A closing is dated by its first edge, and counts once it has settled: until then it is not known.
SETTLE_S = 0.1
#: Closures wait this long for those of other boards, whose clocks are known to some milliseconds.
HOLD_BACK_S = 1.0
#: So long the account waits for a board to come back, or for a gap to end, before it goes on without.
PATIENCE_S = 10.0
HEARD_EVERY_S = 1.0
JUDGE_EVERY_S = 1.0
NEWEST_RECORDS = 1_000  # looked at when a run is resumed; a killed program was behind by a batch
#: What a gap begins after and ends before, so that the closures next to it lie outside.
BESIDE_S = 0.001

NOTED_AS: dict[type, str] = {Lost: "lost", FaultChange: "muted"}

Judge = Callable[[Account | None, float], str | None]


@dataclass(frozen=True)
class Happened:
    """``kind`` is that of a gap, ``away``, ``back``, ``stranger``, ``paused`` or ``going_on``; ``board`` is
    its name in the sheet, None for all. Host time, seconds since 1970."""

    at_s: float
    kind: str
    board: str | None
    detail: str


@dataclass(frozen=True)
class BoardState:
    """``away`` says why the board cannot be heard, None when it can; ``heard_s`` up to when everything that
    happened on it is known, -inf before it was heard."""

    name: str
    port: str
    away: str | None
    heard_s: float


@dataclass(frozen=True)
class Progress:
    """``account`` is as of ``accounted_s``; None until there is one. ``running_s`` is for how long every
    board was observed. ``last_seen_s`` and ``faults`` are by position of the contact in the sheet."""

    now_s: float
    account: Account | None
    accounted_s: float
    running_s: float
    boards: tuple[BoardState, ...]
    is_paused: bool
    last_seen_s: Mapping[int, float]
    faults: Mapping[int, Fault]
    happened: tuple[Happened, ...]
    outcome: str | None


# ---- one board of the run ----


@dataclass
class _OpenGap:
    id: int
    seat: _Seat | None
    from_s: float
    contacts: frozenset[int]
    kind: str
    detail: str
    is_told: bool = False  # the accountant knows it as one without an end


class _Seat:
    """A board's place in the run: what is known of it, and what that is evidence of."""

    recorder: Recorder
    _settings: dict[str, Any]

    def __init__(self, run: Endurance, name: str, link: Link) -> None:
        self.name, self.link = name, link
        self._run = run
        self.contacts = {number: at for (board, number), at in run.contacts.items() if board == name}
        self.boot_id: int | None = None
        self.board = link.hello.board
        self.next_number = 0
        self.through_s = -math.inf
        self.is_joined = False
        self.away: str | None = None
        self.away_gap: _OpenGap | None = None
        self.hole: _OpenGap | None = None
        self.muted: dict[int, _OpenGap] = {}
        self.faults: dict[int, Fault] = {}
        self.unseen_s = 0.0
        self._unseen_to_s = -math.inf
        self._joined_s: float | None = None
        self._rebooted = False
        self._last_s = -math.inf
        self._beat_s: float | None = None
        self._samples_lost: int | None = None

    def take_part(self, before: RunBoard | None, joined_s: float | None, gaps: Sequence[RunGap]) -> None:
        """``before``: where it left the run, ``joined_s``: when it first came to it, and ``gaps`` what is
        known of its gaps."""
        self._joined_s = joined_s
        run, link = self._run, self.link
        # The board counts nothing during the self-test, so it comes before the run, not when one goes on.
        selftest = link.selftest() if before is None else None
        self._settings = stored_settings(*link.settings(), selftest)
        if before is not None:
            self._remember(before, gaps)
        self.recorder = Recorder(link, run.store, run.wall_of(link), self._begun, self._stored)

    def _remember(self, before: RunBoard, gaps: Sequence[RunGap]) -> None:
        self.boot_id = before.boot_id
        self.through_s = before.heard_s
        self.is_joined = before.last_number is None
        self._samples_lost = self._run.store.samples_lost(before.boot_id)
        self.next_number = before.first_number
        newer = [gap for gap in gaps if gap.to_s is None or gap.to_s > before.heard_s]
        noted = {gap.kind for gap in newer}
        # What was stored, but not looked at before the program ended.
        for record, host_s in self._run.store.newest(before.boot_id, NEWEST_RECORDS):
            if host_s <= before.heard_s or not self.is_joined:
                self._last_s = max(self._last_s, min(host_s, before.heard_s))
            elif NOTED_AS.get(type(record)) not in noted:
                self._take(record, host_s)
        self.next_number = self._run.store.next_number(before.boot_id)

    def _known_s(self) -> float:
        """Whatever happened on the board up to here is known."""
        return max(self.through_s, self._last_s + BESIDE_S)

    # ---- what the recorder tells ----

    def _begun(self, recorder: Recorder, hello: Hello) -> None:
        """The board was connected, or started anew."""
        self.board = self.board or hello.board
        self._beat_s = None
        if hello.board != self.board:
            return
        self._rebooted = self._rebooted or (self.boot_id not in (None, recorder.boot_id))
        self.boot_id = recorder.boot_id
        if self.is_joined and not self._rebooted:
            self._look_for_hole(hello)

    def _look_for_hole(self, hello: Hello) -> None:
        if hello.oldest > self.next_number:
            detail = f"records {self.next_number} to {hello.oldest - 1} were given to another host"
            self.next_number = hello.oldest
            self._open_hole("elsewhere", detail)

    def _join_boot(self) -> None:
        """The board started anew. When, is known with its first record or heartbeat: the hello itself may
        have waited in a buffer."""
        self._rebooted = False
        if not self.is_joined or self.boot_id is None:
            return
        hello, known_s = self.link.hello, self._known_s()
        boot_s = max(known_s, self.recorder.host_s(0))
        for number in list(self.muted):
            self._end_muted(number, known_s)
        self._end_hole(known_s)
        self._run.add_gap(self, known_s, boot_s, "reboot", f"the board started anew ({hello.reset_name})")
        self._run.store.join_run(self._run.id, self.name, self.boot_id, 0, boot_s, self._settings)
        self.through_s = self._last_s = boot_s
        self._samples_lost = 0
        stored = self._run.store.next_number(self.boot_id)
        self.next_number = min(stored, hello.oldest)
        if self.next_number:  # another program stored them
            self._run.live.make_anew()
        self._look_for_hole(hello)

    def _stored(self, batch: Sequence[tuple[Record, float]]) -> None:
        if not self._is_ours():
            return
        if self._rebooted:
            self._join_boot()
        if self.is_joined:
            for record, host_s in batch:
                if record.number >= self.next_number:
                    self._take(record, host_s)

    def _is_ours(self) -> bool:
        return self.boot_id == self.recorder.boot_id

    def _take(self, record: Record, host_s: float) -> None:
        self.next_number = number_after(record)
        if isinstance(record, Lost):
            self._open_hole("lost", f"{record.count} records lost on the board")
            return
        self._end_hole(host_s)
        contact = self.contacts.get(record.input)
        if isinstance(record, FaultChange):
            if record.fault & Fault.CHATTER:
                self._take_chatter(record, host_s)
        elif contact is not None:
            if isinstance(record, Made):
                self._run.last_seen_s[contact] = host_s
                self._run.live.made(contact, host_s, record)
            else:
                self._run.live.broke(contact, record)
        self._last_s = max(self._last_s, host_s)
        self.through_s = max(self.through_s, host_s - SETTLE_S)

    def _take_chatter(self, change: FaultChange, host_s: float) -> None:
        if change.active:
            # The board counts on to the end of the second that showed it.
            self._mute(change.input, host_s + (1_000_000 - change.time_us % 1_000_000) / 1e6)
        else:
            self._end_muted(change.input, host_s)

    def beat(self, beat: Heartbeat) -> None:
        if not self._is_ours():
            return
        if self._rebooted:
            self._join_boot()
        at_s = self.recorder.host_s(beat.time_us)
        if not self.is_joined:
            if not self._run.goes_on:
                return
            self._join(beat, at_s)
        lost = 0 if self._samples_lost is None else (beat.snapshots_lost - self._samples_lost) & 0xFFFF
        if lost:
            from_s = self._beat_s if self._beat_s is not None else self._known_s()
            self._run.add_gap(
                self, from_s, at_s, "samples_lost", f"the board could not follow {lost} samples"
            )
        self._samples_lost = beat.snapshots_lost
        self._beat_s = at_s
        self.faults[beat.input] = Fault(beat.faults)
        if beat.next != self.next_number:
            return  # a record is on its way
        self._end_hole(at_s)
        chatters = bool(beat.faults & Fault.CHATTER)
        if not chatters:
            self._end_muted(beat.input, at_s)
        elif beat.input not in self.muted:  # the record that told it was lost
            self._mute(beat.input, self._known_s())
        self.through_s = max(self.through_s, at_s - SETTLE_S)

    def _join(self, beat: Heartbeat, at_s: float) -> None:
        """The run begins for this board, or goes on after a pause, with a heartbeat: it tells the number of
        the next record."""
        assert self.boot_id is not None
        self._run.store.join_run(self._run.id, self.name, self.boot_id, beat.next, at_s, self._settings)
        if self.away_gap is not None:
            self._run.end_gap(self.away_gap, at_s)
            self.away_gap = None
        elif self._joined_s is not None and not self._run.is_paused:
            self._run.add_gap(self, self._known_s(), at_s, "away", "it was not there when the run went on")
        self.is_joined = True
        self.next_number = beat.next
        self._joined_s = at_s if self._joined_s is None else self._joined_s
        self._samples_lost = beat.snapshots_lost
        self.through_s = self._last_s = at_s

    def leave(self) -> None:
        self.is_joined = False

    # ---- gaps ----

    def _open_hole(self, kind: str, detail: str) -> None:
        if self.hole is None:
            self.hole = self._run.open_gap(self, self._known_s(), kind, detail)

    def _end_hole(self, host_s: float) -> None:
        if self.hole is not None:
            self._run.end_gap(self.hole, host_s - BESIDE_S)
            self.hole = None

    def _mute(self, number: int, from_s: float) -> None:
        if number in self.contacts and number not in self.muted:
            detail = f"input {number} chattered and was muted"
            self.muted[number] = self._run.open_gap(self, from_s, "muted", detail, number)

    def _end_muted(self, number: int, to_s: float) -> None:
        if number in self.muted:
            self._run.end_gap(self.muted.pop(number), to_s)

    def note_gap(self, from_s: float, to_s: float) -> None:
        """Sums up for how long the board was not observed; gaps come in about the order of time."""
        from_s = max(from_s, self._unseen_to_s, self._joined_s or from_s)
        if to_s > from_s:
            self.unseen_s += to_s - from_s
            self._unseen_to_s = to_s

    def observed_s(self) -> float:
        if self._joined_s is None:
            return 0.0
        return max(0.0, self.through_s - self._joined_s - self.unseen_s)

    # ---- the line ----

    def listen(self, timeout_s: float) -> list[Happened]:
        """What happened on the line; records and evidence went where they belong."""
        try:
            events = self.recorder.pump(timeout_s)
        except LineError as error:  # a board with another version of the protocol came instead
            return self._gone(str(error))
        happened: list[Happened] = []
        ups = [at for at, event in enumerate(events) if isinstance(event, LinkUp)]
        for at, event in enumerate(events):
            if isinstance(event, LinkDown):
                happened += self._gone(event.reason)
            elif isinstance(event, LinkUp):
                happened += self._came(event.hello)
            elif isinstance(event, Heartbeat) and not (ups and at < ups[-1]):
                self.beat(event)
        return happened

    def _gone(self, reason: str) -> list[Happened]:
        if self.away == reason:
            return []
        self.away = reason
        return [Happened(self._run.now_s(), "away", self.name, reason)]

    def _came(self, hello: Hello) -> list[Happened]:
        if hello.board != self.board and self.board:
            return self._gone(
                f"{self.link.name}: another board ({hello.board:08x}) answers there; plug in board "
                f"{self.board:08x}"
            )
        was, self.away = self.away, None
        if self.away_gap is not None and self.is_joined:
            # Whether something was missed, the records have told; if so, that is a gap of its own.
            self._run.end_gap(self.away_gap, self.away_gap.from_s)
            self.away_gap = None
        return [] if was is None else [Happened(self._run.now_s(), "back", self.name, self.link.name)]

    def give_up_waiting(self) -> None:
        """It has been away for so long that the account goes on without it."""
        if self.away_gap is None:
            self.away_gap = self._run.open_gap(self, self._known_s(), "away", self.away or "")


# ---- the run ----


class Endurance:
    """Goes on with a run that was begun in the store, now or before the program was killed.

    ``links`` are the boards by their names in the sheet. ``judge`` gets the account (None before the first
    closure) and for how many seconds every board was observed, and says "met", "failed" or None. Call
    ``step`` in a loop, ``stop`` in the end. Raises StoreError when the store cannot be written to: the run is
    unfinished then, and can be resumed.
    """

    def __init__(
        self,
        store: Store,
        run: Run,
        links: Mapping[str, Link],
        judge: Judge,
        wall_s: Callable[[], float] = time.time,
    ) -> None:
        self.store, self.id = store, run.id
        self._judge = judge
        self.sheet = Sheet.model_validate(run.sheet)
        self.contacts = self.sheet.positions()
        self.last_seen_s: dict[int, float] = {}
        self._happened: list[Happened] = []
        self._gaps: dict[int, _OpenGap] = {}
        self._outcome: str | None = None
        self._account: Account | None = None
        stretches = store.run_boards(run.id)
        before = {board.name: board for board in stretches}  # the newest of each
        joined_s = {board.name: board.from_s for board in reversed(stretches)}  # the first of each
        heard_s = max((board.heard_s for board in before.values()), default=-math.inf)
        self.live = LiveAccount(store, run.id, self.sheet, self.contacts, self._all_gaps, heard_s)
        # One clock for all boards, which nobody sets. Simulated boards share a time, which goes on where it
        # stood when the run was left: their days may have passed in minutes.
        first = next(iter(links.values()))
        self._now_s = first.now_s
        self._simulated = first.transport.is_simulated
        self._offset_s = (max(wall_s(), heard_s) if self._simulated else wall_s()) - first.now_s()
        self._target_s = first.now_s()
        self._heard_s = self._judged_s = -math.inf
        self._paused: _OpenGap | None = None
        self.goes_on = True
        self._seats = [_Seat(self, name, link) for name, link in links.items()]
        gaps = store.run_gaps(run.id)
        self._take_up(run, gaps, before)
        for seat in self._seats:
            mine = [gap for gap in gaps if gap.board == seat.name]
            seat.take_part(before.get(seat.name), joined_s.get(seat.name), mine)

    def _take_up(self, run: Run, gaps: Sequence[RunGap], before: Mapping[str, RunBoard]) -> None:
        """What the store knows of gaps: those that are over for the time observed, open ones to be ended."""
        seats = {seat.name: seat for seat in self._seats}
        for gap in gaps:
            seat = seats.get(gap.board) if gap.board is not None else None
            if gap.to_s is not None:
                if gap.input is None:
                    self._note_gap(seat, gap.from_s, gap.to_s)
                continue
            contacts = self._contacts_of(seat, gap.input)
            found = _OpenGap(gap.id, seat, gap.from_s, contacts, gap.kind, gap.detail, is_told=True)
            self._gaps[gap.id] = found
            if seat is None:
                self._paused = found
            elif gap.input is not None:
                seat.muted[gap.input] = found
            elif gap.kind != "away":
                seat.hole = found
            elif before[seat.name].last_number is not None:
                seat.away_gap = found
            else:  # it is here again, and whether something was missed its records tell
                self.end_gap(found, found.from_s)
        if run.outcome == "stopped" and run.ended_s is not None and self._paused is None:
            self._paused = self.open_gap(None, run.ended_s, "paused", "the run was stopped")

    # ---- time ----

    def now_s(self) -> float:
        return self._offset_s + self._now_s()

    def wall_of(self, link: Link) -> Callable[[], float]:
        """The run's time for a link; of simulated boards each has to be read for its time to pass."""
        return (lambda: self._offset_s + link.now_s()) if self._simulated else self.now_s

    # ---- what the caller does ----

    @property
    def is_paused(self) -> bool:
        return self._paused is not None

    def step(self, timeout_s: float) -> Progress:
        """Listens to all boards for about ``timeout_s`` (of their own time, if they are simulated)."""
        self._listen(timeout_s)
        self._end_pause()
        now_s = self.now_s()
        self._look_for_absent(now_s)
        if not self.is_paused:
            self.live.advance(self._accountable_s(now_s))
        if now_s - self._heard_s >= HEARD_EVERY_S:
            self._heard_s = now_s
            self._tell_heard()
        if now_s - self._judged_s >= JUDGE_EVERY_S:
            self._judged_s = now_s
            self._account = self.live.account(now_s)
            if not self.is_paused:
                self._outcome = self._outcome or self._judge(self._account, self._running_s())
        happened, self._happened = tuple(self._happened), []
        return Progress(
            now_s,
            self._account,
            self.live.fed_s,
            self._running_s(),
            tuple(BoardState(seat.name, seat.link.name, seat.away, seat.through_s) for seat in self._seats),
            self.is_paused,
            self.last_seen_s,
            {
                seat.contacts[number]: fault
                for seat in self._seats
                for number, fault in seat.faults.items()
                if number in seat.contacts and fault
            },
            happened,
            self._outcome,
        )

    def pause(self) -> None:
        """From now on closures belong to no pass, until ``go_on``."""
        if self.is_paused:
            return
        now_s = self.now_s()
        self._paused = self.open_gap(None, now_s, "paused", "paused by the user")
        self.goes_on = False
        self._leave()
        self._happened.append(Happened(now_s, "paused", None, ""))

    def go_on(self) -> None:
        self.goes_on = True

    def stop(self) -> tuple[str, Account]:
        """Ends the run with "met" or "failed", or "stopped" before that; returns the outcome and the account
        of all that is stored."""
        for seat in self._seats:
            seat.recorder.flush()
            if seat.away is not None and not self.is_paused:
                seat.give_up_waiting()
        self._tell_heard()
        self._leave()
        account = self.live.finish()
        outcome = self._outcome or "stopped"
        self.store.end_run(self.id, self.now_s(), outcome)
        return outcome, account

    # ---- parts of a step ----

    def _listen(self, timeout_s: float) -> None:
        if not self._simulated:
            for seat in self._seats:
                self._happened += seat.listen(timeout_s / len(self._seats))
            return
        self._target_s += timeout_s
        for seat in self._seats:
            while (left_s := self._target_s - seat.link.now_s()) > 0:
                self._happened += seat.listen(left_s)
                if not seat.link.is_up:
                    break

    def _end_pause(self) -> None:
        """It ends once every board that is there has told its next number."""
        if self._paused is None or not self.goes_on:
            return
        there = [seat for seat in self._seats if seat.away is None]
        if there and all(seat.is_joined for seat in there):
            to_s = max(seat.through_s for seat in there)
            self.end_gap(self._paused, to_s)
            self._paused = None
            self._happened.append(Happened(to_s, "going_on", None, ""))

    def _look_for_absent(self, now_s: float) -> None:
        for seat in self._seats:
            if seat.away is not None and not self.is_paused and now_s - seat.through_s > PATIENCE_S:
                seat.give_up_waiting()
        for gap in self._gaps.values():
            if not gap.is_told and (gap.kind == "away" or now_s - gap.from_s > PATIENCE_S):
                gap.is_told = True
                self.live.add_gap(Gap(gap.from_s, math.inf, gap.contacts, gap.kind, gap.detail))

    def _accountable_s(self, now_s: float) -> float:
        """Nothing that happened up to here is still to come, as far as anybody knows."""
        through_s = [seat.through_s for seat in self._seats if seat.away_gap is None]
        if not through_s:
            through_s = [max(seat.through_s for seat in self._seats)]
        waited_for = [gap.from_s for gap in self._gaps.values() if not gap.is_told]
        return min([*through_s, *waited_for, now_s]) - HOLD_BACK_S

    def _tell_heard(self) -> None:
        for seat in self._seats:
            if seat.is_joined and seat.boot_id is not None:
                self.store.heard(self.id, seat.boot_id, seat.through_s)

    def _leave(self) -> None:
        self.store.leave_run(
            self.id,
            {seat.boot_id: seat.next_number - 1 for seat in self._seats if seat.boot_id and seat.is_joined},
        )
        for seat in self._seats:
            seat.leave()

    def _running_s(self) -> float:
        return min(seat.observed_s() for seat in self._seats)

    # ---- gaps, in the store and in the account ----

    def _all_gaps(self) -> list[Gap]:
        """For an account that is made anew: from now on it knows the open ones as such without an end."""
        seats = {seat.name: seat for seat in self._seats}
        gaps = []
        for gap in self.store.run_gaps(self.id):
            contacts = self._contacts_of(seats.get(gap.board or ""), gap.input)
            to_s = math.inf if gap.to_s is None else gap.to_s
            if to_s > gap.from_s:
                gaps.append(Gap(gap.from_s, to_s, contacts, gap.kind, gap.detail))
            if gap.id in self._gaps:
                self._gaps[gap.id].is_told = True
        return gaps

    def _contacts_of(self, seat: _Seat | None, number: int | None) -> frozenset[int]:
        if seat is None:
            return frozenset(self.contacts.values())
        if number is None:
            return frozenset(seat.contacts.values())
        return frozenset([seat.contacts[number]])

    def _note_gap(self, seat: _Seat | None, from_s: float, to_s: float) -> None:
        for one in self._seats if seat is None else [seat]:
            one.note_gap(from_s, to_s)

    def open_gap(
        self, seat: _Seat | None, from_s: float, kind: str, detail: str, number: int | None = None
    ) -> _OpenGap:
        board = None if seat is None else seat.name
        gap_id = self.store.add_run_gap(self.id, board, from_s, None, kind, detail, input=number)
        gap = _OpenGap(gap_id, seat, from_s, self._contacts_of(seat, number), kind, detail)
        self._gaps[gap_id] = gap
        return gap

    def end_gap(self, gap: _OpenGap, to_s: float) -> None:
        to_s = max(gap.from_s, to_s)
        self.store.end_run_gap(gap.id, to_s)
        del self._gaps[gap.id]
        if gap.is_told:
            self.live.make_anew()
        self._ended(gap, to_s)

    def add_gap(self, seat: _Seat, from_s: float, to_s: float, kind: str, detail: str) -> None:
        self.store.add_run_gap(self.id, seat.name, from_s, to_s, kind, detail)
        self._ended(_OpenGap(0, seat, from_s, self._contacts_of(seat, None), kind, detail), to_s)

    def _ended(self, gap: _OpenGap, to_s: float) -> None:
        if to_s <= gap.from_s:
            return
        if not gap.is_told:
            self.live.add_gap(Gap(gap.from_s, to_s, gap.contacts, gap.kind, gap.detail))
        if gap.kind != "muted":
            self._note_gap(gap.seat, gap.from_s, to_s)
        board = None if gap.seat is None else gap.seat.name
        if gap.kind != "paused":
            self._happened.append(Happened(to_s, gap.kind, board, f"{gap.detail}, {to_s - gap.from_s:.1f} s"))
