"""`reedproof diagnose PORT`: what is asked of somebody at the layout, and what is seen of it."""

from __future__ import annotations

import contextlib
import difflib
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from rich.console import Console
from rich.live import Live
from rich.text import Text

from reedproof.analysis.case import Case, Step
from reedproof.cli.common import board_name, open_link
from reedproof.cli.endure import Keys
from reedproof.cli.laps import Hand
from reedproof.cli.prove import show_identity
from reedproof.errors import LineError, LineLost, ReedproofError
from reedproof.guided import WAIT_S, Outcome, Phase, Session
from reedproof.layout import Sheet, read_sheet
from reedproof.link import Link
from reedproof.recorder import Recorder
from reedproof.records import Verdict
from reedproof.store import Store
from reedproof.trace_writer import ACCOUNT_OPEN, TraceWriter, notes_of, open_writer

REFRESH_S = 0.1

CAUTIONS = (
    "Keep magnets away from children and implants, and count them. Power off before you plug or unplug."
)
WHAT_COUNTS = "Each magnet that goes over the contact is a pass: count those of a vehicle with several."
#: What is asked; ``{n}`` times, over ``{name}``.
QUESTIONS = {
    (Step.STILL, Phase.LISTEN): "Leave everything still: no train moves, no hand is near.",
    (Step.USUAL, Phase.LISTEN): "Drive the vehicle over {name} {n} times at its usual speed.",
    (Step.SLOW, Phase.LISTEN): "The same vehicle {n} times, as slowly as it goes.",
    (Step.FAST, Phase.LISTEN): "The same vehicle {n} times, fast.",
    (Step.WIGGLE, Phase.PLACE): "Stop the vehicle, or hold its magnet, over {name} so that it is closed.",
    (Step.WIGGLE, Phase.LISTEN): "Leave it there. Move lead and plug gently, from end to end; do not unplug.",
    (Step.WIGGLE, Phase.REMOVE): "Drive the vehicle away from it.",
    (Step.OTHER, Phase.LISTEN): "Another vehicle, {n} times over {name} at its usual speed.",
    (Step.REFERENCE, Phase.LISTEN): "The first vehicle again, {n} times over a neighbour that works.",
}
KEYS = "\n  Enter: done, s: skip, q: stop"
KEYS_OF_PASSES = "\n  Enter: all made, 0 to 9: so many made, s: skip, q: stop"


@dataclass(frozen=True)
class _Place:
    """What the sheet says of the contact and its board; little, where there is no sheet."""

    number: int
    board: str
    names: Mapping[int, str]
    speed_mm_s: float | None

    @property
    def name(self) -> str:
        return self.names.get(self.number, f"the contact on input {self.number}")


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
    if (number is None) == (contact is None):
        raise ReedproofError(
            "--input and --contact: expected one of them, to say which contact is asked about"
        )
    if contact is not None and sheet is None:
        raise ReedproofError(f"--contact {contact}: expected --sheet as well, it says on which input that is")
    if output is not None and output.exists():
        raise ReedproofError(f"{output}: exists already; choose another name, or delete it first")
    drawn = None if sheet is None else read_sheet(sheet)
    with Store(store) as kept, open_link(port) as link:
        show_identity(link, out)
        recorder = Recorder(link, kept)
        place = _place_of(drawn, contact, number, link)
        link.choose_inputs([place.number])
        with _writer(output, link) as writer:
            guide = Session(
                recorder,
                place.number,
                board_name=place.board,
                names=place.names,
                speed_mm_s=place.speed_mm_s,
                wait_s=wait_s,
                writer=writer,
            )
            _say(out, CAUTIONS)
            _say(out, WHAT_COUNTS)
            _show_selftest(guide, out)
            try:
                _Screen(guide, place.name, link, out).run()
            except KeyboardInterrupt:
                _say(out, "stopped; what was seen until then counts")
            case = guide.finish()
    _check(guide, port)
    if guide.interrupted:
        _say(out, f"{guide.interrupted}; what was seen until then counts")
    return case


def _writer(output: Path | None, link: Link) -> contextlib.AbstractContextManager[TraceWriter | None]:
    if output is None:
        return contextlib.nullcontext()
    chosen = link.choose_inputs(None)
    notes = [*notes_of(sample_us=link.hello.sample_us, recorded=chosen), ACCOUNT_OPEN]
    return open_writer(output, chosen, notes)


def _check(guide: Session, port: str) -> None:
    """Raises ReedproofError where there is nothing to judge by."""
    if guide.saw_anything or guide.selftest[guide.asked].verdict != Verdict.GOOD:
        return
    if guide.interrupted:
        raise LineLost(f"{guide.interrupted}; plug the board in, begin again")
    raise ReedproofError(
        f"{port}: nothing closed, and nobody said that passes were made; begin again with somebody at the "
        "layout who presses Enter after the passes"
    )


# ---- which contact ----


def _place_of(sheet: Sheet | None, contact: str | None, number: int | None, link: Link) -> _Place:
    here = board_name(link.hello.board)
    if sheet is None:
        assert number is not None
        return _Place(number, here, {}, None)
    if contact is None:
        assert number is not None
        board = _board_of(sheet, link)
        return _place(sheet, board, number) if board is not None else _Place(number, here, {}, None)
    named = {each.name: each for each in sheet.contacts}
    if contact not in named:
        near = difflib.get_close_matches(contact, named, n=1, cutoff=0.0)
        raise ReedproofError(f"--contact {contact}: the sheet has no such contact; nearest is {near[0]!r}")
    board = named[contact].board
    wanted = sheet.boards[board].id
    if wanted is not None and int(wanted, 16) != link.hello.board:
        raise LineError(
            f"{link.name}: board {here} answers there; {contact!r} is on board {board!r} ({wanted}), use its "
            "port"
        )
    return _place(sheet, board, named[contact].input)


def _board_of(sheet: Sheet, link: Link) -> str | None:
    """What the sheet calls the board on the line; None where that cannot be told."""
    ids = {int(board.id, 16): name for name, board in sheet.boards.items() if board.id is not None}
    if link.hello.board in ids:
        return ids[link.hello.board]
    (name, board), *more = sheet.boards.items()
    return name if not more and board.id is None else None


def _place(sheet: Sheet, board: str, number: int) -> _Place:
    names = {each.input: each.name for each in sheet.contacts if each.board == board}
    speeds = {route.speed_mm_s for route in sheet.routes if names.get(number) in route.contacts}
    return _Place(number, board, names, speeds.pop() if len(speeds) == 1 else None)


# ---- the screen ----


def _say(out: Console, text: str) -> None:
    out.print(text, markup=False, soft_wrap=not out.is_terminal)


def _show_selftest(guide: Session, out: Console) -> None:
    out.print("electrical self-test ... ", end="")
    bad = {n: result for n, result in guide.begin().items() if result.verdict != Verdict.GOOD}
    told = [
        f"input {n} {Verdict(result.verdict).name.lower().replace('_', ' ')}" for n, result in bad.items()
    ]
    _say(out, ", ".join(told) or "good")


class _Screen:
    """One question at a time, what is seen meanwhile, and what came of it."""

    def __init__(self, guide: Session, name: str, link: Link, out: Console) -> None:
        self._guide = guide
        self._name = name
        self._out = out
        self._hand = Hand(link, guide)
        self._keys = Keys(out.file)
        self._asked: tuple[Step, Phase] | None = None
        self._told = 0

    def run(self) -> None:
        live = Live(console=self._out, transient=True, auto_refresh=False) if self._out.is_terminal else None
        with self._keys.listening(), live or contextlib.nullcontext():
            while not self._guide.is_over:
                self._ask()
                if live is not None:
                    live.update(self._state(), refresh=True)
                self._hand.go_on()
                self._press(self._keys.pressed())
                if not self._guide.is_over:
                    self._guide.pump(REFRESH_S)
                self._tell()

    def _ask(self) -> None:
        asked = (self._guide.ask.step, self._guide.phase)
        if asked != self._asked:
            self._asked = asked
            _say(self._out, QUESTIONS[asked].format(n=self._guide.ask.passes, name=self._name))

    def _press(self, keys: str) -> None:
        for key in keys:
            if self._guide.is_over:
                return
            if key in "\r\n":
                self._guide.done()
            elif key.isdecimal() and self._guide.ask.passes:
                self._guide.done(int(key))
            elif key in "sS":
                self._guide.skip()
            elif key in "qQ":
                self._guide.stop()

    def _state(self) -> Text:
        guide = self._guide
        level = "closed" if guide.is_closed else "open"
        if guide.ask.passes:
            others = {} if guide.seen else {n: c for n, c in guide.answers.items() if n != guide.asked}
            elsewhere = "".join(f", input {number} {count}" for number, count in others.items())
            told, keys = f"{guide.seen} of {guide.ask.passes} seen, {level} now{elsewhere}", KEYS_OF_PASSES
        else:
            left = f"{guide.left_s:.0f} s left, " if guide.phase is Phase.LISTEN else ""
            told, keys = f"{left}{level} now", KEYS
        text = f"  {told}{keys if self._keys.are_there else ''}"
        return Text(text, no_wrap=True, overflow="ellipsis")

    def _tell(self) -> None:
        outcomes = self._guide.outcomes
        for outcome in outcomes[self._told :]:
            _say(self._out, f"  {_words(outcome)}")
        self._told = len(outcomes)


def _words(outcome: Outcome) -> str:
    """What came of a step."""
    seen = outcome.seen
    if outcome.step is Step.WIGGLE:
        return "it was not closed" if not seen else "it stayed closed" if seen == 1 else f"{seen} closures"
    if outcome.step is Step.STILL:
        return f"it closed {_times(seen)} by itself" if seen else "nothing closed by itself"
    passes = f"{seen} pass{'' if seen == 1 else 'es'} seen"
    missed = 0 if outcome.passes is None else outcome.passes - seen
    return f"{passes}, {missed} missed" if missed > 0 else passes


def _times(count: int) -> str:
    return "once" if count == 1 else f"{count} times"
