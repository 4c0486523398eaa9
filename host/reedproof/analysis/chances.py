"""How trains and contacts behave: travel times, lengths of closures, and the chances of a miss, an extra
closure, a halt. From these come the weights that the alignment adds up."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from reedproof.analysis.align import CLOSURE, TrainTables
from reedproof.analysis.closures import Closures
from reedproof.analysis.track import Track

Floats = NDArray[np.float64]

#: A closure that begins this soon after the end of another one at the same contact may be of the same pass.
DOUBLE_S = 0.3
#: A closure so many times as long as they usually are: the train stood on the contact.
LONG = 5.0
#: So many whole laps more than needed may lie between two closures of a train.
LAPS_MISSED = 2

#: To be lifted off the track and put elsewhere; a run has too few cases to learn it from.
MOVED = 1e-4

#: Part of the spread that neighbouring sections have in common: a train that is slow here is slow there.
TOGETHER = 0.3
#: An odd time lies anywhere within four powers of ten, an odd length in as many.
ODD_RANGE = float(np.log(1e4))
#: Lengths of extra closures: a histogram with bins of this width in ln(ms), from 0.5 ms on.
BIN, BINS, BIN_MIN = 0.35, 30, float(np.log(0.5))


def length_bins(ln_ms: Floats) -> NDArray[np.int64]:
    """Bins of the histogram of lengths of extra closures; what is beyond it falls into the outer ones."""
    return np.clip(((ln_ms - BIN_MIN) / BIN).astype(np.int64), 0, BINS - 1)


@dataclass(frozen=True)
class Chances:
    """All that is known at some moment. ``mean_s`` and ``sd`` (of the logarithm) are per train and station,
    the time to the next station; ``length`` and ``length_sd`` are of ln(ms), per contact."""

    tracks: tuple[Track, ...]
    missed: Floats
    strays_hz: Floats
    doubled: Floats
    length: Floats
    length_sd: Floats
    mean_s: tuple[Floats, ...]
    sd: tuple[Floats, ...]
    far: Floats
    near: Floats
    short: float
    stood: float
    halted: float
    rushed: float

    # ---- travel ----

    def on_way(self, at: int) -> NDArray[np.int64]:
        """The sections from each station of train ``at`` on, shape (stations, reach)."""
        stations = len(self.tracks[at])
        return (np.arange(stations)[:, None] + np.arange(stations * (1 + LAPS_MISSED))[None, :]) % stations

    def total_s(self, at: int) -> Floats:
        """Usual time from each station over so many sections + 1, shape (stations, reach)."""
        return np.cumsum(self.mean_s[at][self.on_way(at)], axis=1)

    # ---- weights ----

    def usual_ms(self) -> Floats:
        return np.exp(self.length)

    def weights(self, closures: Closures, since_broke_s: Floats) -> NDArray[Any]:
        """Closures as the alignment takes them. ``since_broke_s``: from the end of the closure before at the
        same contact, infinite for the first."""
        contact = closures.contact
        rows = np.zeros(len(closures), dtype=CLOSURE)
        usual_s = self.usual_ms()[contact] / 1000
        duration_s = closures.duration_ms.astype(np.float64) / 1000
        known = np.isfinite(duration_s)
        rows["contact"] = contact
        rows["made_s"] = closures.made_s
        rows["is_long"] = is_long = known & (duration_s > LONG * usual_s)
        rows["depart_s"] = closures.made_s + np.where(is_long, duration_s - usual_s, 0.0)
        ln_ms = np.log(np.where(known, np.maximum(duration_s, 1e-4) * 1000, 1.0))
        sd = self.length_sd[contact]
        usual = -0.5 * ((ln_ms - self.length[contact]) / sd) ** 2 - np.log(sd * np.sqrt(2 * np.pi))
        odd = np.log(np.where(ln_ms > self.length[contact], self.stood, self.short)) - np.log(ODD_RANGE)
        rows["pass"] = np.where(known, np.maximum(usual, odd), 0.0)
        bins = length_bins(ln_ms)
        is_near = since_broke_s < DOUBLE_S
        with np.errstate(divide="ignore"):
            stray = np.log(self.strays_hz[contact]) + np.where(known, self.far[bins], 0.0)
            second = np.log(self.doubled[contact] / DOUBLE_S) + np.where(known, self.near[bins], 0.0)
        rows["extra"] = np.where(is_near, np.maximum(stray, second), stray)
        return rows

    def tables(self) -> list[TrainTables]:
        return [self._tables(at) for at in range(len(self.tracks))]

    def _tables(self, at: int) -> TrainTables:
        track, mean_s, sd = self.tracks[at], self.mean_s[at], self.sd[at]
        stations = len(track)
        on_way, total_s = self.on_way(at), self.total_s(at)
        alone = np.cumsum((mean_s * sd)[on_way] ** 2, axis=1)
        together = np.cumsum((mean_s * sd)[on_way], axis=1) ** 2
        spread = np.sqrt((1 - TOGETHER) * alone + TOGETHER * together) / total_s
        missed = np.log(self.missed[track.contact])
        made = np.log1p(-self.missed[track.contact])
        passed = (on_way + 1) % stations  # station after each section
        skipped = np.cumsum(missed[passed], axis=1) - missed[passed]
        sure = skipped + made[passed]
        # The station before the last one was not passed a second time: the train turned on its contact.
        turned = np.where(
            track.turned[passed] & (np.arange(on_way.shape[1]) >= 1),
            sure - missed[(passed - 1) % stations],
            -np.inf,
        )
        constant = -np.log(spread * np.sqrt(2 * np.pi))
        lap_s = float(mean_s.sum())
        return TrainTables(
            contact=track.contact,
            mean=np.log(total_s),
            precision=1 / (2 * spread**2),
            on_time=sure + constant,
            off_time=sure,
            turned=turned,
            missed=missed,
            made=made,
            halted=float(np.log(self.halted / ODD_RANGE)),
            rushed=float(np.log(self.rushed / ODD_RANGE)),
            moved=float(np.log(MOVED / ODD_RANGE / stations)),
            begun=float(-np.log(stations * lap_s)),
        )
