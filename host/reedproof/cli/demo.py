"""`reedproof demo`: a virtual board proved, run and broken, with no hardware at all."""

from __future__ import annotations

import shlex
import time

import typer
from rich.console import Console
from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeRemainingColumn

from reedproof.cli.common import JsonOption, StoreOption, console, print_json, table
from reedproof.cli.prove import guided, show, show_advice, show_identity, styled
from reedproof.link import Link
from reedproof.proof import Proof, Prover, Result
from reedproof.recorder import Recorder
from reedproof.sim.board import BETWEEN_PASSES_US, VirtualBoard
from reedproof.sim.contacts import ContactFault
from reedproof.store import Store, data_folder

#: The Fernhollow slate tramway is invented, as are its contacts.
CONTACTS = [
    "quarry, braking", "quarry, stopping", "quarry loop", "crusher", "incline foot, braking",
    "incline foot, stopping", "weighbridge", "mill, braking", "mill, stopping", "mill siding",
    "fern bridge", "workshop", "tunnel", "wharf, braking", "wharf, stopping", "wharf siding",
]  # fmt: skip

SEED = 1  # the demo shows the same every time, as the README does
LAPS_GOOD = 20
LAPS_FAULTY = 20

#: What is broken, and the verdict that must come of it.
INJECTED = {
    4: (ContactFault.OPEN_LEAD, Result.NO_CLOSURE),
    9: (ContactFault.STUCK, Result.STUCK),
    13: (ContactFault.RUBBING_LEAD, Result.CHATTER),
}


def _run_laps(prover: Prover, board: VirtualBoard, laps: int, what: str, out: Console) -> None:
    """A train goes round ``laps`` times; every contact it passes counts as a pass."""
    lap_s = board.inputs * BETWEEN_PASSES_US / 1e6
    prover.is_free = True
    with Progress(
        TextColumn("{task.description}"), BarColumn(), MofNCompleteColumn(), TextColumn("passes"),
        TimeRemainingColumn(), console=out,
    ) as progress:  # fmt: skip
        bar = progress.add_task(what, total=laps * board.inputs)
        for _ in range(laps):
            board.carousel(rounds=1)
            prover.watch(lap_s)
            for line in prover.lines.values():
                line.passes += 1
            progress.advance(bar, board.inputs)
    prover.watch(1.0)


def _show_findings(proof: Proof, out: Console) -> None:
    rows = table("contact", ">input", ">passes", ">closures", ">missed", ">bounces", "verdict")
    for line in proof.inputs:
        rows.add_row(
            CONTACTS[line.input - 1], str(line.input), str(line.passes), str(line.closures),
            str(max(0, line.passes - line.closures)), str(line.bounces_max),
            styled(line.result),
        )  # fmt: skip
    out.print(rows)
    show_advice(proof, out, CONTACTS)


def demo(store: StoreOption = None, json: JsonOption = False) -> None:
    """Show it all on a virtual board: prove it, run trains, break three contacts, find them.

    The board runs the boards' own code; contacts, trains and the Fernhollow slate tramway they
    belong to are invented.

    Example: reedproof demo
    """
    where = store or str(data_folder() / "demo.sqlite")
    out = console(stderr=json)
    out.print("The Fernhollow slate tramway (invented): a virtual board, 16 simulated contacts\n")
    board = VirtualBoard(name="virtual:demo", inputs=len(CONTACTS), seed=SEED)
    with Store(where) as kept, Link(lambda: board) as link:
        recorder = Recorder(link, kept)
        show_identity(link, out)

        out.print("\n1. Proving the inputs: electrical self-test, then a magnet over each of them\n")
        prover = Prover(recorder, time.time())
        prover.test_electrically()
        prover.begin()
        guided(prover, link, Console(quiet=True), wait_s=5.0)
        first = prover.finish()
        number = kept.save_proof(first.made_at_s, first.board, first.as_dict())
        show(first, number, out)

        out.print("\n2. Running trains, then breaking three contacts\n")
        healthy = Prover(recorder, time.time())
        healthy.begin()
        _run_laps(healthy, board, LAPS_GOOD, "all in order ", out)
        second = healthy.finish()
        missed = sum(max(0, line.passes - line.closures) for line in second.inputs)
        extra = sum(max(0, line.closures - line.passes) for line in second.inputs)
        passes = sum(line.passes for line in second.inputs)
        out.print(f"{passes} passes, {missed} missed, {extra} extra closures")

        for number_, (fault, _) in INJECTED.items():
            board.contacts[number_].fault = fault
        broken = Prover(recorder, time.time())
        broken.begin()
        _run_laps(broken, board, LAPS_FAULTY, "three broken ", out)
        third = broken.finish()

        out.print("\n3. What was found\n")
        _show_findings(third, out)
        last = kept.save_proof(third.made_at_s, third.board, third.as_dict())

    expected = {n: INJECTED[n][1] if n in INJECTED else Result.GOOD for n in range(1, board.inputs + 1)}
    found = {line.input: line.result for line in third.inputs}
    as_expected = first.is_good and second.is_good and found == expected
    if json:
        print_json({"proofs": [first.as_dict(), third.as_dict()], "as_injected": as_expected, "store": where})
    out.print(
        "exactly the three that were broken" if as_expected else "NOT what was broken: please report this",
        style="green" if as_expected else "red",
    )
    out.print(
        f"data: {where}; again: reedproof proofs {last} --store {shlex.quote(where)}",
        markup=False,
        soft_wrap=True,
    )
    raise typer.Exit(0 if as_expected else 1)
