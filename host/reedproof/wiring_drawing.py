"""The input circuit of a contact with the values of a plan, its levels and notes, as an SVG file."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any, TypeAlias

import numpy as np

from reedproof.analysis.answer import Check
from reedproof.analysis.plan_wiring import PLUG_ORDER, Circuit, Parts, choose_parts
from reedproof.analysis.wiring import tau_us
from reedproof.plan_tables import WiringPlan
from reedproof.plots import CLOSED, WINDOW, house_style, svg
from reedproof.units import with_unit

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from schemdraw.elements import Element, Element2Term

Point: TypeAlias = tuple[float, float]

NOTE_COLUMNS = 56  # characters in a line of the notes
PALE = "#7d8389"  # what nobody solders in: what a cable has, and the motor's lead
TAUS = 3.0  # of the slowest rise are drawn
BEFORE = 0.15  # as much again before the contact opens

#: Heights; the conductor of the input is at 0.
MOTOR_Y, SUPPLY_Y, GROUND_Y, TOP_Y, BOTTOM_Y = 2.3, 2.3, -2.8, 3.4, -3.9
#: From the chip to the contact.
BOARD_X, PULL_UP_X, SECOND_X, PLUG_X, CABLE_X, CABLE_END_X, CONTACT_X = -1.6, 0.9, 3.7, 6.3, 9.0, 11.3, 14.3


class _Sketch:
    """A circuit on axes, with symbols as in IEC 60617."""

    def __init__(self, axes: Axes) -> None:
        import schemdraw
        from schemdraw import elements

        #: Untyped in part, for mypy.
        self.symbols: Any = elements
        self.axes = axes
        self.drawing = schemdraw.Drawing(canvas=axes, show=False)
        self.drawing.config(lw=1.2)

    def between(self, symbol: Element2Term, start: Point, end: Point, color: str = CLOSED) -> None:
        self.drawing.add(symbol.endpoints(start, end).color(color))

    def at(self, symbol: Element, point: Point, color: str = CLOSED) -> None:
        self.drawing.add(symbol.at(point).color(color))

    def text(self, x: float, y: float, said: str, across: str = "left", color: str = CLOSED) -> None:
        self.axes.text(x, y, said, ha=across, va="center", color=color, fontsize=8.5)


def wiring_drawing(asked: WiringPlan, checks: Sequence[Check]) -> str:
    """An SVG document of a plan and the checks of its answer."""
    from matplotlib.figure import Figure

    circuit = Circuit(asked, choose_parts(asked))
    with house_style():
        figure = Figure(figsize=(9.5, 7.4), layout="constrained")
        grid = figure.add_gridspec(2, 2, height_ratios=(1.2, 1))
        _draw_circuit(figure.add_subplot(grid[0, :]), circuit)
        _draw_levels(figure.add_subplot(grid[1, 0]), circuit)
        _write_notes(figure.add_subplot(grid[1, 1]), circuit.parts, checks)
        return svg(figure, "reedproof plan wiring")


def _draw_circuit(axes: Axes, circuit: Circuit) -> None:
    asked, parts = circuit.asked, circuit.parts
    sketch = _Sketch(axes)
    axes.set_title(f"Input circuit of a contact {asked.cable_m:g} m from its board", loc="left")
    axes.fill_between((BOARD_X, PLUG_X), BOTTOM_Y, TOP_Y, color=WINDOW, alpha=0.25, linewidth=0)
    sketch.text(BOARD_X + 0.2, BOTTOM_Y + 0.3, "board")
    # The chip is open to the left: there is more of it.
    for start, end in (((-1.3, 0.5), (0.0, 0.5)), ((0.0, 0.5), (0.0, -0.5)), ((0.0, -0.5), (-1.3, -0.5))):
        sketch.between(sketch.symbols.Line(), start, end)
    sketch.text(-0.2, 0.0, "input", "right")
    for y, from_x in ((0.0, 0.0), (GROUND_Y, PULL_UP_X)):
        sketch.between(sketch.symbols.Line(), (from_x, y), (CONTACT_X if y else CABLE_END_X, y))
    sketch.at(sketch.symbols.Ground(), (PULL_UP_X, GROUND_Y))

    pull_ups = [(PULL_UP_X, f"pull-up\nof the chip\n{_kohm(asked.pull_up_ohm)}")]
    if parts.extra_pull_up_ohm:
        pull_ups.append((SECOND_X, f"pull-up\n{_kohm([parts.extra_pull_up_ohm])}"))
    for x, said in pull_ups:
        sketch.between(sketch.symbols.ResistorIEC(), (x, 0.0), (x, SUPPLY_Y))
        sketch.at(sketch.symbols.Vdd(), (x, SUPPLY_Y))
        sketch.at(sketch.symbols.Dot(), (x, 0.0))
        sketch.text(x, SUPPLY_Y + 0.8, with_unit(asked.supply_v, "supply_v"), "center")
        sketch.text(x + 0.4, SUPPLY_Y / 2, said)
    if parts.filter_nf:
        sketch.between(sketch.symbols.Capacitor(), (SECOND_X, 0.0), (SECOND_X, GROUND_Y))
        for y in (0.0, GROUND_Y):
            sketch.at(sketch.symbols.Dot(), (SECOND_X, y))
        sketch.text(SECOND_X + 0.5, GROUND_Y / 2, f"filter\n{with_unit(parts.filter_nf, 'filter_nf')}")

    for y in (0.0, GROUND_Y):
        sketch.at(sketch.symbols.Dot(open=True), (PLUG_X, y))
    sketch.at(sketch.symbols.Dot(open=True), (PLUG_X, GROUND_Y / 2), PALE)
    sketch.text(PLUG_X + 0.25, GROUND_Y / 2, "plug, middle\nleft empty")
    _draw_cable(sketch, circuit)

    if parts.series_ohm:
        sketch.between(sketch.symbols.ResistorIEC(), (CABLE_END_X, 0.0), (CONTACT_X, 0.0))
        series = with_unit(parts.series_ohm, "series_ohm")
        sketch.text((CABLE_END_X + CONTACT_X) / 2, 0.6, f"{series}, at the contact", "center")
    else:
        sketch.between(sketch.symbols.Line(), (CABLE_END_X, 0.0), (CONTACT_X, 0.0))
    sketch.between(sketch.symbols.SwitchReed(), (CONTACT_X, 0.0), (CONTACT_X, GROUND_Y))
    current = with_unit(circuit.inrush_ma, "inrush_ma")
    sketch.text(CONTACT_X + 0.6, GROUND_Y / 2, f"contact,\n{current} as\nit closes")
    sketch.drawing.draw(show=False)
    axes.set_axis_off()
    axes.set_aspect("equal")
    axes.set_xlim(BOARD_X - 0.1, CONTACT_X + 3.0)
    axes.set_ylim(BOTTOM_Y - 0.1, TOP_Y + 0.1)


def _draw_cable(sketch: _Sketch, circuit: Circuit) -> None:
    asked = circuit.asked
    sketch.between(sketch.symbols.Capacitor(), (CABLE_X, 0.0), (CABLE_X, GROUND_Y), PALE)
    nanofarads = asked.cable_m * asked.cable_pf_m / 1000
    ohms = asked.cable_m * asked.cable_ohm_m
    sketch.text(
        CABLE_X + 0.5, GROUND_Y / 2,
        f"cable {asked.cable_m:g} m\n{with_unit(nanofarads, 'cable_nf')}, {with_unit(ohms, 'cable_ohm')}",
        color=PALE,
    )  # fmt: skip
    if circuit.parallel_m:
        sketch.between(sketch.symbols.Line(), (PLUG_X + 0.6, MOTOR_Y), (CABLE_END_X, MOTOR_Y), PALE)
        sketch.between(sketch.symbols.Capacitor(), (CABLE_X, MOTOR_Y), (CABLE_X, 0.0), PALE)
        step, injected = with_unit(asked.step_v, "step_v"), with_unit(circuit.injected_v, "injected_v")
        sketch.text(
            CABLE_X, MOTOR_Y + 0.4, f"motor lead beside {circuit.parallel_m:g} m, steps of {step}", "center",
            PALE,
        )  # fmt: skip
        coupling = circuit.parallel_m * asked.coupling_pf_m
        sketch.text(
            CABLE_X + 0.5,
            MOTOR_Y / 2,
            f"{with_unit(coupling, 'coupling_pf')},\nputs in {injected}",
            color=PALE,
        )


def _draw_levels(axes: Axes, circuit: Circuit) -> None:
    """The input after its contact opened, with the weakest and the strongest pull-up."""
    slowest_us = circuit.tau_us[1]
    times_us = slowest_us * np.linspace(-BEFORE * TAUS, TAUS, 400)
    supply_v = circuit.asked.supply_v
    for pull_up_ohm, closed_v, dashes in zip(
        circuit.pull_up_ohm, circuit.closed_v[::-1], ("--", "-"), strict=True
    ):
        open_v = supply_v - pull_up_ohm * circuit.asked.leakage_ua / 1e6
        risen = 1 - np.exp(-np.maximum(times_us, 0) / tau_us(pull_up_ohm, circuit.capacitance_nf))
        axes.plot(
            times_us, closed_v + (open_v - closed_v) * risen, dashes, color=CLOSED, linewidth=1.2,
            label=f"with a pull-up of {_kohm([pull_up_ohm])}",
        )  # fmt: skip
    axes.axhspan(circuit.vil_v, circuit.vih_v, color=WINDOW, alpha=0.5, linewidth=0)
    last_us = times_us[-1]
    for level_v, said, below in (
        (circuit.vih_v, "VIH: high above", False),
        (circuit.vil_v, "VIL: low below", True),
    ):
        axes.text(
            0.98 * last_us, level_v, f"{said} {with_unit(level_v, 'level_v')}", ha="right", fontsize=8,
            va="top" if below else "bottom",
        )  # fmt: skip
    axes.set_xlim(times_us[0], last_us)
    axes.set_ylim(0, 1.08 * supply_v)
    axes.set_xlabel("us after the contact opened")
    axes.set_ylabel("input, V")
    axes.set_title("The input as the contact opens", loc="left", fontsize=9)
    axes.legend(fontsize=8, frameon=False, loc="lower right")


def _write_notes(axes: Axes, parts: Parts, checks: Sequence[Check]) -> None:
    """Two columns, so that a number stands before the lines of its step."""
    axes.set_axis_off()
    axes.set_title("Plug in this order", loc="left", fontsize=9)
    off, *others = PLUG_ORDER
    notes = [
        (f"{number}", step) for number, step in enumerate((off, f"solder: {parts.text}", *others), start=1)
    ]
    notes += [("", ""), *(("", _told(check)) for check in checks)]
    marks, lines = [], []
    for mark, note in notes:
        wrapped = textwrap.wrap(note, NOTE_COLUMNS) or [""]
        marks += [mark, *[""] * (len(wrapped) - 1)]
        lines += wrapped
    for x, column in ((0.0, marks), (0.05, lines)):
        axes.text(x, 1, "\n".join(column), va="top", fontsize=8, linespacing=1.4, transform=axes.transAxes)


def _told(check: Check) -> str:
    value = with_unit(check.value, check.key)
    return f"{'' if check.is_kept else 'NOT KEPT: '}{check.label} {value}, {check.bound}"


def _kohm(resistances_ohm: Sequence[float]) -> str:
    return f"{' to '.join(f'{ohm / 1000:.3g}' for ohm in resistances_ohm)} kOhm"
