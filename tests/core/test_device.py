"""The whole board without its pins: what a host sees of it, over a good line and over a bad one."""

from __future__ import annotations

import random
import re
from collections import Counter
from collections.abc import Sequence

import pytest
from hypothesis import given
from hypothesis import strategies as st

from core import reference
from core.bench import MS, STEP_US, Bench, S
from reedproof import records, wire
from reedproof.records import (
    Broke,
    Command,
    Fault,
    FaultChange,
    Heartbeat,
    Lost,
    Made,
    Message,
    Reboot,
    Record,
    Reply,
    SayHello,
    SetInput,
    SetTrace,
    Status,
    TraceEdges,
)
from reedproof.sim import core_build
from reedproof.sim.core import Device
from strategies import ByteFault, byte_faults, commands, damaged, examples, random_faults

RING = core_build.RING
MAKE_US, BREAK_US = 1000, 10000
PROBE = records.TimeProbe(0)
EPOCH_US = 1 << 32


def connected(**options: object) -> Bench:
    bench = Bench(**options)
    bench.connect()
    bench.messages.clear()
    return bench


def records_of(bench: Bench) -> list[Record]:
    return [m for m in bench.messages if isinstance(m, Made | Broke | FaultChange | Lost)]


def typed(messages: Sequence[Message]) -> list[tuple[type, Message]]:
    """Named tuples of different types are equal when their values are."""
    return [(type(message), message) for message in messages]


# ---- who it is ----


def test_says_hello_once_unasked_and_nothing_else() -> None:
    bench = Bench(inputs=12, kind=2, build=0xC0FFEE01, sample_us=40, reset_cause=5, now_us=1234)
    bench.run(3 * S)
    assert typed(bench.messages) == typed(
        [
            records.Hello(1, 0xC0FFEE01, 2, 0, 1, 5, 12, 40, 1, 1234 + STEP_US, 0, 0, RING),
        ]
    )


def test_answers_hello() -> None:
    bench = connected(inputs=3)
    bench.closure(2)
    hello = bench.connect()
    assert (hello.inputs, hello.oldest, hello.next) == (3, 0, 2)
    assert hello.time_us == bench.now_us


def test_sequence_numbers_have_no_jumps() -> None:
    bench = connected()
    bench.run(10 * S, host=PROBE)
    assert bench.decoder.good > 300
    assert (bench.decoder.missed, bench.decoder.refused) == (0, 0)


def test_time_probe() -> None:
    bench = connected(now_us=EPOCH_US - 1000)
    bench.run(3 * S)
    bench.messages.clear()
    received_us = bench.now_us
    bench.send(records.TimeProbe(0xFEEDF00D))
    bench.now_us += 300
    bench.turn()
    assert bench.all(records.TimeReply) == [records.TimeReply(0xFEEDF00D, received_us, bench.now_us)]
    assert received_us > EPOCH_US


# ---- closures ----


def test_made_comes_before_the_contact_opens_and_broke_after() -> None:
    bench = connected()
    made_us = bench.now_us
    bench.level(7, True)
    bench.run(MAKE_US, step_us=100)
    assert bench.take(Made) == [Made(0, 7, made_us, 0, 0, 0)]  # at once: this is what stops the train
    bench.run(49 * MS)
    bench.level(7, False)
    bench.run(BREAK_US - 100, step_us=100)
    assert bench.take(Broke) == []
    bench.run(100)
    assert bench.take(Broke) == [
        Broke(1, 7, made_us + 50 * MS, 0, 0, records.width_value(records.width_code(50)))
    ]


def test_what_counts_is_told_in_time() -> None:
    """Whatever falls due on another input before: the board looks when the soonest of them is due."""
    bench = connected()
    bench.level(1, True)
    bench.run(400, step_us=100)
    bench.level(2, True)
    told_us = {}
    for _ in range(20):
        bench.run(100, step_us=100)
        told_us |= {made.input: bench.now_us - made.time_us for made in bench.take(Made)}
    assert told_us == {1: MAKE_US, 2: MAKE_US}


def test_bounces_and_dropouts_are_told() -> None:
    bench = connected()
    start_us = bench.now_us
    # each edge, by how long after the one before
    for i, after_us in enumerate([0, 100, 300, 9000, 1600, 20_000, 500, 700]):
        bench.run(after_us, step_us=50)
        bench.level(1, i % 2 == 0)
    bench.run(20 * MS)
    assert typed(records_of(bench)) == typed(
        [
            Made(0, 1, start_us, 1, 288, 400),  # widths are rounded down
            Broke(1, 1, start_us + 100 + 300 + 9000 + 1600 + 20_000, 1, 1, 31),
        ]
    )
    beat = [m for m in after(bench, 2 * S) if m.input == 1][-1]
    assert (beat.edges, beat.closures, beat.blips, beat.dropouts, beat.longest_dropout_us) == (
        8,
        1,
        0,
        1,
        1600,
    )


def after(bench: Bench, duration_us: int) -> list[Heartbeat]:
    """The heartbeats of some more time."""
    bench.messages.clear()
    bench.run(duration_us, host=PROBE)
    return bench.all(Heartbeat)


def test_blips_are_counted_with_the_longest() -> None:
    bench = connected(inputs=1)
    for width_us in (300, 900, 100):
        bench.level(1, True)
        bench.run(width_us, step_us=100)
        bench.level(1, False)
        bench.run(30 * MS)
    beat = after(bench, S)[-1]
    assert (beat.edges, beat.closures, beat.blips, beat.longest_blip_us) == (6, 0, 3, 896)


def test_levels_and_losses_ride_in_the_heartbeat() -> None:
    bench = connected(inputs=32)
    bench.level(32, True)
    bench.level(2, True)
    bench.device.note_lost_snapshots(517)
    bench.receive(b"\x05nonsense\0more\0\0")
    beat = after(bench, S)[-1]
    assert beat.levels == 1 << 31 | 1 << 1
    assert (beat.snapshots_lost, beat.frames_bad) == (517, 2)


def test_levels_beyond_the_inputs_are_ignored() -> None:
    bench = connected(inputs=3)
    bench.level(4, True)
    beat = after(bench, S)[-1]
    assert beat.levels == 0
    assert records_of(bench) == []


def test_heartbeats_name_all_32_inputs_about_once_a_second() -> None:
    bench = connected(inputs=32)
    beats = after(bench, S)
    assert [beat.input for beat in beats] == [1 + i % 32 for i in range(len(beats))]
    assert 31 <= len(beats) <= 33


def test_settings_per_input_hold() -> None:
    bench = connected()
    bench.do(records.SetInput(2, 5000, 50_000))
    bench.messages.clear()
    for number in (1, 2):
        bench.closure(number, 4000, 100 * MS)
    assert [record.input for record in bench.all(Made)] == [1]
    bench.closure(2, 6000, 40 * MS)
    bench.closure(2, 6000, 40 * MS)
    bench.run(20 * MS)
    assert [(type(r), r.input, r.number) for r in records_of(bench)][2:] == [(Made, 2, 2), (Broke, 2, 3)]


def test_settings_hold_for_the_train_at_hand() -> None:
    bench = connected()
    bench.do(records.SetInput(1, 1000, 60_000))
    bench.closure(1, rest_us=20 * MS)
    assert bench.all(Broke) == []
    bench.do(records.SetInput(1, 1000, 15_000))
    bench.run(2 * MS)
    assert len(bench.all(Broke)) == 1


# ---- acknowledging ----


def with_repeats() -> Bench:
    bench = connected()
    bench.drops_repeats = False
    return bench


def test_unacknowledged_records_are_sent_again_after_300_ms() -> None:
    bench = with_repeats()
    bench.closure(1)
    first = records_of(bench)
    assert [record.number for record in first] == [0, 1]
    bench.messages.clear()
    # Progress ends with the broke record, at most 20 ms ago.
    bench.run(280 * MS)
    assert records_of(bench) == []
    bench.run(40 * MS)
    assert typed(records_of(bench)) == typed(first)
    bench.run(320 * MS)
    assert typed(records_of(bench)) == typed(first * 2)


def test_an_acknowledged_record_is_never_sent_again() -> None:
    bench = with_repeats()
    bench.closure(1)
    bench.send(records.Acknowledge(boot=1, next=1))
    bench.messages.clear()
    bench.run(S, host=PROBE)
    assert {record.number for record in records_of(bench)} == {1}
    bench.send(records.Acknowledge(boot=1, next=2))
    bench.messages.clear()
    bench.run(S, host=PROBE)
    assert records_of(bench) == []
    assert bench.connect().oldest == 2


def test_again_sends_at_once() -> None:
    bench = with_repeats()
    bench.closure(1)
    bench.closure(2)
    bench.messages.clear()
    bench.send(records.Acknowledge(boot=1, next=1, again=True))
    bench.turn()
    assert [record.number for record in records_of(bench)] == [1, 2, 3]


@pytest.mark.parametrize("boot", [0, 2, 0xFFFFFFFF])
def test_an_acknowledgement_of_another_boot_is_ignored(boot: int) -> None:
    bench = with_repeats()
    bench.closure(1)
    bench.messages.clear()
    bench.send(records.Acknowledge(boot=boot, next=2, again=True))
    bench.turn()
    assert records_of(bench) == []
    assert bench.connect().oldest == 0


def test_a_hello_brings_everything_unacknowledged() -> None:
    bench = with_repeats()
    bench.closure(1)
    bench.send(records.Acknowledge(boot=1, next=1))
    bench.messages.clear()
    bench.connect()
    assert [record.number for record in records_of(bench)] == [1]


def test_falls_silent_five_seconds_after_the_host_and_keeps_its_records() -> None:
    bench = connected(inputs=4)
    bench.run(4900 * MS)
    bench.messages.clear()
    bench.run(50 * MS)
    assert bench.messages
    bench.run(300 * MS)
    bench.frames.clear()
    bench.closure(3)
    bench.run(70 * S)  # longer than the board's short clock
    assert bench.frames == []
    bench.messages.clear()
    bench.connect()
    bench.turn()
    assert [(type(r), r.number) for r in records_of(bench)] == [(Made, 0), (Broke, 1)]


def test_a_frame_is_held_back_until_it_fits() -> None:
    bench = connected()
    bench.room = 21
    bench.closure(1)
    bench.run(S)
    assert bench.messages == []
    bench.room = 63
    bench.run(100 * MS)
    assert max(map(len, bench.frames)) <= 63
    assert [r.number for r in records_of(bench)] == [0, 1]
    assert bench.all(Heartbeat)


# ---- the ledger ----


def traffic(seed: int, inputs: int, duration_us: int, gaps_us: list[int]) -> list[tuple[int, int]]:
    """(time, input) of raw edges, as many open as close; each input has its own taste in gaps."""
    chance = random.Random(seed)
    edges: list[tuple[int, int]] = []
    for number in range(1, inputs + 1):
        taste = chance.sample(gaps_us, k=min(4, len(gaps_us)))
        time_us = chance.randrange(500 * MS)
        times = []
        while time_us < duration_us:
            times.append(time_us)
            time_us += int(chance.choice(taste) * chance.uniform(0.5, 1.5)) + 1
        edges += [(at_us, number) for at_us in times[: len(times) // 2 * 2]]
    return sorted(edges)


def closed_after(edges: list[tuple[int, int]]) -> list[bool]:
    seen: Counter[int] = Counter()
    found = []
    for _, number in edges:
        seen[number] += 1
        found.append(seen[number] % 2 == 1)
    return found


GAPS_US = [100, 400, 900, 1100, 3000, 9000, 11_000, 40_000, 150_000, 600_000]


def check_ledger(seed: int, beats: list[Heartbeat], kept: list[Record]) -> None:
    made = [(record.number, record.input) for record in kept if isinstance(record, Made)]
    for beat in beats:
        recorded = sum(number < beat.next and input_ == beat.input for number, input_ in made)
        assert recorded + beat.lost == beat.closures, f"seed {seed}: {beat}"


@pytest.mark.parametrize("seed", range(4))
def test_recorded_and_lost_are_all_closures_for_a_host_that_never_acknowledges(seed: int) -> None:
    bench = Bench(inputs=16, now_us=EPOCH_US - 3 * S)
    bench.connect()
    edges = traffic(seed, 16, 12 * S, GAPS_US)
    play(bench, edges)
    bench.run(2 * S, host=PROBE)
    kept = records_of(bench)
    beats = bench.take(Heartbeat)
    assert [record.number for record in kept] == list(range(len(kept)))
    assert RING - 2 <= len(kept) <= RING
    assert sum(beat.lost for beat in beats[-16:]) > 50, f"seed {seed} tests nothing"
    check_ledger(seed, beats, kept)
    for beat in beats[-16:]:
        mine = [bench.start_us + at_us for at_us, number in edges if number == beat.input]
        mine = reference.taken(mine, bench.start_us)
        assert beat.edges == len(mine), f"seed {seed}: {beat}"
        assert beat.closures == len(reference.closures(mine, MAKE_US, BREAK_US)), f"seed {seed}: {beat}"


def play(bench: Bench, edges: list[tuple[int, int]]) -> None:
    start_us = bench.now_us
    for (at_us, number), closed in zip(edges, closed_after(edges), strict=True):
        bench.run(start_us + at_us - bench.now_us, step_us=5 * MS, host=PROBE)
        bench.level(number, closed)


class Host:
    """Stores what comes in the right order, asks for the rest, acknowledges what it has; its line is bad both
    ways while ``faults`` is above 0."""

    def __init__(self, bench: Bench, seed: int) -> None:
        self.bench = bench
        self.chance = random.Random(seed)
        self.stored: list[Record] = []
        self.wanted = 0
        self.faults = 0.1
        self.beats: list[Heartbeat] = []
        bench.line_is_up = False  # frames are fetched here

    def say(self, command: records.Command) -> None:
        frame = wire.encode_command(command, self.chance.randrange(256))
        self.bench.receive(self.harm(frame))

    def harm(self, frame: bytes) -> bytes:
        if self.chance.random() < self.faults:
            return damaged(frame, random_faults(self.chance, self.chance.randint(1, 3)))
        return frame

    def listen(self) -> None:
        again = False
        while frame := self.bench.device.transmit():
            for message in self.bench.decoder.feed(self.harm(frame)):
                if isinstance(message, Heartbeat):
                    self.beats.append(message)
                if isinstance(message, Made | Broke | FaultChange | Lost):
                    if message.number == self.wanted:
                        self.stored.append(message)
                        self.wanted += message.count if isinstance(message, Lost) else 1
                    else:
                        again |= message.number > self.wanted
        if not self.beats:  # not heard yet
            self.say(records.SayHello())
        self.say(records.Acknowledge(1, self.wanted, again))

    def run(self, duration_us: int) -> None:
        end_us = self.bench.now_us + duration_us
        while self.bench.now_us < end_us:
            self.bench.run(min(5 * MS, end_us - self.bench.now_us), step_us=5 * MS)
            if self.chance.random() < 0.3:
                self.listen()


@pytest.mark.parametrize("seed", range(4))
def test_every_closure_exactly_once_over_a_bad_line(seed: int) -> None:
    bench = Bench(inputs=8, now_us=EPOCH_US - 2 * S)
    host = Host(bench, seed)
    host.say(records.SayHello())
    start_us = bench.now_us
    # Seldom enough that the ring never fills and no input is muted.
    edges = traffic(seed, 8, 15 * S, [40_000, 150_000, 600_000, 900, 11_000])
    for (at_us, number), closed in zip(edges, closed_after(edges), strict=True):
        host.run(start_us + at_us - bench.now_us)
        bench.level(number, closed)
    host.run(2 * S)
    host.faults = 0
    host.say(records.SayHello())
    host.run(3 * S)
    for number in range(1, 9):
        mine = [start_us + at_us for at_us, one in edges if one == number]
        expected = reference.closures(mine, MAKE_US, BREAK_US)
        assert [r.time_us for r in host.stored if isinstance(r, Made) and r.input == number] == [
            closure.made_us for closure in expected
        ], f"seed {seed}, input {number}"
        assert [r.time_us for r in host.stored if isinstance(r, Broke) and r.input == number] == [
            closure.broke_us for closure in expected
        ], f"seed {seed}, input {number}"
    assert bench.decoder.refused > 20, f"seed {seed} harmed too little"
    check_ledger(seed, host.beats, host.stored)


@pytest.mark.parametrize("seed", range(3))
def test_made_and_broke_alternate_even_when_the_ring_was_full(seed: int) -> None:
    bench = Bench(inputs=16)
    host = Host(bench, seed)
    host.faults = 0.02
    host.say(records.SayHello())
    edges = traffic(seed, 16, 8 * S, GAPS_US)
    start_us = bench.now_us
    for (at_us, number), closed in zip(edges, closed_after(edges), strict=True):
        away = 2 * S < at_us < 4 * S
        (bench if away else host).run(start_us + at_us - bench.now_us)
        bench.level(number, closed)
    host.faults = 0
    host.say(records.SayHello())
    host.run(3 * S)
    assert any(isinstance(record, Lost) for record in host.stored), f"seed {seed} tests nothing"
    check_ledger(seed, host.beats[-32:], host.stored)
    for number in range(1, 17):
        lasts: bool | None = False
        for record in host.stored:
            if isinstance(record, Lost):
                lasts = None if lasts else lasts  # its broke may be among them; one without a made may not
            elif isinstance(record, Made | Broke) and record.input == number:
                begins = isinstance(record, Made)
                assert lasts is not begins, f"seed {seed}: {record} does not alternate"
                lasts = begins


# ---- faults ----


def faults_of(bench: Bench) -> list[tuple[int, Fault, bool]]:
    return [(m.input, Fault(m.fault), m.active) for m in bench.all(FaultChange)]


def storm(bench: Bench, number: int, edges: int, gap_us: int = 1500) -> None:
    for _ in range(edges):
        bench.level(number, not bench.levels >> (number - 1) & 1)
        bench.run(gap_us, step_us=gap_us)


def test_chatter_mutes_from_the_next_second_and_clears_after_a_calm_one() -> None:
    bench = connected(inputs=2)
    bench.do(records.SetBoard(0, 0, 0, 20))
    bench.run(S - bench.now_us)  # seconds are counted from the start of the board
    storm(bench, 1, 20, 15 * MS)
    assert faults_of(bench) == []
    storm(bench, 1, 20, 15 * MS)  # the 21st edge within the second
    assert faults_of(bench) == [(1, Fault.CHATTER, True)]
    assert len(bench.all(Made)) == 20  # all of them were recorded
    bench.messages.clear()
    bench.run(2 * S - bench.now_us)
    storm(bench, 1, 40, 15 * MS)
    bench.closure(2)
    assert {record.input for record in records_of(bench)} == {2}
    bench.run(3 * S - bench.now_us)
    bench.closure(1)  # still muted: the second before was loud
    assert {record.input for record in records_of(bench)} == {2}
    bench.run(4 * S - bench.now_us)
    assert faults_of(bench) == [(1, Fault.CHATTER, False)]
    bench.messages.clear()
    bench.closure(1)
    assert [type(record) for record in records_of(bench)] == [Made, Broke]
    beat = next(m for m in after(bench, S) if m.input == 1)
    assert (beat.edges, beat.closures, beat.lost) == (84, 42, 21)


def test_a_closure_made_while_muted_has_no_broke_either() -> None:
    bench = connected(inputs=1)
    bench.do(records.SetBoard(0, 0, 0, 20))
    bench.run(S - bench.now_us)
    storm(bench, 1, 30)
    bench.run(2 * S + 100 * MS - bench.now_us)
    bench.messages.clear()
    bench.level(1, True)
    bench.run(3 * S)
    bench.level(1, False)
    bench.run(S)
    assert [type(record) for record in records_of(bench)] == [FaultChange]


@pytest.mark.parametrize("seed", range(3))
def test_a_storm_is_thinned_by_the_rule_however_often_the_board_is_polled(seed: int) -> None:
    chance = random.Random(seed)
    inputs, storm_end_us = 4, 2_500_000
    edges = []
    for number in range(1, inputs + 1):
        at_us = chance.randrange(200 * MS)
        mean_us = chance.choice([60, 300, 1500, 4000])
        for _ in range(storm_end_us // mean_us // 2 * 2 + number % 2):  # half of them end closed
            at_us += 1 + int(chance.expovariate(1 / mean_us))
            edges.append((at_us, number))
    edges.sort()
    found = []
    for step_us in (370, 50 * MS):
        bench = Bench(inputs=inputs, now_us=EPOCH_US - 1_234_567)
        bench.connect()
        for (at_us, number), closed in zip(edges, closed_after(edges), strict=True):
            bench.run(bench.start_us + at_us - bench.now_us, step_us=step_us, host=PROBE)
            bench.level(number, closed)
        bench.run(bench.start_us + 5 * S - bench.now_us, step_us=step_us, host=PROBE)
        beats = {beat.input: beat for beat in bench.all(Heartbeat)}
        for number in range(1, inputs + 1):
            mine = [bench.start_us + at_us for at_us, one in edges if one == number]
            left = reference.taken(mine, bench.start_us)
            assert beats[number].edges == len(left), f"seed {seed}, input {number}"
            expected = reference.closures(left, MAKE_US, BREAK_US)
            assert beats[number].closures == len(expected), f"seed {seed}, input {number}"
            assert beats[number].faults == 0
            assert bool(beats[number].levels >> (number - 1) & 1) == len(mine) % 2
        assert any(beats[number].edges < sum(one == number for _, one in edges) for number in beats)
        check_ledger(seed, bench.all(Heartbeat), records_of(bench))
        found.append(sorted(map(str, records_of(bench))))
    strip = re.compile(r"number=\d+, ")  # what is due in one turn comes in the order of the inputs
    assert [[strip.sub("", one) for one in some] for some in found[:1]] == [
        [strip.sub("", one) for one in some] for some in found[1:]
    ]


@pytest.mark.parametrize("edges", [254, 255])
def test_a_storm_is_255_edges_in_a_second(edges: int) -> None:
    bench = connected(inputs=1)
    bench.do(records.SetBoard(0, 0, 0, 254))
    bench.run(S - bench.now_us)
    storm(bench, 1, edges, 100)
    storm(bench, 1, 3, 0)
    beat = next(m for m in after(bench, S) if m.input == 1)
    assert beat.edges == (257 if edges == 254 else 256)


def test_stuck_closed_comes_after_stuck_ms_and_goes_with_the_opening() -> None:
    bench = connected()
    bench.do(records.SetBoard(3000, 0, 0, 95))
    bench.messages.clear()
    made_us = bench.now_us
    bench.level(5, True)
    bench.run(3 * S, host=PROBE)
    assert faults_of(bench) == []
    bench.run(1100 * MS, host=PROBE)
    assert faults_of(bench) == [(5, Fault.STUCK_CLOSED, True)]
    bench.run(10 * S, host=PROBE)
    bench.level(5, False)
    bench.run(20 * MS)
    assert faults_of(bench)[-1] == (5, Fault.STUCK_CLOSED, False)
    broke = bench.all(Broke)[0]
    assert broke.time_us - made_us == 14_100 * MS
    assert broke.duration_ms == records.width_value(records.width_code(14_100))


def test_closed_at_power_up_is_stuck_at_once() -> None:
    bench = connected(levels=0b101, inputs=3)
    bench.level(3, False)
    bench.level(3, True)  # opened since, if only for a moment
    bench.run(20 * MS)
    assert {r.input for r in bench.all(Made)} == {1, 3}
    assert faults_of(bench) == [(1, Fault.STUCK_CLOSED, True)]
    bench.level(1, False)
    bench.run(20 * MS)
    assert faults_of(bench)[-1] == (1, Fault.STUCK_CLOSED, False)
    bench.messages.clear()
    bench.closure(1)
    assert faults_of(bench) == []


def test_a_closure_that_outlasts_the_clock_is_stuck_and_has_the_right_times() -> None:
    bench = connected(inputs=1)
    made_us = bench.now_us
    bench.level(1, True)
    bench.run(2 * S)
    bench.line_is_up = False
    bench.run(EPOCH_US + 100 * S, step_us=S)  # modulo the clock it is short
    bench.level(1, False)
    opened_us = bench.now_us
    bench.run(S)
    bench.line_is_up = True
    bench.connect()
    bench.run(20 * MS)
    assert typed(records_of(bench)) == typed(
        [
            Made(0, 1, made_us, 0, 0, 0),
            FaultChange(1, 1, made_us + 60 * S - made_us % S + S, Fault.STUCK_CLOSED, True),
            Broke(2, 1, opened_us, 0, 0, records.WIDTH_MAX),
            FaultChange(3, 1, opened_us, Fault.STUCK_CLOSED, False),
        ]
    )


def test_never_triggered_by_traffic() -> None:
    bench = connected(inputs=4)
    bench.do(records.SetBoard(0, 0, 5, 95))
    bench.do(records.Arm(0b0111))
    bench.messages.clear()
    for _ in range(4):
        bench.closure(1, rest_us=500 * MS)
    bench.closure(2)
    assert faults_of(bench) == []
    bench.run(S)
    assert faults_of(bench) == [(3, Fault.NEVER_TRIGGERED, True)]  # 4 is not armed
    bench.messages.clear()
    bench.closure(3)
    assert faults_of(bench) == [(3, Fault.NEVER_TRIGGERED, False)]
    bench.do(records.Arm(0b0111))
    bench.messages.clear()
    bench.run(2 * S)
    assert faults_of(bench) == []  # counted from the arming


def test_never_triggered_by_silence() -> None:
    bench = connected(inputs=2)
    bench.do(records.SetBoard(0, 4000, 0, 95))
    bench.run(7 * S, host=PROBE)
    assert faults_of(bench) == []  # not armed
    bench.do(records.Arm(0b11))
    bench.closure(2)
    bench.run(3 * S, host=PROBE)
    assert faults_of(bench) == []
    bench.run(2 * S, host=PROBE)
    assert faults_of(bench) == [(1, Fault.NEVER_TRIGGERED, True)]
    bench.do(records.Arm(0))
    assert faults_of(bench)[-1] == (1, Fault.NEVER_TRIGGERED, False)


# ---- trace ----


def test_trace_holds_every_edge_of_the_inputs_named() -> None:
    bench = connected(inputs=3)
    bench.do(records.SetTrace(0b101))
    expected = []
    chance = random.Random(3)
    for _ in range(200):
        bench.run(chance.choice([10, 700, 1500, 30 * MS]), step_us=500)
        number = chance.choice([1, 2, 3])
        closed = not bench.levels >> (number - 1) & 1
        bench.level(number, closed)
        if number != 2:
            expected.append((bench.now_us, number, closed))
    bench.run(20 * MS)
    batches = bench.all(TraceEdges)
    assert [edge for batch in batches for edge in batch.edges] == expected
    assert {batch.lost for batch in batches} == {0}
    assert all(batch.edges[0][0] == batch.time_us for batch in batches)
    bench.do(records.SetTrace(0))
    bench.messages.clear()
    bench.closure(1)
    assert bench.all(TraceEdges) == []


def test_trace_counts_the_edges_that_did_not_fit() -> None:
    bench = connected(inputs=1)
    bench.do(records.SetTrace(1))
    bench.line_is_up = False
    storm(bench, 1, 20, 100)
    bench.line_is_up = True
    bench.run(10 * MS)
    first = bench.all(TraceEdges)
    assert [(len(batch.edges), batch.lost) for batch in first] == [(8, 12)]
    storm(bench, 1, 2, 100)
    bench.run(10 * MS)
    assert [(len(batch.edges), batch.lost) for batch in bench.all(TraceEdges)[1:]] == [(2, 12)]


def test_traces_take_turns_with_heartbeats_and_records() -> None:
    bench = connected(inputs=2)
    bench.do(records.SetBoard(0, 0, 0, 254))
    bench.do(records.SetTrace(1))
    bench.run(S - bench.now_us)
    bench.line_is_up = False
    bench.closure(2)
    bench.messages.clear()
    for _ in range(6):
        storm(bench, 1, 10, 100)  # more than a trace message holds, before each frame
        bench.messages += bench.decoder.feed(bench.device.transmit())
    kinds = [type(message) for message in bench.messages]
    assert kinds == [TraceEdges, Heartbeat, TraceEdges, Made, TraceEdges, Broke]


def test_a_storm_is_not_traced() -> None:
    bench = connected(inputs=1)
    bench.do(records.SetBoard(0, 0, 0, 254))
    bench.do(records.SetTrace(1))
    bench.run(S - bench.now_us)
    storm(bench, 1, 1000, 300)
    batches = bench.take(TraceEdges)
    assert (sum(len(batch.edges) for batch in batches), batches[-1].lost) == (254, 0)


def test_a_trace_waits_4_ms_for_more_edges() -> None:
    bench = connected(inputs=1)
    bench.do(records.SetTrace(1))
    bench.messages.clear()
    bench.level(1, True)
    bench.run(3 * MS, step_us=500)
    assert bench.all(TraceEdges) == []
    bench.run(2 * MS, step_us=500)
    assert len(bench.all(TraceEdges)) == 1


def test_a_hello_ends_the_trace() -> None:
    bench = connected(inputs=1)
    bench.do(records.SetTrace(1))
    bench.connect()
    bench.messages.clear()
    bench.closure(1)
    assert bench.all(TraceEdges) == []


def test_muted_inputs_are_not_traced() -> None:
    bench = connected(inputs=1)
    bench.do(records.SetBoard(0, 0, 0, 20))
    bench.do(records.SetTrace(1))
    bench.run(S - bench.now_us)
    storm(bench, 1, 40)
    assert sum(len(batch.edges) for batch in bench.take(TraceEdges)) >= 32
    bench.run(2 * S - bench.now_us)
    bench.messages.clear()
    storm(bench, 1, 40)
    assert bench.take(TraceEdges) == []


# ---- lamp, blinking, reboot, self-test ----


def lamp(bench: Bench, duration_us: int) -> list[bool]:
    """The lamp every 10 ms."""
    seen = []
    for _ in range(duration_us // (10 * MS)):
        bench.run(10 * MS)
        seen.append(bench.device.lamp(bench.now_us))
    return seen


def flashes(seen: list[bool]) -> int:
    return sum(late and not early for early, late in zip([False, *seen], seen, strict=False))


def test_the_lamp_echoes_a_closure_long_enough_to_be_seen() -> None:
    bench = connected()
    bench.closure(4, 2000, 0)
    seen = lamp(bench, S)
    assert 4 <= sum(seen) <= 7
    assert flashes(seen) == 1
    bench.level(4, True)
    assert all(lamp(bench, S)[1:])


def test_the_lamp_blinks_when_asked_and_stops_by_itself() -> None:
    bench = connected()
    bench.do(records.Blink(3))
    seen = lamp(bench, 6 * S)
    assert 14 <= flashes(seen) <= 24
    assert not any(seen[310:])
    bench.connect()
    bench.do(records.Blink(60))
    bench.do(records.Blink(0))
    assert not any(lamp(bench, S))


def test_the_lamp_shows_a_fault() -> None:
    bench = connected(levels=1)
    assert 2 <= flashes(lamp(bench, 4 * S)[200:]) <= 3  # two flashes in two seconds
    bench.level(1, False)
    bench.run(S)
    assert not any(lamp(bench, 2 * S))


def test_a_reboot_is_answered_first() -> None:
    bench = connected()
    sequence = bench.send(records.Reboot())
    assert not bench.device.wants_reboot
    bench.turn()
    assert bench.all(Reply) == [Reply(0x4A, sequence, Status.DONE)]
    assert bench.device.wants_reboot


def run_selftest(bench: Bench, low: int = 0, pairs: int = 0) -> list[records.SelftestResult]:
    """``low`` reads low whatever is done; the inputs in ``pairs`` are shorted to each other."""
    for _ in range(2000):
        if not bench.device.is_testing:
            break
        _, driven = bench.device.test_pins()
        bench.device.test(bench.now_us, low | driven | (pairs if driven & pairs else 0) | (
            0 if bench.device.test_pins()[0] else (1 << 16) - 1))  # fmt: skip
        bench.run(200, step_us=200)
    assert not bench.device.is_testing
    bench.run(10 * MS)
    return bench.all(records.SelftestResult)


def test_selftest_reports_each_input_and_records_shorts() -> None:
    bench = connected(inputs=6)
    bench.do(records.Selftest())
    assert [m.status for m in bench.ask(records.Selftest()) if isinstance(m, Reply)] == [Status.BUSY]
    results = run_selftest(bench, low=0b100000, pairs=0b001010)
    assert [(r.input, r.verdict, r.partners) for r in results] == [
        (1, 0, ()), (2, 3, (4,)), (3, 0, ()), (4, 3, (2,)), (5, 0, ()), (6, 1, ()),
    ]  # fmt: skip
    assert faults_of(bench) == [(2, Fault.SHORTED, True), (4, Fault.SHORTED, True)]
    bench.messages.clear()
    bench.do(records.Selftest())
    run_selftest(bench)
    assert faults_of(bench) == [(2, Fault.SHORTED, False), (4, Fault.SHORTED, False)]


def test_a_contact_that_closed_during_the_selftest_is_seen_after_it() -> None:
    bench = connected(inputs=2)
    bench.do(records.Selftest())
    bench.level(2, True)  # samples are ignored meanwhile
    run_selftest(bench, low=0b10)
    assert [(r.input, r.verdict) for r in bench.all(records.SelftestResult)] == [(1, 0), (2, 1)]
    bench.run(20 * MS)
    assert [record.input for record in bench.all(Made)] == [2]


def test_a_selftest_whose_host_went_away_ends() -> None:
    bench = connected(inputs=2)
    bench.do(records.Selftest())
    bench.line_is_up = False
    for _ in range(5000):
        bench.run(2000)
        if bench.device.is_testing:
            bench.device.test(bench.now_us, 0)
    assert not bench.device.is_testing


def test_nothing_of_an_old_trace_comes_after_a_hello() -> None:
    bench = connected(inputs=1)
    bench.do(records.SetTrace(1))
    bench.level(1, True)
    bench.messages.clear()
    bench.connect()
    bench.run(20 * MS)
    assert bench.all(TraceEdges) == []


def test_the_answer_to_a_host_that_went_away_does_not_come_after_a_hello() -> None:
    bench = connected()
    bench.line_is_up = False
    bench.send(records.TimeProbe(9))
    bench.run(20 * S)
    bench.line_is_up = True
    bench.connect()
    assert bench.all(records.TimeReply) == []


def test_a_probe_whose_time_runs_back_came_now() -> None:
    """As device.h promises for all times handed in."""
    bench = connected(now_us=5000)
    now_us = bench.now_us
    bench.now_us -= 1
    bench.send(records.TimeProbe(9))
    bench.now_us = now_us
    bench.turn()
    assert bench.all(records.TimeReply) == [records.TimeReply(9, now_us, now_us)]


def test_sends_nothing_before_a_host_has_said_hello() -> None:
    bench = Bench()
    bench.turn()
    bench.messages.clear()
    bench.send(records.TimeProbe(1))
    bench.run(S)
    assert bench.messages == []


# ---- what must not be obeyed ----


def replies(bench: Bench, type_: int, payload: bytes) -> list[Reply]:
    bench.messages.clear()
    bench.receive(wire.encode_frame(type_, 77, payload))
    bench.turn()
    return bench.all(Reply)


def test_unknown_commands_are_answered_so() -> None:
    bench = connected()
    for type_ in [*range(0x40), *range(0x4C, 0x100)]:
        assert replies(bench, type_, b"") == [Reply(type_, 77, Status.UNKNOWN)], hex(type_)


def test_commands_of_another_length_are_refused() -> None:
    bench = connected()
    lengths = {
        0x40: 1, 0x41: 9, 0x42: 4, 0x43: 1, 0x44: 5, 0x45: 11,
        0x46: 4, 0x47: 0, 0x48: 4, 0x49: 1, 0x4A: 0, 0x4B: 4,
    }  # fmt: skip
    memory = bytes(bench.device.memory)
    for type_, length in lengths.items():
        for wrong in range(12):
            if wrong != length:
                expected = [Reply(type_, 77, Status.BAD_VALUE)]
                assert replies(bench, type_, b"\1" * wrong) == expected, (hex(type_), wrong)
    assert not bench.device.wants_reboot
    assert not bench.device.is_testing
    assert bytes(bench.device.memory) == memory


@pytest.mark.parametrize(
    "command",
    [records.GetSettings(17), records.GetSettings(255), records.Blink(61), records.Blink(255)],
    ids=str,
)
def test_bad_values_are_refused(command: records.Command) -> None:
    bench = connected(inputs=16)
    answer = bench.ask(command)
    assert [m.status for m in answer if isinstance(m, Reply)] == [Status.BAD_VALUE]
    assert not bench.all(records.InputSettings)
    assert flashes(lamp(bench, S)) == 0


def state(bench: Bench) -> tuple[bytes, list[object]]:
    bench.do(records.GetSettings())
    bench.run(20 * MS)
    kept = [m for m in bench.messages if isinstance(m, records.BoardSettings | records.InputSettings)]
    bench.messages.clear()
    return bytes(bench.device.memory), kept


@examples(400)
@given(
    st.lists(st.one_of(st.binary(max_size=200), st.binary(max_size=12).map(lambda b: b + b"\0")), max_size=8)
)
def test_random_bytes_do_no_harm(pieces: list[bytes]) -> None:
    bench = connected(inputs=4)
    before = state(bench)
    for piece in pieces:
        bench.receive(piece)
        bench.run(2 * MS)
    bench.receive(b"\0")
    assert state(bench) == before
    assert not bench.device.wants_reboot
    bench.messages.clear()
    bench.closure(2)
    assert [type(record) for record in records_of(bench)] == [Made, Broke]


HARMFUL = [
    records.SetInput(0, 123, 4567),
    records.SetBoard(1, 2, 3, 4),
    records.NameBoard(0x01020304),
    records.Reboot(),
]


@pytest.mark.parametrize("command", HARMFUL, ids=str)
def test_no_command_with_one_flipped_bit_is_obeyed(command: records.Command) -> None:
    bench = connected(inputs=4)
    before = state(bench)
    frame = wire.encode_command(command, 200)
    for bit in range(8 * len(frame)):
        flipped = bytearray(frame)
        flipped[bit // 8] ^= 1 << bit % 8
        bench.receive(bytes(flipped) + b"\0")
    assert state(bench) == before
    assert not bench.device.wants_reboot


@examples(400)
@given(st.lists(commands(), min_size=1, max_size=8), byte_faults(6), st.data())
def test_harmed_commands_are_obeyed_whole_or_not_at_all(
    said: list[records.Command], faults: list[ByteFault], data: st.DataObject
) -> None:
    """What the board stores after a bad line is what it stores after the commands that came through whole."""
    frames = [wire.encode_command(command, i) for i, command in enumerate(said)]
    stream = damaged(b"".join(frames), faults)
    bench = connected(inputs=4)
    at = data.draw(st.integers(0, len(stream)))
    for piece in (stream[:at], stream[at:] + b"\0"):
        bench.receive(piece)
    # Whole is what lies between two delimiters as it was sent; a repeated piece may hold it twice.
    whole = [part + b"\0" for part in (stream + b"\0").split(b"\0") if part + b"\0" in frames]
    clean = connected(inputs=4)
    for frame in whole:
        clean.receive(frame)
    for one in (bench, clean):
        one.device.poll(one.now_us)
    assert bench.device.memory == clean.device.memory
    assert bench.device.is_testing == clean.device.is_testing


# ---- found in review ----


def said(device: Device, *commands: Command) -> None:
    for sequence, command in enumerate(commands):
        device.receive(0, wire.encode_command(command, sequence))


def test_a_reboot_nobody_heard_of_does_not_wait_for_the_next_host() -> None:
    device = Device()
    device.transmit()  # the hello of the boot
    said(device, Reboot())
    device.poll(10 * S)
    assert not device.wants_reboot
    said(device, SayHello())
    while device.transmit():
        pass
    device.poll(11 * S)
    assert not device.wants_reboot


def test_a_reboot_waits_until_settings_are_stored() -> None:
    device = Device()
    said(device, SayHello(), SetInput(1, 700, 7000), Reboot())
    while device.transmit():
        pass
    assert not device.wants_reboot
    device.poll(MS)  # stores
    assert device.wants_reboot


def test_a_repeated_trace_command_drops_nothing() -> None:
    device = Device()
    said(device, SayHello(), SetTrace(1))
    device.sample(MS, 1)
    device.sample(2 * MS, 0)
    said(device, SetTrace(1))
    device.poll(20 * MS)
    decoder = wire.Decoder()
    messages = [message for _ in range(10) for message in decoder.feed(device.transmit())]
    (trace,) = [message for message in messages if isinstance(message, TraceEdges)]
    assert trace.edges == ((MS, 1, True), (2 * MS, 1, False))
