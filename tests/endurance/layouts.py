"""Virtual boards with trains going round over them, and runs over these boards."""

from __future__ import annotations

import contextlib
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from reedproof.analysis.account import Account
from reedproof.endurance import Endurance, Happened, Progress
from reedproof.layout import Sheet
from reedproof.link import Link
from reedproof.records import Heartbeat
from reedproof.sim.board import VirtualBoard
from reedproof.store import Store
from reedproof.store_runs import RunGap
from reedproof.transport import Transport
from virtual_lines import Cable, Plug, make_board, named, rows

START_S = 1.7e9
STEP_S = 0.1
CLOSED_US = 30_000


def sheet_of(boards: int, contacts_each: int) -> Sheet:
    """A loop over the inputs of all boards in turn."""
    names = [f"b{board}c{number}" for board in range(boards) for number in range(1, contacts_each + 1)]
    return Sheet.model_validate(
        {
            "layout": {"name": "test loop"},
            "boards": {f"board{board}": {"kind": "virtual"} for board in range(boards)},
            "contacts": [
                {"name": f"b{board}c{number}", "board": f"board{board}", "input": number}
                for board in range(boards)
                for number in range(1, contacts_each + 1)
            ],
            "routes": [{"name": "round", "kind": "loop", "contacts": names}],
            "trains": [{"name": "train", "route": "round"}],
        }
    )


def never(_account: Account | None, _hours: float) -> None:
    return None


@dataclass
class Train:
    """Goes over all contacts of all boards, ``every_us`` from one to the next. ``made`` are the closures, in
    truth, by name of the contact."""

    boards: list[VirtualBoard]
    contacts_each: int
    every_us: int
    begin_us: int = 0
    made: list[tuple[str, int]] = field(default_factory=list)

    def run(self, from_us: int, to_us: int) -> None:
        """Schedules every pass that begins in this stretch of simulated time."""
        step = -(-(from_us - self.begin_us) // self.every_us)
        while (at_us := self.begin_us + step * self.every_us) < to_us:
            which = step % (len(self.boards) * self.contacts_each)
            board, number = divmod(which, self.contacts_each)
            self.boards[board].schedule(number + 1, [(at_us, True), (at_us + CLOSED_US, False)])
            self.made.append((f"b{board}c{number + 1}", at_us))
            step += 1

    def passes(self, from_us: float = 0, to_us: float = 1e18) -> dict[str, int]:
        counts: dict[str, int] = {}
        for name, at_us in self.made:
            if from_us <= at_us < to_us:
                counts[name] = counts.get(name, 0) + 1
        return counts


@dataclass
class Layout:
    """Boards, the lines to them, and a store. ``lines[n]`` makes the line of board n, given the number of the
    connection."""

    path: Path
    boards: list[VirtualBoard]
    contacts_each: int
    every_us: int = 200_000
    lines: dict[int, Callable[[int], Transport]] = field(default_factory=dict)
    seconds: float = 0.0
    happened: list[Happened] = field(default_factory=list)
    beats: dict[int, Heartbeat] = field(default_factory=dict)

    def __post_init__(self) -> None:
        self.sheet = sheet_of(len(self.boards), self.contacts_each)
        self.train = Train(self.boards, self.contacts_each, self.every_us, begin_us=500_000)
        self.plugs = [
            Plug(self.lines.get(at, lambda _, board=board: Cable(board)))
            for at, board in enumerate(self.boards)
        ]
        self._scheduled_us = 0

    def wall_s(self) -> float:
        return START_S + max(board.now_us for board in self.boards) / 1e6

    def to_us(self, host_s: float) -> float:
        return (host_s - START_S) * 1e6

    def begin(self, store: Store, plan: Mapping[str, Any] | None = None) -> int:
        return store.begin_run(self.wall_s(), self.sheet.model_dump(mode="json"), plan or {}, simulated=True)

    @contextlib.contextmanager
    def running(
        self, run_id: int | None = None, judge: Callable[[Account | None, float], str | None] = never
    ) -> Iterator[Endurance]:
        """A program that works on the run, or on a new one. It ends without a word, as if killed."""
        with Store(self.path) as store, contextlib.ExitStack() as stack:
            run = store.run(self.begin(store) if run_id is None else run_id)
            if run_id is not None:
                store.reopen_run(run_id)
            links = {
                f"board{at}": stack.enter_context(Link(plug.connect)) for at, plug in enumerate(self.plugs)
            }
            yield Endurance(store, run, links, judge, self.wall_s)

    def go(self, run: Endurance, seconds: float, trains: bool = True) -> Progress:
        """So much simulated time passes."""
        progress = None
        for _ in range(round(seconds / STEP_S)):
            self.schedule(0.2, trains)
            progress = run.step(STEP_S)
            self.happened += progress.happened
        assert progress is not None
        return progress

    def schedule(self, seconds: float, trains: bool = True) -> int:
        """What the train does in the next seconds; returns their end."""
        now_us = max(board.now_us for board in self.boards)
        end_us = now_us + round(seconds * 1e6)
        if trains:
            self.train.run(max(self._scheduled_us, now_us), end_us)
        self._scheduled_us = max(end_us, self._scheduled_us)
        return end_us

    def idle(self, seconds: float, trains: bool = True) -> None:
        """So much time passes while no program is there."""
        end_us = self.schedule(seconds, trains)
        for board in self.boards:
            while board.now_us < end_us:
                board._step()

    def gaps(self, *kinds: str) -> list[RunGap]:
        """Gaps that are more than nothing, of these kinds or of any."""
        with Store(self.path) as store:
            found = store.run_gaps(1)
        return [
            gap
            for gap in found
            if (gap.to_s is None or gap.to_s > gap.from_s) and (not kinds or gap.kind in kinds)
        ]

    def stored(self, run_id: int = 1) -> dict[str, int]:
        """Closures of the run in the store, by name of the contact."""
        counts: dict[str, int] = {}
        with Store(self.path) as store:
            for part in store.closures(run_id, self.sheet.positions()):
                for at in part.contact:
                    name = self.sheet.contacts[at].name
                    counts[name] = counts.get(name, 0) + 1
        return counts

    def passes_but_in(self, gap: RunGap) -> dict[str, int]:
        """What the trains did, without what they did in the gap."""
        assert gap.to_s is not None
        hidden = self.train.passes(self.to_us(gap.from_s), self.to_us(gap.to_s))
        return {name: passes - hidden.get(name, 0) for name, passes in self.train.passes().items()}

    def ledger(self) -> list[Any]:
        with Store(self.path) as store:
            boots = [boot for (boot,) in rows(self.path, "SELECT id FROM boots")]
            return [line for boot in boots for line in store.ledger(boot)]


def layout(path: Path, boards: int = 1, contacts_each: int = 4, **options: Any) -> Layout:
    made = [make_board(seed=at + 1, memory=named(0x5EED + at), inputs=8) for at in range(boards)]
    return Layout(path / "store.sqlite", made, contacts_each, **options)


def counts_of(account: Account | None) -> dict[str, int]:
    assert account is not None
    return {count.contact: count.passes for count in account.contacts if count.passes}
