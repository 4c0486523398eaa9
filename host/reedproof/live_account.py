"""The account of a run while it goes on: what is stored, given to the accountant in order of time."""

from __future__ import annotations

import heapq
import math
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field

import numpy as np

from reedproof.analysis.account import Account
from reedproof.analysis.closures import Closures, Gap
from reedproof.analysis.passes import Accountant
from reedproof.layout import Sheet
from reedproof.records import Broke, Made
from reedproof.store import Store

#: So long the account waits for the end of a closure: a train may halt on the contact.
OPEN_WAIT_S = 30.0
#: What comes late has the account made anew from the store; on a bad day not over and over.
ANEW_EVERY_S = 10.0
NEWS_MAX = 200  # closures
TELL_EVERY_S = 10.0
CHUNK = 5_000  # closures read between two looks at the boards, some milliseconds


@dataclass(order=True)
class _Closure:
    made_s: float
    order: int
    contact: int = field(compare=False)
    made_us: int = field(compare=False)
    bounces: int = field(compare=False)
    dropouts: int = field(compare=False, default=0)
    duration_ms: float = field(compare=False, default=math.nan)


class LiveAccount:
    """What is stored of a run, fed to the accountant in order of time. What comes for a time that was
    accounted for already has the account made anew from the store, a chunk per call of ``advance``."""

    def __init__(
        self,
        store: Store,
        run_id: int,
        sheet: Sheet,
        contacts: Mapping[tuple[str, int], int],
        gaps: Callable[[], list[Gap]],
        stored_s: float,
    ) -> None:
        """``gaps`` are asked for whenever the account is made anew. What was made up to ``stored_s`` is in
        the store already; everything later has to be told."""
        self._store, self._run_id = store, run_id
        self._sheet, self._contacts, self._gaps = sheet, contacts, gaps
        self._accountant = Accountant(sheet)
        self._waiting: list[_Closure] = []
        self._open: dict[int, _Closure] = {}
        self._order = 0
        self._is_stale = True
        self._source: Iterator[Closures] | None = None
        self._anew_s = -math.inf
        self._account: Account | None = None
        self._fed = self._news = 0
        self._told_s = -math.inf
        self.fed_s = stored_s

    def made(self, contact: int, made_s: float, record: Made) -> None:
        if made_s <= self.fed_s:
            self._is_stale = True
            return
        self._order += 1
        closure = _Closure(made_s, self._order, contact, record.time_us, record.bounces)
        self._open[contact] = closure
        heapq.heappush(self._waiting, closure)

    def broke(self, contact: int, record: Broke) -> None:
        closure = self._open.pop(contact, None)
        if closure is not None:
            closure.bounces += record.bounces
            closure.dropouts = record.dropouts
            closure.duration_ms = (record.time_us - closure.made_us) / 1000

    def add_gap(self, gap: Gap) -> None:
        if gap.to_s == math.inf:
            for contact in gap.contacts:  # nobody knows when their closures will be told to have ended
                self._open.pop(contact, None)
        if gap.from_s < self.fed_s:
            self._is_stale = True
        elif not self._is_stale:
            self._accountant.add_gap(gap)

    def make_anew(self) -> None:
        self._is_stale = True

    def advance(self, to_s: float) -> None:
        """Accounts for what was made up to ``to_s``; the caller knows of nothing that is still to come."""
        for closure in self._open.values():
            if to_s - closure.made_s < OPEN_WAIT_S:
                to_s = min(to_s, math.nextafter(closure.made_s, -math.inf))
        if self._source is None and self._is_stale and to_s >= self._anew_s + ANEW_EVERY_S:
            self._begin_anew(to_s)
        if self._source is not None:
            self._read_on(self._source)
        elif not (self._is_stale and self._fed == 0):
            self._feed_waiting(to_s)

    def finish(self) -> Account:
        """Everything that is stored, whatever might still come."""
        self._source = None
        self._begin_anew(math.inf)
        while self._source is not None:
            self._read_on(self._source)
        return self._accountant.finish()

    def account(self, now_s: float) -> Account | None:
        """The newest one; None until there is something to account for. It costs the more, the more closures
        there are: ask as often as you like, it is made again when there is a hundredth more of them."""
        is_worth_it = self._news > min(self._fed // 100, NEWS_MAX) or now_s > self._told_s + TELL_EVERY_S
        if self._source is None and self._news and is_worth_it:
            self._account = self._accountant.account()
            self._news, self._told_s = 0, now_s
        return self._account

    def _begin_anew(self, to_s: float) -> None:
        self._is_stale = False
        self.fed_s = max(self.fed_s, to_s)
        self._fed = self._news = 0
        self._accountant = Accountant(self._sheet, self._gaps())
        self._source = self._store.closures(self._run_id, self._contacts, CHUNK)
        self._drop_waiting(self.fed_s)

    def _read_on(self, source: Iterator[Closures]) -> None:
        part = next(source, None)
        within = None if part is None else part[part.made_s <= self.fed_s]
        if within is not None and len(within):
            self._feed(within)
        if part is None or within is None or len(within) < len(part):
            self._source = None
            self._anew_s = self.fed_s

    def _feed(self, closures: Closures) -> None:
        self._accountant.feed(closures)
        self._fed += len(closures)
        self._news += len(closures)

    def _drop_waiting(self, to_s: float) -> list[_Closure]:
        dropped = []
        while self._waiting and self._waiting[0].made_s <= to_s:
            closure = heapq.heappop(self._waiting)
            dropped.append(closure)
            if self._open.get(closure.contact) is closure:
                del self._open[closure.contact]
        return dropped

    def _feed_waiting(self, to_s: float) -> None:
        closures = self._drop_waiting(to_s)
        self.fed_s = max(self.fed_s, to_s)
        if closures:
            self._feed(
                Closures(
                    np.array([closure.contact for closure in closures], np.int16),
                    np.array([closure.made_s for closure in closures], np.float64),
                    np.array([closure.duration_ms for closure in closures], np.float32),
                    np.array([closure.bounces for closure in closures], np.uint16),
                    np.array([closure.dropouts for closure in closures], np.uint16),
                )
            )
