"""An answer of the planner: results with the formula and source of each, margins, and what was assumed."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from reedproof.units import with_unit


@dataclass(frozen=True)
class Result:
    """One thing that was worked out. The unit stands last in ``key``, as in ``peak_mt``.

    ``value`` is what JSON has: a number, a list, a dict, or None where there is none. ``text`` is how people
    read it, where that is more than the number and its unit. ``source``: who published the formula or the
    value, "common practice, no source", or "derived here".
    """

    key: str
    label: str
    value: Any
    formula: str = ""
    source: str = ""
    text: str | None = None


@dataclass(frozen=True)
class Check:
    """Whether a value keeps to a limit, both in the unit that ends ``key``, and what to change if not."""

    key: str
    label: str
    value: float
    limit: float
    otherwise: str
    is_upper: bool = False  # the value has to stay at or below the limit, else at or above

    @property
    def is_kept(self) -> bool:
        return self.value <= self.limit if self.is_upper else self.value >= self.limit

    @property
    def bound(self) -> str:
        """'at most 1.5 V'."""
        return f"{'at most' if self.is_upper else 'at least'} {with_unit(self.limit, self.key)}"

    @property
    def margin(self) -> float | None:
        """How many times better than needed; below 1 where the limit is not kept. None where a value or a
        limit of 0 or less has no such factor."""
        good, needed = (self.limit, self.value) if self.is_upper else (self.value, self.limit)
        return good / needed if good >= 0 and needed > 0 else None


@dataclass(frozen=True)
class Grid:
    """A table: ``columns`` are keys as those of results, every row has a value for each."""

    key: str
    title: str
    columns: Sequence[str]
    rows: Sequence[Sequence[Any]]


@dataclass(frozen=True)
class Answer:
    """``advice``: what to change, or what is best, a sentence each."""

    results: Sequence[Result]
    checks: Sequence[Check] = ()
    grids: Sequence[Grid] = ()
    advice: Sequence[str] = ()
    assumptions: Sequence[str] = ()
    cautions: Sequence[str] = ()

    @property
    def is_good(self) -> bool:
        return all(check.is_kept for check in self.checks)

    def as_dict(self) -> Mapping[str, Any]:
        """For JSON."""
        return {
            **{result.key: result.value for result in self.results},
            **{
                grid.key: [dict(zip(grid.columns, row, strict=True)) for row in grid.rows]
                for grid in self.grids
            },
            "is_good": self.is_good,
            "checks": [
                {
                    "of": check.key,
                    "what": check.label,
                    "value": check.value,
                    "at_most" if check.is_upper else "at_least": check.limit,
                    "margin": check.margin,
                    "is_kept": check.is_kept,
                    "otherwise": check.otherwise,
                }
                for check in self.checks
            ],
            "how": {
                result.key: {"formula": result.formula, "source": result.source}
                for result in self.results
                if result.formula or result.source
            },
            "advice": list(self.advice),
            "assumptions": list(self.assumptions),
            "cautions": list(self.cautions),
        }
