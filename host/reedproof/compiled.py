"""Parts that are compiled: a stale one must not pass for the sources beside it."""

from __future__ import annotations

import importlib.util
from pathlib import Path


def check_freshness(build: Path, compiled_hash: int, sources: Path) -> None:
    """In a source tree (where ``sources`` is a folder) an extension built from other sources would run
    yesterday's code. ``build`` is the script that built it. Raises ImportError."""
    if not sources.is_dir():
        return
    spec = importlib.util.spec_from_file_location(build.stem, build)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    if module.source_hash() != compiled_hash:
        raise ImportError(f"a compiled part is older than its sources ({build.stem}): run 'make setup'")
