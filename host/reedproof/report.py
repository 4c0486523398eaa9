"""What a run showed, put together: the store says what happened, the accountant what that was, the statement
what it proves, the drift what is on its way."""

from __future__ import annotations

import csv
import enum
import io
import math
from collections.abc import Callable, Iterable, Mapping
from dataclasses import asdict, dataclass
from functools import cached_property
from typing import Any

from reedproof.analysis.account import Account, Status
from reedproof.analysis.books import Passes
from reedproof.analysis.drift import ContactDrift, DriftWatch
from reedproof.analysis.passes import Accountant
from reedproof.analysis.planned import LengthMeter, PlannedLength, planned_lengths
from reedproof.analysis.plans import Claim, Plan, Verdict, plan_from_dict
from reedproof.analysis.statement import Counts, EarlierRun, Statement, statement
from reedproof.errors import ReedproofError
from reedproof.layout import Sheet
from reedproof.store import Store
from reedproof.store_runs import Run, RunBoard, RunGap

#: Called now and then with the number of the run that is read and the part of it that has been, 0 to 1.
Progress = Callable[[int, float], None]


BOUNDS = ("miss_upper", "extra_upper")
CSV_COLUMNS = (
    "run", "simulated", "contact", "board", "input", "purpose", "status", "judgement", "passes", "missed",
    "extra", "good", "doubled", "unobserved", "miss_rate_per_pass", "extra_rate_per_pass",
    "miss_upper_per_pass", "extra_upper_per_pass", "confidence", "drift", "reason",
)  # fmt: skip


class Grade(enum.Enum):
    """``GOOD``: the plan is met and nothing was found against any contact. ``BAD``: the claim has failed or,
    where nothing is claimed, something was found. ``OPEN``: neither."""

    GOOD = "good"
    OPEN = "open"
    BAD = "bad"


@dataclass(frozen=True)
class OtherRun:
    """Another run on the same layout, of the same kind (simulated or not), and its counts by contact."""

    run: Run
    counts: Mapping[str, Counts]

    @property
    def together(self) -> Counts:
        return sum(self.counts.values(), Counts(0, 0, 0))

    def for_statement(self) -> EarlierRun:
        return EarlierRun(self.run.id, self.run.outcome or "going on", self.counts)


@dataclass(frozen=True)
class Report:
    """Everything there is to say about a run. ``drift`` and the contacts of ``account`` and ``statement`` are
    in the order of the sheet; ``boards`` and ``gaps`` in order of time; runs by their numbers.
    ``length_unit`` is that of effective lengths: "mm", or "ms" where the sheet tells no distances.
    ``lengths`` are of the contacts whose closures were planned."""

    run: Run
    sheet: Sheet
    plan: Plan
    boards: tuple[RunBoard, ...]
    gaps: tuple[RunGap, ...]
    account: Account
    statement: Statement
    drift: tuple[ContactDrift, ...]
    length_unit: str
    lengths: tuple[PlannedLength, ...]
    earlier: tuple[OtherRun, ...]
    later: tuple[OtherRun, ...]

    @property
    def to_s(self) -> float:
        """When it ended, or what is known of it ends; host time."""
        if self.run.ended_s is not None:
            return self.run.ended_s
        return max([self.run.started_s, self.account.to_s, *(board.heard_s for board in self.boards)])

    @cached_property
    def findings(self) -> tuple[str, ...]:
        """What speaks against single contacts, a sentence each: they saw no pass, were not counted, drift,
        miss passes or close without one. A claim says how many misses are too many; extra closures are too
        many where there are more than it allows misses. Where nothing is claimed, one is too many."""
        allowed = 1 - self.plan.reliability if isinstance(self.plan, Claim) else None
        found = []
        for count, drift, said in zip(
            self.account.contacts, self.drift, self.statement.contacts, strict=True
        ):
            name = f'"{count.contact}"'
            if count.status is Status.CANNOT_TELL:
                found.append(f"{name} could not be counted: {count.reason}.")
            elif count.passes == 0:
                found.append(f"{name} saw no pass.")
            else:
                said_of_it = []
                if said.verdict is Verdict.FAILED or (allowed is None and count.missed):
                    said_of_it.append(f"missed {count.missed}")
                if count.extra > (allowed or 0.0) * count.passes:
                    said_of_it.append(f"closed {count.extra} time{'s' * (count.extra != 1)} without a pass")
                if said_of_it:
                    found.append(f"{name} {' and '.join(said_of_it)} in {count.passes} passes.")
            if drift.alarm:
                found.append(f"{name}: {drift.sentence(count.missed)}.")
        return tuple(found)

    @property
    def grade(self) -> Grade:
        verdict = self.statement.verdict
        if verdict is Verdict.FAILED or (self.findings and not isinstance(self.plan, Claim)):
            return Grade.BAD
        return Grade.GOOD if verdict is Verdict.MET and not self.findings else Grade.OPEN

    @property
    def verdict(self) -> str:
        """The one sentence to remember."""
        if self.statement.claim:
            return self.statement.claim
        if self.findings:
            return "No claim was tested, and not every contact is good."
        ended = "" if self.statement.verdict is Verdict.MET else " so far, but the plan is not met"
        return f"Nothing speaks against any contact{ended}; no claim was tested."

    def judgement(self, contact: int) -> str:
        """In a word or two, for tables; ``contact`` is its position in the sheet."""
        count, said = self.account.contacts[contact], self.statement.contacts[contact]
        if count.status is Status.CANNOT_TELL:
            word = "cannot tell"
        elif said.verdict is Verdict.FAILED:
            word = "claim failed"
        elif isinstance(self.plan, Claim):
            word = "proved" if said.verdict is Verdict.MET else "not proved yet"
        elif count.passes == 0:
            word = "no pass"
        else:
            parts = [text for text, seen in (("misses", count.missed), ("extras", count.extra)) if seen]
            word = " and ".join(parts) or "clean"
        return f"{word}, drifts" if self.drift[contact].alarm else word

    def grade_of(self, contact: int) -> Grade:
        """Of one contact, by what :meth:`judgement` says of it."""
        word = self.judgement(contact)
        if word in ("proved", "clean"):
            return Grade.GOOD
        return Grade.OPEN if word in ("cannot tell", "not proved yet", "no pass") else Grade.BAD

    def as_csv(self) -> str:
        """A line for each contact; units are in the names of the columns. Numbers of a contact that could not
        be counted are empty."""
        out = io.StringIO()
        lines = csv.writer(out, lineterminator="\n")
        lines.writerow(CSV_COLUMNS)
        contacts = self.as_dict()["contacts"]
        for at, contact in enumerate(self.sheet.contacts):
            alarm = self.drift[at].alarm
            placed = {
                "run": self.run.id,
                "simulated": int(self.run.simulated),
                "contact": contact.name,
                "board": contact.board,
                "input": contact.input,
                "purpose": contact.purpose.value,
                "judgement": self.judgement(at),
                "drift": alarm.change.value if alarm else "",
            }
            found = contacts[contact.name]
            shares = {f"{name}_per_pass": found[name] for name in ("miss_rate", "extra_rate", *BOUNDS)}
            all_of_it = {**found, **shares, **placed}
            lines.writerow([all_of_it[name] for name in CSV_COLUMNS])
        return out.getvalue()

    def as_dict(self) -> dict[str, Any]:
        """For JSON: times in host seconds since 1970, shares and rates per pass, None where nothing is known.
        The numbers of a contact that could not be counted are None; their ranges stand instead."""
        said = self.statement.as_dict()
        return {
            "run": {
                "number": self.run.id,
                "started_s": self.run.started_s,
                "ended_s": self.run.ended_s,
                "outcome": self.run.outcome,
                "simulated": self.run.simulated,
                "seed": self.run.seed,
                "plan": self.plan.as_dict(),
                "plan_text": self.plan.describe(),
                "closures": self.account.closures,
                "laps": self.account.laps,
            },
            "layout": self.sheet.model_dump(mode="json"),
            "grade": self.grade.value,
            "findings": list(self.findings),
            "contacts": {
                count.contact: _contact_dict(asdict(count), said["contacts"][count.contact])
                for count in self.account.contacts
            },
            "statement": [self.verdict, self.statement.sentence],
            "verdict": said["verdict"],
            "together": said["layout"],
            "cautions": said["cautions"],
            "assumptions": said["assumptions"],
            "drift": {
                drift.contact: _drift_dict(drift, count.missed)
                for drift, count in zip(self.drift, self.account.contacts, strict=True)
            },
            "closure_lengths": {length.contact: length.as_dict() for length in self.lengths},
            "gaps": [gap._asdict() for gap in self.gaps],
            "boards": [asdict(board) for board in self.boards],
            "earlier_runs": [_other_dict(other) for other in self.earlier],
            "later_runs": [_other_dict(other) for other in self.later],
            "evidence": [
                {
                    "kind": each.kind.value,
                    "contact": self.sheet.contacts[each.contact].name,
                    "train": each.train,
                    "at_s": each.at_s,
                    "because": each.because,
                }
                for each in self.account.evidence
            ],
            "evidence_left_out": self.account.evidence_left_out,
        }


def _contact_dict(count: dict[str, Any], said: dict[str, Any]) -> dict[str, Any]:
    del count["contact"], count["blocks"]
    count["status"] = count["status"].value
    if count["status"] == Status.CANNOT_TELL.value:
        # The most probable numbers are guesses here, and a number in a file is soon taken for a count.
        count.update(dict.fromkeys(("passes", "good", "missed", "extra", "doubled", "unobserved")))
    return {**count, **said}


def _drift_dict(drift: ContactDrift, missed: int) -> dict[str, Any]:
    alarm = drift.alarm
    return {
        "alarm": None if alarm is None else {**asdict(alarm), "change": alarm.change.value},
        "length_change": drift.length_change,
        "sentence": drift.sentence(missed),
    }


def _other_dict(other: OtherRun) -> dict[str, Any]:
    run = other.run
    return {
        "number": run.id,
        "started_s": run.started_s,
        "ended_s": run.ended_s,
        "outcome": run.outcome,
        "plan": run.plan,
        **asdict(other.together),
    }


# ---- making one ----


def build(store: Store, run_id: int | None = None, progress: Progress | None = None) -> Report:
    """The report of a run, by default of the newest one. Reads it and all other runs on its layout through
    the accountant, a portion at a time. Raises StoreError when there is no such run."""
    run = store.run(run_id)
    sheet = Sheet.model_validate(run.sheet)
    plan = plan_from_dict(run.plan)
    drift = DriftWatch([contact.name for contact in sheet.contacts])
    meter = LengthMeter(len(sheet.contacts))

    def watch(passes: Passes) -> None:
        drift.feed(passes.contact, passes.made_s, passes.length, passes.bounces)
        meter.feed(passes)

    accountant = _accountant(store, run, progress, watch)
    account = accountant.finish()
    others = _others(store, run, progress)
    earlier = tuple(other for other in others if other.run.id < run.id)
    boards = tuple(store.run_boards(run.id))
    # A gap without length turned out to be none: the board had kept everything.
    gaps = tuple(gap for gap in store.run_gaps(run.id) if gap.to_s != gap.from_s)
    return Report(
        run=run,
        sheet=sheet,
        plan=plan,
        boards=boards,
        gaps=gaps,
        account=account,
        statement=statement(
            account,
            plan,
            stopped_as_planned=run.outcome in ("met", "failed"),
            hours=observed_s(boards, gaps) / 3600,
            earlier=[other.for_statement() for other in earlier],
        ),
        drift=drift.result(),
        length_unit="mm" if accountant.lengths_in_mm else "ms",
        lengths=planned_lengths(sheet, meter, in_mm=accountant.lengths_in_mm),
        earlier=earlier,
        later=tuple(other for other in others if other.run.id > run.id),
    )


def _accountant(
    store: Store, run: Run, progress: Progress | None, on_pass: Callable[[Passes], None] | None = None
) -> Accountant:
    """One that has been fed with the whole run, and told its passes to ``on_pass``."""
    sheet = Sheet.model_validate(run.sheet)
    contacts = sheet.positions()

    try:
        accountant = Accountant(sheet, store.gaps_of_run(run.id, contacts), on_pass=on_pass)
    except ValueError as error:
        raise ReedproofError(
            f"run {run.id} cannot be accounted for: {error}; see 'reedproof sheet check'"
        ) from None
    heard_s = max([board.heard_s for board in store.run_boards(run.id)], default=run.started_s)
    length_s = max((run.ended_s or heard_s) - run.started_s, 1.0)
    for closures in store.closures(run.id, contacts):
        accountant.feed(closures)
        if progress is not None and len(closures):
            progress(run.id, min(1.0, float(closures.made_s[-1] - run.started_s) / length_s))
    return accountant


def _others(store: Store, run: Run, progress: Progress | None) -> list[OtherRun]:
    return [
        OtherRun(other, _counts(_accountant(store, other, progress).finish()))
        for other in store.runs()
        if other.layout == run.layout and other.simulated == run.simulated and other.id != run.id
    ]


def earlier_runs(store: Store, run: Run, progress: Progress | None = None) -> list[EarlierRun]:
    """What a statement has to know of the runs on the same layout before this one, the abandoned ones too."""
    return [other.for_statement() for other in _others(store, run, progress) if other.run.id < run.id]


def _counts(account: Account) -> dict[str, Counts]:
    return {count.contact: Counts.of(count) for count in account.contacts}


def observed_s(boards: Iterable[RunBoard], gaps: Iterable[RunGap]) -> float:
    """For how long the board that was observed least was observed. A single muted input is not its board."""
    spans: dict[str, list[tuple[float, float]]] = {}
    for board in boards:
        spans.setdefault(board.name, []).append((board.from_s, board.heard_s))
    away = sorted(
        (gap.from_s, math.inf if gap.to_s is None else gap.to_s, gap.board)
        for gap in gaps
        if gap.input is None
    )
    return min((_covered_s(name, each, away) for name, each in spans.items()), default=0.0)


def _covered_s(
    name: str, spans: list[tuple[float, float]], away: list[tuple[float, float, str | None]]
) -> float:
    total_s = 0.0
    for from_s, to_s in sorted(spans):
        at_s = from_s
        for gap_from_s, gap_to_s, board in away:
            if board in (None, name) and gap_to_s > at_s and gap_from_s < to_s:
                total_s += max(0.0, gap_from_s - at_s)
                at_s = max(at_s, gap_to_s)
        total_s += max(0.0, to_s - at_s)
    return total_s
