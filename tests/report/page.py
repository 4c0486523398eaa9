"""A page as a tree, read as strictly as `html.parser` allows: what is opened must be closed."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from html.parser import HTMLParser

#: Elements without an end tag: HTML Standard, section 13.1.2 "Elements".
VOID = {"area", "base", "br", "col", "embed", "hr", "img", "input", "link", "meta", "source", "track", "wbr"}


@dataclass
class Element:
    name: str
    attributes: dict[str, str | None] = field(default_factory=dict)
    inside: list[Element | str] = field(default_factory=list)

    def every(self, *names: str) -> Iterator[Element]:
        """All elements below, in order; without names all there are."""
        for each in self.inside:
            if isinstance(each, Element):
                if not names or each.name in names:
                    yield each
                yield from each.every(*names)

    def one(self, name: str) -> Element:
        (found,) = self.every(name)
        return found

    @property
    def text(self) -> str:
        return "".join(each if isinstance(each, str) else each.text for each in self.inside)

    @property
    def classes(self) -> set[str]:
        return set((self.attributes.get("class") or "").split())


class _Reader(HTMLParser):
    def __init__(self) -> None:
        super().__init__(convert_charrefs=True)
        self.open = [Element("")]

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        assert len({name for name, _ in attrs}) == len(attrs), f"an attribute comes twice: {attrs}"
        made = Element(tag, dict(attrs))
        self.open[-1].inside.append(made)
        if tag not in VOID:
            self.open.append(made)

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop().name == tag, f"</{tag}> closes something else, {self.getpos()}"

    def handle_data(self, data: str) -> None:
        self.open[-1].inside.append(data)


def read(text: str) -> Element:
    reader = _Reader()
    reader.feed(text)
    reader.close()
    (root,) = reader.open
    return root
