"""The images in the package are what the sources make."""

from __future__ import annotations

import hashlib
import json
import shutil
import subprocess
from pathlib import Path

import pytest
from firmware.build_id import build_id

ROOT = Path(__file__).resolve().parents[1]
IMAGES = ROOT / "host" / "reedproof" / "images"
FILES = {"nano": "nano.hex", "uno": "uno.hex", "mega": "mega.hex", "pico": "pico.uf2"}


def listed() -> dict[str, dict[str, object]]:
    document = json.loads((IMAGES / "images.json").read_text())
    assert document["build"] == f"{build_id():08x}", "the firmware changed: run 'make images'"
    return dict(document["images"])


@pytest.mark.parametrize("board", FILES)
def test_listed_image_is_there(board: str) -> None:
    entry = listed()[board]
    image = IMAGES / str(entry["file"])
    assert hashlib.sha256(image.read_bytes()).hexdigest() == entry["sha256"]


@pytest.mark.parametrize("board", FILES)
def test_building_again_gives_the_same_bytes(board: str, tmp_path: Path) -> None:
    """In another folder, too: no path of a machine may end up in an image."""
    copy = tmp_path / "somewhere" / "else"
    shutil.copytree(ROOT / "firmware", copy / "firmware")
    for name in ("Makefile", "tools"):
        source = ROOT / name
        (shutil.copytree if source.is_dir() else shutil.copy)(source, copy / name)
    package = copy / "host" / "reedproof"
    package.mkdir(parents=True)
    shutil.copy(ROOT / "host" / "reedproof" / "uf2.py", package)
    file = FILES[board]
    subprocess.run(["make", "-s", f"build/{file}"], cwd=copy, check=True, capture_output=True)
    built = (copy / "build" / file).read_bytes()
    assert built == (ROOT / "build" / file).read_bytes()
    assert built == (IMAGES / file).read_bytes(), "another compiler? else run 'make images'"
