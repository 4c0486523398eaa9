"""From speeds and lengths to what a board counts, how late the host knows, and where a train stops.

A contact follows its magnet within ``operate_us``, its bounces included, when it closes and when it opens. A
board sees what the contact does within one ``sampling_us``. So what a board sees of a closing or an opening
may be shorter or longer than the magnet makes it, by no more than both together: the *play*.
"""

from __future__ import annotations

import enum
import math
import re

from reedproof.errors import ReedproofError

#: Ratios of NEM 010 (2011).
SCALES = {"Z": 220.0, "N": 160.0, "TT": 120.0, "H0": 87.0, "0": 45.0, "I": 32.0, "II": 22.5}

BITS_PER_BYTE = 10  # on the line, with start and stop bit
BAUD = 500_000
#: Payload of a closure's record, `protocol.md` section 4.
MADE_BYTES = 14
#: What the board may have to send before: as much as its longest frame, and as it keeps ready to be sent.
FRAME_MAX_BYTES = 64

SETTING_MAX_US = 65_535


def ratio_of(scale: str) -> float:
    """'H0' or '1:87' -> 87. Raises ReedproofError."""
    named = SCALES.get(scale.upper().replace("O", "0"))
    if named is not None:
        return named
    found = re.fullmatch(r"1:(\d+(?:\.\d+)?)", scale)
    if found is None or float(found[1]) == 0:
        names = ", ".join(f"{name} (1:{ratio:g})" for name, ratio in SCALES.items())
        raise ReedproofError(f"{scale!r} is no known scale; expected a ratio such as 1:87, or one of {names}")
    return float(found[1])


def model_speed_mm_s(speed_km_h: float, ratio: float) -> float:
    return speed_km_h * 1e6 / 3600 / ratio


def prototype_speed_km_h(speed_mm_s: float, ratio: float) -> float:
    return speed_mm_s * ratio * 3600 / 1e6


# ---- what a board counts ----


def duration_us(length_mm: float, speed_mm_s: float) -> float:
    return 1e6 * length_mm / speed_mm_s


def certain_speed_mm_s(closure_mm: float, confirm_us: float, operate_us: float) -> float:
    """The highest speed at which a closure that takes ``confirm_us`` to count, after the contact has closed
    and come to rest, is never missed."""
    return 1e6 * closure_mm / (confirm_us + operate_us)


def samples_in(closure_us: float, operate_us: float, sampling_us: float) -> int:
    """Samples that see a closure for certain."""
    return max(0, math.floor((closure_us - operate_us) / sampling_us))


def lockout_us(
    notch_mm: float,
    slowest_mm_s: float,
    spacing_mm: float | None,
    footprint_mm: float,
    fastest_mm_s: float,
    play_us: float = 0.0,
) -> tuple[float, float]:
    """From and to: how long an opening has to last before the next closing is another one. Long enough for
    the notch at the slowest speed, and shorter than the opening between two magnets at the fastest one.
    Where the second is less than the first, there is no such time. Infinite without a second magnet."""
    needed = duration_us(notch_mm, slowest_mm_s) + play_us
    if spacing_mm is None:
        return needed, math.inf
    return needed, duration_us(spacing_mm - footprint_mm, fastest_mm_s) - play_us


class Counted(enum.Enum):
    """What a board makes of a pass of one magnet, or of two in a row."""

    ONCE = "once"
    MISSED = "missed"
    PERHAPS_MISSED = "perhaps missed"
    TWICE = "twice"
    PERHAPS_TWICE = "perhaps twice"
    JOINED = "two as one"
    PERHAPS_JOINED = "perhaps two as one"


def counted(
    closure_us: float,
    notch_us: float,
    between_us: float,
    *,
    make_us: float,
    break_us: float,
    play_us: float,
) -> Counted:
    """What is certain comes first, and what is worst.

    Args:
        closure_us: the shortest closure of the pass; where there are two, a longer one may count without it.
        notch_us: the opening within it; 0 without one.
        between_us: the opening before the next magnet; infinite without one.
    """
    is_certain = closure_us - play_us >= make_us
    # Magnets so close that the contact may stay closed between them can last long enough together.
    if not notch_us and closure_us + play_us < make_us and between_us >= play_us:
        return Counted.MISSED
    if is_certain and notch_us - play_us >= break_us:
        return Counted.TWICE
    if is_certain and between_us + play_us < break_us:
        return Counted.JOINED
    if not is_certain:
        return Counted.PERHAPS_MISSED
    if notch_us + play_us >= break_us:
        return Counted.PERHAPS_TWICE
    if between_us - play_us < break_us:
        return Counted.PERHAPS_JOINED
    return Counted.ONCE


# ---- how late the host knows ----


def frame_bytes(payload_bytes: int) -> int:
    """On the line: type, sequence, payload and CRC, encoded (one byte more up to 254, Cheshire & Baker 1999),
    and the zero byte."""
    return 1 + 1 + payload_bytes + 2 + 1 + 1


def line_ms(frame: int, baud: int) -> float:
    """How long a frame of so many bytes takes."""
    return 1000 * frame * BITS_PER_BYTE / baud


def way_mm(speed_mm_s: float, time_ms: float) -> float:
    return speed_mm_s * time_ms / 1000


# ---- where a train stops ----


def braking_way_mm(
    speed_mm_s: float, deceleration_mm_s2: float, delay_ms: float, *, to_mm_s: float = 0.0
) -> float:
    """From a contact until the train has come down to ``to_mm_s``: v t + (v^2 - u^2) / 2 a."""
    return way_mm(speed_mm_s, delay_ms) + (speed_mm_s**2 - to_mm_s**2) / (2 * deceleration_mm_s2)


def speed_after_mm_s(
    speed_mm_s: float, deceleration_mm_s2: float, delay_ms: float, distance_mm: float, *, to_mm_s: float
) -> float:
    """The speed ``distance_mm`` after a contact that slows a train down to ``to_mm_s``."""
    braked_mm = max(0.0, distance_mm - way_mm(speed_mm_s, delay_ms))
    square = speed_mm_s**2 - 2 * deceleration_mm_s2 * braked_mm
    return max(to_mm_s, math.sqrt(max(0.0, square)))
