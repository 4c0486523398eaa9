"""Learns how trains and contacts behave from closures that were explained: hard expectation-maximisation,
which is to explain, to count, and to explain again with what was counted."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from reedproof.analysis.align import HALTED, RUSHED
from reedproof.analysis.chances import BIN, BINS, LONG, Chances, Floats, length_bins
from reedproof.analysis.closures import Closures
from reedproof.analysis.journey import Journey
from reedproof.analysis.track import Track

# Chances before anything was seen, as so many cases in so many trials. They are weak where runs tell soon
# (misses), and strong where a single case has to convince (a train that rushes, or is put elsewhere).
MISSED_BEFORE = (0.5, 10.0)
DOUBLED_BEFORE = (0.5, 50.0)
STRAYS_BEFORE = (0.5, 20.0)  # in so many laps
HALTED_BEFORE = (0.5, 200.0)
RUSHED_BEFORE = (0.02, 200.0)
SHORT_BEFORE = (0.02, 500.0)  # a pass far shorter than the others
STOOD_BEFORE = (0.05, 10.0)

TIME_SD, TIME_SD_MIN, TIME_CASES = 0.25, 0.03, 4.0  # of the logarithm; a third more or less is 0.2
TURN_SD = 1.0  # how long a train stays at the end of a shuttle
LENGTH_SD, LENGTH_SD_MIN, LENGTH_CASES = 0.35, 0.08, 4.0
#: A contact that closed less often than this share of what the others did tells nothing of itself.
SILENT = 0.2
BIN_CASES = 8.0


@dataclass
class Seen:
    """What an explanation counts; the sums are what learning needs. Shapes: (contacts,), or (stations,) for
    each train."""

    passes: Floats
    missed: Floats
    strays: Floats
    doubled: Floats
    lengths: Floats
    length_sum: Floats  # of ln(ms)
    length_squares: Floats
    times: list[Floats]
    time_sum: list[Floats]  # of ln(s)
    time_squares: list[Floats]
    far: Floats = field(default_factory=lambda: np.zeros(BINS))  # lengths of strays
    near: Floats = field(default_factory=lambda: np.zeros(BINS))  # lengths of second closures
    short: float = 0.0
    stood: float = 0.0
    halted: float = 0.0
    rushed: float = 0.0
    steps: float = 0.0
    seconds: float = 0.0

    @classmethod
    def nothing(cls, contacts: int, tracks: Sequence[Track]) -> Seen:
        def flat() -> Floats:
            return np.zeros(contacts)

        def rings() -> list[Floats]:
            return [np.zeros(len(track)) for track in tracks]

        return cls(flat(), flat(), flat(), flat(), flat(), flat(), flat(), rings(), rings(), rings())

    def fade(self, share: float) -> None:
        """Keeps only a share of the past, so that what comes counts more."""
        for name, value in vars(self).items():
            faded = [part * share for part in value] if isinstance(value, list) else value * share
            setattr(self, name, faded)


def first_guess(tracks: Sequence[Track], contacts: int, closures: Closures) -> Chances:
    """From the sheet and from what followed what, before anything is explained."""
    guesses = tuple(_guess_times(track, closures) for track in tracks)
    lap_s = np.mean([guess.sum() for guess in guesses])
    length = _guess_lengths(contacts, closures)
    flat = np.full(BINS, -np.log(BINS * BIN))
    ones = np.ones(contacts)
    return Chances(
        tracks=tuple(tracks),
        missed=ones * MISSED_BEFORE[0] / MISSED_BEFORE[1],
        strays_hz=ones * STRAYS_BEFORE[0] / (STRAYS_BEFORE[1] * lap_s),
        doubled=ones * DOUBLED_BEFORE[0] / DOUBLED_BEFORE[1],
        length=length,
        length_sd=ones * LENGTH_SD,
        mean_s=guesses,
        sd=tuple(np.where(track.is_turn, TURN_SD, 0.4) for track in tracks),
        far=flat,
        near=flat,
        short=SHORT_BEFORE[0] / SHORT_BEFORE[1],
        stood=STOOD_BEFORE[0] / STOOD_BEFORE[1],
        halted=HALTED_BEFORE[0] / HALTED_BEFORE[1],
        rushed=RUSHED_BEFORE[0] / RUSHED_BEFORE[1],
    )


def _guess_lengths(contacts: int, closures: Closures) -> Floats:
    """ln(ms) of each contact; what is usual for all where one hardly ever closed, or where trains stand."""
    known = np.isfinite(closures.duration_ms) & (closures.duration_ms > 0)
    ln_ms, contact = np.log(closures.duration_ms[known].astype(np.float64)), closures.contact[known]
    counts = np.bincount(contact, minlength=contacts)
    busy = np.flatnonzero(counts > SILENT * counts.max(initial=0))
    medians = np.array([np.median(ln_ms[contact == at]) for at in busy])
    usual = np.median(medians) if len(busy) else np.log(50.0)
    length = np.full(contacts, usual)
    length[busy] = np.where(medians < usual + np.log(LONG), medians, usual)
    return length


def _guess_times(track: Track, closures: Closures) -> Floats:
    """Times from station to station: the lower quarter of the times from a closure of the one contact to the
    next one of the other. Through contacts that hardly closed the time is shared out, by the sheet if it
    knows."""
    stations = len(track)
    made = {
        int(contact): closures.made_s[closures.contact == contact] for contact in np.unique(track.contact)
    }
    enough = max(1.0, SILENT * max(map(len, made.values())))  # strays of a dead contact tell nothing
    alive = [at for at in range(stations) if len(made[int(track.contact[at])]) > enough]
    sheet_s = np.where(np.isfinite(track.time_s), track.time_s, np.nan)
    fallback = float(np.nanmean(sheet_s)) if np.isfinite(sheet_s).any() else 3.0
    mean_s = np.where(np.isfinite(sheet_s), sheet_s, fallback)
    for at, station in enumerate(alive):
        after = alive[(at + 1) % len(alive)]
        legs = [(station + n) % stations for n in range((after - station - 1) % stations + 1)]
        from_s, to_s = made[int(track.contact[station])], made[int(track.contact[after])]
        following = np.searchsorted(to_s, from_s, side="right")
        found = to_s[following[following < len(to_s)]] - from_s[following < len(to_s)]
        if len(found):
            total_s = max(float(np.quantile(found, 0.25)), 0.01)
            mean_s[legs] *= total_s / mean_s[legs].sum()
    return mean_s


def learn(before: Chances, seen: Seen) -> Chances:
    """Chances as ``seen`` has them; a little of what is usual is mixed in, so that nothing is impossible."""
    lap_s = float(np.mean([mean.sum() for mean in before.mean_s]))
    length, length_sd = _normal(
        seen.lengths, seen.length_sum, seen.length_squares, before.length, LENGTH_SD, LENGTH_CASES
    )
    silent = seen.lengths < SILENT * seen.lengths.max(initial=0)
    length, length_sd = np.where(silent, before.length, length), np.where(silent, LENGTH_SD, length_sd)
    means, sds = [], []
    for at, track in enumerate(before.tracks):
        usual = np.where(track.is_turn, TURN_SD, TIME_SD)
        ln_s, sd = _normal(
            seen.times[at],
            seen.time_sum[at],
            seen.time_squares[at],
            np.log(before.mean_s[at]),
            usual,
            TIME_CASES,
        )
        means.append(np.exp(ln_s))
        sds.append(np.maximum(sd, TIME_SD_MIN))
    lengths = float(seen.lengths.sum())
    return Chances(
        tracks=before.tracks,
        missed=_share(seen.missed, seen.passes, MISSED_BEFORE),
        strays_hz=(seen.strays + STRAYS_BEFORE[0]) / (seen.seconds + STRAYS_BEFORE[1] * lap_s),
        doubled=_share(seen.doubled, seen.passes, DOUBLED_BEFORE),
        length=length,
        length_sd=np.maximum(length_sd, LENGTH_SD_MIN),
        mean_s=tuple(means),
        sd=tuple(sds),
        far=_histogram(seen.far),
        near=_histogram(seen.near),
        short=_rare(seen.short, lengths, SHORT_BEFORE),
        stood=_rare(seen.stood, lengths, STOOD_BEFORE),
        halted=float(_share(np.array(seen.halted), np.array(seen.steps), HALTED_BEFORE)),
        rushed=_rare(seen.rushed, seen.steps, RUSHED_BEFORE),
    )


def _share(cases: Floats, trials: Floats, prior: tuple[float, float]) -> Floats:
    return np.asarray((cases + prior[0]) / (trials + prior[1]))


def _rare(cases: float, trials: float, prior: tuple[float, float]) -> float:
    """A single case teaches nothing: taken for what it may not be, it would make itself likely."""
    return float(_share(np.array(max(cases - 1, 0)), np.array(trials), prior))


def _normal(
    count: Floats, total: Floats, squares: Floats, before: Floats, usual_sd: Floats | float, cases: float
) -> tuple[Floats, Floats]:
    """Mean and standard deviation; the mean stays where nothing was seen."""
    mean = np.where(count > 0, total / np.maximum(count, 1e-9), before)
    around = np.maximum(squares - count * mean**2, 0.0)
    return mean, np.sqrt((around + cases * np.asarray(usual_sd) ** 2) / (count + cases))


def _histogram(counts: Floats) -> Floats:
    return np.asarray(np.log((counts + BIN_CASES / BINS) / (counts.sum() + BIN_CASES) / BIN))


# ---- counting for learning ----


def note_lengths(
    seen: Seen,
    chances: Chances,
    closures: Closures,
    is_pass: NDArray[np.bool_],
    is_near: NDArray[np.bool_],
) -> None:
    """Lengths of passes and of extra closures, where they are known."""
    known = np.isfinite(closures.duration_ms) & (closures.duration_ms > 0)
    ln_ms = np.log(np.where(known, closures.duration_ms, 1.0).astype(np.float64))
    contact = closures.contact
    off = (ln_ms - chances.length[contact]) / chances.length_sd[contact]
    usual = is_pass & known & (np.abs(off) < 4)
    contacts = len(chances.missed)
    seen.lengths += np.bincount(contact[usual], minlength=contacts)
    seen.length_sum += np.bincount(contact[usual], ln_ms[usual], minlength=contacts)
    seen.length_squares += np.bincount(contact[usual], ln_ms[usual] ** 2, minlength=contacts)
    seen.short += float(np.sum(is_pass & known & (off <= -4)))
    seen.stood += float(np.sum(is_pass & known & (off >= 4)))
    bins = length_bins(ln_ms)
    seen.far += np.bincount(bins[~is_pass & known & ~is_near], minlength=BINS)
    seen.near += np.bincount(bins[~is_pass & known & is_near], minlength=BINS)


def note_times(seen: Seen, chances: Chances, journey: Journey) -> None:
    """Travel times of what went as usual. Where passes were missed on the way the time is shared out as
    usual, and counts for less."""
    stations = len(chances.tracks[journey.at])
    seen.steps += float(np.sum(journey.steps > 0))
    seen.halted += float(np.sum(journey.flags & HALTED > 0))
    seen.rushed += float(np.sum(journey.flags & RUSHED > 0))
    took_s = journey.made_s - journey.from_s
    rows = np.flatnonzero(journey.is_plain() & (took_s > 0))
    steps = journey.sections()[rows]
    each = np.repeat(np.arange(len(rows)), steps)
    nth = np.arange(len(each)) - np.repeat(np.cumsum(steps) - steps, steps)
    section = (journey.from_station[rows][each] + nth) % stations
    mean_s = chances.mean_s[journey.at]
    total_s = np.bincount(each, mean_s[section], minlength=len(rows))
    ln_s = np.log(took_s[rows][each] * mean_s[section] / total_s[each])
    weight = 1.0 / steps[each] ** 2
    seen.times[journey.at] += np.bincount(section, weight, minlength=stations)
    seen.time_sum[journey.at] += np.bincount(section, weight * ln_s, minlength=stations)
    seen.time_squares[journey.at] += np.bincount(section, weight * ln_s**2, minlength=stations)
