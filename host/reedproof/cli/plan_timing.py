"""`reedproof plan timing`: speeds, closures, delay, and where a train stops."""

from __future__ import annotations

import sys
from collections.abc import Iterator, Mapping
from dataclasses import replace
from typing import Annotated, Any

import typer

from reedproof.analysis.plan_timing import headline, plan_timing
from reedproof.analysis.timing import model_speed_mm_s, ratio_of
from reedproof.cli.common import JsonOption
from reedproof.cli.plan_inputs import (
    PlotOption,
    SaveOption,
    SheetOption,
    gather,
    of_unit,
    quantity,
    save_told,
    sheet_of,
    span_of,
)
from reedproof.cli.plan_words import present
from reedproof.errors import ReedproofError
from reedproof.layout import Sheet
from reedproof.plan_tables import FASTEST_MM_S, TimingPlan, footprint_least_mm
from reedproof.plan_timing_plot import timing_plot


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
        float | None, quantity("operate_us", "Within this it follows its magnet.", "1500")
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

    With --sheet, closures are the worst of its planned magnets, and magnets as far apart as its trains say,
    where its [plan.timing] does not tell another. --save writes what was told, not what followed from that.

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
    own = {} if one is None or one.plan.timing is None else one.plan.timing.model_dump(exclude_unset=True)
    told = {**own, **{key: value for key, value in options.items() if value is not None}}
    saved = own if one is None else {**_of_magnets(one, told), **_of_trains(one), **own}
    may_ask = not json
    if fastest is None and "fastest_mm_s" not in saved and not (may_ask and sys.stdin.isatty()):
        raise ReedproofError("--speed-mm-s is missing; give it, --speed-km-h, or a --sheet that has it")
    inputs = gather(TimingPlan, options, saved, may_ask=may_ask)
    answer = plan_timing(inputs.plan, ratio)
    if one is not None and "closure_mm" not in told:
        answer = replace(answer, advice=[*answer.advice, *_left_out(one)])
    saved_in = save_told(sheet if save else None, "timing", inputs, own)
    present(
        headline(inputs.plan, answer), answer, inputs, json=json, plot=plot,
        drawn=lambda: timing_plot(inputs.plan), saved_in=saved_in,
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


def _of_magnets(sheet: Sheet, told: Mapping[str, Any]) -> Mapping[str, Any]:
    """Lengths of the worst of the contacts, as far as they are worked out. ``told`` goes over them.

    Raises ReedproofError where there may be no closure, and none is told.
    """
    plans = {contact.name: sheet.planned_at(contact) for contact in sheet.contacts}
    shortest = {
        name: plan.shortest_mm for name, plan in plans.items() if plan and plan.shortest_mm is not None
    }
    if not shortest:
        return {}
    known = [plan for plan in plans.values() if plan is not None]
    notch_mm = max(plan.notch_mm or 0.0 for plan in known)
    longest_mm = max(plan.longest_mm or 0.0 for plan in known)
    worst = min(shortest, key=lambda name: shortest[name])
    closure_mm = told.get("closure_mm", shortest[worst])
    if not closure_mm:
        raise ReedproofError(
            f"--closure-mm is missing; as planned, a magnet may pass {worst!r} without closing it, and "
            "'reedproof plan magnet' tells what to change"
        )
    # Lengths of different contacts, or told ones, need not go together as those of one pass do.
    least_mm = footprint_least_mm(closure_mm, told.get("notch_mm", notch_mm))
    return {"closure_mm": closure_mm, "notch_mm": notch_mm, "footprint_mm": max(longest_mm, least_mm)}


def _of_trains(sheet: Sheet) -> Mapping[str, Any]:
    spacings = [
        train.spacing_mm for train in sheet.trains if train.magnets > 1 and train.spacing_mm is not None
    ]
    return {"spacing_mm": min(spacings)} if spacings else {}


def _left_out(sheet: Sheet) -> Iterator[str]:
    plans = {contact.name: sheet.planned_at(contact) for contact in sheet.contacts}
    unknown = [name for name, plan in plans.items() if plan is not None and plan.shortest_mm is None]
    if unknown:
        yield (
            "contacts whose closures are not worked out are left out; work each out with 'reedproof plan "
            f"magnet --contact NAME --save': {', '.join(unknown)}"
        )
