"""Board time to host time, with an error bound that holds.

The host time of a board instant is taken to be a straight line, ``host = a + b * board``, whose rate differs
from 1 by no more than a given limit. Everything the link sees is a constraint on that line:

* a record that arrives lies at or above the line, because it cannot arrive before it was sent;
* a time probe pins the line from both sides: the board received it after it was sent, and its answer arrived
  after the board sent it.

All lines that meet all constraints are possible, none is preferred. The answer for an instant is the middle
of the interval these lines cover there, and the bound is half its width. Only the convex hulls of the
constraints matter, which is what keeps the work small.

Sources: the convex hull of one-way delays, Zhang, Liu and Xia, IEEE INFOCOM 2002; the same optimum as a
linear program, Moon, Skelly and Towsley, IEEE INFOCOM 1999, 227-234, doi 10.1109/INFCOM.1999.749287. Probe
arithmetic: RFC 5905.
"""

from __future__ import annotations

import math
from bisect import bisect_left


def offset_and_delay(t1: float, t2: float, t3: float, t4: float) -> tuple[float, float]:
    """Clock offset and round-trip delay of one exchange, all in one unit.

    Source: RFC 5905.

    Args:
        t1: request sent, by the asking clock.
        t2: request received, by the other clock.
        t3: answer sent, by the other clock.
        t4: answer received, by the asking clock.

    Returns:
        theta, how far the other clock is ahead, and delta, the time on the way there and back. The true
        offset is within delta / 2 of theta.
    """
    return ((t2 - t1) + (t3 - t4)) / 2, (t4 - t1) - (t3 - t2)


class ClockMap:
    """Maps the microseconds of one board since its boot to host seconds.

    Make a new one when the board has rebooted. Give host times of a monotonic clock: of a clock that counts
    from 1970 a float resolves only a quarter of a microsecond, and it may be set while running.

    The bound is true as long as the rate is constant over the constraints in use. Rates change with
    temperature, so constraints are forgotten: those in use reach back between one and two windows of board
    time (further if there was no probe in the last window, because old constraints are better than none). If
    they contradict each other the rate did change: the map then restarts from the constraints of the current
    window, or, should these contradict each other too, from the newest one alone, and `restarts` counts it.
    Until the next probe the bound may be infinite after such a restart.

    Memory is bounded: each hull keeps at most `points_max` points. Beyond that the point that cuts least from
    its hull goes. Forgetting a constraint can only widen the bound, never make it wrong.
    """

    def __init__(self, max_ppm: float = 10_000, window_s: float = 600, points_max: int = 64) -> None:
        """Set the assumptions.

        Args:
            max_ppm: largest possible difference of the two clock rates, parts per million. The default covers
                ceramic resonators with a wide margin.
            window_s: time over which the rate is taken to be constant, seconds.
            points_max: constraints kept on each side, at least 3.

        Raises:
            ValueError: an argument outside these ranges.
        """
        if not 0 < max_ppm < 1_000_000:
            raise ValueError(f"max_ppm is {max_ppm}; pass more than 0 and less than 1000000")
        if not window_s > 0:
            raise ValueError(f"window_s is {window_s}; pass a positive number of seconds")
        if points_max < 3:
            raise ValueError(f"points_max is {points_max}; pass 3 or more")
        self._slope_max = max_ppm * 1e-6
        self._window_s = window_s
        self._points_max = points_max
        self._origin: tuple[int, float] | None = None
        self._newest_s = 0.0
        self._largest_s = 0.0  # of all times taken in, by magnitude: what rounding is relative to
        self._restarts = 0
        self._used = self._fresh()
        self._young = self._fresh()  # the constraints of the current window only: a subset of those in use

    @property
    def bounded(self) -> bool:
        """Whether `to_host` has a finite bound, that is, whether a probe counts."""
        return self._used.bounded

    @property
    def restarts(self) -> int:
        """How often the constraints contradicted each other and the map started afresh."""
        return self._restarts

    @property
    def points(self) -> int:
        """Constraints kept in memory."""
        return self._used.points + self._young.points

    def add_arrival(self, board_us: int, host_s: float) -> None:
        """A record arrived that the board sent at `board_us` or later.

        Args:
            board_us: board time in it, microseconds since boot, not wrapped.
            host_s: when it arrived, host seconds.

        Raises:
            ValueError: `board_us` is negative or `host_s` is not finite.
        """
        self._check(board_us, host_s)
        self._admit([self._constraint(board_us, host_s, 1)])

    def add_probe(self, sent_s: float, board_us_received: int, board_us_sent: int, arrived_s: float) -> None:
        """A time probe came back.

        Args:
            sent_s: before it was sent, host seconds.
            board_us_received: when the board had it, microseconds since boot. Not earlier than the truth: if
                the board rounds its time down, add its resolution.
            board_us_sent: when the board answered, or earlier, microseconds since boot.
            arrived_s: after the answer arrived, host seconds.

        Raises:
            ValueError: a value is negative or not finite, the probe ends before it starts, or the board kept
                it for longer than it was away. Nothing is taken from such a probe.
        """
        self._check(board_us_received, sent_s)
        self._check(board_us_sent, arrived_s)
        kept_s = (board_us_sent - board_us_received) * 1e-6
        away_s = arrived_s - sent_s
        if kept_s < 0 or away_s < 0:
            raise ValueError(
                f"probe: sent {sent_s} s, received {board_us_received} us, answered {board_us_sent} us,"
                f" arrived {arrived_s} s; the order is wrong, drop this probe"
            )
        if away_s < kept_s * (1 - self._slope_max) - _rounding_s(sent_s, arrived_s, kept_s):
            raise ValueError(
                f"probe: the board kept it {kept_s} s but it was away {away_s} s; the stamps belong to"
                " different probes or the clocks differ by more than max_ppm, drop this probe"
            )
        self._admit(
            [self._constraint(board_us_received, sent_s, -1), self._constraint(board_us_sent, arrived_s, 1)]
        )

    def to_host(self, board_us: int) -> tuple[float, float]:
        """Host time of a board instant.

        Args:
            board_us: microseconds since boot, not wrapped; any instant, past or to come.

        Returns:
            Host seconds and the error bound in seconds. Before the first probe the bound is infinite, because
            arrivals alone cannot tell an offset from a delay; the time is then that of the fastest way here
            (the hull edge over the mean arrival) and is late by the smallest delay. Before anything has
            arrived the time is not a number.
        """
        if self._origin is None:
            return math.nan, math.inf
        board_0, host_0 = self._origin
        x = (board_us - board_0) / 1e6
        if not self._used.bounded:
            return host_0 + (x + self._used.one_way(x)), math.inf
        low, high = self._used.interval(x)
        host_s = host_0 + (x + (low + high) / 2)
        return host_s, max((high - low) / 2, 0.0) + _rounding_s(self._largest_s, host_s, x)

    def skew_ppm(self) -> tuple[float, float]:
        """How much faster the host's clock runs than the board's, ``b - 1``.

        Returns:
            Parts per million and their error bound. Before the first probe the estimate is the slope of the
            hull edge over the mean arrival, and the bound knows only that the rates differ by `max_ppm` at
            most.
        """
        if self._used.bounded:
            low, high = self._used.slope_low, self._used.slope_high
            return (low + high) / 2 * 1e6, (high - low) / 2 * 1e6
        slope = self._used.one_way_slope()
        return slope * 1e6, (self._slope_max + abs(slope)) * 1e6

    def _fresh(self) -> _Lines:
        return _Lines(self._slope_max, self._points_max, self._newest_s)

    @staticmethod
    def _check(board_us: int, host_s: float) -> None:
        if board_us < 0 or not math.isfinite(host_s):
            raise ValueError(f"board time {board_us} us, host time {host_s} s; pass times from 0 on, finite")

    def _constraint(self, board_us: int, host_s: float, side: int) -> tuple[float, float, int]:
        """A point in seconds from the first one, with the common rate taken out so that little is left.

        Each constraint is loosened by what rounding can lose, so rounding never makes the bound wrong.
        """
        if self._origin is None:
            self._origin = (board_us, host_s)
        board_0, host_0 = self._origin
        x = (board_us - board_0) / 1e6
        self._largest_s = max(self._largest_s, abs(host_s), abs(x))
        return x, (host_s - host_0) - x + side * _rounding_s(self._largest_s), side

    def _admit(self, constraints: list[tuple[float, float, int]]) -> None:
        self._newest_s = max(self._newest_s, *(x for x, _, _ in constraints))
        used_fits = self._used.add(constraints)
        young_fits = self._young.add(constraints)
        if not (used_fits and young_fits):
            self._restarts += 1
            self._used = self._young if young_fits else self._fresh()
            self._young = self._fresh()
            if not young_fits:
                self._used.add(constraints)
                self._young.add(constraints)
        elif self._young.bounded and self._newest_s - self._young.started_s >= self._window_s:
            self._used = self._young
            self._young = self._fresh()


def _rounding_s(*numbers_s: float) -> float:
    """What the few additions and divisions on these numbers can lose, seconds.

    Sums of three of them are up to three times as large, so one operation can lose two units in the last
    place of the largest number; no number here goes through more than eight such operations.
    """
    return 16 * math.ulp(max(1.0, *map(abs, numbers_s)))


class _Lines:
    """All lines ``y = offset + slope * x`` that meet the constraints given so far.

    The slopes possible are an interval: a point above the line and a point below it, not at the same x, limit
    the slope from one side, and all pairs together are all there is to know about it.
    """

    def __init__(self, slope_max: float, points_max: int, started_s: float) -> None:
        self.started_s = started_s
        self.slope_low = -slope_max
        self.slope_high = slope_max
        self._above = _Hull(points_max)
        self._below = _Hull(points_max)  # mirrored, y negated, so that one kind of hull serves both sides
        self._x_sum = 0.0
        self._count = 0

    @property
    def bounded(self) -> bool:
        return bool(self._above.xs and self._below.xs)

    @property
    def points(self) -> int:
        return len(self._above.xs) + len(self._below.xs)

    def add(self, constraints: list[tuple[float, float, int]]) -> bool:
        """Whether any line is left; side 1: the line passes at or below the point, -1: at or above."""
        for x, y, side in constraints:
            if side > 0:
                self._x_sum += x
                self._count += 1
            # A constraint that all lines left meet already will never matter.
            if self.bounded and side * y >= self._limit(x, side):
                continue
            own, other = (self._above, self._below) if side > 0 else (self._below, self._above)
            own.add(x, side * y)
            for other_x, other_y in zip(other.xs, other.ys, strict=True):
                # Whichever of the two is new, the way from the point below to the point above is this long
                # and this high, and the line must not climb more than that on it.
                self._limit_slope(side * (x - other_x), side * y + other_y)
        return self.slope_low <= self.slope_high

    def interval(self, x: float) -> tuple[float, float]:
        """Lowest and highest y at x; only if bounded."""
        return -self._limit(x, -1), self._limit(x, 1)

    def one_way_slope(self) -> float:
        """Slope of the hull edge over the mean x of the arrivals, within the slopes possible."""
        if len(self._above.xs) < 2:
            return 0.0
        return self._above.slope_at(self._x_sum / self._count, self.slope_low, self.slope_high)

    def one_way(self, x: float) -> float:
        """y at x of the highest line with that slope."""
        return self._above.value(x, self.one_way_slope())

    def _limit(self, x: float, side: int) -> float:
        """Highest y (side 1) or negated lowest y (side -1) at x."""
        hull = self._above if side > 0 else self._below
        low, high = (self.slope_low, self.slope_high) if side > 0 else (-self.slope_high, -self.slope_low)
        return hull.value(x, hull.slope_at(x, low, high))

    def _limit_slope(self, run: float, room: float) -> None:
        """Keep the slopes with ``slope * run <= room``."""
        if run > 0:
            self.slope_high = min(self.slope_high, room / run)
        elif run < 0:
            self.slope_low = max(self.slope_low, room / run)
        elif room < 0:
            self.slope_low, self.slope_high = math.inf, -math.inf


class _Hull:
    """Lower convex hull of points: a line is below all points if it is below these.

    Attributes:
        xs: strictly increasing.
        ys: of the same length.
    """

    def __init__(self, points_max: int) -> None:
        self._points_max = points_max
        self.xs: list[float] = []
        self.ys: list[float] = []

    def add(self, x: float, y: float) -> None:
        """Take in a point in any order of x."""
        at = bisect_left(self.xs, x)
        if at < len(self.xs) and self.xs[at] == x:
            if y >= self.ys[at]:
                return
            self.ys[at] = y
        else:
            self.xs.insert(at, x)
            self.ys.insert(at, y)
            if self._inside(at) and self._gap(at) <= 0:
                self._drop(at)
                return
        while self._inside(at + 1) and self._gap(at + 1) <= 0:
            self._drop(at + 1)
        while self._inside(at - 1) and self._gap(at - 1) <= 0:
            self._drop(at - 1)
            at -= 1
        if len(self.xs) > self._points_max:
            self._drop(min(range(1, len(self.xs) - 1), key=self._gap))

    def slope_at(self, x: float, low: float, high: float) -> float:
        """The slope between `low` and `high` with which a line below all points gets highest at x."""
        at = bisect_left(self.xs, x)
        if at == 0:
            return low
        if at == len(self.xs):
            return high
        edge = (self.ys[at] - self.ys[at - 1]) / (self.xs[at] - self.xs[at - 1])
        return min(max(edge, low), high)

    def value(self, x: float, slope: float) -> float:
        """y at x of the highest line of this slope below all points."""
        return min(y + slope * (x - point_x) for point_x, y in zip(self.xs, self.ys, strict=True))

    def _inside(self, at: int) -> bool:
        return 0 < at < len(self.xs) - 1

    def _gap(self, at: int) -> float:
        """How far a point lies below the chord of its neighbours, which is what forgetting it costs there."""
        x0, x1, x2 = self.xs[at - 1 : at + 2]
        y0, y1, y2 = self.ys[at - 1 : at + 2]
        return y0 + (y2 - y0) * (x1 - x0) / (x2 - x0) - y1

    def _drop(self, at: int) -> None:
        del self.xs[at], self.ys[at]
