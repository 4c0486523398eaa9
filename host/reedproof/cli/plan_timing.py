"""`reedproof plan timing`: speeds, closures, delay, and where a train stops."""

from __future__ import annotations

import sys
from typing import Annotated, Any

import typer

from reedproof.analysis.plan_timing import plan_timing
from reedproof.analysis.timing import model_speed_mm_s, ratio_of
from reedproof.cli.common import JsonOption
from reedproof.cli.plan_inputs import (
    PlotOption,
    SaveOption,
    SheetOption,
    gather,
    of_unit,
    quantity,
    save_into,
    sheet_of,
    span_of,
)
from reedproof.cli.plan_words import present
from reedproof.errors import ReedproofError
from reedproof.layout import Sheet
from reedproof.plan_tables import TimingPlan
from reedproof.plan_timing_plot import timing_plot

FASTEST_MM_S = 10_000  # as `TimingPlan` has it


def _setting(text: str, key: str) -> Any:
    """A whole number where it is one; what is none is told where all values are checked."""

    def parse(told: str) -> float:
        value = of_unit(key)(told)
        return int(value) if value.is_integer() else value

    return typer.Option(help=text, parser=parse, metavar="us", show_default=False)


def timing(
    speed_mm_s: Annotated[
        Any,
        typer.Option(
            help="Speeds of the slowest and the fastest train, as in 20..500.", parser=span_of("speed_mm_s"),
            metavar="SPAN", show_default=False,
        ),
    ] = None,
    speed_km_h: Annotated[
        Any,
        typer.Option(
            help="The same in km/h of the prototype; needs a scale.", parser=span_of("speed_km_h"),
            metavar="SPAN", show_default=False,
        ),
    ] = None,
    scale: Annotated[
        str | None,
        typer.Option(
            help="Scale, such as 1:87 or H0 (NEM 010). [default: that of the sheet]", show_default=False
        ),
    ] = None,
    closure_mm: Annotated[float | None, quantity("closure_mm", "Shortest closure of a contact.")] = None,
    notch_mm: Annotated[
        float | None, quantity("notch_mm", "Opening between two closures of one magnet.", "none")
    ] = None,
    footprint_mm: Annotated[
        float | None,
        quantity(
            "footprint_mm", "From where a magnet first closes the contact to where it last opens.",
            "closures and notch",
        ),
    ] = None,
    spacing_mm: Annotated[
        float | None, quantity("spacing_mm", "Distance between two magnets of a train.", "one magnet")
    ] = None,
    make_us: Annotated[Any, _setting("So long closed counts as closed. [default: 1000]", "make_us")] = None,
    break_us: Annotated[Any, _setting("So long open counts as open. [default: 10000]", "break_us")] = None,
    sampling_us: Annotated[
        float | None, quantity("sampling_us", "How often the board looks.", "50")
    ] = None,
    operate_us: Annotated[
        float | None, quantity("operate_us", "Within this it follows its magnet.", "500")
    ] = None,
    bridge_ms: Annotated[
        float | None,
        quantity("bridge_ms", "Longest wait in the USB bridge; 1 if set so.", "16"),
    ] = None,
    host_ms: Annotated[float | None, quantity("host_ms", "Of the host.", "2")] = None,
    deceleration_mm_s2: Annotated[
        float | None,
        quantity("deceleration_mm_s2", "How trains slow down; with it, stopping is planned."),
    ] = None,
    approach_mm_s: Annotated[
        float | None,
        quantity("approach_mm_s", "Speed before the first contact.", "fastest"),
    ] = None,
    slow_mm_s: Annotated[
        float | None, quantity("slow_mm_s", "Speed after a braking contact.", "none")
    ] = None,
    braking_to_stopping_mm: Annotated[
        float | None, quantity("braking_to_stopping_mm", "From the braking to the stopping contact.")
    ] = None,
    stopping_to_signal_mm: Annotated[
        float | None, quantity("stopping_to_signal_mm", "From the stopping contact to signal or buffer.")
    ] = None,
    front_mm: Annotated[
        float | None, quantity("front_mm", "How far the train's front is ahead of its magnet.", "0")
    ] = None,
    command_ms: Annotated[
        float | None, quantity("command_ms", "From the host until the train obeys.", "100")
    ] = None,
    sheet: SheetOption = None,
    save: SaveOption = False,
    plot: PlotOption = None,
    json: JsonOption = False,
) -> None:  # fmt: skip
    """Tell at which speeds trains are counted, how late the host knows, and where they stop.

    With --sheet, closures are those of its [plan.magnet], and magnets as far apart as its trains say.

    Example: reedproof plan timing --speed-km-h 5..160 --scale H0 --closure-mm 16
    """
    one = sheet_of(sheet, save)
    ratio = ratio_of(scale) if scale is not None else None if one is None else one.layout.ratio
    slowest, fastest = _speeds(speed_mm_s, speed_km_h, ratio)
    options = {
        "slowest_mm_s": slowest, "fastest_mm_s": fastest, "closure_mm": closure_mm, "notch_mm": notch_mm,
        "footprint_mm": footprint_mm, "spacing_mm": spacing_mm, "make_us": make_us, "break_us": break_us,
        "sampling_us": sampling_us, "operate_us": operate_us, "bridge_ms": bridge_ms, "host_ms": host_ms,
        "deceleration_mm_s2": deceleration_mm_s2, "approach_mm_s": approach_mm_s, "slow_mm_s": slow_mm_s,
        "braking_to_stopping_mm": braking_to_stopping_mm, "stopping_to_signal_mm": stopping_to_signal_mm,
        "front_mm": front_mm, "command_ms": command_ms,
    }  # fmt: skip
    saved = {} if one is None else _saved(one, options)
    may_ask = not json
    if fastest is None and "fastest_mm_s" not in saved and not (may_ask and sys.stdin.isatty()):
        raise ReedproofError("--speed-mm-s is missing; give it, --speed-km-h, or a --sheet that has it")
    inputs = gather(TimingPlan, options, saved, may_ask=may_ask)
    answer = plan_timing(inputs.plan, ratio)
    save_into(sheet, "timing", inputs.plan, wanted=save)
    present(
        "Are trains counted at all their speeds?", answer, inputs, json=json, plot=plot,
        drawn=lambda: timing_plot(inputs.plan),
    )  # fmt: skip


def _speeds(
    mm_s: tuple[float, float] | None, km_h: tuple[float, float] | None, ratio: float | None
) -> tuple[float | None, float | None]:
    """In mm/s. Raises ReedproofError."""
    if mm_s is not None and km_h is not None:
        raise ReedproofError("--speed-mm-s and --speed-km-h are two ways to say the same; give one of them")
    if km_h is not None:
        if ratio is None:
            raise ReedproofError("--speed-km-h needs a scale; give --scale, such as H0 or 1:87, or a --sheet")
        mm_s = (model_speed_mm_s(km_h[0], ratio), model_speed_mm_s(km_h[1], ratio))
    if mm_s is None:
        return None, None
    option, told = ("--speed-mm-s", mm_s) if km_h is None else ("--speed-km-h", km_h)
    if mm_s[0] <= 0 or mm_s[1] > FASTEST_MM_S:
        raise ReedproofError(
            f"{option} holds {told[0]:g}..{told[1]:g}; expected more than 0 and at most {FASTEST_MM_S} mm/s"
        )
    return mm_s


def _saved(sheet: Sheet, options: dict[str, Any]) -> dict[str, Any]:
    """What the sheet says. What follows from its magnets and trains goes over what was saved from them.
    Raises ReedproofError."""
    saved = {} if sheet.plan.timing is None else sheet.plan.timing.model_dump(exclude_none=True)
    spacings = [
        train.spacing_mm for train in sheet.trains if train.magnets > 1 and train.spacing_mm is not None
    ]
    if spacings:
        saved["spacing_mm"] = min(spacings)
    planned = {contact.name: sheet.planned_closures_mm(contact) for contact in sheet.contacts}
    closures = {name: lengths for name, lengths in planned.items() if lengths}
    if options["closure_mm"] is not None:
        saved.pop("footprint_mm", None)
        return saved
    if not closures:
        return saved
    notch_mm = options["notch_mm"] if options["notch_mm"] is not None else saved.get("notch_mm")
    several = next((name for name, lengths in closures.items() if len(lengths) > 1), None)
    if several is not None and not notch_mm:
        raise ReedproofError(
            f"--notch-mm is missing; {several!r} is planned to close {len(closures[several])} times in a "
            "pass, and 'reedproof plan magnet' tells how far apart"
        )
    return saved | {
        "closure_mm": min(min(lengths) for lengths in closures.values()),
        "footprint_mm": max(
            sum(lengths) + (len(lengths) - 1) * (notch_mm or 0.0) for lengths in closures.values()
        ),
    }
