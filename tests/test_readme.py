"""What README.md shows is what the program prints; ids, dates and sizes differ from run to run."""

from __future__ import annotations

import json
import re
from pathlib import Path

import pytest

from reedproof.cli import main

ROOT = Path(__file__).resolve().parents[1]
README = (ROOT / "README.md").read_text()


def masked(text: str) -> list[str]:
    """Lines without what differs: ids, numbers, dates, the path of the store, and the room they take."""
    lines = []
    for line in text.splitlines():
        line = re.sub(r"\b[0-9a-f]{8}\b", "ID", line)
        line = re.sub(r"^data: .*", "data:", line)
        line = re.sub(r"\d+", "0", line)
        line = re.sub(r"\S*[━╸╺─]+\S*", "-", line)
        lines.append(re.sub(r"\s+", " ", line).strip())
    return [line for line in lines if line]


def test_demo_screen(capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("sys.argv", ["reedproof", "demo"])
    with pytest.raises(SystemExit) as ended:
        main.run()
    assert ended.value.code == 0
    shown = re.search(r"```text\n(.*?)```", README, re.DOTALL)
    assert shown is not None
    assert masked(shown[1]) == masked(capsys.readouterr().out)


def test_sizes() -> None:
    nano = json.loads((ROOT / "host" / "reedproof" / "images" / "images.json").read_text())["images"]["nano"]
    assert f"{nano['flash_bytes']} bytes of flash and {nano['ram_bytes']} of RAM" in README
