"""Many settings on one recording, against the reference debouncer and against the bulk replay."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from core import reference
from reedproof.analysis.bounce import Passes, find_passes
from reedproof.sim import core
from reedproof.sim.core import ReplaySettings
from reedproof.sim.sweep import NOTHING, Count, Setting, pass_of_edges, sweep
from strategies import Timing, edge_traces, examples

NO_PASS = core.lib.SWEEP_NO_PASS
PAUSE_US = 20_000


def as_times(edges: list[int]) -> np.ndarray[tuple[int], np.dtype[np.int64]]:
    return np.array(edges, dtype=np.int64)


def spans(passes: Passes) -> list[tuple[int, int]]:
    return list(
        zip(passes.starts_us[passes.first].tolist(), passes.stops_us[passes.last].tolist(), strict=True)
    )


def plainly(edges: list[int], passes: Passes, setting: Setting) -> Count:
    """Closures of the reference debouncer, given to the pass that holds their first edge."""
    found = [
        next((i for i, (begin, end) in enumerate(spans(passes)) if begin <= closure.made_us <= end), None)
        for closure in reference.closures(edges, setting.make_us, setting.break_us)
    ]
    inside = [number for number in found if number is not None]
    hits = len(set(inside))
    return Count(len(inside), len(inside) - hits, len(passes) - hits, found.count(None))


def counted(edges: list[int], setting: Setting, pause_us: int = PAUSE_US) -> Count:
    passes = find_passes([as_times(edges)], [pause_us])
    return sweep({1: [(as_times(edges), passes)]}, [setting])[setting][1]


@examples(400)
@given(
    edge_traces(Timing(3000, 30_000), 40, 1 << 33), st.sampled_from([0, 2**32 - 50_000, 2**40]),
    st.lists(st.builds(Setting, st.integers(1, 65_535), st.integers(1, 65_535)), min_size=1, max_size=4),
)  # fmt: skip
def test_equals_the_reference(edges: list[int], offset_us: int, settings: list[Setting]) -> None:
    passes = find_passes([as_times(edges) + offset_us], [PAUSE_US])
    moved = [edge + offset_us for edge in edges]
    found = sweep({3: [(as_times(moved), passes)]}, settings)
    assert found == {setting: {3: plainly(moved, passes, setting)} for setting in settings}


def test_a_setting_too_short_splits_and_one_too_long_merges_or_loses() -> None:
    edges = [0, 30_000, 33_000, 60_000, 100_000, 160_000, 500_000, 500_800]
    assert counted(edges, Setting(1000, 10_000)) == Count(2, 0, 0, 0)
    assert counted(edges, Setting(1000, 2000)) == Count(3, 1, 0, 0)
    assert counted(edges, Setting(1000, 45_000)) == Count(1, 0, 1, 0)  # the second runs into the first
    assert counted(edges, Setting(40_000, 2000)) == Count(1, 0, 1, 0)  # the first is never closed so long
    assert counted(edges, Setting(500, 10_000)) == Count(2, 0, 0, 1)  # the blip counts


def test_closures_are_those_of_a_replay() -> None:
    chance = np.random.default_rng(5)
    gaps = chance.choice([200, 3000, 15_000, 60_000, 2_000_000], size=4000)
    edges = np.cumsum(gaps).astype(np.int64)
    for setting in (Setting(1, 1), Setting(1000, 10_000), Setting(20_000, 2500)):
        count = counted(edges.tolist(), setting)
        settings = ReplaySettings(setting.make_us, setting.break_us)
        replayed = core.replay(edges, np.ones(len(edges), dtype=np.uint8), settings)
        assert count.closures + count.extras == len(replayed.closures) > 50


def test_inputs_and_traces_are_counted_apart() -> None:
    one, two = as_times([0, 30_000, 33_000, 60_000]), as_times([0, 50_000])
    recordings = {number: [(one, find_passes([one], [PAUSE_US]))] for number in (1, 7)}
    recordings[7].append((two, find_passes([two], [PAUSE_US])))
    setting = Setting(1000, 2000)
    seen: list[int] = []
    found = sweep(recordings, [setting, Setting(1000, 5000), setting], lambda: seen.append(1))
    assert found[setting] == {1: Count(2, 1, 0, 0), 7: Count(3, 1, 0, 0)}
    assert len(seen) == len(found) == 2


def test_edges_know_their_pass() -> None:
    edges = as_times([0, 60_000, 100_000, 100_400, 500_000, 550_000, 600_000])
    passes = find_passes([edges], [PAUSE_US])
    assert pass_of_edges(passes, edges).tolist() == [0, 0, NO_PASS, NO_PASS, 1, 1, NO_PASS]
    assert counted([], Setting(1, 1)) == NOTHING


@pytest.mark.parametrize("setting", [Setting(0, 5), Setting(5, 0), Setting(65_536, 5), Setting(5, 65_536)])
def test_refuses_settings_a_board_would_refuse(setting: Setting) -> None:
    with pytest.raises((ValueError, OverflowError)):
        counted([0, 50_000], setting)
