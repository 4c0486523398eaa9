"""`reedproof prove`: identity, electrical self-test, a magnet over every input."""

from __future__ import annotations

import time
from collections.abc import Sequence
from typing import Annotated

import typer
from rich.console import Console
from rich.text import Text

from reedproof.cli.common import (
    JsonOption,
    PortArgument,
    StoreOption,
    board_name,
    console,
    open_link,
    parse_inputs,
    print_json,
    table,
)
from reedproof.errors import LineLost
from reedproof.link import Link
from reedproof.proof import ASK_S, Proof, Prover, Result
from reedproof.recorder import Recorder
from reedproof.sim.board import VirtualBoard
from reedproof.store import Store

DAY_S = 86_400.0
STYLE = {Result.GOOD: "green", Result.NOT_TRIED: "yellow"}


def _milliseconds(shortest: float | None, longest: float | None) -> str:
    if shortest is None or longest is None:
        return "-"
    return f"{shortest:.0f}" if round(shortest) == round(longest) else f"{shortest:.0f}-{longest:.0f}"


def styled(result: Result) -> Text:
    return Text(result.value, style=STYLE.get(result, "red"))


def show_advice(proof: Proof, out: Console, names: Sequence[str] = ()) -> None:
    """A line for each input that is not good: what it is and what to do about it."""
    for line in proof.inputs:
        if line.result is not Result.GOOD:
            name = f" ({names[line.input - 1]})" if names else ""
            faults = f" [{', '.join(line.other_faults)}]" if line.other_faults else ""
            text = f"input {line.input}{name}: {line.result.value}{faults} - {line.advice}"
            out.print(text, markup=False, soft_wrap=not out.is_terminal)


def show(proof: Proof, number: int, out: Console) -> None:
    """The table of a proof, as it is printed after proving and again later."""
    made_at = time.strftime("%Y-%m-%d %H:%M", time.localtime(proof.made_at_s))
    rows = table(
        ">input", "verdict", ">closures", ">edges", ">bounces", ">longest bounce us", ">closed ms",
        title=f"proof {number}: {proof.kind} board {board_name(proof.board)} on {proof.port}, {made_at}",
    )  # fmt: skip
    for line in proof.inputs:
        rows.add_row(
            str(line.input),
            styled(line.result),
            str(line.closures),
            str(line.edges),
            str(line.bounces_max),
            str(line.longest_bounce_us),
            _milliseconds(line.closed_ms_min, line.closed_ms_max),
        )
    out.print(rows)
    show_advice(proof, out)
    good = sum(line.result is Result.GOOD for line in proof.inputs)
    out.print(f"{good} of {len(proof.inputs)} inputs good", end="")
    out.print(_ledger_text(proof.ledger_balances))
    for reason in proof.interruptions:
        out.print(f"interrupted: {reason}", markup=False)


def _ledger_text(balances: bool | None) -> str:
    if balances is None:
        return "; whether every counted closure is stored could not be told"
    return "; recorded + lost = counted on every one" if balances else "; STORED CLOSURES ARE MISSING"


def show_identity(link: Link, out: Console) -> None:
    hello = link.hello
    out.print(
        f"{hello.kind_name} board {board_name(hello.board)} on {link.name}: {hello.inputs} inputs, sampled "
        f"every {hello.sample_us} us, firmware {hello.build:08x}, protocol {hello.protocol}, "
        f"boot {hello.boot} ({hello.reset_name.replace('_', ' ')})",
        markup=False,
        soft_wrap=not out.is_terminal,
    )
    if hello.settings_defaulted:
        out.print("no settings are stored on it, or they are damaged: it runs on the defaults")


def _sound(out: Console) -> None:
    """For somebody under the layout who does not see the screen."""
    if out.is_terminal:
        out.bell()


def guided(prover: Prover, link: Link, out: Console, wait_s: float) -> None:
    """A pass over every input in turn; on a virtual board a simulated hand moves the magnet."""

    def prompt(number: int, other: int | None) -> None:
        if other is None:
            out.print(f"pass the magnet over input {number}")
        else:
            out.print(f"input {other} answered instead; once more over input {number}, please")
        if isinstance(link.transport, VirtualBoard):
            link.transport.pass_magnet(number)

    for number, line in prover.lines.items():
        answered = prover.guide(number, prompt, wait_s)
        if answered is None:
            out.print(f"  nothing came within {wait_s:g} s")
        elif answered != number:
            out.print(f"  input {answered} again: the plugs seem to be swapped")
        else:
            _sound(out)
            count = line.bounces_max
            bounces = f"{count or 'no'} bounce{'' if count == 1 else 's'}"
            out.print(f"  input {number} closed, {bounces}")


def unasked(prover: Prover, link: Link, out: Console, seconds: float) -> None:
    """Magnets over all inputs in any order, for a while."""
    out.print(
        f"pass a magnet over every input within {seconds:g} s, in any order (swapped plugs, missed and extra "
        "closures show only when asked one by one)"
    )
    prover.is_free = True
    if isinstance(link.transport, VirtualBoard):
        link.transport.carousel(rounds=1)
    prover.watch(seconds)


def prove(
    port: PortArgument,
    auto: Annotated[
        float | None,
        typer.Option(help="Ask nothing: watch all inputs for this many seconds.", min=1.0, max=DAY_S),
    ] = None,
    inputs: Annotated[str | None, typer.Option(help="Only these inputs, such as 1-4,7.")] = None,
    wait: Annotated[
        float, typer.Option(help="Seconds to wait for each asked pass.", min=1.0, max=DAY_S)
    ] = ASK_S,
    store: StoreOption = None,
    json: JsonOption = False,
) -> None:
    """Prove a board's inputs before it is buried under the layout.

    Asks the board who it is, tests its inputs electrically, then has a magnet passed over each of
    them and judges what came. The proof is stored; `reedproof proofs` shows it again.

    Keep magnets away from children and implants, and count them. Power off before plugging.

    Example: reedproof prove /dev/ttyUSB0 --inputs 1-8
    """
    out = console(stderr=json)
    chosen = parse_inputs(inputs)
    with Store(store) as kept, open_link(port) as link:
        recorder = Recorder(link, kept)
        show_identity(link, out)
        prover = Prover(recorder, time.time(), chosen)
        out.print("electrical self-test ... ", end="")
        bad = [n for n, result in prover.test_electrically().items() if result.verdict and n in prover.lines]
        out.print("good" if not bad else f"not good on input {', '.join(map(str, bad))}")
        prover.begin()
        try:
            if auto is None:
                guided(prover, link, out, wait)
            else:
                unasked(prover, link, out, auto)
            proof = prover.finish()
        except KeyboardInterrupt:
            out.print("stopped; what was seen so far:")
            proof = prover.conclude()
        except LineLost as error:
            out.print(f"{error}; what was seen so far:", markup=False, soft_wrap=not out.is_terminal)
            proof = prover.conclude()
        number = kept.save_proof(proof.made_at_s, proof.board, proof.as_dict())
    if json:
        print_json({"proof": number, **proof.as_dict()})
    else:
        show(proof, number, out)
    if proof.interruptions:
        raise LineLost(
            f"{proof.interruptions[-1]}; proof {number} is not complete: plug the board in, prove it again"
        )
    raise typer.Exit(0 if proof.is_good else 1)
