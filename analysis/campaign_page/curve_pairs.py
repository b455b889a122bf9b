"""Lay the curves of two runs over each other at one instant, and take the first from the second. SI."""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Literal, get_args

import numpy as np

from standbook.analysis.results.curves import Curve
from standbook.analysis.results.results import Results
from standbook.daq.arrays import Array
from standbook.daq.config.measurands import CHAMBER_PRESSURE, TANK_PRESSURE, THRUST
from standbook.daq.errors import DataError

Align = Literal["t0", "opening", "thrust-start"]
ALIGNS: tuple[Align, ...] = get_args(Align)
DRAWN = (THRUST, CHAMBER_PRESSURE, TANK_PRESSURE)  # what is before the stroke of a curve's name
MEAN = "mean"


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class CurvePair:
    """One quantity of two runs over time from the instant at which they are laid over each other."""

    name: str  # "tank pressure/fuel"
    unit: str
    first: tuple[Array, Array]  # (N,) [s], (N,) [unit]
    second: tuple[Array, Array]
    difference: tuple[Array, Array]  # second less first, where both are


def instant(name: str, results: Results, align: Align) -> float:
    """Return the instant of a run that counts as zero. [s] after T-0.

    Raises
    ------
    DataError
        The run has no such event.
    """
    if align == "t0":
        if results.t_zero is None:
            raise DataError(f"{name}: has no T-0 to be laid over; align by opening")
        return 0.0
    what = "valve open" if align == "opening" else "thrust start"
    times = [event.time for event in results.events if event.name.endswith(what)]
    if not times:
        raise DataError(f'{name}: no "{what}" was found in it, so it is not aligned by it; align by t0')
    return min(times)


def curve_pairs(
    first: tuple[Mapping[str, Curve], float], second: tuple[Mapping[str, Curve], float]
) -> Iterator[CurvePair]:
    """Pair thrust, chamber and tank pressures that both runs have; each run: its curves, and its zero [s] after T-0.

    The difference is on the first run's instants, the second's linear between its own, and nowhere else.
    """
    for name, one in first[0].items():
        other = second[0].get(name)
        if name.partition("/")[0] not in DRAWN or other is None:
            continue
        at, there = one.time - first[1], other.time - second[1]
        value, against = one.columns[MEAN], other.columns[MEAN]
        both = (at >= there[0]) & (at <= there[-1])
        moved = np.interp(at[both], there, against) - value[both]
        yield CurvePair(
            name=name, unit=one.unit, first=(at, value), second=(there, against), difference=(at[both], moved)
        )
