#!/usr/bin/env python3
"""Copies the images that `make firmware` built into the package, with a list of what they are."""

from __future__ import annotations

import hashlib
import json
import pathlib
import shutil
import sys

ROOT = pathlib.Path(__file__).resolve().parents[1]
sys.path.insert(0, str(ROOT / "firmware"))

from build_id import build_id  # noqa: E402

IMAGES = ("nano.hex", "uno.hex", "mega.hex", "pico.uf2")


def main() -> None:
    target = ROOT / "host" / "reedproof" / "images"
    target.mkdir(exist_ok=True)
    sizes = dict(line.split(" ", 1) for line in (ROOT / "build" / "sizes.txt").read_text().splitlines())
    images = {}
    for name in IMAGES:
        image = ROOT / "build" / name
        shutil.copyfile(image, target / image.name)
        _, flash, _, ram = sizes[image.stem].split()
        images[image.stem] = {
            "file": image.name,
            "flash_bytes": int(flash),
            "ram_bytes": int(ram),
            "sha256": hashlib.sha256(image.read_bytes()).hexdigest(),
        }
    document = {"build": f"{build_id():08x}", "images": images}
    (target / "images.json").write_text(json.dumps(document, indent=2) + "\n")


if __name__ == "__main__":
    main()
