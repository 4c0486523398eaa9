#!/usr/bin/env python3
"""Puts what the program prints, and the sizes of the images, into README.md.

A screen stands in a block after a comment that names it.
"""

from __future__ import annotations

import json
import os
import re
import subprocess
import tempfile
from pathlib import Path

ROOT = Path(__file__).resolve().parents[1]

#: name -> arguments of the command, which runs in the project's folder; all use one store, in this order
SCREENS = {
    "demo": ["demo"],
    "plan": ["plan", "timing", "--speed-mm-s", "20..500", "--closure-mm", "19.8", "--notch-mm", "0.28"],
    "endure": ["endure", "host/reedproof/examples/fernhollow.toml", "--passes", "12"],
    "report": ["report"],
    "diagnose": ["diagnose", "virtual:faulty", "--input", "12"],
    "tune": ["tune", "tests/golden/rocker-bounce.csv"],
    "sweep": [
        "replay",
        "tests/golden/rocker-bounce.csv",
        "--sweep",
        "make_us=0.5..20ms",
        "break_us=0.1..50ms",
    ],
}


def block(name: str) -> re.Pattern[str]:
    """The block of a screen in README.md; its group is what the program prints."""
    return re.compile(rf"(?<=<!-- screen: {name} -->\n```text\n)(.*?)(?=```)", re.DOTALL)


def screen(arguments: list[str], store: Path) -> str:
    printed = subprocess.run(
        [ROOT / ".venv" / "bin" / "reedproof", *arguments],
        cwd=ROOT,
        env={**os.environ, "REEDPROOF_STORE": str(store)},
        capture_output=True,
        text=True,
        check=False,
    ).stdout
    printed = printed.replace(str(store), store.name).replace(str(Path.home()), "~")
    return "\n".join(line.rstrip() for line in printed.strip("\n").splitlines()) + "\n"


def main() -> None:
    readme = ROOT / "README.md"
    text = readme.read_text()
    with tempfile.TemporaryDirectory() as folder:
        for name, arguments in SCREENS.items():
            printed = screen(arguments, Path(folder) / "demo.sqlite")
            text = block(name).sub(lambda _, printed=printed: printed, text, count=1)
    images = json.loads((ROOT / "host" / "reedproof" / "images" / "images.json").read_text())
    nano = images["images"]["nano"]
    sizes = f"{nano['flash_bytes']} bytes of flash and {nano['ram_bytes']} of RAM"
    readme.write_text(re.sub(r"\S+ bytes of flash and \S+ of RAM", sizes, text))


if __name__ == "__main__":
    main()
