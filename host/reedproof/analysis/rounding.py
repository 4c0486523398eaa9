"""Values to three digits for people to act on, rounded to the safe side."""

from __future__ import annotations

import math
from collections.abc import Callable

from reedproof.units import unit_of


def up(value: float, key: str) -> str:
    """Not below the value, which is above 0, with the unit of ``key``."""
    return _rounded(value, key, math.ceil)


def down(value: float, key: str) -> str:
    """Not above the value, which is above 0, with the unit of ``key``."""
    return _rounded(value, key, math.floor)


def _rounded(value: float, key: str, to: Callable[[float], int]) -> str:
    decimals = 2 - math.floor(math.log10(value))
    number = to(value * 10.0**decimals) / 10.0**decimals
    return f"{number:.{max(0, decimals)}f} {unit_of(key)}"
