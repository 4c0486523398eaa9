"""The host library and the real Pico binary, over the emulator's USB."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
from emulator import PicoEmulator
from pico_board import BEGUN, PINS, built

from reedproof.layout import pin_name
from reedproof.link import Link
from reedproof.recorder import Recorder
from reedproof.records import BoardKind, Heartbeat, SetInput, Verdict
from reedproof.store import Store


class EmulatedLine:
    """Implements Transport; time passes while somebody reads."""

    name = "pico"
    is_simulated = True

    def __init__(self, emulator: PicoEmulator) -> None:
        self.emulator = emulator

    def read(self, timeout_s: float) -> bytes:
        end = self.emulator.cycle + round(timeout_s * 1e9)
        while not (data := bytes(byte for _, byte in self.emulator.output())) and self.emulator.cycle < end:
            self.emulator.run(min(self.emulator.cycle + 2_000_000, end))
        return data

    def write(self, data: bytes) -> None:
        self.emulator.send(data)

    def close(self) -> None:
        pass

    def now_s(self) -> float:
        return self.emulator.cycle / 1e9


@pytest.fixture
def emulator() -> Iterator[PicoEmulator]:
    emulator = PicoEmulator(built(), flash=BEGUN)
    yield emulator
    emulator.close()


def test_proves_itself_and_is_recorded(emulator: PicoEmulator, tmp_path: Path) -> None:
    with Link(lambda: EmulatedLine(emulator)) as link, Store(tmp_path / "store.sqlite") as store:
        assert (link.hello.kind, link.hello.inputs) == (BoardKind.PICO, 26)
        link.name_board(0x1234)
        link.obey(SetInput(3, 2000, 12_000))
        assert link.settings()[1][3].make_us == 2000
        results = link.selftest()
        assert {number: result.verdict for number, result in results.items()} == dict.fromkeys(
            range(1, 27), Verdict.GOOD
        )
        recorder = Recorder(link, store)
        start = emulator.cycle + 1_000_000
        emulator.drive_many(
            (start + turn * 40_000_000 + number * 1_000_000 + after, *pin, level)
            for turn in range(3)
            for number, pin in enumerate(PINS)
            for after, level in ((0, 0), (8_000_000, None))
        )
        beats: list[Heartbeat] = []
        while emulator.cycle < start + 1_200_000_000:
            beats += [event for event in recorder.pump(0.05) if isinstance(event, Heartbeat)]
        assert store.closures_of_boot(recorder.boot_id) == dict.fromkeys(range(1, 27), 3)
        assert {beat.closures for beat in beats[-26:]} == {3}
        assert {beat.lost for beat in beats} == {0}


def test_pins_are_those_of_the_board() -> None:
    assert [pin_name("pico", number) for number in range(1, 27)] == [f"GP{pin}" for _, pin in PINS]
