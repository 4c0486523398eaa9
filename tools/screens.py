#!/usr/bin/env python3
"""Puts what the program prints, and the sizes of the images, into README.md."""

from __future__ import annotations

import json
import re
import subprocess
import tempfile
from pathlib import Path

ROOT = Path(__file__).resolve().parents[1]


def main() -> None:
    readme = ROOT / "README.md"
    with tempfile.TemporaryDirectory() as folder:
        store = Path(folder) / "demo.sqlite"
        screen = subprocess.run(
            [ROOT / ".venv" / "bin" / "reedproof", "demo", "--store", store],
            capture_output=True, text=True, check=True,
        ).stdout  # fmt: skip
        screen = screen.replace(str(store), "demo.sqlite")
    screen = "\n".join(line.rstrip() for line in screen.splitlines())
    images = json.loads((ROOT / "host" / "reedproof" / "images" / "images.json").read_text())
    nano = images["images"]["nano"]
    sizes = f"{nano['flash_bytes']} bytes of flash and {nano['ram_bytes']} of RAM"
    text = re.sub(
        r"```text\n.*?```", lambda _: f"```text\n{screen}\n```", readme.read_text(), flags=re.DOTALL
    )
    readme.write_text(re.sub(r"\S+ bytes of flash and \S+ of RAM", sizes, text))


if __name__ == "__main__":
    main()
