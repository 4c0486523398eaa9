"""`reedproof plan magnet`: what a magnet does to a contact."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from typing import Annotated, Any

import typer

from reedproof.analysis.answer import Answer
from reedproof.analysis.magnetics import AnyMagnet, Block, Magnet
from reedproof.analysis.plan_magnet import USUAL, headline, lengths_of, plan_magnet
from reedproof.cli.common import JsonOption
from reedproof.cli.plan_inputs import (
    PlotOption,
    SaveOption,
    SheetOption,
    gather,
    option_of,
    quantity,
    sheet_of,
)
from reedproof.cli.plan_words import present
from reedproof.errors import ReedproofError
from reedproof.layout import Contact, Sheet
from reedproof.plan_magnet_plot import field_plot
from reedproof.plan_tables import MAGNET_ANSWER, ContactPlan, MagnetPlan, at_contact
from reedproof.sheet_writer import forget_contact_answers, save_contact_plan, save_plan

SIZE_MM_MAX = 100.0


def _magnets(text: str) -> list[AnyMagnet]:
    """'4x10,5x3x10' -> a round one of 4 mm and a block of 5 x 3, both 10 mm long, of 1 T.

    Raises ReedproofError.
    """
    found: list[AnyMagnet] = []
    for size in text.split(","):
        try:
            *section_mm, length_mm = (float(side) for side in re.split("[xX]", size))
            if not all(0 < side <= SIZE_MM_MAX for side in (*section_mm, length_mm)):
                raise ValueError
            if len(section_mm) == 1:
                found.append(Magnet(section_mm[0], length_mm, 1.0))
            else:
                width_mm, height_mm = section_mm
                found.append(Block(width_mm, height_mm, length_mm, 1.0))
        except ValueError:
            raise ReedproofError(
                f"--compare {size.strip()!r}: expected sizes in mm up to {SIZE_MM_MAX:g} with commas "
                "between, DIAMETERxLENGTH such as 4x10 or WIDTHxHEIGHTxLENGTH such as 5x3x10"
            ) from None
    return found


def magnet(
    diameter_mm: Annotated[float | None, quantity("diameter_mm", "Diameter of a round magnet.")] = None,
    width_mm: Annotated[float | None, quantity("width_mm", "Width of a block, across its length.")] = None,
    height_mm: Annotated[float | None, quantity("height_mm", "Height of a block, as it lies.")] = None,
    length_mm: Annotated[float | None, quantity("length_mm", "Length, in which it is magnetised.")] = None,
    grade: Annotated[
        str | None, typer.Option(help="Its grade, N35 to N52.", metavar="GRADE", show_default=False)
    ] = None,
    remanence_t: Annotated[
        float | None, quantity("remanence_t", "Its remanence, instead of a grade.")
    ] = None,
    temperature_c: Annotated[
        float | None, quantity("temperature_c", "How warm it becomes.", "20; at most 80")
    ] = None,
    orientation: Annotated[
        str | None,
        typer.Option(
            metavar="HOW", show_default=False,
            help="across (magnet parallel to the contact, travel across both), along (all three in line), "
            "upright (magnet vertical, travel along the contact), or crosswise (magnet in the direction of "
            "travel, contact across it).",
        ),
    ] = None,
    distance_mm: Annotated[
        float | None, quantity("distance_mm", "From the magnet's middle to the contact's axis.")
    ] = None,
    gap_mm: Annotated[float | None, quantity("gap_mm", "From the magnet to the glass, instead.")] = None,
    glass_diameter_mm: Annotated[
        float | None, quantity("glass_diameter_mm", "Diameter of the glass.", "2")
    ] = None,
    spread_mm: Annotated[
        float | None, quantity("spread_mm", "Vehicles ride so much higher and lower.", "1")
    ] = None,
    offset_mm: Annotated[
        float | None, quantity("offset_mm", "The magnet passes so much to the side.", "0")
    ] = None,
    operate_mt: Annotated[float | None, quantity("operate_mt", "Field at which the contact closes.")] = None,
    release_mt: Annotated[float | None, quantity("release_mt", "Field at which it opens again.")] = None,
    operate_at: Annotated[
        float | None, quantity("operate_at", "Ampere turns of its data sheet instead; a factor of 2 rough.")
    ] = None,
    release_at: Annotated[
        float | None, quantity("release_at", "Ampere turns at which it opens again.")
    ] = None,
    steel_rail: Annotated[
        bool | None,
        typer.Option(
            "--steel-rail/--no-steel-rail", show_default=False,
            help="Steel, such as a rail, is near: warned of, not computed.",
        ),
    ] = None,
    compare: Annotated[
        str | None,
        typer.Option(
            metavar="SIZES", show_default=False,
            help="Other magnets for the table, such as 3x6,4x10,5x3x10. [default: usual ones]",
        ),
    ] = None,
    contact: Annotated[
        str | None,
        typer.Option(
            metavar="NAME", show_default=False,
            help="Only this contact of the sheet: --save writes what is different there.",
        ),
    ] = None,
    sheet: SheetOption = None,
    save: SaveOption = False,
    plot: PlotOption = None,
    json: JsonOption = False,
) -> None:  # fmt: skip
    """Tell what a passing magnet does to a contact: how many closures, how long, and at which distances.

    Lengths are in mm, or with a unit behind them (1cm). --save writes the plan with its closures, which
    'reedproof plan timing' reckons with, and 'reedproof report' and 'reedproof diagnose' compare with what
    was measured.

    Magnets are dangerous when swallowed and near implants: keep them from children and count them.

    Example: reedproof plan magnet --diameter-mm 4 --length-mm 10 --grade N42 --gap-mm 6 --orientation across
    --operate-mt 2 --release-mt 1
    """
    one = sheet_of(sheet, save)
    here = _contact(one, contact)
    options = {
        "diameter_mm": diameter_mm, "width_mm": width_mm, "height_mm": height_mm, "length_mm": length_mm,
        "grade": grade and grade.upper(), "remanence_t": remanence_t, "temperature_c": temperature_c,
        "orientation": orientation, "distance_mm": distance_mm, "gap_mm": gap_mm,
        "glass_diameter_mm": glass_diameter_mm, "spread_mm": spread_mm, "offset_mm": offset_mm,
        "operate_mt": operate_mt, "release_mt": release_mt, "operate_at": operate_at,
        "release_at": release_at, "steel_rail": steel_rail,
    }  # fmt: skip
    inputs = gather(MagnetPlan, options, _saved(one, here), may_ask=not json)
    answer = plan_magnet(inputs.plan, USUAL if compare is None else _magnets(compare))
    saved_in = ""
    if save and one is not None and sheet is not None:
        answer = _save(answer, inputs.plan, sheet, one, here)
        saved_in = f"{'[plan.magnet]' if here is None else f'the plan of {here.name!r}'} in {sheet}"
    present(
        headline(inputs.plan, answer), answer, inputs, json=json, plot=plot,
        drawn=lambda: field_plot(inputs.plan), saved_in=saved_in,
    )  # fmt: skip


def _contact(sheet: Sheet | None, name: str | None) -> Contact | None:
    """The one of that name. Raises ReedproofError."""
    if name is None:
        return None
    if sheet is None:
        raise ReedproofError(f"--contact {name}: of which sheet? expected --sheet SHEET with it")
    return sheet.contacts[sheet.place_of(name)]


def _saved(sheet: Sheet | None, here: Contact | None) -> Mapping[str, Any]:
    if sheet is None:
        return {}
    plan = sheet.plan.magnet
    if plan is not None:
        return _asked(at_contact(plan, here.plan if here else None))
    return _asked(here.plan) if here and here.plan else {}


def _asked(plan: MagnetPlan | ContactPlan) -> dict[str, Any]:
    """What is told, without the answer to it."""
    return plan.model_dump(exclude_none=True, exclude=set(MAGNET_ANSWER))


def _save(answer: Answer, plan: MagnetPlan, path: Path, sheet: Sheet, here: Contact | None) -> Answer:
    """Writes the plan with its lengths, for all contacts or for one, and adds what is left to be done."""
    lengths = {
        key: [round(mm, 2) for mm in value] if isinstance(value, list) else round(value, 2)
        for key, value in lengths_of(answer).items()
    }
    if here is not None:
        save_contact_plan(path, here.name, {**_different(plan, sheet), **lengths})
        return answer
    save_plan(path, "magnet", {**_asked(plan), **lengths})
    forget_contact_answers(path)
    own = [each.name for each in sheet.contacts if each.plan is not None and _asked(each.plan)]
    if not own:
        return answer
    again = (
        "of contacts with a plan of their own the closures are not known any more; work each out again: "
        f"{', '.join(own)}"
    )
    return replace(answer, advice=[*answer.advice, again])


def _different(plan: MagnetPlan, sheet: Sheet) -> Mapping[str, Any]:
    """What a contact has other than the plan for all. Raises ReedproofError where that is the magnet."""
    everywhere = sheet.plan.magnet
    if everywhere is None:
        raise ReedproofError(
            "--contact: the sheet has no plan for all contacts yet; save that first, without --contact"
        )
    before = _asked(everywhere)
    different = {key: value for key, value in _asked(plan).items() if value != before.get(key)}
    for key, value in different.items():
        if key not in ContactPlan.model_fields:
            raise ReedproofError(
                f"{option_of(key)} {value}: other than in the plan for all contacts, and none has a magnet "
                "of its own; save it for all of them, without --contact"
            )
    return different
