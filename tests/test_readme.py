"""What README.md shows is what the program prints; ids, dates and sizes differ from run to run."""

from __future__ import annotations

import json
import re
from pathlib import Path

import pytest
from tools.screens import ROOT, SCREENS, block

from reedproof.cli import main

README = (ROOT / "README.md").read_text()
ENDS_WITH = {"demo": 0, "plan": 1, "endure": 0, "report": 0, "diagnose": 1, "tune": 1, "sweep": 0}
#: What has to be in the store first.
BEFORE = {"report": "endure"}
#: Screens that are the same in every run.
EXACT = {"plan", "tune", "sweep"}


def masked(text: str) -> list[str]:
    """Lines without what differs: ids, numbers, dates, the path of the store, and the room they take."""
    lines = []
    for line in text.splitlines():
        line = re.sub(r"\b[0-9a-f]{8}\b", "ID", line)
        line = re.sub(r"^data: .*", "data:", line)
        line = re.sub(r"^store \S+:", "store:", line)
        line = re.sub(r"\d+", "0", line)
        line = re.sub(r"\S*[━╸╺─]+\S*", "-", line)
        lines.append(re.sub(r"\s+", " ", line).strip())
    return [line for line in lines if line]


def stripped(text: str) -> list[str]:
    return [line.rstrip() for line in text.splitlines() if line.strip()]


@pytest.mark.parametrize("name", SCREENS)
def test_screen(name: str, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(ROOT)
    for each in [BEFORE[name], name] if name in BEFORE else [name]:
        capsys.readouterr()
        monkeypatch.setattr("sys.argv", ["reedproof", *SCREENS[each]])
        with pytest.raises(SystemExit) as ended:
            main.run()
    assert ended.value.code == ENDS_WITH[name]
    shown = block(name).search(README)
    assert shown is not None
    compare = stripped if name in EXACT else masked
    assert compare(shown[1]) == compare(capsys.readouterr().out)


def test_sizes() -> None:
    nano = json.loads((ROOT / "host" / "reedproof" / "images" / "images.json").read_text())["images"]["nano"]
    assert f"{nano['flash_bytes']} bytes of flash and {nano['ram_bytes']} of RAM" in README


def test_every_screen_is_made_by_a_command() -> None:
    named = re.findall(r"<!-- screen: (\w+) -->\n```text\n", README)
    assert named == list(SCREENS)
    assert README.count("```text") == len(named)
    assert Path(ROOT / "tools" / "screens.py").exists()
