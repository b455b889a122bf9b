"""Hold the levels of a sheet against what the sensor will read: by plans, else by what it is made for."""

from collections.abc import Sequence
from dataclasses import dataclass

from standbook.analysis.calibration_sheet.calibrate import Calibrated
from standbook.daq.config.calibration import CARRIED
from standbook.daq.quantity import dimension_of, parse_unit

MOST = 0.95  # of the sensor's range: levels up to there are said to cover it; judgement
DIGITS = 3


@dataclass(frozen=True, slots=True, kw_only=True)
class ExpectedReading:
    """The greatest reading that a plan expects of the sensor."""

    plan: str  # where it lies in the campaign, "plans/HF-02.toml"
    value: float  # SI; a pressure absolute
    ambient: float  # of the site [Pa]


def reach_caution(c: Calibrated, expected: Sequence[ExpectedReading]) -> str | None:
    """Say that readings to come lie beyond the highest level; ``None`` where they do not, or nobody can know."""
    highest = float(abs(c.levels.reading).max())
    ends = f"this calibration ends at {_written(highest, c.unit)}"
    if not expected:
        return _of_range(c, highest, ends)
    gauge = parse_unit(c.unit, dimension_of(c.unit))[1] == "gauge"
    most = max(expected, key=lambda one: one.value)
    reading = (most.value - (most.ambient if gauge else 0.0)) / c.applied.scale
    if reading <= highest:
        return None
    return (
        f"{most.plan} expects up to {_written(reading, c.unit)}; {ends} and holds no reading above "
        f"{_written(CARRIED * highest, c.unit)}."
    )


def _of_range(c: Calibrated, highest: float, ends: str) -> str | None:
    """Say which share of the sensor's own range the levels cover, where it is known and they do not cover it."""
    range_end = max((abs(end) for end in c.range), default=0.0)
    if dimension_of(c.unit) not in ("force", "pressure") or highest >= MOST * range_end:
        return None
    return (
        f"No plan says what {c.sheet.tag} will read; {ends}, {100.0 * highest / range_end:.0f} % of its range to "
        f"{_written(range_end, c.unit)}, and holds no reading above {_written(CARRIED * highest, c.unit)}."
    )


def _written(value: float, unit: str) -> str:
    return f"{float(f'{value:.{DIGITS}g}'):,.6g} {unit}"
