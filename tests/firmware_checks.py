"""What boards of every family have to do, asked of the real firmware in a simulator."""

from __future__ import annotations

import random
from collections.abc import Callable
from pathlib import Path

from reedproof import records, wire
from reedproof.records import (
    Acknowledge,
    BoardSettings,
    Broke,
    GetSettings,
    Heartbeat,
    InputSettings,
    Made,
    NameBoard,
    SayHello,
    Selftest,
    SelftestResult,
    SetBoard,
    SetInput,
    SetTrace,
    Status,
    TraceEdges,
    Verdict,
)
from reedproof.sim.core import Device
from reedproof.trace import BounceTest
from reedproof.trace_reader import read_bounce_recording
from simulated_board import RECORDS, SAMPLE_US, SimulatedBoard

# Not to be reached by tests that make many edges on purpose.
CALM = SetBoard(stuck_ms=60_000, silent_ms=600_000, traffic=0, chatter_edges=254)
SETTINGS_STORED_US = 600_000  # 145 bytes of 3.4 ms for 32 inputs


# ---- closures


def bouncing_closure(start_us: float, input_: int) -> list[tuple[float, int, bool]]:
    """Two bounces while making, one while breaking; closed from 0 to 30 ms."""
    offsets_us = [0, 200, 400, 700, 900, 30_000, 30_300, 30_500]
    return [(start_us + offset, input_, i % 2 == 0) for i, offset in enumerate(offsets_us)]


def check_bouncing_closures(board: SimulatedBoard, late_us: float) -> None:
    """One closure on every input of a board that has been greeted: which input, when (no later than
    ``late_us`` after the edge) and how it bounced."""

    def is_on_time(reported_us: float, edge_us: float) -> bool:
        return -1 <= reported_us - edge_us <= late_us

    starts_us = {number: board.now_us + 1000 + number * 3337.25 for number in range(1, board.inputs + 1)}
    for number, start_us in starts_us.items():
        board.play(bouncing_closure(start_us, number))
    board.run_us(60_000 + board.inputs * 3400)
    for number, start_us in starts_us.items():
        made, broke = (record for record in board.stored if record.input == number)
        assert isinstance(made, Made)
        assert is_on_time(made.time_us, start_us)
        assert made.bounces == 2
        assert 140 <= made.gap_us <= 250  # widths round down by up to a 16th
        assert 810 <= made.settle_us <= 950
        assert isinstance(broke, Broke)
        assert is_on_time(broke.time_us, start_us + 30_000)
        assert (broke.bounces, broke.dropouts) == (1, 0)
        assert broke.duration_ms in (29, 30)  # rounded down
    beats = board.counters()
    assert {beat.edges for beat in beats.values()} == {8}
    counts = {(beat.closures, beat.lost, beat.blips, beat.dropouts) for beat in beats.values()}
    assert counts == {(1, 0, 0, 0)}
    board.check_ledger()


def one_closure(board: SimulatedBoard, input_: int = 1) -> None:
    """20 ms, and the time it takes to count."""
    start_us = board.now_us + 100
    board.play([(start_us, input_, True), (start_us + 20_000, input_, False)])
    board.run_us(36_000)


# ---- lamp


def lamp_by_time(board: SimulatedBoard, duration_us: int) -> list[int]:
    """The lamp every 5 ms."""
    levels = []
    for _ in range(duration_us // 5000):
        board.run_us(5000)
        levels.append(board.lamp)
    return levels


# ---- settings


def settings_of(board: SimulatedBoard) -> tuple[BoardSettings, dict[int, InputSettings]]:
    board.messages()
    assert board.command(GetSettings()) == Status.DONE
    board.until(InputSettings, input=board.inputs)
    found = board.received((BoardSettings, InputSettings))
    assert isinstance(found[0], BoardSettings)
    return found[0], {settings.input: settings for settings in found[1:]}


BOARD_DEFAULTS = BoardSettings(stuck_ms=60_000, silent_ms=600_000, traffic=20, chatter_edges=95)


def change_settings(board: SimulatedBoard) -> None:
    assert board.command(SetInput(0, 1500, 20_000)) == Status.DONE
    assert board.command(SetInput(3, 700, 5000)) == Status.DONE
    assert board.command(SetBoard(1234, 70_000, 9, 88)) == Status.DONE
    assert board.command(NameBoard(0xCAFE0042)) == Status.DONE
    board.run_us(SETTINGS_STORED_US)


def check_changed_settings(board: SimulatedBoard) -> None:
    common, inputs = settings_of(board)
    assert common == BoardSettings(1234, 70_000, 9, 88)
    assert inputs.pop(3) == InputSettings(3, 700, 5000)
    assert {(one.make_us, one.break_us) for one in inputs.values()} == {(1500, 20_000)}


def check_settings_survive(board: SimulatedBoard, with_its_memory: Callable[[], SimulatedBoard]) -> None:
    """Resets, power cycles, and a move of the memory to another chip, which the call returns."""
    assert board.greet().settings_defaulted
    change_settings(board)
    check_changed_settings(board)
    for cause in ("external", "power_on"):
        board.reset(cause)
        hello = board.greet()
        assert not hello.settings_defaulted
        assert hello.board == 0xCAFE0042
        check_changed_settings(board)
    other_chip = with_its_memory()
    assert not other_chip.greet().settings_defaulted
    check_changed_settings(other_chip)


def check_settings_take_effect(board: SimulatedBoard) -> None:
    board.greet()
    assert board.command(SetInput(2, 4000, 6000)) == Status.DONE
    start_us = board.now_us + 100
    board.play((start_us + after, number, after == 0) for number in (1, 2) for after in (0, 3000))
    board.run_us(30_000)
    assert {record.input for record in board.stored} == {1}
    assert board.counters()[2].blips == 1


# ---- electrical self-test


def selftest(board: SimulatedBoard) -> dict[int, SelftestResult]:
    board.messages()
    assert board.command(Selftest()) == Status.DONE
    board.until(SelftestResult, input=board.inputs)
    board.run_us(5000)
    results = board.received(SelftestResult)
    assert [result.input for result in results] == list(range(1, board.inputs + 1))
    return {result.input: result for result in results}


def check_selftest(board: SimulatedBoard, **odd: tuple[Verdict, tuple[int, ...]]) -> None:
    """All inputs are good but those named in_N; nothing was ever driven against something else."""
    expected = {number: (Verdict.GOOD, ()) for number in range(1, board.inputs + 1)}
    expected |= {int(name.removeprefix("in_")): verdict for name, verdict in odd.items()}
    results = selftest(board)
    assert {number: (result.verdict, result.partners) for number, result in results.items()} == expected
    assert board.simulator.contentions == 0


def check_counting_goes_on(board: SimulatedBoard, *inputs: int) -> None:
    board.acknowledge = True
    before = board.counters()
    for number in inputs:
        one_closure(board, number)
    after = board.counters()
    for number in inputs:
        assert after[number].closures == before[number].closures + 1
        assert after[number].edges == before[number].edges + 2
    board.check_ledger()


# ---- the C core on the chip and the C core on the computer decide the same
#
# The board reports its raw edges with the times it gave them (trace messages); the core is fed exactly these.
# What differs then is a fault of the compiler, of the chip's code, or of the simulator.

PHASE_US = 21.3  # of the edges against whole sampling periods, which begin at an unknown phase themselves
LATE_US = SAMPLE_US + 5
COUNTS = ("edges", "closures", "lost", "blips", "dropouts", "longest_blip_us", "longest_dropout_us")


def random_trace(seed: int, inputs: list[int], start_us: float) -> list[tuple[float, int, bool]]:
    """Closures with bounces, blips and dropouts, all overlapping; every input ends open."""
    chance = random.Random(seed)
    edges = []
    for number in inputs:
        at = chance.randrange(400)
        for _ in range(14):
            # Widths in sampling periods; 1 ms (20) makes and 10 ms (200) breaks a closure.
            widths = chance.choices((3, 5, 7, 9, 19, 22, 60, 190, 230, 500), k=chance.randrange(1, 8))
            closed = True
            for width in widths + [40] * (len(widths) % 2 == 0):
                edges.append((start_us + at * SAMPLE_US + PHASE_US, number, closed))
                at, closed = at + width, not closed
            edges.append((start_us + at * SAMPLE_US + PHASE_US, number, False))
            at += chance.choice((3, 150, 400, 1500))
    return sorted(edges)


class CoreHost:
    """The core on this computer, and a host that acknowledges at once."""

    def __init__(self, inputs: int, now_us: int) -> None:
        self.device = Device(inputs=inputs, now_us=now_us)
        self.decoder = wire.Decoder()
        self.records: list[object] = []
        self.beats: dict[int, Heartbeat] = {}
        self.say(now_us, SayHello())
        self.say(now_us, CALM)

    def say(self, now_us: int, command: records.Command) -> None:
        self.device.receive(now_us, wire.encode_command(command, 0))
        self.listen(now_us)

    def listen(self, now_us: int) -> None:
        while data := self.device.transmit():
            for message in self.decoder.feed(data):
                if isinstance(message, RECORDS):
                    self.records.append(message)
                    self.say(now_us, Acknowledge(self.device.boot, message.number + 1))
                elif isinstance(message, Heartbeat):
                    self.beats[message.input] = message

    def sample(self, time_us: int, levels: int) -> None:
        self.device.sample(time_us, levels)
        self.listen(time_us)

    def wait(self, from_us: int, to_us: int) -> None:
        for now_us in range(from_us, to_us, 1000):
            self.device.poll(now_us)
            self.listen(now_us)


def check_same_as_core(board: SimulatedBoard, seed: int) -> None:
    """`board` acknowledges and was not greeted yet."""
    print(f"seed {seed}")
    board.greet()
    board.command(CALM)
    board.run_us(400_000)  # until the settings are stored
    board.command(SetTrace((1 << board.inputs) - 1))
    board.messages()
    # Four inputs at a time: more edges than a trace can carry would be lost, with notice.
    inputs = random.Random(seed).sample(range(1, board.inputs + 1), 4)
    driven = random_trace(seed, inputs, board.now_us + 1000)
    core = CoreHost(board.inputs, round(board.now_us))
    board.play(driven)
    board.run_to(driven[-1][0] + 30_000)
    batches = board.received(TraceEdges)
    assert batches[-1].lost == 0
    seen = [edge for batch in batches for edge in batch.edges]

    levels, end_us = 0, 0
    by_time: dict[int, int] = {}
    for time_us, number, closed in seen:
        assert closed != bool(levels >> (number - 1) & 1)
        levels ^= 1 << (number - 1)
        by_time[time_us] = levels
    for time_us, changed in by_time.items():
        core.sample(time_us, changed)
        end_us = time_us
    core.wait(end_us, end_us + board.inputs * 40_000 + 100_000)

    def decided(records_: list[object], number: int) -> list[object]:
        """Without the record's number: inputs that are due within one turn of the loop may swap."""
        return [
            tuple(getattr(record, name) for name in record.__slots__ if name != "number")  # type: ignore[attr-defined]
            for record in records_
            if isinstance(record, (Made, Broke)) and record.input == number
        ]

    beats = board.counters()
    for number in inputs:
        edges = [edge for edge in driven if edge[1] == number]
        reported = [edge for edge in seen if edge[1] == number]
        assert [closed for _, _, closed in reported] == [closed for _, _, closed in edges]
        assert all(-1 <= late[0] - early[0] <= LATE_US for late, early in zip(reported, edges, strict=True))
        assert decided(board.stored, number) == decided(core.records, number)
        assert len(decided(board.stored, number)) > 5
        for name in COUNTS:
            assert getattr(beats[number], name) == getattr(core.beats[number], name), (number, name)
    assert len(board.stored) == len(core.records)
    board.check_ledger()


# ---- a recorded contact, replayed to the real binary edge by edge at the times of the recording

RECORDING = Path(__file__).resolve().parent / "golden" / "rocker-bounce.csv"

# One test a second and input: more would be chatter.
SPACING_US = 1_050_000

# The one release in which the contact really closed again, for tens of milliseconds.
REALLY_CLOSED_AGAIN = 102


def edges_of(test: BounceTest, start_us: float, input_: int) -> list[tuple[float, int, bool]]:
    """From the level before the test on; rows that repeat a level say nothing."""
    was_closed = test.transition == "release"
    edges = []
    for time_ns, closed in zip(test.times_ns.tolist(), test.closed.tolist(), strict=True):
        if bool(closed) != was_closed:
            was_closed = not was_closed
            edges.append((start_us + time_ns / 1000, input_, was_closed))
    return edges


def check_recorded_switch(board: SimulatedBoard) -> None:
    """Every press closes once, every release opens once. `board` acknowledges and was not greeted yet."""
    tests = read_bounce_recording(RECORDING)
    presses = [test for test in tests if test.transition == "press"]
    releases = [test for test in tests if test.transition == "release"]
    assert len(presses) == len(releases) == 55
    board.greet()
    begin_us = board.now_us + 10_000
    places: dict[tuple[int, int], BounceTest] = {}  # (input, turn)
    for i, (press, release) in enumerate(zip(presses, releases, strict=True)):
        number, pair = i % board.inputs + 1, i // board.inputs
        places[number, 2 * pair] = press
        places[number, 2 * pair + 1] = release

    # Inputs start one after the other, so that their bounces meet in ever other ways.
    def start_us(number: int, turn: int) -> float:
        return begin_us + turn * SPACING_US + number * 7013.3

    for (number, turn), test in places.items():
        board.play(edges_of(test, start_us(number, turn), number))
    board.run_to(start_us(board.inputs, max(turn for _, turn in places) + 1))

    found: dict[int, list[type]] = {test.test: [] for test in tests}
    for record in board.stored:
        turn = int((record.time_us - start_us(record.input, 0) + 1) // SPACING_US)
        found[places[record.input, turn].test].append(type(record))
    expected: dict[int, list[type]] = {
        test.test: [Made] if test.transition == "press" else [Broke] for test in tests
    }
    expected[REALLY_CLOSED_AGAIN] = [Broke, Made, Broke]
    assert found == expected
    assert board.counters()[1].snapshots_lost == 0
    board.check_ledger()
