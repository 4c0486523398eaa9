"""Tests the rig itself, with a firmware made for it (firmware_probe/probe.c)."""

from __future__ import annotations

import hashlib
import itertools
import os
import random
import select
import subprocess
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
import rig
from rig import PtyBoard, Simulator, SimulatorError

SOURCE = Path(__file__).parent / "firmware_probe" / "probe.c"
BYTE_CYCLES = 320
CHIPS = ("atmega328p", "atmega2560")
LAMP = ("B", 5)
Boot = Callable[..., Simulator]


def probe_elf(mcu: str) -> Path:
    compiler = [
        "avr-gcc",
        f"-mmcu={mcu}",
        "-DF_CPU=16000000UL",
        "-Os",
        "-std=gnu11",
        "-Wall",
        "-Wextra",
        "-Werror",
    ]
    key = hashlib.sha256(SOURCE.read_bytes() + " ".join(compiler).encode()).hexdigest()[:16]
    elf = rig.BUILD / f"avr-probe-{mcu}-{key}.elf"
    if not elf.exists():
        rig.BUILD.mkdir(exist_ok=True)
        fresh = elf.with_suffix(f".{os.getpid()}")
        subprocess.run([*compiler, str(SOURCE), "-o", str(fresh)], check=True)
        fresh.replace(elf)
    return elf


@pytest.fixture(params=CHIPS)
def boot(request: pytest.FixtureRequest) -> Iterator[Boot]:
    """Makes a simulator that has said hello, on each chip; the books must balance at the end."""
    made: list[Simulator] = []

    def make(**options: object) -> Simulator:
        simulator = Simulator(probe_elf(request.param), request.param, **options)  # type: ignore[arg-type]
        made.append(simulator)
        simulator.run_us(500)
        return simulator

    yield make
    for simulator in made:
        simulator.inputs_ledger.check()
        simulator.close()


def ask(simulator: Simulator, command: bytes, wait_us: float = 1000) -> bytes:
    simulator.output()
    simulator.send(command)
    simulator.run_us(wait_us)
    return simulator.output_bytes()


# ---- UART


def test_says_hello_with_the_reset_cause_and_scrambled_memory(boot: Boot) -> None:
    greeting = boot().output_bytes()
    assert greeting[:2] == b"H\x01"  # PORF
    assert greeting[2] != 0xC0


def test_echoes_at_the_pace_of_the_line(boot: Boot) -> None:
    simulator = boot()
    data = bytes(random.Random(1).randrange(0x80, 0x100) for _ in range(500))
    assert ask(simulator, data, wait_us=500 * 20 + 500) == data
    assert simulator.overruns == 0


@pytest.mark.parametrize("command", [b"t\xc8", b"p\xc8"], ids=["by interrupt", "polled"])
def test_bytes_back_to_back_are_ten_bits_apart(boot: Boot, command: bytes) -> None:
    simulator = boot()
    simulator.output()
    simulator.send(command)
    simulator.run_us(5000)
    sent = simulator.output()
    assert [value for _, value in sent] == list(range(200, 0, -1))
    assert {late - early for (early, _), (late, _) in itertools.pairwise(sent)} == {BYTE_CYCLES}


def test_eleven_bit_bytes_on_request(boot: Boot) -> None:
    simulator = boot(ten_bit_bytes=False)
    simulator.output()
    simulator.send(b"t\x14")
    simulator.run_us(1000)
    cycles = [cycle for cycle, _ in simulator.output()]
    assert {late - early for early, late in itertools.pairwise(cycles)} == {352}


def test_echo_leaves_one_byte_time_after_the_byte_arrived(boot: Boot) -> None:
    simulator = boot()
    simulator.output()
    start = simulator.cycle + 1000
    simulator.send(b"\x99", start)
    simulator.run_us(500)
    (cycle, value) = simulator.output()[0]
    assert value == 0x99
    assert 2 * BYTE_CYCLES < cycle - start < 2 * BYTE_CYCLES + 400  # in, some instructions, out


def test_receiver_holds_two_bytes_and_counts_the_rest_as_overruns(boot: Boot) -> None:
    simulator = boot()
    simulator.output()
    simulator.send(b"b\x14")  # 1.28 ms with interrupts off: nothing is read
    simulator.run_us(100)
    simulator.send(b"\x81\x82\x83\x84\x85")
    simulator.run_us(3000)
    assert simulator.output_bytes() == b"\x81\x82"
    assert simulator.overruns == 3
    assert simulator.read_memory(simulator.symbol("probe_status"), 1)[0] & 0x08  # DOR
    assert ask(simulator, b"\x86\x87") == b"\x86\x87"


def test_switching_the_receiver_off_loses_what_is_unread(boot: Boot) -> None:
    simulator = boot()
    simulator.output()
    simulator.send(b"f\x14")
    simulator.run_us(100)
    simulator.send(b"\x81\x82")
    simulator.run_us(3000)
    assert simulator.output_bytes() == b""
    assert ask(simulator, b"\x83") == b"\x83"


def test_transmit_complete_comes_with_the_end_of_the_byte(boot: Boot) -> None:
    simulator = boot()
    simulator.output()
    simulator.send(b"T")
    simulator.run_us(500)
    (first, one), (second, other) = simulator.output()
    assert bytes([one, other]) == b"Tt"
    assert BYTE_CYCLES < second - first < BYTE_CYCLES + 200


def test_bytes_sent_while_the_receiver_is_off_are_ignored(boot: Boot) -> None:
    simulator = boot()
    assert ask(simulator, b"\x99") == b"\x99"
    assert simulator.inputs_ledger.bytes_ignored == 0
    simulator.send(b"\x99", simulator.cycle)
    simulator.run_us(19.5)
    simulator.reset("external")  # half a microsecond before the byte is complete
    simulator.run_us(500)
    assert simulator.output_bytes() == b"H\x02\xc0"
    assert simulator.inputs_ledger.bytes_ignored == 1


def test_a_line_at_another_speed_gives_rubbish(boot: Boot) -> None:
    simulator = boot(byte_cycles=1389)  # 115200 baud
    assert ask(simulator, b"\x99\x99") != b"\x99\x99"
    assert simulator.inputs_ledger.bytes_misframed == 2


# ---- pins and nets


def test_pull_up_and_external_drive(boot: Boot) -> None:
    simulator = boot()
    assert ask(simulator, b"C\x0fr")[0] & 0x3F == 0x0F
    simulator.drive("C", 1, 0)
    assert ask(simulator, b"r")[0] & 0x3F == 0x0D
    # A write to PORT or DDR must not lift a pin that is held low from outside.
    assert ask(simulator, b"C\x1fD\x20r")[0] & 0x1F == 0x1D
    simulator.drive("C", 1, None)
    assert ask(simulator, b"r")[0] & 0x1F == 0x1F


def test_a_floating_pin_that_does_not_leak_keeps_its_level(boot: Boot) -> None:
    simulator = boot(leak_us=None)
    for level in (1, 0, 1):
        simulator.drive("C", 3, level)
        simulator.drive("C", 3, None)
        assert (ask(simulator, b"r")[0] >> 3) & 1 == level


def test_a_floating_net_leaks_to_low_after_its_time(boot: Boot) -> None:
    simulator = boot(leak_us=2500)
    simulator.join(("C", 0), ("C", 1))
    simulator.drive("C", 0, 1)
    ask(simulator, b"r", wait_us=5000)
    assert simulator.pin("C", 1) == 1  # while it is driven it keeps
    let_go = simulator.cycle
    simulator.drive("C", 0, None)
    simulator.run(let_go + 39_999)
    assert (simulator.pin("C", 0), simulator.pin("C", 1)) == (1, 1)
    simulator.run(let_go + 40_010)
    assert (simulator.pin("C", 0), simulator.pin("C", 1)) == (0, 0)
    assert ask(simulator, b"r")[0] & 0x03 == 0
    simulator.inputs_ledger.check()


def test_a_pull_up_that_goes_and_comes_restarts_the_leak(boot: Boot) -> None:
    simulator = boot()  # 1000 us
    assert ask(simulator, b"C\x04r", wait_us=900)[0] & 0x04
    ask(simulator, b"C\x00", wait_us=600)
    ask(simulator, b"C\x04", wait_us=600)
    ask(simulator, b"C\x00", wait_us=600)
    assert simulator.pin("C", 2) == 1
    simulator.run_us(600)
    assert simulator.pin("C", 2) == 0


def test_a_leak_is_the_same_however_the_run_is_cut(boot: Boot) -> None:
    def fell(slice_cycles: int) -> list[int]:
        simulator = boot()
        ask(simulator, b"m")
        start = simulator.cycle
        simulator.drive("C", 3, 1)
        simulator.drive("C", 3, None, at_cycle=start + 5000)
        while simulator.cycle < start + 40_000:
            simulator.run(simulator.cycle + slice_cycles)
        return [cycle - start for cycle, _ in simulator.output()]

    whole = fell(40_000)
    assert len(whole) == 4  # 'P' and the port, risen and fallen
    assert 5000 + 16_000 < whole[2] < 5000 + 16_000 + 1600
    assert fell(777) == whole


def test_contentions_are_counted(boot: Boot) -> None:
    simulator = boot()
    simulator.drive("C", 0, 1)
    ask(simulator, b"C\x02")  # pull-ups and one strong driver are no contention
    simulator.drive("C", 1, 0)
    assert simulator.contentions == 0
    ask(simulator, b"D\x01C\x02")  # C0 drives low against what drives it high
    assert simulator.contentions > 0


def test_joined_pins_follow_each_other_and_low_wins(boot: Boot) -> None:
    simulator = boot()
    simulator.join(("C", 0), ("C", 2))
    simulator.join(("C", 2), ("C", 4), ("C", 0))
    assert ask(simulator, b"C\x3fr")[0] & 0x3F == 0x3F
    assert ask(simulator, b"C\x3eD\x01r")[0] & 0x3F == 0x2A  # C0 drives low, C2 and C4 have pull-ups
    simulator.drive("C", 2, 1)
    assert ask(simulator, b"r")[0] & 0x3F == 0x2A  # low wins between strong drivers
    assert ask(simulator, b"D\x00r")[0] & 0x3F == 0x3F
    assert simulator.pin("C", 0) == 1


def test_an_output_shorted_to_ground_reads_low(boot: Boot) -> None:
    simulator = boot()
    assert ask(simulator, b"C\x01D\x01r")[0] & 1 == 1
    simulator.drive("C", 0, 0)
    assert ask(simulator, b"r")[0] & 1 == 0


def test_sbi_on_pin_toggles_one_output_only(boot: Boot) -> None:
    simulator = boot()
    simulator.drive("B", 1, 1)
    ask(simulator, b"O\x20")
    assert simulator.pin(*LAMP) == 0
    ask(simulator, b"o")
    assert simulator.pin(*LAMP) == 1
    simulator.drive("B", 1, None)
    ask(simulator, b"O\x22")  # B1 becomes an output: low, unless the SBI had set its PORT bit as well
    assert simulator.pin("B", 1) == 0
    ask(simulator, b"o")
    assert simulator.pin(*LAMP) == 0


def test_every_scheduled_edge_reaches_the_firmware(boot: Boot) -> None:
    simulator = boot()
    ask(simulator, b"C\x3fm")
    chance, cycle, level = random.Random(2), simulator.cycle, [1] * 6
    events: list[tuple[int, str, int, int | None]] = []
    expected = []
    for _ in range(300):
        cycle += chance.randrange(1700, 9000)  # at least one 800-cycle sample between two edges
        bit = chance.randrange(6)
        level[bit] ^= 1
        events.append((cycle, "C", bit, level[bit]))
        expected.append(sum(value << i for i, value in enumerate(level)))
    chance.shuffle(events)
    simulator.drive_many(events)
    simulator.run(cycle + 10_000)
    output = simulator.output_bytes()
    assert output[::2] == b"P" * 300
    assert [value & 0x3F for value in output[1::2]] == expected
    assert simulator.inputs_ledger.drives_applied == 300


def test_drives_for_one_cycle_keep_their_order(boot: Boot) -> None:
    simulator = boot()
    at = simulator.cycle + 100
    simulator.drive_many([(at + 10, "C", 0, 0), (at, "C", 0, 0), (at, "C", 0, 1)])
    simulator.run(at + 5)
    assert simulator.pin("C", 0) == 1
    simulator.run(at + 3000)
    assert simulator.pin("C", 0) == 0


def test_refuses_the_past_and_pins_that_are_not_there(boot: Boot) -> None:
    simulator = boot()
    with pytest.raises(ValueError, match="has passed"):
        simulator.drive("C", 0, 0, at_cycle=simulator.cycle - 1)
    with pytest.raises(ValueError, match="has passed"):
        simulator.send(b"x", at_cycle=simulator.cycle - 1)
    with pytest.raises(ValueError, match="no pin"):
        simulator.drive("Z", 0, 0)
    with pytest.raises(ValueError, match="no pin"):
        simulator.join(("C", 0), ("C", 8))
    with pytest.raises(ValueError, match="0, 1 or None"):
        simulator.drive("C", 0, 2)


# ---- time


def test_runs_repeat_to_the_cycle_however_they_are_cut(boot: Boot) -> None:
    def outputs(slice_cycles: int) -> tuple[list[tuple[int, int]], int, int]:
        simulator = boot()
        end = simulator.cycle + 400_000
        simulator.send(bytes(range(0x80, 0x100)) + b"m")
        simulator.drive_many((simulator.cycle + 60_000 + i * 977, "C", i % 3, i & 1) for i in range(200))
        while simulator.cycle < end:
            simulator.run(min(simulator.cycle + slice_cycles, end))
        return simulator.output(), simulator.idle_cycles, simulator.stack_low

    whole = outputs(400_000)
    assert len(whole[0]) > 400
    assert outputs(1013) == whole
    assert outputs(16_000) == whole


def test_idle_cycles_fall_when_there_is_work(boot: Boot) -> None:
    simulator = boot()
    start, slept = simulator.cycle, simulator.idle_cycles
    simulator.run_us(10_000)
    lazy = (simulator.idle_cycles - slept) / (simulator.cycle - start)
    start, slept = simulator.cycle, simulator.idle_cycles
    simulator.send(bytes([0x90]) * 500)
    simulator.run_us(10_000)
    busy = (simulator.idle_cycles - slept) / (simulator.cycle - start)
    assert 0.8 < lazy < 0.96
    assert busy < lazy - 0.2


def test_interrupt_cycles_include_entry_and_reti(boot: Boot) -> None:
    simulator = boot()
    ask(simulator, b"I")
    port = ("D", 2) if simulator.mcu == "atmega328p" else ("D", 0)
    for i in range(5):
        simulator.drive(*port, level=1 - i % 2)
        simulator.run_us(200)
    expected = 15 if simulator.mcu == "atmega328p" else 17
    assert simulator.interrupt_cycles(1) == [expected] * 5
    assert simulator.interrupt_cycles(1) == []


def test_leaving_sleep_takes_as_long_as_entering_the_interrupt(boot: Boot) -> None:
    simulator = boot()
    ask(simulator, b"I")
    port = ("D", 2) if simulator.mcu == "atmega328p" else ("D", 0)
    entry, stack_pointer = 4 if simulator.mcu == "atmega328p" else 5, 0x5D
    awake = simulator.cycle - simulator.idle_cycles
    simulator.run_us(1)
    while simulator.cycle - simulator.idle_cycles != awake:  # until it slept all of a microsecond
        awake = simulator.cycle - simulator.idle_cycles
        simulator.run_us(1)
    before = simulator.read_memory(stack_pointer, 1)
    edge = simulator.cycle
    simulator.drive(*port, 1, at_cycle=edge)
    while simulator.read_memory(stack_pointer, 1) == before:
        simulator.run(simulator.cycle + 1)
    assert simulator.cycle - edge == 2 * entry


def test_one_instruction_runs_between_sei_and_a_waiting_interrupt(boot: Boot) -> None:
    simulator = boot()
    assert ask(simulator, b"S") == b"E"
    assert simulator.read_memory(simulator.symbol("probe_served_after"), 1) == b"\x01"


def test_sampler_interrupt_comes_every_50_us(boot: Boot) -> None:
    simulator = boot()
    vector = 7 if simulator.mcu == "atmega328p" else 13
    simulator.interrupt_cycles(vector)
    simulator.run_us(10_000)
    cycles = simulator.interrupt_cycles(vector)
    assert 199 <= len(cycles) <= 201
    assert 40 < min(cycles) == max(cycles) < 120


# ---- memory, stack, EEPROM


def test_reads_variables_by_name(boot: Boot) -> None:
    simulator = boot()
    assert simulator.read_memory(simulator.symbol("probe_marker"), 2) == b"\xef\xbe"
    with pytest.raises(KeyError, match="no symbol"):
        simulator.symbol("nonesuch")
    with pytest.raises(KeyError, match="not in data memory"):
        simulator.symbol("main")
    with pytest.raises(ValueError, match="not within"):
        simulator.read_memory(0x10000, 1)


def test_stack_grows_by_a_known_step_per_level(boot: Boot) -> None:
    simulator = boot()
    lows = []
    for depth in (10, 11, 12):
        ask(simulator, bytes([ord("s"), depth]))
        lows.append(simulator.stack_low)
    assert lows[0] - lows[1] == lows[1] - lows[2]
    assert 10 < lows[0] - lows[1] < 20  # 8 bytes of room, the return address, what is saved
    headroom = simulator.stack_headroom()
    ask(simulator, b"s\x02")
    assert simulator.stack_headroom() == headroom == lows[2] + 1 - simulator.symbol("_end")


def test_stack_low_agrees_with_what_was_written(boot: Boot) -> None:
    # Memory between the variables and the lowest stack pointer still holds the pattern it had at power-on.
    simulator = boot()
    fresh = Simulator(simulator.program.path, simulator.mcu)
    ask(simulator, b"s\x14")
    end, low = simulator.symbol("_end"), simulator.stack_low
    size = low + 1 - end
    assert simulator.read_memory(end, size) == fresh.read_memory(end, size)
    assert simulator.read_memory(low + 1, 8) != fresh.read_memory(low + 1, 8)
    fresh.close()


def test_eeprom_write_takes_time_and_is_polled(boot: Boot) -> None:
    simulator = boot()
    simulator.output()
    simulator.send(b"W\x05\xa7")
    simulator.run_us(6000)
    (started, first), (finished, second) = simulator.output()
    assert bytes([first, second]) == b"Ww"
    assert 3300 < (finished - started) / 16 < 3600
    assert simulator.eeprom[5] == 0xA7
    assert ask(simulator, b"R\x05") == b"\xa7"
    assert ask(simulator, b"R\x06") == b"\xff"


def test_eeprom_write_needs_eempe_just_before(boot: Boot) -> None:
    simulator = boot()
    ask(simulator, b"L\x05\xa7", wait_us=5000)
    assert simulator.eeprom[5] == 0xFF


def test_eeprom_ready_interrupt_waits_for_the_write(boot: Boot) -> None:
    simulator = boot()
    assert ask(simulator, b"E") == b"E"  # ready: at once
    assert ask(simulator, b"W\x05\x01E") == b"W"
    simulator.run_us(3000)
    assert sorted(simulator.output_bytes()) == sorted(b"wE")


def test_eeprom_contents_are_given_and_kept_across_resets(boot: Boot) -> None:
    simulator = boot(eeprom=bytes([1, 2, 3]))
    assert ask(simulator, b"R\x02") == b"\x03"
    ask(simulator, b"W\x02\x44", wait_us=5000)
    simulator.reset("power_on")
    simulator.run_us(500)
    assert ask(simulator, b"R\x02") == b"\x44"
    simulator.eeprom = b"\x09"
    assert ask(simulator, b"R\x00") == b"\x09"
    assert simulator.eeprom[1:] == b"\xff" * (len(simulator.eeprom) - 1)
    with pytest.raises(ValueError, match="do not fit"):
        simulator.eeprom = bytes(5000)


@pytest.mark.parametrize(("cause", "left"), [("external", 0x33), ("power_on", 0xFF), ("brown_out", 0xFF)])
def test_power_loss_during_an_eeprom_write_leaves_the_byte_erased(boot: Boot, cause: str, left: int) -> None:
    simulator = boot(eeprom=bytes([0x22]))
    assert ask(simulator, b"W\x00\x33") == b"W"
    simulator.reset(cause)
    assert simulator.eeprom[0] == left


# ---- resets and crashes


@pytest.mark.parametrize(
    ("cause", "flag"), [("power_on", 0x01), ("external", 0x02), ("brown_out", 0x04), ("watchdog", 0x08)]
)
def test_reset_cause_and_memory(boot: Boot, cause: str, flag: int) -> None:
    simulator = boot()
    before = simulator.cycle
    simulator.output()
    simulator.reset(cause)
    simulator.run_us(500)
    greeting = simulator.output_bytes()
    assert greeting[:2] == bytes([ord("H"), flag])
    assert (greeting[2] == 0xC0) == (cause != "power_on")
    assert simulator.resets == 1
    assert simulator.cycle > before
    # The first start can have another cause too; memory is disordered then as well.
    other = Simulator(simulator.program.path, simulator.mcu, reset_cause=cause)
    other.run_us(500)
    first = other.output_bytes()
    assert first[1] == flag
    assert first[2] != 0xC0
    assert other.resets == 0
    other.close()


def test_watchdog_bites_a_hanging_firmware_only(boot: Boot) -> None:
    simulator = boot()
    simulator.run_us(100_000)
    assert simulator.resets == 0
    assert ask(simulator, b"x", wait_us=12_000) == b""
    simulator.run_us(8000)
    assert simulator.output_bytes() == b"H\x08\xc0"
    assert simulator.resets == 1
    assert ask(simulator, b"\x90") == b"\x90"
    simulator.run_us(100_000)
    assert simulator.resets == 1


def test_registers_after_reset(boot: Boot) -> None:
    simulator = boot()
    simulator.reset("watchdog")
    assert simulator.read_memory(0x60, 1)[0] & 0x08  # WDE: the watchdog goes on, at its shortest
    assert simulator.read_memory(0xC0, 3) == b"\x20\x00\x06"  # UCSR0A to C: the transmitter is off
    simulator.reset("external")
    assert simulator.read_memory(0x54, 1)[0] == 0x0A  # MCUSR piles up until it is cleared
    assert simulator.read_memory(0x60, 1)[0] & 0x08  # and WDRF holds WDE
    simulator.reset("power_on")
    assert simulator.read_memory(0x54, 1)[0] == 0x01


def test_drives_go_on_after_the_watchdog_bit_within_a_run(boot: Boot) -> None:
    simulator = boot()
    simulator.send(b"x")
    simulator.drive("C", 0, 1, at_cycle=simulator.cycle + 600_000)
    simulator.run(simulator.cycle + 600_100)
    assert simulator.resets == 1
    assert simulator.pin("C", 0) == 1


def test_levels_and_line_survive_a_reset(boot: Boot) -> None:
    simulator = boot()
    simulator.drive("C", 2, 1)
    simulator.drive("C", 3, 0, at_cycle=simulator.cycle + 20_000)
    ask(simulator, b"C\x3f", wait_us=100)
    simulator.reset("external")
    assert simulator.pin("C", 2) == 1
    simulator.run_us(2000)
    assert ask(simulator, b"r")[0] & 0x0C == 0x04
    assert ask(simulator, b"C\x3fr")[0] & 0x3F == 0x37


def test_a_reset_aborts_the_byte_being_sent(boot: Boot) -> None:
    simulator = boot()
    simulator.output()
    simulator.send(b"t\x64")
    simulator.run_us(1000)
    simulator.reset("external")
    ledger = simulator.inputs_ledger
    assert ledger.bytes_aborted == 2  # one in the shift register, one behind it
    assert ledger.bytes_in_flight == 0


@pytest.mark.parametrize(
    ("command", "complaint"), [(b"z", "sleep for good"), (b"k", "crashed.*Invalid write")]
)
def test_a_stopped_core_is_an_error_until_reset(boot: Boot, command: bytes, complaint: str) -> None:
    simulator = boot()
    for _ in range(2):
        with pytest.raises(SimulatorError, match=complaint):
            ask(simulator, command)
    simulator.reset("external")
    simulator.run_us(500)
    assert simulator.output_bytes()[-3:] == b"H\x02\xc0"


def test_the_books_notice_a_loss(boot: Boot) -> None:
    simulator = boot()
    simulator._bytes_given += 1
    with pytest.raises(SimulatorError, match="bytes in"):
        _ = simulator.inputs_ledger
    simulator._bytes_given -= 1
    simulator._drives_given += 1
    with pytest.raises(SimulatorError, match="drives"):
        _ = simulator.inputs_ledger
    simulator._drives_given -= 1
    simulator._bytes_taken += 1
    with pytest.raises(SimulatorError, match="bytes out"):
        _ = simulator.inputs_ledger
    simulator._bytes_taken -= 1


def test_refuses_what_is_not_a_program(tmp_path: Path) -> None:
    elf = probe_elf(CHIPS[0])
    (tmp_path / "text").write_bytes(b"not an ELF file")
    (tmp_path / "short").write_bytes(elf.read_bytes()[:200])
    with pytest.raises(SimulatorError, match="not a 32-bit"):
        Simulator(tmp_path / "text")
    with pytest.raises(SimulatorError, match="cut short"):
        Simulator(tmp_path / "short")
    with pytest.raises(SimulatorError, match="knows no"):
        Simulator(elf, "nonesuch")
    simulator = Simulator(elf)
    simulator.close()
    simulator.close()
    with pytest.raises(SimulatorError, match="closed"):
        simulator.run_us(1)


def test_100000_events_are_cheap(boot: Boot) -> None:
    simulator = boot()
    start = simulator.cycle
    events = [(start + i * 20, "C", i % 6, (i // 6) & 1) for i in range(100_000)]
    random.Random(3).shuffle(events)
    used_s = time.process_time()
    simulator.drive_many(events)
    simulator.run(start + 2_000_000)
    assert simulator.inputs_ledger.drives_applied == 100_000
    assert time.process_time() - used_s < 10  # a scan of the list per event would take minutes


# ---- behind a pseudo-terminal


class Host:
    """The other end of a port, as a program sees it."""

    def __init__(self, port: str) -> None:
        self.file = os.open(port, os.O_RDWR | os.O_NOCTTY)

    def read(self, size: int) -> bytes:
        """Waits until `size` bytes have come; fails after 20 s, which only a dead board needs."""
        data = b""
        while len(data) < size:
            ready, _, _ = select.select([self.file], [], [], 20)
            assert ready, f"only {data!r} came"
            data += os.read(self.file, size - len(data))
        return data

    def write(self, data: bytes) -> None:
        while data:
            data = data[os.write(self.file, data) :]

    def close(self) -> None:
        os.close(self.file)


def wait_cycles(board: PtyBoard, cycles: int) -> None:
    with board.lock:
        end = board.simulator.cycle + cycles
    while board.simulator.cycle < end:
        time.sleep(0.001)


def test_pty_board_resets_on_open_echoes_and_takes_pin_events(boot: Boot) -> None:
    simulator = boot()
    with PtyBoard(simulator, auto_reset=True) as board:
        for _ in range(2):
            host = Host(board.port)
            assert host.read(3) == b"H\x02\xc0"
            data = bytes(range(0x80, 0x100)) * 8
            host.write(data)
            assert host.read(len(data)) == data
            host.write(b"\x98\x99\x9a")
            assert host.read(1) == b"\x98"  # the rest stays unread, and must not meet the next user
            wait_cycles(board, 50_000)
            host.close()
            # Closing is seen at the next slice; reopening before would be the same session to the board.
            wait_cycles(board, 100_000)
        host = Host(board.port)
        assert host.read(3) == b"H\x02\xc0"
        host.write(b"m\x99")
        assert host.read(1) == b"\x99"
        with board.lock:
            simulator.drive("C", 4, 1 - simulator.pin("C", 4), at_cycle=simulator.cycle + 1000)
        assert host.read(2)[:1] == b"P"
        host.close()
    assert simulator.resets == 3
    assert simulator.overruns == 0


def test_pty_board_leaves_what_the_line_cannot_carry_to_the_writer(boot: Boot) -> None:
    waiting = []
    with PtyBoard(boot()) as board:
        host = Host(board.port)
        data = bytes([0x90]) * 3000
        host.write(data)
        for _ in range(0, len(data), 100):
            assert host.read(100) == data[:100]
            with board.lock:
                waiting.append(board.simulator.bytes_on_line)
        host.close()
    assert 0 < max(waiting) <= 256


def test_pty_board_keeps_about_real_time(boot: Boot) -> None:
    simulator = boot()
    with PtyBoard(simulator) as board:
        with board.lock:
            begin_cycle, begin_s = simulator.cycle, time.monotonic()
        time.sleep(0.3)
        with board.lock:
            ran_s, took_s = (simulator.cycle - begin_cycle) / 16e6, time.monotonic() - begin_s
    assert ran_s < took_s + 0.05  # never ahead; behind only as far as the machine is slow


def test_an_unplugged_pty_board_is_an_error_to_the_host(boot: Boot) -> None:
    with PtyBoard(boot()) as board:
        host = Host(board.port)
        host.write(b"\x99")
        assert host.read(1) == b"\x99"
        board.vanish()
        with pytest.raises(OSError, match="Input/output error"):
            host.write(b"\x99")
        host.close()


def test_a_crash_behind_the_pty_is_raised_at_the_end(boot: Boot) -> None:
    def put_to_sleep(board: PtyBoard) -> None:
        with board:
            host = Host(board.port)
            host.write(b"z")
            select.select([host.file], [], [], 20)
            host.close()

    with pytest.raises(SimulatorError, match="sleep for good"):
        put_to_sleep(PtyBoard(boot()))
