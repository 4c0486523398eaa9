"""Writes flash through a board's loader with avrdude: finds the tool, runs it, says what went wrong."""

from __future__ import annotations

import os
import queue
import re
import shutil
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

from reedproof.errors import LineError, LineLost, NoAnswer, PortBusy, ReedproofError
from reedproof.ports import is_there

#: The loader listens for two seconds at most after a reset, and avrdude resets once.
QUIET_S = 8.0
LIMIT_S = 180.0  # at 57600 baud 12 KB take 6 s with reading back; a full Mega 50 s
SAID_MAX = 100_000  # characters kept of what avrdude says
MARKS = 50  # in a whole bar of avrdude's

CHIPS = {"1e950f": "a Nano or an Uno", "1e9801": "a Mega"}  # signatures: data sheets, "Signature Bytes"

#: (what is being done, how much of it is done): "connecting", "writing", "reading back"; 0 to 1.
Tell = Callable[[str, float], None]


class WrongChip(ReedproofError):
    pass


@dataclass(frozen=True)
class Recipe:
    """How a kind of board is written; ``room`` is its flash below the loader, in bytes."""

    programmer: str
    part: str
    baud: int
    room: int
    advice: str  # where no loader answers


def find_avrdude() -> list[str]:
    """avrdude from PATH, else the copy that PlatformIO has installed, with its configuration. Raises
    ReedproofError with the line that gets one."""
    on_path = shutil.which("avrdude")
    if on_path:
        return [on_path]
    home = Path(os.environ.get("PLATFORMIO_CORE_DIR") or Path.home() / ".platformio")
    for folder in sorted(home.glob("packages/tool-avrdude*")):
        program = shutil.which("avrdude", path=os.pathsep.join(str(folder / part) for part in ("bin", ".")))
        settings = next((file for file in sorted(folder.rglob("avrdude.conf"))), None)
        if program:
            return [program, *(["-C", str(settings)] if settings else [])]
    raise ReedproofError(f"avrdude, which writes the board, is not installed; type: {how_to_get()}")


def how_to_get() -> str:
    """A line for this computer. `pio` brings avrdude to any system that has pip."""
    for manager, line in (
        ("apt-get", "sudo apt-get install avrdude"),
        ("dnf", "sudo dnf install avrdude"),
        ("pacman", "sudo pacman -S avrdude"),
        ("brew", "brew install avrdude"),
    ):
        if shutil.which(manager):
            return line
    return f"{sys.executable} -m pip install platformio && pio pkg install --global --tool tool-avrdude"


def write(tool: Sequence[str], port: str, recipe: Recipe, image: Path, tell: Tell) -> None:
    """Writes an image and has it read back. Non-volatile memory and the loader are left alone.

    Raises WrongChip when the chip is another one, NoAnswer when no loader answers, PortBusy and LineLost
    for the port, LineError when the transfer fails; the board can be written again after each.
    """
    command = [
        *tool, "-c", recipe.programmer, "-p", recipe.part, "-P", port, "-b", str(recipe.baud),
        "-D",  # no erasing of the whole chip, which would take non-volatile memory along; pages are erased
        "-U", f"flash:w:{image}:i",
    ]  # fmt: skip
    code, said = _run(command, tell)
    if code != 0:
        raise _failure(port, recipe, said, ended=code is None)


def progress_in(said: str) -> tuple[str, float]:
    """What avrdude is doing, from its bars: '#' by '#', also where there is no terminal."""
    bars = re.findall(r"(Reading|Writing) \| (#*)", said)
    if not any(kind == "Writing" for kind, _ in bars):
        return "connecting", 0.0
    kind, marks = bars[-1]
    return ("writing" if kind == "Writing" else "reading back"), min(len(marks) / MARKS, 1.0)


def _run(command: Sequence[str], tell: Tell) -> tuple[int | None, str]:
    """Exit code and text; no code where the program got nowhere and was ended."""
    process = subprocess.Popen(
        command, stdin=subprocess.DEVNULL, stdout=subprocess.PIPE, stderr=subprocess.STDOUT,
        env={**os.environ, "LC_ALL": "C"},
    )  # fmt: skip
    pieces: queue.SimpleQueue[bytes] = queue.SimpleQueue()

    def read() -> None:
        assert process.stdout is not None
        while piece := os.read(process.stdout.fileno(), 4096):
            pieces.put(piece)
        pieces.put(b"")

    reader = threading.Thread(target=read, daemon=True)
    reader.start()
    said = ""
    at: tuple[str, float] | None = None
    begun_s = moved_s = time.monotonic()
    try:
        while time.monotonic() < min(begun_s + LIMIT_S, moved_s + QUIET_S):
            now = progress_in(said)
            if now != at:
                if at is not None and now[0] != at[0]:
                    tell(at[0], 1.0)
                at, moved_s = now, time.monotonic()
                tell(*at)
            try:
                piece = pieces.get(timeout=0.1)
            except queue.Empty:
                continue
            if not piece:
                code = process.wait()
                if code == 0 and at is not None:
                    tell(at[0], 1.0)
                return code, said
            said = (said + piece.decode("utf-8", "replace"))[-SAID_MAX:]
        return None, said
    finally:
        if process.poll() is None:
            process.kill()
        process.wait()
        reader.join()
        assert process.stdout is not None
        process.stdout.close()


def _failure(port: str, recipe: Recipe, said: str, *, ended: bool) -> ReedproofError:
    """What went wrong, from what avrdude 6 to 8 say, and what to do about it."""
    doing, part = progress_in(said)
    low = said.lower()
    where = f" at {part:.0%} of {doing}" if doing != "connecting" else ""
    again = "then flash it again: its loader is untouched"
    signature = re.search(r"signature = (?:0x)?((?:[0-9a-f]{2} ?){3})", low)
    if not is_there(port):
        return LineLost(f"{port}: the board was unplugged{where}; plug it in, {again}")
    if "permission denied" in low:
        return LineError(f"{port}: you may not open this port; join the group that owns it (often 'dialout')")
    if "resource busy" in low or "access is denied" in low:
        return PortBusy(f"{port}: another program has this port open; close it, {again}")
    if "expected signature" in low and signature:
        name = signature[1].replace(" ", "")
        chip = CHIPS.get(name, f"an unknown one ({name})")
        return WrongChip(f"{port}: the chip is that of {chip}; nothing was written; choose another --board")
    if "mismatch" in low or "verification error" in low:
        return LineError(
            f"{port}: what was read back is not what was written; try another cable and no hub, {again}"
        )
    if doing != "connecting":
        return LineError(
            f"{port}: the transfer broke off{where}; check the cable, close what else may use the port, "
            f"{again}"
        )
    if ended or "not in sync" in low or "timeout" in low or "not responding" in low:
        return NoAnswer(f"{port}: no loader answers at {recipe.baud} baud; {recipe.advice}")
    # Lines that a virtual serial port (of a virtual machine, say) cannot set are none of the reasons.
    complaints = [line for line in said.splitlines() if "error" in line.lower() and "ioctl" not in line]
    return LineError(f"{port}: avrdude says: {(complaints or ['nothing'])[0].strip()}")
