"""The words and drawings of a diagnosis."""

from __future__ import annotations

import re

import pytest
from hypothesis import given
from hypothesis import strategies as st

from reedproof.analysis.finding import Cause, Diagnosis, Finding, Sketch
from reedproof.cli import diagnosis_words as words


def finding(cause: Cause = Cause.LOOSE_LEAD, confidence: float = 0.8, **parts: object) -> Finding:
    usual = {
        "contacts": ("mill",), "board": None, "trains": (), "evidence": (), "next_step": "look",
        "confirm": "try",
    }  # fmt: skip
    return Finding(cause=cause, confidence=confidence, **{**usual, **parts})  # type: ignore[arg-type]


@pytest.mark.parametrize("cause", Cause)
def test_every_cause_has_words(cause: Cause) -> None:
    text = words.heading(finding(cause))
    assert re.fullmatch(r'contact "mill": [a-z][\w\',. ]+ \(likely, 80\N{NO-BREAK SPACE}%\)', text), text
    assert "_" not in text.replace("make_us", "").replace("break_us", "")


def test_all_words_differ() -> None:
    assert len(set(words.CAUSES.values())) == len(Cause)


@pytest.mark.parametrize(
    ("parts", "place"),
    [
        ({"contacts": ("a", "b")}, 'contacts "a" and "b"'),
        ({"contacts": ("a",), "board": "quay"}, 'contact "a", board "quay"'),
        ({"contacts": (), "board": "quay"}, 'board "quay"'),
        ({"contacts": (), "trains": ("goods",)}, 'train "goods"'),
        ({"contacts": (), "trains": ("goods", "mail")}, 'train "goods" or "mail"'),
    ],
)
def test_the_place(parts: dict[str, object], place: str) -> None:
    assert words.place(finding(**parts)) == place


@pytest.mark.parametrize(
    ("confidence", "sure"),
    [
        (0.499, "possible, 50"),
        (0.5, "likely, 50"),
        (0.9, "nearly certain, 90"),
        (0.999, "nearly certain, 99"),
    ],
)
def test_how_sure(confidence: float, sure: str) -> None:
    assert words.heading(finding(confidence=confidence)).endswith(f"({sure}\N{NO-BREAK SPACE}%)")


@pytest.mark.parametrize(
    ("next_step", "confirm", "told"),
    [
        ("run it again", "watch ten passes", []),
        ("run it again", "stand a magnet over it", ["magnets"]),
        ("unplug it", "try", ["power off"]),
        ("Solder the lead", "try", ["power off", "solder"]),
        ("measure the supply", "with MAGNETS", ["power off", "magnets"]),
        ("do not mislead", "soldiers", []),
    ],
)
def test_cautions_only_where_they_apply(next_step: str, confirm: str, told: list[str]) -> None:
    said = words.cautions([finding(next_step=next_step), finding(next_step="x", confirm=confirm)])
    assert [each.split(";")[0].split(" first")[0].split(" ")[0] for each in said] == [
        each.split(" ")[0] for each in told
    ]
    assert max([len(f"caution: {each}") for each in said], default=0) <= words.WIDTH


# ---- drawings ----


def test_what_is_short_is_not_lost() -> None:
    """A dropout of 10 us and a blip of 10 us in a second."""
    closed, opened, scale = words.strip(
        Sketch("", ((0.0, 500.0), (500.01, 700.0), (900.0, 900.01)), 1000.0), 107, unicode=False
    )
    assert closed == f"closed {'#' * 70}{' ' * 20}#"
    assert opened == f"open   {' ' * 50}_{' ' * 19}{'_' * 30}"
    assert scale.split() == ["ms", *(f"|{100 * n}" for n in range(10))]


def test_the_scale_is_in_seconds_where_it_is_long() -> None:
    for until_ms, scale in (
        (9_999.0, "ms     |0             |5000"),
        (60_000.0, "s      |0        |20       |40"),
        (0.5, "ms     |0          |0.2        |0.4"),
    ):
        assert words.strip(Sketch("", (), until_ms), 37, unicode=False)[2] == scale


@given(
    edges=st.lists(st.floats(0, 1000), min_size=0, max_size=8, unique=True).map(sorted),
    until_ms=st.floats(0.1, 1e7),
    columns=st.integers(24, 80),
)
def test_every_column_is_open_or_closed(edges: list[float], until_ms: float, columns: int) -> None:
    closed_ms = tuple(
        (a / 1000 * until_ms, b / 1000 * until_ms) for a, b in zip(edges[::2], edges[1::2], strict=False)
    )
    closed, opened, scale = words.strip(Sketch("", closed_ms, until_ms), columns, unicode=True)
    assert max(map(len, (closed, opened, scale))) <= columns
    for cell in range(words.LABEL, columns):
        assert closed[cell : cell + 1].strip() or opened[cell : cell + 1].strip()
    marks = scale[words.LABEL :]
    assert 1 <= marks.count("|") <= columns // words.TICK + 1
    numbers = [float(text) for text in marks.replace("|", " ").split()]
    assert numbers == sorted(set(numbers)), "no two marks may run into each other"


# ---- width ----


@given(
    text=st.text(st.characters(codec="ascii", categories=["L", "N", "Zs"]), max_size=200),
    width=st.integers(40, 80),
)
def test_nothing_is_wider_than_the_screen(text: str, width: int) -> None:
    sketch = Sketch(text, ((0.0, 1.0),), 2.0)
    parts = {"contacts": (text, text), "evidence": (text, text), "next_step": text, "confirm": text}
    found = Diagnosis("", (finding(**parts, sketches=(sketch,)),) * 2, (text,), (text,))
    for line, _ in words.lines(found, width):
        assert len(line) <= width
