"""The real Pico binary, from pins to packets: what protocol.md and DEVELOPERS.md promise."""

from __future__ import annotations

import random
import subprocess
from collections.abc import Callable

import pytest
from emulator import FLASH_ID, ROOT
from firmware.build_id import build_id
from pico_board import BEGUN, BLANK, PicoBoard

from firmware_checks import (
    BOARD_DEFAULTS,
    check_bouncing_closures,
    check_counting_goes_on,
    check_recorded_switch,
    check_same_as_core,
    check_selftest,
    check_settings_survive,
    check_settings_take_effect,
    lamp_by_time,
    one_closure,
    settings_of,
)
from reedproof.records import (
    Blink,
    BoardKind,
    Broke,
    Fault,
    FaultChange,
    Heartbeat,
    Hello,
    Lost,
    Made,
    NameBoard,
    Reboot,
    ResetCause,
    SayHello,
    SetBoard,
    SetInput,
    Status,
    TimeProbe,
    TimeReply,
    Verdict,
)
from simulated_board import RECORDS, SAMPLE_US

MakeBoard = Callable[..., PicoBoard]

EDGE_LATE_US = SAMPLE_US + 3  # the stamp is taken a microsecond after the interrupt began


def is_on_time(reported_us: float, edge_us: float) -> bool:
    return -1 <= reported_us - edge_us <= EDGE_LATE_US


# ---- plugged in


def test_says_who_it_is_to_usb_and_to_the_host(make_board: MakeBoard) -> None:
    board = make_board()
    unasked = board.until(Hello)
    assert (unasked.build, unasked.kind) == (build_id(), BoardKind.PICO)
    assert (unasked.inputs, unasked.sample_us) == (26, SAMPLE_US)
    assert (unasked.board, unasked.boot, unasked.oldest, unasked.next) == (0, 1, 0, 0)
    board.messages()
    board.say(SayHello())
    assert board.until(Hello, limit_us=5000).time_us > unasked.time_us
    told = board.simulator.descriptors
    assert told["device"][8:12] == [0x09, 0x12, 0x01, 0x00]  # 1209:0001, for tests only
    strings = [bytes(string[2:]).decode("utf-16-le") for string in told["strings"][1:]]
    assert strings == ["reedproof", "reedproof Pico", FLASH_ID.hex().upper()]
    assert told["status"] == [0, 0]
    assert told["qualifierRefused"]  # as USB 2.0, 9.6.2 demands of what has full speed only
    check_descriptors(told["configuration"])


def check_descriptors(configuration: list[int]) -> None:
    """Lengths and counts agree (USB 2.0, 9.6.3 to 9.6.6)."""
    assert configuration[2] | configuration[3] << 8 == len(configuration)
    parts = []
    while configuration:
        parts.append(configuration[: configuration[0]])
        configuration = configuration[configuration[0] :]
    interfaces = [part for part in parts if part[1] == 4]
    endpoints = [part for part in parts if part[1] == 5]
    assert parts[0][4] == len(interfaces) == 2
    assert [part[4] for part in interfaces] == [1, 2]
    assert [part[5] for part in interfaces] == [2, 10]  # CDC, CDC data
    assert [(part[2], part[3], part[4]) for part in endpoints] == [(0x81, 3, 8), (2, 2, 64), (0x82, 2, 64)]


def test_is_silent_before_a_host_says_hello(make_board: MakeBoard) -> None:
    board = make_board()
    start_us = board.now_us + 100_000
    board.play([(start_us, 1, True), (start_us + 20_000, 1, False)])
    board.run_us(400_000)
    assert [type(message) for _, message in board.messages()] == [Hello]
    board.say(SayHello())
    board.run_us(20_000)
    assert [type(message) for message in board.received((Hello, Made, Broke))] == [Hello, Made, Broke]


def test_a_bus_reset_sets_the_port_up_again(make_board: MakeBoard) -> None:
    board = make_board(acknowledge=True)
    boot = board.greet().boot
    for _ in range(2):
        board.simulator.tell_host(ready=False)
        board.run_us(40_000)
        board.say(SayHello())
        assert board.until(Hello).boot == boot
        one_closure(board)
    assert [type(record) for record in board.stored] == [Made, Broke] * 2


def test_cleared_halts_lose_nothing(make_board: MakeBoard) -> None:
    board = make_board(acknowledge=True)
    board.greet()
    for _ in range(6):
        one_closure(board)
        board.simulator.tell_host(restarts=True)
    one_closure(board)
    assert [type(record) for record in board.stored] == [Made, Broke] * 7
    assert board.counters()[1].frames_bad == 0


def test_many_commands_at_once_are_all_answered(make_board: MakeBoard) -> None:
    """Packets of 64 bytes, whatever ends where; the board says when it takes no more."""
    board = make_board()
    board.greet()
    for token in range(60):
        board.say(SetInput(token % 26 + 1, 1000 + token, 9000))
    board.run_us(60_000)
    settings = settings_of(board)[1]
    assert [settings[number].make_us for number in range(1, 27)] == [
        1000 + max(token for token in range(60) if token % 26 == number - 1) for number in range(1, 27)
    ]


def test_a_host_that_does_not_fetch_loses_nothing(make_board: MakeBoard) -> None:
    board = make_board(acknowledge=True)
    board.greet()
    board.simulator.tell_host(reading=False)
    for number in range(1, 11):
        one_closure(board, number)
    board.run_us(1_500_000)  # longer than the watchdog waits
    assert board.stored == []
    board.simulator.tell_host(reading=True)
    board.run_us(200_000)
    assert [type(record) for record in board.stored] == [Made, Broke] * 10
    board.counters()
    board.check_ledger()


# ---- closures and records


def test_a_bouncing_closure_is_attributed_and_timed_on_every_input(make_board: MakeBoard) -> None:
    board = make_board(acknowledge=True)
    board.greet()
    check_bouncing_closures(board, EDGE_LATE_US)


@pytest.mark.parametrize("seed", [5, 6])
def test_the_chip_decides_what_the_core_decides(make_board: MakeBoard, seed: int) -> None:
    check_same_as_core(make_board(acknowledge=True), seed)


def test_every_press_closes_once_and_every_release_opens_once(make_board: MakeBoard) -> None:
    check_recorded_switch(make_board(acknowledge=True, slice_us=5000))


def test_every_random_edge_is_counted(make_board: MakeBoard) -> None:
    board = make_board(acknowledge=True, slice_us=5000)
    board.greet()
    chance = random.Random(20)
    start_us = board.now_us + 1000
    edges, driven = [], {}
    for number in range(1, board.inputs + 1):
        at_us, closed, count = start_us + chance.uniform(0, 100_000), False, 0
        while at_us < start_us + 1_500_000 or closed:
            at_us += chance.uniform(10_000, 200_000) if chance.random() < 0.3 else chance.uniform(60, 4000)
            closed, count = not closed, count + 1
            edges.append((at_us, number, closed))
        driven[number] = count
    board.play(edges)
    board.run_to(max(edges)[0] + 20_000)
    beats = board.counters()
    assert {number: beat.edges for number, beat in beats.items()} == driven
    assert beats[1].snapshots_lost == 0
    assert sum(beat.closures for beat in beats.values()) > 100
    board.check_ledger()


def test_a_silent_host_never_makes_a_loss_silent(make_board: MakeBoard) -> None:
    board = make_board(slice_us=5000)
    board.greet()
    start_us, closures = board.now_us + 100, 90
    for i in range(closures):
        at_us = start_us + i * 4000
        board.play([(at_us, i % 26 + 1, True), (at_us + 3000, i % 26 + 1, False)])
    board.run_us(closures * 4000 + 30_000)
    board.acknowledge = True
    board.say(SayHello())
    board.run_us(100_000)
    one_closure(board, 7)
    beats = board.counters()
    lost = [record for record in board.stored if isinstance(record, Lost)]
    assert len(lost) == 1
    assert sum(beat.closures for beat in beats.values()) == closures + 1
    assert sum(beat.lost for beat in beats.values()) > 0
    made = {number: 0 for number in beats}
    for record in board.stored:
        if isinstance(record, Made):
            made[record.input] += 1
    assert {number: made[number] + beat.lost for number, beat in beats.items()} == {
        number: beat.closures for number, beat in beats.items()
    }
    board.check_ledger()


def test_a_storm_on_all_other_inputs_loses_nothing_of_a_quiet_one(make_board: MakeBoard) -> None:
    board = make_board(acknowledge=True)
    board.greet()
    start_us = board.now_us + 1000
    board.play((start_us + i * SAMPLE_US, number, i % 2 == 0) for number in range(1, 26) for i in range(2400))
    quiet = [(start_us + 10_000 + i * 13_007.5, 26, i % 2 == 0) for i in range(8)]
    board.play(quiet)
    board.run_us(170_000)
    seen = [record for record in board.stored if isinstance(record, (Made, Broke)) and record.input == 26]
    assert [isinstance(record, Made) for record in seen] == [closed for _, _, closed in quiet]
    late_us = [record.time_us - edge[0] for record, edge in zip(seen, quiet, strict=True)]
    print(late_us)
    assert min(late_us) >= -1
    assert max(late_us) <= 15 * SAMPLE_US + EDGE_LATE_US  # what the queue of samples holds
    chatter = [record for record in board.stored if isinstance(record, FaultChange) and record.active]
    assert {(record.input, record.fault) for record in chatter} == {(n, Fault.CHATTER) for n in range(1, 26)}
    board.counters()
    board.check_ledger()


# ---- settings and non-volatile memory


def test_settings_survive_resets_and_power_cycles(make_board: MakeBoard) -> None:
    board = make_board()
    check_settings_survive(board, lambda: make_board(flash=board.simulator.nv))


def test_settings_take_effect(make_board: MakeBoard) -> None:
    check_settings_take_effect(make_board(acknowledge=True))


def test_refused_settings_change_nothing(make_board: MakeBoard) -> None:
    board = make_board()
    board.greet()
    before = board.simulator.nv
    for bad in (SetInput(27, 1, 1), SetInput(1, 0, 1), SetBoard(3_600_001, 0, 0, 9)):
        assert board.command(bad) == Status.BAD_VALUE
    board.run_us(50_000)
    assert settings_of(board)[0] == BOARD_DEFAULTS
    assert board.simulator.nv == before


def test_nothing_is_missed_while_the_flash_is_erased(make_board: MakeBoard) -> None:
    """A journal that fills up is copied to the other sector meanwhile, 45 ms of erasing and more."""
    board = make_board(acknowledge=True, slice_us=5000)
    board.greet()
    erases = board.simulator.erases
    start_us = board.now_us + 1000
    closures = [(start_us + i * 16_003.7, i % 26 + 1) for i in range(60)]
    for at_us, number in closures:
        board.play([(at_us, number, True), (at_us + 4000, number, False)])
    name = 0
    while board.now_us < closures[-1][0] + 30_000:
        name += 0x01010101
        assert board.command(NameBoard(name & 0xFFFFFFFF)) == Status.DONE
        board.run_us(4000)
    board.run_us(50_000)
    assert board.simulator.erases - erases >= 1
    made = sorted(record.time_us for record in board.stored if isinstance(record, Made))
    late = [(reported, edge[0]) for reported, edge in zip(made, closures, strict=True)]
    assert [pair for pair in late if not is_on_time(*pair)] == []
    assert board.counters()[1].snapshots_lost == 0
    board.check_ledger()
    board.reset("power_on")
    assert board.greet().board == name & 0xFFFFFFFF


def test_power_lost_while_a_boot_is_numbered_repeats_no_number(make_board: MakeBoard) -> None:
    board = make_board()
    boots = [board.until(Hello).boot]
    for cut_us in (500, 4000, 9000, 9050, 9100, 9200, 9300, 9500):
        board.reset("power_on")
        board.run_us(cut_us)
        board.messages()
        board.reset("power_on")
        boots.append(board.until(Hello).boot)
    assert boots == sorted(set(boots))


def test_a_blank_flash_means_defaults(make_board: MakeBoard) -> None:
    board = make_board(flash=BLANK)
    hello = board.greet()
    assert (hello.settings_defaulted, hello.boot) == (True, 1)
    assert settings_of(board)[0] == BOARD_DEFAULTS
    assert board.simulator.erases == 1
    assert board.simulator.nv[4096:4104] == BEGUN[4096:4104]
    assert make_board(flash=board.simulator.nv).until(Hello).boot == 2


# ---- resets


@pytest.mark.parametrize(
    ("cause", "told"),
    [
        ("external", ResetCause.EXTERNAL),
        ("power_on", ResetCause.POWER_ON),
        ("brown_out", ResetCause.POWER_ON),
        ("loader", ResetCause.UNKNOWN),
    ],
)
def test_tells_what_reset_it(make_board: MakeBoard, cause: str, told: ResetCause) -> None:
    """The chip notes a brown-out as a power-on (RP2040 datasheet, CHIP_RESET)."""
    board = make_board()
    assert board.until(Hello).reset_cause == ResetCause.POWER_ON
    board.reset(cause)
    assert board.until(Hello).reset_cause == told


def reboot(board: PicoBoard) -> Hello:
    assert board.command(Reboot()) == Status.DONE
    board.until_reset(50_000)
    return board.until(Hello)


def test_reboots_when_asked(make_board: MakeBoard) -> None:
    board = make_board()
    boot = board.greet().boot
    hello = reboot(board)
    assert (hello.boot, hello.reset_cause) == (boot + 1, ResetCause.REQUESTED)


def test_reboots_when_asked_by_a_host_that_does_not_listen(make_board: MakeBoard) -> None:
    board = make_board()
    boot = board.greet().boot
    board.simulator.tell_host(reading=False)
    board.run_us(100_000)
    board.say(Reboot())
    board.until_reset(1_200_000)
    hello = board.until(Hello)
    assert (hello.boot, hello.reset_cause) == (boot + 1, ResetCause.REQUESTED)


def test_the_watchdog_ends_a_hang(make_board: MakeBoard) -> None:
    board = make_board()
    boot = board.greet().boot
    assert reboot(board).reset_cause == ResetCause.REQUESTED  # and is forgotten before the hang
    names = subprocess.run(
        ["arm-none-eabi-nm", ROOT / "build" / "pico.elf"], capture_output=True, text=True, check=True
    ).stdout
    address = next(line.split()[0] for line in names.splitlines() if line.endswith(" device_poll"))
    board.simulator.hang(int(address, 16))
    assert 990_000 < board.until_reset(2_000_000) < 1_010_000
    hello = board.until(Hello)
    assert (hello.boot, hello.reset_cause) == (boot + 2, ResetCause.WATCHDOG)
    board.say(SayHello())
    board.until(Heartbeat)


# ---- electrical self-test


@pytest.mark.parametrize("leak_us", [100, None])
def test_selftest_of_bare_inputs(make_board: MakeBoard, leak_us: float | None) -> None:
    """Also of lines that would keep their charge for ever: the chip pulls them down."""
    board = make_board(leak_us=leak_us)
    board.greet()
    check_selftest(board)
    check_counting_goes_on(board, 1, board.inputs)


def test_selftest_finds_a_closed_contact_or_a_short_to_ground(make_board: MakeBoard) -> None:
    board = make_board()
    board.greet()
    board.close_contact(2)
    board.close_contact(26)
    board.run_us(5000)
    low = (Verdict.READS_LOW, ())
    check_selftest(board, in_2=low, in_26=low)
    board.open_contact(2)
    board.open_contact(26)
    board.run_us(30_000)
    check_selftest(board)
    check_counting_goes_on(board, 2, 3)


def test_selftest_never_drives_an_input_that_is_tied_high(make_board: MakeBoard) -> None:
    board = make_board()
    board.greet()
    for number in (1, 8, 26):
        board.drive(number, 1)
    high = (Verdict.HELD_HIGH, ())
    check_selftest(board, in_1=high, in_8=high, in_26=high)
    assert [board.simulator.pin(*board.pins[number - 1]) for number in (1, 8, 26)] == [1, 1, 1]
    check_counting_goes_on(board, 2, 9)


@pytest.mark.parametrize("group", [(1, 26), (23, 24), (3, 9, 25)])
def test_selftest_finds_shorted_inputs(make_board: MakeBoard, group: tuple[int, ...]) -> None:
    board = make_board(acknowledge=True)
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


# ---- lamp, time


def test_the_lamp_echoes_closures_and_blinks_on_request(make_board: MakeBoard) -> None:
    board = make_board(acknowledge=True)
    board.greet()
    assert set(lamp_by_time(board, 50_000)) == {0}
    start_us = board.now_us
    board.play([(start_us, 4, True), (start_us + 3000, 4, False)])
    assert 10 <= sum(lamp_by_time(board, 200_000)) <= 15
    assert board.lamp == 0
    assert board.command(Blink(1)) == Status.DONE
    levels = lamp_by_time(board, 500_000)
    assert sum(levels[i] != levels[i + 1] for i in range(len(levels) - 1)) >= 4


def test_a_time_probe_is_stamped_between_arrival_and_departure(make_board: MakeBoard) -> None:
    board = make_board()
    board.greet()
    for token in (0, 0xFFFFFFFF, 0x12345678):
        board.messages()
        said_us = board.now_us
        board.say(TimeProbe(token))
        reply = board.until(TimeReply, limit_us=10_000)
        assert reply.token == token
        departed_us = board.us_of(board.found_cycle)
        assert said_us - 1 <= reply.received_us <= reply.sent_us <= departed_us
        assert departed_us - said_us < 2000


def test_what_is_not_acknowledged_is_sent_again_unchanged(make_board: MakeBoard) -> None:
    board = make_board()
    board.greet()
    one_closure(board)
    first = board.received(RECORDS)
    assert [record.number for record in first] == [0, 1]
    board.until(Broke)
    assert board.received(RECORDS) == first
