"""The rules of the house, as tests: who may import whom, what is banned, and that the documents
speak of things that exist."""

from __future__ import annotations

import ast
import re
import subprocess
from pathlib import Path

import pytest

from reedproof.cli.main import build_app

ROOT = Path(__file__).resolve().parents[1]
PACKAGE = ROOT / "host" / "reedproof"
CORE = ROOT / "firmware" / "core"

STORE = {"store", "store_closures", "store_health", "store_runs", "store_tables"}

#: Imports go down only. Modules of one layer may import each other.
LAYERS = [
    {"errors", "records", "compiled", "files"},
    {"wire", "clock", "trace", "trace_reader", "trace_writer", "tables", "layout", "analysis", "markup"}
    | {"units", "plan_tables", "sheet_writer", "firmware_image", "uf2"},
    {"transport", "ports", "link", "export", "plots", "run_plots", "report", "report_words", "report_html"}
    | {"run_case", "diagnosis_plots", "plan_magnet_plot", "plan_run_plot", "plan_timing_plot"}
    | {"wiring_drawing", "avrdude", "pico_drive"}
    | STORE,
    {"recorder", "trace_recorder", "witness", "guided", "endurance", "live_account", "proof", "flash", "sim"}
    | {"doctor"},
    {"cli", "testing", "examples"},
]
LEVEL = {name: level for level, names in enumerate(LAYERS) for name in names}

#: Only these may import it.
RESERVED = {
    "serial": {"transport", "ports"},
    "sqlalchemy": STORE,
    "pyarrow": {"export"},
    "magpylib": {"analysis"},
    "pint": {"units"},
    "tomlkit": {"sheet_writer"},
    "schemdraw": {"wiring_drawing"},
    "pytest": {"testing", "examples"},
    "reedproof.sim": {"cli", "sim", "testing"},
    "reedproof.testing": {"testing", "examples"},
}

#: What a C module may include of the core; device joins them all.
C_INCLUDES = {
    "levels": set(),
    "width": set(),
    "record": set(),
    "crc16": set(),
    "cobs": set(),
    "fault": set(),
    "debounce": {"width"},
    "sampler": {"levels"},
    "selftest": {"levels"},
    "record_ring": {"record"},
    "frame": {"cobs", "crc16"},
    "message": {"frame", "record"},
    "settings": {"crc16", "debounce", "fault", "levels"},
}


def modules() -> list[Path]:
    return [path for path in sorted(PACKAGE.rglob("*.py")) if path.name != "__init__.py"]


def layer_name(path: Path) -> str:
    return path.relative_to(PACKAGE).with_suffix("").parts[0]


def imported(path: Path) -> set[str]:
    """Full names of what a module imports, anywhere in it."""
    names = set()
    for node in ast.walk(ast.parse(path.read_text())):
        if isinstance(node, ast.Import):
            names |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path}: relative import"
            names |= {f"{node.module}.{alias.name}" for alias in node.names} | {str(node.module)}
    return names


@pytest.mark.parametrize("path", modules(), ids=lambda path: path.relative_to(PACKAGE).as_posix())
def test_python_imports_go_down(path: Path) -> None:
    mine = layer_name(path)
    for name in imported(path):
        if name.startswith("reedproof."):
            other = name.split(".")[1]
            assert LEVEL[other] <= LEVEL[mine], f"{mine} must not import {other}"
        for reserved, allowed in RESERVED.items():
            if name == reserved or name.startswith(f"{reserved}."):
                assert mine in allowed, f"{mine} must not import {reserved}"


def test_pure_modules_do_no_io() -> None:
    for name in ("records", "wire", "clock"):
        path = PACKAGE / f"{name}.py"
        banned = imported(path) & {
            "os",
            "io",
            "time",
            "socket",
            "pathlib",
            "threading",
            "subprocess",
            "random",
        }
        assert not banned, f"{name} must not import {banned}"


def c_includes(path: Path) -> set[str]:
    return set(re.findall(r'^#include "([^"]+)"', path.read_text(), re.MULTILINE))


@pytest.mark.parametrize("path", sorted(CORE.glob("*.[ch]")), ids=lambda path: path.name)
def test_c_modules_know_only_what_they_may(path: Path) -> None:
    if path.stem == "device":
        return
    allowed = {f"{name}.h" for name in C_INCLUDES[path.stem] | {path.stem}}
    assert c_includes(path) <= allowed


def test_boards_know_only_the_port() -> None:
    assert c_includes(ROOT / "firmware" / "main.c") == {"port.h"}
    assert c_includes(ROOT / "firmware" / "port.h") == {"core/device.h"}
    for path in (ROOT / "firmware" / "boards").rglob("*.c"):
        own = {name for name in c_includes(path) if "/" not in name and (path.parent / name).exists()}
        assert c_includes(path) - own <= {"../../port.h"}, path


@pytest.mark.parametrize("path", sorted(CORE.glob("*.[ch]")), ids=lambda path: path.name)
def test_core_is_portable(path: Path) -> None:
    text = path.read_text()
    for banned, instead in {
        r"\b(float|double)\b": "integers",
        r"\b(malloc|calloc|free)\(": "the caller's memory",
        r"#include <(avr|util|stdio|time|stdlib)": "what device.h hands in",
        r"\bprintf\b": "a record",
    }.items():
        assert not re.search(banned, text), f"{path.name}: {banned} is banned, use {instead}"
    for line in text.splitlines():
        mutable_global = re.match(r"static (?!inline|const|_Static)[^(]*;", line)
        assert not mutable_global, f"{path.name}: the caller owns state: {line}"


def test_nothing_is_left_to_do() -> None:
    for path in [*PACKAGE.rglob("*.py"), *(ROOT / "firmware").rglob("*.[chS]")]:
        assert not re.search(r"\b(TODO|FIXME|XXX)\b", path.read_text()), path


def test_documents_name_files_that_exist() -> None:
    for name in ("README.md", "DEVELOPERS.md", "protocol.md"):
        for found in re.findall(
            r"`((?:firmware|host|tests|tools|benchmarks)/[\w./-]+)`", (ROOT / name).read_text()
        ):
            assert (ROOT / found).exists(), f"{name} names {found}"


def test_documents_name_targets_that_exist() -> None:
    targets = set(re.findall(r"^([a-z-]+):", (ROOT / "Makefile").read_text(), re.MULTILINE))
    for name in ("README.md", "DEVELOPERS.md"):
        for found in re.findall(r"`make ([a-z-]+)`", (ROOT / name).read_text()):
            assert found in targets, f"{name}: make {found}"


def test_documents_name_commands_that_exist() -> None:
    app = build_app()
    listed = [command.callback.__name__ for command in app.registered_commands if command.callback]
    listed += [group.typer_instance.info.name for group in app.registered_groups if group.typer_instance]
    for found in re.findall(r"`reedproof ([a-z]+)", (ROOT / "README.md").read_text()):
        assert found in listed, f"README.md: reedproof {found}"


def test_versions_agree() -> None:
    project = re.search(r'^version = "(.+)"', (ROOT / "pyproject.toml").read_text(), re.MULTILINE)
    newest = re.search(r"^## (\S+)", (ROOT / "CHANGELOG.md").read_text(), re.MULTILINE)
    assert project is not None
    assert newest is not None
    assert project.group(1) == newest.group(1)


def test_only_what_is_in_the_project_is_cited() -> None:
    for path in [*ROOT.rglob("*.py"), *ROOT.rglob("*.md"), *(ROOT / "firmware").rglob("*.[chS]")]:
        if not {".venv", "build"} & set(path.relative_to(ROOT).parts) and path.name != "test_repo.py":
            assert not re.search(r"\b(design|references|style)\.md\b", path.read_text()), path


def test_no_path_of_a_machine() -> None:
    files = subprocess.run(
        ["git", "ls-files"], cwd=ROOT, capture_output=True, text=True, check=True
    ).stdout.split()
    own = str(ROOT)
    for name in files:
        data = (ROOT / name).read_bytes()
        if len(own) > 5:
            assert own.encode() not in data, name
        assert b"/home/" not in data or name == "tests/test_repo.py", name
