"""What the worst storm costs: every input of the Nano changes at every sample."""

from __future__ import annotations

from benchmarks.avr import CYCLES_PER_SAMPLE, SAMPLING_VECTOR, VECTORS, Report, counter_loop_board

# isort: split
from avr_board import CYCLES_PER_US, PINS, AvrBoard  # benchmarks.avr has made the rig importable
from rig import Simulator

SECOND_US = 1_000_000
IDLE_TURNS_US = 200_000
QUEUED_CYCLES = 80  # a service of the sampling interrupt that queues a snapshot takes longer than any other


def toggle(simulator: Simulator, begin_cycle: int, duration_us: int) -> None:
    """All inputs of the Nano, tied together, change once in every sample."""
    simulator.join(*PINS["nano"])
    port, bit = PINS["nano"][0]
    samples = range(duration_us * CYCLES_PER_US // CYCLES_PER_SAMPLE)
    simulator.drive_many(
        (begin_cycle + i * CYCLES_PER_SAMPLE, port, bit, None if i % 2 else 0) for i in samples
    )


def counter_loop_cycles() -> int:
    """Of the plain interrupt when every input changes at every sample."""
    with counter_loop_board() as simulator:
        simulator.run_us(5000)
        simulator.interrupt_cycles(SAMPLING_VECTOR)
        toggle(simulator, simulator.cycle, 50_000)
        simulator.run_us(40_000)
        return max(simulator.interrupt_cycles(SAMPLING_VECTOR))


class Meter:
    """Cycles that are not spare, and samples handled, from here on.

    The main loop never sleeps: it writes to the lamp's port once a turn. A turn that finds nothing to do
    costs always the same; the turns that are left in a storm, times that, are spare.
    """

    def __init__(self, board: AvrBoard, idle_turn_cycles: float) -> None:
        self.simulator = board.simulator
        self.idle_turn_cycles = idle_turn_cycles
        self.restart()

    def restart(self) -> None:
        self.simulator.interrupt_cycles(SAMPLING_VECTOR)
        self.begin = (self.simulator.cycle, self.simulator.port_writes)

    def read(self) -> tuple[float, float]:
        """Cycles of work a sample, and the share of samples that were handled, in percent."""
        services = self.simulator.interrupt_cycles(SAMPLING_VECTOR)
        elapsed = self.simulator.cycle - self.begin[0]
        turns = self.simulator.port_writes - self.begin[1]
        work = elapsed - turns * self.idle_turn_cycles
        return work / len(services), 100 * sum(map(QUEUED_CYCLES.__lt__, services)) / len(services)


def idle_turn_cycles(board: AvrBoard) -> float:
    simulator = board.simulator
    for vector in VECTORS:
        simulator.interrupt_cycles(vector)
    begin, turns = simulator.cycle, simulator.port_writes
    board.run_us(IDLE_TURNS_US)
    interrupts = sum(sum(simulator.interrupt_cycles(vector)) for vector in VECTORS)
    return (simulator.cycle - begin - interrupts) / (simulator.port_writes - turns)


def run(report: Report) -> None:
    plain = counter_loop_cycles()
    report("storm, counter loop", plain, "cycles a sample", "")
    board = AvrBoard(acknowledge=True)
    meter = Meter(board, idle_turn_cycles(board))
    board.greet()
    board.run_to(SECOND_US + 30_000)  # seconds begin a few milliseconds after the board's clock
    toggle(board.simulator, board.simulator.cycle, 3 * SECOND_US)
    for name, from_us, to_us, target in (
        ("every edge taken", 10_000, 80_000, ""),
        ("at rest", 300_000, 950_000, ""),
        ("on average", 1_000_000, 3_000_000, "<= 1"),
    ):
        board.run_to(SECOND_US + from_us)
        meter.restart()
        board.run_to(SECOND_US + to_us)
        cycles, handled = meter.read()
        report(f"storm, {name}", cycles, "cycles a sample", "")
        report(f"storm, {name} / counter loop", cycles / plain, "", target)
        report(f"storm, {name}: samples handled", handled, "%", "")
    board.close()
