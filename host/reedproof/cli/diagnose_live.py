"""`reedproof diagnose PORT`: what is asked of somebody at the layout, and what is seen of it."""

from __future__ import annotations

from pathlib import Path

from rich.console import Console

from reedproof.analysis.case import Case
from reedproof.guided import WAIT_S


def session(
    port: str,
    *,
    number: int | None = None,
    contact: str | None = None,
    sheet: Path | None = None,
    store: str | None = None,
    output: Path | None = None,
    wait_s: float = WAIT_S,
    out: Console,
) -> Case:
    """A guided session over one contact, asked and shown on ``out``.

    Args:
        port: serial port or URL, or 'virtual:...'.
        number: input of the contact, from 1; or else
        contact: its name on the sheet.
        sheet: the layout sheet, for names and speeds; needed with ``contact``.
        store: file or URL of the store, as ``--store`` has it.
        output: also keep the raw edges in this file (VCD if it ends in .vcd, else CSV).
        wait_s: a step in which nothing happens ends by itself after this long.
        out: where questions and counts go.

    Raises ReedproofError (wrong use, nobody there), LineError, StoreError, SheetError, TraceError.
    """
    raise NotImplementedError
