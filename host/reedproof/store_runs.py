"""Runs in the store: which records belong to one, what was not observed, how it ended."""

from __future__ import annotations

import json
import math
from collections.abc import Iterator, Mapping
from contextlib import AbstractContextManager
from dataclasses import dataclass
from typing import Any, NamedTuple

from sqlalchemy import Connection, func, select

from reedproof.analysis.closures import Closures, Gap
from reedproof.errors import StoreError
from reedproof.records import BoardSettings, Fault, InputSettings, SelftestResult, Verdict
from reedproof.store_closures import CHUNK, Stretch, merged, stream
from reedproof.store_tables import FAULT, MADE, boots, counters, records, run_boards, run_gaps, runs


@dataclass(frozen=True)
class Run:
    """``outcome`` is None while it goes on, then "met" (its plan is met), "failed" (the claim cannot be met
    any more), "stopped" (by the user before that) or "abandoned" (another run on the same layout was begun
    while this one was unfinished). Times are host times."""

    id: int
    layout: str
    sheet: dict[str, Any]
    plan: dict[str, Any]
    started_s: float
    ended_s: float | None
    outcome: str | None
    simulated: bool
    seed: int | None


@dataclass(frozen=True)
class RunBoard:
    """Records ``first_number`` to ``last_number`` of one boot belong to the run; None: all that come.
    ``name`` is the board's in the sheet, ``board`` its own id. ``heard_s``: the last sign of life."""

    name: str
    boot_id: int
    board: int
    kind: str
    first_number: int
    last_number: int | None
    from_s: float
    heard_s: float
    settings: dict[str, Any]


def stored_settings(
    board: BoardSettings,
    inputs: Mapping[int, InputSettings],
    selftest: Mapping[int, SelftestResult] | None = None,
) -> dict[str, Any]:
    """What ``join_run`` keeps of a board's settings, as a link tells them, and of its self-test before the
    run; runs of earlier versions have none."""
    kept: dict[str, Any] = {
        "board": board._asdict(),
        "inputs": {str(number): one._asdict() for number, one in sorted(inputs.items())},
    }
    if selftest is not None:
        kept["selftest"] = {
            str(number): {"verdict": Verdict(one.verdict).name.lower(), "partners": list(one.partners)}
            for number, one in sorted(selftest.items())
        }
    return kept


class RunGap(NamedTuple):
    """``board`` None: all boards; ``input`` None: all inputs; ``to_s`` None: until the next thing heard."""

    id: int
    board: str | None
    input: int | None
    from_s: float
    to_s: float | None
    kind: str
    detail: str


class Counted(NamedTuple):
    """``board`` is the sheet's name; the rest is as in a heartbeat."""

    board: str
    boot_id: int
    input: int
    time_us: int
    edges: int
    closures: int
    blips: int
    dropouts: int
    longest_blip_us: int
    longest_dropout_us: int


class FaultNote(NamedTuple):
    """``board`` is the sheet's name; ``fault`` came (``active``) or went."""

    board: str
    input: int
    fault: Fault
    active: bool
    at_s: float


#: A record belongs to a stretch of a run.
_BELONGS = (
    (records.c.boot_id == run_boards.c.boot_id)
    & (records.c.number >= run_boards.c.first_number)
    & (run_boards.c.last_number.is_(None) | (records.c.number <= run_boards.c.last_number))
)
_RUN_BOARD = (
    run_boards.c.name, run_boards.c.boot_id, boots.c.board, boots.c.kind, run_boards.c.first_number,
    run_boards.c.last_number, run_boards.c.from_s, run_boards.c.heard_s, run_boards.c.settings,
)  # fmt: skip


class RunStore:
    """The part of the store that is about runs. Writing: each call is one transaction."""

    name: str | None

    def _transaction(self) -> AbstractContextManager[Connection]:
        raise NotImplementedError

    # ---- writing ----

    def begin_run(
        self,
        started_s: float,
        sheet: Mapping[str, Any],
        plan: Mapping[str, Any],
        *,
        simulated: bool = False,
        seed: int | None = None,
    ) -> int:
        """The number of a new run. Unfinished ones of the same layout are marked as abandoned: who starts
        again until it looks good shall see how often that was. A simulated one leaves real ones alone."""
        layout = sheet["layout"]["name"]
        with self._transaction() as connection:
            unfinished = select(runs.c.id).where(
                runs.c.layout == layout, runs.c.outcome.is_(None), runs.c.simulated == simulated
            )
            for (run_id,) in connection.execute(unfinished).all():
                heard = select(func.max(run_boards.c.heard_s)).where(run_boards.c.run_id == run_id)
                ended_s = func.coalesce(heard.scalar_subquery(), runs.c.started_s)
                self._end(connection, run_id, ended_s, "abandoned")
            row = {
                "layout": layout, "sheet": _plain(sheet), "plan": _plain(plan), "started_s": started_s,
                "simulated": simulated, "seed": seed,
            }  # fmt: skip
            key = connection.execute(runs.insert().values(row)).inserted_primary_key
            assert key is not None
            return int(key[0])

    def end_run(self, run_id: int, ended_s: float, outcome: str) -> None:
        """``outcome``: "met", "failed" or "stopped". Boards that have not left the run leave it with what is
        stored."""
        with self._transaction() as connection:
            self._end(connection, run_id, ended_s, outcome)

    @staticmethod
    def _end(connection: Connection, run_id: int, ended_s: Any, outcome: str) -> None:
        newest = (
            select(func.max(records.c.number))
            .where(records.c.boot_id == run_boards.c.boot_id)
            .scalar_subquery()
        )
        still_in = (run_boards.c.run_id == run_id) & run_boards.c.last_number.is_(None)
        last_number = func.coalesce(newest, run_boards.c.first_number - 1)
        connection.execute(run_boards.update().where(still_in).values(last_number=last_number))
        # What another program said of it in the meantime stands: a run that was abandoned is not met later.
        going_on = (runs.c.id == run_id) & runs.c.outcome.is_(None)
        connection.execute(runs.update().where(going_on).values(ended_s=ended_s, outcome=outcome))

    def reopen_run(self, run_id: int) -> None:
        """A run that was stopped, or broke off, goes on. Raises StoreError when it is over."""
        run = self.run(run_id)
        if run.outcome not in (None, "stopped"):
            raise StoreError(
                f"{self.name}: run {run_id} is over ({run.outcome}); begin a new one with "
                "'reedproof endure SHEET'"
            )
        with self._transaction() as connection:
            connection.execute(runs.update().where(runs.c.id == run_id).values(ended_s=None, outcome=None))

    def join_run(
        self,
        run_id: int,
        name: str,
        boot_id: int,
        first_number: int,
        from_s: float,
        settings: Mapping[str, Any],
    ) -> None:
        """Records of this boot from ``first_number`` on belong to the run. A boot that is in it already
        stays in as it is."""
        with self._transaction() as connection:
            if connection.execute(
                run_boards.update().where(_in_run(run_id, boot_id)).values(heard_s=from_s)
            ).rowcount:
                return
            if connection.execute(  # it left without a record of its own
                run_boards.update()
                .where(
                    run_boards.c.run_id == run_id,
                    run_boards.c.boot_id == boot_id,
                    run_boards.c.first_number == first_number,
                )
                .values(last_number=None, from_s=from_s, heard_s=from_s)
            ).rowcount:
                return
            row = {
                "run_id": run_id, "name": name, "boot_id": boot_id, "first_number": first_number,
                "from_s": from_s, "heard_s": from_s, "settings": _plain(settings),
            }  # fmt: skip
            connection.execute(run_boards.insert().values(row))

    def heard(self, run_id: int, boot_id: int, heard_s: float) -> None:
        """The last sign of life of a board in the run."""
        with self._transaction() as connection:
            connection.execute(run_boards.update().where(_in_run(run_id, boot_id)).values(heard_s=heard_s))

    def leave_run(self, run_id: int, last_numbers: Mapping[int, int]) -> None:
        """From here on records are the run's no more, until their boot joins again: a pause, or the end.
        ``last_numbers``: the number of the last record that is the run's, by boot id."""
        with self._transaction() as connection:
            for boot_id, last_number in last_numbers.items():
                connection.execute(
                    run_boards.update().where(_in_run(run_id, boot_id)).values(last_number=last_number)
                )

    def add_run_gap(
        self,
        run_id: int,
        board: str | None,
        from_s: float,
        to_s: float | None,
        kind: str,
        detail: str,
        *,
        input: int | None = None,
    ) -> int:
        """A stretch in which a board of the sheet (None: all of them), or one input of it, was not observed.
        ``kind``: "reboot", "lost", "paused", "samples_lost", "muted" or "elsewhere". Without ``to_s`` it
        lasts until the next thing heard. Returns its number."""
        with self._transaction() as connection:
            row = {
                "run_id": run_id, "board": board, "input": input, "from_s": from_s, "to_s": to_s,
                "kind": kind, "detail": detail,
            }  # fmt: skip
            key = connection.execute(run_gaps.insert().values(row)).inserted_primary_key
            assert key is not None
            return int(key[0])

    def end_run_gap(self, gap_id: int, to_s: float) -> None:
        with self._transaction() as connection:
            connection.execute(run_gaps.update().where(run_gaps.c.id == gap_id).values(to_s=to_s))

    # ---- reading ----

    def runs(self) -> list[Run]:
        """All runs, oldest first."""
        with self._transaction() as connection:
            return [Run(**row._mapping) for row in connection.execute(select(runs).order_by(runs.c.id))]

    def run(self, run_id: int | None = None) -> Run:
        """A run by its number, or the newest one. Raises StoreError when there is none."""
        query = select(runs).order_by(runs.c.id.desc()).limit(1)
        if run_id is not None:
            query = query.where(runs.c.id == run_id)
        with self._transaction() as connection:
            row = connection.execute(query).first()
        if row is None:
            if run_id is None:
                raise StoreError(f"{self.name}: no run yet; 'reedproof endure SHEET' makes one")
            raise StoreError(f"{self.name}: no run number {run_id}; 'reedproof runs' lists them")
        return Run(**row._mapping)

    def run_boards(self, run_id: int) -> list[RunBoard]:
        """Who recorded the run and when, in order of time."""
        query = (
            select(*_RUN_BOARD)
            .join(boots)
            .where(run_boards.c.run_id == run_id)
            .order_by(run_boards.c.from_s, run_boards.c.boot_id, run_boards.c.first_number)
        )
        with self._transaction() as connection:
            return [RunBoard(**row._mapping) for row in connection.execute(query)]

    def heard_s(self, run_id: int) -> float | None:
        """The last sign of life of any board in the run; None when there was none."""
        return max((board.heard_s for board in self.run_boards(run_id)), default=None)

    def closures_of_run(self, run_id: int) -> int:
        """How many closures the run's boards recorded, those of inputs without a contact included."""
        query = (
            select(func.count())
            .select_from(run_boards.join(records, _BELONGS))
            .where(run_boards.c.run_id == run_id, records.c.kind == MADE)
        )
        with self._transaction() as connection:
            return int(connection.execute(query).scalar_one())

    def counted_in_run(self, run_id: int) -> list[Counted]:
        """What the boards of the run counted on each of their inputs since they started, a row per boot and
        input, as of their last heartbeats."""
        query = (
            select(run_boards.c.name, *(counters.c[name] for name in Counted._fields[1:]))
            .join(counters, counters.c.boot_id == run_boards.c.boot_id)
            .where(run_boards.c.run_id == run_id)
            .distinct()
        )
        with self._transaction() as connection:
            return [Counted(*row) for row in connection.execute(query)]

    def faults_of_run(self, run_id: int) -> list[FaultNote]:
        """The changes of faults that the boards recorded during the run, in order of time."""
        query = (
            select(
                run_boards.c.name, *(records.c[name] for name in ("input", "detail_1", "detail_2", "host_s"))
            )
            .select_from(run_boards.join(records, _BELONGS))
            .where(run_boards.c.run_id == run_id, records.c.kind == FAULT)
            .order_by(records.c.host_s, records.c.number)
        )
        with self._transaction() as connection:
            return [
                FaultNote(board, number, Fault(fault), bool(active), at_s)
                for board, number, fault, active, at_s in connection.execute(query)
            ]

    def run_gaps(self, run_id: int) -> list[RunGap]:
        """What was not observed, in order of time."""
        query = (
            select(*(run_gaps.c[name] for name in RunGap._fields))
            .where(run_gaps.c.run_id == run_id)
            .order_by(run_gaps.c.from_s, run_gaps.c.id)
        )
        with self._transaction() as connection:
            return [RunGap(*row) for row in connection.execute(query)]

    def gaps_of_run(self, run_id: int, contacts: Mapping[tuple[str, int], int]) -> list[Gap]:
        """The run's gaps as the analysis wants them; ``contacts``: position of the contact by board name and
        input. One that is still open ends with the next thing heard of its board, with the run, or never."""
        run = self.run(run_id)
        stretches = self.run_boards(run_id)
        found = []
        for gap in self.run_gaps(run_id):
            at = frozenset(
                position
                for (board, number), position in contacts.items()
                if gap.board in (None, board) and gap.input in (None, number)
            )
            to_s = gap.to_s
            if to_s is None and gap.kind == "muted":
                # Other inputs of the board are heard all the time; only its own fault's end says more.
                to_s = math.inf if run.ended_s is None else max(run.ended_s, gap.from_s)
            if to_s is None:
                mine = [each for each in stretches if gap.board in (None, each.name)]
                to_s = min((self._next_heard_s(each, gap.from_s) for each in mine), default=math.inf)
                if to_s == math.inf and run.ended_s is not None:
                    to_s = max(run.ended_s, gap.from_s)
            found.append(Gap(gap.from_s, to_s, at, gap.kind, gap.detail))
        return found

    def _next_heard_s(self, stretch: RunBoard, after_s: float) -> float:
        """When the first record after this moment came, by bisection: host times go up with the numbers."""
        if stretch.from_s > after_s:
            return stretch.from_s
        mine = records.c.boot_id == stretch.boot_id
        with self._transaction() as connection:
            newest = connection.execute(select(func.max(records.c.number)).where(mine)).scalar()
            low = stretch.first_number
            high = -1 if newest is None else int(newest)
            if stretch.last_number is not None:
                high = min(high, stretch.last_number)
            found_s = math.inf
            while low <= high:
                middle = (low + high) // 2
                row = connection.execute(
                    select(records.c.number, records.c.host_s)
                    .where(mine, records.c.number >= middle, records.c.number <= high)
                    .order_by(records.c.number)
                    .limit(1)
                ).first()
                if row is not None and row.host_s <= after_s:
                    low = int(row.number) + 1
                else:
                    found_s = found_s if row is None else float(row.host_s)
                    high = middle - 1
        return found_s

    def closures(
        self, run_id: int, contacts: Mapping[tuple[str, int], int], chunk: int = CHUNK
    ) -> Iterator[Closures]:
        """The closures of a run in order of time over all its boards, about ``chunk`` at once.

        ``contacts``: position of the contact by board name and input; closures of other inputs are left out,
        and so is what boards recorded while the run was paused. See `reedproof.store_closures` for what a
        closure is whose end is not known, and for the order.
        """
        by_board: dict[str, list[Stretch]] = {}
        for each in self.run_boards(run_id):
            stretch = Stretch(each.boot_id, each.first_number, each.last_number)
            by_board.setdefault(each.name, []).append(stretch)
        streams = []
        for name, stretches in by_board.items():
            positions = {number: at for (board, number), at in contacts.items() if board == name}
            streams.append(stream(self._transaction, stretches, positions, max(1, chunk // len(by_board))))
        return merged(streams)


def _in_run(run_id: int, boot_id: int) -> Any:
    return (
        (run_boards.c.run_id == run_id)
        & (run_boards.c.boot_id == boot_id)
        & run_boards.c.last_number.is_(None)
    )


def _plain(values: Mapping[str, Any]) -> Any:
    """As it will be read again."""
    return json.loads(json.dumps(values))
