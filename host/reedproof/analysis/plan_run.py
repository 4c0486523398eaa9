"""How many passes and hours a claim takes, and who would meet it: to be known before the run begins."""

from __future__ import annotations

from reedproof.analysis.answer import Answer, Grid, Result
from reedproof.analysis.confidence import chance_of_clean_stretch
from reedproof.analysis.plans import Claim, FixedClaim, SequentialClaim, parse_claim
from reedproof.layout import Route, Sheet, train_on
from reedproof.plan_tables import RunPlan
from reedproof.units import with_unit

ALLOWED = (0, 1, 2, 3)
CONTACTS = (1, 8, 16, 24, 48)
#: Miss shares of the table, as multiples of the share that the claim excludes.
MULTIPLES = (0.05, 0.1, 0.2, 0.5, 1.0, 2.0, 5.0)
CHANCE_WANTED = 0.9  # of a good layout to pass, before another plan is advised

BINOMIAL = "least n with P(at most k of n missed) <= 1 - confidence; without a miss ln(1 - C) / ln R"
BINOMIAL_SOURCE = "success run and binomial test, Clopper & Pearson, Biometrika 26 (1934)"
WALD = "accept at (k + h1) / s passes with k missed"
WALD_SOURCE = "Wald, Sequential Analysis (1947)"


def plan_run(asked: RunPlan) -> Answer:
    """Raises ReedproofError for a claim that is none."""
    reliability, confidence = parse_claim(asked.claim)
    limit = 1 - reliability
    fixed = FixedClaim(reliability, confidence, asked.contacts, asked.allow)
    sequential = SequentialClaim(reliability, confidence, asked.contacts)
    chosen: Claim = sequential if asked.sequential else fixed
    good = limit / 10 if asked.good_miss_share is None else asked.good_miss_share
    bad = min(3 * limit, 1.0) if asked.bad_miss_share is None else asked.bad_miss_share
    needed = {str(misses): fixed.passes_for(misses) for misses in sorted({*ALLOWED, asked.allow})}
    first = sequential.test.accepts_from(0)
    results = [
        Result("claim", "claim", chosen.text),
        Result(
            "passes", "passes of each contact, by misses allowed", needed, BINOMIAL, BINOMIAL_SOURCE,
            ", ".join(f"{passes} for {misses}" for misses, passes in needed.items()),
        ),
        Result(
            "sequential", "the same claim tested after every pass",
            {"earliest_passes": first, "mean_passes_good": sequential.passes_mean(good)}, WALD, WALD_SOURCE,
            f"at the earliest after {first} passes, {sequential.passes_mean(good):.0f} on average for a good "
            "contact",
        ),
        Result(
            "chance_good", f"chance that a layout of contacts that miss {_share(good)} meets it",
            _chance(chosen, good), "P(at most k of n missed) ^ contacts", "binomial", _percent(chosen, good),
        ),
        Result(
            "chance_bad", f"chance that one whose contacts miss {_share(bad)} does",
            _chance(chosen, bad), "as above", "binomial", _percent(chosen, bad),
        ),
    ]  # fmt: skip
    if asked.passes_per_hour is not None:
        rate = asked.passes_per_hour
        hours = {misses: passes / rate for misses, passes in needed.items()}
        results.insert(
            2,
            Result(
                "hours", f"hours at {rate:g} passes of a contact per hour", hours, "passes / passes per hour",
                text=", ".join(f"{time:.3g} for {misses}" for misses, time in hours.items()),
            ),
        )  # fmt: skip
    clean = fixed.passes_for(0)
    again = chance_of_clean_stretch(clean, 10 * clean, limit)
    return Answer(
        results,
        grids=(_by_contacts(fixed), _chances(fixed, sequential)),
        advice=_advice(fixed, good) if not asked.sequential else [],
        assumptions=(
            "passes are independent of each other and alike; misses that come in clusters prove less",
            "the number of misses to be allowed is fixed before the run",
            f"beginning again after each miss proves nothing: within {10 * clean} passes a contact that "
            f"misses {_share(limit)} shows {clean} clean ones in a row with a chance of {100 * again:.0f} % "
            "(recursion of Feller, from memory)",
        ),
    )


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


def _chance(claim: Claim, miss_share: float) -> float:
    assert isinstance(claim, FixedClaim | SequentialClaim)
    if miss_share in (0.0, 1.0):  # where a test that looks at chances has none to look at
        return 1.0 - miss_share
    return claim.chance_to_meet(miss_share)


def _percent(claim: Claim, miss_share: float) -> str:
    return f"{100 * _chance(claim, miss_share):.3g} %"


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
        "chance to meet the claim in %, by how many passes the contacts really miss",
        ("missed_1_in", *(f"allow_{plan.misses}" for plan in plans), "sequential", "its_mean_passes"),
        [
            (
                1 / share,
                *(100 * plan.chance_to_meet(share) for plan in plans),
                100 * sequential.chance_to_meet(share),
                round(sequential.passes_mean(share)),
            )
            for share in shares
        ],
    )


def _advice(fixed: FixedClaim, good: float) -> list[str]:
    """More misses allowed, where good contacts would fail too often."""
    if good == 0 or fixed.chance_to_meet(good) >= CHANCE_WANTED:
        return []
    for misses in range(fixed.misses + 1, 101):
        better = FixedClaim(fixed.reliability, fixed.confidence, fixed.contacts, misses)
        if better.chance_to_meet(good) >= CHANCE_WANTED:
            return [
                f"a good layout fails this plan in {100 * (1 - fixed.chance_to_meet(good)):.0f} % of runs: "
                f"allow {misses} missed of each contact and run {better.passes} passes ('--allow {misses}'), "
                "or test after every pass ('--sequential')"
            ]
    return ["even good contacts rarely meet this plan: test after every pass ('--sequential')"]
