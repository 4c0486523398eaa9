"""For all tests: no test may be skipped unseen, and none may touch the user's own data."""

from __future__ import annotations

import os
from pathlib import Path

import pytest
from hypothesis import HealthCheck, settings

pytest.register_assert_rewrite("virtual_lines", "firmware_checks", "simulated_board")

ROOT = Path(__file__).resolve().parents[1]

# Deadlines measure the machine, not the code. In CI the examples are the same on every run; the
# `soak` profile explores new ones.
settings.register_profile("default", deadline=None, suppress_health_check=[HealthCheck.too_slow])
settings.register_profile("ci", settings.get_profile("default"), derandomize=True)
settings.register_profile("soak", settings.get_profile("default"), max_examples=5000, derandomize=False)
settings.load_profile(os.environ.get("HYPOTHESIS_PROFILE", "ci" if os.environ.get("CI") else "default"))


@pytest.fixture(autouse=True)
def _own_store(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("REEDPROOF_STORE", str(tmp_path / "store.sqlite"))
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path))


def _skipped(config: pytest.Config) -> list[str]:
    reporter = config.pluginmanager.get_plugin("terminalreporter")
    reports = reporter.stats.get("skipped", []) if reporter else []
    return [f"{report.nodeid}: {report.longrepr[2]}" for report in reports]


@pytest.hookimpl(trylast=True)
def pytest_sessionfinish(session: pytest.Session) -> None:
    """On CI a skipped test is a failed one."""
    if os.environ.get("CI") and _skipped(session.config) and session.exitstatus == 0:
        session.exitstatus = pytest.ExitCode.TESTS_FAILED


def pytest_terminal_summary(terminalreporter: pytest.TerminalReporter, config: pytest.Config) -> None:
    skipped = _skipped(config)
    terminalreporter.write_line(f"skipped tests: {len(skipped)}")
    for line in skipped:
        terminalreporter.write_line(f"  {line}")
