"""Whether this computer has what reedproof needs, and what to do where not. Looks only: writes nothing,
opens no port. What is found holds nothing private, so that it can be shown to anybody: no names of
users, computers, folders or layouts, no serial numbers, no board ids."""

from __future__ import annotations

import json
import os
import platform
import re
import sqlite3
import subprocess
import sys
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from hashlib import sha256
from importlib import metadata
from pathlib import Path
from typing import TYPE_CHECKING

from reedproof.avrdude import find_avrdude, how_to_get
from reedproof.errors import ReedproofError
from reedproof.ports import Port

if TYPE_CHECKING:  # it needs numpy, whose absence is to be told
    from reedproof.store_health import Health

GOOD, ATTENTION, BAD = "good", "attention", "bad"

TOOL_S = 5.0  # for any other program to tell its version

#: Free room below which a store is in danger; rules of ours. A closure takes 80 bytes.
FREE_LOW_BYTES, FREE_BAD_BYTES = 1_000_000_000, 50_000_000

#: Groups that systems give serial ports to: Debian and Fedora 'dialout', Arch 'uucp' (from memory). The name
#: of any other group may be that of a person.
PORT_GROUPS = ("dialout", "uucp")
KNOWN_GROUPS = (*PORT_GROUPS, "tty", "plugdev", "root", "lock")

#: Makers of USB bridges by vendor id, from memory.
MAKERS = {
    "1a86": "WCH (CH340)", "0403": "FTDI", "10c4": "Silicon Labs (CP210x)", "067b": "Prolific",
    "2341": "Arduino", "2a03": "Arduino", "2e8a": "Raspberry Pi",
}  # fmt: skip

#: Names of ports that are the system's, not a person's or a serial number's.
_PLAIN_PORT = re.compile(r"/dev/tty(USB|ACM|AMA|S)\d+|COM\d+|/dev/cu\.(usbserial|usbmodem|wchusbserial)")


@dataclass(frozen=True)
class Check:
    """``lines`` are to be typed or put into a file, as they are."""

    name: str
    state: str
    found: str
    advice: str = ""
    lines: tuple[str, ...] = ()


@dataclass(frozen=True)
class Access:
    """Who may open a port. ``group`` and ``mode`` are the device's; ``is_listed`` where this user is in the
    group, though perhaps not since this login."""

    may_open: bool
    group: str | None = None
    mode: int | None = None
    is_listed: bool = False


def worst(checks: Iterable[Check]) -> str:
    states = {check.state for check in checks}
    return next((state for state in (BAD, ATTENTION) if state in states), GOOD)


def text_to_paste(checks: Iterable[Check]) -> str:
    """What helps somebody who helps."""
    return "\n".join(f"{check.name}: {check.state}; {check.found}" for check in checks)


# ---- the program and what it needs ----


def required() -> dict[str, str | None]:
    """Versions of the packages that reedproof needs, by name; None for one that is missing."""
    try:
        wanted = metadata.requires("reedproof") or []
    except metadata.PackageNotFoundError:
        return {"reedproof": None}
    names = [re.split(r"[^\w.-]", entry, maxsplit=1)[0] for entry in wanted if ";" not in entry]
    return {name: _version(name) for name in ["reedproof", *names]}


def _version(name: str) -> str | None:
    try:
        return metadata.version(name)
    except metadata.PackageNotFoundError:
        return None


def system_name() -> str:
    """The kind of system, never the name of this one."""
    kind = platform.system()
    try:
        release = platform.freedesktop_os_release()
    except OSError:
        return f"{kind} {platform.machine()}"
    return (
        f"{kind} {platform.machine()}, {release.get('ID', 'linux')} {release.get('VERSION_ID', '')}".strip()
    )


def check_program(versions: Mapping[str, str | None], system: str) -> list[Check]:
    python = f"Python {platform.python_version()}, SQLite {sqlite3.sqlite_version}, {system}"
    missing = [name for name, version in versions.items() if version is None]
    there = ", ".join(f"{name} {version}" for name, version in versions.items() if version is not None)
    packages = Check("packages", GOOD, there)
    if missing:
        packages = Check(
            "packages", BAD, f"missing: {', '.join(missing)}; there: {there or 'none'}",
            "install reedproof again with its packages; in its source tree:", ("make setup",),
        )  # fmt: skip
    return [Check("computer", GOOD, python), packages]


def check_compiled(parts: Mapping[str, Callable[[], object]]) -> Check:
    """``parts`` load them and raise ImportError where one is missing or older than its sources."""
    problems = []
    for name, load in parts.items():
        try:
            load()
        except ModuleNotFoundError as error:
            problems.append(f"{name} cannot be loaded without {error.name}")
        except ImportError as error:
            problems.append(f"{name} is {'older than its sources' if 'older' in str(error) else 'missing'}")
    if problems:
        return Check(
            "compiled parts", BAD, "; ".join(problems),
            "build them anew in the source tree, or install the package with a C compiler at hand:",
            ("make setup",),
        )  # fmt: skip
    return Check("compiled parts", GOOD, f"{', '.join(parts)}: there and of these sources")


def check_images(folder: Path) -> Check:
    """Images as the list beside them (images.json) says they were built."""
    builds, problems = [], []
    try:
        document = json.loads((folder / "images.json").read_text(encoding="utf-8"))
        for name, entry in document["images"].items():
            file = folder / entry["file"]
            if not file.exists():
                problems.append(f"{name} is missing")
            elif sha256(file.read_bytes()).hexdigest() != entry["sha256"]:
                problems.append(f"{name} is not what was built")
            else:
                builds.append(f"{name} {document['build']}")
    except (OSError, ValueError, KeyError):
        problems.append("the list of them is missing or damaged")
    if problems:
        return Check(
            "firmware images", BAD, "; ".join(problems), "install reedproof again; in its source tree:",
            ("make images",),
        )  # fmt: skip
    return Check("firmware images", GOOD, ", ".join(builds))


def check_avrdude(find: Callable[[], Sequence[str]] = find_avrdude, limit_s: float = TOOL_S) -> Check:
    get = how_to_get().replace(sys.executable, "python3")  # where that is installed is private
    try:
        tool = find()
    except ReedproofError:
        return Check(
            "avrdude", ATTENTION, "not installed",
            "only 'reedproof flash' needs it; to get it, type:", (get,),
        )  # fmt: skip
    whose = "PlatformIO's copy" if "tool-avrdude" in tool[0] else "on PATH"
    try:
        done = subprocess.run(
            [*tool, "-?"], stdin=subprocess.DEVNULL, stdout=subprocess.PIPE, stderr=subprocess.STDOUT,
            timeout=limit_s, check=False,
        )  # fmt: skip
        said = done.stdout.decode("utf-8", "replace")
    except subprocess.TimeoutExpired:
        said = ""
        problem = f"does not end within {limit_s:g} s"
    except OSError:
        said = ""
        problem = "cannot be started"
    else:
        problem = "does not tell its version"
    version = re.search(r"avrdude version (\d[\w.-]*)", said)
    if version is None:
        return Check("avrdude", BAD, f"{whose}, {problem}", "install it again; type:", (get,))
    return Check("avrdude", GOOD, f"{version[1]}, {whose}")


# ---- serial ports ----


def access(url: str) -> Access:
    """Who may open a port, from its file; on systems without groups nothing keeps one from it."""
    if not url.startswith("/"):
        return Access(may_open=True)
    import grp  # not on Windows
    import pwd

    try:
        status = os.stat(url)
        may_open = os.access(url, os.R_OK | os.W_OK)
        group = grp.getgrgid(status.st_gid)
        is_listed = pwd.getpwuid(os.getuid()).pw_name in group.gr_mem
    except KeyError:
        return Access(may_open, None, status.st_mode & 0o777)
    except OSError:
        return Access(may_open=False)
    return Access(may_open, group.gr_name, status.st_mode & 0o777, is_listed)


def check_ports(
    ports: Sequence[Port], access_to: Callable[[str], Access], holders: Callable[[str], Sequence[str]]
) -> list[Check]:
    if not ports:
        return [
            Check(
                "serial ports", ATTENTION, "none",
                "plug the board in, with a cable that carries data (many only charge); without a board "
                "there is 'reedproof demo'",
            )
        ]  # fmt: skip
    bridges = f"{len(ports)}, {sum(port.usb_id is not None for port in ports)} of them on USB"
    return [
        Check("serial ports", GOOD, bridges),
        *(
            _check_port(port_name(port.url, number), port, access_to(port.url), holders(port.url))
            for number, port in enumerate(ports, 1)
        ),
    ]


def port_name(url: str, number: int) -> str:
    """A port's name, without a serial number or whatever else its name may tell."""
    plain = _PLAIN_PORT.match(url)
    return plain[0] if plain else f"port {number}"


def _check_port(name: str, port: Port, may: Access, held_by: Sequence[str]) -> Check:
    maker = MAKERS.get((port.usb_id or "").split(":")[0], "unknown maker")
    kind = f"USB {port.usb_id}, {maker}" if port.usb_id else "not on USB"
    group = may.group if may.group in KNOWN_GROUPS else "another"
    rights = "" if may.mode is None else f", group {group}, mode {may.mode:03o}"
    if not may.may_open:
        return Check(name, BAD, f"{kind}{rights}; this user may not open it", *_permission(port, may))
    if held_by:
        programs = ", ".join(sorted({each.rsplit(" (process", 1)[0] for each in held_by}))
        return Check(name, ATTENTION, f"{kind}{rights}; held by {programs}", "close that program")
    return Check(name, GOOD, f"{kind}{rights}; this user may open it")


def _permission(port: Port, may: Access) -> tuple[str, tuple[str, ...]]:
    if may.is_listed:
        return "this user is in the group since the last login: log out and in again, or restart", ()
    if may.group in PORT_GROUPS and (may.mode or 0) & 0o060 == 0o060:
        lines: tuple[str, ...] = (f"sudo usermod -a -G {may.group} $USER",)
        advice = "type this, then log out and in again"
        if port.usb_id is None:
            return f"{advice}:", lines
        return (
            f"{advice}; or, for whoever sits at this computer, put the second line into "
            "/etc/udev/rules.d/70-reedproof.rules, type the third and plug the board in again:",
            (*lines, udev_rule(port.usb_id), "sudo udevadm control --reload"),
        )
    if port.usb_id is None:
        return "ask who looks after this computer for the right to open this port", ()
    return (
        "put the first line into /etc/udev/rules.d/70-reedproof.rules, type the second and plug the board in "
        "again:",
        (udev_rule(port.usb_id), "sudo udevadm control --reload"),
    )


def udev_rule(usb_id: str) -> str:
    """Lets whoever sits at the computer open such ports. Its file must come before 73-seat-late.rules, which
    acts on the tag (source: that file of systemd, from memory)."""
    vendor, product = usb_id.split(":")
    return f'SUBSYSTEM=="tty", ATTRS{{idVendor}}=="{vendor}", ATTRS{{idProduct}}=="{product}", TAG+="uaccess"'


# ---- the store ----


def check_store(seen: Health, place: str) -> list[Check]:
    """``place`` is how the store was named, not where it is."""
    return [
        _check_store(seen, place),
        *([_check_room(seen.free_bytes)] if seen.free_bytes is not None else []),
    ]


def _check_store(seen: Health, place: str) -> Check:
    size = "" if seen.size_bytes is None else f", {_size(seen.size_bytes)}"
    what = f"{seen.database} at {place}{size}"
    if seen.damage is not None:
        return Check(
            "store", BAD, f"{what}; damaged: {seen.damage}",
            "copy the file to a safe place first, then ask for help; --store goes on with a new one",
        )  # fmt: skip
    if seen.problem is not None:
        advice = "see to that, or choose another store with --store"
        if seen.version is not None:
            advice = "update reedproof, or choose another store with --store"
        return Check("store", BAD, f"{what}; {seen.problem}", advice)
    if seen.version is None:
        return Check("store", GOOD, f"{what}; none yet, 'reedproof prove PORT' makes it")
    version = f"schema {seen.version}" + (", brought up to date when it is next used" if seen.is_old else "")
    if seen.waiting:
        return Check(
            "store", ATTENTION, f"{what}, {version}; newest records of a killed program wait",
            "'reedproof runs' takes them up",
        )  # fmt: skip
    if not seen.checked:
        return Check(
            "store", ATTENTION, f"{what}, {version}; too large to be read through in the time there is",
            "nothing, as long as the commands work",
        )  # fmt: skip
    whole = ", read through without an error" if seen.database == "SQLite" else ""
    if seen.unfinished:
        return Check(
            "store", ATTENTION, f"{what}, {version}{whole}; unfinished runs: {seen.unfinished}",
            "if none is going on now, 'reedproof endure --resume' goes on with the last one",
        )  # fmt: skip
    return Check("store", GOOD, f"{what}, {version}{whole}; no unfinished runs")


def _check_room(free_bytes: int) -> Check:
    found = f"{_size(free_bytes)} free for the store"
    if free_bytes < FREE_LOW_BYTES:
        state = BAD if free_bytes < FREE_BAD_BYTES else ATTENTION
        return Check("disk", state, found, "free some space, or choose another disk with --store")
    return Check("disk", GOOD, found)


def _size(count_bytes: int) -> str:
    if count_bytes < 1_000_000:
        return f"{count_bytes / 1000:.0f} kB"
    return f"{count_bytes / 1e6:.0f} MB" if count_bytes < 10_000_000_000 else f"{count_bytes / 1e9:.0f} GB"
