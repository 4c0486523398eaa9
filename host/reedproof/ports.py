"""Serial ports of this computer, and who uses them. Never opens one."""

from __future__ import annotations

import contextlib
import os
from dataclasses import dataclass
from pathlib import Path

from serial.tools import list_ports

PICO_USB_ID = "1209:0001"  # what our firmware says, see firmware/boards/rp2040/usb_descriptors.h


@dataclass(frozen=True)
class Port:
    url: str
    description: str
    usb_id: str | None  # vendor:product in hex
    serial_number: str | None


def serial_ports() -> list[Port]:
    """Ports that may have a board behind them: those on USB first, by name. Ports of the main
    board that nothing is known about are left out."""
    found = []
    for info in list_ports.comports():
        if info.vid is None and info.description in (None, "n/a"):
            continue
        usb_id = None if info.vid is None else f"{info.vid:04x}:{info.pid or 0:04x}"
        found.append(Port(info.device, info.description or "", usb_id, info.serial_number))
    return sorted(found, key=lambda port: (port.usb_id is None, port.url))


def pico_ports() -> list[str]:
    """Ports with a Pico behind them that runs our firmware, by its USB id."""
    return [port.url for port in serial_ports() if port.usb_id == PICO_USB_ID]


def is_there(url: str) -> bool:
    """Whether this computer has the port at this moment."""
    if url.startswith("/"):
        return Path(url).exists()
    return any(info.device.upper() == url.upper() for info in list_ports.comports())


def holders(url: str) -> list[str]:
    """Other programs of the same user that have the port open. Only Linux tells; empty elsewhere."""
    device = os.path.realpath(url)
    found = []
    for process in Path("/proc").glob("[0-9]*"):
        if process.name == str(os.getpid()):
            continue
        with contextlib.suppress(OSError):  # another user's, or it has just ended
            if any(os.readlink(file) == device for file in (process / "fd").iterdir()):
                found.append(f"{(process / 'comm').read_text().strip()} (process {process.name})")
    return sorted(found)
