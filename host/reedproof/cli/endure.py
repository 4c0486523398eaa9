"""`reedproof endure`: hours of trains over a layout, every pass accounted for."""

from __future__ import annotations

import contextlib
import json as json_module
import math
import os
import select
import shutil
import signal
import sys
import time
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field, replace
from functools import lru_cache
from pathlib import Path
from typing import IO, Annotated, Any

import typer
from rich.console import Console, Group
from rich.live import Live
from rich.table import Table
from rich.text import Text

from reedproof.analysis.account import Account, Status
from reedproof.analysis.confidence import CONFIDENCE, share_upper_anytime
from reedproof.analysis.plans import (
    Claim,
    FixedClaim,
    HoursPlan,
    PassesPlan,
    Plan,
    SequentialClaim,
    Verdict,
    parse_claim,
    plan_from_dict,
)
from reedproof.analysis.statement import Counts, statement, verdict_of
from reedproof.cli.common import StoreOption, console, table
from reedproof.cli.find_boards import Finder, parse_ports
from reedproof.cli.prove import show_identity
from reedproof.endurance import Endurance, Progress
from reedproof.errors import ReedproofError
from reedproof.layout import Sheet, read_sheet
from reedproof.link import Link
from reedproof.plan_tables import RunPlan
from reedproof.report import earlier_runs
from reedproof.report_words import how_long
from reedproof.sim.layout import VirtualLayout, board_id
from reedproof.store import BYTES_PER_CLOSURE, Store
from reedproof.store_runs import Run

CLAIM = "0.999@0.95"
STEP_S = 0.1
SIMULATED_STEP_S = 2.0  # between two looks at the keyboard and the account; some milliseconds
REFRESH_S = 0.5
PUT_ANEW_S = 10.0  # more than what may have been stored of a killed run after its boards were last heard
ROWS_WIDE = 13  # more contacts stand in two columns, with less of each, to fit a small terminal
OUTCOME = {Verdict.MET: "met", Verdict.FAILED: "failed"}
#: A verdict has to stand for so many accounts: what the newest closures mean may change with the next ones.
STANDS = 3


# ---- the plan ----


def make_plan(
    contacts: int,
    passes: int | None,
    hours: float | None,
    claim: str | None,
    allow: int | None,
    sequential: bool,
) -> Plan:
    """The plan that the options say. Raises ReedproofError where they contradict each other."""
    chosen = [
        option
        for option, value in (("--passes", passes), ("--hours", hours), ("--claim", claim))
        if value is not None
    ]
    if len(chosen) > 1:
        raise ReedproofError(f"{' and '.join(chosen)}: expected one of them; a run has one plan")
    if (allow is not None or sequential) and (passes or hours):
        option = "--sequential" if sequential else "--allow"
        raise ReedproofError(f"{option} goes with --claim, expected no {chosen[0]}")
    if allow is not None and sequential:
        raise ReedproofError("--allow and --sequential: expected one of them; --sequential fixes no number")
    if passes:
        return PassesPlan(passes)
    if hours:
        return HoursPlan(hours)
    reliability, confidence = parse_claim(CLAIM if claim is None else claim)
    if sequential:
        return SequentialClaim(reliability, confidence, contacts)
    return FixedClaim(reliability, confidence, contacts, allow or 0)


PlanOptions = tuple[int | None, float | None, str | None, int | None, bool]


def _planned(saved: RunPlan, told: PlanOptions) -> PlanOptions:
    """What `reedproof plan run --save` wrote, as the options that say the same, where none is told that
    stands against it: --allow and --sequential are about its claim."""
    *plans, allow, sequential = told
    if any(option is not None for option in plans):
        return told
    if allow is None and not sequential:
        allow, sequential = saved.allow or None, saved.sequential
    return None, None, saved.claim, allow, sequential


def show_plan(plan: Plan, out: Console) -> None:
    """What the plan demands, before anybody spends hours on it."""
    out.print(f"plan: {plan.describe()}", markup=False, soft_wrap=not out.is_terminal)
    if not isinstance(plan, FixedClaim | SequentialClaim):
        return
    if isinstance(plan, FixedClaim):
        needed = ", ".join(f"{plan.passes_for(misses)} for {misses}" for misses in range(4))
        out.print(f"passes of each contact by misses to be allowed (--allow, before the run): {needed}")
    better = (1 - plan.reliability) / 10
    out.print(
        f"a layout ten times better (1 pass in {1 / better:.0f} missed at each contact) meets it with a "
        f"chance of {100 * plan.chance_to_meet(better):.0f} %"
    )


@dataclass
class Judge:
    """Ends the run by its plan, once a verdict stands."""

    plan: Plan
    _verdict: Verdict = Verdict.CONTINUE
    _stood: int = 0
    _judged: Account | None = None

    def __call__(self, account: Account | None, running_s: float) -> str | None:
        verdict = self.verdict(account, running_s)
        if isinstance(self.plan, HoursPlan):  # nothing that is counted changes it
            return OUTCOME.get(verdict)
        if account is None or account is self._judged:
            return None
        self._judged = account
        self._stood = self._stood + 1 if verdict is self._verdict else 1
        self._verdict = verdict
        return OUTCOME.get(verdict) if self._stood >= STANDS else None

    def verdict(self, account: Account | None, running_s: float) -> Verdict:
        hours = running_s / 3600
        if account is None:
            return self.plan.verdict(0, 0, hours)
        return Verdict.of_all(verdict_of(self.plan, count, hours) for count in account.contacts)


# ---- the screen ----


@lru_cache(maxsize=1024)
def _upper(passes: int, missed: int, confidence: float) -> float:
    return share_upper_anytime(passes, missed, confidence)


def _percent(share: float) -> str:
    return "-" if share >= 1 else f"{100 * share:.2g} %" if share >= 0.0995 else f"{100 * share:.2f} %"


@dataclass
class Screen:
    """What is shown of a run while it goes on."""

    run: Run
    sheet: Sheet
    plan: Plan
    has_keys: bool
    progress: Progress | None = None
    said: list[str] = field(default_factory=list)

    def show(self, progress: Progress) -> None:
        self.progress = progress
        for happened in progress.happened:
            where = f"{happened.board}: " if happened.board else ""
            at = time.strftime("%H:%M:%S", time.localtime(happened.at_s))
            self.said = [f"{at} {where}{happened.kind.replace('_', ' ')} {happened.detail}".rstrip()]

    def _confidence(self) -> float:
        return self.plan.confidence if isinstance(self.plan, Claim) else CONFIDENCE

    def render(self) -> Group:
        lines = [Text(line, no_wrap=True, overflow="ellipsis") for line in self.lines()]
        return Group(*lines, self.table())

    def lines(self) -> list[str]:
        progress = self.progress
        if progress is None:
            return [f"run {self.run.id}, {self.run.layout}: waiting for the boards"]
        account = progress.account
        laps = 0 if account is None else sum(account.laps.values())
        state = "PAUSED, " if progress.is_paused else ""
        keys = "p: pause or go on, Ctrl-C: stop" if self.has_keys else "Ctrl-C: stop"
        left = time_left(self.plan, account, progress.running_s)
        # The name of a layout may be long: it comes last, and is what a small terminal cuts.
        lines = [
            f"{state}{laps} laps in {how_long(progress.running_s)}; run {self.run.id}, {self.run.layout}",
            f"{keys}; {left}",
        ]
        away = [board for board in progress.boards if board.away]
        lines += [f"{board.name} is away: {board.away}" for board in away[:2]]
        if not away:
            lines += self.said[-1:]
        return lines

    def table(self) -> Table:
        if len(self.sheet.contacts) <= ROWS_WIDE:
            rows = table("contact", ">passes", ">missed", ">extra", ">at most", ">seen", "fault")
            for column, width in zip(rows.columns, (18, 7, 7, 5, 7, 8, 11), strict=True):
                column.no_wrap, column.overflow, column.max_width = True, "ellipsis", width
            for at in range(len(self.sheet.contacts)):
                rows.add_row(*self._cells(at))
            return rows
        # By hand: two tables side by side in 80 columns leave no room for the usual padding.
        rows = Table(
            box=None, padding=(0, 1, 0, 0), pad_edge=False,
            caption="m/x: passes missed / extra closures; ?: cannot tell so far", caption_justify="left",
        )  # fmt: skip
        for _ in range(2):
            rows.add_column("contact", no_wrap=True, overflow="ellipsis", width=15)
            for name, width in (("passes", 6), ("m/x", 6), ("at most", 7)):
                rows.add_column(name, justify="right", no_wrap=True, overflow="ellipsis", width=width)
        half = (len(self.sheet.contacts) + 1) // 2
        for at in range(half):
            cells: list[str] = []
            for each in (at, at + half):
                if each < len(self.sheet.contacts):
                    name, passes, missed, extra, upper, _, fault = self._cells(each)
                    cells += [name, passes, f"{missed}/{extra}", fault[:7] or upper]
            rows.add_row(*cells)
        return rows

    def final(self, account: Account) -> Table:
        """The table once more, of all that is stored."""
        assert self.progress is not None
        self.progress = replace(self.progress, account=account)
        return self.table()

    def _cells(self, at: int) -> list[str]:
        progress, name = self.progress, self.sheet.contacts[at].name
        if progress is None or progress.account is None:
            return [name, "0", "0", "0", "-", "-", ""]
        count = progress.account.contacts[at]
        counts = Counts.of(count)
        unsure = "?" if count.status is Status.CANNOT_TELL else ""
        seen_s = progress.last_seen_s.get(at)
        upper = _upper(counts.passes, counts.missed, self._confidence()) if counts.passes else 1.0
        fault = progress.faults.get(at)
        return [
            name, f"{count.passes}{unsure}", f"{count.missed}{unsure}", f"{count.extra}{unsure}",
            _percent(upper), "-" if seen_s is None else how_long(max(0.0, progress.now_s - seen_s)),
            " ".join(fault.names) if fault else "",
        ]  # fmt: skip


def time_left(plan: Plan, account: Account | None, running_s: float) -> str:
    """How far it is to the end of the plan, if nothing more is missed."""
    if account is None:
        return plan.describe()
    unsure = [count for count in account.contacts if count.status is Status.CANNOT_TELL]
    counts = [(c.passes, c.missed) for c in account.contacts if c.status is Status.COUNTED]
    counts += [(c.passes_range[0], c.missed_range[0]) for c in unsure]
    left = [plan.left(passes, missed, running_s / 3600) for passes, missed in counts]
    passes, hours = max(one.passes for one in left), max(one.hours for one in left)
    if passes:
        slowest = min((count.passes for count in account.contacts), default=0)
        if slowest:
            hours = max(hours, passes / slowest * running_s / 3600)
        return f"left: {passes} passes of a contact" + (
            f", about {how_long(3600 * hours)}" if slowest else ""
        )
    if hours:
        return f"left: {how_long(3600 * hours)}"
    return f"left: to tell what happened at {unsure[0].contact}" if unsure else "left: nothing"


# ---- keys and signals ----


class Keys:
    """Single keys from the terminal, without waiting, where ``screen`` is on it. The terminal is put back
    whatever happens."""

    def __init__(self, screen: IO[str] | None = None) -> None:
        self.are_there = sys.stdin is not None and sys.stdin.isatty() and (screen or sys.stdout).isatty()

    @contextlib.contextmanager
    def listening(self) -> Iterator[None]:
        if not self.are_there:
            yield
            return
        try:
            import termios
            import tty
        except ImportError:  # not on this system
            self.are_there = False
            yield
            return
        number = sys.stdin.fileno()
        before = termios.tcgetattr(number)
        try:
            tty.setcbreak(number)  # Ctrl-C still is one
            yield
        finally:
            termios.tcsetattr(number, termios.TCSADRAIN, before)

    def pressed(self) -> str:
        if self.are_there and select.select([sys.stdin], [], [], 0)[0]:
            return os.read(sys.stdin.fileno(), 64).decode(errors="replace")
        return ""


class Stop:
    """Ctrl-C, a terminal that is closed and a system that goes down are heeded between two steps: an
    exception in the middle of a transaction would leave it open. A second Ctrl-C does not wait."""

    def __init__(self) -> None:
        self.is_wanted = False

    def _want(self, *_: object) -> None:
        if self.is_wanted:
            raise KeyboardInterrupt
        self.is_wanted = True

    @contextlib.contextmanager
    def listening(self) -> Iterator[None]:
        names = [signal.SIGINT, signal.SIGTERM, *([signal.SIGHUP] if hasattr(signal, "SIGHUP") else [])]
        before = [(name, signal.signal(name, self._want)) for name in names]
        try:
            yield
        finally:
            for name, handler in before:
                signal.signal(name, handler)


# ---- the boards ----


def _needed(sheet: Sheet) -> list[str]:
    """Boards that have contacts."""
    return [name for name in sheet.boards if any(contact.board == name for contact in sheet.contacts)]


@contextlib.contextmanager
def _links(sheet: Sheet, ports: Mapping[str, str], store: Store, out: Console) -> Iterator[dict[str, Link]]:
    """The boards of the sheet by name, greeted and checked against it."""
    boards = {name: sheet.boards[name] for name in _needed(sheet)}
    virtual = [name for name, board in boards.items() if board.kind == "virtual" and name not in ports]
    if virtual and len(virtual) < len(boards):
        raise ReedproofError(
            f"board {virtual[0]!r} is virtual and others are not, their times would not match; expected all "
            f"boards of one sort, or --port {virtual[0]}=PORT"
        )
    with contextlib.ExitStack() as opened:
        links: dict[str, Link] = {}
        finder = Finder(boards, ports)
        if virtual:
            layout = VirtualLayout(sheet, None, seed=time.time_ns() & 0xFFFFFFFF)
            for name in virtual:
                board = layout.boards[name]
                while board.device.boot <= store.last_boot(board_id(sheet, name)):
                    board.reset()  # in a life that the store does not know yet
                links[name] = opened.enter_context(Link(board.plug_in))
        else:
            finder.find()
            for name in boards:
                links[name] = opened.enter_context(Link(finder.connector(name)))
        for name, link in links.items():
            show_identity(link, out)
            if not virtual:
                finder.note(name, link)
            _check_wiring(sheet, name, link)
        yield links


def _check_wiring(sheet: Sheet, name: str, link: Link) -> None:
    for contact in sheet.contacts:
        if contact.board == name and contact.input > link.hello.inputs:
            raise ReedproofError(
                f"contact {contact.name!r}: input {contact.input} of board {name!r}; the one on {link.name} "
                f"has inputs 1 to {link.hello.inputs}"
            )


# ---- the run ----


def _tell_room(store: Store, out: Console) -> None:
    where = store.name or ""
    folder = Path(where).parent
    if "://" not in where and folder.is_dir():
        free = shutil.disk_usage(folder).free
        out.print(
            f"store {where}: about {BYTES_PER_CLOSURE} bytes per closure, room for "
            f"{free // BYTES_PER_CLOSURE / 1e6:.0f} million",
            markup=False,
            soft_wrap=True,
        )


def _begin(store: Store, sheet: Sheet, plan: Plan, simulated: bool, out: Console) -> Run:
    for run in store.runs():
        if run.layout == sheet.layout.name and run.outcome is None and run.simulated == simulated:
            out.print(
                f"run {run.id} of this layout was unfinished: it counts as abandoned from now on, and "
                "stays in the store and in reports",
                soft_wrap=True,
            )
    run_id = store.begin_run(time.time(), sheet.model_dump(mode="json"), plan.as_dict(), simulated=simulated)
    return store.run(run_id)


def _to_resume(store: Store, which: str | None) -> Run:
    if which is None:
        open_ones = [run for run in store.runs() if run.outcome in (None, "stopped")]
        if not open_ones:
            raise ReedproofError(f"{store.name}: no run to resume; 'reedproof endure SHEET' begins one")
        return open_ones[-1]
    if not (which.isdecimal() and len(which) < 10):
        raise ReedproofError(f"--resume {which}: expected the number of a run, see 'reedproof runs'")
    return store.run(int(which))


def _clock(store: Store, run: Run, simulated: bool) -> Callable[[], float]:
    """Simulated trains are put on the track anew when their run goes on: without time between, what they
    jumped over would be missed."""
    heard_s = store.heard_s(run.id) if simulated else None
    return time.time if heard_s is None else lambda: max(time.time(), heard_s + PUT_ANEW_S)


def _contacts(account: Account) -> dict[str, Any]:
    return {
        count.contact: {
            "passes": count.passes, "missed": count.missed, "extra": count.extra,
            "status": count.status.value,
        }
        for count in account.contacts
    }  # fmt: skip


def _say(event: str, **fields: Any) -> None:
    print(json_module.dumps({"event": event, **fields}), flush=True)


def _listen(
    run: Endurance, screen: Screen, keys: Keys, stop: Stop, live: Live | None, step_s: float, json: bool
) -> None:
    """Until the plan or the user ends it."""
    shown_s = -math.inf
    while not stop.is_wanted:
        progress = run.step(step_s)
        screen.show(progress)
        if json:
            for happened in progress.happened:
                _say(happened.kind, at_s=happened.at_s, board=happened.board, detail=happened.detail)
        for key in keys.pressed():
            if key in "p ":
                run.go_on() if run.is_paused else run.pause()
        if time.monotonic() - shown_s > REFRESH_S:
            shown_s = time.monotonic()
            if live is not None:
                live.update(screen.render(), refresh=True)
            if json and progress.account is not None:
                _say(
                    "progress", at_s=progress.now_s, accounted_s=progress.accounted_s,
                    running_s=progress.running_s, laps=progress.account.laps,
                    contacts=_contacts(progress.account),
                )  # fmt: skip
        if progress.outcome is not None:
            return


def endure(
    sheet: Annotated[
        str | None,
        typer.Argument(help="The layout sheet, a TOML file; with --resume the number of a run, or nothing."),
    ] = None,
    passes: Annotated[int | None, typer.Option(help="So many passes of every contact.", min=1)] = None,
    hours: Annotated[
        float | None,
        typer.Option(help="So many hours, in which every board was observed.", min=0.001, max=8760),
    ] = None,
    claim: Annotated[
        str | None,
        typer.Option(
            help="RELIABILITY@CONFIDENCE to be shown at every contact, for all of them at once. "
            f"[default: that of the sheet, else {CLAIM}]",
            show_default=False,
        ),
    ] = None,
    allow: Annotated[
        int | None, typer.Option(help="Misses that the claim allows each contact.", min=0, max=1000)
    ] = None,
    sequential: Annotated[
        bool, typer.Option("--sequential", help="Test the claim after every pass, by Wald's test.")
    ] = False,
    port: Annotated[
        list[str] | None,
        typer.Option(help="Port of a board of the sheet, else they are found.", metavar="BOARD=PORT"),
    ] = None,
    resume: Annotated[
        bool, typer.Option("--resume", help="Go on with a run that was stopped or broke off.")
    ] = False,
    store: StoreOption = None,
    json: Annotated[
        bool, typer.Option("--json", help="Print every event as one line of JSON instead of text.")
    ] = False,
) -> None:
    """Let trains run for hours, and account for every pass of every contact.

    The run ends by itself when its plan is met or cannot be met any more. `p` pauses, Ctrl-C stops; a run
    that was stopped, or killed, goes on with `reedproof endure --resume`. A board that is unplugged is a gap
    in the run, neither a miss nor a success, unless it kept what it saw. Boards of kind "virtual" run
    simulated trains. Pause before you lift a train off the track: put down a little further on, it looks as
    if contacts had missed it. Exits with 0 when the plan is met, else with 1.

    Keep magnets away from children and implants, and count them. Power off before plugging, fuse the supply,
    and do not leave trains running unattended.

    Example: reedproof endure layout.toml --claim 0.999@0.95
    """
    out = console(stderr=json)
    plan_options: PlanOptions = (passes, hours, claim, allow, sequential)
    if resume and (sequential or any(option is not None for option in plan_options[:4])):
        raise ReedproofError("--resume: the run has its plan already; expected no other one")
    if not resume and sheet is None:
        raise ReedproofError("the layout sheet is missing; expected 'reedproof endure SHEET'")
    keys = Keys()
    with contextlib.ExitStack() as opened:
        if resume:
            kept = opened.enter_context(Store(store, create=False))
            run = _to_resume(kept, sheet)
            layout, plan = Sheet.model_validate(run.sheet), plan_from_dict(run.plan)
        else:
            layout = read_sheet(Path(sheet or ""))
            if not layout.routes:
                raise ReedproofError(f"{sheet}: no routes; endure needs to know in which order trains pass")
            if layout.plan.run is not None:
                plan_options = _planned(layout.plan.run, plan_options)
                if plan_options[2] is not None and claim is None:
                    out.print("no option says another: the claim is that of the sheet")
            plan = make_plan(len(layout.contacts), *plan_options)
            kept = opened.enter_context(Store(store))
        links = opened.enter_context(_links(layout, parse_ports(port or [], layout), kept, out))
        simulated = next(iter(links.values())).transport.is_simulated
        show_plan(plan, out)
        _tell_room(kept, out)
        if resume:
            kept.reopen_run(run.id)
        else:
            run = _begin(kept, layout, plan, simulated, out)
        if json:
            _say("resumed" if resume else "begun", run=run.id, layout=run.layout, plan=run.plan)
        judge = Judge(plan)
        engine = Endurance(kept, run, links, judge, _clock(kept, run, simulated))
        screen = Screen(run, layout, plan, keys.are_there)
        live = None
        if not json and sys.stdout.isatty():
            live = Live(screen.render(), console=out, auto_refresh=False, transient=True)
        stop = Stop()
        opened.enter_context(stop.listening())
        opened.enter_context(keys.listening())
        with live or contextlib.nullcontext():
            _listen(engine, screen, keys, stop, live, SIMULATED_STEP_S if simulated else STEP_S, json)
        running_s = screen.progress.running_s if screen.progress else 0.0
        outcome, account = engine.stop()
        earlier = earlier_runs(kept, run)
    verdict = judge.verdict(account, running_s)
    planned = outcome in OUTCOME.values()
    proved = statement(account, plan, stopped_as_planned=planned, hours=running_s / 3600, earlier=earlier)
    if json:
        _say(
            "ended", run=run.id, outcome=outcome, running_s=running_s, laps=account.laps,
            contacts=_contacts(account), statement=proved.as_dict(),
        )  # fmt: skip
    else:
        if screen.progress is not None:
            out.print(screen.final(account))
        out.print(f"run {run.id}: {outcome} after {how_long(running_s)}", markup=False)
        for said in (proved.sentence, *(f"note: {caution}" for caution in proved.cautions)):
            out.print(said, markup=False, soft_wrap=not out.is_terminal)
        if outcome == "stopped":
            out.print(f"go on with: reedproof endure --resume {run.id}")
    raise typer.Exit(0 if verdict is Verdict.MET else 1)
