"""The emulator sees what the chip would not forgive: bugs planted into the firmware, which have to show.

Without the checks of emulator/strict_chip.mjs and usb_host.mjs nearly all would run as if nothing was.
"""

from __future__ import annotations

import subprocess
from pathlib import Path

import pytest
from emulator import ROOT, EmulatorError
from pico_board import PicoBoard, built

from reedproof.records import GetSettings, Reboot

BOARD = ROOT / "firmware" / "boards" / "rp2040"
PORT, USB, FLASH, LOADER = "port_rp2040.c", "usb.c", "flash.c", "loader.S"

#: File, what stands there, what a mistake would have made of it, and what the emulator says then.
BUGS = {
    "no tick": (PORT, "WATCHDOG_TICK = WATCHDOG_TICK_ENABLE | CRYSTAL_MHZ;", "", "its tick does not run"),
    "slow tick": (
        PORT,
        "WATCHDOG_TICK_ENABLE | CRYSTAL_MHZ;",
        "WATCHDOG_TICK_ENABLE | 125;",
        "not a microsecond",
    ),
    "timer in reset": (PORT, "| RESET_TIMER |", "|", "40054038, which is in reset"),
    "pins in reset": (PORT, "restart_blocks(RESET_IO_BANK0 |", "restart_blocks(", "which is in reset"),
    "USB in reset": (PORT, " | RESET_USBCTRL)", ")", "50100000, which is in reset"),
    "PLL off": (PORT, "CLEAR(PLL_USB_PWR) = PLL_POST_DIVIDERS_OFF;", "", "a PLL that does not run"),
    "PLL too slow": (PORT, "PLL_USB_FBDIV = 100;", "PLL_USB_FBDIV = 40;", "a PLL that does not run"),
    "no USB clock": (PORT, "CLK_USB_CTRL = CLK_USB_ENABLE;", "", "USB without its 48 MHz"),
    "no crystal": (
        PORT,
        "XOSC_CTRL = XOSC_ENABLE | XOSC_1_15_MHZ;\n    while (!(XOSC_STATUS & XOSC_STABLE)) {\n    }",
        "",
        "a crystal that does not run",
    ),
    "pin function": (
        PORT,
        "GPIO_CTRL(LAMP_PIN) = GPIO_FUNCTION_SIO;",
        "GPIO_CTRL(LAMP_PIN) = 4;",
        "GP25 is driven but",
    ),
    "watchdog resets nothing": (
        PORT,
        "PSM_WDSEL = PSM_ALL_BUT_OSCILLATORS;",
        "",
        "would not reset everything",
    ),
    "buffer handed over at once": (USB, "*buffer = bits;\n", "", "before it was complete"),
    "DATA0 twice": (USB, "    send_data1 ^= USB_DATA1;\n", "", "out of step"),
    "deaf for its address": (USB, "USB_ADDRESS = address_due;", "", "does not know its address"),
    "descriptor too long": (
        USB,
        "length < asked_for ? length : asked_for",
        "length",
        "more than it was asked for",
    ),
    "flash not selected": (FLASH, "SET(QSPI_SS_CTRL) = QSPI_SS_LOW;", "", "while it is not selected"),
    "flash not enabled": (
        FLASH,
        "enable_writing();\n    begin_at(PROGRAM",
        "begin_at(PROGRAM",
        "not enabled for writing",
    ),
    "flash interface on": (FLASH, "SSI_ENABLE = 0;", "", "changed while on"),
    "flash too fast": (LOADER, "movs r1, #2", "movs r1, #1", "does not run at this rate"),
}


class Workshop:
    """Builds the firmware with one file changed; the others are compiled once."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        words = "$(PICO_MACROS) -DREEDPROOF_BUILD=1UL -w $(PICO_FLAGS) -- $(PICO_SOURCES)"
        make = ["make", "-s", f"--eval=words: ; @echo {words}", "words"]
        told = subprocess.run(make, cwd=ROOT, capture_output=True, text=True, check=True).stdout
        flags, _, sources = told.partition(" -- ")
        self.flags = flags.replace("-Tfirmware", f"-T{ROOT}/firmware").split()
        self.sources = [ROOT / source for source in sources.split()]
        self.compile(*self.sources)

    def run(self, *words: str | Path) -> None:
        subprocess.run(["arm-none-eabi-gcc", *self.flags, *words], cwd=self.folder, check=True)

    def compile(self, *sources: Path) -> None:
        self.run(f"-I{BOARD}", "-c", *sources)

    def image(self, name: str, text: str) -> Path:
        """In a folder as deep as the board's, for the sake of the header it includes by path."""
        changed = self.folder / "changed" / "here"
        changed.mkdir(parents=True, exist_ok=True)
        (changed / name).write_text(text.replace("../../port.h", str(ROOT / "firmware" / "port.h")))
        self.compile(changed / name)
        self.run(*(source.with_suffix(".o").name for source in self.sources), "-o", "pico.elf")
        self.compile(BOARD / name)  # as it was
        objcopy = ["arm-none-eabi-objcopy", "-O", "binary", "pico.elf", "pico.bin"]
        subprocess.run(objcopy, cwd=self.folder, check=True)
        image = self.folder / "pico.uf2"
        subprocess.run([ROOT / "tools" / "pico_image.py", self.folder / "pico.bin", image], check=True)
        return image


@pytest.fixture(scope="module")
def workshop(tmp_path_factory: pytest.TempPathFactory) -> Workshop:
    return Workshop(tmp_path_factory.mktemp("workshop"))


def live(image: Path) -> None:
    """A boot, some talk, a reboot."""
    board = PicoBoard(image)
    try:
        board.greet()
        board.command(GetSettings())
        board.run_us(30_000)
        board.command(Reboot())
        board.until_reset(100_000)
    finally:
        board.simulator.close()


def test_the_firmware_as_it_is_shows_nothing(workshop: Workshop) -> None:
    live(workshop.image(PORT, (BOARD / PORT).read_text()))


@pytest.mark.parametrize("bug", BUGS)
def test_a_planted_bug_shows(workshop: Workshop, bug: str) -> None:
    name, right, wrong, says = BUGS[bug]
    text = (BOARD / name).read_text()
    assert text.count(right) == 1, f"{name} has changed: {right}"
    image = workshop.image(name, text.replace(right, wrong))
    with pytest.raises(EmulatorError, match=says):
        live(image)


def test_a_loader_with_a_wrong_crc_is_not_started(tmp_path: Path) -> None:
    image = bytearray(built().read_bytes())
    image[40] ^= 1
    (tmp_path / "pico.uf2").write_bytes(image)
    with pytest.raises(EmulatorError, match="right CRC"):
        PicoBoard(tmp_path / "pico.uf2")
