"""A run out of the store, as a case to diagnose."""

from __future__ import annotations

from collections.abc import Callable, Iterator

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
    boards: dict[str, BoardFacts] = {}
    for stretch in stretches:  # in order of time: what was set last holds
        settings = stretch.settings
        boards[stretch.name] = BoardFacts(
            counts={},
            settings={
                int(number): (one["make_us"], one["break_us"])
                for number, one in settings.get("inputs", {}).items()
            },
            selftest={
                int(number): SelfTest(Verdict[one["verdict"].upper()], tuple(one["partners"]))
                for number, one in settings.get("selftest", {}).items()
            },
        )
    for counted in store.counted_in_run(run_id):
        counts = boards[counted.board].counts
        assert isinstance(counts, dict)
        more = Counts(counted.time_us / 1e6, *counted[4:])
        counts[counted.input] = _added(counts[counted.input], more) if counted.input in counts else more
    for name, notes in _by_board(store.faults_of_run(run_id)).items():
        boards[name] = BoardFacts(
            boards[name].counts, boards[name].settings, boards[name].selftest, _spans(notes)
        )
    return boards


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
