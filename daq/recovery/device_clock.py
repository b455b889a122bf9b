"""Fit a device's clock to the computer's: one rate for the device, one offset for each of its boots.

A device stamps rows with ticks; the computer stamps their arrival. An arrival is late by a delay that varies
and is never negative, so the device's clock lies under the arrivals: the line that touches them from below
is its rate. Least squares would follow the delays instead.

Times are seconds or integer nanoseconds, as the names say. Arrivals must come from a clock that counts on
through sleep. What one-way data cannot give is the least delay itself: it stays inside the offset, so host
time is late by it (some milliseconds on a serial line), the same for all rows of a boot. No file, no clock
of its own.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from standbook.daq.recovery.clock_bend import rate_change

LINK_RESOLUTION = 1e-3  # [s] full-speed USB hands over once in a 1 ms frame, so the least delay may wander by that
AGREEMENT = 3.0  # standard uncertainties between arrivals and declared tolerance; beyond it one of them is wrong
CREDIBLE = 0.05  # relative: no board's oscillator is off by more, and a computer that is held up may look so; judgement
HELD_UP = 1.0  # s of this computer: by so much less a busy one may deliver late all along a short recording; judgement
LEAST_ARRIVALS = 8  # fewer arrivals in a boot say nothing about its rate
FARTHEST_NS = 2 * 10**18  # 63 years: three such terms still fit 64 bits; only a device that tells nonsense gets there
BLOCKS = 6  # pieces of a boot whose least delays are compared

Method = Literal["arrivals and tolerance", "arrivals", "tolerance"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Hull:
    """Lower bound of all delays that is highest at the mean instant: one edge of their lower hull."""

    slope: float  # host seconds gained per device second [-]
    value: float  # at ``mean`` [s]
    mean: float  # mean instant [s]
    first: int  # index of the edge's left end
    last: int  # index of its right end


@dataclass(frozen=True, slots=True)
class Arrivals:
    """Rows of one boot that completed a chunk, with the arrival time of that chunk.

    Ticks are unwrapped; several rows may share an arrival.
    """

    boot: int
    ticks: NDArray[np.int64]  # (N,)
    arrival_ns: NDArray[np.int64]  # (N,) [ns]


@dataclass(frozen=True, slots=True)
class BootClock:
    """Anchor of one boot: its ticks and the host time at one instant."""

    boot: int
    anchor_ticks: int
    anchor_ns: int  # host time of ``anchor_ticks`` [ns]


@dataclass(frozen=True, slots=True, kw_only=True)
class ClockFit:
    """Fitted rate and offsets of a device's clock against the host's.

    ``skew`` is host seconds gained per device second: 50e-6 is a device that is 50 ppm slow.
    """

    tick_hz: Fraction
    skew: float
    skew_u: float  # standard uncertainty
    method: Method
    hull_skew: float | None  # from arrivals alone
    hull_skew_u: float | None
    tolerance: float  # half-width that the device declares, relative
    boots: tuple[BootClock, ...]
    gained: float = 0.0  # by arrivals on ticks in one boot, or lost, at most [s of this computer]
    bend: float | None = None  # host seconds gained per device second that arrivals say it changed by within a boot

    @property
    def is_credible(self) -> bool:
        """Arrivals may be those of this clock; else the computer was held up, or the ticks are not what they claim."""
        return self.hull_skew is None or abs(self.hull_skew) <= CREDIBLE

    @property
    def disagreement(self) -> float | None:
        """Fitted rate against the declared tolerance, in standard uncertainties; above ``AGREEMENT`` is a fault."""
        if self.hull_skew is None or self.hull_skew_u is None:
            return None
        return abs(self.hull_skew) / math.hypot(self.hull_skew_u, tolerance_u(self.tolerance))

    @property
    def rate_ppm(self) -> float:
        """Device clock against host, positive when the device is fast. [ppm]."""
        return device_ppm(self.skew)

    @property
    def u_ppm(self) -> float:
        """Standard uncertainty of ``rate_ppm``. [ppm]."""
        return 1e6 * self.skew_u

    def of_boot(self, boot: int) -> BootClock:
        """Return one boot's anchor; ``KeyError`` when there is none."""
        return {b.boot: b for b in self.boots}[boot]

    def to_host_ns(self, boot: int, ticks: NDArray[np.int64]) -> NDArray[np.int64]:
        """Convert unwrapped ticks of one boot to host time, correct to the nanosecond.

        Parameters
        ----------
        boot : int
            Which boot the ticks are of.
        ticks : (N,) array
            Unwrapped device ticks.
        """
        at = self.of_boot(boot)
        nominal = nominal_ns(ticks - at.anchor_ticks, self.tick_hz)
        # The correction is small, so double precision holds it to far below a nanosecond.
        host: NDArray[np.int64] = at.anchor_ns + nominal + _whole_ns(nominal * self.skew)
        return host


def device_ppm(skew: float) -> float:
    """Turn host seconds gained per device second into how fast the device runs. [ppm]."""
    return 1e6 * (1.0 / (1.0 + skew) - 1.0)


def tolerance_u(half_width: float) -> float:
    """Give the standard uncertainty of a rectangular distribution. Source: [GUM] 4.3.7."""
    return half_width / math.sqrt(3.0)


def nominal_ns(ticks: NDArray[np.int64], tick_hz: Fraction) -> NDArray[np.int64]:
    """Turn a number of ticks into nanoseconds of the device's own clock, rounded down, ``FARTHEST_NS`` at most."""
    whole, rest = np.divmod(ticks * tick_hz.denominator, tick_hz.numerator)
    whole = np.clip(whole, -FARTHEST_NS // 10**9, FARTHEST_NS // 10**9)
    nominal: NDArray[np.int64] = whole * 1_000_000_000 + rest * 1_000_000_000 // tick_hz.numerator
    return nominal


def _whole_ns(nanoseconds: NDArray[np.floating]) -> NDArray[np.int64]:
    whole: NDArray[np.int64] = np.clip(np.rint(nanoseconds), -FARTHEST_NS, FARTHEST_NS).astype(np.int64)
    return whole


def unwrap(raw: NDArray[np.int64], modulus: int) -> NDArray[np.int64]:
    """Undo the rollover of a counter that never moves by half its modulus or more between neighbours.

    Parameters
    ----------
    raw : (N,) array
        Counter readings in order, each below ``modulus``.
    modulus : int
        Where the counter starts again from zero.

    Notes
    -----
    Steps are taken as the nearest, so a small step back stays a step back.
    """
    if raw.size == 0:
        return raw.astype(np.int64)
    steps = np.diff(raw.astype(np.int64))
    steps = np.mod(steps + modulus // 2, modulus) - modulus // 2
    return np.concatenate(([raw[0]], raw[0] + np.cumsum(steps))).astype(np.int64)


def scaled_arrivals(arrival_ns: NDArray[np.int64], origin_ns: int, time_scale: float) -> NDArray[np.int64]:
    """Scale arrival times about an origin, for a rehearsal played ``time_scale`` times faster than real time."""
    if time_scale == 1.0:
        return arrival_ns
    return origin_ns + _whole_ns((arrival_ns - origin_ns) * time_scale)


def lower_hull(instant: NDArray[np.float64], delay: NDArray[np.float64]) -> Hull:
    """Find the lower bound of all delays that is highest at the mean instant.

    Parameters
    ----------
    instant, delay : (N,) array, N >= 2
        Device time, not all equal, and arrival minus device time. [s]

    Raises
    ------
    ValueError
        Fewer than two different instants.

    Notes
    -----
    Among lines under all points, the one highest at the mean instant has the least summed distance to them,
    and it is the edge of the lower convex hull that spans the mean. That edge is closed in on from both ends,
    as quickhull does, each step one pass over the points. Source: [Moon99], [Zhang02].
    """
    if instant.size < 2 or np.ptp(instant) <= 0.0:
        raise ValueError("a clock rate needs arrivals at two different instants")
    mean = float(np.mean(instant))
    left = _lowest_at(instant, delay, float(np.min(instant)))
    right = _lowest_at(instant, delay, float(np.max(instant)))
    while True:
        slope = float((delay[right] - delay[left]) / (instant[right] - instant[left]))
        height = (delay - delay[left]) - slope * (instant - instant[left])
        # Outside the two, points lie below by rounding only; taking one up would go round and round.
        height[(instant <= instant[left]) | (instant >= instant[right])] = np.inf
        lowest = int(np.argmin(height))
        if height[lowest] >= 0.0:
            return Hull(
                slope=slope,
                value=float(delay[left] + slope * (mean - instant[left])),
                mean=mean,
                first=left,
                last=right,
            )
        if instant[lowest] <= mean:
            left = lowest
        else:
            right = lowest


def _lowest_at(instant: NDArray[np.float64], delay: NDArray[np.float64], where: float) -> int:
    at = np.flatnonzero(instant == where)
    return int(at[np.argmin(delay[at])])


def hull_slope_u(instant: NDArray[np.float64], delay: NDArray[np.float64], hull: Hull, *, resolution: float) -> float:
    r"""Give the standard uncertainty of a hull's slope.

    Parameters
    ----------
    instant, delay : (N,) array
        As for :func:`lower_hull`. [s]
    hull : Hull
        Its result.
    resolution : float
        Full width by which the least delay of the link may wander unseen. [s]

    Notes
    -----
    The record is cut into ``BLOCKS`` equal lengths of time; the least delay of each above the line shows how
    sharp, and how straight, the lower side is. :math:`u = \sqrt{2 (s^2 + r^2/12)} / l` with s the root mean square
    of those leasts, r the resolution, and l the length of time over which delays touch the line to within the
    larger of the two (the edge itself may be short where the lower side is nearly straight). Own derivation, held
    to be no smaller than the true scatter by a test with exponential, gamma, uniform and polled delays.
    """
    height = (delay - delay[hull.first]) - hull.slope * (instant - instant[hull.first])
    start, length = float(np.min(instant)), float(np.ptp(instant))
    block = np.minimum((BLOCKS * (instant - start) / length).astype(np.int64), BLOCKS - 1)
    least = np.full(BLOCKS, np.inf)
    np.minimum.at(least, block, height)
    roughness = float(np.sqrt(np.mean(least[np.isfinite(least)] ** 2)))
    touching = height <= max(roughness, resolution)
    touching[[hull.first, hull.last]] = True  # the edge itself, whatever its digits say
    lever = float(np.ptp(instant[touching]))
    return math.sqrt(2.0 * (roughness**2 + resolution**2 / 12.0)) / lever


def fit_clock(
    arrivals: Sequence[Arrivals],
    tick_hz: Fraction | float,
    *,
    tolerance: float,
    resolution: float = LINK_RESOLUTION,
    origin_ns: int = 0,
    time_scale: float = 1.0,
) -> ClockFit:
    """Fit one rate for a device and one offset for each of its boots.

    Parameters
    ----------
    arrivals : sequence of Arrivals
        One for each boot, none empty. Fractions of one boot must be joined by the caller.
    tick_hz : Fraction or float
        Nominal ticks in a second.
    tolerance : float
        Half-width that the device declares for its clock, relative.
    resolution : float
        Full width by which the least delay may wander unseen. [s]
    origin_ns, time_scale
        About which and by how much arrivals are stretched first, as in :func:`scaled_arrivals`.

    Notes
    -----
    A reset does not change the oscillator, so all boots share a rate: the mean of their hull slopes weighted by
    inverse variance, then combined in the same way with the declared tolerance, a rectangular distribution about
    zero. When the two differ by more than ``AGREEMENT`` standard uncertainties the declaration is evidently not
    about this clock and the arrivals decide alone, unless they differ by more than ``CREDIBLE``: then the rate is the
    declared one, and nothing has checked it. Each boot's offset is its line at its own mean instant, where
    an error of the rate does least harm; a boot too short for a hull hangs on its least delay.
    """
    frequency = Fraction(tick_hz).limit_denominator(10**6)
    stretched = [replace(part, arrival_ns=scaled_arrivals(part.arrival_ns, origin_ns, time_scale)) for part in arrivals]
    pieces = [_piece(part, frequency, resolution) for part in stretched]
    slopes = [(p.hull.slope, p.hull_u) for p in pieces if p.hull is not None]
    hull_skew, hull_u = _weighted(slopes) if slopes else (None, None)
    skew, skew_u = 0.0, tolerance_u(tolerance)
    method: Method = "tolerance"
    if hull_skew is not None and hull_u is not None and abs(hull_skew) <= CREDIBLE:
        if abs(hull_skew) > AGREEMENT * math.hypot(hull_u, tolerance_u(tolerance)) or tolerance == 0.0:
            skew, skew_u, method = hull_skew, hull_u, "arrivals"
        else:
            skew, skew_u = _weighted([(hull_skew, hull_u), (0.0, tolerance_u(tolerance))])
            method = "arrivals and tolerance"
    hulls = [piece for piece in pieces if piece.hull is not None]
    bends = [change for piece in hulls if (change := rate_change(piece.instant, piece.delay, resolution)) is not None]
    bend = max(bends, key=abs, default=None)
    if bend is not None:
        skew, skew_u, method = 0.0, tolerance_u(tolerance), "tolerance"
    boots = tuple(_anchor(piece, skew) for piece in pieces)
    gained = max((abs(p.hull.slope) * float(np.ptp(p.instant)) for p in pieces if p.hull is not None), default=0.0)
    return ClockFit(
        tick_hz=frequency,
        skew=skew,
        skew_u=skew_u,
        method=method,
        hull_skew=hull_skew,
        hull_skew_u=hull_u,
        tolerance=tolerance,
        boots=boots,
        gained=gained / time_scale,
        bend=bend,
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class _Piece:
    """One boot's arrivals, made relative so that doubles hold every nanosecond."""

    part: Arrivals
    tick_hz: Fraction
    instant: NDArray[np.float64]  # [s] since the first row
    delay: NDArray[np.float64]  # [s] since the first arrival, minus ``instant``
    hull: Hull | None
    hull_u: float


def _piece(part: Arrivals, tick_hz: Fraction, resolution: float) -> _Piece:
    device = nominal_ns(part.ticks - part.ticks[0], tick_hz)
    host = part.arrival_ns - part.arrival_ns[0]
    instant, delay = device / 1e9, (host - device) / 1e9
    if part.ticks.size < LEAST_ARRIVALS or np.ptp(part.arrival_ns) == 0 or np.ptp(part.ticks) == 0:
        return _Piece(part=part, tick_hz=tick_hz, instant=instant, delay=delay, hull=None, hull_u=math.inf)
    hull = lower_hull(instant, delay)
    blur = math.hypot(resolution, float(1 / tick_hz))  # a tick is where a stamp may lie unseen, too
    return _Piece(
        part=part,
        tick_hz=tick_hz,
        instant=instant,
        delay=delay,
        hull=hull,
        hull_u=hull_slope_u(instant, delay, hull, resolution=blur),
    )


def _weighted(values: Sequence[tuple[float, float]]) -> tuple[float, float]:
    weights = [1.0 / u**2 for _, u in values]
    mean = math.fsum(w * v for w, (v, _) in zip(weights, values, strict=True)) / math.fsum(weights)
    return mean, 1.0 / math.sqrt(math.fsum(weights))


def _anchor(piece: _Piece, skew: float) -> BootClock:
    """Place a boot at the whole tick below its mean instant."""
    part = piece.part
    start, reach = int(part.ticks[0]), (int(part.ticks.min()), int(part.ticks.max()))
    middle = min(max(start + int(np.mean(part.ticks - start)), reach[0]), reach[1]) - start
    nominal = int(nominal_ns(np.array([middle]), piece.tick_hz)[0])
    if piece.hull is not None:
        delay = piece.hull.value + piece.hull.slope * (1e-9 * nominal - piece.hull.mean)
    else:
        delay = float(np.min(piece.delay - skew * (piece.instant - 1e-9 * nominal)))
    late = int(_whole_ns(np.array(1e9 * delay)))
    return BootClock(part.boot, start + middle, int(part.arrival_ns[0]) + nominal + late)
