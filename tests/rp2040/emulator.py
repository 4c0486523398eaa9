"""The Pico emulator as a program of node's, spoken to in lines of JSON; see emulator/board.mjs.

The tools come from npm (all MIT) into build/emulator when a test first needs them. A cycle is a nanosecond.
"""

from __future__ import annotations

import atexit
import base64
import fcntl
import json
import shutil
import subprocess
import sys
from collections.abc import Iterable
from pathlib import Path
from typing import Any

ROOT = Path(__file__).resolve().parents[2]
PROGRAMS = Path(__file__).with_name("emulator")
TOOLS = ROOT / "build" / "emulator"

NV_BYTES = 8192  # of flash, at its end
FLASH_ID = bytes.fromhex("E6605481DB1C2F3A")
RANDOM_SEED = 2040  # for what power-on finds in RAM, and for what a cut leaves of a write


class EmulatorError(RuntimeError):
    """The firmware did what the chip would not forgive, or the emulator gave up."""


def tools() -> Path:
    """The folder with the emulator, installed when it is missing or another version is asked for."""
    TOOLS.mkdir(parents=True, exist_ok=True)
    with (TOOLS / "lock").open("w") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)
        wanted = PROGRAMS / "package.json"
        installed = TOOLS / "package.json"
        if not installed.exists() or installed.read_text() != wanted.read_text():
            subprocess.run([ROOT / "tools" / "packages.sh", "pico"], check=True)
            shutil.copy(wanted, TOOLS / "wanted.json")
            (TOOLS / "package.json").unlink(missing_ok=True)
            words = json.loads(wanted.read_text())["dependencies"]
            packages = [f"{name}@{version}" for name, version in words.items()]
            subprocess.run(
                ["npm", "install", "--no-audit", "--no-fund", "--no-save", "--prefix", str(TOOLS), *packages],
                check=True, capture_output=True, timeout=120,
            )  # fmt: skip
            shutil.move(TOOLS / "wanted.json", installed)
    return TOOLS


#: Programs whose board is not needed any more: the next one gets it warmed up.
_idle: list[subprocess.Popen[str]] = []


@atexit.register
def _end_idle() -> None:
    for node in _idle:
        assert node.stdin is not None
        node.stdin.close()
        node.wait(10)


def _new_node() -> subprocess.Popen[str]:
    """Ends with its input."""
    return subprocess.Popen(
        ["node", str(PROGRAMS / "board.mjs"), str(tools())],
        stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True,
    )  # fmt: skip


class PicoEmulator:
    """A Pico with an image in its flash, powered at cycle 0; the counterpart of the AVR rig's Simulator.

    flash    what its last NV_BYTES hold, e.g. `emulator.nv` of another one
    leak_us  how long an open line keeps its charge. None: for ever

    Every call raises EmulatorError when the firmware does what the real chip would not forgive.
    """

    frequency_hz = 1_000_000_000

    def __init__(self, image: Path, *, flash: bytes, leak_us: float | None = 100) -> None:
        self._node = _idle.pop() if _idle else _new_node()
        self._output: list[tuple[int, int]] = []
        self._events: list[list[Any]] = []
        self._drives_given = self._bytes_taken = 0
        self.cycle = 0
        self._ask(
            "boot",
            image=base64.b64encode(image.read_bytes()).decode(),
            flash=base64.b64encode(flash).decode(),
            leakUs=leak_us,
            seed=RANDOM_SEED,
            id=list(FLASH_ID),
        )

    def close(self) -> None:
        _idle.append(self._node)

    def _ask(self, command: str, **given: Any) -> dict[str, Any]:
        assert self._node.stdin is not None
        assert self._node.stdout is not None
        self._node.stdin.write(json.dumps({"command": command, **given}) + "\n")
        self._node.stdin.flush()
        line = self._node.stdout.readline()
        if not line:
            raise EmulatorError(f"node ended with {self._node.wait(10)}; its messages are above")
        answer: dict[str, Any] = json.loads(line)
        if "error" in answer:
            raise EmulatorError(answer["error"])
        self.cycle = answer["nowNs"]
        self._output += [(cycle, byte) for cycle, byte in answer["output"]]
        self._answer = answer
        return answer

    def _hand_over(self) -> None:
        if self._events:
            events, self._events = self._events, []
            self._ask("add", events=events)

    # ---- time

    def run(self, until_cycle: int) -> None:
        """Runs to a cycle, or to the end of the instruction that passes it."""
        self._hand_over()
        self._ask("run", untilNs=until_cycle)

    def reset(self, cause: str) -> None:
        """Causes are power_on, brown_out (both cut what the flash was writing), external, and loader: what
        the boot ROM does after it was given an image."""
        self._hand_over()
        self._ask("reset", cause=cause)

    def hang(self, address: int) -> None:
        """The program goes no further than this address."""
        self._ask("hang", address=address)

    @property
    def resets(self) -> int:
        return int(self._answer["counters"]["resets"])

    # ---- pins

    def drive(self, port: str, bit: int, level: int | None, at_cycle: int | None = None) -> None:
        self.drive_many([(self.cycle if at_cycle is None else at_cycle, port, bit, level)])
        if at_cycle is None:
            self._hand_over()

    def drive_many(self, events: Iterable[tuple[int, str, int, int | None]]) -> None:
        """Schedules (cycle, "GP", pin, level) in bulk. ValueError if one is in the past."""
        for cycle, _, pin, level in events:
            if cycle < self.cycle:
                raise ValueError(f"cycle {cycle} has passed: it is {self.cycle}")
            self._events.append([cycle, "drive", pin, level])
            self._drives_given += 1

    def join(self, *pins: tuple[str, int]) -> None:
        self._ask("join", pins=[pin for _, pin in pins])

    def pin(self, port: str, bit: int) -> int:
        """Level on the pin's net."""
        assert port == "GP"
        return int(self._answer["levels"][bit])

    @property
    def contentions(self) -> int:
        return int(self._answer["counters"]["contentions"])

    # ---- line

    def send(self, data: bytes, at_cycle: int | None = None) -> None:
        """Hands bytes to the USB host, which passes them on as soon as the board takes them."""
        self._events.append([self.cycle if at_cycle is None else at_cycle, "send", list(data)])

    def output(self) -> list[tuple[int, int]]:
        """(cycle, byte) of what came since the last call; the cycle is that of its packet's end."""
        output, self._output = self._output, []
        self._bytes_taken += len(output)
        return output

    def tell_host(self, **told: bool) -> None:
        """ready=False: it resets the bus. reading=False: it does not fetch. restarts=True: clears halts."""
        self._ask("host", told=told)

    # ---- memory, books

    @property
    def nv(self) -> bytes:
        return base64.b64decode(self._ask("state")["flash"])

    @property
    def descriptors(self) -> dict[str, Any]:
        """What the USB host was told, once it has set up the port."""
        return dict(self._ask("state")["usb"])

    @property
    def erases(self) -> int:
        return int(self._answer["counters"]["erases"])

    def check(self) -> None:
        """Nothing that was put in or came out was lost by the emulator."""
        self._hand_over()
        state = self._ask("state")
        assert state["counters"]["drives"] + state["waiting"]["drives"] == self._drives_given
        assert state["counters"]["fromBoard"] == self._bytes_taken + len(self._output)


if __name__ == "__main__":
    print(tools(), file=sys.stderr)
