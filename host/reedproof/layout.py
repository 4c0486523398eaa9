"""The layout sheet: boards, contacts, routes and trains, as the user wrote them down in a TOML file."""

from __future__ import annotations

import enum
import sys
from collections import Counter
from collections.abc import Iterator
from pathlib import Path
from typing import Annotated, Any, Literal, TypeAlias

from pydantic import BaseModel, ConfigDict, Field, ValidationError

from reedproof.errors import ReedproofError
from reedproof.records import INPUTS_MAX

if sys.version_info >= (3, 11):
    import tomllib
else:
    import tomli as tomllib

#: Names of the pins as they are printed on the boards, input by input.
_SMALL = [*(f"D{n}" for n in range(2, 13)), *(f"A{n}" for n in range(5))]
_LARGE = [
    *(f"D{n}" for n in range(22, 30)),
    *(f"A{n}" for n in range(16)),
    *(f"D{n}" for n in range(37, 29, -1)),
]
PINS = {"nano": _SMALL, "uno": _SMALL, "mega": _LARGE, "virtual": [str(n) for n in range(1, INPUTS_MAX + 1)]}
KINDS = tuple(PINS)

Name: TypeAlias = Annotated[str, Field(min_length=1, max_length=60, pattern=r"^\S(.*\S)?$")]
Positive: TypeAlias = Annotated[float, Field(gt=0, allow_inf_nan=False)]


class SheetError(ReedproofError):
    """A sheet cannot be used. ``problems`` are all that is wrong with it, a line each; the text is the first
    of them."""

    def __init__(self, path: Path, problems: list[str]) -> None:
        self.problems = [f"{path}: {problem}" for problem in problems]
        more = f" (and {len(problems) - 1} more: 'reedproof sheet check {path}')" if problems[1:] else ""
        super().__init__(self.problems[0] + more)


class Purpose(enum.Enum):
    """What a contact is for. In a stopping place the first one slows the train, the second one stops it."""

    BRAKING = "braking"
    STOPPING = "stopping"
    PASSING = "passing"


class _Table(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid", strict=True)


class Layout(_Table):
    name: Name
    scale: Annotated[str, Field(pattern=r"^1:\d+(\.\d+)?$")] = "1:87"

    @property
    def ratio(self) -> float:
        return float(self.scale.removeprefix("1:"))


class Board(_Table):
    """``id`` is what `reedproof boards` shows; a sheet may be written before the board is at hand."""

    kind: Literal["nano", "uno", "mega", "virtual"]
    id: Annotated[str, Field(pattern=r"^[0-9a-f]{8}$")] | None = None

    @property
    def inputs(self) -> int:
        return len(PINS[self.kind])


class Contact(_Table):
    """``place_mm`` is measured along the track from wherever the user began."""

    name: Name
    board: Name
    input: Annotated[int, Field(ge=1)]
    purpose: Annotated[Purpose, Field(strict=False)] = Purpose.PASSING
    place_mm: Annotated[float, Field(allow_inf_nan=False)] | None = None
    plug: Name | None = None


class Route(_Table):
    """The order in which a train meets the contacts: round and round, or there and back.

    ``times_s`` are the times from each contact to the next one; a loop has one more, back to the first.
    """

    name: Name
    kind: Literal["loop", "shuttle"]
    contacts: Annotated[list[Name], Field(min_length=1)]
    times_s: list[Positive] | None = None
    speed_mm_s: Positive | None = None

    @property
    def steps(self) -> int:
        return len(self.contacts) - (self.kind == "shuttle")


class Train(_Table):
    """``spacing_mm`` is the distance of one magnet to the next."""

    name: Name
    route: Name
    magnets: Annotated[int, Field(ge=1, le=100)] = 1
    spacing_mm: Positive | None = None


class Sheet(_Table):
    layout: Layout
    boards: Annotated[dict[Name, Board], Field(min_length=1)]
    contacts: Annotated[list[Contact], Field(min_length=1)]
    routes: list[Route] = []
    trains: list[Train] = []

    def positions(self) -> dict[tuple[str, int], int]:
        """Where in ``contacts`` the one on an input of a board stands."""
        return {(contact.board, contact.input): at for at, contact in enumerate(self.contacts)}

    def wiring(self) -> list[Contact]:
        """The contacts as they are plugged: board by board, input by input."""
        order = list(self.boards)
        return sorted(self.contacts, key=lambda contact: (order.index(contact.board), contact.input))


def pin_name(kind: str, number: int) -> str:
    """What is printed beside the pin of an input."""
    return PINS[kind][number - 1]


def read_sheet(path: Path) -> Sheet:
    """Reads and validates a sheet. Raises SheetError with everything that is wrong."""
    try:
        text = path.read_bytes().decode("utf-8")
    except OSError as error:
        raise SheetError(path, [f"cannot be read ({error.strerror}); check the name of the file"]) from None
    except UnicodeDecodeError:
        raise SheetError(path, ["this is not text in UTF-8; save it again as such"]) from None
    try:
        data = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise SheetError(path, [f"this is not TOML: {error}"]) from None
    try:
        sheet = Sheet.model_validate(data)
    except ValidationError as error:
        raise SheetError(path, [_told(each) for each in error.errors()]) from None
    problems = list(_contradictions(sheet))
    if problems:
        raise SheetError(path, problems)
    return sheet


# ---- what is wrong, in the user's words ----

#: What pydantic found -> what was expected; the names in braces are of its context.
_EXPECTED = {
    "missing": "this key is missing",
    "extra_forbidden": "there is no such key",
    "string_type": "expected text in quotes",
    "int_type": "expected a whole number",
    "float_type": "expected a number",
    "list_type": "expected a list in [ ]",
    "model_type": "expected a table",
    "model_attributes_type": "expected a table",
    "dict_type": "expected tables such as [boards.quarry]",
    "greater_than": "expected more than {gt:g}",
    "greater_than_equal": "expected at least {ge:g}",
    "less_than_equal": "expected at most {le:g}",
    "finite_number": "expected a finite number",
    "literal_error": "expected {expected}",
    "enum": "expected {expected}",
    "too_short": "expected at least {min_length}",
    "string_too_short": "expected some text",
    "string_too_long": "expected at most {max_length} characters",
}
#: What a pattern means, by key.
_PATTERNS = {
    "scale": "expected a ratio such as '1:87'",
    "id": "expected the eight digits that 'reedproof boards' shows",
}


def _key(place: tuple[int | str, ...]) -> str:
    """('contacts', 3, 'input') -> 'contacts[4].input': people count from 1."""
    text = ""
    for part in place:
        text += f"[{part + 1}]" if isinstance(part, int) else f"{'.' if text else ''}{part}"
    return text


def _told(error: Any) -> str:
    place = tuple(part for part in error["loc"] if part != "[key]")
    kind = error["type"]
    if kind == "string_pattern_mismatch":
        expected = _PATTERNS.get(str(place[-1]), "expected a name without blanks around it")
    else:
        expected = _EXPECTED.get(kind, error["msg"]).format(**error.get("ctx", {}))
    if kind in ("missing", "extra_forbidden"):
        return f"{_key(place)}: {expected}"
    return f"{_key(place)} holds {_shown(error['input'])}; {expected}"


def _shown(value: object) -> str:
    text = repr(value)
    return text if len(text) <= 40 else text[:37] + "..."


def _contradictions(sheet: Sheet) -> Iterator[str]:
    """What is right by itself and wrong together."""
    yield from _repeated("contacts", [contact.name for contact in sheet.contacts])
    yield from _repeated("routes", [route.name for route in sheet.routes])
    yield from _repeated("trains", [train.name for train in sheet.trains])
    names = {contact.name for contact in sheet.contacts}
    taken: dict[tuple[str, int], str] = {}
    for at, contact in enumerate(sheet.contacts, start=1):
        if contact.name == "*":
            yield f"contacts[{at}].name holds '*'; expected another name, '*' stands for all contacts"
        board = sheet.boards.get(contact.board)
        if board is None:
            yield f"contacts[{at}].board holds {contact.board!r}; expected one of {_list(sheet.boards)}"
            continue
        if contact.input > board.inputs:
            yield (
                f"contacts[{at}].input holds {contact.input}; expected 1 to {board.inputs}, board "
                f"{contact.board!r} is a {board.kind}"
            )
        other = taken.setdefault((contact.board, contact.input), contact.name)
        if other != contact.name:
            yield (
                f"contacts[{at}].input holds {contact.input}; expected a free one, on board "
                f"{contact.board!r} that is the input of {other!r}"
            )
    for at, route in enumerate(sheet.routes, start=1):
        for place, name in enumerate(route.contacts, start=1):
            if name not in names:
                yield f"routes[{at}].contacts[{place}] holds {name!r}; expected the name of a contact"
        if route.times_s is not None and len(route.times_s) != route.steps:
            yield (
                f"routes[{at}].times_s holds {len(route.times_s)} times; expected {route.steps}, from each "
                f"contact of the {route.kind} to the next"
            )
    routes = {route.name for route in sheet.routes}
    for at, train in enumerate(sheet.trains, start=1):
        if train.route not in routes:
            yield f"trains[{at}].route holds {train.route!r}; expected the name of a route"
        if train.magnets > 1 and train.spacing_mm is None:
            yield f"trains[{at}].spacing_mm: this key is missing; the train has {train.magnets} magnets"


def _repeated(table: str, names: list[str]) -> Iterator[str]:
    for name, count in Counter(names).items():
        if count > 1:
            yield f"{table}: {count} of them are called {name!r}; expected names that differ"


def _list(names: dict[str, Board]) -> str:
    return ", ".join(map(repr, names))
