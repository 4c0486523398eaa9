"""The pytest plugin: options and fixtures for tests on a board, or on a virtual one when no port is given.

The rest of reedproof is imported by the fixtures: pytest loads this in every project.
"""

from __future__ import annotations

import os
import shlex
from collections.abc import Callable, Generator, Iterator
from contextlib import AbstractContextManager
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from reedproof.errors import LineError, ReedproofError

if TYPE_CHECKING:
    from reedproof.testing.board import Board
    from reedproof.testing.inputs import Actuate, Inputs
    from reedproof.testing.recording import Recording

VIRTUAL = "virtual:"
_BOARD: pytest.StashKey[Board] = pytest.StashKey()


def pytest_addoption(parser: pytest.Parser) -> None:
    group = parser.getgroup("reedproof")
    group.addoption(
        "--reed-port",
        metavar="PORT",
        default=VIRTUAL,
        help="serial port or URL of the board that tests talk to; a virtual board when not given",
    )
    group.addoption(
        "--reed-inputs",
        metavar="INPUTS",
        help="the inputs that have contacts, such as 1-4,7; all when not given",
    )


def _port(config: pytest.Config) -> str:
    return str(config.getoption("--reed-port"))


def _is_virtual(config: pytest.Config) -> bool:
    return _port(config).startswith(VIRTUAL)


def _chosen(config: pytest.Config) -> list[int] | None:
    from reedproof.cli.common import parse_inputs

    return parse_inputs(config.getoption("--reed-inputs"), "--reed-inputs")


def pytest_configure(config: pytest.Config) -> None:
    if config.getoption("--reed-inputs") is not None:
        try:
            _chosen(config)
        except ReedproofError as error:
            raise pytest.UsageError(str(error)) from None
    if not _is_virtual(config) and config.getoption("numprocesses", None):
        raise pytest.UsageError(
            f"--reed-port {_port(config)}: several processes cannot share a board; leave out -n"
        )


def pytest_report_header(config: pytest.Config) -> str:
    if _is_virtual(config):
        return f"reedproof: {_port(config)}, no real contact is tested"
    port = Path(_port(config))
    if config.rootpath in port.parents:  # pytest looks for its root before it knows of our option
        return f"reedproof: {port}, which pytest takes for a folder of tests; write --reed-port={port}"
    return f"reedproof: {port}"


def _as_long_as_the_line(fixture_name: str, config: pytest.Config) -> str:
    """Each test has a virtual board of its own, which does the same every time. A real one stays connected:
    opening its port may start it anew."""
    del fixture_name
    return "function" if _is_virtual(config) else "session"


@pytest.fixture(scope=_as_long_as_the_line)  # type: ignore[arg-type]  # narrower in pytest's stub than in its guide
def _connected(pytestconfig: pytest.Config) -> Iterator[Board]:
    from reedproof.cli.common import open_link
    from reedproof.store import Store
    from reedproof.testing.board import Board

    try:
        link = open_link(_port(pytestconfig))
    except LineError as error:
        pytest.exit(str(error), returncode=pytest.ExitCode.USAGE_ERROR)
    with link, Store(":memory:") as store:
        try:
            link.choose_inputs(_chosen(pytestconfig))
        except ReedproofError as error:
            pytest.exit(str(error), returncode=pytest.ExitCode.USAGE_ERROR)
        yield Board(link, store)


@pytest.fixture
def board(_connected: Board, request: pytest.FixtureRequest) -> Iterator[Board]:
    """A connected board: `hello`, `settings()`, `set()`, `selftest()`, `blink()`, `wait()`. After the test
    its settings are as they were."""
    request.node.stash[_BOARD] = _connected
    _connected.begin()
    yield _connected
    _connected.end()


@pytest.fixture
def actuate(board: Board, pytestconfig: pytest.Config) -> Actuate:
    """What `close_for` calls with an input and milliseconds. A virtual contact closes by itself, as under a
    magnet: it bounces, and is closed for up to a tenth more or less. With a real board the tester is asked to
    pass a magnet. Override it to drive something of your own."""
    virtual = board.virtual
    if virtual is not None:
        return lambda number, closed_ms: virtual.pass_magnet(
            number, pace=virtual.contacts[number].closure_ms / closed_ms
        )
    capture = pytestconfig.pluginmanager.getplugin("capturemanager")

    def ask(number: int, closed_ms: float) -> None:
        with capture.global_and_fixture_disabled():
            print(
                f"\ninput {number}: pass a magnet over it, once (closed for about {closed_ms:g} ms)",
                flush=True,
            )

    return ask


@pytest.fixture
def inputs(board: Board, actuate: Actuate, pytestconfig: pytest.Config) -> Inputs:
    """The inputs of the board by number, from the beginning of the test on: `inputs[3].close_for(60)`,
    `inputs[3].wait_for_closure()`, `inputs[3].closures`, `inputs.ledger()`."""
    from reedproof.testing.inputs import Inputs

    return Inputs(board, _chosen(pytestconfig), actuate)


@pytest.fixture
def trace(board: Board, pytestconfig: pytest.Config) -> Callable[..., AbstractContextManager[Recording]]:
    """`with trace(3, 4) as recording:` records the raw edges of inputs, of all chosen ones when none is
    named; after it `recording.trace` has them as arrays, and `recording.lost` says how many are missing."""
    from reedproof.testing.recording import record

    def begin(*numbers: int) -> AbstractContextManager[Recording]:
        return record(board, board.link.choose_inputs(numbers or _chosen(pytestconfig)))

    return begin


@pytest.hookimpl(wrapper=True)
def pytest_runtest_makereport(item: pytest.Item) -> Generator[None, pytest.TestReport, pytest.TestReport]:
    """A failure says on which board, and how to replay it."""
    report = yield
    board = item.stash.get(_BOARD, None)
    if report.failed and board is not None:
        report.sections.append(("reedproof", _told(item, board)))
    return report


def _told(item: pytest.Item, board: Board) -> str:
    from reedproof.cli.common import board_name

    hello = board.hello
    options = [f"--reed-port={_port(item.config)}"]
    if (chosen := item.config.getoption("--reed-inputs")) is not None:
        options.append(f"--reed-inputs={chosen}")
    file = os.path.relpath(item.path, item.config.invocation_params.dir)
    test = "::".join([file, *item.nodeid.split("::")[1:]])
    return (
        f"{hello.kind_name} board {board_name(hello.board)} on {board.link.name}, "
        f"firmware {hello.build:08x}, protocol {hello.protocol}, boot {hello.boot}\n"
        f"replay: pytest {shlex.join([test, *options])}"
    )
