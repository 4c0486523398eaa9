"""Files that are written whole or not at all."""

from __future__ import annotations

import contextlib
from pathlib import Path


def write_whole(file: Path, text: str) -> None:
    """An older file is better than half of a new one. Raises OSError; then the file is as it was."""
    part = file.with_name(f"{file.name}.part")
    try:
        part.write_text(text, encoding="utf-8")
        part.replace(file)
    except BaseException:
        with contextlib.suppress(OSError):
            part.unlink()
        raise
