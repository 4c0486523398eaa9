"""The diagnosis of simulated scenarios: a small part of what `make accuracy` runs, and whether that counts
rightly."""

from __future__ import annotations

import pytest

from accuracy import diagnosis as accuracy
from accuracy.diagnosis import Result
from reedproof.analysis.finding import Cause

SEEDS = range(5001, 5004)  # neither those that rules were made on nor those that accuracy is measured on


def told(results: list[Result]) -> str:
    return "\n".join(accuracy.failures(results)) or "all right"


# ---- the rules ----


def moderate() -> list[str]:
    """Scenarios with one moderate fault, by their causes."""
    files = {}
    for path in accuracy.scenarios():
        faults = accuracy.read_scenario(path).faults
        if len(faults) == 1 and faults[0].size == "moderate" and not faults[0].is_dead:
            files[faults[0].cause.value] = path.stem
    assert set(files) == {cause.value for cause in Cause}
    return sorted(files.values())


@pytest.mark.parametrize("name", moderate())
def test_a_moderate_fault_is_named_first(name: str) -> None:
    path = accuracy.SCENARIOS / f"{name}.toml"
    results = [accuracy.one_run(path, seed) for seed in SEEDS]
    assert all(result.is_found(0, 1) for result in results), told(results)
    assert all(result.said[0].is_sure for result in results), told(results)


def healthy() -> list[str]:
    return [path.stem for path in accuracy.scenarios() if not accuracy.read_scenario(path).faults]


@pytest.mark.parametrize("name", healthy())
def test_nothing_is_found_where_nothing_is_wrong(name: str) -> None:
    path = accuracy.SCENARIOS / f"{name}.toml"
    results = [accuracy.one_run(path, seed) for seed in SEEDS]
    assert all(result.is_right for result in results), told(results)
