"""The search for the likeliest explanation: against all explanations one by one, against a general-purpose
aligner, and fed in portions."""

from __future__ import annotations

import functools
import resource
from collections.abc import Sequence
from pathlib import Path

import numpy as np
import pytest
from benchmarks import plain_align
from Bio.Align import PairwiseAligner
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray

from analysis.every_explanation import Closure, Explained, Gap, every_explanation
from analysis.trains import Trains, sheet_of
from reedproof.analysis import align, passes
from reedproof.analysis.align import CLOSURE, Aligner, Model, TrainTables
from reedproof.analysis.passes import Accountant
from strategies import examples

ALL = 1e9  # nothing is dropped
CONTACTS = 3


def random_train(
    chance: np.random.Generator, stations: int, laps: int, *, turns: bool = False, moves: bool = False
) -> TrainTables:
    """Weights without sense, of the right shape and size: no explanation is far likelier than the others."""
    shape = (stations, stations * laps)
    turned = np.full(shape, -np.inf)
    if turns:
        may = chance.random(shape) < 0.5
        may[:, 0] = False
        turned[may] = chance.uniform(-4, 0, int(may.sum()))
    return TrainTables(
        contact=chance.integers(0, CONTACTS, stations).astype(np.int16),
        mean=chance.uniform(-1, 2, shape),
        precision=chance.uniform(0.2, 3, shape),
        on_time=chance.uniform(-2, 0, shape),
        off_time=chance.uniform(-3, 0, shape),
        turned=turned,
        missed=chance.uniform(-3, -1, stations),
        made=chance.uniform(-0.5, 0, stations),
        halted=float(chance.uniform(-4, -1)),
        rushed=float(chance.uniform(-4, -1)),
        moved=float(chance.uniform(-6, -3)) if moves else -np.inf,
        begun=float(chance.uniform(-4, -2)),
    )


def random_closures(chance: np.random.Generator, count: int, *, turns: bool = False) -> list[Closure]:
    made_s = np.cumsum(chance.uniform(0.0, 4.0, count)).tolist()
    is_long = (chance.random(count) < (0.5 if turns else 0.0)).tolist()
    return [
        Closure(
            at_s, at_s + (float(chance.uniform(0, 5)) if long else 0.0), float(chance.uniform(-2, 0)),
            float(chance.uniform(-4, -1)), int(chance.integers(0, CONTACTS)), long,
        )
        for at_s, long in zip(made_s, is_long, strict=True)
    ]  # fmt: skip


def rows_of(closures: Sequence[Closure]) -> NDArray[np.void]:
    rows = np.zeros(len(closures), dtype=CLOSURE)
    for row, each in zip(rows, closures, strict=True):
        row["made_s"], row["depart_s"] = each.made_s, each.depart_s
        row["pass"], row["extra"], row["contact"] = each.ln_pass, each.ln_extra, each.contact
        row["is_long"] = each.is_long
    return rows


def model_of(
    trains: Sequence[TrainTables], gaps: Sequence[Gap] = (), *, keep: float = ALL, is_timed: bool = True,
    contacts: int = CONTACTS,
) -> Model:  # fmt: skip
    gaps = sorted(gaps, key=lambda gap: gap.from_s)
    hidden = np.zeros((len(gaps), contacts), dtype=np.uint8)
    for row, gap in zip(hidden, gaps, strict=True):
        row[list(gap.contacts)] = 1
    times = np.array([(gap.from_s, gap.to_s) for gap in gaps], dtype=np.float64).reshape(-1, 2)
    return Model(contacts, trains, times, hidden, keep=keep, is_timed=is_timed)


def ln_sum(weights: NDArray[np.float64]) -> float:
    return float(weights.max() + np.log(np.exp(weights - weights.max()).sum()))


def beyond_best(every: Sequence[Explained]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Mean and variance of what an explanation counts beyond the best one, shapes (contacts, 3)."""
    weights = np.array([each.weight for each in every])
    share = np.exp(weights - ln_sum(weights))
    best = every[int(weights.argmax())]
    beyond = np.array([each.counts - best.counts for each in every])
    mean = np.tensordot(share, beyond, axes=1)
    return mean, np.maximum(np.tensordot(share, beyond**2, axes=1) - mean**2, 0.0)


def told(passes: NDArray[np.void]) -> tuple[tuple[int, int, int] | None, ...]:
    return tuple(
        (int(each["train"]), int(each["station"]), int(each["steps"])) if each["train"] >= 0 else None
        for each in passes
    )


def random_gaps(chance: np.random.Generator, length_s: float, count: int) -> list[Gap]:
    starts = chance.uniform(0, length_s, count).tolist()
    return [
        Gap(at_s, at_s + float(chance.uniform(0.1, 0.5 * length_s)),
            frozenset(np.flatnonzero(chance.random(CONTACTS) < 0.7).tolist()))
        for at_s in starts
    ]  # fmt: skip


# ---- against all explanations ----


@pytest.mark.parametrize("turns", [False, True], ids=["", "turns"])
@pytest.mark.parametrize("moves", [False, True], ids=["", "moves"])
@pytest.mark.parametrize("gaps", [0, 1, 3])
@pytest.mark.parametrize(("trains", "closures"), [(1, 7), (2, 4)])
def test_equals_every_explanation_looked_at(
    trains: int, closures: int, gaps: int, moves: bool, turns: bool
) -> None:
    """Best and sum of all, and the best explanation itself; tables and times at random."""
    for seed in range(6):
        chance = np.random.default_rng([seed, trains, gaps, moves, turns])
        stations = int(chance.integers(2, 5))
        tables = [
            random_train(chance, stations + t, int(chance.integers(1, 3)), turns=turns, moves=moves)
            for t in range(trains)
        ]
        seen = random_closures(chance, int(chance.integers(1, closures + 1)), turns=turns)
        hidden = random_gaps(chance, seen[-1].made_s, gaps)
        every = every_explanation(CONTACTS, tables, seen, hidden)
        aligner = Aligner(CONTACTS)
        model = model_of(tables, hidden)
        assert len(aligner.feed(model, rows_of(seen))) == 0
        weights = np.array([each.weight for each in every])
        best = every[int(weights.argmax())]
        assert aligner.best == pytest.approx(best.weight, abs=1e-9), f"seed {seed}"
        # Ways less likely than the best way to the same place by 16 are left out: 1e-7 each.
        assert aligner.total == pytest.approx(ln_sum(weights), abs=1e-6), f"seed {seed}"
        passes, draws = aligner.rest(model)
        assert told(passes) == best.passes, f"seed {seed}"
        mean, variance = beyond_best(every)
        error = 5 * np.sqrt(variance / len(draws)) + 0.01
        assert np.all(np.abs(draws.mean(axis=0) - mean) <= error), f"seed {seed}"


def test_the_flags_say_what_happened() -> None:
    """One station per contact, 1 s apart: on time, then late, early, put elsewhere, over a gap."""
    stations = 3
    shape = (stations, stations)
    on_way = np.arange(stations)[None, :] + 1.0
    skipped = np.broadcast_to(np.arange(stations) * -3.0, shape)
    train = TrainTables(
        contact=np.arange(3, dtype=np.int16), mean=np.log(np.broadcast_to(on_way, shape)),
        precision=np.full(shape, 200.0), on_time=skipped + 1, off_time=skipped,
        turned=np.full(shape, -np.inf), missed=np.full(stations, -3.0), made=np.zeros(stations),
        halted=-5.0, rushed=-5.0, moved=-20.0,
        begun=-3.0,
    )  # fmt: skip
    at_s = [0.0, 1.0, 2.0, 62.0, 62.05, 63.05, 64.05, 66.05]
    contacts = [0, 1, 2, 0, 1, 2, 0, 2]
    seen = [Closure(s, s, 0.0, -40.0, c) for s, c in zip(at_s, contacts, strict=True)]
    model = model_of([train], [Gap(64.5, 65.5, frozenset({1}))])
    aligner = Aligner(CONTACTS)
    aligner.feed(model, rows_of(seen))
    passes, _ = aligner.rest(model)
    assert passes["steps"].tolist() == [0, 1, 1, 1, 1, 1, 1, 2]
    assert passes["flags"].tolist() == [0, 0, 0, align.HALTED, align.RUSHED, 0, 0, align.GAPPED]
    assert passes["before"].tolist() == [-1, 0, 1, 2, 3, 4, 5, 6]


def test_no_train_and_too_many_are_refused() -> None:
    chance = np.random.default_rng(1)
    train = random_train(chance, 3, 1)
    with pytest.raises(ValueError, match="0 trains"):
        model_of([])
    with pytest.raises(ValueError, match="9 trains; 1 to 8"):
        model_of([train] * 9)


# ---- against a general-purpose aligner ----


def letters(chance: np.random.Generator, count: int) -> list[int]:
    return chance.integers(0, 3, count).tolist()


@pytest.mark.parametrize("seed", range(120))
def test_without_times_equals_a_general_aligner(seed: int) -> None:
    """Biopython's PairwiseAligner with gaps of -1 and no mismatches: a missed pass and an extra closure cost
    1 each. A contact that nobody misses stands at the start and at the end."""
    chance = np.random.default_rng(seed)
    route, seen = letters(chance, int(chance.integers(1, 20))), letters(chance, int(chance.integers(1, 20)))
    stations = [3, *route, 4]
    skip = np.array([-1000.0, *[-1.0] * len(route), -1000.0])
    count = len(stations)
    on_way = (np.arange(count)[:, None] + 1 + np.arange(count)[None, :]) % count
    skipped = np.cumsum(skip[on_way], axis=1) - skip[on_way]
    nothing = np.zeros((count, count))
    train = TrainTables(
        contact=np.array(stations, dtype=np.int16), mean=nothing, precision=nothing, on_time=skipped,
        off_time=skipped, turned=np.full((count, count), -np.inf), missed=skip, made=np.zeros(count),
        halted=0.0, rushed=0.0, moved=-np.inf, begun=0.0,
    )  # fmt: skip
    closures = [
        Closure(float(at), float(at), 0.0, -1000.0 if letter > 2 else -1.0, letter)
        for at, letter in enumerate([3, *seen, 4])
    ]
    model = model_of([train], is_timed=False, contacts=5)
    aligner = Aligner(5)
    aligner.feed(model, rows_of(closures))

    oracle = PairwiseAligner(mode="global", match_score=0, mismatch_score=-1000, gap_score=-1)
    score = oracle.score("".join(map(str, route)), "".join(map(str, seen)))
    assert aligner.best == pytest.approx(score, abs=1e-9)
    common = longest_common(route, seen)
    assert score == -(len(route) + len(seen) - 2 * common)
    passes, _ = aligner.rest(model)
    assert (passes["train"] >= 0).sum() == common + 2


def longest_common(first: Sequence[int], second: Sequence[int]) -> int:
    row = [0] * (len(second) + 1)
    for letter in first:
        before, row = row, [0]
        for i, other in enumerate(second):
            row.append(before[i] + 1 if letter == other else max(row[i], before[i + 1]))
    return row[-1]


# ---- draws ----


def ambiguous(seed: int) -> tuple[TrainTables, list[Closure], list[Explained]]:
    """A few closures, unclear, and then contact 2 again and again, which nobody misses."""
    chance = np.random.default_rng(seed)
    train = random_train(chance, 4, 1)
    train.contact[:] = [2, 0, 1, 0]
    unclear = [Closure(0.0, 0.0, 0.0, -60.0, 2)]
    for at_s in np.cumsum(chance.uniform(0.3, 1.5, 4)).tolist():
        ln_extra = float(chance.uniform(-3, -1))
        unclear.append(Closure(at_s, at_s, 0.0, ln_extra, int(chance.integers(0, 2))))
    last_s = unclear[-1].made_s + 1
    unclear.append(Closure(last_s, last_s, 0.0, -60.0, 2))
    return train, unclear, every_explanation(CONTACTS, [train], unclear)


def settled_draws(
    train: TrainTables, unclear: list[Closure], repeats: int
) -> tuple[NDArray[np.int32], NDArray[np.void]]:
    """The same case again and again, everything settled but for the last closures."""
    lap_s = unclear[-1].made_s
    seen = [unclear[0]]
    for n in range(repeats):
        shift_s = n * lap_s
        for each in unclear[1:]:
            at_s = each.made_s + shift_s
            seen.append(Closure(at_s, at_s, each.ln_pass, each.ln_extra, each.contact))
    aligner = Aligner(CONTACTS)
    model = model_of([train], keep=40.0)
    passes = aligner.feed(model, rows_of(seen))
    assert len(passes) > 0.8 * len(seen)
    return aligner.draws, passes


@pytest.mark.parametrize("seed", range(12))
def test_draws_are_as_likely_as_the_explanations(seed: int) -> None:
    """Mean and spread over the 200 draws, against the exact ones of one case times how often it came."""
    train, unclear, every = ambiguous(seed)
    mean, variance = beyond_best(every)
    draws, passes = settled_draws(train, unclear, repeats=300)
    cases = (np.flatnonzero(np.arange(len(passes)) % (len(unclear) - 1) == 0)[-1]) // (len(unclear) - 1)
    got, spread = draws.mean(axis=0), draws.std(axis=0)
    error = np.sqrt(cases * variance / len(draws))
    assert (variance > 0.02).any(), f"seed {seed}: not unclear at all"
    assert np.all(np.abs(got - cases * mean) <= 4.0 * error + 2.0), f"seed {seed}:\n{got}\n{cases * mean}"
    is_wide = variance > 0.02
    # The standard deviation of 200 draws is known to one in twenty.
    assert np.allclose(spread[is_wide], np.sqrt(cases * variance[is_wide]), rtol=0.2), f"seed {seed}"


@pytest.mark.parametrize("seed", range(12))
def test_draws_of_what_is_not_settled(seed: int) -> None:
    train, unclear, every = ambiguous(seed)
    mean, variance = beyond_best(every)
    aligner, model = Aligner(CONTACTS), model_of([train])
    aligner.feed(model, rows_of(unclear))
    _, draws = aligner.rest(model)
    assert not aligner.draws.any()
    assert np.all(np.abs(draws.mean(axis=0) - mean) <= 4 * np.sqrt(variance / len(draws)) + 1e-9), (
        f"seed {seed}"
    )


# ---- portions and memory ----


def a_run(closures: int, seed: int = 1) -> tuple[TrainTables, NDArray[np.void]]:
    """A train of six contacts, misses and extra closures at random; its tables as they should be."""
    chance = np.random.default_rng(seed)
    stations = 6
    section_s = np.array([1.0, 2.5, 1.5, 3.0, 2.0, 1.2])
    on_way = (np.arange(stations)[:, None] + np.arange(2 * stations)[None, :]) % stations
    total_s = np.cumsum(section_s[on_way], axis=1)
    skipped = np.broadcast_to(np.arange(2 * stations) * np.log(0.05), total_s.shape)
    spread = 0.2 / np.sqrt(np.arange(2 * stations) + 1.0)
    train = TrainTables(
        contact=np.arange(stations, dtype=np.int16), mean=np.log(total_s),
        precision=np.broadcast_to(1 / (2 * spread**2), total_s.shape),
        on_time=skipped - np.log(spread * np.sqrt(2 * np.pi)), off_time=skipped,
        turned=np.full(total_s.shape, -np.inf), missed=np.full(stations, np.log(0.05)),
        made=np.full(stations, np.log(0.95)), halted=-8.0, rushed=-12.0, moved=-20.0, begun=-4.0,
    )  # fmt: skip
    rows = np.zeros(closures, dtype=CLOSURE)
    section = section_s[np.arange(closures) % stations] * np.exp(chance.normal(0, 0.2, closures))
    rows["made_s"] = rows["depart_s"] = np.cumsum(section)
    rows["contact"] = (np.arange(closures) + 1) % stations
    stray = chance.random(closures) < 0.05
    rows["contact"][stray] = chance.integers(0, stations, int(stray.sum()))
    rows["extra"] = np.log(0.05 / 11)
    kept = rows[chance.random(closures) >= 0.05]
    return train, kept


TRAIN, RUN = a_run(3000)
WHOLE = model_of([TRAIN], keep=18.0, contacts=6)


@functools.cache
def at_once() -> tuple[NDArray[np.void], NDArray[np.int32]]:
    aligner = Aligner(6)
    settled = aligner.feed(WHOLE, RUN)
    rest, draws = aligner.rest(WHOLE)
    return np.concatenate([settled, rest]), draws


@examples(40)
@given(st.lists(st.one_of(st.integers(0, 5), st.integers(0, 700)), max_size=40))
def test_portions_make_no_difference(sizes: list[int]) -> None:
    """Each closure comes back once and in order, as if all had been fed together."""
    aligner = Aligner(6)
    passes, start = [], 0
    for size in [*sizes, len(RUN)]:
        given_now = RUN[start : start + size]
        start += len(given_now)
        passes.append(aligner.feed(WHOLE, given_now))
        assert sum(map(len, passes)) + aligner.pending == start
    rest, draws = aligner.rest(WHOLE)
    found = np.concatenate([*passes, rest])
    expected, expected_draws = at_once()
    assert found.tolist() == expected.tolist()
    assert np.array_equal(draws, expected_draws)


def test_a_look_at_the_rest_changes_nothing() -> None:
    aligner = Aligner(6)
    passes = []
    for start in range(0, len(RUN), 100):
        passes.append(aligner.feed(WHOLE, RUN[start : start + 100]))
        rest, _ = aligner.rest(WHOLE)
        assert len(rest) == aligner.pending
    rest, draws = aligner.rest(WHOLE)
    assert np.concatenate([*passes, rest]).tolist() == at_once()[0].tolist()
    assert np.array_equal(draws, at_once()[1])


def test_what_is_open_stays_bounded() -> None:
    run = a_run(300_000)[1]
    aligner = Aligner(6)
    back, most = 0, 0
    for start in range(0, len(run), 5000):
        back += len(aligner.feed(WHOLE, run[start : start + 5000]))
        most = max(most, aligner.pending)
    assert back + aligner.pending == len(run)
    assert most < 1500


def test_closures_of_no_train_are_settled_too() -> None:
    """A contact on no route rattles for hours while the train stands in the station."""
    rattle = np.zeros(100_000, dtype=CLOSURE)
    rattle["made_s"] = rattle["depart_s"] = RUN["made_s"][-1] + np.arange(1, 100_001)
    rattle["contact"], rattle["extra"] = 6, -1.0
    model = model_of([TRAIN], keep=18.0, contacts=7)
    aligner = Aligner(7)
    back, most = len(aligner.feed(model, RUN)), 0
    for start in range(0, len(rattle), 5000):
        settled = aligner.feed(model, rattle[start : start + 5000])
        back += len(settled)
        most = max(most, aligner.pending)
    assert back + aligner.pending == len(RUN) + len(rattle)
    assert most < 1000


def test_what_never_gets_clear_is_cut_off() -> None:
    """Two trains that nothing tells apart: which is which stays open for ever. After some 1000 closures the
    likeliest explanations are taken."""
    second = RUN.copy()
    second["made_s"] = second["depart_s"] = RUN["made_s"] + 5.6
    run = np.concatenate([RUN, second])
    run = run[np.argsort(run["made_s"], kind="stable")]
    model = model_of([TRAIN, TRAIN], keep=18.0, contacts=6)
    aligner = Aligner(6)
    back, most = 0, 0
    for start in range(0, len(run), 500):
        back += len(aligner.feed(model, run[start : start + 500]))
        most = max(most, aligner.pending)
    assert back + aligner.pending == len(run)
    assert 600 < most < 1600


@pytest.mark.parametrize("rattles", [256, 300, 1500])
def test_extra_closures_were_handed_out_before_anything_was_unclear(rattles: int) -> None:
    """A contact on no route rattles before two trains come that nothing tells apart: all explanations meet
    before closures that were handed out already. What follows is explained as if they had not been."""
    pair = np.repeat(RUN[:900], 2)
    rattle = np.zeros(rattles, dtype=CLOSURE)
    rattle["made_s"] = rattle["depart_s"] = pair["made_s"][0] - np.arange(rattles, 0, -1)
    rattle["contact"], rattle["extra"] = 6, -1.0
    model = model_of([TRAIN, TRAIN], keep=18.0, contacts=7, is_timed=False)

    def explained(parts: Sequence[NDArray[np.void]]) -> tuple[NDArray[np.bool_], float]:
        aligner = Aligner(7)
        passes, fed = [], 0
        for part in parts:
            passes.append(aligner.feed(model, part))
            fed += len(part)
            rest, _ = aligner.rest(model)
            assert len(rest) == aligner.pending
            assert sum(map(len, passes)) + aligner.pending == fed
        return np.concatenate([*passes, rest])["train"] >= 0, aligner.best

    is_pass, best = explained([rattle[:256], rattle[256:], *np.split(pair, 9)])
    alone, alone_best = explained(np.split(pair, 9))
    assert not is_pass[:rattles].any()
    assert is_pass[rattles:].sum() == alone.sum()
    assert best == pytest.approx(alone_best - rattles)


def resident_bytes() -> int:
    return int(Path("/proc/self/statm").read_text().split()[1]) * resource.getpagesize()


def test_nothing_is_kept_of_aligners_that_are_gone() -> None:
    def work() -> None:
        aligner = Aligner(6)
        aligner.feed(WHOLE, RUN)
        aligner.rest(WHOLE)

    for _ in range(20):
        work()
    before = resident_bytes()
    for _ in range(150):
        work()
    assert resident_bytes() - before < 4e6  # one of them holds more than half a megabyte


# ---- against plain Python ----


@pytest.mark.parametrize("kind", ["loop", "shuttle"])
def test_equals_plain_python(kind: str) -> None:
    """The same search in `benchmarks/plain_align.py`, over a run with what was learnt from it."""
    trains = Trains(kind=kind, laps=400, turns_on_contact=0.3, stands=0.01)
    run = trains.run(1)
    accountant = Accountant(sheet_of(6, kind))
    accountant.feed(run.closures)
    accountant.account()
    chances = accountant._known()
    since_s = passes._Line(6)._since_broke(run.closures, chances)
    rows = chances.weights(run.closures, since_s)
    tables = chances.tables()
    aligner, model = Aligner(6), model_of(tables, keep=passes.KEEP, contacts=6)
    settled = aligner.feed(model, rows)
    rest, _ = aligner.rest(model)
    plainly = plain_align.explain(tables[0], rows, passes.KEEP)
    assert len(rows) > 2000
    assert aligner.best == pytest.approx(plainly.best, abs=1e-6)
    assert aligner.total == pytest.approx(plainly.total, abs=1e-6)
    found = np.concatenate([settled, rest])
    assert [each and each[1:] for each in told(found)] == plainly.passes
