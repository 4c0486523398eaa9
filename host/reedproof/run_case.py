"""A run out of the store, as a case to diagnose."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import Any

from reedproof.analysis.case import BoardFacts, Case, Counts, FaultSpan, SelfTest
from reedproof.analysis.case_of_run import case_of_run, places
from reedproof.analysis.closures import Closures
from reedproof.layout import Sheet
from reedproof.records import Fault, Verdict
from reedproof.store import Store
from reedproof.store_runs import FaultNote, RunBoard


def read_case(
    store: Store, run_id: int | None = None, progress: Callable[[float], None] = lambda _: None
) -> Case:
    """The case of a run, by default of the newest one; ``progress`` is given the part of it that was read.
    Raises StoreError when there is no such run."""
    run = store.run(run_id)
    sheet = Sheet.model_validate(run.sheet)
    stretches = store.run_boards(run.id)
    boards = _boards(store, run.id, stretches)
    from_s = min([stretch.from_s for stretch in stretches], default=run.started_s)
    to_s = run.ended_s or max([stretch.heard_s for stretch in stretches], default=run.started_s)

    def told(portions: Iterator[Closures]) -> Iterator[Closures]:
        for portion in portions:
            yield portion
            progress(min(1.0, float(portion.made_s[-1] - from_s) / max(to_s - from_s, 1.0)))

    return case_of_run(
        f"run {run.id}",
        sheet,
        told(store.closures(run.id, places(sheet, boards))),
        store.gaps_of_run(run.id, sheet.positions()),
        boards,
        from_s,
        to_s,
    )


def _boards(store: Store, run_id: int, stretches: list[RunBoard]) -> dict[str, BoardFacts]:
    counts: dict[str, dict[int, Counts]] = {}
    for counted in store.counted_in_run(run_id):
        of_board = counts.setdefault(counted.board, {})
        more = Counts(counted.time_us / 1e6, *counted[4:])
        of_board[counted.input] = _added(of_board[counted.input], more) if counted.input in of_board else more
    faults = {board: _spans(notes) for board, notes in _by_board(store.faults_of_run(run_id)).items()}
    settings: dict[str, dict[str, Any]] = {}
    for stretch in stretches:  # in order of time: what was set last holds, a self-test is made once
        settings[stretch.name] = {**settings.get(stretch.name, {}), **stretch.settings}
    return {
        board: BoardFacts(
            counts.get(board, {}),
            {
                int(number): (one["make_us"], one["break_us"])
                for number, one in told.get("inputs", {}).items()
            },
            {
                int(number): SelfTest(Verdict[one["verdict"].upper()], tuple(one["partners"]))
                for number, one in told.get("selftest", {}).items()
            },
            faults.get(board, {}),
        )
        for board, told in settings.items()
    }


def _added(one: Counts, other: Counts) -> Counts:
    """Of two boots."""
    return Counts(
        one.seconds + other.seconds,
        one.edges + other.edges,
        one.closures + other.closures,
        one.blips + other.blips,
        one.dropouts + other.dropouts,
        max(one.longest_blip_us, other.longest_blip_us),
        max(one.longest_dropout_us, other.longest_dropout_us),
    )


def _by_board(notes: list[FaultNote]) -> dict[str, list[FaultNote]]:
    found: dict[str, list[FaultNote]] = {}
    for note in notes:
        found.setdefault(note.board, []).append(note)
    return found


def _spans(notes: list[FaultNote]) -> dict[int, list[FaultSpan]]:
    """By input; a fault that did not go lasts."""
    spans: dict[int, list[FaultSpan]] = {}
    since: dict[tuple[int, Fault], float] = {}
    for note in notes:
        key = (note.input, note.fault)
        if note.active:
            since.setdefault(key, note.at_s)
        elif key in since:
            spans.setdefault(note.input, []).append(FaultSpan(note.fault, since.pop(key), note.at_s))
    for (number, fault), from_s in since.items():
        spans.setdefault(number, []).append(FaultSpan(fault, from_s, None))
    return spans
