"""The accounting of passes: every closure of a run explained by trains on their routes, every pass that must
have been there accounted for.

Closures of all boards go in, in order of time; an account comes out at any moment. What the closures do not
decide is said: other explanations are drawn by their likelihood, and where they count otherwise, the count of
that contact is "cannot tell", with the range.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence

import numpy as np
from numpy.typing import NDArray

from reedproof.analysis.account import Account
from reedproof.analysis.align import Aligner, Model
from reedproof.analysis.books import Books, Passes, Portion
from reedproof.analysis.chances import DOUBLE_S, Chances
from reedproof.analysis.closures import Closures, Gap
from reedproof.analysis.learning import first_guess, learn
from reedproof.analysis.track import tracks_of
from reedproof.layout import Sheet

#: So many closures are explained again and again, until what was learnt fits them, before anything is
#: settled.
LEARN = 20_000
ROUNDS = 8
#: After each portion what was seen before counts a little less: travel times change over the hours.
PORTION = 20_000
FADE = 0.7
#: Explanations that are less likely than the best by this (natural logarithm) are not followed.
KEEP = 18.0


class Accountant:
    """Feed closures in order of time, over all boards; ask for the account whenever it is wanted.

    ``on_pass`` is given every pass once, when it is settled; ``finish`` settles the rest. Memory stays flat
    however long the run. Raises ValueError when the sheet has no route, or more trains than can be told
    apart, and when it is fed after ``finish``.
    """

    def __init__(
        self, sheet: Sheet, gaps: Sequence[Gap] = (), on_pass: Callable[[Passes], None] | None = None
    ) -> None:
        self._names = [contact.name for contact in sheet.contacts]
        self._tracks = tracks_of(sheet)
        if not self._tracks:
            raise ValueError("the sheet has no route")
        self._gaps = sorted(gaps, key=lambda gap: gap.from_s)
        self._on_pass = on_pass
        self._early: list[Closures] = []  # while there is too little to learn from
        self._learnt_from = 0
        self._chances: Chances | None = None
        self._line: _Line | None = None  # once it is learnt
        self._books: Books | None = None
        self._finished: Account | None = None

    def add_gap(self, gap: Gap) -> None:
        self._gaps = sorted([*self._gaps, gap], key=lambda each: each.from_s)

    def feed(self, closures: Closures) -> None:
        if self._finished is not None:
            raise ValueError("the account is finished")
        if self._line is not None:
            self._settle(closures)
            return
        self._early.append(closures)
        if sum(map(len, self._early)) >= LEARN:
            self._start()

    def account(self) -> Account:
        """As of now: what is not settled is counted as it looks."""
        if self._finished is not None:
            return self._finished
        if self._line is not None:
            assert self._books is not None
            line, books = self._line, self._books.copy()
        else:
            early = Closures.join(self._early)
            self._learn(early)
            line, books = self._begun()
            books.enter(line.feed(early, self._known(), self._gaps), self._gaps)
        rest, draws = line.rest(self._known(), self._gaps)
        books.enter(rest, self._gaps)
        return books.account(draws)

    def finish(self) -> Account:
        """The account of the whole run; every pass has been given out then, and nothing more can be fed."""
        if self._finished is not None:
            return self._finished
        if self._line is None:
            self._start()
        assert self._line is not None
        assert self._books is not None
        rest, draws = self._line.rest(self._known(), self._gaps)
        self._books.enter(rest, self._gaps, self._on_pass)
        self._finished = self._books.account(draws)
        return self._finished

    @property
    def lengths_in_mm(self) -> bool:
        """Whether effective lengths are in millimetres."""
        return all(np.isfinite(track.distance_mm).any() for track in self._tracks)

    @property
    def spreads(self) -> tuple[NDArray[np.float64], ...]:
        """Of each track, how much travel times differ from station to station, shape (stations,): standard
        deviations of the logarithm, as far as they are learnt. Needs an account."""
        return self._known().sd

    # ---- parts ----

    def _known(self) -> Chances:
        assert self._chances is not None
        return self._chances

    def _begun(self) -> tuple[_Line, Books]:
        return _Line(len(self._names)), Books(self._names, self._known())

    def _learn(self, closures: Closures) -> None:
        """Explains and counts in turn until the explanation stays the same."""
        if self._chances is not None and len(closures) < 1.1 * self._learnt_from:
            return
        self._chances = first_guess(self._tracks, len(self._names), closures)
        self._learnt_from = len(closures)
        before: NDArray[np.void] | None = None
        for _ in range(ROUNDS):
            line, books = self._begun()
            settled = line.feed(closures, self._chances, self._gaps)
            rest, _ = line.rest(self._chances, self._gaps)
            books.enter(settled, self._gaps)
            books.enter(rest, self._gaps)
            self._chances = learn(self._chances, books.seen)
            now = np.concatenate([settled.found, rest.found])
            if before is not None and np.array_equal(now, before):
                break
            before = now

    def _start(self) -> None:
        early = Closures.join(self._early)
        self._early = []
        self._learn(early[:LEARN])
        self._line, self._books = self._begun()
        self._settle(early)

    def _settle(self, closures: Closures) -> None:
        assert self._line is not None
        assert self._books is not None
        for start in range(0, len(closures), PORTION):
            portion = self._line.feed(closures[start : start + PORTION], self._known(), self._gaps)
            self._books.enter(portion, self._gaps, self._on_pass)
            if self._books.seen.passes.sum() >= LEARN / 2:
                self._chances = learn(self._known(), self._books.seen)
                self._books.seen.fade(FADE)


def account(sheet: Sheet, closures: Iterable[Closures], gaps: Sequence[Gap] = ()) -> Account:
    """The account of a whole run; ``closures`` are its portions in order of time."""
    accountant = Accountant(sheet, gaps)
    for portion in closures:
        accountant.feed(portion)
    return accountant.finish()


class _Line:
    """Closures on their way through the search: fed, and not settled yet."""

    def __init__(self, contacts: int) -> None:
        self._contacts = contacts
        self._aligner = Aligner(contacts)
        self._broke_s = np.full(contacts, -np.inf)
        self._closures = Closures.join([])
        self._depart_s = np.zeros(0)
        self._is_near = np.zeros(0, dtype=np.bool_)

    def feed(self, closures: Closures, chances: Chances, gaps: Sequence[Gap]) -> Portion:
        """Returns what is settled now."""
        since_s = self._since_broke(closures, chances)
        rows = chances.weights(closures, since_s)
        self._closures = Closures.join([self._closures, closures])
        self._depart_s = np.concatenate([self._depart_s, rows["depart_s"]])
        self._is_near = np.concatenate([self._is_near, since_s < DOUBLE_S])
        found = self._aligner.feed(self._model(chances, gaps), rows)
        count = len(found)
        settled = Portion(
            self._closures[:count], self._depart_s[:count], self._is_near[:count], found, chances
        )
        self._closures = self._closures[count:]
        self._depart_s = self._depart_s[count:]
        self._is_near = self._is_near[count:]
        return settled

    def rest(self, chances: Chances, gaps: Sequence[Gap]) -> tuple[Portion, NDArray[np.int32]]:
        """What is not settled, as it looks now, and the draws for everything."""
        found, draws = self._aligner.rest(self._model(chances, gaps))
        return Portion(self._closures, self._depart_s, self._is_near, found, chances), draws

    def _model(self, chances: Chances, gaps: Sequence[Gap]) -> Model:
        hidden = np.zeros((len(gaps), self._contacts), dtype=np.uint8)
        for row, gap in zip(hidden, gaps, strict=True):
            row[list(gap.contacts)] = 1
        times = np.array([(gap.from_s, gap.to_s) for gap in gaps], dtype=np.float64).reshape(-1, 2)
        return Model(self._contacts, chances.tables(), times, hidden, keep=KEEP)

    def _since_broke(self, closures: Closures, chances: Chances) -> NDArray[np.float64]:
        """From the end of the closure before at the same contact."""
        since = np.full(len(closures), np.inf)
        duration_s = closures.duration_ms.astype(np.float64) / 1000
        usual_s = chances.usual_ms()[closures.contact] / 1000
        broke_s = closures.made_s + np.where(np.isfinite(duration_s), duration_s, usual_s)
        for contact in np.unique(closures.contact):
            at = np.flatnonzero(closures.contact == contact)
            ends_s = np.concatenate([[self._broke_s[contact]], broke_s[at]])
            since[at] = closures.made_s[at] - ends_s[:-1]
            self._broke_s[contact] = ends_s[-1]
        return since
