"""`reedproof endure`: plans, boards, the live screen, keys, signals, and how it ends."""

from __future__ import annotations

import fcntl
import io
import json
import os
import pty
import select
import signal
import struct
import subprocess
import termios
import time
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from rich.console import Console

from analysis.trains import Trains
from analysis.trains import sheet_of as trains_sheet
from cli.command import PATIENCE_S, PROGRAM, PluggedBoard, Ran, plain, run, start
from reedproof.analysis.account import Account, ContactCount, Status
from reedproof.analysis.passes import Accountant
from reedproof.analysis.plans import FixedClaim, HoursPlan, PassesPlan, Plan, SequentialClaim, plan_from_dict
from reedproof.cli import endure as endure_module
from reedproof.cli.endure import Judge, Screen, make_plan, time_left
from reedproof.endurance import BoardState, Happened, Progress
from reedproof.layout import Sheet
from reedproof.records import Fault
from reedproof.sim.board import VirtualBoard
from reedproof.store import Store
from reedproof.store_runs import Run
from virtual_lines import make_board, named

CONTACTS = 6


def sheet_text(kind: str = "virtual", board_id: str = "", contacts: int = CONTACTS) -> str:
    names = [f"contact {number}" for number in range(1, contacts + 1)]
    lines = ["[layout]", 'name = "test loop"', "[boards.mill]", f'kind = "{kind}"']
    lines += [f'id = "{board_id}"'] if board_id else []
    for number, name in enumerate(names, start=1):
        lines += ["[[contacts]]", f'name = "{name}"', 'board = "mill"', f"input = {number}"]
    lines += ["[[routes]]", 'name = "round"', 'kind = "loop"', f"contacts = {names}", "speed_mm_s = 300"]
    lines += ["[[trains]]", 'name = "train"', 'route = "round"']
    return "\n".join(lines) + "\n"


@pytest.fixture
def sheet(tmp_path: Path) -> str:
    path = tmp_path / "layout.toml"
    path.write_text(sheet_text())
    return str(path)


def lines_of(out: str) -> list[dict[str, Any]]:
    return [json.loads(line) for line in out.splitlines()]


# ---- a run from its begin to its end ----


def test_a_number_of_passes_is_met(sheet: str) -> None:
    ran = run("endure", sheet, "--passes", "12")
    assert (ran.code, ran.err) == (0, "")
    assert "plan: 12 passes of every contact" in ran.out
    assert "run 1: met after" in ran.out
    assert ran.out.count("contact ") > CONTACTS
    with Store() as store:
        one = store.run()
        assert (one.outcome, one.simulated, one.plan) == ("met", True, {"kind": "passes", "passes": 12})
        assert store.run_gaps(1) == []


def test_json_lines(sheet: str) -> None:
    ran = run("endure", sheet, "--claim", "0.8@0.5", "--json")
    assert ran.code == 0
    said = lines_of(ran.out)
    assert said[0]["event"] == "begun"
    assert said[0]["plan"]["kind"] == "claim"
    ended = said[-1]
    assert (ended["event"], ended["outcome"], ended["run"]) == ("ended", "met", 1)
    # 0.5 for six contacts at once is 1 - 0.5/6 for each: ln(0.5/6) / ln(0.8) = 11.1
    assert min(count["passes"] for count in ended["contacts"].values()) >= 12
    assert {count["missed"] for count in ended["contacts"].values()} == {0}
    assert ended["statement"]["verdict"] == "met"


def test_a_claim_that_cannot_be_met_any_more(sheet: str, monkeypatch: pytest.MonkeyPatch) -> None:
    from reedproof.sim.layout import Conditions, VirtualLayout

    def bad(layout: Sheet, laps: int | None, seed: int) -> VirtualLayout:
        return VirtualLayout(layout, laps, seed=seed, conditions=Conditions(miss={"contact 3": 0.3}))

    monkeypatch.setattr(endure_module, "VirtualLayout", bad)
    ran = run("endure", sheet, "--claim", "0.99@0.95", "--json")
    assert ran.code == 1
    ended = lines_of(ran.out)[-1]
    assert ended["outcome"] == "failed"
    assert ended["contacts"]["contact 3"]["missed"] >= 1
    assert (
        sum(count["missed"] for count in ended["contacts"].values())
        == ended["contacts"]["contact 3"]["missed"]
    )


def test_a_new_run_abandons_an_unfinished_one(sheet: str) -> None:
    run("endure", sheet, "--passes", "2")
    with Store() as store, store._transaction() as connection:
        connection.exec_driver_sql("UPDATE runs SET outcome = NULL, ended_s = NULL")
    ran = run("endure", sheet, "--passes", "2")
    assert "run 1 of this layout was unfinished: it counts as abandoned from now on" in ran.out
    with Store() as store:
        assert [one.outcome for one in store.runs()] == ["abandoned", "met"]


def test_a_simulated_run_that_is_unfinished_is_not_said_to_be_abandoned_by_a_real_one(tmp_path: Path) -> None:
    layout = trains_sheet(6)
    out = Console(file=io.StringIO(), width=200)
    with Store(tmp_path / "store.sqlite") as store:
        store.begin_run(0.0, layout.model_dump(mode="json"), {}, simulated=True)
        endure_module._begin(store, layout, PassesPlan(5), False, out)
        assert [one.outcome for one in store.runs()] == [None, None]
        assert out.file.getvalue() == ""
        endure_module._begin(store, layout, PassesPlan(5), False, out)
    assert "run 2 of this layout was unfinished" in out.file.getvalue()


def under_way(sheet: str) -> subprocess.Popen[str]:
    """A run as a program of its own, in which every contact has seen some passes."""
    process = start("endure", sheet, "--passes", "1000000", "--json")
    assert process.stdout is not None
    for line in process.stdout:
        said = json.loads(line)
        if said["event"] == "progress" and min(c["passes"] for c in said["contacts"].values()) > 2:
            break
    return process


def test_stopped_and_resumed(sheet: str) -> None:
    process = under_way(sheet)
    process.send_signal(signal.SIGTERM)
    try:
        out, err = process.communicate(timeout=PATIENCE_S)
    finally:
        process.kill()
    assert (process.returncode, "Traceback" in err) == (1, False), err
    ended = lines_of(out)[-1]
    assert (ended["event"], ended["outcome"]) == ("ended", "stopped")
    with Store() as store:
        assert store.run().outcome == "stopped"
    with Store() as store, store._transaction() as connection:
        connection.exec_driver_sql("""UPDATE runs SET plan = '{"kind": "passes", "passes": 30}'""")
    ran = run("endure", "--resume", "--json")
    assert ran.code == 0, ran
    said = lines_of(ran.out)
    assert said[0]["event"] == "resumed"
    for name, count in said[-1]["contacts"].items():
        assert count["passes"] >= 30 > ended["contacts"][name]["passes"], name
    with Store() as store:
        assert [one.outcome for one in store.runs()] == ["met"]
        assert {gap.kind for gap in store.run_gaps(1)} == {"paused"}


def test_a_killed_run_of_simulated_trains_goes_on_after_a_gap(sheet: str) -> None:
    process = under_way(sheet)
    process.kill()
    process.communicate(timeout=PATIENCE_S)
    with Store() as store, store._transaction() as connection:
        connection.exec_driver_sql("""UPDATE runs SET plan = '{"kind": "passes", "passes": 20}'""")
    ran = run("endure", "--resume", "--json")
    assert ran.code == 0, ran
    assert {count["missed"] for count in lines_of(ran.out)[-1]["contacts"].values()} == {0}
    with Store() as store:
        (gap,) = store.run_gaps(1)
        assert gap.to_s is not None
        assert (gap.kind, gap.to_s - gap.from_s > 5) == ("reboot", True)


def test_only_an_unfinished_run_is_resumed(sheet: str) -> None:
    assert "no store yet" in run("endure", "--resume").complaint()
    run("endure", sheet, "--passes", "2")
    assert "no run to resume; 'reedproof endure SHEET' begins one" in run("endure", "--resume").complaint()
    assert "no run number 7" in run("endure", "7", "--resume").complaint()
    assert "expected the number of a run" in run("endure", sheet, "--resume").complaint()
    assert "expected the number of a run" in run("endure", "9" * 20, "--resume").complaint()
    assert "has its plan already" in run("endure", "--resume", "--allow", "0").complaint()
    assert "claim '' is not two numbers" in run("endure", sheet, "--claim", "").complaint()
    ran = run("endure", "1", "--resume")
    assert (ran.code, "run 1 is over (met)" in ran.err) == (2, True)


# ---- boards ----


def plugged(board_id: int) -> PluggedBoard:
    return PluggedBoard(make_board(memory=named(board_id), speed=1.0))


def real(tmp_path: Path, board_id: str = "") -> str:
    path = tmp_path / "real.toml"
    path.write_text(sheet_text("nano", board_id))
    return str(path)


def test_a_board_that_is_not_there(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("reedproof.cli.find_boards.serial_ports", lambda: [])
    ran = run("endure", real(tmp_path, "0000beef"), "--passes", "1")
    assert ran.code == 3
    assert ran.complaint().startswith("board 'mill' (0000beef): not on any port; plug it in")
    with Store() as store:
        assert store.runs() == [], "no run was begun"


def test_another_board_than_the_sheets(tmp_path: Path) -> None:
    with plugged(0xCAFE) as board:
        ran = run("endure", real(tmp_path, "0000beef"), "--passes", "1", "--port", f"mill={board.port}")
    assert ran.code == 3
    assert "board 0000cafe answers there; the sheet's board 'mill' is 0000beef" in ran.err


def test_boards_are_found_by_their_ids(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Among all ports; and again when one comes back on another port."""
    from reedproof.cli.find_boards import Finder
    from reedproof.layout import read_sheet
    from reedproof.link import Link
    from reedproof.ports import Port

    layout = read_sheet(Path(real(tmp_path, "0000beef")))
    finder = Finder(layout.boards, {})
    with plugged(0xBEEF) as wanted, plugged(0xCAFE) as other:
        ports = [other.port, wanted.port]
        monkeypatch.setattr(
            "reedproof.cli.find_boards.serial_ports", lambda: [Port(url, "", None, None) for url in ports]
        )
        finder.find()
        with Link(finder.connector("mill")) as link:
            assert link.name == wanted.port
            finder.note("mill", link)
        wanted.unplug()
        with plugged(0xBEEF) as again:
            ports[:] = [other.port, again.port]
            with Link(finder.connector("mill")) as link:
                assert (link.name, link.hello.board) == (again.port, 0xBEEF)


def test_one_board_and_one_port_need_no_id(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    from reedproof.cli.find_boards import Finder
    from reedproof.layout import read_sheet
    from reedproof.ports import Port

    layout = read_sheet(Path(real(tmp_path)))
    with plugged(0xBEEF) as first, plugged(0xCAFE) as second:
        ports = [first.port]
        monkeypatch.setattr(
            "reedproof.cli.find_boards.serial_ports", lambda: [Port(url, "", None, None) for url in ports]
        )
        Finder(layout.boards, {}).find()
        ports.append(second.port)
        ran = run("endure", real(tmp_path), "--passes", "1")
        assert ran.code == 2
        assert "its id is missing in the sheet, and there are several" in ran.complaint()


# ---- plans ----


def test_plans_of_the_options() -> None:
    assert make_plan(4, 10, None, None, None, False) == PassesPlan(10)
    assert make_plan(4, None, 2.5, None, None, False) == HoursPlan(2.5)
    assert make_plan(4, None, None, None, None, False) == FixedClaim(0.999, 0.95, 4, 0)
    assert make_plan(4, None, None, "0.99@0.9", 2, False) == FixedClaim(0.99, 0.9, 4, 2)
    assert make_plan(4, None, None, "0.99@0.9", None, True) == SequentialClaim(0.99, 0.9, 4)


def test_the_plan_of_the_sheet_is_taken_where_no_option_says_another(tmp_path: Path) -> None:
    path = tmp_path / "layout.toml"
    path.write_text(sheet_text() + '[plan.run]\nclaim = "0.7@0.8"\nallow = 1\n')
    ran = run("endure", str(path))
    assert ran.code == 0, ran.err
    assert "the claim is that of the sheet" in ran.out
    assert f"{FixedClaim(0.7, 0.8, CONTACTS, 1).passes} passes of each contact with no more than 1" in ran.out
    ran = run("endure", str(path), "--passes", "2")
    assert "that of the sheet" not in ran.out
    assert "plan: 2 passes of every contact" in ran.out


@pytest.mark.parametrize(
    ("saved", "option", "plan"),
    [
        ("allow = 1", ("--sequential",), SequentialClaim(0.7, 0.8, CONTACTS)),
        ("sequential = true", ("--allow", "2"), FixedClaim(0.7, 0.8, CONTACTS, 2)),
        ("allow = 1", ("--allow", "0"), FixedClaim(0.7, 0.8, CONTACTS, 0)),
    ],
)
def test_the_claim_of_the_sheet_is_taken_with_other_ways_to_test_it(
    tmp_path: Path, saved: str, option: tuple[str, ...], plan: Plan
) -> None:
    path = tmp_path / "layout.toml"
    path.write_text(sheet_text() + f'[plan.run]\nclaim = "0.7@0.8"\n{saved}\n')
    begun = lines_of(run("endure", str(path), *option, "--json").out)[0]
    assert plan_from_dict(begun["plan"]) == plan


def account_of(passes: int, missed: int = 0, contacts: int = 1) -> Account:
    count = ContactCount(
        "c", passes, passes - missed, missed, 0, 0, 0, Status.COUNTED, "", (passes, passes), (missed, missed),
        (0, 0), (),
    )  # fmt: skip
    return Account((count,) * contacts, {"train": 77}, passes - missed, 0.0, 1.0, (), 0)


def test_a_verdict_has_to_stand() -> None:
    """What looks like a miss may turn out to be a train that stood still."""
    judge = Judge(FixedClaim(0.9, 0.9, 1, 0))
    assert [judge(account_of(5, missed), 0.0) for missed in (1, 1, 0, 1, 1)] == [None] * 5
    assert judge(account_of(6, 1), 0.0) == "failed"
    judge = Judge(PassesPlan(5))
    same = account_of(5)
    assert [judge(same, 0.0) for _ in range(5)] == [None] * 5
    assert [judge(account_of(5), 0.0) for _ in range(2)] == [None, "met"]


def unsure_of(passes: tuple[int, int], missed: tuple[int, int]) -> Account:
    account = account_of(passes[1], missed[0])
    count = replace(
        account.contacts[0], status=Status.CANNOT_TELL, reason="why", passes_range=passes, missed_range=missed
    )
    return replace(account, contacts=(count,))


def test_what_may_be_missed_does_not_end_a_run() -> None:
    judge = Judge(FixedClaim(0.9, 0.9, 1, 0))
    assert [judge(unsure_of((5, 6), (0, 1)), 0.0) for _ in range(5)] == [None] * 5
    assert [judge(unsure_of((50, 60), (1, 2)), 0.0) for _ in range(3)] == [None, None, "failed"]


@pytest.mark.parametrize("seed", range(3))
def test_a_claim_does_not_fail_in_the_first_laps_of_a_shuttle(seed: int) -> None:
    """The first closures at its end can be read as one pass or as two, one of them missed."""
    judge, accountant = Judge(FixedClaim(0.99, 0.95, 6)), Accountant(trains_sheet(6, "shuttle"))
    closures = Trains(kind="shuttle", laps=10, missed=0.0, extra=0.0, turns_on_contact=0.3).run(seed).closures
    for at in range(0, len(closures), 2):
        accountant.feed(closures[at : at + 2])
        assert judge(accountant.account(), 0.0) is None, f"after {at + 2} closures"


def test_time_left() -> None:
    assert time_left(PassesPlan(100), unsure_of((25, 100), (0, 0)), 3600).startswith("left: 75 passes")
    claim = FixedClaim(0.9, 0.9, 1, 0)
    assert time_left(claim, unsure_of((100, 100), (0, 1)), 3600) == "left: to tell what happened at c"
    assert (
        time_left(PassesPlan(100), account_of(25), 3600) == "left: 75 passes of a contact, about 3 h 00 min"
    )
    assert time_left(HoursPlan(2), account_of(25), 3600) == "left: 1 h 00 min"
    assert time_left(PassesPlan(100), account_of(100), 3600) == "left: nothing"


# ---- the screen ----


def screen_of(contacts: int, **changes: Any) -> Screen:
    names = [f"a contact with a long name {number}" for number in range(contacts)]
    sheet = Sheet.model_validate(
        {
            "layout": {"name": "the Fernhollow slate tramway"},
            "boards": {"mill": {"kind": "mega"}},
            "contacts": [{"name": n, "board": "mill", "input": at + 1} for at, n in enumerate(names)],
        }
    )
    one = Run(123, sheet.layout.name, {}, {}, 0.0, None, None, False, None)
    screen = Screen(one, sheet, FixedClaim(0.999, 0.95, contacts), has_keys=True)
    fields: dict[str, Any] = {
        "now_s": 1000.0, "account": account_of(123456, 321, contacts), "accounted_s": 998.0,
        "running_s": 200_000.0, "boards": (BoardState("mill", "COM3", None, 999.0),), "is_paused": False,
        "last_seen_s": {0: 900.0}, "faults": {1: Fault.NEVER_TRIGGERED}, "happened": (), "outcome": None,
    }  # fmt: skip
    screen.show(Progress(**{**fields, **changes}))
    return screen


def rendered(screen: Screen) -> list[str]:
    out = Console(width=80, file=io.StringIO(), record=True)
    out.print(screen.render())
    return out.export_text().rstrip("\n").splitlines()


@pytest.mark.parametrize("contacts", [1, 13, 14, 24, 32])
def test_the_screen_fits_a_small_terminal(contacts: int) -> None:
    away = BoardState("mill", "COM3", "COM3: the line is gone (unplugged?)", 999.0)
    lines = rendered(screen_of(contacts, boards=(away, away, away)))
    assert len(lines) <= 23
    assert max(map(len, lines)) <= 80
    assert sum(line.count("123456") for line in lines) == contacts
    assert sum(line.count("321") for line in lines) == contacts
    assert sum("mill is away: COM3: the line is gone" in line for line in lines) == 2
    assert any("never" in line for line in lines) == (contacts > 1)


def test_the_screen_tells_what_happened_last_and_of_a_pause() -> None:
    happened = Happened(0.0, "reboot", "mill", "the board started anew (power_on), 1.2 s")
    text = "\n".join(rendered(screen_of(3, happened=(happened,), is_paused=True)))
    assert "mill: reboot the board started anew (power_on), 1.2 s" in text
    assert "PAUSED, 77 laps in 2 d 07 h" in text


def test_what_cannot_be_told_is_marked() -> None:
    count = ContactCount("c", 5, 5, 0, 0, 0, 0, Status.CANNOT_TELL, "why", (0, 9), (0, 9), (0, 9), ())
    text = "\n".join(rendered(screen_of(1, account=Account((count,), {}, 5, 0.0, 1.0, (), 0))))
    assert " 5? " in text
    assert " -" in text, "no bound, when all may be missed"


# ---- a terminal ----


class Terminal:
    """The program on a terminal of its own."""

    def __init__(self, *arguments: str) -> None:
        self.master, slave = pty.openpty()
        fcntl.ioctl(slave, termios.TIOCSWINSZ, struct.pack("HHHH", 24, 80, 0, 0))
        self.before = termios.tcgetattr(slave)
        self.slave = slave

        def own_terminal() -> None:
            os.setsid()
            fcntl.ioctl(slave, termios.TIOCSCTTY, 0)  # or Ctrl-C would be a letter

        self.process = subprocess.Popen(
            [PROGRAM, *arguments], stdin=slave, stdout=slave, stderr=slave, preexec_fn=own_terminal,
            env={**{k: v for k, v in os.environ.items() if k != "COLUMNS"}, "TERM": "xterm-256color"},
        )  # fmt: skip
        self.seen = ""

    def read_until(self, text: str) -> None:
        end_s = time.monotonic() + PATIENCE_S
        while text not in plain(self.seen):
            assert time.monotonic() < end_s, plain(self.seen)[-2000:]
            if select.select([self.master], [], [], 1.0)[0]:
                self.seen += os.read(self.master, 65536).decode(errors="replace")
            else:
                assert self.process.poll() is None, plain(self.seen)[-2000:]

    def press(self, keys: str) -> None:
        self.seen = ""
        os.write(self.master, keys.encode())

    def end(self) -> Ran:
        self.read_until("go on with: reedproof endure --resume 1")
        code = self.process.wait(PATIENCE_S)
        assert termios.tcgetattr(self.slave) == self.before, "the terminal was put back"
        os.close(self.slave)
        os.close(self.master)
        return Ran(code, plain(self.seen), "")


@pytest.mark.parametrize("key", ["p", " "])
def test_pause_and_ctrl_c_on_a_terminal(sheet: str, key: str) -> None:
    terminal = Terminal("endure", sheet, "--hours", "8000")
    try:
        terminal.read_until("Ctrl-C: stop")
        terminal.press(key)
        terminal.read_until("PAUSED")
        terminal.press(key)
        terminal.read_until("going on")
        terminal.press("\x03")
        ran = terminal.end()
    finally:
        terminal.process.kill()
    assert ran.code == 1
    assert "Traceback" not in ran.out
    assert "run 1: stopped after" in ran.out
    with Store() as store:
        assert store.run().outcome == "stopped"
        (gap,) = store.run_gaps(1)
        assert (gap.kind, gap.to_s is not None) == ("paused", True)


def test_a_virtual_board_behind_a_real_line(tmp_path: Path) -> None:
    """The whole command in real time; the magnet comes from the test."""
    board = VirtualBoard(memory=named(0xBEEF), speed=1.0)
    board.carousel(rounds=1)
    path = tmp_path / "three.toml"
    path.write_text(sheet_text("nano", "0000beef", contacts=4))
    with PluggedBoard(board) as wired:
        ran = run("endure", str(path), "--hours", "0.001", "--port", f"mill={wired.port}", "--json")
    assert ran.code == 0, ran
    ended = lines_of(ran.out)[-1]
    assert ended["running_s"] == pytest.approx(3.6, abs=2.5)
    with Store() as store:
        assert sum(len(part) for part in store.closures(1, {("mill", n): n - 1 for n in range(1, 5)})) > 0
