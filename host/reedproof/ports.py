"""Serial ports of this computer. Lists them; never opens one."""

from __future__ import annotations

from dataclasses import dataclass

from serial.tools import list_ports


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
