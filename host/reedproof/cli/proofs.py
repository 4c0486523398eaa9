"""`reedproof proofs`: proofs made earlier, listed or printed again."""

from __future__ import annotations

import time
from typing import Annotated

import typer

from reedproof.cli.common import JsonOption, StoreOption, board_name, console, print_json, table
from reedproof.cli.prove import show
from reedproof.proof import Proof
from reedproof.store import Store


def proofs(
    number: Annotated[
        int | None,
        typer.Argument(help="Which proof to print; without it they are listed.", min=1, max=10**9),
    ] = None,
    store: StoreOption = None,
    json: JsonOption = False,
) -> None:
    """List the stored proofs, or print one again.

    Example: reedproof proofs 3
    """
    with Store(store, create=False) as kept:
        if number is not None:
            found, result = kept.proof(number)
            if json:
                print_json({"proof": found, **result})
            else:
                show(Proof.from_dict(result), found, console())
            return
        listed = [(found, made_at_s, kept.proof(found)[1]) for found, made_at_s, _ in kept.proofs()]
    if json:
        print_json(
            {
                "proofs": [
                    {"proof": found, "made_at_s": made_at_s, "board": result["board"], "good": result["good"]}
                    for found, made_at_s, result in listed
                ]
            }
        )
        return
    rows = table(">proof", "made", "board", "kind", "verdict")
    for found, made_at_s, result in listed:
        bad = [line["input"] for line in result["inputs"] if line["result"] != "good"]
        rows.add_row(
            str(found),
            time.strftime("%Y-%m-%d %H:%M", time.localtime(made_at_s)),
            board_name(result["board"]),
            result["kind"],
            "good"
            if result["good"]
            else f"not good: input {', '.join(map(str, bad))}"
            if bad
            else "not good",
        )
    console().print(rows if listed else "no proofs yet; 'reedproof prove PORT' makes one")
