"""Zeros and shunt steps of a campaign's checks in their order, each with the limits that the ones before it set."""

import datetime as dt
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from standbook.analysis.stand_checks.charts import Limits, limits
from standbook.analysis.stand_checks.comparisons import SHUNT_U
from standbook.daq.arrays import Array
from standbook.daq.config.calibration import Calibration
from standbook.daq.stand_sheets.check_file import CheckFile

ZERO, SHUNT_STEP = "zero of ", "shunt step of "
FEWEST = 2  # values: one alone is no chart


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Chart:
    """One value from check to check."""

    name: str  # "zero of LC-1"
    unit: str
    at: tuple[dt.datetime, ...]  # rising
    value: Array  # (N,)
    known_u: float  # of one value by its calibration

    def limits_before(self, number: int) -> Limits:
        """Return the limits that a value was held against, from the second on."""
        return limits(self.value[:number], self.known_u)

    @property
    def outside(self) -> Array:
        """Numbers of the values that lay outside of their limits."""
        found = [k for k in range(1, self.value.size) if not self._holds(k)]
        return np.array(found, dtype=np.float64)

    def _holds(self, number: int) -> bool:
        before = self.limits_before(number)
        return bool(before.low <= self.value[number] <= before.high)


def charts_of(checks: Sequence[CheckFile], calibrations: Mapping[str, Calibration]) -> tuple[Chart, ...]:
    """Return a chart of each zero and shunt step that was taken twice or more; the widest departures first."""
    found = []
    for name in dict.fromkeys(name for sheet in checks for name in sheet.values):
        tag = name.removeprefix(ZERO).removeprefix(SHUNT_STEP)
        taken = [(sheet.at, sheet.values[name]) for sheet in sorted(checks, key=lambda s: s.at) if name in sheet.values]
        if tag == name or tag not in calibrations or len(taken) < FEWEST:
            continue
        c, is_zero = calibrations[tag], name.startswith(ZERO)
        value = np.array([one for _, one in taken]) / (c.scale if is_zero else 1.0)
        u = c.zero_uncertainty if is_zero else SHUNT_U / math.sqrt(2.0) * abs(float(np.median(value)))
        if u == 0.0:
            continue  # its calibration does not say how far zero may move
        found.append(
            Chart(
                name=name,
                unit=c.reading_unit.partition("(")[0] if is_zero else c.signal_unit,  # how far off: no (a) or (g)
                at=tuple(at for at, _ in taken),
                value=value,
                known_u=u,
            )
        )
    return tuple(sorted(found, key=_departure, reverse=True))


def _departure(chart: Chart) -> float:
    """Return how far the newest value lies from the middle of its limits, in their half-widths."""
    before = chart.limits_before(chart.value.size - 1)
    return abs(float(chart.value[-1]) - before.middle) / max(before.high - before.middle, 1e-300)
