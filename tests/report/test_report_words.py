"""Words of the report and of the lists."""

from __future__ import annotations

import pytest

from reedproof.report_words import how_long


@pytest.mark.parametrize(
    ("seconds", "text"),
    [(0, "0.0 s"), (0.34, "0.3 s"), (59.4, "59 s"), (60, "1 min"), (3599, "59 min"), (3600, "1 h 00 min"),
     (86_399, "23 h 59 min"), (86_400, "1 d 00 h"), (200_000, "2 d 07 h")],
)  # fmt: skip
def test_how_long(seconds: float, text: str) -> None:
    assert how_long(seconds) == text
