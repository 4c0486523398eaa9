"""Builds the alignment as the extension ``reedproof.analysis._align``. Run by setup.py."""

from __future__ import annotations

import hashlib
import os
from pathlib import Path

from cffi import FFI

HERE = Path(__file__).resolve().parent
SOURCES = [HERE / "align.c", HERE / "align.h"]


def source_hash() -> int:
    """Of everything that goes into the extension, so that a stale one can be told."""
    digest = hashlib.sha256()
    for path in SOURCES:
        digest.update(path.read_bytes())
    return int.from_bytes(digest.digest()[:4], "big")


def _relative(path: Path) -> str:
    return os.path.relpath(path).replace(os.sep, "/")  # setuptools refuses absolute paths


def extension() -> FFI:
    ffi = FFI()
    header = (HERE / "align.h").read_text()
    declarations = "\n".join(line for line in header.splitlines() if not line.startswith("#"))
    ffi.cdef(declarations + "\nuint32_t align_source_hash(void);")
    ffi.set_source(
        "reedproof.analysis._align",
        f'#include "align.h"\nstatic uint32_t align_source_hash(void) {{ return {source_hash()}u; }}',
        sources=[_relative(HERE / "align.c")],
        include_dirs=[_relative(HERE)],
        libraries=[] if os.name == "nt" else ["m"],
        extra_compile_args=["-O3", "-fno-math-errno", "-std=c11"],
    )
    return ffi


ffi = extension()
