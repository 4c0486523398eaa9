"""Units: of names such as ``gap_mm``, of what is shown, and of what is typed."""

from __future__ import annotations

import math
import re

from reedproof.errors import ReedproofError

#: What a name ends in -> the unit as it is written; the longest ending that fits counts.
ENDINGS = {
    "mm": "mm",
    "mm_s": "mm/s",
    "mm_s2": "mm/s²",
    "km_h": "km/h",
    "m": "m",
    "us": "us",
    "ms": "ms",
    "s": "s",
    "hours": "h",
    "t": "T",
    "mt": "mT",
    "mt_at": "mT/AT",
    "at": "AT",
    "c": "°C",
    "v": "V",
    "ma": "mA",
    "ua": "uA",
    "w": "W",
    "ohm": "Ohm",
    "mohm": "mOhm",
    "nf": "nF",
    "pf": "pF",
    "pf_m": "pF/m",
    "ohm_m": "Ohm/m",
    "uh_m": "uH/m",
    "a_us": "A/us",
    "hz": "Hz",
    "percent": "%",
}
#: As pint calls them, where it would take our way of writing for something else.
PINT_NAMES = {
    "AT": "ampere",
    "us": "microsecond",
    "uA": "microampere",
    "°C": "degC",
    "C": "degC",
    "G": "plain_gauss",
}
#: What may stand before a unit.
NUMBER = r"\s*([-+]?[\d.]+(?:[eE][-+]?\d+)?)\s*"


def _parted(key: str) -> tuple[str, str]:
    """'speed_mm_s' -> ('speed', 'mm/s'); ('contacts', '') of a name without a unit."""
    parts = key.split("_")
    for first in range(1, len(parts)):
        ending = "_".join(parts[first:])
        if ending in ENDINGS:
            return "_".join(parts[:first]), ENDINGS[ending]
    return key, ""


def unit_of(key: str) -> str:
    """'gap_mm' -> 'mm'; '' of a name without a unit."""
    return _parted(key)[1]


def heading(key: str) -> str:
    """Of a column: 'speed_mm_s' -> 'speed mm/s'."""
    name, unit = _parted(key)
    return f"{name.replace('_', ' ')} {unit}".rstrip()


def with_unit(value: float, key: str) -> str:
    """A number of three digits with the unit of its name: 'peak_mt', 14.4703 -> '14.5 mT'."""
    is_large = 999.5 <= abs(value) < math.inf
    text = f"{value:.0f}" if is_large else f"{value:.3g}"
    return f"{text} {unit_of(key)}".rstrip()


def number(text: str, key: str) -> float:
    """What was typed, in the unit of ``key``. A number alone is in that unit; another unit of the same kind
    may stand behind it: '1cm' is 10 for 'gap_mm'. Raises ReedproofError."""
    try:
        value = float(text)
    except ValueError:
        value = _converted(text, unit_of(key))
    if not math.isfinite(value):
        raise ReedproofError(f"{text!r}: expected a finite number")
    return value


def span(text: str, key: str) -> tuple[float, float]:
    """'20..500' -> (20, 500), '320' -> (320, 320), in the unit of ``key``; a unit behind the last one is that
    of the first too, unless that has its own. Raises ReedproofError."""
    first, dots, last = text.partition("..")
    if re.fullmatch(NUMBER, first):
        low = number(first + re.sub(f"^{NUMBER}", "", last), key)
    else:
        low = number(first, key)
    high = number(last if dots else first, key)
    if low > high:
        raise ReedproofError(f"{text}: expected the smaller one first, such as {high:g}..{low:g}")
    return low, high


def _converted(text: str, unit: str) -> float:
    import pint  # here: it takes half a second that hardly anyone needs

    parts = re.fullmatch(f"{NUMBER}(\\S+)\\s*", text)
    try:
        if parts is None:
            raise ValueError
        registry: pint.UnitRegistry[float] = pint.UnitRegistry()
        registry.define("plain_gauss = 1e-4 tesla")  # pint's own one is no unit of the SI's field
        typed, wanted = (
            re.sub("[A-Za-z°]+", lambda found: PINT_NAMES.get(found[0], found[0]), each)
            .replace("Ohm", "ohm")
            .replace("s2", "s²")
            for each in (parts[2], unit)
        )
        return float(registry.Quantity(float(parts[1]), typed).to(wanted).magnitude)
    except Exception:  # pint's parser raises nearly every kind, AssertionError among them
        raise ReedproofError(
            f"{text!r}: expected a number{f' of {unit}, alone or with such a unit behind it' if unit else ''}"
        ) from None
