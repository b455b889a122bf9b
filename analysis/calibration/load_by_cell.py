r"""What the stand's cell says of a load of propellant, and of what boils off it.

A cross-check: weighed containers lead. Hoses, frost and a zero that is hours old leave a few tenths of a kilogram, and
wind hides all but large rates. SI; readings are cell readings, the zero not taken off. Vented tanks only: pressure
stops the boiling and moves the zero.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from standbook.analysis.calibration.leak_rate import DETECTION, ONE_SIDED
from standbook.analysis.calibration.slopes import Slope, slope_of
from standbook.daq.arrays import Array
from standbook.daq.errors import DataError

BLOCKS = 20
WALK_SHARE = 1.2  # of a random walk's intensity over the hold, in the variance of a straight line's slope; derived, 6/5
AGREES = 3.0  # of the combined u
LEAST_SPANS = 4  # lengths of a hold that a night record must contain

Said = Literal["agrees", "differs", "cannot tell"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Load:
    """A load with its standard uncertainty. [kg]."""

    mass: float
    u: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Zeros:
    """What the cell read before filling, and how far that may have moved since."""

    reading: float  # [N]
    moved_u: float  # [N]
    hoses_u: float  # what hoses, chill-down and frost push by [N]


@dataclass(frozen=True, slots=True, kw_only=True)
class Path:
    """Between load and cell: factor of true force over cell force, what pressure in the lines pushes."""

    factor: tuple[float, float]  # and its u, at the pressure of the reading [-]
    line_load: float = 0.0  # [N/Pa]


def load_by_cell(reading: float, zeros: Zeros, path: Path, *, pressure: float, gravity: float) -> Load:
    r"""Return the load on a cell.

    Parameters
    ----------
    reading : float
        Of the cell, loaded. [N]
    zeros, path
        Its zero, and what is between load and cell.
    pressure : float
        In the lines, gauge. [Pa]
    gravity : float
        At the stand. [m/s²]

    Notes
    -----
    :math:`m = f (R - R_0 - \lambda p) / g`. Derived.
    """
    force = reading - zeros.reading - path.line_load * pressure
    factor, factor_u = path.factor
    mass = factor * force / gravity
    moved = math.hypot(zeros.moved_u, zeros.hoses_u) * factor / gravity
    return Load(mass=mass, u=math.hypot(moved, mass * factor_u / factor))


def against_containers(cell: Load, containers: Load) -> tuple[Said, str]:
    """Hold the load by the cell against the one by weighed containers, which leads."""
    u = math.hypot(cell.u, containers.u)
    apart = cell.mass - containers.mass
    if abs(apart) > AGREES * u:
        return "differs", (
            f"the cell carries {apart:+.2f} kg against the containers, which {AGREES * u:.2f} kg would cover: weigh the"
            " containers again, then look for what pushes the cell"
        )
    return "agrees", (
        f"the cell agrees with the containers within {AGREES * u:.2f} kg; surely seen from"
        f" {(AGREES + ONE_SIDED) * u:.2f} kg on"
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class NightRecord:
    """How an unloaded cell wanders by itself, in the air of the day."""

    walk: float  # of its random walk [N/s^½]
    drift: float  # of its straight drift, standard [N/s]


def night_record(nights: Sequence[tuple[Array, Array]], *, hold: float) -> NightRecord:
    r"""Return how an unloaded cell wanders, from records some times as long as the hold that it is asked for.

    Parameters
    ----------
    nights : sequence of two (N,) arrays
        Of each, instants, rising [s]; the unloaded cell's reading [N]. Drift needs more than one to be known.
    hold : float
        Length of the hold. [s]

    Raises
    ------
    DataError
        A record is too short.

    Notes
    -----
    Records are cut into stretches as long as the hold. Slopes of the stretches scatter about their mean as a walk does
    over that time, once what their own blocks show is taken off: the hold brings its own gusts. The means are the
    drift, of either sign on another day. Variances of few are widened by 1 + 2 / freedom. Derived.
    """
    scatter, means, freedom = 0.0, [], 0
    for time, reading in nights:
        slopes = _stretches(time, reading, hold)
        value = np.array([slope.value for slope in slopes])
        shown = float(np.mean([slope.blocks_u**2 for slope in slopes]))
        scatter += (float(np.var(value, ddof=1)) - shown) * (value.size - 1)
        freedom += value.size - 1
        means.append(float(np.mean(value)))
    walk = max(scatter / freedom, 0.0) * (1.0 + 2.0 / freedom)
    drift = float(np.mean(np.square(means))) * (1.0 + 2.0 / len(means))
    return NightRecord(walk=math.sqrt(walk * hold / WALK_SHARE), drift=math.sqrt(drift))


def _stretches(time: Array, reading: Array, hold: float) -> list[Slope]:
    """Return the slopes of stretches as long as a hold."""
    count = int((time[-1] - time[0]) / hold * (1.0 + 1e-9))
    if count < LEAST_SPANS:
        raise DataError(
            f"{time[-1] - time[0]:.0f} s of an unloaded cell; {LEAST_SPANS} times the hold of {hold:.0f} s are needed"
        )
    ends = time[0] + hold * np.arange(count + 1)
    parts = [(time >= ends[k]) & (time <= ends[k + 1]) for k in range(count)]
    return [slope_of(time[part], reading[part], blocks=BLOCKS) for part in parts]


@dataclass(frozen=True, slots=True, kw_only=True)
class BoilOff:
    """Rate at which a load grows less, with its standard uncertainty. [kg/s]."""

    rate: float
    u: float
    blocks_u: float
    wander_u: float
    held: float  # [s]

    @property
    def seen(self) -> bool:
        """Tell whether the rate stands out of its uncertainty."""
        return self.rate > DETECTION * self.u

    @property
    def at_most(self) -> float:
        """What the rate stays below, 19 times in 20. [kg/s]."""
        return max(self.rate, 0.0) + ONE_SIDED * self.u

    @property
    def sentence(self) -> str:
        """Say the rate in grams a minute, or what it stays below."""
        seen = f"surely seen from {DETECTION * self.u * 6e4:.2g} g/min on"
        if self.seen:
            return f"boil-off {self.rate * 6e4:.3g} +/- {self.u * 6e4:.2g} g/min; {seen}"
        return f"boil-off less than {self.at_most * 6e4:.2g} g/min; {seen}"


def boil_off(time: Array, reading: Array, night: NightRecord, *, path: Path, gravity: float) -> BoilOff:
    r"""Return the rate at which a vented load grows less.

    Parameters
    ----------
    time, reading : (N,) array
        Instants of the hold, rising [s]; of the cell, a load pressing it further [N].
    night : NightRecord
        How the unloaded cell wanders.
    path : Path
        Between load and cell.
    gravity : float
        At the stand. [m/s²]

    Notes
    -----
    :math:`u^2 = u_{blocks}^2 + 1.2\, w^2 / T + d^2` with walk w and drift d of the unloaded cell. Derived.
    """
    slope = slope_of(time, reading, blocks=BLOCKS)
    per_newton = path.factor[0] / gravity
    wander = math.hypot(math.sqrt(WALK_SHARE / slope.span) * night.walk, night.drift)
    rate = -slope.value * per_newton
    gain = rate * path.factor[1] / path.factor[0]
    return BoilOff(
        rate=rate,
        u=math.hypot(per_newton * slope.blocks_u, per_newton * wander, gain),
        blocks_u=per_newton * slope.blocks_u,
        wander_u=per_newton * wander,
        held=slope.span,
    )


def load_at_start(weighed: Load, boiling: BoilOff, waited: float) -> Load:
    r"""Return what is left of a load after a wait [s]: weighed, less boil-off.

    Notes
    -----
    A rate that is not seen enters as nothing, with its limit over :math:`\sqrt 3`.
    """
    rate, u = (boiling.rate, boiling.u) if boiling.seen else (0.0, boiling.at_most / math.sqrt(3.0))
    return Load(mass=weighed.mass - rate * waited, u=math.hypot(weighed.u, u * waited))
