"""A Pico that runs one build of the real firmware, and then the image that was copied to its drive.

The loader is in the chip's ROM, which the emulator does not run: a folder stands in for its drive.
"""

from __future__ import annotations

import struct
from collections.abc import Iterator
from pathlib import Path

import pytest
from emulator import PicoEmulator
from pico_board import BEGUN
from test_link import EmulatedLine

from reedproof import flash as flashing
from reedproof import uf2
from reedproof.firmware_image import packaged
from reedproof.link import Link
from reedproof.pico_drive import Drive
from reedproof.records import BoardKind, SetBoard, SetInput

PICO = packaged(BoardKind.PICO)
OLD_BUILD = 0x0BADF00D


@pytest.fixture
def made() -> Iterator[list[PicoEmulator]]:
    emulators: list[PicoEmulator] = []
    yield emulators
    for emulator in emulators:
        emulator.close()


def test_settings_and_board_id_outlive_the_update(
    made: list[PicoEmulator], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    start, memory = uf2.decode(PICO.file.read_bytes())
    older = memory.replace(struct.pack("<IB", PICO.build, 4), struct.pack("<IB", OLD_BUILD, 4))
    (tmp_path / "older.uf2").write_bytes(uf2.encode(older, start))
    made.append(PicoEmulator(tmp_path / "older.uf2", flash=BEGUN))
    with Link(lambda: EmulatedLine(made[0])) as link:
        assert link.hello.build == OLD_BUILD
        link.name_board(0xFE42)
        link.obey(SetBoard(50_000, 0, 30, 100))
        link.obey(SetInput(26, 1500, 7000))
        wanted = link.settings()
        made[0].run(made[0].cycle + 1_000_000_000)

    drive = tmp_path / "RPI-RP2"
    drive.mkdir()
    monkeypatch.setattr(
        flashing, "pico_ports", lambda: ["/dev/ttyACM0"] if (drive / "pico.uf2").exists() else []
    )

    def connect(_: str) -> EmulatedLine:
        made.append(PicoEmulator(drive / "pico.uf2", flash=made[0].nv))
        return EmulatedLine(made[-1])

    told: list[tuple[str, float]] = []
    port, after = flashing.flash_drive(connect, Drive(drive, ""), PICO, lambda *step: told.append(step))
    assert port == "/dev/ttyACM0"
    assert (after.hello.build, after.hello.kind) == (PICO.build, BoardKind.PICO)
    assert (after.hello.board, after.settings) == (0xFE42, wanted)
    assert after.hello.boot == 1 + link.hello.boot
    assert [step for step in told if step[1] == 1.0] == [("writing", 1.0), ("starting", 1.0)]
