"""The electrical self-test against a model of pins, lines and what can be wrong with them.

The model watches: a pin is never driven while something outside holds its line high.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from reedproof.records import Verdict
from reedproof.sim.core import ffi, lib
from strategies import examples

GOOD, READS_LOW, HELD_HIGH, SHORTED = Verdict
FOREVER_US = 10**12


@dataclass
class Pins:
    """``low`` are tied to ground (or closed), ``high`` held from outside, ``pairs`` shorted to each other.
    ``decay_us`` is how long a line keeps its charge with nothing on it, by pin; a pull-up lifts a line within
    ``rise_us``."""

    count: int = 8
    low: frozenset[int] = frozenset()
    high: frozenset[int] = frozenset()
    pairs: Sequence[tuple[int, int]] = ()
    decay_us: dict[int, int] = field(default_factory=dict)
    rise_us: int = 20

    def __post_init__(self) -> None:
        self.nets = {pin: frozenset([pin]) for pin in range(self.count)}
        for a, b in self.pairs:
            joined = self.nets[a] | self.nets[b]
            for pin in joined:
                self.nets[pin] = joined
        # By net: since when it is lifted (or None), and since when it is left to itself, and its level.
        nets = set(self.nets.values())
        self.lifted_at: dict[frozenset[int], int | None] = dict.fromkeys(nets)
        self.left_at: dict[frozenset[int], int | None] = dict.fromkeys(nets)
        self.is_high = dict.fromkeys(nets, True)  # pull-ups are on before

    def decay_of(self, net: frozenset[int]) -> int:
        """The line that leaks least, feeds the others."""
        return max(self.decay_us.get(pin, 100) for pin in net)

    def is_held(self, net: frozenset[int]) -> bool:
        """Whether it stays high with all pull-ups off."""
        return not net & self.low and (bool(net & self.high) or self.decay_of(net) >= 50_000)

    def update(self, net: frozenset[int], pulled: int, driven: int, now_us: int) -> None:
        mask = self.bits(net)
        lifted_at, left_at = self.lifted_at[net], self.left_at[net]
        self.lifted_at[net] = self.left_at[net] = None
        if net & self.low or driven & mask:
            self.is_high[net] = False
        elif net & self.high:
            self.is_high[net] = True
        elif pulled & mask:
            self.lifted_at[net] = since = now_us if lifted_at is None else lifted_at
            self.is_high[net] |= now_us - since >= self.rise_us
        else:
            self.left_at[net] = since = now_us if left_at is None else left_at
            self.is_high[net] &= now_us - since < self.decay_of(net)

    def read(self, pulled: int, driven: int, now_us: int) -> int:
        """Bits of the pins that read low."""
        assert driven & (driven - 1) == 0, "one pin at a time"
        assert not pulled & driven, "a pin that is driven low is not pulled up"
        for net in self.is_high:
            assert not (self.bits(net) & driven and self.is_held(net)), "driven against what holds it high"
            self.update(net, pulled, driven, now_us)
        return self.bits(frozenset(pin for pin, net in self.nets.items() if not self.is_high[net]))

    @staticmethod
    def bits(pins: frozenset[int]) -> int:
        return sum(1 << pin for pin in pins)

    def expected(self) -> list[tuple[Verdict, frozenset[int]]]:
        found = []
        for pin in range(self.count):
            net = self.nets[pin]
            if net & self.low:
                found.append((READS_LOW, frozenset()))
            elif self.is_held(net):
                found.append((HELD_HIGH, frozenset()))
            else:
                found.append((SHORTED if net - {pin} else GOOD, net - {pin}))
        return found


@dataclass
class Outcome:
    results: list[tuple[Verdict, frozenset[int]]]
    duration_us: int
    driven: int


def run(pins: Pins, start_us: int = 0, step_us: int = 130, patience: int = 3) -> Outcome:
    """``patience``: turns of the loop before a result is fetched."""
    test = ffi.new("struct selftest *")
    lib.selftest_init(test)
    assert not lib.selftest_is_running(test)
    lib.selftest_start(test, (1 << pins.count) - 1)
    outcome = Outcome([], 0, 0)
    now_us, waited = 0, 0
    while lib.selftest_is_running(test):
        wanted = lib.selftest_pins(test)
        outcome.driven |= wanted.driven
        closed = pins.read(wanted.pulled, wanted.driven, now_us)
        time_us = (start_us + now_us) % 2**32
        if lib.selftest_step(test, time_us, closed):
            waited += 1
            if waited == patience:
                waited = 0
                result = lib.selftest_result(test)
                assert result.input == len(outcome.results)
                partners = frozenset(pin for pin in range(32) if result.partners >> pin & 1)
                outcome.results.append((Verdict(result.verdict), partners))
        now_us += step_us
        assert now_us < 1_000_000, "the test does not end"
    after = lib.selftest_pins(test)
    assert (after.pulled, after.driven) == ((1 << pins.count) - 1, 0), "the inputs are left as inputs"
    grounded = frozenset(pin for pin, net in pins.nets.items() if net & pins.low)
    assert pins.read(after.pulled, 0, now_us) == pins.bits(grounded), "and the lines are up again"
    outcome.duration_us = now_us
    return outcome


CASES = {
    "nothing plugged": Pins(),
    "one input": Pins(count=1),
    "all 32": Pins(count=32),
    "a closed contact": Pins(low=frozenset([3])),
    "all closed": Pins(low=frozenset(range(8))),
    "held from outside": Pins(high=frozenset([0, 7])),
    "two shorted": Pins(pairs=[(2, 5)]),
    "three shorted": Pins(pairs=[(2, 5), (5, 6)]),
    "two pairs": Pins(pairs=[(0, 1), (6, 7)]),
    "all shorted": Pins(pairs=[(i, i + 1) for i in range(7)]),
    "shorted to a closed one": Pins(low=frozenset([1]), pairs=[(1, 4)]),
    "shorted to one held high": Pins(high=frozenset([1]), pairs=[(1, 4)]),
    "short and tie elsewhere": Pins(low=frozenset([0]), high=frozenset([3]), pairs=[(5, 6)]),
    "a line that keeps its charge": Pins(decay_us={4: FOREVER_US}),
    "a line that loses it in time": Pins(decay_us={4: 40_000}),
    "first and last of 32 shorted": Pins(count=32, pairs=[(0, 31)]),
    "long cables": Pins(rise_us=500, pairs=[(2, 5)], low=frozenset([0])),
}


@pytest.mark.parametrize("start_us", [0, 2**32 - 2000])
@pytest.mark.parametrize("name", CASES)
def test_verdicts(name: str, start_us: int) -> None:
    pins = CASES[name]
    pins.__post_init__()  # as charged as at first
    outcome = run(pins, start_us)
    assert outcome.results == pins.expected()
    good = sum(1 << pin for pin, (verdict, _) in enumerate(outcome.results) if verdict in (GOOD, SHORTED))
    assert outcome.driven == good


@examples(150)
@given(st.data())
def test_any_mixture(data: st.DataObject) -> None:
    count = data.draw(st.integers(1, 32))
    pin = st.integers(0, count - 1)
    few = st.frozensets(pin, max_size=4)
    low = data.draw(few)
    high = data.draw(few) - low
    pairs = [pair for pair in data.draw(st.lists(st.tuples(pin, pin), max_size=4)) if pair[0] != pair[1]]
    charge = st.one_of(st.integers(0, 45_000), st.just(FOREVER_US))
    slow = data.draw(st.dictionaries(pin, charge, max_size=3))
    pins = Pins(count, low, high, pairs, slow, rise_us=data.draw(st.sampled_from([20, 500])))
    assume(not any(net & low and net & high for net in pins.nets.values()))  # no pin can tell a short outside
    start_us = data.draw(st.one_of(st.just(0), st.integers(0, 2**32 - 1)))
    outcome = run(
        pins, start_us, step_us=data.draw(st.integers(40, 700)), patience=data.draw(st.integers(1, 20))
    )
    assert outcome.results == pins.expected()


def test_takes_a_tenth_of_a_second() -> None:
    assert run(Pins(count=32, high=frozenset([1]))).duration_us < 100_000


def test_a_contact_that_closes_meanwhile_is_not_a_short_for_good() -> None:
    """A train may pass during the test: what closes is a partner only of the pins tested meanwhile."""

    class Passing(Pins):
        def read(self, pulled: int, driven: int, now_us: int) -> int:
            closed = super().read(pulled, driven, now_us)
            return closed | (1 << 6 if 4000 <= now_us < 6000 else 0)

    results = run(Passing(), patience=1).results
    assert all(partners <= {6} for _, partners in results)
    assert sum(verdict is SHORTED for verdict, _ in results) <= 3
