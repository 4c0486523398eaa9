"""Every small change of debounce and fault has to be noticed by a test of theirs.

    python tests/mutation/run.py            all mutants; fails when one survives
    python tests/mutation/run.py list       what they are
    python tests/mutation/run.py 57         the tests with mutant 57 in force, as pytest shows them

The core is compiled once with all mutants in it (see mutants.py). The tests are imported and collected once;
after that a process is forked per mutant, which puts it in force and runs until the first test fails. Mutants
that no test can tell from the original are listed in equivalent.txt with the reason; one that is listed there
and gets noticed, or is gone, fails the run as well.
"""

from __future__ import annotations

import contextlib
import gc
import hashlib
import importlib
import importlib.util
import os
import signal
import sys
import time
from collections import Counter
from collections.abc import Iterator
from pathlib import Path
from types import ModuleType
from typing import Any, cast

import cffi
import pytest
from hypothesis import Phase, settings
from mutants import SYSTEM_HEADERS, Maker, Mutant

HERE = Path(__file__).resolve().parent
ROOT = HERE.parents[1]
BUILD = ROOT / "build" / "mutation"
EQUIVALENT = HERE / "equivalent.txt"

#: What is changed, and the tests that have to notice.
TESTS = {
    "debounce.c": ["core/test_debounce.py", "core/test_device.py::test_what_counts_is_told_in_time"],
    "debounce.h": ["core/test_debounce.py", "core/test_device.py::test_what_counts_is_told_in_time"],
    "fault.c": ["core/test_fault.py"],
}

WORKERS = 2
SECONDS_MAX = 30  # for the tests with one mutant, which take a few seconds
#: Of each Hypothesis test. A mutant that takes a thousand examples to find deserves a test of its own.
EXAMPLES = 50

ORIGINAL = Mutant(0, "", 0, "")  # no mutant is in force

# ---- the core with all mutants in it ----


def import_file(name: str, path: Path) -> ModuleType:
    spec = importlib.util.spec_from_file_location(name, path)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules[name] = module
    spec.loader.exec_module(module)
    return module


def build_core() -> tuple[Any, list[Mutant]]:
    """The compiled core in place of the installed one; its ``mutant`` says which mutant is in force."""
    os.chdir(ROOT)
    core_build = import_file("core_build", ROOT / "host" / "reedproof" / "sim" / "core_build.py")
    folder = BUILD / "core"
    headers = BUILD / "headers"
    for path in (folder, headers):
        path.mkdir(parents=True, exist_ok=True)
    for name, text in SYSTEM_HEADERS.items():
        (headers / name).write_text(text)
    macros = [f"-DREEDPROOF_INPUTS={core_build.INPUTS}", f"-DREEDPROOF_RING={core_build.RING}"]
    maker = Maker()
    digest = hashlib.sha256(f"{core_build.source_hash()}".encode())
    sources = [*core_build.sources(), *core_build.CORE.glob("*.h"), *core_build.HERE.glob("*.h")]
    for path in sorted(sources):
        mutated = path.name in TESTS
        text = maker.rewrite(path, headers, macros) if mutated else path.read_text()
        (folder / path.name).write_text(text)
        digest.update(text.encode())

    ffi = cffi.FFI()
    ffi.cdef(f"{core_build.DECLARATIONS}\nextern int mutant;")
    includes = "".join(f'#include "{header}"\n' for header in core_build.HEADERS)
    ffi.set_source(
        "reedproof.sim._core",
        f"#include <stdbool.h>\nint mutant;\n{includes}{core_build.ACCESSORS}"
        f"static uint32_t core_source_hash(void) {{ return {core_build.source_hash()}u; }}",
        sources=[str(path) for path in sorted(folder.glob("*.c"))],
        include_dirs=[str(folder)],
        extra_compile_args=["-O1", "-std=c11", "-w", *macros],
    )
    built = ffi.compile(tmpdir=str(BUILD / digest.hexdigest()[:16]))
    core = import_file("reedproof.sim._core", Path(built))
    return core, maker.mutants


# ---- the tests ----


class OneProcessPerMutant:
    """Takes the place of pytest's loop over the tests."""

    def __init__(self, core: Any, mutants: list[Mutant]) -> None:
        self.core = core
        self.mutants = mutants
        self.ends: dict[int, str] = {}
        self.in_child = False

    @pytest.hookimpl(tryfirst=True)
    def pytest_runtestloop(self, session: pytest.Session) -> bool | None:
        waiting = list(reversed(self.mutants))
        gc.freeze()  # or every child copies most of what it shares with this process
        running: dict[int, Mutant] = {}
        while waiting or running:
            if waiting and len(running) < WORKERS:
                mutant = waiting.pop()
                child = os.fork()
                if child == 0:
                    self._put_in_force(mutant, session)
                    return None  # pytest goes on with its own loop
                running[child] = mutant
                continue
            child, status = os.wait()
            self.ends[running.pop(child).number] = self._end(status)
        return True

    def _put_in_force(self, mutant: Mutant, session: pytest.Session) -> None:
        self.in_child = True
        log = os.open(BUILD / f"{mutant.number}.txt", os.O_WRONLY | os.O_CREAT | os.O_TRUNC)
        for standard in (1, 2):
            os.dup2(log, standard)
        self.core.lib.mutant = mutant.number
        if mutant is not ORIGINAL:
            own = tuple(f"tests/{name}" for name in TESTS[mutant.file])
            session.items[:] = sorted((i for i in session.items if i.nodeid.startswith(own)), key=is_drawn)
        signal.setitimer(signal.ITIMER_REAL, SECONDS_MAX)  # ends the process, also inside C

    @staticmethod
    def _end(status: int) -> str:
        if os.WIFSIGNALED(status):
            name = signal.Signals(os.WTERMSIG(status)).name
            return "too slow" if name == "SIGALRM" else f"crashed ({name})"
        return {0: "survived", 1: "killed"}[os.WEXITSTATUS(status)]


def is_drawn(item: pytest.Item) -> bool:
    """A Hypothesis test, which takes its time and therefore comes last."""
    return hasattr(getattr(item, "obj", None), "hypothesis") or getattr(item, "cls", None) is not None


def draw_fewer_examples() -> None:
    sys.path.insert(0, str(ROOT / "tests"))
    strategies: Any = importlib.import_module("strategies")
    plenty = strategies.examples

    def few(count: int, *, steps: int = 50) -> settings:
        return cast(settings, plenty(min(count, EXAMPLES), steps=steps))

    strategies.examples = few


def run_tests(plugin: object | None, *options: str) -> int:
    draw_fewer_examples()
    settings.register_profile(
        "mutants", settings.get_profile("default"), phases=[Phase.explicit, Phase.generate], database=None
    )
    os.environ["HYPOTHESIS_PROFILE"] = "mutants"  # no shrinking, nothing kept between mutants
    tests = sorted({f"tests/{name}" for names in TESTS.values() for name in names})
    without = ("cacheprovider", "xdist", "warnings", "faulthandler")
    options = ("-x", *(f"-pno:{name}" for name in without), *options)
    return int(pytest.main([*options, *tests], plugins=[plugin] if plugin else []))


@contextlib.contextmanager
def silence() -> Iterator[None]:
    """What is printed meanwhile, also by child processes, goes nowhere."""
    sys.stdout.flush()
    kept, nowhere = os.dup(1), os.open(os.devnull, os.O_WRONLY)
    os.dup2(nowhere, 1)
    yield
    sys.stdout.flush()
    os.dup2(kept, 1)


def equivalents() -> dict[str, str]:
    """By name of the mutant the reason, which is indented below it or below a row of them."""
    found: dict[str, str] = {}
    names: list[str] = []
    for line in EQUIVALENT.read_text().splitlines():
        if line.startswith(" "):
            found |= {name: line.strip() for name in names}
        elif not line:
            names = []
        elif not line.startswith("#"):
            names.append(line)
    return found


def run_all(core: Any, mutants: list[Mutant]) -> bool:
    started = time.monotonic()
    plugin = OneProcessPerMutant(core, [ORIGINAL, *mutants])
    with silence():  # pytest says that it ran no tests; each child has a log of its own
        status = run_tests(plugin, "-q", "-s", "--tb=no")
    if plugin.in_child:
        os._exit(status)
    assert status == 0, "the tests could not be collected"
    end = plugin.ends.pop(ORIGINAL.number)
    if end != "survived":
        print(f"the tests fail without any mutant ({end}): see {BUILD.relative_to(ROOT)}/0.txt")
        return False

    python = os.path.relpath(sys.executable)
    reasons = equivalents()
    survivors = {mutant.name: mutant for mutant in mutants if plugin.ends[mutant.number] == "survived"}
    for name, mutant in survivors.items():
        if name not in reasons:
            print(f"survived: {mutant}\n  replay: {python} tests/mutation/run.py {mutant.number}")
    wrong = [name for name in reasons if name not in survivors]
    for name in wrong:
        gone = "" if any(mutant.name == name for mutant in mutants) else ", and there is no such mutant"
        print(f"listed in {EQUIVALENT.name}, but not a survivor{gone}: {name}")

    counts = Counter(plugin.ends.values())
    noticed = ", ".join(f"{count} {end}" for end, count in sorted(counts.items()) if end != "survived")
    print(
        f"{len(mutants)} mutants: {noticed}, {len(reasons) - len(wrong)} equivalent, "
        f"{len(survivors.keys() - reasons.keys())} survived; {time.monotonic() - started:.0f} s"
    )
    return survivors.keys() == reasons.keys()


def main(arguments: list[str]) -> int:
    core, mutants = build_core()
    match arguments:
        case []:
            return 0 if run_all(core, mutants) else 1
        case ["list"]:
            for mutant in mutants:
                print(mutant.number, mutant)
            return 0
        case [number]:
            core.lib.mutant = int(number)
            print(mutants[int(number) - 1])
            return run_tests(None)
    print(__doc__)
    return 2


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
