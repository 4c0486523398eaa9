"""The drive that a Pico's loader shows: finds it, and copies an image onto it."""

from __future__ import annotations

import errno
import getpass
import os
from dataclasses import dataclass
from pathlib import Path

from reedproof.avrdude import Tell
from reedproof.errors import LineError, LineLost, ReedproofError

#: The loader's own file, and its line that names the RP2040's loader; another chip's says something else.
#: Source: RP2040 datasheet, "USB Mass Storage Interface" (from memory).
ABOUT = "INFO_UF2.TXT"
LOADER_LINE = "Board-ID: RPI-RP2"
LABEL = "RPI-RP2"

PIECE_BYTES = 4096

BOOTSEL = "hold its BOOTSEL button down while you plug it in"
NO_DRIVE = (
    f"no drive of a Pico's loader is there; {BOOTSEL}: a drive {LABEL} appears; if none does, the cable may "
    "have no data lines (many only charge), or the drive is not mounted: open it in the file manager, or "
    "give its folder"
)


@dataclass(frozen=True)
class Drive:
    """``about`` is what the loader says of itself."""

    folder: Path
    about: str

    def is_there(self) -> bool:
        return (self.folder / ABOUT).exists()


def find_drives() -> list[Drive]:
    """Those that are mounted where Linux and macOS usually put them."""
    user = getpass.getuser()
    parents = [Path("/media", user), Path("/run/media", user), Path("/media"), Path("/mnt"), Path("/Volumes")]
    found = {}
    for folder in (Path("/mnt"), *(folder for parent in parents for folder in _folders_in(parent))):
        try:
            found[folder.resolve()] = drive_at(folder)  # some systems link one place to another
        except ReedproofError:
            continue
    return list(found.values())


def drive_at(folder: Path) -> Drive:
    """The drive mounted at a folder. Raises ReedproofError if it is none."""
    try:
        lines = (folder / ABOUT).read_text(encoding="utf-8", errors="replace").splitlines()
    except OSError:
        raise ReedproofError(
            f"{folder}: not the drive of a Pico's loader (no {ABOUT} can be read there); {BOOTSEL}: a drive "
            f"{LABEL} appears"
        ) from None
    if LOADER_LINE not in [line.strip() for line in lines]:
        raise ReedproofError(
            f"{folder}: the drive of another board's loader (its {ABOUT} has no line '{LOADER_LINE}'); "
            "only a Pico with an RP2040 can be written"
        )
    return Drive(folder, lines[0].strip())


def copy(data: bytes, name: str, drive: Drive, tell: Tell) -> None:
    """Puts a file onto the drive. The loader restarts the board when it has all of it, so that a drive that
    is gone at the very end is no error: whether it was written, only the board can say.

    Raises LineError where the drive takes no file, LineLost where it was gone before the end.
    """
    file = drive.folder / name
    given = 0
    try:
        with file.open("wb", buffering=0) as out:
            while given < len(data):
                tell("writing", given / len(data))
                given += out.write(data[given : given + PIECE_BYTES])
            os.fsync(out.fileno())
    except OSError as error:
        again = f"{BOOTSEL}, then flash it again"
        if error.errno == errno.ENOSPC:
            raise LineError(f"{file}: the drive is full; unplug the board, {again}") from None
        if error.errno in (errno.EROFS, errno.EACCES, errno.EPERM):
            raise LineError(
                f"{file}: may not be written ({error.strerror}); mount the drive so that you may write to "
                "it, then flash it again"
            ) from None
        if given + PIECE_BYTES < len(data):
            raise LineLost(
                f"{file}: the drive was gone at {given / len(data):.0%} of writing (unplugged?); {again}"
            ) from None
    tell("writing", 1.0)


def _folders_in(parent: Path) -> list[Path]:
    try:
        return sorted(parent.iterdir())
    except OSError:
        return []
