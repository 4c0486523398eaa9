"""The layout sheet: boards, contacts, routes and trains, as the user wrote them down in a TOML file."""

from __future__ import annotations

import enum
from collections import Counter
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import Field, ValidationError

from reedproof.errors import ReedproofError
from reedproof.plan_tables import ContactPlan, MagnetPlan, Plans, at_contact
from reedproof.records import INPUTS_MAX
from reedproof.tables import Name, Positive, Table, TablesError, checked, read_toml, told

#: Names of the pins as they are printed on the boards, input by input.
_SMALL = [*(f"D{n}" for n in range(2, 13)), *(f"A{n}" for n in range(5))]
_LARGE = [
    *(f"D{n}" for n in range(22, 30)),
    *(f"A{n}" for n in range(16)),
    *(f"D{n}" for n in range(37, 29, -1)),
]
_PICO = [f"GP{n}" for n in (*range(23), 26, 27, 28)]
PINS = {
    "nano": _SMALL,
    "uno": _SMALL,
    "mega": _LARGE,
    "pico": _PICO,
    "virtual": [str(n) for n in range(1, INPUTS_MAX + 1)],
}
KINDS = tuple(PINS)


class SheetError(TablesError):
    """A sheet cannot be used."""

    more = " (and {others} more: 'reedproof sheet check {path}')"


class Purpose(enum.Enum):
    """What a contact is for. In a stopping place the first one slows the train, the second one stops it."""

    BRAKING = "braking"
    STOPPING = "stopping"
    PASSING = "passing"


class Layout(Table):
    name: Name
    scale: Annotated[str, Field(pattern=r"^1:\d+(\.\d+)?$")] = "1:87"

    @property
    def ratio(self) -> float:
        return float(self.scale.removeprefix("1:"))


class Board(Table):
    """``id`` is what `reedproof boards` shows; a sheet may be written before the board is at hand."""

    kind: Literal["nano", "uno", "mega", "pico", "virtual"]
    id: Annotated[str, Field(pattern=r"^[0-9a-f]{8}$")] | None = None

    @property
    def inputs(self) -> int:
        return len(PINS[self.kind])


class Contact(Table):
    """``place_mm`` is measured along the track from wherever the user began."""

    name: Name
    board: Name
    input: Annotated[int, Field(ge=1)]
    purpose: Annotated[Purpose, Field(strict=False)] = Purpose.PASSING
    place_mm: Annotated[float, Field(allow_inf_nan=False)] | None = None
    plug: Name | None = None
    plan: ContactPlan | None = None


class Route(Table):
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


class Train(Table):
    """``spacing_mm`` is the distance of one magnet to the next."""

    name: Name
    route: Name
    magnets: Annotated[int, Field(ge=1, le=100)] = 1
    spacing_mm: Positive | None = None


def train_on(route: Route) -> Train:
    """What runs on a route for which the sheet names no train: one with one magnet."""
    return Train(name=f"train on {route.name}", route=route.name)


class Sheet(Table):
    layout: Layout
    boards: Annotated[dict[Name, Board], Field(min_length=1)]
    contacts: Annotated[list[Contact], Field(min_length=1)]
    routes: list[Route] = []
    trains: list[Train] = []
    plan: Plans = Plans()

    def positions(self) -> dict[tuple[str, int], int]:
        """Where in ``contacts`` the one on an input of a board stands."""
        return {(contact.board, contact.input): at for at, contact in enumerate(self.contacts)}

    def place_of(self, name: str) -> int:
        """Where in ``contacts`` the one of that name stands. Raises ReedproofError."""
        names = [contact.name for contact in self.contacts]
        if name not in names:
            raise ReedproofError(
                f"the sheet has no contact {name!r}; expected one of {', '.join(map(repr, names))}"
            )
        return names.index(name)

    def wiring(self) -> list[Contact]:
        """The contacts as they are plugged: board by board, input by input."""
        order = list(self.boards)
        return sorted(self.contacts, key=lambda contact: (order.index(contact.board), contact.input))

    def planned_at(self, contact: Contact) -> MagnetPlan | None:
        """The magnet and what it was planned to do to this contact."""
        everywhere = self.plan.magnet
        return at_contact(everywhere, contact.plan) if everywhere else None


def pin_name(kind: str, number: int) -> str:
    """What is printed beside the pin of an input."""
    return PINS[kind][number - 1]


def read_sheet(path: Path) -> Sheet:
    """Reads and validates a sheet. Raises SheetError with everything that is wrong."""
    return checked_sheet(read_toml(path, SheetError), path, SheetError)


def checked_sheet(data: Mapping[str, Any], path: Path, error: type[TablesError]) -> Sheet:
    """The sheet that a file holds. Raises ``error`` with everything that is wrong."""
    sheet = checked(Sheet, data, path, error)
    problems = list(_contradictions(sheet))
    if problems:
        raise error(path, problems)
    return sheet


# ---- what is right by itself and wrong together ----


def _contradictions(sheet: Sheet) -> Iterator[str]:
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
    yield from _plans_that_do_not_go_together(sheet)
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


def _plans_that_do_not_go_together(sheet: Sheet) -> Iterator[str]:
    """What a contact has of its own, with the plan for all of them."""
    if sheet.plan.magnet is None:
        return
    for at, contact in enumerate(sheet.contacts, start=1):
        try:
            MagnetPlan.model_validate(at_contact(sheet.plan.magnet, contact.plan).model_dump())
        except ValidationError as problem:
            yield from (f"contacts[{at}].plan: {told(each)}" for each in problem.errors())


def _repeated(table: str, names: list[str]) -> Iterator[str]:
    for name, count in Counter(names).items():
        if count > 1:
            yield f"{table}: {count} of them are called {name!r}; expected names that differ"


def _list(names: dict[str, Board]) -> str:
    return ", ".join(map(repr, names))
