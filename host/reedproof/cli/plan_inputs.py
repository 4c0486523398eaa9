"""Where the values of a plan come from: an option, the layout sheet, a default, or a question."""

from __future__ import annotations

import re
import sys
from collections.abc import Callable, Collection, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Any, Generic, TypeVar

import typer
from pydantic import ValidationError
from pydantic.fields import FieldInfo

from reedproof import units
from reedproof.cli.common import writable_svg
from reedproof.errors import ReedproofError
from reedproof.layout import Sheet, read_sheet
from reedproof.sheet_writer import save_plan
from reedproof.tables import Table, told

SheetOption = Annotated[
    Path | None,
    typer.Option("--sheet", help="Take what no option says from this layout sheet.", show_default=False),
]
SaveOption = Annotated[
    bool, typer.Option("--save", help="Write the plan into the layout sheet that --sheet names.")
]
PlotOption = Annotated[
    Path | None,
    typer.Option("--plot", callback=writable_svg, help="Draw it into this SVG file.", show_default=False),
]

AnyPlan = TypeVar("AnyPlan", bound=Table)
Typed = TypeVar("Typed")


@dataclass(frozen=True)
class Inputs(Generic[AnyPlan]):
    """``origins``: of each key 'option', 'sheet', 'default' or 'asked'."""

    plan: AnyPlan
    origins: Mapping[str, str]

    def as_dict(self) -> dict[str, Any]:
        """For JSON."""
        values = self.plan.model_dump(mode="json")
        return {key: {"value": values[key], "from": origin} for key, origin in self.origins.items()}


def of_unit(key: str) -> Callable[[str], float]:
    """A parser for an option: a number in the unit of ``key``, or with another such unit behind it."""
    return _parser(units.number, key)


def span_of(key: str) -> Callable[[str], tuple[float, float]]:
    """A parser for an option: one number or two as in 20..500, in the unit of ``key``."""
    return _parser(units.span, key)


def _parser(read: Callable[[str, str], Typed], key: str) -> Callable[[str], Typed]:
    def parse(text: str) -> Typed:
        try:
            return read(text, key)
        except ReedproofError as problem:
            raise typer.BadParameter(str(problem)) from None

    return parse


def quantity(key: str, text: str, default: str = "") -> Any:
    """An option that takes a number in the unit of ``key``; ``default``: what holds without it, in words."""
    return typer.Option(
        parser=of_unit(key), show_default=False,
        # Not every terminal has these characters.
        metavar=units.unit_of(key).replace("°", "").replace("²", "2") or "NUMBER",
        help=f"{text} [default: {default}]" if default else text,
    )  # fmt: skip


def sheet_of(path: Path | None, save: bool) -> Sheet | None:
    """The sheet that --sheet names. Raises ReedproofError."""
    if path is None and save:
        raise ReedproofError("--save: into which sheet? expected --sheet SHEET with it")
    return None if path is None else read_sheet(path)


def save_told(path: Path | None, name: str, inputs: Inputs[AnyPlan], own: Collection[str]) -> str:
    """What --save does: what was told, by options, answers and ``own``, the keys that the sheet's table
    [plan.``name``] has already, becomes that table; what follows from the rest of the sheet may change, and
    defaults too. Returns where it is now, for the screen; '' without a sheet to save into."""
    if path is None:
        return ""
    told = {key for key, origin in inputs.origins.items() if origin in ("option", "asked")} | set(own)
    save_plan(path, name, inputs.plan.model_dump(mode="json", include=told, exclude_none=True))
    return f"[plan.{name}] in {path}"


def option_of(key: str) -> str:
    return f"--{key.replace('_', '-')}"


def gather(
    model: type[AnyPlan], options: Mapping[str, Any], sheet: Mapping[str, Any] | None, *, may_ask: bool
) -> Inputs[AnyPlan]:
    """The complete plan. An option goes over the sheet, over alternatives to it there too, the sheet over the
    default; what is still missing is asked for on a terminal. None in ``options`` and ``sheet``: not told.

    Raises ReedproofError that names the option, the value and what was expected.
    """
    values: dict[str, Any] = {}
    origins: dict[str, str] = {}
    chosen = {key: value for key, value in options.items() if value is not None}
    aside = model.set_aside(chosen)
    saved = {key: value for key, value in (sheet or {}).items() if value is not None and key not in aside}
    needed = _needed(model, {*chosen, *saved})
    for key, field in model.model_fields.items():
        for origin, given in (("option", chosen), ("sheet", saved)):
            if key in given:
                values[key], origins[key] = given[key], origin
                break
        else:
            if key not in needed:
                origins[key] = "default"
            elif may_ask and sys.stdin.isatty():
                values[key], origins[key] = _asked(key, field), "asked"
    try:
        return Inputs(model.model_validate(values), origins)
    except ValidationError as problem:
        raise ReedproofError(_problem(model, problem.errors()[0])) from None


def _needed(model: type[Table], there: Collection[str]) -> set[str]:
    """The keys that have to be told: of alternatives those of the one that was begun, else of the first."""
    needed = {key for key, field in model.model_fields.items() if field.is_required()}
    for group in model.alternatives:
        begun = [each for each in group if not set(each).isdisjoint(there)]
        if len(begun) < 2:  # else they contradict each other, and nothing that is asked would help
            needed |= set((begun or group)[0])
    return needed


def _asked(key: str, field: FieldInfo) -> Any:
    unit = units.unit_of(key)
    text = typer.prompt(f"{field.description}{f' in {unit}' if unit else ''}", err=True)
    return units.number(text, key) if field.annotation in (float, float | None) else text


def _problem(model: type[Table], error: Any) -> str:
    """In the user's words, with options in place of keys."""
    if error["type"] == "missing":
        return f"{option_of(str(error['loc'][0]))} is missing; give it, or a --sheet that has it"
    keys = "|".join(sorted(model.model_fields, key=len, reverse=True))
    return re.sub(rf"\b({keys})\b", lambda found: option_of(found[0]), told(error))
