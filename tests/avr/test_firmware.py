"""The real AVR binaries, from pins to bytes: what protocol.md and DEVELOPERS.md promise."""

from __future__ import annotations

import random
from collections.abc import Callable
from pathlib import Path

import pytest
from avr_board import RECORDS, SAMPLE_US, AvrBoard
from firmware.build_id import build_id

from firmware_checks import (
    BOARD_DEFAULTS,
    CALM,
    SETTINGS_STORED_US,
    change_settings,
    check_bouncing_closures,
    check_counting_goes_on,
    check_selftest,
    check_settings_survive,
    check_settings_take_effect,
    lamp_by_time,
    one_closure,
    settings_of,
)
from reedproof.records import (
    Acknowledge,
    Blink,
    BoardKind,
    Broke,
    Fault,
    FaultChange,
    Heartbeat,
    Hello,
    Lost,
    Made,
    Reboot,
    ResetCause,
    SayHello,
    SetBoard,
    SetInput,
    SetTrace,
    Status,
    TimeProbe,
    TimeReply,
    TraceEdges,
    Verdict,
    input_mask,
)

MakeBoard = Callable[..., AvrBoard]

# One sampling period; then 8 us: another interrupt may have begun just before (67 cycles and its entry), and
# the sampling interrupt takes its stamp about 50 cycles after it began.
EDGE_LATE_US = SAMPLE_US + 8
EVERY_KIND = pytest.mark.parametrize("kind", ["nano", "mega"])


def is_on_time(reported_us: float, edge_us: float) -> bool:
    return -1 <= reported_us - edge_us <= EDGE_LATE_US


# ---- hello


@EVERY_KIND
def test_says_who_it_is_after_boot_and_when_asked(make_board: MakeBoard, kind: str) -> None:
    board = make_board(kind)
    unasked = board.until(Hello)
    assert unasked.build == build_id()
    assert unasked.kind == BoardKind[kind.upper()]
    assert unasked.inputs == board.inputs
    assert unasked.sample_us == SAMPLE_US
    assert (unasked.board, unasked.boot, unasked.oldest, unasked.next) == (0, 1, 0, 0)
    board.messages()
    board.say(SayHello())
    asked = board.until(Hello, limit_us=5000)
    assert asked.time_us > unasked.time_us
    assert (asked.build, asked.kind, asked.boot) == (unasked.build, unasked.kind, unasked.boot)


@EVERY_KIND
def test_is_silent_before_a_host_says_hello(make_board: MakeBoard, kind: str) -> None:
    board = make_board(kind)
    start_us = board.now_us + 30_000
    board.play([(start_us, 1, True), (start_us + 20_000, 1, False)])
    board.run_us(800_000)
    (_, hello), *others = board.messages()
    assert isinstance(hello, Hello)
    assert others == []
    board.say(SayHello())
    board.run_us(20_000)
    assert [type(message) for message in board.received((Hello, Made, Broke))] == [Hello, Made, Broke]


def test_falls_silent_five_seconds_after_the_hosts_last_word(make_board: MakeBoard) -> None:
    board = make_board()
    board.greet()
    said_us = board.now_us
    board.run_us(6_000_000)
    last_us = board.us_of(board.messages()[-1][0])
    assert 4_900_000 < last_us - said_us < 5_300_000
    board.say(TimeProbe(1))
    board.run_us(50_000)
    assert board.messages() == []  # it waits to be greeted again
    board.say(SayHello())
    assert board.until(Hello).boot > 0


# ---- closures and records


@EVERY_KIND
def test_a_bouncing_closure_is_attributed_and_timed_on_every_input(make_board: MakeBoard, kind: str) -> None:
    board = make_board(kind, acknowledge=True)
    board.greet()
    check_bouncing_closures(board, EDGE_LATE_US)


def test_frames_from_the_host_do_not_delay_the_time_of_an_edge(make_board: MakeBoard) -> None:
    """An edge that waits in the queue while a frame is being taken has already happened."""
    board = make_board(acknowledge=True)
    board.greet()
    board.command(CALM)
    board.run_us(SETTINGS_STORED_US)
    start_us = board.now_us + 1000
    edges = []
    for i in range(150):
        made_us = start_us + i * 4011.5
        edges += [(made_us, i % 16 + 1, True), (made_us + 1500, i % 16 + 1, False)]
    board.play(sorted(edges))
    for i in range(640):
        board.say(TimeProbe(i))
        board.run_us(1005)
    all_made_us = sorted(record.time_us for record in board.stored if isinstance(record, Made))
    all_broke_us = sorted(record.time_us for record in board.stored if isinstance(record, Broke))
    for reported_us, closed in ((all_made_us, True), (all_broke_us, False)):
        driven_us = [time_us for time_us, _, is_closed in edges if is_closed == closed]
        assert len(reported_us) == len(driven_us)
        late = [
            (reported, driven)
            for reported, driven in zip(reported_us, driven_us, strict=True)
            if not is_on_time(reported, driven)
        ]
        assert late == []


def test_what_is_acknowledged_is_not_sent_again(make_board: MakeBoard) -> None:
    board = make_board()
    boot = board.greet().boot
    one_closure(board)
    assert [record.number for record in board.received(RECORDS)] == [0, 1]
    board.say(Acknowledge(boot + 1, 2))  # of another boot: means nothing
    board.run_us(400_000)
    assert [record.number for record in board.received(RECORDS)] == [0, 1]
    board.say(Acknowledge(boot, 1))
    board.run_us(400_000)
    assert [record.number for record in board.received(RECORDS)] == [1]
    board.say(Acknowledge(boot, 2))
    board.run_us(1_000_000)
    assert board.received(RECORDS) == []


def test_what_is_not_acknowledged_is_sent_again_unchanged(make_board: MakeBoard) -> None:
    board = make_board()
    board.greet()
    one_closure(board)
    first = board.messages(RECORDS)
    assert [record.number for _, record in first] == [0, 1]
    for _ in range(3):
        board.until(Broke)
        again = board.messages(RECORDS)
        assert [record for _, record in again] == [record for _, record in first]
        assert 290_000 < board.us_of(again[0][0]) - board.us_of(first[-1][0]) < 320_000
        first = again


def test_a_host_that_missed_something_gets_it_at_once(make_board: MakeBoard) -> None:
    board = make_board()
    boot = board.greet().boot
    one_closure(board)
    before = board.received(RECORDS)
    board.say(Acknowledge(boot, 1, again=True))
    board.run_us(5000)
    assert board.received(RECORDS) == before[1:]


def test_a_silent_host_never_makes_a_loss_silent(make_board: MakeBoard) -> None:
    board = make_board()
    board.greet()
    start_us, closures = board.now_us + 100, 70
    for i in range(closures):
        at_us = start_us + i * 4000
        board.play([(at_us, i % 16 + 1, True), (at_us + 3000, i % 16 + 1, False)])
    board.run_us(closures * 4000 + 30_000)
    board.acknowledge = True
    board.say(SayHello())
    board.run_us(100_000)
    one_closure(board, 7)
    beats = board.counters()
    lost = [record for record in board.stored if isinstance(record, Lost)]
    assert len(lost) == 1
    after = board.stored[board.stored.index(lost[0]) + 1]
    assert after.number == lost[0].number + lost[0].count
    assert board.stored[-1].number + 1 == beats[16].next
    assert sum(beat.closures for beat in beats.values()) == closures + 1
    assert sum(beat.lost for beat in beats.values()) > 0
    made = {number: 0 for number in beats}
    is_made = dict.fromkeys(beats, False)
    for record in board.stored:
        if isinstance(record, (Made, Broke)):
            assert is_made[record.input] == isinstance(record, Broke)  # they alternate
            is_made[record.input] = isinstance(record, Made)
            made[record.input] += isinstance(record, Made)
    for number, beat in beats.items():
        assert made[number] + beat.lost == beat.closures
    board.check_ledger()


# ---- counting


@pytest.mark.parametrize(("kind", "duration_us"), [("nano", 20_000_000), ("mega", 5_000_000)])
def test_every_random_edge_is_counted(make_board: MakeBoard, kind: str, duration_us: int) -> None:
    board = make_board(kind, acknowledge=True, slice_us=5000)
    board.greet()
    chance = random.Random(20)
    start_us = board.now_us + 1000
    edges, driven = [], {}
    pause_us = 12_500 * board.inputs  # some 500 edges a second on any board
    for number in range(1, board.inputs + 1):
        at_us, closed, count = start_us + chance.uniform(0, pause_us), False, 0
        while at_us < start_us + duration_us or closed:
            # Mostly bounces, which a sampling period apart must all be seen; sometimes a pause.
            long = chance.random() < 0.3
            at_us += chance.uniform(10_000, pause_us) if long else chance.uniform(60, 4000)
            closed, count = not closed, count + 1
            edges.append((at_us, number, closed))
        driven[number] = count
    board.play(edges)
    board.run_to(max(edges)[0] + 20_000)
    beats = board.counters()
    assert {number: beat.edges for number, beat in beats.items()} == driven
    assert beats[1].snapshots_lost == 0
    assert any(beat.closures for beat in beats.values())
    board.check_ledger()


# ---- settings and non-volatile memory


@EVERY_KIND
def test_settings_survive_resets_and_power_cycles(make_board: MakeBoard, kind: str) -> None:
    board = make_board(kind)
    check_settings_survive(board, lambda: make_board(kind, eeprom=board.simulator.eeprom))


def test_settings_take_effect(make_board: MakeBoard) -> None:
    check_settings_take_effect(make_board(acknowledge=True))


def test_refused_settings_change_nothing(make_board: MakeBoard) -> None:
    board = make_board()
    board.greet()
    before = board.simulator.eeprom
    for bad in (SetInput(17, 1, 1), SetInput(1, 0, 1), SetInput(1, 1, 0), SetBoard(3_600_001, 0, 0, 9)):
        assert board.command(bad) == Status.BAD_VALUE
    board.run_us(SETTINGS_STORED_US)
    assert settings_of(board)[0] == BOARD_DEFAULTS
    assert board.simulator.eeprom == before


@pytest.mark.parametrize("damaged_at", [0, 40, 80])
def test_damaged_settings_are_refused(make_board: MakeBoard, damaged_at: int) -> None:
    board = make_board()
    board.greet()
    change_settings(board)
    image = bytearray(board.simulator.eeprom)
    image[damaged_at] ^= 0x10
    damaged = make_board(eeprom=bytes(image))
    hello = damaged.greet()
    assert hello.settings_defaulted
    assert hello.board == 0
    common, inputs = settings_of(damaged)
    assert common == BOARD_DEFAULTS
    assert {(one.make_us, one.break_us) for one in inputs.values()} == {(1000, 10_000)}


def test_a_blank_memory_means_defaults(make_board: MakeBoard) -> None:
    board = make_board(eeprom=b"\xff" * 1024)
    hello = board.greet()
    assert hello.settings_defaulted
    assert hello.boot == 1
    assert settings_of(board)[0] == BOARD_DEFAULTS


@EVERY_KIND
def test_every_boot_has_its_own_number(make_board: MakeBoard, kind: str) -> None:
    board = make_board(kind)
    boots = []
    for i in range(19):  # once round the 16 places
        boots.append(board.until(Hello).boot)
        board.reset(("external", "power_on", "brown_out", "watchdog")[i % 4])
    assert boots == list(range(1, 20))
    assert make_board(kind, eeprom=board.simulator.eeprom).until(Hello).boot == 20


def test_power_lost_while_a_boot_is_numbered_repeats_no_number(make_board: MakeBoard) -> None:
    board = make_board()
    boots = [board.until(Hello).boot]
    for cut_us in range(500, 26_000, 1500):
        board.reset("power_on")
        board.run_us(cut_us)
        board.messages()
        board.reset("power_on")
        boots.append(board.until(Hello).boot)
    assert boots == sorted(set(boots))


# ---- resets


@pytest.mark.parametrize("cause", ["power_on", "external", "brown_out"])
def test_tells_what_reset_it(make_board: MakeBoard, cause: str) -> None:
    first = make_board(reset_cause=cause)
    assert first.until(Hello).reset_cause == ResetCause[cause.upper()]
    first.reset(cause)
    assert first.until(Hello).reset_cause == ResetCause[cause.upper()]


def reboot(board: AvrBoard) -> Hello:
    board.messages()
    resets = board.simulator.resets
    assert board.command(Reboot()) == Status.DONE
    # 15 ms on the chip; simavr's watchdog keeps the half second it was started with.
    hello = board.until(Hello, limit_us=700_000)
    assert board.simulator.resets == resets + 1
    return hello


@EVERY_KIND
def test_reboots_when_asked(make_board: MakeBoard, kind: str) -> None:
    board = make_board(kind)
    boot = board.greet().boot
    hello = reboot(board)
    assert hello.boot == boot + 1
    assert hello.reset_cause == ResetCause.REQUESTED
    board.reset("watchdog")
    assert board.until(Hello).reset_cause == ResetCause.WATCHDOG


def test_the_watchdog_ends_a_hang(make_board: MakeBoard, trapdoor_elf: Path) -> None:
    board = make_board(elf=trapdoor_elf)
    boot = board.greet().boot
    assert reboot(board).reset_cause == ResetCause.REQUESTED  # and is forgotten before the hang
    board.run_us(700_000)
    board.messages()
    hung_cycle = board.simulator.cycle
    board.simulator.drive("C", 5, 1)
    hello = board.until(Hello, limit_us=700_000)
    assert 450_000 < (board.found_cycle - hung_cycle) / 16 < 650_000
    assert hello.reset_cause == ResetCause.WATCHDOG
    assert hello.boot == boot + 2
    board.say(SayHello())
    board.until(Heartbeat)


# ---- electrical self-test


@EVERY_KIND
@pytest.mark.parametrize("leak_us", [100, 20_000])
def test_selftest_of_bare_inputs(make_board: MakeBoard, kind: str, leak_us: float) -> None:
    board = make_board(kind, leak_us=leak_us)
    board.greet()
    check_selftest(board)
    check_counting_goes_on(board, 1, board.inputs)


@EVERY_KIND
def test_selftest_finds_a_closed_contact_or_a_short_to_ground(make_board: MakeBoard, kind: str) -> None:
    board = make_board(kind)
    board.greet()
    board.close_contact(2)
    board.close_contact(board.inputs)
    board.run_us(5000)
    low = (Verdict.READS_LOW, ())
    check_selftest(board, in_2=low, **{f"in_{board.inputs}": low})
    board.open_contact(2)
    board.open_contact(board.inputs)
    board.run_us(30_000)
    check_selftest(board)
    check_counting_goes_on(board, 2, 3)


@EVERY_KIND
def test_selftest_never_drives_an_input_that_is_tied_high(make_board: MakeBoard, kind: str) -> None:
    board = make_board(kind)
    board.greet()
    for number in (1, 8, board.inputs):
        board.drive(number, 1)
    high = (Verdict.HELD_HIGH, ())
    check_selftest(board, in_1=high, in_8=high, **{f"in_{board.inputs}": high})
    assert [board.simulator.pin(*board.pins[number - 1]) for number in (1, 8, board.inputs)] == [1, 1, 1]
    check_counting_goes_on(board, 2, 9)


def test_selftest_never_drives_a_line_that_keeps_its_charge(make_board: MakeBoard) -> None:
    board = make_board(leak_us=None)
    board.greet()
    held = {f"in_{number}": (Verdict.HELD_HIGH, ()) for number in range(1, 17)}
    check_selftest(board, **held)
    check_counting_goes_on(board, 5)


@pytest.mark.parametrize(
    ("kind", "group"),
    [("nano", (1, 16)), ("nano", (6, 7)), ("nano", (3, 9, 14)), ("mega", (1, 32)), ("mega", (8, 16, 25))],
)
def test_selftest_finds_shorted_inputs(make_board: MakeBoard, kind: str, group: tuple[int, ...]) -> None:
    board = make_board(kind, acknowledge=True)
    board.greet()
    board.simulator.join(*(board.pins[number - 1] for number in group))
    shorted = {
        f"in_{number}": (Verdict.SHORTED, tuple(other for other in group if other != number))
        for number in group
    }
    check_selftest(board, **shorted)
    faults = [record for record in board.stored if isinstance(record, FaultChange)]
    assert [(record.input, record.fault, record.active) for record in faults] == [
        (number, Fault.SHORTED, True) for number in group
    ]
    before = board.counters()
    one_closure(board, group[0])  # closes all of them
    after = board.counters()
    assert all(after[number].closures == before[number].closures + 1 for number in group)


# ---- trace, lamp, time


@EVERY_KIND
def test_a_trace_holds_every_edge_of_the_inputs_asked_for(make_board: MakeBoard, kind: str) -> None:
    board = make_board(kind, acknowledge=True)
    board.greet()
    assert board.command(CALM) == Status.DONE
    traced = [1, 5, 8, board.inputs]
    assert board.command(SetTrace(input_mask(traced))) == Status.DONE
    board.messages()
    chance = random.Random(8)
    start_us = board.now_us + 1000
    driven: list[tuple[float, int, bool]] = []
    for number in [*traced, 2]:
        at_us, closed = start_us, False
        for _ in range(80):
            at_us += chance.uniform(120, 12_000)
            closed = not closed
            driven.append((at_us, number, closed))
    board.play(driven)
    board.run_to(max(driven)[0] + 20_000)
    batches = board.received(TraceEdges)
    assert batches[-1].lost == 0
    assert max(len(batch.edges) for batch in batches) <= 8
    seen = [edge for batch in batches for edge in batch.edges]
    assert [time_us for time_us, _, _ in seen] == sorted(time_us for time_us, _, _ in seen)
    assert {number for _, number, _ in seen} == set(traced)
    for number in traced:
        sent = [(time_us, closed) for time_us, other, closed in driven if other == number]
        got = [(time_us, closed) for time_us, other, closed in seen if other == number]
        assert [closed for _, closed in got] == [closed for _, closed in sent]
        late = [(seen_us, sent_us) for (seen_us, _), (sent_us, _) in zip(got, sent, strict=True)]
        assert [pair for pair in late if not is_on_time(*pair)] == []


@EVERY_KIND
def test_the_lamp_echoes_closures(make_board: MakeBoard, kind: str) -> None:
    board = make_board(kind, acknowledge=True)
    board.greet()
    assert set(lamp_by_time(board, 100_000)) == {0}
    start_us = board.now_us
    board.play([(start_us, 4, True), (start_us + 3000, 4, False)])
    assert 10 <= sum(lamp_by_time(board, 200_000)) <= 15  # 3 ms are stretched so that the eye sees them
    start_us = board.now_us
    board.play([(start_us, 4, True), (start_us + 150_000, 4, False)])
    assert 28 <= sum(lamp_by_time(board, 300_000)) <= 35
    assert board.lamp == 0


def test_the_lamp_blinks_on_request(make_board: MakeBoard) -> None:
    board = make_board(acknowledge=True)
    board.greet()
    assert board.command(Blink(2)) == Status.DONE
    levels = lamp_by_time(board, 2_200_000)
    last_lit = max(i for i, level in enumerate(levels) if level)
    changes = sum(levels[i] != levels[i + 1] for i in range(len(levels) - 1))
    assert 1_000_000 <= last_lit * 5000 <= 2_000_000  # seconds are counted whole
    assert changes >= 14
    assert board.command(Blink(61)) == Status.BAD_VALUE


@EVERY_KIND
def test_a_time_probe_is_stamped_between_arrival_and_departure(make_board: MakeBoard, kind: str) -> None:
    board = make_board(kind)
    board.greet()
    for token in (0, 0xFFFFFFFF, 0x12345678):
        board.messages()
        board.say(TimeProbe(token))
        while board.simulator.bytes_on_line:
            board.simulator.run(board.simulator.cycle + 16)
        arrived_us = board.now_us
        reply = board.until(TimeReply, limit_us=10_000)
        assert reply.token == token
        departed_us = board.us_of(board.found_cycle)
        assert arrived_us - 3 <= reply.received_us <= reply.sent_us <= departed_us - 20 * 20
        assert departed_us - arrived_us < 5000
