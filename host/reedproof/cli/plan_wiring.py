"""`reedproof plan wiring`: the input circuit of a contact."""

from __future__ import annotations

from typing import Annotated, Any

import typer

from reedproof.analysis.plan_wiring import headline, plan_wiring
from reedproof.cli.common import JsonOption
from reedproof.cli.plan_inputs import (
    PlotOption,
    SaveOption,
    SheetOption,
    gather,
    quantity,
    save_told,
    sheet_of,
    span_of,
)
from reedproof.cli.plan_words import present
from reedproof.plan_tables import WiringPlan
from reedproof.wiring_drawing import wiring_drawing


def wiring(
    cable_m: Annotated[float | None, quantity("cable_m", "Length of the cable to the contact.")] = None,
    cable_pf_m: Annotated[float | None, quantity("cable_pf_m", "Capacitance of the cable.", "100")] = None,
    cable_ohm_m: Annotated[
        float | None,
        quantity("cable_ohm_m", "Resistance of the cable, there and back.", "0.25, two of 0.14 mm2"),
    ] = None,
    pull_up_ohm: Annotated[
        Any,
        typer.Option(
            parser=span_of("pull_up_ohm"), metavar="FROM..TO", show_default=False,
            help="The board's own pull-up. [default: 20000..50000]",
        ),
    ] = None,
    extra_pull_up_ohm: Annotated[
        float | None,
        quantity("extra_pull_up_ohm", "A resistor from input to supply; 0 for none.", "chosen"),
    ] = None,
    series_ohm: Annotated[
        float | None, quantity("series_ohm", "The resistor at the contact; 0 for none.", "chosen")
    ] = None,
    filter_nf: Annotated[
        float | None, quantity("filter_nf", "The capacitor from input to ground; 0 for none.", "chosen")
    ] = None,
    supply_v: Annotated[float | None, quantity("supply_v", "Supply of the board, up to 5.5 V.", "5")] = None,
    vil_v: Annotated[
        float | None, quantity("vil_v", "Below this the input is low for certain.", "0.3 of the supply")
    ] = None,
    vih_v: Annotated[
        float | None, quantity("vih_v", "Above this the input is high for certain.", "0.6 of the supply")
    ] = None,
    leakage_ua: Annotated[
        float | None, quantity("leakage_ua", "What leaks from the open input to ground.", "1")
    ] = None,
    contact_mohm: Annotated[float | None, quantity("contact_mohm", "Contact resistance.", "150")] = None,
    contact_ma: Annotated[float | None, quantity("contact_ma", "Current it may switch.", "500")] = None,
    contact_v: Annotated[float | None, quantity("contact_v", "Voltage it may switch.", "100")] = None,
    contact_w: Annotated[float | None, quantity("contact_w", "Power it may switch.", "10")] = None,
    parallel_m: Annotated[
        float | None, quantity("parallel_m", "How far a motor lead runs beside the cable.", "all of it")
    ] = None,
    coupling_pf_m: Annotated[
        float | None, quantity("coupling_pf_m", "Capacitance between the two.", "50, in one bundle")
    ] = None,
    step_v: Annotated[
        float | None, quantity("step_v", "Voltage step on the motor lead; coils make 100 and more.", "12")
    ] = None,
    motor_a_us: Annotated[
        float | None, quantity("motor_a_us", "How fast the motor's current changes, for what it induces.")
    ] = None,
    mutual_uh_m: Annotated[
        float | None, quantity("mutual_uh_m", "Mutual inductance of the two.", "0.5, in one bundle")
    ] = None,
    make_us: Annotated[float | None, quantity("make_us", "Setting of the input.", "1000")] = None,
    break_us: Annotated[float | None, quantity("break_us", "Setting of the input.", "10000")] = None,
    sheet: SheetOption = None,
    save: SaveOption = False,
    plot: PlotOption = None,
    json: JsonOption = False,
) -> None:  # fmt: skip
    """Tell whether an input sees its contact through the cable, and which parts to solder in.

    Parts that are not given are chosen from the E12 series. Power off before plugging and soldering: a short
    between supply and ground destroys a board.

    Example: reedproof plan wiring --cable-m 10 --plot wiring.svg
    """
    one = sheet_of(sheet, save)
    own = one.plan.wiring.model_dump(exclude_unset=True) if one and one.plan.wiring else {}
    options = {
        "cable_m": cable_m, "cable_pf_m": cable_pf_m, "cable_ohm_m": cable_ohm_m,
        "pull_up_ohm": None if pull_up_ohm is None else list(pull_up_ohm),
        "extra_pull_up_ohm": extra_pull_up_ohm, "series_ohm": series_ohm, "filter_nf": filter_nf,
        "supply_v": supply_v, "vil_v": vil_v, "vih_v": vih_v, "leakage_ua": leakage_ua,
        "contact_mohm": contact_mohm, "contact_ma": contact_ma, "contact_v": contact_v,
        "contact_w": contact_w, "parallel_m": parallel_m, "coupling_pf_m": coupling_pf_m, "step_v": step_v,
        "motor_a_us": motor_a_us, "mutual_uh_m": mutual_uh_m, "make_us": make_us, "break_us": break_us,
    }  # fmt: skip
    inputs = gather(WiringPlan, options, own, may_ask=not json)
    answer = plan_wiring(inputs.plan)
    saved_in = save_told(sheet if save else None, "wiring", inputs, own)
    present(
        headline(answer), answer, inputs, json=json, plot=plot,
        drawn=lambda: wiring_drawing(inputs.plan, answer.checks), saved_in=saved_in,
    )  # fmt: skip
