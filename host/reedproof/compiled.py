"""Parts that are compiled: a stale one must not pass for the sources beside it."""

from __future__ import annotations

import importlib
import importlib.util
from pathlib import Path
from typing import Any


def load(name: str, build: Path, hash_name: str, sources: Path) -> tuple[Any, Any]:
    """``ffi`` and ``lib`` of the extension ``name``, which tells the hash of its sources by ``hash_name``.
    Raises ImportError when it is missing or, in a source tree (where ``sources`` is a folder), when the
    script ``build`` would build it from other sources now: it would run yesterday's code."""
    try:
        extension: Any = importlib.import_module(name)
    except ImportError as error:  # pragma: no cover - depends on the installation
        raise ImportError(
            f"the compiled part {name} is missing: run 'make setup' in the source tree, or install the "
            "package with a C compiler at hand"
        ) from error
    if sources.is_dir() and _source_hash(build) != getattr(extension.lib, hash_name)():
        raise ImportError(f"a compiled part is older than its sources ({build.stem}): run 'make setup'")
    return extension.ffi, extension.lib


def _source_hash(build: Path) -> int:
    spec = importlib.util.spec_from_file_location(build.stem, build)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return int(module.source_hash())
