"""The report of a run against the truth about it, and what it must never leave out."""

from __future__ import annotations

import csv
import json
import math
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from reedproof.analysis.account import Status
from reedproof.errors import ReedproofError
from reedproof.report import CSV_COLUMNS, Grade, Report, build, observed_s
from reedproof.report_html import render
from reedproof.store import Store
from reedproof.store_runs import RunBoard, RunGap
from report.made import NAMES, STARTED_S, Wrong, sheet, write_run

LAPS = 150
PLAN = {"kind": "passes", "passes": 100}
#: ln(0.05 / 8) / ln(0.96) = 124.3: the success run for eight contacts at once, 0 misses.
CLAIM = {"kind": "claim", "reliability": 0.96, "confidence": 0.95, "contacts": 8, "misses": 0}


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    with Store(tmp_path / "store.sqlite") as opened:
        yield opened


def reported(store: Store, plan: dict[str, Any], wrong: Wrong = Wrong(), **more: Any) -> Report:  # noqa: B008
    run_id, _ = write_run(store, more.pop("laps", LAPS), plan, wrong, **more)
    return build(store, run_id)


def test_counts_are_those_of_the_truth(store: Store) -> None:
    wrong = Wrong(missed={1: 0.03, 6: 0.02}, extra={3: 0.03}, away=(0.4, 0.5), seed=11)
    run_id, truth = write_run(store, LAPS, PLAN, wrong)
    contacts = build(store, run_id).as_dict()["contacts"]
    assert list(contacts) == list(NAMES)
    assert sum(truth.missed) >= 3
    assert sum(truth.extra) >= 3
    for at, found in enumerate(contacts.values()):
        assert found["status"] == "counted", found["reason"]
        assert (found["passes"], found["missed"], found["extra"]) == (
            truth.passes[at], truth.missed[at], truth.extra[at],
        ), (NAMES[at], wrong)  # fmt: skip
        assert found["passes"] == found["good"] + found["doubled"] + found["missed"]
        assert found["missed"] / found["passes"] < found["miss_upper"] < 1
        assert found["extra"] / found["passes"] < found["extra_upper"]
        assert found["confidence"] == 0.95
    # What board 'mill' did not see is neither passed nor missed: a tenth of the laps.
    assert [found["unobserved"] for found in contacts.values()] == pytest.approx([0] * 4 + [15] * 4, abs=1)


def test_success_run_without_a_miss(store: Store) -> None:
    """A claim that was kept to: the bound is 1 - 0.05^(1/n), the success-run formula (Clopper & Pearson,
    Biometrika 26 (1934), with no miss)."""
    report = reported(store, CLAIM)
    assert report.grade is Grade.GOOD
    assert report.findings == ()
    assert report.verdict.startswith("The claim is met: ")
    for found in report.as_dict()["contacts"].values():
        assert found["miss_upper"] == pytest.approx(1 - 0.05 ** (1 / LAPS), rel=1e-9)


@pytest.mark.parametrize(
    ("plan", "wrong", "outcome", "grade", "finding"),
    [
        (PLAN, Wrong(), "met", Grade.GOOD, None),
        (PLAN, Wrong(missed={2: 0.05}), "met", Grade.BAD, '"crusher" missed '),
        (PLAN, Wrong(extra={2: 0.05}), "met", Grade.BAD, '"crusher" closed '),
        ({**PLAN, "passes": 1000}, Wrong(), "stopped", Grade.OPEN, None),
        (CLAIM, Wrong(missed={2: 0.05}), "failed", Grade.BAD, '"crusher" missed '),
        (CLAIM, Wrong(extra={2: 0.02}), "met", Grade.GOOD, None),
        (CLAIM, Wrong(extra={2: 0.15}), "met", Grade.OPEN, '"crusher" closed '),
        ({**CLAIM, "reliability": 0.99}, Wrong(), "stopped", Grade.OPEN, None),
    ],
)  # fmt: skip
def test_grades(
    store: Store, plan: dict[str, Any], wrong: Wrong, outcome: str, grade: Grade, finding: str | None
) -> None:
    report = reported(store, plan, wrong, outcome=outcome)
    assert report.grade is grade, report.findings
    if finding is None:
        assert report.findings == ()
    else:
        assert [text[: len(finding)] for text in report.findings] == [finding]
    words = {report.judgement(at) for at in range(8)}
    assert (report.judgement(2) not in ("clean", "proved", "not proved yet")) is (
        finding is not None and grade is Grade.BAD
    ), words


def test_a_contact_that_drifts_is_found_before_it_misses(store: Store) -> None:
    report = reported(store, PLAN, Wrong(shorter={5: 0.5}), laps=900)
    assert report.account.contacts[5].missed == 0
    (finding,) = report.findings
    assert finding.startswith('"weighbridge": on its way to failing though it has not missed yet')
    assert report.judgement(5) == "clean, drifts"
    assert report.grade is Grade.BAD
    found = report.as_dict()["drift"]
    assert [name for name, drift in found.items() if drift["alarm"]] == ["weighbridge"]
    assert found["weighbridge"]["alarm"]["change"] == "shorter"
    # A length of 1 - lap / 1800; the last 75 passes (862.5 on average) against the first 500 (250).
    expected = (1 - 862.5 / 1800) / (1 - 250 / 1800) - 1
    assert found["weighbridge"]["length_change"] == pytest.approx(expected, abs=0.02)
    assert report.length_unit == "mm"


def test_what_cannot_be_told_has_no_numbers(store: Store) -> None:
    """One contact cannot tell a missed pass from a train that came later."""
    report = reported(store, PLAN, Wrong(missed={0: 0.1}), names=NAMES[:1])
    assert {count.status for count in report.account.contacts} == {Status.CANNOT_TELL}
    for name, found in report.as_dict()["contacts"].items():
        assert found["status"] == "cannot_tell"
        assert found["reason"]
        assert found["passes"] is found["missed"] is found["extra"] is None
        least, most = found["passes_range"]
        assert least <= LAPS <= most
        assert f'"{name}" could not be counted: {found["reason"]}.' in report.findings
    lines = list(csv.DictReader(report.as_csv().splitlines()))
    assert [line["passes"] for line in lines] == [""]
    assert report.grade is Grade.BAD


def test_other_runs_on_the_layout_are_never_hidden(store: Store) -> None:
    first, truth = write_run(store, 40, CLAIM, Wrong(missed={3: 0.2}), outcome=None)
    simulated, _ = write_run(store, 20, PLAN, Wrong(), simulated=True, begun_s=STARTED_S + 5e4)
    asked, _ = write_run(store, LAPS, CLAIM, Wrong(), begun_s=STARTED_S + 1e5)
    later, _ = write_run(store, 30, PLAN, Wrong(), outcome="stopped", begun_s=STARTED_S + 2e5)
    found = build(store, asked).as_dict()
    assert [(run["number"], run["outcome"]) for run in found["earlier_runs"]] == [(first, "abandoned")]
    assert found["earlier_runs"][0]["missed"] == sum(truth.missed) > 0
    assert [run["number"] for run in found["later_runs"]] == [later]
    assert "abandoned" in found["contacts"][NAMES[3]]["flags"]
    assert any("earlier run on this layout" in text for text in found["cautions"])
    together = build(store, asked).statement.contacts[3].all_runs
    assert together is not None
    assert together.miss_upper > found["contacts"][NAMES[3]]["miss_upper"]
    # A simulated run says nothing about real contacts, and the other way round.
    assert build(store, simulated).earlier == ()


def test_json_and_csv_say_the_same(store: Store) -> None:
    report = reported(store, CLAIM, Wrong(extra={1: 0.1}), simulated=True, seed=7)
    found = json.loads(json.dumps(report.as_dict(), allow_nan=False))
    assert (found["run"]["simulated"], found["run"]["seed"]) == (True, 7)
    assert found["statement"] == [report.verdict, report.statement.sentence]
    assert found["layout"] == sheet() | {
        "contacts": [{**contact, "plan": None} for contact in sheet()["contacts"]],
        "plan": {"magnet": None, "timing": None, "wiring": None, "run": None},
        "boards": {name: {"kind": "virtual", "id": None} for name in ("quarry", "mill")},
        "routes": [{**sheet()["routes"][0], "times_s": None}],
        "trains": [{**sheet()["trains"][0], "magnets": 1, "spacing_mm": None}],
    }
    lines = list(csv.DictReader(report.as_csv().splitlines()))
    assert tuple(lines[0]) == CSV_COLUMNS
    for line, contact in zip(lines, report.sheet.contacts, strict=True):
        told = found["contacts"][line["contact"]]
        assert line["contact"] == contact.name
        assert [int(line[name]) for name in ("passes", "missed", "extra")] == [
            told[name] for name in ("passes", "missed", "extra")
        ]
        assert float(line["miss_upper_per_pass"]) == told["miss_upper"]
        assert float(line["extra_upper_per_pass"]) == told["extra_upper"]


def test_evidence_names_contact_and_time(store: Store) -> None:
    report = reported(store, PLAN, Wrong(missed={4: 0.05}, seed=2))
    found = report.as_dict()
    missed = [each for each in found["evidence"] if each["kind"] == "missed"]
    assert len(missed) == found["contacts"][NAMES[4]]["missed"] > 0
    assert {each["contact"] for each in missed} == {NAMES[4]}
    assert all(STARTED_S < each["at_s"] < report.to_s and each["because"] for each in missed)


def test_a_run_without_a_closure(store: Store) -> None:
    report = reported(store, CLAIM, laps=0, outcome="stopped")
    found = json.loads(json.dumps(report.as_dict(), allow_nan=False))
    assert report.grade is not Grade.GOOD
    assert all(told["miss_upper"] == 1 and told["extra_upper"] is None for told in found["contacts"].values())


def test_a_sheet_without_a_route_cannot_be_accounted_for(store: Store) -> None:
    run_id = store.begin_run(STARTED_S, {**sheet(), "routes": [], "trains": []}, PLAN)
    with pytest.raises(ReedproofError, match=f"run {run_id} cannot be accounted for: .*route"):
        build(store, run_id)


def test_progress_comes_to_its_end(store: Store) -> None:
    first, _ = write_run(store, 20, PLAN, Wrong())
    second, _ = write_run(store, 20, PLAN, Wrong(), begun_s=STARTED_S + 1e5)
    told: list[tuple[int, float]] = []
    build(store, second, lambda run_id, part: told.append((run_id, part)))
    assert {run_id for run_id, _ in told} == {first, second}
    assert all(0 <= part <= 1 for _, part in told)
    assert max(part for _, part in told) > 0.9


BOARD = RunBoard("mill", 1, 7, "nano", 0, None, 100.0, 200.0, {})
GAP = RunGap(1, "mill", None, 120.0, 130.0, "lost", "")


@pytest.mark.parametrize(
    ("boards", "gaps", "expected_s"),
    [
        ([], [], 0.0),
        ([BOARD], [], 100.0),
        ([BOARD], [GAP], 90.0),
        ([BOARD], [GAP, GAP._replace(from_s=125.0, to_s=140.0)], 80.0),
        ([BOARD], [GAP._replace(from_s=90.0, to_s=110.0)], 90.0),
        ([BOARD], [GAP._replace(to_s=None)], 20.0),
        ([BOARD], [GAP._replace(input=3)], 100.0),
        ([BOARD], [GAP._replace(board="quarry")], 100.0),
        ([BOARD], [GAP._replace(board=None)], 90.0),
        ([BOARD], [GAP._replace(from_s=300.0, to_s=400.0)], 100.0),
        ([BOARD, replace(BOARD, boot_id=2, from_s=210.0, heard_s=300.0)], [GAP], 180.0),
        ([BOARD, replace(BOARD, name="quarry", heard_s=150.0)], [GAP], 50.0),
    ],
)
def test_observed_time(boards: list[RunBoard], gaps: list[RunGap], expected_s: float) -> None:
    assert math.isclose(observed_s(boards, gaps), expected_s)


# ---- as planned ----


def planned(closures_mm: list[float]) -> dict[str, Any]:
    return {
        "magnet": {
            "diameter_mm": 4.9, "length_mm": 10.0, "remanence_t": 1.3, "orientation": "across",
            "distance_mm": 20.0, "operate_mt": 2.0, "release_mt": 1.9, "closures_mm": closures_mm,
        }
    }  # fmt: skip


def test_closures_are_held_against_the_plan(store: Store) -> None:
    """Trains do 800 mm in 6 s and close a contact for 60 ms: 8 mm. The crusher's get shorter, to 0.3 of it
    in the end: their geometric mean is exp of the mean of ln(1 - 0.7 x) for x from 0 to 1."""
    expected = math.exp(-(0.3 * math.log(0.3) + 0.7) / 0.7)
    report = reported(store, PLAN, Wrong(shorter={2: 0.7}), plans=planned([8.0]))
    assert [length.contact for length in report.lengths] == list(NAMES)
    shares = [length.share for length in report.lengths]
    assert shares[2] == pytest.approx(expected, rel=0.02)
    assert shares[:2] + shares[3:] == pytest.approx([1.0] * 7, rel=0.02)
    assert [length.is_as_planned for length in report.lengths] == [at != 2 for at in range(8)]
    told = report.as_dict()["closure_lengths"]["crusher"]
    assert told["planned_mm"] == [8.0]
    assert told["measured_mm"] == pytest.approx(8 * expected, rel=0.02)
    page = render(report)
    assert "Closures as planned and as measured" in page
    assert "shorter than planned: is the magnet further away, weaker or turned?" in page


def test_without_a_plan_nothing_is_compared(store: Store) -> None:
    report = reported(store, PLAN)
    assert report.lengths == ()
    assert "as planned" not in render(report)


def test_a_contact_that_no_magnet_closes_is_in_the_report(store: Store) -> None:
    report = reported(store, PLAN, plans=planned([]))
    assert {length.sentence for length in report.lengths} == {"no closure is planned"}
    assert "no closure is planned" in render(report)


def test_several_closures_of_a_pass_are_not_compared(store: Store) -> None:
    report = reported(store, PLAN, plans=planned([18.8, 22.9]))
    assert {length.share for length in report.lengths} == {None}
    assert {length.sentence for length in report.lengths} == {"several closures are planned"}
    assert report.lengths[0].measured_mm == pytest.approx(8.0, rel=0.02)
