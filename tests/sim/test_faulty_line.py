"""The faulty line does what it says and nothing else."""

from __future__ import annotations

from collections import Counter

import pytest

from reedproof.errors import LineLost
from reedproof.sim.faulty_line import FaultyLine, LineFaults

DATA = bytes(range(256)) * 80
RATE = 0.02


class Echo:
    """Implements Transport: gives out DATA and remembers what it is given."""

    name = "echo"
    is_simulated = True

    def __init__(self) -> None:
        self.left = DATA
        self.written = b""
        self.closed = False

    def read(self, _timeout_s: float) -> bytes:
        data, self.left = self.left[:100], self.left[100:]
        return data

    def write(self, data: bytes) -> None:
        self.written += data

    def close(self) -> None:
        self.closed = True

    def now_s(self) -> float:
        return 12.5


def read_all(line: FaultyLine) -> bytes:
    data = b""
    while piece := line.read(0.1):
        data += piece
    return data


def through(faults: LineFaults, seed: int = 1) -> bytes:
    """What is left of DATA; the same for what is read and what is written."""
    print(f"seed {seed}")
    read = read_all(FaultyLine(Echo(), faults, seed))
    echo = Echo()
    FaultyLine(echo, faults, seed).write(DATA)
    assert echo.written == read
    return read


def expected(count: int) -> object:
    """A count of rare events, within five standard deviations."""
    return pytest.approx(count, abs=5 * count**0.5)


def test_without_faults_it_is_a_line() -> None:
    assert through(LineFaults()) == DATA
    line = FaultyLine(Echo(), LineFaults(), 1)
    assert (line.name, line.is_simulated, line.now_s()) == ("echo", True, 12.5)


def test_flips_change_one_bit_and_no_length() -> None:
    found = through(LineFaults(flip=RATE))
    assert len(found) == len(DATA)
    changes = Counter((a ^ b).bit_count() for a, b in zip(DATA, found, strict=True))
    assert set(changes) == {0, 1}
    assert changes[1] == expected(round(RATE * len(DATA)))
    bits = Counter(a ^ b for a, b in zip(DATA, found, strict=True) if a != b)
    assert set(bits) == {1 << bit for bit in range(8)}


def test_drops_only_take_away() -> None:
    found = through(LineFaults(drop=RATE))
    assert len(DATA) - len(found) == expected(round(RATE * len(DATA)))
    rest = iter(DATA)
    assert all(byte in rest for byte in found)  # in order


def test_repeats_are_of_the_byte_before() -> None:
    found = through(LineFaults(repeat=RATE))
    assert len(found) - len(DATA) == expected(round(RATE * len(DATA)))
    assert bytes(b for a, b in zip(b"\xff" + found, found, strict=False) if a != b) == DATA


def test_inserts_only_add() -> None:
    found = through(LineFaults(insert=RATE))
    assert len(found) - len(DATA) == expected(round(RATE * len(DATA)))
    rest = iter(found)
    assert all(byte in rest for byte in DATA)


def test_a_seed_gives_the_same_damage_again_and_another_seed_another() -> None:
    faults = LineFaults(flip=RATE, drop=RATE, repeat=RATE, insert=RATE)
    assert through(faults, 1) == through(faults, 1) != through(faults, 2)


@pytest.mark.parametrize("after", [0, 1, 99, 100, 101, 250])
def test_it_is_unplugged_after_exactly_so_many_bytes_read(after: int) -> None:
    echo = Echo()
    line = FaultyLine(echo, LineFaults(unplug_after=after), 1)
    data = b""
    with pytest.raises(LineLost, match="unplugged"):  # noqa: PT012 - it is the reads before that count
        while True:
            data += line.read(0.1)
    assert data == DATA[:after]
    assert echo.closed
    with pytest.raises(LineLost):
        line.write(b"x")
    assert echo.written == b""


@pytest.mark.parametrize("after", [0, 1, 9, 10, 11, 25])
def test_it_is_unplugged_after_exactly_so_many_bytes_written(after: int) -> None:
    echo = Echo()
    line = FaultyLine(echo, LineFaults(unplug_after=after), 1)
    with pytest.raises(LineLost, match="unplugged"):  # noqa: PT012 - it is the writes before that count
        for at in range(0, 100, 10):
            line.write(DATA[at : at + 10])
    assert echo.written == DATA[:after]


def test_reading_and_writing_count_together() -> None:
    echo = Echo()
    line = FaultyLine(echo, LineFaults(unplug_after=103), 1)
    line.read(0.1)
    line.write(b"abcdef")
    assert echo.written == b"abc"
    with pytest.raises(LineLost):
        line.read(0.1)


def test_closing_closes_the_line_behind() -> None:
    echo = Echo()
    FaultyLine(echo, LineFaults(), 1).close()
    assert echo.closed
