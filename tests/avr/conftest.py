"""Boards that run the real firmware, in the simulator."""

from __future__ import annotations

import subprocess
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from avr_board import ROOT, AvrBoard

MakeBoard = Callable[..., AvrBoard]


@pytest.fixture
def make_board() -> Iterator[MakeBoard]:
    """Makes boards as AvrBoard does; at the end the rig's books must balance."""
    made: list[AvrBoard] = []

    def make(*arguments: object, **options: object) -> AvrBoard:
        made.append(AvrBoard(*arguments, **options))  # type: ignore[arg-type]
        return made[-1]

    yield make
    for board in made:
        board.close()


@pytest.fixture(scope="session")
def trapdoor_elf(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The Nano's firmware and trapdoor.c, which makes it hang when pin C5 changes."""
    folder = tmp_path_factory.mktemp("trapdoor")
    firmware = ROOT / "firmware"
    sources = [
        firmware / "main.c",
        *sorted(firmware.glob("core/*.c")),
        *sorted(firmware.glob("boards/avr/*.[cS]")),
        Path(__file__).with_name("firmware_trapdoor") / "trapdoor.c",
    ]
    elf = folder / "nano.elf"
    names = " ".join(str(source) for source in sources)
    make = ["make", "--no-print-directory", f"BUILD={folder}", f"AVR_SOURCES={names}", str(elf)]
    subprocess.run(make, cwd=ROOT, check=True, capture_output=True)
    return elf
