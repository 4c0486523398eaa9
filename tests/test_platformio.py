"""platformio.ini builds what the Makefile builds: same sources, flags and macros.

PlatformIO itself does not build here, because its package registry may be out of reach.
"""

from __future__ import annotations

import fnmatch
import json
import re
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[1]
Config = dict[str, dict[str, str]]

BOARDS = ("nano", "uno", "mega", "pico")
AVRS = {"nano": "atmega328p", "uno": "atmega328p", "mega": "atmega2560"}
#: From PlatformIO's published board list (from memory): the chip behind each board id.
CHIPS = {"nanoatmega328new": "atmega328p", "uno": "atmega328p", "megaatmega2560": "atmega2560"}


@pytest.fixture(scope="module")
def config() -> Config:
    pio = Path(sys.executable).with_name("pio")
    done = subprocess.run(
        [str(pio if pio.exists() else shutil.which("pio")), "project", "config", "--json-output"],
        cwd=ROOT, capture_output=True, text=True, check=True, timeout=60,
    )  # fmt: skip
    return {
        section: {
            name: "\n".join(value) if isinstance(value, list) else str(value) for name, value in options
        }
        for section, options in json.loads(done.stdout)
    }


def make_command(board: str) -> list[str]:
    """The compiler call of the Makefile, without running it."""
    done = subprocess.run(
        ["make", "--no-print-directory", "--always-make", "--dry-run", f"build/{board}.elf"],
        cwd=ROOT, capture_output=True, text=True, check=True,
    )  # fmt: skip
    text = done.stdout.replace("\\\n", " ")
    line = next(line for line in text.splitlines() if line.startswith(("avr-gcc", "arm-none-eabi-gcc")))
    return line.split()


def pio_flags(config: Config, board: str) -> list[str]:
    flags = config[f"env:{board}"]["build_flags"]
    return re.sub(r"!python3 firmware/build_id.py", "$(python3 firmware/build_id.py)", flags).split()


@pytest.mark.parametrize("board", BOARDS)
def test_flags_and_macros_are_the_same(config: Config, board: str) -> None:
    command = make_command(board)
    flags = {word for word in command if word.startswith("-")} - {"-o"}
    if board in AVRS:
        flags -= {f"-mmcu={AVRS[board]}", "-DF_CPU=16000000UL"}  # PlatformIO gives these by the board id
    else:
        assert '"-nostartfiles"' in (ROOT / config["env:pico"]["extra_scripts"]).read_text()
        flags.remove("-nostartfiles")
    assert {flag for flag in pio_flags(config, board) if flag.startswith("-")} == flags
    assert "$(python3 firmware/build_id.py)" in " ".join(command)
    assert "$(python3 firmware/build_id.py)" in " ".join(pio_flags(config, board))


@pytest.mark.parametrize("board", BOARDS)
def test_sources_are_the_same(config: Config, board: str) -> None:
    words = config[f"env:{board}"]["build_src_filter"].split()
    assert words[0] == "-<*>"
    patterns = [word.removeprefix("+<").removesuffix(">") for word in words[1:]]
    firmware = Path(config["platformio"]["src_dir"])
    chosen = {
        path.relative_to(ROOT).as_posix()
        for path in firmware.rglob("*.[cS]")
        for pattern in patterns
        if fnmatch.fnmatch(
            path.relative_to(firmware).as_posix(), pattern + ("*" if pattern.endswith("/") else "")
        )
    }
    assert chosen == {word for word in make_command(board) if word.endswith((".c", ".S"))}


@pytest.mark.parametrize("board", AVRS)
def test_chip_and_clock(config: Config, board: str) -> None:
    section = config[f"env:{board}"]
    assert CHIPS[section["board"]] == AVRS[board]
    assert section["board_build.f_cpu"] == "16000000L"
    assert section["platform"] == "atmelavr"


def test_the_pico_is_bare_metal(config: Config) -> None:
    section = config["env:pico"]
    assert (section["platform"], section["board"]) == ("raspberrypi", "pico")
    assert "framework" not in section
