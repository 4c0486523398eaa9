"""The page: whole, harmless, readable, and with the numbers of the report."""

from __future__ import annotations

import itertools
import re
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from reedproof.analysis.account import Account, Block, ContactCount, Evidence, Kind, Status
from reedproof.analysis.drift import DriftWatch
from reedproof.analysis.plans import FixedClaim
from reedproof.analysis.statement import statement
from reedproof.layout import Sheet
from reedproof.report import Report, build
from reedproof.report_html import EVIDENCE_MAX, GAPS_MAX, render
from reedproof.store import Store
from reedproof.store_runs import RunGap
from report.made import NAMES, STARTED_S, Wrong, sheet, write_run
from report.page import Element, read

PLAN = {"kind": "passes", "passes": 100}
CLAIM = {"kind": "claim", "reliability": 0.96, "confidence": 0.95, "contacts": 8, "misses": 0}
WEEK_S = 7 * 86_400.0
HOSTILE = (
    "<script>alert(1)</script>", "\"' onload='x", "</title></style><b>", "&lt;&amp;", ">first", "]]><!--",
    "a" * 60, "\N{CJK UNIFIED IDEOGRAPH-4E2D} \N{RIGHT-TO-LEFT OVERRIDE}evil",
)  # fmt: skip


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    with Store(tmp_path / "store.sqlite") as opened:
        yield opened


def page(store: Store, plan: dict[str, Any], wrong: Wrong, laps: int = 150, **more: Any) -> Element:
    run_id, _ = write_run(store, laps, plan, wrong, **more)
    return read(render(build(store, run_id)))


def week(names: tuple[str, ...], *, simulated: bool = False) -> Report:
    """The worst that can come: a week, contacts that miss and bounce, drift everywhere, a gap each minute."""
    rng = np.random.default_rng(5)
    count = len(names)
    blocks = tuple(Block(STARTED_S + 600.0 * at, 60, 6, 6) for at in range(1008))
    contacts = tuple(
        ContactCount(
            name, 60_480, 48_384, 6048, 6048, 6048, 5000, Status.COUNTED, "", (60_000, 61_000), (6000, 6100),
            (6000, 6100), blocks,
        )
        for name in names
    )  # fmt: skip
    times_s = np.sort(rng.uniform(STARTED_S, STARTED_S + WEEK_S, 1000)).tolist()
    evidence = tuple(
        Evidence(kind, contact, names[0], at_s, names[1])
        for at_s in times_s
        for contact in range(count)
        for kind in (Kind.MISSED, Kind.EXTRA, Kind.DOUBLED, Kind.HALTED, Kind.MOVED)
    )
    account = Account(
        contacts, {names[0]: 60_480}, 24 * 60_480, STARTED_S, STARTED_S + WEEK_S, evidence, 10_000
    )
    plan = FixedClaim(0.999, 0.95, count)
    drift = DriftWatch(names)
    at_s = np.linspace(STARTED_S, STARTED_S + WEEK_S, 15_000)
    for contact in range(count):
        lengths = 60 * np.exp(rng.normal(0, 0.05, len(at_s))) * np.linspace(1, 0.5, len(at_s))
        drift.feed(np.full(len(at_s), contact), at_s, lengths, rng.poisson(2, len(at_s)))
    told = {
        **sheet(names, layout=names[0]),
        "boards": {name: {"kind": "mega"} for name in ("quarry", "mill")},
    }
    gaps = tuple(
        RunGap(at, "mill", None, STARTED_S + 60 * at, STARTED_S + 60 * at + 20, "lost", names[0])
        for at in range(int(WEEK_S / 60))
    )
    with Store(":memory:") as store:
        store.begin_run(STARTED_S, told, plan.as_dict(), simulated=simulated, seed=9 if simulated else None)
        store.end_run(1, STARTED_S + WEEK_S, "failed")
        run = store.run()
    said = statement(account, plan, stopped_as_planned=True)
    model = Sheet.model_validate(told)
    return Report(run, model, plan, (), gaps, account, said, drift.result(), "mm", (), (), ())


# ---- form ----


@pytest.fixture(scope="module")
def worst() -> str:
    return render(week((*HOSTILE, *(f"contact {at}" for at in range(16))), simulated=True))


def test_nothing_from_elsewhere_and_no_scripts(worst: str) -> None:
    root = read(worst)
    assert {each.name for each in root.every()} <= {
        "html", "head", "meta", "title", "style", "body", "main", "header", "section", "h1", "h2", "h3", "p",
        "ul", "li", "strong", "span", "time", "div", "figure", "figcaption", "table", "caption", "thead",
        "tbody", "tr", "th", "td", "svg", "text", "rect", "line", "path", "circle", "polyline",
    }  # fmt: skip
    for element in root.every():
        for name in element.attributes:
            assert not name.startswith("on"), element
            assert name not in ("href", "src", "style", "xlink:href"), element
    style = root.one("style").text
    assert not re.search(r"url\(|@import|expression|javascript", style)
    assert "http" not in worst.replace("<!DOCTYPE html>", "")


def test_names_are_text_wherever_they_come(worst: str) -> None:
    root = read(worst)
    cells = {each.text for each in root.every("th")}
    for name in HOSTILE:
        assert name in cells, f"{name!r} is not told back as it was written"
    assert root.one("h1").text == f"Reliability run 1: {HOSTILE[0]}"
    (title,) = root.one("head").every("title")
    assert title.text == f"Reliability run 1: {HOSTILE[0]}"
    assert {each.text for each in root.every("svg") for each in each.every("title")} >= set(HOSTILE)


def test_a_reader_that_cannot_see_finds_the_way(worst: str) -> None:
    root = read(worst)
    assert root.one("html").attributes["lang"] == "en"
    metas = {each.attributes.get("name"): each.attributes.get("content") for each in root.every("meta")}
    assert metas["viewport"] == "width=device-width, initial-scale=1"
    headings = [int(each.name[1]) for each in root.every("h1", "h2", "h3")]
    assert headings.count(1) == 1
    assert headings[0] == 1
    assert all(b - a <= 1 for a, b in itertools.pairwise(headings)), "a level is left out"
    for table in root.every("table"):
        assert table.one("caption").text
        for row in table.every("tr"):
            scopes = [each.attributes.get("scope") for each in row.every("th")]
            assert scopes, "a row without a head"
            assert set(scopes) <= {"row", "col"}
        assert all(each.attributes["scope"] == "col" for each in table.one("thead").every("th"))
        columns = len(list(table.one("thead").every("th")))
        for row in table.one("tbody").every("tr"):
            assert len(list(row.every("th", "td"))) == columns
    for plot in root.every("svg"):
        assert plot.attributes["role"] == "img"
        assert isinstance(plot.inside[0], Element)
        assert plot.inside[0].name == "title"
        assert plot.inside[0].text


def test_a_week_with_everything_wrong_stays_small(worst: str) -> None:
    assert len(worst.encode()) < 3_000_000
    root = read(worst)
    evidence = next(each for each in root.every("section") if each.one("h2").text.startswith("Evidence"))
    assert len(list(evidence.one("tbody").every("tr"))) == EVIDENCE_MAX
    gaps = next(each for each in root.every("section") if each.one("h2").text.startswith("Gaps"))
    assert len(list(gaps.one("tbody").every("tr"))) == GAPS_MAX
    assert f"{int(WEEK_S / 60) - GAPS_MAX} more are in the JSON form" in gaps.text


def luminance(colour: str) -> float:
    """Relative luminance, WCAG 2.1."""
    digits = colour if len(colour) == 6 else "".join(2 * digit for digit in colour)
    parts = [int(digits[at : at + 2], 16) / 255 for at in (0, 2, 4)]
    linear = [part / 12.92 if part <= 0.03928 else ((part + 0.055) / 1.055) ** 2.4 for part in parts]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def contrast(one: str, other: str) -> float:
    light, dark = sorted((luminance(one), luminance(other)), reverse=True)
    return (light + 0.05) / (dark + 0.05)


@pytest.mark.parametrize(("colour", "least"), [
    *((name, 4.5) for name in ("ink", "soft", "good", "bad", "doubt")),  # WCAG 2.1, 1.4.3, text
    *((name, 3.0) for name in ("bar", "extra")),  # WCAG 2.1, 1.4.11, graphics
])  # fmt: skip
def test_contrast(worst: str, colour: str, least: float) -> None:
    style = read(worst).one("style").text
    light, dark = re.findall(r":root \{(.*?)\}", style, re.DOTALL)
    for theme in (light, dark):
        colours = dict(re.findall(r"--(\w+): #(\w+)", theme))
        assert contrast(colours[colour], colours["paper"]) >= least, (colour, theme)
    dark_from = style.index("prefers-color-scheme: dark")
    assert style[:dark_from].rstrip().endswith("@media screen and ("), "paper is always light"


# ---- content ----


def sections(root: Element) -> list[str]:
    return [each.one("h2").text for each in root.every("section")]


def section(root: Element, beginning: str) -> Element:
    return next(each for each in root.every("section") if each.one("h2").text.startswith(beginning))


def test_the_statement_comes_first_and_cautions_last(store: Store) -> None:
    root = page(store, CLAIM, Wrong())
    assert sections(root) == [
        "What this run proves", "Contact by contact", "What cannot be told",
        "Drift: contacts on their way to failing", "Gaps and interruptions", "Other runs on this layout",
        "Evidence: every miss and every extra closure", "Layout, wiring, boards and settings",
        "How it was counted, and what is assumed", "Cautions",
    ]  # fmt: skip
    proved = section(root, "What this run proves")
    first = next(iter(proved.every("p")))
    assert first.text.startswith("The claim is met: less than 4 % of passes missed at each of 8 contacts")
    assert "good" in first.classes
    assert "What was not shown" in proved.text
    readme = " ".join((Path(__file__).parents[2] / "README.md").read_text().split())
    for each in section(root, "Cautions").every("li"):
        assert each.text in readme, "the README says it in other words"


def test_the_numbers_of_the_table(store: Store) -> None:
    run_id, truth = write_run(store, 150, PLAN, Wrong(missed={1: 0.04}, extra={3: 0.04}, seed=3))
    root = read(render(build(store, run_id)))
    table = next(iter(section(root, "Contact by contact").every("table")))
    rows = [[cell.text for cell in row.every("th", "td")] for row in table.one("tbody").every("tr")]
    assert [row[0] for row in rows] == [*NAMES, "All contacts at once"]
    assert [row[2:5] for row in rows[:-1]] == [
        [str(number) for number in numbers]
        for numbers in zip(truth.passes, truth.missed, truth.extra, strict=True)
    ]
    assert rows[-1][3:5] == [str(sum(truth.missed)), str(sum(truth.extra))]
    # 0 of 150 missed: 1 - 0.05^(1/150), the success-run formula, is 1 in 50.57.
    assert rows[0][6] == "1 in 50"
    assert [row[-1] for row in rows[:4]] == ["clean", "misses", "clean", "extras"]


def test_what_cannot_be_told_is_told_with_its_range(store: Store) -> None:
    root = page(store, PLAN, Wrong(missed={0: 0.1}), names=NAMES[:1])
    (row,) = section(root, "What cannot be told").one("tbody").every("tr")
    name, why, passes, *_ = (cell.text for cell in row.every("th", "td"))
    assert name == NAMES[0]
    assert len(why) > 20
    assert re.fullmatch(r"\d+( to \d+)?", passes)
    table = next(iter(section(root, "Contact by contact").every("table")))
    assert "cannot tell" in table.text
    (bound,) = (each for each in section(root, "Contact").every("svg"))
    assert not [each for each in bound.every("rect") if "bound" in each.classes], "no bar without a number"


def test_gaps_other_runs_and_drift_are_shown(store: Store) -> None:
    write_run(store, 40, PLAN, Wrong(), outcome=None)
    root = page(store, PLAN, Wrong(shorter={5: 0.5}, away=(0.2, 0.25)), laps=900, begun_s=STARTED_S + 1e5)
    gaps = section(root, "Gaps")
    (row,) = gaps.one("tbody").every("tr")
    cells = [cell.text for cell in row.every("th", "td")]
    assert cells[1:] == ["36 min", "mill", "records lost", "unplugged; records 300 to 340 are lost"]
    timeline = next(iter(gaps.every("svg")))
    (heard, _), (away,) = (
        [each for each in timeline.every("rect") if kind in each.classes] for kind in ("heard", "away")
    )
    width, left = (float(heard.attributes[name] or "") for name in ("width", "x"))
    assert float(away.attributes["width"] or "") / width == pytest.approx(0.05, abs=0.002)
    assert (float(away.attributes["x"] or "") - left) / width == pytest.approx(0.2, abs=0.002)
    (run,) = section(root, "Other runs").one("tbody").every("tr")
    assert [cell.text for cell in run.every("th", "td")][4:] == ["abandoned", "320", "0", "0"]
    drift = section(root, "Drift")
    assert [each.text for each in drift.every("h3")] == ["weighbridge"]
    assert "on its way to failing though it has not missed yet" in drift.text.lower()
    lengths, bounces = drift.every("svg")
    assert [each.text for each in lengths.every("text") if "claim-name" in each.classes] == ["alarm"]
    assert not [each for each in bounces.every("text") if "claim-name" in each.classes]
    assert "1 earlier run on this layout" in section(root, "What this run proves").text


def test_a_later_run_is_a_caution(store: Store) -> None:
    run_id, _ = write_run(store, 150, PLAN, Wrong())
    later, _ = write_run(store, 20, PLAN, Wrong(), outcome="stopped", begun_s=STARTED_S + 1e5)
    root = read(render(build(store, run_id)))
    proved = section(root, "What this run proves").text
    assert f"There are later runs on this layout: {later} (stopped by the user" in proved


@pytest.mark.parametrize("simulated", [True, False])
def test_a_simulated_run_says_so_before_anything_else(store: Store, *, simulated: bool) -> None:
    root = page(store, PLAN, Wrong(), laps=20, simulated=simulated, seed=7 if simulated else None)
    first = next(each for each in root.one("main").every() if each.name in ("p", "h1"))
    assert first.text.startswith("SIMULATED (seed 7)") is simulated
    assert ("SIMULATED" in root.one("body").text) is simulated


def test_a_run_without_a_closure(store: Store) -> None:
    root = page(store, PLAN, Wrong(), laps=0, outcome=None)
    assert "No closure was recorded." in section(root, "How").text
    assert "Nothing was proved" in section(root, "What this run proves").text


def test_wiring_and_settings(store: Store) -> None:
    root = page(store, PLAN, Wrong(), laps=20)
    wiring, boards = section(root, "Layout").every("table")
    row = next(iter(wiring.one("tbody").every("tr")))
    assert [cell.text for cell in row.every("th", "td")] == [
        "quarry, braking", "quarry", "1", "1", "P1", "braking", "0", "1000", "10000",
    ]  # fmt: skip
    assert [cell.text for cell in next(iter(boards.one("tbody").every("tr"))).every("th", "td")][:3] == [
        "quarry", "virtual", "0006a010",
    ]  # fmt: skip


def test_the_same_report_is_the_same_page(store: Store) -> None:
    run_id, _ = write_run(store, 30, PLAN, Wrong(missed={1: 0.1}))
    assert render(build(store, run_id)) == render(build(store, run_id))


def test_an_open_gap_reaches_to_the_end(store: Store) -> None:
    report = build(store, write_run(store, 30, PLAN, Wrong())[0])
    still = RunGap(1, None, None, STARTED_S + 600, None, "paused", "by the user")
    root = read(render(replace(report, gaps=(still,))))
    gaps = section(root, "Gaps")
    assert "still open" in gaps.text
    timeline = next(iter(gaps.every("svg")))
    heard = next(each for each in timeline.every("rect") if "heard" in each.classes)
    away = [each for each in timeline.every("rect") if "away" in each.classes]
    ends = {
        float(each.attributes["x"] or "") + float(each.attributes["width"] or "") for each in [heard, *away]
    }
    assert len(ends) == 1, "it ends where the run does"
