"""The accounting of passes: the search against plain Python, and where the time of the whole goes."""

from __future__ import annotations

import functools
import time
from collections.abc import Callable
from typing import Any

import numpy as np
from numpy.typing import NDArray

from benchmarks import plain_align
from benchmarks.host import Report, best_of
from reedproof.analysis.align import Aligner, Model
from reedproof.analysis.books import Books
from reedproof.analysis.chances import Chances
from reedproof.analysis.closures import Closures
from reedproof.analysis.passes import KEEP, Accountant, _Line
from reedproof.layout import Sheet

CONTACTS = 6
PLAINLY = 50_000


def sheet() -> Sheet:
    names = [f"c{n}" for n in range(CONTACTS)]
    return Sheet.model_validate(
        {
            "layout": {"name": "measured"},
            "boards": {"one": {"kind": "virtual"}},
            "contacts": [{"name": name, "board": "one", "input": n + 1} for n, name in enumerate(names)],
            "routes": [{"name": "line", "kind": "loop", "contacts": names}],
        }
    )


def trains(count: int, seed: int) -> Closures:
    """A train going round: 5 % of its passes missed, 5 % of the closures extra, its speed within a third."""
    chance = np.random.default_rng(seed)
    contact = (np.arange(count) % CONTACTS).astype(np.int16)
    section_s = np.array([1.0, 2.5, 1.5, 3.0, 2.0, 1.2])[contact]
    made_s = 1.7e9 + np.cumsum(section_s / chance.uniform(0.67, 1.33, count))
    length_ms = 50.0 / chance.uniform(0.67, 1.33, count)
    seen = chance.random(count) >= 0.05
    strays = np.flatnonzero(chance.random(count) < 0.05)
    contact = np.concatenate([contact[seen], chance.integers(0, CONTACTS, len(strays), dtype=np.int16)])
    made_s = np.concatenate([made_s[seen], made_s[strays] + chance.uniform(0.2, 3.0, len(strays))])
    length_ms = np.concatenate([length_ms[seen], chance.uniform(2.0, 8.0, len(strays))])
    order = np.argsort(made_s, kind="stable")[:count]
    bounces = np.zeros(len(order), dtype=np.uint16)
    return Closures(contact[order], made_s[order], length_ms[order].astype(np.float32), bounces, bounces)


def _learnt(closures: Closures) -> Chances:
    accountant = Accountant(sheet())
    accountant.feed(closures)
    return accountant._known()


def search(report: Report) -> None:
    """Plain Python explains fewer closures; a million cost it so many times as much."""
    closures = trains(1_050_000, seed=1)[:1_000_000]
    chances = _learnt(closures[:PLAINLY])
    rows = chances.weights(closures, _Line(CONTACTS)._since_broke(closures, chances))
    tables = chances.tables()
    model = Model(CONTACTS, tables, np.zeros((0, 2)), np.zeros((0, CONTACTS), dtype=np.uint8), keep=KEEP)

    def fast(rows: NDArray[Any]) -> tuple[float, NDArray[Any]]:
        aligner = Aligner(CONTACTS)
        settled = aligner.feed(model, rows)
        return aligner.best, np.concatenate([settled, aligner.rest(model)[0]])

    best, found = fast(rows[:PLAINLY])
    slow_s, plainly = best_of(2, lambda: plain_align.explain(tables[0], rows[:PLAINLY], KEEP))
    told = [(int(p["station"]), int(p["steps"])) if p["train"] >= 0 else None for p in found]
    assert abs(best - plainly.best) < 1e-4, "the C search and plain Python disagree"
    assert told == plainly.passes, "the C search and plain Python disagree"
    assert sum(each is not None for each in told) > 0.9 * PLAINLY, "nothing was explained"
    fast_s, _ = best_of(3, lambda: fast(rows))
    slow_s *= len(rows) / PLAINLY
    report("alignment of 1 000 000 closures", fast_s, "s", "")
    report("the same, C : plain Python (measured on 50 000)", slow_s / fast_s, "x", ">= 40")


def whole(report: Report) -> None:
    """An account of a million closures, and the shares of it."""
    closures = trains(1_050_000, seed=2)[:1_000_000]
    spent: dict[str, float] = {}

    def timed(name: str, work: Callable[..., Any]) -> Callable[..., Any]:
        @functools.wraps(work)
        def measured(*args: Any) -> Any:
            start = time.perf_counter()
            result = work(*args)
            spent[name] = spent.get(name, 0.0) + time.perf_counter() - start
            return result

        return measured

    feed, enter = Aligner.feed, Books.enter
    Aligner.feed, Books.enter = timed("alignment", feed), timed("books", enter)  # type: ignore[method-assign]
    try:
        accountant = Accountant(sheet())
        start = time.perf_counter()
        for at in range(0, len(closures), 100_000):
            accountant.feed(closures[at : at + 100_000])
        live_s = -time.perf_counter()
        accountant.account()
        live_s += time.perf_counter()
        found = accountant.finish()
        whole_s = time.perf_counter() - start - live_s
    finally:
        Aligner.feed, Books.enter = feed, enter  # type: ignore[method-assign]
    assert found.closures == len(closures)
    report("account of 1 000 000 closures", whole_s, "s", "")
    for name, took_s in spent.items():
        report(f"of that, {name}", 100 * took_s / whole_s, "%", "")
    report("one account while the run goes on", live_s, "s", "")


def run(report: Report) -> None:
    search(report)
    whole(report)
