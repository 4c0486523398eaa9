"""The images in the package are what the sources make."""

from __future__ import annotations

import hashlib
import json
import shutil
import subprocess
from pathlib import Path

import pytest
from firmware.build_id import build_id

from reedproof.errors import ReedproofError
from reedproof.firmware_image import own, packaged, read_hex
from reedproof.records import BoardKind, Hello

ROOT = Path(__file__).resolve().parents[1]
IMAGES = ROOT / "host" / "reedproof" / "images"
AVR_BOARDS = ("nano", "uno", "mega")
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


@pytest.mark.parametrize("board", AVR_BOARDS)
def test_an_image_is_known_by_what_its_firmware_says(board: str) -> None:
    image = packaged(BoardKind[board.upper()])
    said = Hello(1, build_id(), image.kind, 0xFE42, 1, 0, 16, 50, 0, 0, 0, 0, 64)
    assert image.build == build_id()
    assert image.is_of(said)
    assert not image.is_of(said._replace(build=said.build ^ 1))
    assert not image.is_of(said._replace(kind=BoardKind.VIRTUAL))
    unlisted = own(image.file, image.kind)
    assert (unlisted.build, unlisted.memory) == (None, image.memory)
    assert unlisted.is_of(said)
    assert not unlisted.is_of(said._replace(build=said.build ^ 1))


@pytest.mark.parametrize("board", AVR_BOARDS)
def test_reading_an_image_as_the_tools_do(board: str, tmp_path: Path) -> None:
    hex_file, raw = ROOT / "build" / f"{board}.hex", tmp_path / "raw"
    subprocess.run(["avr-objcopy", "-I", "ihex", "-O", "binary", hex_file, raw], check=True)
    assert read_hex(hex_file) == raw.read_bytes()


END = ":00000001FF"


@pytest.mark.parametrize(
    ("text", "complaint"),
    [
        ("", "cut short"),
        (END, "cut short"),
        (":0100000001FE", "cut short"),
        (":0100000001FF\n" + END, "line 1: the checksum is wrong"),
        (f":0100000001FE\n:0200000001FD\n{END}", "line 2: not Intel HEX"),
        ("hello", "line 1: not Intel HEX"),
        (":zz", "line 1: not Intel HEX"),
        (":00000006FA\n" + END, "line 1: not Intel HEX"),
        (":020000048000 7A".replace(" ", "") + "\n" + END, "beyond the flash of any board"),
        ("\x7fELF\x80", "not an image"),
    ],
)
def test_what_is_no_image(text: str, complaint: str, tmp_path: Path) -> None:
    file = tmp_path / "image.hex"
    file.write_bytes(text.encode("latin-1"))
    with pytest.raises(ReedproofError) as caught:
        read_hex(file)
    assert complaint in str(caught.value)
    assert str(file) in str(caught.value)


def test_an_image_that_is_not_there(tmp_path: Path) -> None:
    with pytest.raises(ReedproofError, match="cannot be read"):
        read_hex(tmp_path / "image.hex")


def test_addresses_beyond_64_kilobytes(tmp_path: Path) -> None:
    """Extended segment and linear addresses; examples worked out by hand. Gaps are erased flash."""
    file = tmp_path / "image.hex"
    file.write_text(f":0100000001FE\n:020000021000EC\n:0100020002FB\n:020000040002F8\n:0100000003FC\n{END}\n")
    memory = read_hex(file)
    assert (len(memory), memory[0], memory[0x10002], memory[0x20000]) == (0x20001, 1, 2, 3)
    assert memory[1:0x10002] == b"\xff" * 0x10001
