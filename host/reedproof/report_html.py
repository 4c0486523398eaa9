"""The report of a run as one page: no scripts, nothing from elsewhere, made to be printed and kept."""

from __future__ import annotations

import math
import time
from bisect import bisect_left
from collections.abc import Iterable, Iterator, Sequence
from importlib.resources import files
from itertools import pairwise
from statistics import median

import numpy as np

from reedproof.analysis.account import Block, Kind, Status
from reedproof.analysis.drift import Change
from reedproof.analysis.plans import Claim, plan_from_dict
from reedproof.layout import pin_name
from reedproof.markup import Markup, join, tag
from reedproof.report import Grade, Report
from reedproof.report_words import (
    EVIDENCE_KINDS,
    GAP_KINDS,
    counted,
    grouped,
    how_long,
    measured_text,
    outcome_text,
    planned_text,
    range_text,
    sentence,
    share_text,
    when,
)
from reedproof.run_plots import Bound, Marks, Series, Span, hourly, over_time, timeline
from reedproof.run_plots import bounds as bounds_plot
from reedproof.run_plots import misses as misses_plot
from reedproof.store_runs import RunGap

#: By this a page is known to be a report of ours.
GENERATOR = tag("meta", name="generator", content="reedproof report")
EVIDENCE_MAX = 100  # rows that are printed; the JSON form has all that is kept
GAPS_MAX = 200
SEEN_S = 1.0  # boards join a run within that, one after the other; a shorter gap is in the table only
HOUR_S = 3600.0

COLOURS = {Grade.GOOD: "good", Grade.OPEN: "doubt", Grade.BAD: "bad"}
NOT_SHOWN = (
    "That it stays like this. Magnets shift, contacts wear, leads break: a run says what was, under the "
    "conditions it was made in.",
    "Anything about other trains, magnets, speeds or settings than those of this run.",
    "That a contact never fails. No number of passes proves that.",
)
METHOD = (
    "The closures of all boards were put on one time line. Each train follows the route that the layout "
    "sheet gives it; of all ways in which trains on these routes can have made these closures, the most "
    "probable one was taken, with travel times, misses and extra closures as likely as this run itself "
    "shows them to be. A pass is missed where a train must have gone over the contact and no closure came. "
    "Where other explanations are nearly as probable and give other numbers, the report says that it cannot "
    "tell."
)
ASSUMED = (
    "The layout sheet is right: the order of the contacts, the trains and their magnets.",
    "What the boards did not observe is known and listed as gaps: boards number their records, so that "
    "what is lost leaves a hole.",
)
CAUTIONS = (
    "A short between supply and ground can destroy a board and heat a cable: power off before plugging, "
    "use plugs that cannot be reversed, fuse or limit the supply.",
    "Small strong magnets are dangerous when swallowed: glue them in, count them, keep them from children "
    "and away from people with implants.",
    "Mains only inside an approved adaptor. Local codes and licensed practice come first.",
)


# ---- parts ----


def _time(at_s: float) -> Markup:
    utc = time.strftime("%Y-%m-%dT%H:%M:%SZ", time.gmtime(at_s))
    return tag("time", when(at_s), datetime=utc)


class _Number(str):
    """Text that is aligned as numbers are, to the right."""

    __slots__ = ()


def _table(caption: str, columns: Sequence[str], rows: Iterable[Markup]) -> Markup:
    """A column whose name starts with '>' is aligned to the right."""
    head = [
        tag("th", name.removeprefix(">"), scope="col", class_="n" if name.startswith(">") else None)
        for name in columns
    ]
    return tag(
        "div",
        tag("table", tag("caption", tag("span", caption)), tag("thead", tag("tr", head)), tag("tbody", rows)),
        class_="scroll",
    )


def _row(first: str, *cells: str | int, class_: str | None = None) -> Markup:
    texts = [_Number(grouped(cell)) if isinstance(cell, int) else cell for cell in cells]
    made = [tag("td", text, class_="n" if isinstance(text, _Number) else None) for text in texts]
    return tag("tr", tag("th", first, scope="row"), made, class_=class_)


def _figure(plot: Markup, caption: str) -> Markup:
    return tag("figure", tag("div", plot, class_="scroll"), tag("figcaption", caption))


def _list(texts: Iterable[str]) -> Markup:
    return tag("ul", (tag("li", text) for text in texts))


def _section(title: str, *parts: Markup) -> Markup:
    return tag("section", tag("h2", title), parts)


# ---- the page, from top to bottom ----


def render(report: Report) -> str:
    """The whole document."""
    parts = [
        _head(report),
        _proved(report),
        _contacts(report),
        _undecided(report),
        _drift(report),
        *_lengths(report),
        _gaps(report),
        _other_runs(report),
        _evidence(report),
        _layout(report),
        _method(report),
        _section("Cautions", _list(CAUTIONS)),
    ]
    title = f"Reliability run {report.run.id}: {report.sheet.layout.name}"
    head = [
        tag("meta", charset="utf-8"),
        tag("meta", name="viewport", content="width=device-width, initial-scale=1"),
        GENERATOR,
        tag("title", title),
        tag("style", Markup(files("reedproof").joinpath("report.css").read_text("utf-8"))),
    ]
    body = [tag("main", parts)]
    return f"<!DOCTYPE html>\n{tag('html', tag('head', head), tag('body', body), lang='en')}\n"


def _head(report: Report) -> Markup:
    run, sheet = report.run, report.sheet
    zone = time.strftime("%Z", time.localtime(run.started_s))
    lasted = how_long(report.to_s - run.started_s)
    parts = [
        tag("h1", f"Reliability run {run.id}: {sheet.layout.name}"),
        tag(
            "p",
            f"{when(run.started_s)} to {when(report.to_s)} ({zone}), {lasted}. Scale "
            f"{sheet.layout.scale}, {counted(len(sheet.contacts), 'contact')} on "
            f"{counted(len(sheet.boards), 'board')}. {sentence(outcome_text(run))}",
            class_="soft",
        ),
    ]
    if run.simulated:
        seed = "" if run.seed is None else f" (seed {run.seed})"
        parts.insert(
            0,
            tag(
                "p",
                f"SIMULATED{seed}: no track, no train and no contact was tested here. Nothing in this "
                "report says anything about a real layout.",
                class_="notice",
            ),
        )
    return tag("header", parts)


def _proved(report: Report) -> Markup:
    said = report.statement
    cautions = [sentence(text) for text in said.cautions]
    if report.later:
        numbers = ", ".join(f"{other.run.id} ({outcome_text(other.run)})" for other in report.later)
        cautions.append(
            f"There are later runs on this layout: {numbers}. What they show may be worse than what this one "
            "shows."
        )
    parts = [
        tag("p", report.verdict, class_=f"verdict {COLOURS[report.grade]}"),
        tag("p", tag("strong", "Shown: "), said.sentence),
        tag("p", tag("strong", "The plan, fixed before the run: "), report.plan.describe()),
    ]
    if report.findings:
        parts += [tag("h3", "What speaks against it"), _list(report.findings)]
    if cautions:
        parts += [tag("h3", "What to keep in mind"), _list(cautions)]
    parts += [tag("h3", "What was not shown"), _list(NOT_SHOWN)]
    return _section("What this run proves", *parts)


def _contacts(report: Report) -> Markup:
    said = report.statement
    claim = report.plan if isinstance(report.plan, Claim) else None
    rows = []
    for at, (count, contact) in enumerate(zip(report.account.contacts, report.sheet.contacts, strict=True)):
        bounds = said.contacts[at]
        known = count.status is Status.COUNTED
        numbers: list[int | str]
        if known:
            numbers = [count.passes, count.missed, count.extra]
        else:
            numbers = [
                _Number(range_text(pair))
                for pair in (count.passes_range, count.missed_range, count.extra_range)
            ]
        rows.append(
            _row(
                count.contact,
                contact.purpose.value,
                *numbers,
                count.unobserved,
                _Number(share_text(bounds.alone.miss_upper)),
                _Number(share_text(bounds.alone.extra_upper)),
                tag("span", report.judgement(at), class_=COLOURS[report.grade_of(at)]),
            )
        )
    together = said.counts
    rows.append(
        _row(
            "All contacts at once",
            "",
            together.passes,
            together.missed,
            together.extra,
            sum(count.unobserved for count in report.account.contacts),
            _Number(share_text(said.bounds.miss_upper)),
            _Number(share_text(said.bounds.extra_upper)),
            "",
            class_="total",
        )
    )
    sure = f"{100 * said.confidence:g} % confidence"
    table = _table(
        f"Passes of each contact. 'Missed at most' and 'extra at most' hold with {sure}, for each contact "
        "by itself; in the last line at every contact at once. 'Unobserved' passes fell into gaps and "
        "count for nothing.",
        [
            "contact",
            "purpose",
            ">passes",
            ">missed",
            ">extra",
            ">unobserved",
            ">missed at most",
            ">extra at most",
            "verdict",
        ],
        rows,
    )
    bars = [
        Bound(
            count.contact,
            count.missed / count.passes if count.passes and count.status is Status.COUNTED else None,
            each.alone.miss_upper if count.status is Status.COUNTED else None,
        )
        for count, each in zip(report.account.contacts, said.contacts, strict=True)
    ]
    limit = 1 - claim.reliability if claim else None
    caption = (
        f"The longer a bar, the less is proved: with {sure}, no more than this share of passes is missed"
    )
    caption += "; a circle is the share that was missed. " if any(bar.seen for bar in bars) else ". "
    if claim:
        caption += "What reaches beyond the dashed line is not proved to be as good as claimed. "
    figure = _figure(
        bounds_plot(bars, limit, "missed passes"), caption + "Each step of the scale is tenfold."
    )
    return _section("Contact by contact", table, figure, _notes(report))


def _notes(report: Report) -> Markup:
    items = [
        tag(
            "li",
            sentence(each.sentence),
            " ",
            tag("span", " ".join(map(sentence, each.notes)), class_="soft"),
        )
        for each in report.statement.contacts
    ]
    return join([tag("h3", "In words"), tag("ul", items, class_="words")])


def _undecided(report: Report) -> Markup:
    undecided = [count for count in report.account.contacts if count.status is Status.CANNOT_TELL]
    title = "What cannot be told"
    if not undecided:
        return _section(title, tag("p", "Every contact could be counted."))
    rows = [
        _row(
            count.contact,
            sentence(count.reason),
            _Number(range_text(count.passes_range)),
            _Number(range_text(count.missed_range)),
            _Number(range_text(count.extra_range)),
        )
        for count in undecided
    ]
    return _section(
        title,
        _table(
            "Contacts of which the data does not decide what happened, why, and the least and the most it "
            "allows.",
            ["contact", "why", ">passes", ">missed", ">extra"],
            rows,
        ),
    )


def _drift(report: Report) -> Markup:
    title = "Drift: contacts on their way to failing"
    alarming = [at for at, drift in enumerate(report.drift) if drift.alarm]
    unknown = sum(not drift.alarm and bool(drift.reason) for drift in report.drift)
    steady = len(report.drift) - len(alarming) - unknown
    little = f"; {unknown} saw too few passes to tell" if unknown else ""
    told = (
        "Whether closures become shorter or bounce more than at first was watched. "
        f"{counted(steady, 'contact')} kept steady, {len(alarming)} did not{little}."
    )
    return _section(title, tag("p", told), *(_drifting(report, at) for at in alarming))


def _drifting(report: Report, contact: int) -> Markup:
    drift = report.drift[contact]
    alarm = drift.alarm
    assert alarm is not None
    span = Span(report.run.started_s, report.to_s)
    length, bounces = drift.length, drift.bounces
    is_length = alarm.change is not Change.BOUNCIER
    lengths = over_time(
        span,
        f"Effective length of closures at {drift.contact}",
        Series(length.series.at_s.tolist(), np.exp(length.series.mean).tolist()),
        alarm.at_s if is_length else None,
        None if length.baseline is None else math.exp(length.baseline),
    )
    counts = over_time(
        span,
        f"Bounces per closure at {drift.contact}",
        Series(bounces.series.at_s.tolist(), bounces.series.mean.tolist()),
        None if is_length else alarm.at_s,
        bounces.baseline,
    )
    told = sentence(drift.sentence(report.account.contacts[contact].missed))
    unit = {"mm": "mm: how long the magnet holds it closed", "ms": "ms: how long it lasts at the usual speed"}
    return join(
        [
            tag("h3", drift.contact),
            tag("p", f"{told} It began about {when(alarm.began_s)}; the alarm came {when(alarm.at_s)}."),
            _figure(
                lengths,
                f"Effective length of a closure in {unit[report.length_unit]}. Dotted: the first passes.",
            ),
            _figure(counts, "Bounces per closure. Dotted: the first passes."),
        ]
    )


def _lengths(report: Report) -> Iterator[Markup]:
    """Nothing where nothing was planned."""
    if not report.lengths:
        return
    told = (
        "Planned are the closures that magnet, distance and contact were to give; measured is the geometric "
        "mean of their duration times the speed of the trains."
    )
    rows = (
        _row(length.contact, _Number(planned_text(length)), _Number(measured_text(length)), length.sentence)
        for length in report.lengths
    )
    table = _table("Closure lengths", ("contact", ">planned mm", ">measured mm", ""), rows)
    yield _section("Closures as planned and as measured", tag("p", told), table)


def _gaps(report: Report) -> Markup:
    run, to_s = report.run, report.to_s
    span = Span(run.started_s, to_s)
    rows = []
    for name in report.sheet.boards:
        joined = [board.from_s for board in report.boards if board.name == name]
        away = [
            Span(gap.from_s, to_s if gap.to_s is None else gap.to_s)
            for gap in report.gaps
            if gap.input is None and gap.board in (None, name)
        ]
        away.append(Span(run.started_s, min(joined, default=to_s)))
        rows.append((name, [each for each in away if each.to_s - each.from_s >= SEEN_S]))
    parts = [
        _figure(timeline(span, rows), "When each board was observed (blue) and when it was not (ochre)."),
        _figure(hourly(span, _traffic(report)), "Passes per hour, all contacts together."),
    ]
    if not report.gaps:
        parts.append(tag("p", "There was no gap: every board was observed from the beginning to the end."))
        return _section("Gaps and interruptions", *parts)
    lines = [
        _row(
            _time(gap.from_s),
            _Number("still open") if gap.to_s is None else _Number(how_long(gap.to_s - gap.from_s)),
            _gap_place(gap),
            GAP_KINDS.get(gap.kind, gap.kind),
            gap.detail,
        )
        for gap in report.gaps[:GAPS_MAX]
    ]
    more = len(report.gaps) - len(lines)
    caption = "What was not observed: neither misses nor successes count there."
    if more:
        caption += f" The first {GAPS_MAX}; {more} more are in the JSON form."
    parts.append(_table(caption, ["from", ">for", "what", "kind", "detail"], lines))
    return _section("Gaps and interruptions", *parts)


def _gap_place(gap: RunGap) -> str:
    if gap.board is None:
        return "all boards"
    return gap.board if gap.input is None else f"{gap.board}, input {gap.input}"


def stretches(report: Report, contact: int) -> Iterator[tuple[Block, Span]]:
    """The blocks of a contact with from when to when they are: to the next one, or as long as usual."""
    blocks = report.account.contacts[contact].blocks
    steps_s = [after.from_s - before.from_s for before, after in pairwise(blocks)]
    usual_s = min(median(steps_s) if steps_s else HOUR_S, HOUR_S)
    for block, step_s in zip(blocks, [*steps_s, usual_s], strict=bool(blocks)):
        yield block, Span(block.from_s, block.from_s + min(step_s, usual_s))


def _traffic(report: Report) -> list[tuple[float, int]]:
    """Passes of all contacts and the middle of the time in which they were."""
    return [
        ((span.from_s + min(span.to_s, report.to_s)) / 2, block.passes)
        for at in range(len(report.account.contacts))
        for block, span in stretches(report, at)
    ]


def _other_runs(report: Report) -> Markup:
    title = "Other runs on this layout"
    others = [*report.earlier, *report.later]
    kind = "simulated runs" if report.run.simulated else "runs"
    if not others:
        return _section(
            title, tag("p", f"The store has no other {kind} on this layout, finished or abandoned.")
        )
    rows = []
    for other in others:
        run, counts = other.run, other.together
        lasted = "" if run.ended_s is None else _Number(how_long(run.ended_s - run.started_s))
        rows.append(
            _row(
                f"Run {run.id}",
                _time(run.started_s),
                lasted,
                plan_from_dict(run.plan).describe(),
                run.outcome or "unfinished",
                counts.passes,
                counts.missed,
                counts.extra,
            )
        )
    return _section(
        title,
        tag(
            "p",
            "Shown so that nobody has to ask whether a run was begun again until it looked good. Where a "
            "contact could not be counted, the worst that the data allows is in these sums.",
        ),
        _table(
            f"All other {kind} on this layout in the store, the abandoned ones among them.",
            ["run", "begun", ">lasted", "plan", "outcome", ">passes", ">missed", ">extra"],
            rows,
        ),
    )


def _evidence(report: Report) -> Markup:
    title = "Evidence: every miss and every extra closure"
    account = report.account
    span = Span(report.run.started_s, report.to_s)
    seen = [_marks(report, at) for at in range(len(account.contacts))]
    rows = [row for row in seen if row.missed_s or row.extra_s or row.crowded]
    if not account.evidence:
        return _section(
            title, tag("p", "There is none: no pass was missed, and no closure was without a pass.")
        )
    parts = []
    if rows:
        parts.append(
            _figure(
                misses_plot(span, rows),
                "Contacts that missed a pass (red, above the line) or closed once more or without one "
                "(violet, below it). Ochre: not observed."
                + (
                    " Red stretches have more of them than were kept one by one."
                    if any(r.crowded for r in rows)
                    else ""
                ),
            )
        )
    lines = [
        _row(
            _time(each.at_s),
            report.sheet.contacts[each.contact].name,
            EVIDENCE_KINDS[each.kind],
            each.train,
            sentence(each.because),
        )
        for each in account.evidence[:EVIDENCE_MAX]
    ]
    more = len(account.evidence) - len(lines) + account.evidence_left_out
    caption = "In order of time; when a pass was missed is the time at which it is thought to have happened."
    if more:
        caption += (
            f" These are the first {EVIDENCE_MAX} of {grouped(len(lines) + more)}; the JSON form has more."
        )
    parts.append(_table(caption, ["when", "contact", "what", "train", "why"], lines))
    return _section(title, *parts)


def _marks(report: Report, at: int) -> Marks:
    evidence = [each for each in report.account.evidence if each.contact == at]
    missed_s = [each.at_s for each in evidence if each.kind is Kind.MISSED]
    extra_s = [each.at_s for each in evidence if each.kind in (Kind.EXTRA, Kind.DOUBLED)]
    known_s = sorted([*missed_s, *extra_s])
    crowded = (
        [
            span
            for block, span in stretches(report, at)
            if block.missed + block.extra
            > bisect_left(known_s, span.to_s) - bisect_left(known_s, span.from_s)
        ]
        if report.account.evidence_left_out
        else []
    )
    contact = report.sheet.contacts[at]
    away = [
        Span(gap.from_s, report.to_s if gap.to_s is None else gap.to_s)
        for gap in report.gaps
        if gap.board in (None, contact.board) and gap.input in (None, contact.input)
    ]
    return Marks(contact.name, missed_s, extra_s, away, crowded)


def _layout(report: Report) -> Markup:
    sheet = report.sheet
    settings = {board.name: board.settings.get("inputs", {}) for board in report.boards}
    rows = []
    for contact in sheet.wiring():
        one = settings.get(contact.board, {}).get(str(contact.input), {})
        rows.append(
            _row(
                contact.name,
                contact.board,
                _Number(contact.input),
                pin_name(sheet.boards[contact.board].kind, contact.input),
                contact.plug or "-",
                contact.purpose.value,
                "-" if contact.place_mm is None else _Number(f"{contact.place_mm:g}"),
                *(_Number(one[name]) if name in one else "-" for name in ("make_us", "break_us")),
            )
        )
    boards = [
        _row(
            board.name,
            board.kind,
            f"{board.board:08x}" if board.board else "unnamed",
            _time(board.from_s),
            _time(board.heard_s),
        )
        for board in report.boards
    ]
    routes = [f"Route {route.name} ({route.kind}): {', '.join(route.contacts)}." for route in sheet.routes]
    trains = []
    for train in sheet.trains:
        laps = report.account.laps.get(train.name)
        magnets = counted(train.magnets, "magnet")
        if train.spacing_mm is not None:
            magnets += f", {train.spacing_mm:g} mm apart"
        went = "" if laps is None else f", {counted(laps, 'lap')} in this run"
        trains.append(f"Train {train.name} on route {train.route}: {magnets}{went}.")
    return _section(
        "Layout, wiring, boards and settings",
        _table(
            "Wiring and settings: how long a contact has to be closed (make) and open (break) before it "
            "counts.",
            ["contact", "board", ">input", "pin", "plug", "purpose", ">place mm", ">make us", ">break us"],
            rows,
        ),
        _list([*routes, *trains]),
        _table(
            "Boards that took part; a board that started anew has a line for each start.",
            ["board", "kind", "id", "from", "last heard"],
            boards,
        ),
    )


def _method(report: Report) -> Markup:
    account = report.account
    made = (
        f"{counted(account.closures, 'closure')} from {when(account.from_s)} to {when(account.to_s)} were "
        "accounted for."
        if account.closures
        else "No closure was recorded."
    )
    return _section(
        "How it was counted, and what is assumed",
        tag("p", made, " ", METHOD),
        tag("h3", "Assumptions"),
        _list([*map(sentence, report.statement.assumptions), *ASSUMED]),
    )
