"""HTML and SVG, an element at a time. What is not an element made here is text, and is escaped."""

from __future__ import annotations

import html
from collections.abc import Iterable
from typing import TypeAlias


class Markup(str):
    """Text that is HTML or SVG already."""

    __slots__ = ()


Content: TypeAlias = str | int | Iterable[str]

#: Elements without an end tag: HTML Standard, section 13.1.2 "Elements".
VOID = {"meta", "br", "hr", "col"}


def escape(text: str) -> Markup:
    return text if isinstance(text, Markup) else Markup(html.escape(text))


def join(parts: Iterable[str]) -> Markup:
    return Markup("".join(map(escape, parts)))


def number(value: float) -> str:
    """12.304 -> '12.3', 4.0 -> '4': hundredths of a pixel are more than can be seen."""
    return f"{value:.2f}".rstrip("0").rstrip(".")


def tag(name: str, /, *contents: Content, **attributes: str | float | None) -> Markup:
    """An element. Attributes that are None are left out; '_' in a name stands for '-', one at its end for
    nothing (``class_``)."""
    written = ""
    for key, value in attributes.items():
        if value is not None:
            text = value if isinstance(value, str) else number(value)
            written += f' {key.rstrip("_").replace("_", "-")}="{html.escape(text)}"'
    inside = "".join(
        escape(each) if isinstance(each, str) else str(each) if isinstance(each, int) else join(each)
        for each in contents
    )
    return Markup(f"<{name}{written}>{inside}" + ("" if name in VOID else f"</{name}>"))
