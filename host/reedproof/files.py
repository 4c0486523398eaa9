"""Files that are written whole or not at all."""

from __future__ import annotations

import contextlib
import shutil
from pathlib import Path


def write_whole(file: Path, text: str) -> None:
    """An older file is better than half of a new one; who may read it stays, and a link to it stays a link.
    Line ends are those of ``text``. Raises OSError; then the file is as it was."""
    file = file.resolve()
    part = file.with_name(f"{file.name}.part")
    try:
        with part.open("w", encoding="utf-8", newline="") as opened:
            opened.write(text)
        if file.exists():
            shutil.copymode(file, part)
        part.replace(file)
    except BaseException:
        with contextlib.suppress(OSError):
            part.unlink()
        raise
