"""`reedproof simulate`: simulated trains through virtual boards into a store, with the truth beside it."""

from __future__ import annotations

import contextlib
import json as json_module
import time
from collections.abc import Callable, Mapping
from dataclasses import asdict
from pathlib import Path
from typing import Annotated, Any

import typer
from rich.progress import BarColumn, Progress, TaskProgressColumn, TextColumn, TimeRemainingColumn

from reedproof.analysis.plans import PassesPlan
from reedproof.cli.common import JsonOption, console, print_json, table
from reedproof.errors import ReedproofError
from reedproof.layout import Sheet, read_sheet
from reedproof.link import Link
from reedproof.recorder import Recorder
from reedproof.sim.layout import Conditions, VirtualLayout
from reedproof.sim.scenario import EFFECTS, read_scenario
from reedproof.sim.scenario_run import layout_of
from reedproof.store import Store
from reedproof.store_runs import stored_settings

STORE_FILE, TRUTH_FILE = "store.sqlite", "truth.json"
ALL = "*"
#: In simulated time. Commits, and counters that are wanted at the end only, would cost most of the real one.
BATCH_S, BEATS_S = 5.0, 60.0
PUMP_S = 0.2  # boards take turns of this length, so that their clocks stay together


def parse_chances(option: str, texts: list[str], sheet: Sheet) -> dict[str, float]:
    """['*=0.01', 'mill=0.05'] -> a chance per contact, a later text over an earlier one. Raises
    ReedproofError."""
    names = [contact.name for contact in sheet.contacts]
    chances: dict[str, float] = {}
    for text in texts:
        name, _, value = text.rpartition("=")
        try:
            chance = float(value)
        except ValueError:
            chance = -1.0
        if not name or not 0 <= chance <= 1:
            raise ReedproofError(
                f'{option} {text}: expected a contact and a chance from 0 to 1, such as "{names[0]}=0.01"'
            )
        if name not in names and name != ALL:
            raise ReedproofError(
                f"{option} {text}: there is no contact {name!r}; expected one of the sheet's, or "
                f"'{ALL}' for all"
            )
        chances.update(dict.fromkeys(names, chance) if name == ALL else {name: chance})
    return chances


def _wall_of(link: Link, started_s: float) -> Callable[[], float]:
    """The clocks of all boards are the layout's, so one begin serves them all."""
    return lambda: started_s + link.now_s()


def record_run(
    layout: VirtualLayout,
    store: Store,
    started_s: float,
    on_progress: Callable[[float], None] = lambda _: None,
) -> int:
    """Lets the trains run while links and recorders listen to the virtual boards, as to real ones.

    Boards must not have outages. ``started_s`` is the host time of the run's begin; ``on_progress`` gets the
    share of it that is done. Returns the number of the run in the store.
    """
    sheet = layout.sheet.model_dump(mode="json", exclude_none=True)
    assert layout.laps is not None
    plan = PassesPlan(layout.laps).as_dict()
    run_id = store.begin_run(started_s, sheet, plan, simulated=True, seed=layout.seed)
    with contextlib.ExitStack() as opened:
        recorders = []
        for name, board in layout.boards.items():
            link = opened.enter_context(contextlib.closing(Link(board.plug_in)))
            settings = stored_settings(*link.settings(), link.selftest())
            recorder = Recorder(link, store, _wall_of(link, started_s), batch_s=BATCH_S, beats_s=BEATS_S)
            store.join_run(
                run_id, name, recorder.boot_id, link.hello.next, recorder.wall_s(), settings,
            )  # fmt: skip
            recorders.append(recorder)
        outcome = "stopped"
        try:
            while True:
                behind = min(recorders, key=lambda recorder: recorder.link.now_s())
                if layout.is_over(round(behind.link.now_s() * 1e6)):
                    break
                behind.pump(PUMP_S)
                on_progress(layout.done(round(behind.link.now_s() * 1e6)))
            outcome = "met"
        finally:
            for recorder in recorders:
                recorder.flush()
                store.heard(run_id, recorder.boot_id, recorder.wall_s())
            store.leave_run(
                run_id, {recorder.boot_id: store.next_number(recorder.boot_id) - 1 for recorder in recorders}
            )
            store.end_run(run_id, max(recorder.wall_s() for recorder in recorders), outcome)
    return run_id


def _make_folder(folder: Path) -> None:
    for name in (STORE_FILE, TRUTH_FILE):
        if (folder / name).exists():
            raise ReedproofError(
                f"{folder / name}: exists already; choose another folder, or delete it first"
            )
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise ReedproofError(f"{folder}: cannot be made ({error.strerror}); choose another folder") from None


def simulate(
    output: Annotated[
        Path, typer.Option("--output", "-o", help="The folder for store.sqlite and truth.json.")
    ],
    sheet: Annotated[
        Path | None, typer.Argument(help="The layout sheet, a TOML file; a scenario has its own.")
    ] = None,
    laps: Annotated[
        int | None,
        typer.Option(
            help="Laps of each train; one of a shuttle is there and back. A scenario says how many.", min=1
        ),
    ] = None,
    scenario: Annotated[
        Path | None,
        typer.Option(
            help="A scenario, a TOML file: a layout sheet, magnets and contacts as they are built in, and "
            "what is wrong with them. README.md describes it. Causes, and what their size is: "
            + "; ".join(f"{cause.value} ({effect.unit})" for cause, effect in EFFECTS.items())
            + ".",
            metavar="FILE",
        ),
    ] = None,
    seed: Annotated[
        int | None,
        typer.Option(
            help="The same seed gives the same run. [default: the scenario's, or 1]",
            show_default=False,
            min=0,
            max=2**31 - 1,
        ),
    ] = None,
    miss: Annotated[
        list[str] | None,
        typer.Option(
            help=f"Chance that a pass is missed, such as \"mill=0.01\"; '{ALL}' stands for all contacts, a "
            "later option goes over an earlier one. Half of the missed passes close for too short to count.",
            metavar="CONTACT=CHANCE",
        ),
    ] = None,
    extra: Annotated[
        list[str] | None,
        typer.Option(
            help="Chance of an extra closure per pass: half of them right after the pass, half of 2 to 8 ms "
            "at any moment up to the next pass.",
            metavar="CONTACT=CHANCE",
        ),
    ] = None,
    speed_spread: Annotated[
        float,
        typer.Option(
            help="The speed of each section between two contacts is drawn anew each time, evenly between "
            "this share less and this share more than the usual one.",
            min=0.0,
            max=0.9,
        ),
    ] = 0.33,
    json: JsonOption = False,
) -> None:
    """Run simulated trains over virtual boards, and write down what really happened.

    The boards run the boards' own code; protocol, recording and store are those of a real run, which is
    marked as simulated. truth.json has passes, missed passes and extra closures of each contact, to hold an
    account of the run against. They count from a train's first closure to its last, as every run does: what
    was missed before or after nobody can know. Of a scenario it has the magnets that went over each contact,
    and what was wrong.

    Example: reedproof simulate layout.toml --laps 150 --miss "*=0.01" --miss "mill=0.05" -o run1
    """
    if scenario is not None:
        _refuse_beside_scenario({"SHEET": sheet, "--miss": miss, "--extra": extra})
        layout = layout_of(read_scenario(scenario), laps=laps, seed=seed, speed_spread=speed_spread)
        options: dict[str, Any] = {"scenario": scenario.name, "speed_spread": speed_spread}
    else:
        layout, options = _by_chances(sheet, laps, seed, miss or [], extra or [], speed_spread)
    _make_folder(output)
    out = console(stderr=json)
    with (
        Store(output / STORE_FILE) as store,
        Progress(
            TextColumn("{task.description}"), BarColumn(), TaskProgressColumn(), TimeRemainingColumn(),
            console=out, transient=True, disable=not out.is_terminal,
        ) as progress,
    ):  # fmt: skip
        bar = progress.add_task(f"{layout.laps} laps", total=1.0)
        run_id = record_run(layout, store, time.time(), lambda done: progress.update(bar, completed=done))
    truth = {
        **layout.truth(), "simulated": True, "layout": layout.sheet.layout.name, "run": run_id,
        "seed": layout.seed, "laps": layout.laps, "options": options,
    }  # fmt: skip
    (output / TRUTH_FILE).write_text(json_module.dumps(truth, indent=2, ensure_ascii=False), encoding="utf-8")
    if json:
        print_json({**truth, "store": str(output / STORE_FILE)})
    else:
        _show(layout, out)
        out.print(
            f"Run {run_id} is in {output / STORE_FILE}, the truth in {output / TRUTH_FILE}", markup=False
        )


def _refuse_beside_scenario(given: Mapping[str, object]) -> None:
    for option, value in given.items():
        if value is not None:
            instead = "a scenario has its own" if option == "SHEET" else "put a fault into the scenario"
            raise ReedproofError(f"{option} does not go with --scenario; {instead}")


def _by_chances(
    sheet: Path | None, laps: int | None, seed: int | None, miss: list[str], extra: list[str], spread: float
) -> tuple[VirtualLayout, dict[str, Any]]:
    """(the layout, the options as truth.json keeps them)."""
    if sheet is None:
        raise ReedproofError("there is nothing to simulate; expected a SHEET with --laps, or --scenario FILE")
    if laps is None:
        raise ReedproofError("--laps is missing; a sheet does not say how many, expected such as --laps 150")
    read = read_sheet(sheet)
    options = {
        "miss": parse_chances("--miss", miss, read),
        "extra": parse_chances("--extra", extra, read),
        "speed_spread": spread,
    }
    conditions = Conditions(**options)  # type: ignore[arg-type]
    return VirtualLayout(read, laps, seed=1 if seed is None else seed, conditions=conditions), options


def _show(layout: VirtualLayout, out: Any) -> None:
    columns = ("passes",) if layout.physics is not None else ("passes", "missed", "extra")
    rows = table("contact", *(f">{column}" for column in columns))
    for name, tally in layout.tallies.items():
        rows.add_row(name, *(str(asdict(tally)[column]) for column in columns))
    out.print(rows)
    for fault in layout.faults:
        size = fault.size if isinstance(fault.size, str) else f"{fault.size:g} {EFFECTS[fault.cause].unit}"
        if fault.is_dead:
            size = "dead"
        until = "to the end" if fault.duration_s is None else f"for {fault.duration_s:g} s"
        if fault.start_s * 1e6 >= (layout.end_us or 0):
            until = "on: the run was over before"
        out.print(
            f"{fault.cause.value}: {fault.whom}, {size}, from {fault.start_s:g} s {until}", markup=False
        )
    assert layout.end_us is not None
    minutes = layout.end_us / 60e6
    trains = ", ".join(f"{name}: {laps}" for name, laps in layout.laps_run.items())
    out.print(f"{minutes:.0f} simulated minutes; laps: {trains}", markup=False)
