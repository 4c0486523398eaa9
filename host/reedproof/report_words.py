"""The words of a report, on paper and in the terminal."""

from __future__ import annotations

import math
import time

from reedproof.analysis.account import Kind
from reedproof.analysis.planned import PlannedLength
from reedproof.store_runs import Run

OUTCOMES = {
    "met": "ended when its plan was met",
    "failed": "ended because its claim could not be met any more",
    "stopped": "stopped by the user before its plan was met",
    "abandoned": "abandoned: another run was begun while it was unfinished",
}
GAP_KINDS = {
    "reboot": "board restarted",
    "lost": "records lost",
    "paused": "paused",
    "samples_lost": "samples lost",
    "muted": "input muted",
    "elsewhere": "records given to another program",
    "away": "board out of reach",
}
EVIDENCE_KINDS = {
    Kind.MISSED: "missed pass",
    Kind.EXTRA: "extra closure",
    Kind.DOUBLED: "second closure of a pass",
    Kind.HALTED: "train halted",
    Kind.MOVED: "train moved by hand",
}


def when(at_s: float) -> str:
    """'5 Nov 2026 16:00:00', local time; its blanks do not break."""
    text = time.strftime("%d %b %Y %H:%M:%S", time.localtime(at_s))
    return text.lstrip("0").replace(" ", "\N{NO-BREAK SPACE}")


def how_long(seconds: float) -> str:
    """As one says it: 0.3 s, 42 s, 12 min, 3 h 05 min, 2 d 04 h."""
    minutes = int(seconds // 60)
    if seconds < 10:
        return f"{seconds:.1f} s"
    if minutes < 1:
        return f"{seconds:.0f} s"
    if minutes < 60:
        return f"{minutes} min"
    if minutes < 24 * 60:
        return f"{minutes // 60} h {minutes % 60:02} min"
    return f"{minutes // (24 * 60)} d {minutes // 60 % 24:02} h"


def grouped(count: int) -> str:
    """1234567 -> '1 234 567', with blanks that do not break."""
    return f"{count:,}".replace(",", "\N{NO-BREAK SPACE}")


def counted(count: int, what: str, plural: str | None = None) -> str:
    return f"{grouped(count)} {what if count == 1 else plural or what + 's'}"


def one_in(share: float) -> str:
    """0.003 -> '1 in 333', rounded to three digits and never to less than the share."""
    count = math.floor(1 / share + 1e-9)
    digits = max(0, len(str(count)) - 3)
    return f"1 in {grouped(count // 10**digits * 10**digits)}"


def share_text(share: float) -> str:
    if share > 0.5:
        return f"{100 * share:.3g} %" if math.isfinite(share) else "not bounded"
    return one_in(share)


def range_text(pair: tuple[int, int]) -> str:
    least, most = map(grouped, pair)
    return least if least == most else f"{least} to {most}"


def outcome_text(run: Run) -> str:
    return OUTCOMES.get(run.outcome or "", run.outcome or "unfinished: it goes on, or broke off")


def sentence(text: str) -> str:
    return text[:1].upper() + text[1:] + ("" if text.endswith(".") else ".")


def planned_text(length: PlannedLength) -> str:
    """'42.9', or '18.8 and 22.9' where a pass was planned to give two closures, '-' where it is none."""
    return " and ".join(f"{each:.1f}" for each in length.planned_mm) or "-"


def measured_text(length: PlannedLength) -> str:
    """'40.1 (93 %)', '-' where nothing was measured."""
    if length.measured_mm is None:
        return "-"
    share = "" if length.share is None else f" ({100 * length.share:.0f} %)"
    return f"{length.measured_mm:.1f}{share}"
