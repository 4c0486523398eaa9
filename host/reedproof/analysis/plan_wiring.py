"""Whether an input sees its contact through the cable, what the contact switches, and which parts help."""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterator, Sequence
from dataclasses import asdict, dataclass

from reedproof.analysis.answer import Answer, Check, Result
from reedproof.analysis.wiring import (
    coupled_v,
    current_ma,
    divider_v,
    e12_values,
    induced_v,
    parallel_ohm,
    pulled_up_v,
    tau_us,
    time_to_us,
    wave_impedance_ohm,
)
from reedproof.plan_tables import VIH_SHARE, VIL_SHARE, WiringPlan
from reedproof.units import with_unit

#: What the boards do: an input is looked at every so often, and the self-test gives it so long to rise.
SAMPLE_US = 50.0
SELFTEST_RISE_US = 1000.0
UNPROTECTED_M = 50.0  # longer cables want one of the series resistors
SERIES_OHM = (10.0, 500.0)
FILTER_NF = (1.0, 100.0)
EXTRA_PULL_UPS_OHM = (10_000.0, 4700.0, 2200.0, 1000.0)  # of E12, each about half of the one before
MARGIN_WANTED = 2.0  # of parts that are chosen

ELESA = "Elesa, data sheet of magnetic sensors"
CHIP = "ATmega328P data sheet, from memory"
RC = "R C circuit, textbook"

PLUG_ORDER = (
    "supply and USB off",
    "plugs on: three-way ones, signal and ground outside and the middle left empty, cannot be reversed into "
    "the supply",
    "ohmmeter: no short between supply and ground",
    "supply and USB on",
    "a magnet over each contact: the lamp of the board lights",
)


@dataclass(frozen=True)
class Parts:
    """What is soldered in; 0 is none."""

    series_ohm: float
    filter_nf: float
    extra_pull_up_ohm: float

    @property
    def text(self) -> str:
        series = f"{with_unit(self.series_ohm, 'series_ohm')} in series at the contact"
        capacitor = f"{with_unit(self.filter_nf, 'filter_nf')} from input to ground"
        pull_up = f"{with_unit(self.extra_pull_up_ohm, 'pull_up_ohm')} from input to supply"
        return "; ".join((
            series if self.series_ohm else "no series resistor",
            capacitor if self.filter_nf else "no filter capacitor",
            pull_up if self.extra_pull_up_ohm else "no pull-up but the board's own",
        ))  # fmt: skip


@dataclass(frozen=True)
class Circuit:
    """The input circuit, at the worst of every range."""

    asked: WiringPlan
    parts: Parts

    @property
    def vil_v(self) -> float:
        return self.asked.thresholds_v[0]

    @property
    def vih_v(self) -> float:
        return self.asked.thresholds_v[1]

    @property
    def capacitance_nf(self) -> float:
        return self.asked.cable_m * self.asked.cable_pf_m / 1000 + self.parts.filter_nf

    @property
    def pull_up_ohm(self) -> tuple[float, float]:
        extra = [self.parts.extra_pull_up_ohm] if self.parts.extra_pull_up_ohm else []
        low, high = self.asked.pull_up_ohm
        return parallel_ohm([low, *extra]), parallel_ohm([high, *extra])

    @property
    def contact_ohm(self) -> float:
        """What is there at the contact."""
        return self.parts.series_ohm + self.asked.contact_mohm / 1000

    @property
    def ground_ohm(self) -> float:
        """From the input to ground while the contact is closed."""
        return self.contact_ohm + self.asked.cable_m * self.asked.cable_ohm_m

    @property
    def closed_v(self) -> tuple[float, float]:
        """With the weakest pull-up and with the strongest one."""
        low, high = self.pull_up_ohm
        supply_v = self.asked.supply_v
        return divider_v(supply_v, high, self.ground_ohm), divider_v(supply_v, low, self.ground_ohm)

    @property
    def open_v(self) -> float:
        return max(0.0, pulled_up_v(self.asked.supply_v, self.pull_up_ohm[1], self.asked.leakage_ua))

    @property
    def tau_us(self) -> tuple[float, float]:
        low, high = self.pull_up_ohm
        return tau_us(low, self.capacitance_nf), tau_us(high, self.capacitance_nf)

    @property
    def rise_us(self) -> float:
        """From a contact that opens to an input that reads high; infinite if it never does."""
        return self._until_high_us(self.closed_v[0], self.tau_us[1])

    @property
    def rise_from_zero_us(self) -> float:
        return self._until_high_us(0.0, self.tau_us[1])

    def _until_high_us(self, from_v: float, tau_us: float) -> float:
        return time_to_us(tau_us, from_v, self.open_v, self.vih_v) if self.noise_v > 0 else math.inf

    @property
    def fall_us(self) -> float:
        """From a contact that closes to an input that reads low; infinite if it never does."""
        closed_v = self.closed_v[1]
        tau = tau_us(parallel_ohm([self.ground_ohm, self.pull_up_ohm[0]]), self.capacitance_nf)
        return time_to_us(tau, self.asked.supply_v, closed_v, self.vil_v)

    @property
    def inrush_ohm(self) -> float:
        """What limits the first current: the cable gives its charge as a wave, until a filter behind it
        answers through the cable's resistance; the lesser of the two counts."""
        behind = wave_impedance_ohm(self.asked.cable_pf_m)
        if self.parts.filter_nf:
            behind = min(behind, self.ground_ohm - self.contact_ohm)
        return self.contact_ohm + behind

    @property
    def inrush_ma(self) -> float:
        return current_ma(self.asked.supply_v, self.inrush_ohm)

    @property
    def inrush_tau_us(self) -> float:
        """With which the discharge ends; a filter empties through all of the cable."""
        return tau_us(self.ground_ohm if self.parts.filter_nf else self.inrush_ohm, self.capacitance_nf)

    @property
    def closed_ma(self) -> tuple[float, float]:
        low, high = self.pull_up_ohm
        supply_v = self.asked.supply_v
        return current_ma(supply_v, high + self.ground_ohm), current_ma(supply_v, low + self.ground_ohm)

    @property
    def parallel_m(self) -> float:
        return self.asked.cable_m if self.asked.parallel_m is None else self.asked.parallel_m

    @property
    def injected_v(self) -> float:
        return coupled_v(self.asked.step_v, self._coupling_pf, self.capacitance_nf)

    @property
    def injected_us(self) -> float:
        """For how long a step holds an open input below what reads high for certain."""
        tau = tau_us(self.pull_up_ohm[1], self.capacitance_nf + self._coupling_pf / 1000)
        return self._until_high_us(self.open_v - self.injected_v, tau)

    @property
    def _coupling_pf(self) -> float:
        return self.parallel_m * self.asked.coupling_pf_m

    @property
    def noise_v(self) -> float:
        """By how much an open input may be pulled down."""
        return self.open_v - self.vih_v

    @property
    def parallel_max_m(self) -> float:
        """How far a motor lead may run beside the cable."""
        most_pf = self.capacitance_nf * 1000 * self.noise_v / (self.asked.step_v - self.noise_v)
        return most_pf / self.asked.coupling_pf_m


def plan_wiring(asked: WiringPlan) -> Answer:
    """The circuit at the worst of every range, with the parts that are given or chosen."""
    free = asked.model_copy(update={"series_ohm": None, "filter_nf": None, "extra_pull_up_ohm": None})
    parts = choose_parts(asked)
    recommended = parts if asked == free else choose_parts(free)
    circuit = Circuit(asked, parts)
    checks = [*_checks_of_parts(circuit), *_other_checks(circuit)]
    return Answer(
        _results(circuit, recommended),
        checks,
        advice=[] if all(check.is_kept for check in checks) else _advice(free, parts, recommended),
        assumptions=_assumptions(circuit),
        cautions=(
            "a short between supply and ground destroys a board and heats its cable: power off before "
            "plugging and soldering, and fuse or limit the supply",
            "solder in fresh air, keep the iron in its stand, and wash your hands after leaded solder "
            "(common practice, no source)",
            "mains only inside a closed, approved adaptor; a toy has no more than 24 V (Directive "
            "2009/48/EC); local codes and licensed practice come first",
        ),
    )  # fmt: skip


def headline(answer: Answer) -> str:
    """The answer in a line."""
    kept = "Every margin is kept" if answer.is_good else "NOT every margin is kept"
    parts = next(result.text for result in answer.results if result.key == "parts")
    return f"{kept} with {parts}"


def choose_parts(asked: WiringPlan) -> Parts:
    """The parts that are not given: the first that keep every limit twofold, else those that come nearest."""
    nearest, nearest_margins = Parts(0.0, 0.0, 0.0), [-math.inf]
    for parts in _candidates(asked):
        checks = _checks_of_parts(Circuit(asked, parts))
        # The worst one first. What is beyond the margin that is wanted counts for nothing, and a tenth of it
        # is not worth a part.
        margins = sorted(round(min(_margin(check), MARGIN_WANTED), 1) for check in checks)
        if margins[0] == MARGIN_WANTED:
            return parts
        if margins > nearest_margins:
            nearest, nearest_margins = parts, margins
    return nearest


def _candidates(asked: WiringPlan) -> Iterator[Parts]:
    """The board's own pull-up before a resistor, the most in series, the smallest capacitor."""
    series = [asked.series_ohm] if asked.series_ohm is not None else reversed(e12_values(*SERIES_OHM))
    filters = [asked.filter_nf] if asked.filter_nf is not None else [0.0, *e12_values(*FILTER_NF)]
    pull_ups = [0.0, *EXTRA_PULL_UPS_OHM]
    if asked.extra_pull_up_ohm is not None:
        pull_ups = [asked.extra_pull_up_ohm]
    for pull_up, resistor, capacitor in itertools.product(pull_ups, series, filters):
        yield Parts(resistor, capacitor, pull_up)


def _margin(check: Check) -> float:
    if check.margin is None:
        return math.inf if check.is_kept else 0.0
    return check.margin


# ---- margins ----


def _checks_of_parts(circuit: Circuit) -> list[Check]:
    asked, parts = circuit.asked, circuit.parts
    least_ohm = max(
        1000 * asked.supply_v / asked.contact_ma, asked.supply_v**2 / asked.contact_w, SERIES_OHM[0]
    )
    resistor = f"put {with_unit(least_ohm, 'least_ohm')} or more in series at the contact"
    checks = [
        Check(
            "closed_v", "input when closed", circuit.closed_v[1], circuit.vil_v,
            "take a smaller series resistor, a weaker pull-up or a thicker cable", is_upper=True,
        ),
        Check(
            "leakage_v", "lost by leakage when open",
            asked.supply_v - circuit.open_v, asked.supply_v - circuit.vih_v,
            "take a stronger pull-up, or insulate and dry what leaks", is_upper=True,
        ),
        Check(
            "inrush_ma", "current as it closes", circuit.inrush_ma, asked.contact_ma, resistor,
            is_upper=True,
        ),
        Check(
            "inrush_w", "power as it closes", asked.supply_v * circuit.inrush_ma / 1000,
            asked.contact_w, resistor, is_upper=True,
        ),
    ]  # fmt: skip
    if asked.cable_m > UNPROTECTED_M:
        checks.append(
            Check(
                "series_ohm", "resistor of a long cable", parts.series_ohm,
                SERIES_OHM[0], f"put {SERIES_OHM[0]:g} to {SERIES_OHM[1]:g} Ohm or a choke in series",
            )
        )  # fmt: skip
    if circuit.noise_v > 0:
        faster = "take a smaller filter capacitor or a stronger pull-up"
        checks += [
            Check(
                "rise_us", "rise after opening", circuit.rise_us, asked.break_us,
                f"{faster}, or set a longer break_us", is_upper=True,
            ),
            Check(
                "rise_from_zero_us", "rise in the self-test",
                circuit.rise_from_zero_us, SELFTEST_RISE_US, faster, is_upper=True,
            ),
            Check(
                "injected_v", "put in by a motor lead", circuit.injected_v, circuit.noise_v,
                _apart(circuit), is_upper=True,
            ),
        ]  # fmt: skip
    return checks


def _apart(circuit: Circuit) -> str:
    if circuit.injected_v <= circuit.noise_v:
        return "lead it apart, or take a bigger filter capacitor"
    return (
        f"lead it apart, beside no more than {with_unit(circuit.parallel_max_m, 'parallel_m')} of the cable, "
        "or take a bigger filter capacitor"
    )


def _other_checks(circuit: Circuit) -> list[Check]:
    asked = circuit.asked
    checks = [
        Check(
            "supply_v", "supply", asked.supply_v, asked.contact_v,
            "take a contact of a higher rating", is_upper=True,
        )
    ]  # fmt: skip
    if asked.motor_a_us is not None:
        checks.append(
            Check(
                "induced_v", "induced by a motor",
                induced_v(asked.mutual_uh_m, circuit.parallel_m, asked.motor_a_us), circuit.noise_v,
                "twist the two conductors of the cable, lead it apart, or suppress the motor", is_upper=True,
            )
        )  # fmt: skip
    return checks


# ---- results ----


def _results(circuit: Circuit, recommended: Parts) -> list[Result]:
    asked, parts = circuit.asked, circuit.parts
    return [
        Result("parts", "parts", asdict(parts), text=parts.text),
        Result(
            "recommended", "recommended", asdict(recommended),
            f"of E12 the most in series within {SERIES_OHM[0]:g} to {SERIES_OHM[1]:g} Ohm and the smallest "
            "filter, a pull-up only where these are not enough, so that each limit is kept "
            f"about {MARGIN_WANTED:g} times, or as well as they can be", f"IEC 60063; {ELESA}",
            "these" if parts == recommended else recommended.text,
        ),
        Result(
            "closed_v", "input with the contact closed", circuit.closed_v[1],
            "supply R / (pull-up + R); R is series resistor, contact and cable", "Kirchhoff",
            f"at most {with_unit(circuit.closed_v[1], 'closed_v')}; low for certain below "
            f"{with_unit(circuit.vil_v, 'vil_v')}",
        ),
        Result(
            "open_v", "input with the contact open", circuit.open_v, "supply - pull-up x leakage", "Ohm",
            f"at least {with_unit(circuit.open_v, 'open_v')}; high for certain above "
            f"{with_unit(circuit.vih_v, 'vih_v')}",
        ),
        Result("capacitance_nf", "capacitance C", circuit.capacitance_nf, "cable + filter"),
        Result(
            "tau_us", "time constant tau of the rise", list(circuit.tau_us), "pull-up x C", RC,
            _span(circuit.tau_us, "tau_us"),
        ),
        Result(
            "rise_us", "opening seen later by", _finite(circuit.rise_us),
            "tau ln((open - closed) / (open - VIH)); at most break_us, chosen here", RC,
            f"at most {_time(circuit.rise_us)}; the board looks every {SAMPLE_US:g} us",
        ),
        Result(
            "fall_us", "closing seen later by", _finite(circuit.fall_us),
            "(R || pull-up) C ln((supply - closed) / (VIL - closed))", RC,
            f"at most {_time(circuit.fall_us)}",
        ),
        Result(
            "inrush_ma", "current as the contact closes", circuit.inrush_ma,
            "supply / (resistor + contact + the cable's wave impedance, or with a filter its resistance if "
            "that is less)", "Ohm; welds contacts: Hamlin, reed switch glossary",
            f"at most {with_unit(circuit.inrush_ma, 'inrush_ma')}, falling with a time constant of "
            f"{with_unit(circuit.inrush_tau_us, 'inrush_tau_us')}",
        ),
        Result(
            "closed_ma", "current while it is closed", list(circuit.closed_ma), "supply / (pull-up + R)",
            "Ohm", _span(circuit.closed_ma, "closed_ma"),
        ),
        Result(
            "injected_v", "put in by a motor lead", circuit.injected_v, "step x Cc / (Cc + C)",
            "capacitive divider",
            f"{with_unit(circuit.injected_v, 'injected_v')} by a step of {with_unit(asked.step_v, 'step_v')} "
            f"beside {with_unit(circuit.parallel_m, 'parallel_m')} of the cable",
        ),
        Result(
            "injected_us", "low after that for", _finite(circuit.injected_us),
            "pull-up x (Cc + C) ln(injected / (open - VIH))", RC, _injected(circuit),
        ),
        Result("plug_order", "plug in this order", list(PLUG_ORDER), text=_numbered(PLUG_ORDER)),
    ]  # fmt: skip


def _span(values: tuple[float, float], key: str) -> str:
    return f"{with_unit(values[0], '')} to {with_unit(values[1], key)}"


def _finite(time_us: float) -> float | None:
    return time_us if math.isfinite(time_us) else None


def _time(time_us: float) -> str:
    return with_unit(time_us, "time_us") if math.isfinite(time_us) else "for ever"


def _injected(circuit: Circuit) -> str:
    time_us, make_us = circuit.injected_us, circuit.asked.make_us
    if time_us == 0:
        return "0 us: the open input stays high"
    if time_us < make_us:
        return f"{_time(time_us)}, shorter than make_us: a blip, if brushes did not spark again meanwhile"
    return f"{_time(time_us)}, longer than make_us: a closure that is none"


def _numbered(steps: Sequence[str]) -> str:
    return "; ".join(f"{number} {step}" for number, step in enumerate(steps, start=1))


# ---- words ----


def _advice(free: WiringPlan, parts: Parts, recommended: Parts) -> list[str]:
    """Where a limit is not kept."""
    best = Circuit(free, recommended)
    keeps_all = all(check.is_kept for check in (*_checks_of_parts(best), *_other_checks(best)))
    if keeps_all and parts != recommended:
        return [f"solder in {recommended.text}: then every limit is kept"]
    if keeps_all:
        return []
    if all(check.is_kept for check in _checks_of_parts(best)):
        return []  # it is nothing that parts cure, and its margin says what to do
    return [
        "no parts of the E12 series keep every limit: shorten the cable, or lead it apart from motor leads"
    ]


def _assumptions(circuit: Circuit) -> list[str]:
    asked, parts = circuit.asked, circuit.parts
    wrong_ma = current_ma(asked.supply_v, circuit.contact_ohm)
    told = [
        f"the board's pull-up is 20 to 50 kOhm, VIL {VIL_SHARE:g} and VIH {VIH_SHARE:g} of the supply, a pin "
        f"leaks 1 uA at most ({CHIP}), unless told otherwise",
        "a cable has 100 pF/m, a motor lead in the same bundle 50 pF/m to it (assumed, common practice, no "
        "source); 0.25 Ohm/m there and back is copper of 0.14 mm2 (IEC 60028, from memory)",
        "the contact bears 500 mA, 100 V, 10 W (OKI ORD228VL data sheet, an example) and has 150 mOhm at "
        "most (Comus RI-02 data sheet)",
        "the resistor is at the contact: at the board it would limit the filter alone, not the cable"
        + (
            f"; a contact that a wrong plug puts across the supply draws {with_unit(wrong_ma, 'wrong_ma')}"
            if parts.series_ohm
            else ""
        ),
        "parts are of their nominal values; no motor current flows in the ground lead of the contacts; a "
        "coil without suppression makes steps far above 12 V: try '--step-v 100'",
        "whether a reed contact needs a least current (wetting current) is not proved; weak sources say 1 to "
        "50 mA",
        "until the firmware runs the chip's pull-ups are off and inputs float: nothing is to act on them at "
        f"power-on ({CHIP}); order of plugging and three-way plug are common practice, no source",
    ]
    if asked.cable_m > UNPROTECTED_M:
        told.append(f"above {UNPROTECTED_M:g} m a cable needs protection, 10 to 500 Ohm or a choke ({ELESA})")
    if parts.extra_pull_up_ohm:
        told.append(
            "a pull-up of your own holds the input high in the board's self-test, which then cannot look for "
            "shorts to other inputs and says so"
        )
    if parts.filter_nf:
        told.append("an open input with a filter keeps its charge: the self-test may report it as held high")
    return told
