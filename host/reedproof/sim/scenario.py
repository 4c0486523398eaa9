"""A scenario file: a layout sheet, and what is wrong on that layout from when to when, and how badly."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Annotated, Any, Literal, TypeAlias

from pydantic import BeforeValidator, Field
from pydantic_core import PydanticCustomError

from reedproof.analysis.finding import Cause
from reedproof.layout import Sheet, checked_sheet, read_sheet, train_on
from reedproof.tables import Name, Positive, Table, TablesError, checked, read_toml, shown

LAPS = 30  # of a scenario that does not say how many


@dataclass(frozen=True)
class Effect:
    """What the size of a cause is a number of, what the words for it stand for, and where a number must lie.
    ``what`` is wrong, in a sentence."""

    what: str
    unit: str
    mild: float
    moderate: float
    severe: float
    least: float
    most: float


#: The one place that says what each cause does. On a usual layout of some 180 mm/s: a mild one shows in one
#: of fifty passes, or in measurements only; a moderate one is noticed within some tens of laps; a severe one
#: spoils most passes. The words' millimetres are those of the usual magnet, see `installed.size_mm`.
EFFECTS: dict[Cause, Effect] = {
    Cause.OPEN_LEAD: Effect(
        "the lead is interrupted, for 10 s to minutes each time", "share of the time", 0.3, 0.7, 1.0, 0, 1
    ),
    Cause.LOOSE_LEAD: Effect(
        "the lead opens for moments, some milliseconds each", "dropouts per closure", 0.3, 1.0, 4.0, 0, 50
    ),
    Cause.STUCK_CONTACT: Effect(
        "the contact stays closed after a pass, for 5 to 60 s or until the next one; for good if 1",
        "chance per pass", 0.03, 0.15, 1.0, 0, 1,
    ),
    Cause.PARKED_MAGNET: Effect(
        "a magnet stands over the contact, once", "seconds", 20.0, 120.0, 600.0, 1, 1e6
    ),
    Cause.SHORTED_INPUTS: Effect(
        "the leads of two contacts touch", "share of the time", 0.2, 0.6, 1.0, 0, 1
    ),
    Cause.SWAPPED_PLUGS: Effect(
        "two contacts are plugged into each other's inputs; less than 1: for the last part of the run",
        "share of the time", 0.3, 1.0, 1.0, 0, 1,
    ),
    Cause.WEAK_MAGNET: Effect(
        "the contact is further from the magnets than planned", "mm", 3.0, 3.6, 4.4, 0, 50
    ),
    Cause.TURNED_MAGNET: Effect(
        "the magnets are upright to the contact: two poles, two closures", "mm of distance",
        11.8, 13.0, 14.0, 3, 50,
    ),
    Cause.SIDE_LOBES: Effect(
        "magnets, contact and travel lie in one line: the field's side lobes close the contact as well",
        "mm of distance", 11.0, 10.7, 10.0, 3, 50,
    ),
    Cause.WORN_CONTACT: Effect(
        "the contact wears: it bounces longer and more often, up to so many times as much at the end",
        "times", 5.0, 15.0, 50.0, 1, 1000,
    ),
    Cause.WINDOW_TOO_SHORT: Effect(
        "make_us and break_us of the input are so short, and the contact bounces for 0.5 to 1 ms",
        "us", 100.0, 60.0, 35.0, 1, 65535,
    ),
    Cause.WINDOW_TOO_LONG: Effect(
        "make_us of the input is so long; fast trains close the contact for less",
        "us", 46000.0, 52000.0, 65000.0, 1, 65535,
    ),
    Cause.INTERFERENCE: Effect(
        "motor starts and mains hum reach all open inputs of the board, used or not",
        "us, mean of a blip", 150.0, 500.0, 1500.0, 1, 9000,
    ),
    Cause.BAD_INPUT: Effect(
        "the input reads closed by itself, for 1 to 200 ms; 'dead': reads open for good",
        "times per minute", 0.5, 3.0, 20.0, 0, 600,
    ),
    Cause.VEHICLE: Effect(
        "the magnets of the train are higher than planned", "mm", 3.0, 3.6, 4.4, 0, 50
    ),
}  # fmt: skip

#: Whom a cause concerns: which keys may name it. The first is asked for when none is there.
_PAIR = (("contacts",),)
WHOM: dict[Cause, tuple[tuple[str, ...], ...]] = {
    **dict.fromkeys(Cause, (("contact",),)),
    Cause.SHORTED_INPUTS: _PAIR,
    Cause.SWAPPED_PLUGS: _PAIR,
    Cause.INTERFERENCE: (("board",),),
    Cause.BAD_INPUT: (("contact",), ("board", "input")),
    Cause.VEHICLE: (("train",),),
}
_WHOM_KEYS = ("contact", "contacts", "board", "input", "train")
_WINDOWS = (Cause.WINDOW_TOO_SHORT, Cause.WINDOW_TOO_LONG)  # settings, which nobody changes during a run
_FITTED = (Cause.TURNED_MAGNET, Cause.SIDE_LOBES)
_ONLY = {"period_ms": Cause.INTERFERENCE, "mode": Cause.BAD_INPUT}
WORDS = ("mild", "moderate", "severe")


def _size(value: object) -> object:
    is_number = isinstance(value, int | float) and not isinstance(value, bool)
    if not is_number and value not in WORDS:
        raise PydanticCustomError("size", "expected a number, or 'mild', 'moderate' or 'severe'")
    return value


Size: TypeAlias = Annotated[float | Literal["mild", "moderate", "severe"], BeforeValidator(_size)]


class Physics(Table):
    """The magnets under the vehicles, and how contacts are built in: across the magnets, all alike."""

    diameter_mm: Positive = 4.9
    length_mm: Positive = 10.0
    remanence_t: Positive = 1.3
    distance_mm: Positive = 14.0
    operate_mt: Positive = 3.0
    release_mt: Positive = 2.0


class ScenarioFault(Table):
    """One thing that is wrong. Times are seconds of the run; without ``duration_s`` it lasts to the end."""

    cause: Annotated[Cause, Field(strict=False)]
    contact: Name | None = None
    contacts: Annotated[list[Name], Field(min_length=2, max_length=2)] | None = None
    board: Name | None = None
    input: Annotated[int, Field(ge=1)] | None = None
    train: Name | None = None
    start_s: Annotated[float, Field(ge=0, allow_inf_nan=False)] = 0.0
    duration_s: Positive | None = None
    size: Size = "moderate"
    period_ms: Annotated[float, Field(ge=10, le=1000)] | None = None
    mode: Literal["leaky", "dead"] | None = None

    @property
    def amount(self) -> float:
        """The size as a number of the cause's unit."""
        return float(getattr(EFFECTS[self.cause], self.size) if isinstance(self.size, str) else self.size)

    @property
    def whom(self) -> str:
        """What it concerns, in words."""
        if self.board is not None and self.input is not None:
            return f"input {self.input} of {self.board}"
        return (
            " and ".join(self.contacts or []) or self.contact or self.train or f"all inputs of {self.board}"
        )

    @property
    def is_dead(self) -> bool:
        return self.mode == "dead"

    def as_given(self) -> dict[str, Any]:
        return self.model_dump(mode="json", exclude_none=True)


class _Rest(Table):
    """What a scenario has beside a sheet."""

    laps: Annotated[int, Field(ge=1)] = LAPS
    seed: Annotated[int, Field(ge=0, le=2**31 - 1)] = 1
    physics: Physics = Physics()
    faults: list[ScenarioFault] = []


@dataclass(frozen=True)
class Scenario:
    """A layout with simulated magnets and contacts, and what is wrong with them."""

    sheet: Sheet
    laps: int = LAPS
    seed: int = 1
    physics: Physics = field(default_factory=Physics)
    faults: tuple[ScenarioFault, ...] = ()


class ScenarioError(TablesError):
    """A scenario file cannot be used."""


def read_scenario(path: Path) -> Scenario:
    """Reads and validates a scenario file. Raises ScenarioError with everything that is wrong with it, or
    SheetError when the sheet that it names cannot be used."""
    data = read_toml(path, ScenarioError)
    own = {key: data.pop(key) for key in Sheet.model_fields if key in data}
    named = data.pop("sheet", None)
    if named is None:
        sheet = _own_sheet(own, data, path)
    elif not isinstance(named, str) or own:
        wrong = f"sheet holds {shown(named)}; expected the name of a sheet's file in quotes"
        if isinstance(named, str):
            wrong = f"{next(iter(own))}: this comes from the sheet {named!r}; expected one of the two"
        raise ScenarioError(path, [wrong])
    else:
        sheet = read_sheet(path.parent / named)
    rest = checked(_Rest, data, path, ScenarioError)
    problems = [problem for at, fault in enumerate(rest.faults, 1) for problem in _wrong(fault, at, sheet)]
    problems += _clashes(rest.faults)
    if rest.physics.release_mt >= rest.physics.operate_mt:
        problems.append(
            f"physics.release_mt holds {rest.physics.release_mt:g}; expected less than operate_mt, "
            f"{rest.physics.operate_mt:g}"
        )
    if problems:
        raise ScenarioError(path, problems)
    return Scenario(sheet, rest.laps, rest.seed, rest.physics, tuple(rest.faults))


def _own_sheet(own: Mapping[str, Any], rest: Mapping[str, Any], path: Path) -> Sheet:
    """The sheet in the scenario's own tables. What is wrong with them and with the rest is told at once."""
    try:
        return checked_sheet(own, path, ScenarioError)
    except ScenarioError as error:
        problems = [problem.removeprefix(f"{path}: ") for problem in error.problems]
    try:
        checked(_Rest, rest, path, ScenarioError)
    except ScenarioError as error:
        problems += [problem.removeprefix(f"{path}: ") for problem in error.problems]
    raise ScenarioError(path, problems)


def _wrong(fault: ScenarioFault, at: int, sheet: Sheet) -> Iterator[str]:
    """What is right by itself and wrong for this cause, or on this sheet."""
    cause, key = fault.cause.value, f"faults[{at}]"
    given = tuple(whom for whom in _WHOM_KEYS if getattr(fault, whom) is not None)
    wanted = WHOM[fault.cause]
    if given not in wanted:
        keys = " or ".join(" and ".join(map(repr, each)) for each in wanted)
        yield f"{key}: expected {keys} for {cause!r}, {_listed(given) or 'none'} is given"
    known = {
        "contact": [contact.name for contact in sheet.contacts],
        "board": list(sheet.boards),
        "train": train_names(sheet),
    }
    for kind, names in known.items():
        asked = [getattr(fault, kind), *((fault.contacts or []) if kind == "contact" else [])]
        for name in asked:
            if name is not None and name not in names:
                yield f"{key}: there is no {kind} {name!r}; expected one of {_listed(names)}"
    if fault.contacts is not None and fault.contacts[0] == fault.contacts[1]:
        yield f"{key}.contacts holds {fault.contacts[0]!r} twice; expected two contacts"
    if fault.board in sheet.boards and fault.input is not None:
        inputs = sheet.boards[fault.board].inputs
        if fault.input > inputs:
            yield f"{key}.input holds {fault.input}; expected 1 to {inputs}"
    effect = EFFECTS[fault.cause]
    if not (effect.least <= fault.amount <= effect.most) or fault.amount == 0:
        above = f"{effect.least:g}" if effect.least else "more than 0"
        yield f"{key}.size holds {fault.amount:g}; expected {above} to {effect.most:g} ({effect.unit})"
    for name, only in _ONLY.items():
        if getattr(fault, name) is not None and fault.cause is not only:
            yield f"{key}.{name}: {cause!r} has no such key; it belongs to {only.value!r}"
    if fault.cause in _WINDOWS and (fault.start_s or fault.duration_s is not None):
        yield f"{key}: {cause!r} is a setting, for the whole run; expected neither start_s nor duration_s"


def _clashes(faults: list[ScenarioFault]) -> Iterator[str]:
    """A contact is built in in one way, and its input has one pair of windows."""
    seen: dict[tuple[object, ...], int] = {}
    for at, fault in enumerate(faults, 1):
        for causes in (_FITTED, _WINDOWS):
            if fault.cause in causes:
                other = seen.setdefault((causes, fault.contact), at)
                if other != at:
                    yield (
                        f"faults[{at}]: {fault.cause.value!r} contradicts faults[{other}], "
                        f"{faults[other - 1].cause.value!r} of the same contact; expected one of them"
                    )


def train_names(sheet: Sheet) -> list[str]:
    """The trains that run: a sheet without any gets one on each route."""
    return [train.name for train in sheet.trains or [train_on(route) for route in sheet.routes]]


def _listed(names: object) -> str:
    return ", ".join(map(repr, names)) if isinstance(names, list | tuple) else ""
