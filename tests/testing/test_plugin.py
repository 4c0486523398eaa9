"""The pytest plugin as its users meet it: pytest runs of their own, on virtual boards and on a real line."""

from __future__ import annotations

import shlex
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

# What a run within this one imports first, it would import anew in each run.
import reedproof.cli.common
import reedproof.testing.inputs
import reedproof.testing.recording
from cli.command import PluggedBoard
from reedproof.records import SetInput
from reedproof.sim.board import VirtualBoard
from reedproof.store import default_store
from virtual_lines import make_board

pytest_plugins = ["pytester"]

EXAMPLE = Path(reedproof.testing.inputs.__file__).parents[1] / "examples" / "test_my_contacts.py"


class Hand:
    """A fixture of a user's own: it moves the magnet at a board behind a real line."""

    def __init__(self, board: VirtualBoard) -> None:
        self.board = board
        self.asked: list[tuple[int, float]] = []

    @pytest.fixture
    def actuate(self) -> Callable[[int, float], None]:
        def close(number: int, closed_ms: float) -> None:
            self.asked.append((number, closed_ms))
            self.board.pass_magnet(number)

        return close


class WithHand:
    """Later than the plugin, as a conftest.py is."""

    def __init__(self, hand: Hand) -> None:
        self.hand = hand

    def pytest_configure(self, config: pytest.Config) -> None:
        config.pluginmanager.register(self.hand)


@pytest.fixture
def wired() -> Iterator[PluggedBoard]:
    with PluggedBoard(make_board(speed=1.0)) as plugged:
        yield plugged


def test_the_example_on_a_virtual_board(pytester: pytest.Pytester) -> None:
    pytester.makepyfile(EXAMPLE.read_text())
    result = pytester.runpytest_inprocess()
    result.assert_outcomes(passed=7)
    result.stdout.fnmatch_lines(["reedproof: virtual:, no real contact is tested"])


def test_the_example_on_a_real_line(pytester: pytest.Pytester, wired: PluggedBoard) -> None:
    pytester.makepyfile(EXAMPLE.read_text())
    hand = Hand(wired.board)
    boot = wired.board.device.boot
    result = pytester.runpytest_inprocess(
        f"--reed-port={wired.port}", "--reed-inputs=1-4", plugins=[WithHand(hand)]
    )
    result.assert_outcomes(passed=7)
    assert hand.asked == [(number, 60) for number in (1, 2, 3, 4, 1, 2, 2)]
    assert wired.board.device.boot == boot
    result.stdout.no_fnmatch_line("*no real contact*")


def test_a_failure_names_board_and_build_and_how_to_replay_it(pytester: pytest.Pytester) -> None:
    pytester.makepyfile(EXAMPLE.read_text())
    options = ["--reed-port", "virtual:faulty", "--reed-inputs", "1-4"]
    result = pytester.runpytest_inprocess(*options)
    result.assert_outcomes(passed=6, failed=1)
    result.stdout.fnmatch_lines(
        [
            "E * Failed: input 3: no closure within 20 s; check lead and plug, *",
            "*- reedproof -*",
            "virtual board ???????? on virtual:faulty, firmware ????????, protocol 1, boot 1",
        ]
    )
    (replay,) = [line for line in result.outlines if line.startswith("replay: pytest ")]
    again = pytester.runpytest_inprocess(*shlex.split(replay)[2:])
    again.assert_outcomes(failed=1)
    assert [line for line in again.outlines if line.startswith(("E ", "replay"))] == [
        line for line in result.outlines if line.startswith(("E ", "replay"))
    ]


def test_a_closure_elsewhere_is_told(pytester: pytest.Pytester) -> None:
    pytester.makepyfile(
        """
        def test_swapped(inputs):
            inputs[9].close_for(60)
            inputs[9].wait_for_closure(2)
        """
    )
    result = pytester.runpytest_inprocess("--reed-port", "virtual:faulty")
    result.assert_outcomes(failed=1)
    result.stdout.fnmatch_lines(["E * input 9: no closure within 2 s; in this test input 10 closed; *"])


def test_a_port_that_is_not_there_is_one_line(pytester: pytest.Pytester) -> None:
    pytester.makepyfile(EXAMPLE.read_text())
    result = pytester.runpytest_inprocess("--reed-port", "/dev/no-such-port")
    assert result.ret == pytest.ExitCode.USAGE_ERROR
    told = [line for line in result.outlines if "there is no such port" in line]
    assert len(told) == 1
    assert "/dev/no-such-port: there is no such port; 'reedproof boards' lists those there are" in told[0]
    assert not [line for line in result.outlines if "Traceback" in line or line.startswith("E ")]


@pytest.mark.parametrize(
    ("options", "said"),
    [
        (["--reed-inputs", "4-1"], "--reed-inputs 4-1: expected numbers and ranges such as 1-4,7"),
        (["--reed-inputs", "15-17"], "there is no input 17; this virtual board has inputs 1 to 16"),
        (["--reed-port", "/dev/ttyX", "-n", "2"], "several processes cannot share a board; leave out -n"),
        (["--reed-port", "virtual:x"], "virtual:x: no such virtual board"),
    ],
)  # fmt: skip
def test_wrong_use_is_one_line(pytester: pytest.Pytester, options: list[str], said: str) -> None:
    pytester.makepyfile(EXAMPLE.read_text())
    result = pytester.runpytest_inprocess(*options)
    assert result.ret == pytest.ExitCode.USAGE_ERROR
    assert len([line for line in result.outlines + result.errlines if said in line]) == 1


def test_the_tester_is_asked_where_nothing_drives_the_contact(
    pytester: pytest.Pytester, wired: PluggedBoard
) -> None:
    pytester.makepyfile(
        """
        import pytest

        def test_asks(inputs):
            inputs[2].close_for(40)
            with pytest.raises(pytest.fail.Exception, match="input 2: no closure within 0.1 s"):
                inputs[2].wait_for_closure(0.1)
        """
    )
    result = pytester.runpytest_inprocess(f"--reed-port={wired.port}")
    result.assert_outcomes(passed=1)
    assert result.outlines.count("input 2: pass a magnet over it, once (closed for about 40 ms)") == 1


def test_an_actuator_of_ones_own_falls_back_on_the_virtual_contact(pytester: pytest.Pytester) -> None:
    pytester.makeconftest(
        """
        import pytest

        @pytest.fixture
        def actuate(actuate, board):
            def close(number, closed_ms):
                actuate(number, 2 * closed_ms)
            return close if board.virtual else None
        """
    )
    pytester.makepyfile(
        """
        def test_twice(inputs):
            inputs[5].close_for(100)
            assert 180 <= inputs[5].wait_for_closure().closed_ms <= 220
        """
    )
    pytester.runpytest_inprocess().assert_outcomes(passed=1)


def test_each_test_begins_anew_on_a_board_that_stays_connected(
    pytester: pytest.Pytester, wired: PluggedBoard
) -> None:
    """Settings are put back; closures and counts of one test are not the next one's."""
    pytester.makepyfile(
        """
        from reedproof.records import SetInput

        def test_first(board, inputs):
            board.set(SetInput(3, 700, 7000))
            for _ in range(3):
                inputs[3].close_for(60)
                inputs[3].wait_for_closure()
            assert inputs.ledger()[3].counted == 3

        def test_second(board, inputs):
            assert board.settings()[1][3] == (3, 900, 9000)
            inputs[3].close_for(60)
            assert inputs[3].wait_for_closure() is inputs[3].closures[0]
            line = inputs.ledger()[3]
            assert (line.recorded, line.lost, line.counted, line.balances) == (1, 0, 1, True)
        """
    )
    with reedproof.cli.common.open_link(wired.port) as link:
        link.obey(SetInput(3, 900, 9000))
    result = pytester.runpytest_inprocess(f"--reed-port={wired.port}", plugins=[WithHand(Hand(wired.board))])
    result.assert_outcomes(passed=2)


def test_an_input_that_was_not_chosen_is_skipped_and_one_that_is_not_there_fails(
    pytester: pytest.Pytester,
) -> None:
    pytester.makepyfile(
        """
        def test_not_chosen(inputs):
            inputs[5].close_for(60)

        def test_not_there(inputs):
            inputs[17].close_for(60)
        """
    )
    result = pytester.runpytest_inprocess("--reed-inputs", "1-4", "-rs")
    result.assert_outcomes(skipped=1, failed=1)
    result.stdout.fnmatch_lines(["*input 5 is not among those of --reed-inputs*"])
    result.stdout.fnmatch_lines(["E *there is no input 17; this virtual board has inputs 1 to 16"])


def test_a_board_that_starts_anew_fails_the_test(pytester: pytest.Pytester) -> None:
    pytester.makepyfile(
        """
        def test_reset(board, inputs):
            board.virtual.reset(3)
            board.wait(1.0)
        """
    )
    result = pytester.runpytest_inprocess()
    result.assert_outcomes(failed=1)
    result.stdout.fnmatch_lines(["E *LineLost: virtual:: the board started anew (brown_out)"])


def test_a_ledger_tells_what_the_board_lost(pytester: pytest.Pytester) -> None:
    """A chattering input is muted: its closures are counted and not recorded."""
    pytester.makepyfile(
        """
        def test_storm(board, inputs):
            start_us = board.virtual.now_us + 10_000
            board.virtual.schedule(6, [(start_us + 15_000 * n, n % 2 == 0) for n in range(400)])
            board.wait(8)
            line = inputs.ledger()[6]
            assert (line.counted, line.balances) == (200, True)
            assert line.lost > 50
            assert inputs[6].faults.names == ["chatter"]
            assert not inputs[6].is_closed
        """
    )
    pytester.makeconftest(
        """
        import pytest
        from reedproof.records import SetBoard

        @pytest.fixture(autouse=True)
        def sooner(board):
            board.set(SetBoard(60_000, 600_000, 20, 40))
        """
    )
    pytester.runpytest_inprocess().assert_outcomes(passed=1)


def test_what_does_not_reach_the_host_is_counted(pytester: pytest.Pytester) -> None:
    """All inputs at one instant: a message holds eight edges (protocol.md)."""
    pytester.makepyfile(
        """
        def test_all_at_once(board, trace):
            with trace() as recording:
                for number in range(1, 17):
                    at_us = board.virtual.now_us + 50_000
                    board.virtual.schedule(number, [(at_us, True), (at_us + 50_000, False)])
                board.wait(1)
            assert set(recording.counted.values()) == {2}
            assert sum(recording.lost.values()) == recording.trace.lost == 16
            assert len(recording.trace) == 16
        """
    )
    pytester.runpytest_inprocess().assert_outcomes(passed=1)


def test_no_store_of_the_user_is_touched(pytester: pytest.Pytester) -> None:
    pytester.makepyfile(EXAMPLE.read_text())
    pytester.runpytest_inprocess("-k", "brakes").assert_outcomes(passed=1)
    assert not Path(default_store()).exists()


def test_a_port_apart_from_its_option_is_told(pytester: pytest.Pytester, wired: PluggedBoard) -> None:
    """pytest looks for its root and its settings before it knows of the option."""
    pytester.makepyfile("def test_hello(board): assert board.hello.inputs == 16")
    apart = pytester.runpytest_inprocess("--reed-port", wired.port, "-p", "no:cacheprovider")
    apart.assert_outcomes(passed=1)
    apart.stdout.fnmatch_lines(
        [f"reedproof: {wired.port}, which pytest takes *; write --reed-port={wired.port}"]
    )
    joined = pytester.runpytest_inprocess(f"--reed-port={wired.port}")
    joined.assert_outcomes(passed=1)
    joined.stdout.fnmatch_lines([f"reedproof: {wired.port}"])
