"""How many passes and hours a claim takes, and who would meet it: to be known before the run begins."""

from __future__ import annotations

from collections.abc import Mapping

from reedproof.analysis.answer import Answer, Check, Grid, Result
from reedproof.analysis.confidence import chance_of_clean_stretch
from reedproof.analysis.plans import FixedClaim, SequentialClaim, parse_claim
from reedproof.layout import Route, Sheet, train_on
from reedproof.plan_tables import RunPlan
from reedproof.units import with_unit

ALLOWED = (0, 1, 2, 3)
CONTACTS = (1, 8, 16, 24, 48)
#: Miss shares of the table, as multiples of the share that the claim excludes.
MULTIPLES = (0.05, 0.1, 0.2, 0.5, 1.0, 2.0, 5.0)
#: Of a good layout to pass: below the first another plan is advised, below the second the plan is no good.
CHANCE_WANTED, CHANCE_LEAST = 0.9, 0.5
SMALL_PERCENT = 0.001

BINOMIAL_CHANCE = "P(at most k of n missed) ^ contacts"
BINOMIAL = "least n with P(at most k of n missed) <= 1 - confidence; without a miss ln(1 - C) / ln R"
BINOMIAL_SOURCE = "success run and binomial test, Clopper & Pearson, Biometrika 26 (1934)"
WALD_CHANCE = "exact, by following the misses from pass to pass; ^ contacts"
WALD = "accept at (k + h1) / s passes with k missed"
WALD_SOURCE = "Wald, Sequential Analysis (1947)"


def headline(asked: RunPlan) -> str:
    """The answer in one line. Raises ReedproofError for a claim that is none."""
    fixed, sequential = _claims(asked)
    if asked.sequential:
        return f"{sequential.test.accepts_from(0)} passes of each contact at the earliest, more with misses"
    allowed = "without a miss" if asked.allow == 0 else f"with no more than {asked.allow} missed"
    return f"{fixed.passes} passes of each contact {allowed}"


def plan_run(asked: RunPlan) -> Answer:
    """Raises ReedproofError for a claim that is none."""
    fixed, sequential = _claims(asked)
    chosen = sequential if asked.sequential else fixed
    limit = 1 - chosen.reliability
    good = limit / 10 if asked.good_miss_share is None else asked.good_miss_share
    bad = min(3 * limit, 1.0) if asked.bad_miss_share is None else asked.bad_miss_share
    needed = {str(misses): fixed.passes_for(misses) for misses in sorted({*ALLOWED, asked.allow})}
    decided = {
        "earliest_passes": sequential.test.accepts_from(0),
        "mean_passes_good": sequential.passes_mean(good) if good else sequential.test.accepts_from(0),
    }
    formula, source = (WALD_CHANCE, WALD_SOURCE) if asked.sequential else (BINOMIAL_CHANCE, "binomial")
    results = [
        Result("claim", "claim", chosen.text),
        Result(
            "passes", "passes of each contact, by misses allowed", needed, BINOMIAL, BINOMIAL_SOURCE,
            ", ".join(f"{passes} for {misses}" for misses, passes in needed.items()),
        ),
        Result(
            "sequential", "the same claim tested after every pass", decided, WALD, WALD_SOURCE,
            f"at the earliest after {decided['earliest_passes']} passes, "
            f"{decided['mean_passes_good']:.0f} on average for a good contact",
        ),
        Result(
            "chance_good", f"chance that a layout of contacts that miss {_share(good)} meets it",
            _chance(chosen, good), formula, source, _percent(chosen, good),
        ),
        Result(
            "chance_bad", f"chance that one whose contacts miss {_share(bad)} does",
            _chance(chosen, bad), formula, source, _percent(chosen, bad),
        ),
    ]  # fmt: skip
    if asked.passes_per_hour is not None:
        results.insert(3, _hours(needed, decided, asked.passes_per_hour))
    advice = _advice(chosen, good)
    return Answer(
        results,
        checks=(
            Check(
                "chance_good_percent", "chance of a good layout to meet it", 100 * _chance(chosen, good),
                100 * CHANCE_LEAST, "a run that good contacts fail shows nothing",
            ),
        ),
        grids=(_by_contacts(fixed), _chances(fixed, sequential)),
        advice=advice,
        assumptions=(
            "passes are independent of each other and alike; misses that come in clusters prove less",
            *([] if asked.sequential else _of_a_fixed_plan(fixed, limit)),
        ),
    )  # fmt: skip


def _claims(asked: RunPlan) -> tuple[FixedClaim, SequentialClaim]:
    reliability, confidence = parse_claim(asked.claim)
    return (
        FixedClaim(reliability, confidence, asked.contacts, asked.allow),
        SequentialClaim(reliability, confidence, asked.contacts),
    )


def _hours(needed: Mapping[str, int], decided: Mapping[str, float], rate: float) -> Result:
    hours = {misses: passes / rate for misses, passes in needed.items()}
    hours["sequential"] = decided["mean_passes_good"] / rate
    return Result(
        "hours", f"hours at {rate:g} passes of a contact per hour", hours, "passes / passes per hour",
        text=", ".join(f"{with_unit(time, '')} for {misses}" for misses, time in hours.items()),
    )  # fmt: skip


def _of_a_fixed_plan(fixed: FixedClaim, limit: float) -> list[str]:
    clean = fixed.passes_for(0)
    again = chance_of_clean_stretch(clean, 10 * clean, limit)
    return [
        "the number of misses to be allowed is fixed before the run",
        f"beginning again after each miss proves nothing: within {10 * clean} passes a contact that misses "
        f"{_share(limit)} shows {clean} clean ones in a row with a chance of {100 * again:.0f} % (recursion "
        "of Feller, from memory)",
    ]


def passes_per_hour(sheet: Sheet) -> float | None:
    """Of the contact that is passed least, if all trains run without a stop; None where the sheet tells no
    times of a route."""
    rates = {contact.name: 0.0 for contact in sheet.contacts}
    routes = {route.name: route for route in sheet.routes}
    named = {train.route for train in sheet.trains}
    trains = [*sheet.trains, *(train_on(route) for route in sheet.routes if route.name not in named)]
    for train in trains:
        route = routes[train.route]
        if route.times_s is None:
            return None
        lap_s = sum(route.times_s) * (2 if route.kind == "shuttle" else 1)
        for name, passes in _passes_per_lap(route).items():
            rates[name] += 3600 * passes * train.magnets / lap_s
    return min(rates.values(), default=0.0) or None


def _passes_per_lap(route: Route) -> dict[str, int]:
    """There and back, a shuttle meets every contact twice, but those where it turns once."""
    met = [*route.contacts, *route.contacts[-2:0:-1]] if route.kind == "shuttle" else route.contacts
    return {name: met.count(name) for name in met}


def _share(share: float) -> str:
    return "no pass" if share == 0 else f"1 pass in {with_unit(1 / share, '')}"


def _chance(claim: FixedClaim | SequentialClaim, miss_share: float) -> float:
    if miss_share in (0.0, 1.0):  # where a test that looks at chances has none to look at
        return 1.0 - miss_share
    return claim.chance_to_meet(miss_share)


def _percent(claim: FixedClaim | SequentialClaim, miss_share: float) -> str:
    percent = 100 * _chance(claim, miss_share)
    return f"{percent:.3g} %" if percent >= SMALL_PERCENT else f"less than {SMALL_PERCENT:g} %"


def _by_contacts(fixed: FixedClaim) -> Grid:
    """Every contact is to be proved at once, so that each needs more confidence."""
    counts = sorted({*CONTACTS, fixed.contacts})
    return Grid(
        "passes_by_contacts",
        "passes of each contact, by contacts proved at once and misses allowed",
        ("contacts", *(f"allow_{misses}" for misses in ALLOWED)),
        [
            (
                contacts,
                *(
                    FixedClaim(fixed.reliability, fixed.confidence, contacts).passes_for(misses)
                    for misses in ALLOWED
                ),
            )
            for contacts in counts
        ],
    )


def _chances(fixed: FixedClaim, sequential: SequentialClaim) -> Grid:
    limit = 1 - fixed.reliability
    shares = [limit * multiple for multiple in MULTIPLES if limit * multiple < 1]
    plans = [
        FixedClaim(fixed.reliability, fixed.confidence, fixed.contacts, misses)
        for misses in sorted({*ALLOWED, fixed.misses})
    ]
    return Grid(
        "chances",
        "chance to meet the claim, by how many passes the contacts really miss",
        (
            "missed_1_in",
            *(f"allow_{plan.misses}_percent" for plan in plans),
            "sequential_percent",
            "its_mean_passes",
        ),
        [
            (
                round(1 / share, 3),
                *(100 * plan.chance_to_meet(share) for plan in plans),
                100 * sequential.chance_to_meet(share),
                round(sequential.passes_mean(share)),
            )
            for share in shares
        ],
    )


def _advice(chosen: FixedClaim | SequentialClaim, good: float) -> list[str]:
    """More misses allowed, where good contacts would fail too often."""
    chance = _chance(chosen, good)
    if chance >= CHANCE_WANTED:
        return []
    told = f"a good layout fails this plan in {100 * (1 - chance):.0f} % of runs"
    test = "" if isinstance(chosen, SequentialClaim) else ", or test after every pass ('--sequential')"
    for misses in range(1, 101):
        better = FixedClaim(chosen.reliability, chosen.confidence, chosen.contacts, misses)
        if better.chance_to_meet(good) >= CHANCE_WANTED:
            return [
                f"{told}: allow {misses} missed of each contact and run {better.passes} passes ('--allow "
                f"{misses}'){test}"
            ]
    return [f"{told}, whatever is allowed: claim less"]
