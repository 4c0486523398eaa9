"""What a plan is asked about: the tables of `[plan]` in a layout sheet, and the options of `reedproof plan`.

Each table is complete: what has no default has to be told. Descriptions are the questions that are asked.
"""

from __future__ import annotations

from typing import Annotated, Any, Literal, TypeAlias

from pydantic import Field, field_validator, model_validator

from reedproof.analysis.magnetics import GRADES
from reedproof.tables import Table

Orientation: TypeAlias = Literal["across", "along", "upright", "crosswise"]
Lengths: TypeAlias = list[Annotated[float, Field(gt=0, le=1000)]]
ShortestLength: TypeAlias = Annotated[float, Field(ge=0, le=1000)]
LongestLength: TypeAlias = Annotated[float, Field(ge=0, le=2000)]
PullUp: TypeAlias = Annotated[float, Field(ge=100, le=1e6)]

#: Keys of what a plan of a magnet came to, beside what it was asked.
MAGNET_ANSWER = frozenset({"closures_mm", "shortest_mm", "longest_mm", "notch_mm"})
FASTEST_MM_S = 10_000

#: Above this the magnets of `GRADES` lose strength for good (maker's table of grades, Shanghai Magnet).
TEMPERATURE_C_MAX = 80.0


class MagnetPlan(Table):
    """The magnet under a vehicle and how it passes a contact.

    The keys of `MAGNET_ANSWER` are the answer, as it was saved. ``closures_mm``: the nominal closures of a
    pass in order of travel. Of every level and over the spread, ``shortest_mm``: the shortest closure, 0 if
    there may be none; ``longest_mm``: the longest stretch from the first closing of a pass to its last
    opening; ``notch_mm``: the longest opening between, also with the field averaged over the glass.

    ``width_mm`` and ``height_mm`` are those of a block that lies, as it is seen along its length.
    ``distance_mm`` is from the magnet's middle to the contact's axis, ``gap_mm`` from its underside to the
    glass. ``spread_mm`` is how much higher and lower than that vehicles ride, ``offset_mm`` how far to the
    side. What the contact needs is known as a field in mT, or in the ampere turns of its data sheet; one that
    releases below 0.05 mT, the field of the earth (from memory), would never open.
    """

    alternatives = (
        (("diameter_mm",), ("width_mm", "height_mm")),
        (("remanence_t",), ("grade",)),
        (("distance_mm",), ("gap_mm",)),
        (("operate_mt", "release_mt"), ("operate_at", "release_at")),
    )

    diameter_mm: Annotated[float | None, Field(gt=0, le=100, description="Diameter of the magnet")] = None
    width_mm: Annotated[float | None, Field(gt=0, le=100, description="Width of the magnet")] = None
    height_mm: Annotated[float | None, Field(gt=0, le=100, description="Height of the magnet")] = None
    length_mm: Annotated[float, Field(gt=0, le=100, description="Length of the magnet along its axis")]
    remanence_t: Annotated[float | None, Field(gt=0, le=2, description="Remanence of the magnet")] = None
    grade: str | None = None
    temperature_c: Annotated[float, Field(ge=-40)] = 20.0
    orientation: Annotated[
        Orientation,
        Field(description="How the magnet lies to contact and travel (across, along, upright, crosswise)"),
    ]
    distance_mm: Annotated[
        float | None, Field(gt=0, le=200, description="Distance of the magnet's middle to the contact's axis")
    ] = None
    gap_mm: Annotated[float, Field(ge=0, le=200)] | None = None
    glass_diameter_mm: Annotated[float, Field(gt=0, le=20)] = 2.0
    spread_mm: Annotated[float, Field(ge=0, le=50)] = 1.0
    offset_mm: Annotated[float, Field(ge=0, le=100)] = 0.0
    operate_mt: Annotated[
        float | None, Field(ge=0.1, le=100, description="Field at which the contact closes")
    ] = None
    release_mt: Annotated[
        float | None, Field(ge=0.05, le=100, description="Field at which it opens again")
    ] = None
    operate_at: Annotated[
        float | None, Field(ge=2, le=500, description="Ampere turns at which the contact closes")
    ] = None
    release_at: Annotated[
        float | None, Field(ge=1, le=500, description="Ampere turns at which it opens again")
    ] = None
    steel_rail: bool = False
    closures_mm: Lengths | None = None
    shortest_mm: ShortestLength | None = None
    longest_mm: LongestLength | None = None
    notch_mm: ShortestLength | None = None

    @field_validator("grade")
    @classmethod
    def _is_known(cls, grade: str | None) -> str | None:
        if grade is not None and grade not in GRADES:
            raise ValueError(f"expected one of {', '.join(GRADES)}")
        return grade

    @field_validator("temperature_c")
    @classmethod
    def _is_not_too_hot(cls, temperature_c: float) -> float:
        if temperature_c > TEMPERATURE_C_MAX:
            raise ValueError(
                f"expected at most {TEMPERATURE_C_MAX:g}, above it these magnets lose strength for good "
                "(maker's table of grades, Shanghai Magnet)"
            )
        return temperature_c

    @model_validator(mode="after")
    def _releases_below_operate(self) -> MagnetPlan:
        for unit in ("mt", "at"):
            operate, release = getattr(self, f"operate_{unit}"), getattr(self, f"release_{unit}")
            if operate is not None and release is not None and release >= operate:
                raise ValueError(
                    f"release_{unit} holds {release:g}; expected more than 0 and less than operate_{unit}, "
                    f"which holds {operate:g}"
                )
        return self


class ContactPlan(Table):
    """What is different at one contact from the plan for all of them."""

    orientation: Orientation | None = None
    distance_mm: Annotated[float, Field(gt=0, le=200)] | None = None
    gap_mm: Annotated[float, Field(ge=0, le=200)] | None = None
    glass_diameter_mm: Annotated[float, Field(gt=0, le=20)] | None = None
    spread_mm: Annotated[float, Field(ge=0, le=50)] | None = None
    offset_mm: Annotated[float, Field(ge=0, le=100)] | None = None
    operate_mt: Annotated[float, Field(ge=0.1, le=100)] | None = None
    release_mt: Annotated[float, Field(ge=0.05, le=100)] | None = None
    operate_at: Annotated[float, Field(ge=2, le=500)] | None = None
    release_at: Annotated[float, Field(ge=1, le=500)] | None = None
    steel_rail: bool | None = None
    closures_mm: Lengths | None = None
    shortest_mm: ShortestLength | None = None
    longest_mm: LongestLength | None = None
    notch_mm: ShortestLength | None = None


def footprint_least_mm(closure_mm: float, notch_mm: float) -> float:
    """Closures are at least as long as the shortest."""
    return 2 * closure_mm + notch_mm if notch_mm else closure_mm


class TimingTable(Table):
    """Speeds of the trains, what a closure has to be long enough for, and the place where a train stops: as
    it is told in a sheet, whose planned magnets may tell the lengths.

    ``footprint_mm`` is from where a magnet first closes the contact to where it last opens; ``notch_mm`` the
    opening within. ``operate_us``: the contact follows its magnet within that, bounces included. With
    ``deceleration_mm_s2`` stopping is planned too, with ``slow_mm_s`` by two contacts.
    """

    slowest_mm_s: Annotated[float, Field(gt=0, le=FASTEST_MM_S, description="Speed of the slowest train")]
    fastest_mm_s: Annotated[float, Field(gt=0, le=FASTEST_MM_S, description="Speed of the fastest train")]
    closure_mm: Annotated[float, Field(gt=0, le=1000)] | None = None
    notch_mm: Annotated[float, Field(ge=0, le=1000)] = 0.0
    footprint_mm: Annotated[float, Field(gt=0, le=2000)] | None = None
    spacing_mm: Annotated[float, Field(gt=0, le=100000)] | None = None
    make_us: Annotated[int, Field(ge=1, le=65535)] = 1000
    break_us: Annotated[int, Field(ge=1, le=65535)] = 10000
    sampling_us: Annotated[float, Field(gt=0, le=10000)] = 50.0
    operate_us: Annotated[float, Field(ge=0, le=10000)] = 1500.0
    bridge_ms: Annotated[float, Field(ge=0, le=1000)] = 16.0
    host_ms: Annotated[float, Field(ge=0, le=10000)] = 2.0
    deceleration_mm_s2: Annotated[float, Field(gt=0, le=100000)] | None = None
    approach_mm_s: Annotated[float, Field(gt=0, le=FASTEST_MM_S)] | None = None
    slow_mm_s: Annotated[float, Field(gt=0, le=FASTEST_MM_S)] | None = None
    braking_to_stopping_mm: Annotated[float, Field(gt=0, le=100000)] | None = None
    stopping_to_signal_mm: Annotated[float, Field(gt=0, le=100000)] | None = None
    front_mm: Annotated[float, Field(ge=0, le=10000)] = 0.0
    command_ms: Annotated[float, Field(ge=0, le=10000)] = 100.0

    @property
    def footprint_whole_mm(self) -> float:
        if self.footprint_mm is not None:
            return self.footprint_mm
        return footprint_least_mm(self.closure_mm or 0.0, self.notch_mm)

    @model_validator(mode="after")
    def _goes_together(self) -> TimingTable:
        if self.slowest_mm_s > self.fastest_mm_s:
            raise ValueError(
                f"the slowest train is told to run at {self.slowest_mm_s:g} mm/s and the fastest at "
                f"{self.fastest_mm_s:g}; expected the smaller speed first"
            )
        least_mm = footprint_least_mm(self.closure_mm or 0.0, self.notch_mm)
        if self.footprint_mm is not None and self.footprint_mm < least_mm:
            what = "two closures and the notch between" if self.notch_mm else "one closure"
            raise ValueError(
                f"footprint_mm holds {self.footprint_mm:g}; expected at least {least_mm:g}, {what}"
            )
        if self.spacing_mm is not None and self.spacing_mm <= self.footprint_whole_mm:
            raise ValueError(
                f"spacing_mm holds {self.spacing_mm:g}; expected more than {self.footprint_whole_mm:g}, the "
                "footprint of one magnet: else the contact never opens between two of them"
            )
        self._stops_together()
        return self

    def _stops_together(self) -> None:
        if self.approach_mm_s is not None and self.approach_mm_s > self.fastest_mm_s:
            raise ValueError(
                f"approach_mm_s holds {self.approach_mm_s:g}; expected at most the {self.fastest_mm_s:g} "
                "mm/s of the fastest train"
            )
        if self.deceleration_mm_s2 is None:
            for key in ("approach_mm_s", "slow_mm_s", "braking_to_stopping_mm", "stopping_to_signal_mm"):
                if getattr(self, key) is not None:
                    raise ValueError(f"{key} is about stopping; give deceleration_mm_s2 with it")
        if self.slow_mm_s is None and self.braking_to_stopping_mm is not None:
            raise ValueError("braking_to_stopping_mm is about two contacts; give slow_mm_s with it")
        comes_mm_s = self.fastest_mm_s if self.approach_mm_s is None else self.approach_mm_s
        if self.slow_mm_s is not None and self.slow_mm_s >= comes_mm_s:
            raise ValueError(
                f"slow_mm_s holds {self.slow_mm_s:g}; expected less than {comes_mm_s:g}, at which the train "
                "comes"
            )


class TimingPlan(TimingTable):
    closure_mm: Annotated[float, Field(gt=0, le=1000, description="Length of the shortest closure")]


#: Of the supply, from 2.4 V up: ATmega328P data sheet, from memory. Below that the chip has other ones.
VIL_SHARE, VIH_SHARE = 0.3, 0.6


class WiringPlan(Table):
    """The cable from a contact to its input, and what disturbs it.

    Parts that are None are chosen, 0 is no such part. ``pull_up_ohm`` is that of the board, from and to;
    ``extra_pull_up_ohm`` is soldered in beside it. Without ``vil_v`` and ``vih_v`` they are 0.3 and 0.6 of
    the supply, without ``parallel_m`` a motor lead runs beside the whole cable.
    """

    cable_m: Annotated[float, Field(gt=0, le=1000, description="Length of the cable to the contact")]
    cable_pf_m: Annotated[float, Field(gt=0, le=1000)] = 100.0
    cable_ohm_m: Annotated[float, Field(ge=0, le=10)] = 0.25
    pull_up_ohm: Annotated[list[PullUp], Field(min_length=2, max_length=2)] = [20_000.0, 50_000.0]
    extra_pull_up_ohm: Annotated[float, Field(ge=0, le=1e6)] | None = None
    series_ohm: Annotated[float, Field(ge=0, le=1e6)] | None = None
    filter_nf: Annotated[float, Field(ge=0, le=1e6)] | None = None
    supply_v: Annotated[float, Field(ge=2.4, le=5.5)] = 5.0
    vil_v: Annotated[float, Field(gt=0, le=5.5)] | None = None
    vih_v: Annotated[float, Field(gt=0, le=5.5)] | None = None
    leakage_ua: Annotated[float, Field(ge=0, le=1000)] = 1.0
    contact_mohm: Annotated[float, Field(gt=0, le=1e6)] = 150.0
    contact_ma: Annotated[float, Field(gt=0, le=10_000)] = 500.0
    contact_v: Annotated[float, Field(gt=0, le=1000)] = 100.0
    contact_w: Annotated[float, Field(gt=0, le=1000)] = 10.0
    parallel_m: Annotated[float, Field(ge=0, le=1000)] | None = None
    coupling_pf_m: Annotated[float, Field(gt=0, le=1000)] = 50.0
    step_v: Annotated[float, Field(ge=0, le=1000)] = 12.0
    motor_a_us: Annotated[float, Field(gt=0, le=1000)] | None = None
    mutual_uh_m: Annotated[float, Field(gt=0, le=10)] = 0.5
    make_us: Annotated[float, Field(gt=0, le=1e6)] = 1000.0
    break_us: Annotated[float, Field(gt=0, le=1e6)] = 10_000.0

    @property
    def thresholds_v(self) -> tuple[float, float]:
        """What reads low for certain is below the first, what reads high above the second."""
        return (
            VIL_SHARE * self.supply_v if self.vil_v is None else self.vil_v,
            VIH_SHARE * self.supply_v if self.vih_v is None else self.vih_v,
        )

    @model_validator(mode="after")
    def _is_in_order(self) -> WiringPlan:
        low, high = self.pull_up_ohm
        if low > high:
            raise ValueError(f"pull_up_ohm is from {low:g} to {high:g}; expected the smaller one first")
        if self.parallel_m is not None and self.parallel_m > self.cable_m:
            raise ValueError(
                f"parallel_m holds {self.parallel_m:g}; expected at most the {self.cable_m:g} m of the cable"
            )
        low_v, high_v = self.thresholds_v
        if not low_v < high_v < self.supply_v:
            raise ValueError(
                f"vil_v {low_v:g}, vih_v {high_v:g}: expected the first below the second and both below the "
                f"supply of {self.supply_v:g} V"
            )
        return self


class RunPlan(Table):
    """What a reliability run is to prove, for `endure` too. ``good_miss_share`` and ``bad_miss_share`` are
    the contacts whose chances are told; without them a tenth and three times of what the claim excludes."""

    claim: Annotated[
        str, Field(pattern=r"^0?\.\d*[1-9]\d*@0?\.\d*[1-9]\d*$", description="Claim, as in 0.999@0.95")
    ]
    contacts: Annotated[int, Field(ge=1, le=10000)] = 1
    allow: Annotated[int, Field(ge=0, le=100)] = 0
    sequential: bool = False
    passes_per_hour: Annotated[float, Field(gt=0, le=36000)] | None = None
    good_miss_share: Annotated[float, Field(ge=0, lt=1)] | None = None
    bad_miss_share: Annotated[float, Field(gt=0, le=1)] | None = None

    @model_validator(mode="after")
    def _is_one_plan(self) -> RunPlan:
        if self.sequential and self.allow:
            raise ValueError(
                f"allow holds {self.allow}; expected 0 with sequential, which fixes no number of misses"
            )
        limit = 1 - float(self.claim.partition("@")[0])
        if self.good_miss_share is not None and self.good_miss_share >= limit:
            raise ValueError(
                f"good_miss_share holds {self.good_miss_share:g}; expected less than the {limit:.3g} that "
                "the claim excludes"
            )
        if self.bad_miss_share is not None and self.bad_miss_share < limit:
            raise ValueError(
                f"bad_miss_share holds {self.bad_miss_share:g}; expected at least the {limit:.3g} that the "
                "claim excludes"
            )
        return self


class Plans(Table):
    magnet: MagnetPlan | None = None
    timing: TimingTable | None = None
    wiring: WiringPlan | None = None
    run: RunPlan | None = None


def at_contact(plan: MagnetPlan, here: ContactPlan | None) -> MagnetPlan:
    """The plan for one contact. What was worked out for all of them does not hold where it differs."""
    if here is None:
        return plan
    differs: dict[str, Any] = here.model_dump(exclude_none=True)
    if not differs:
        return plan
    aside = dict.fromkeys(MagnetPlan.set_aside(differs))
    return plan.model_copy(update={**aside, **dict.fromkeys(MAGNET_ANSWER), **differs})
