"""Which closures belong to one pass, by hand."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from reedproof.analysis.visits import TOGETHER_S, grouped


def groups(*made_and_ms: tuple[float, float]) -> list[int]:
    made_s, ms = np.array(made_and_ms, np.float64).reshape(len(made_and_ms), 2).T
    return grouped(made_s, ms).tolist()


NEAR, FAR = TOGETHER_S - 0.001, TOGETHER_S + 0.001


@pytest.mark.parametrize(
    ("made_and_ms", "expected"),
    [
        pytest.param([], [], id="no closure"),
        pytest.param([(5.0, 60)], [0], id="one closure"),
        pytest.param([(5.0, np.nan)], [0], id="one that never ended"),
        pytest.param([(0, 60), (0.06 + NEAR, 60)], [0, 0], id="just near enough"),
        pytest.param([(0, 60), (0.06 + FAR, 60)], [0, 1], id="just too far"),
        pytest.param([(0, 60), (0.06 + NEAR, np.nan)], [0, 0], id="near, and its end is not known"),
        pytest.param([(0, np.nan), (0.1, 60), (0.2, 60)], [0, 1, 1], id="nothing belongs to an unknown end"),
        pytest.param([(0, 60), (0.1, 60), (0.2, 60), (9, 60), (9.1, 60)], [0, 0, 0, 1, 1], id="two passes"),
        pytest.param([(0, 60), (10, 60), (20, 60)], [0, 1, 2], id="three passes"),
        # A train at 10 mm/s: the halves of 20 mm last 2 s, the notch of 5 mm half a second.
        pytest.param([(0, 2000), (2.5, 2000)], [0, 0], id="slow train with a notch"),
        pytest.param([(0, 2000), (2.5, 400)], [0, 1], id="the shorter one says how slow it was"),
        pytest.param([(0, 2000), (4.001, 2000)], [0, 1], id="an opening longer than both"),
        # Two magnets 200 mm apart at 400 mm/s are half a second apart: two passes.
        pytest.param([(0, 60), (0.5, 60), (10, 60), (10.5, 60)], [0, 1, 2, 3], id="two magnets"),
        pytest.param([(0, 60), (0.2, 60)], [0, 0], id="two magnets nearer than can be told"),
        pytest.param([(0, 60), (0.5, 300_000)], [0, 1], id="a long one after a pass"),
        pytest.param([(0, 300_000), (300.5, 60)], [0, 1], id="a pass after a long one"),
        pytest.param([(0, 60), (0.05, 60)], [0, 0], id="times that overlap by rounding"),
    ],
)  # fmt: skip
def test_which_belong_together(made_and_ms: list[tuple[float, float]], expected: list[int]) -> None:
    assert groups(*made_and_ms) == expected


@given(
    st.lists(
        st.tuples(st.floats(1e-3, 20), st.one_of(st.floats(0.5, 1e5), st.just(float("nan")))), max_size=30
    )
)
def test_groups_are_numbered_and_do_not_reach_into_each_other(
    steps: list[tuple[float, float]],
) -> None:
    made_s = np.cumsum([step for step, _ in steps])
    ms = np.array([each for _, each in steps], np.float64)
    found = grouped(made_s, ms)
    assert found.shape == made_s.shape
    if len(found):
        assert found[0] == 0
        assert set(np.diff(found).tolist()) <= {0, 1}
    opened_s = made_s[1:] - made_s[:-1] - ms[:-1] / 1000
    for at, is_same in enumerate(np.diff(found) == 0):
        assert not (is_same and np.isnan(ms[at]))
        if is_same:
            longest_s = max(TOGETHER_S, np.nanmin(ms[at : at + 2]) / 1000)
            assert opened_s[at] < longest_s


@given(
    st.lists(st.tuples(st.floats(1e-3, 20), st.floats(0.5, 1e5)), min_size=1, max_size=20), st.integers(1, 5)
)
def test_what_comes_later_changes_nothing(steps: list[tuple[float, float]], more: int) -> None:
    """Otherwise a pass would look different while the run goes on."""
    made_s, ms = np.cumsum([step for step, _ in steps]), np.array([each for _, each in steps])
    later_s = made_s[-1] + ms[-1] / 1000 + np.cumsum(np.full(more, 0.1))
    whole = grouped(np.concatenate([made_s, later_s]), np.concatenate([ms, np.full(more, 60.0)]))
    assert whole[: len(ms)].tolist() == grouped(made_s, ms).tolist()
