"""The clock of an imported file: whole ticks since its first row, as printed, or as fitted where stamps are uneven.

A rollover is undone; stamps that are coarser than rows come are spread; stamps that scatter about even rows are put
on the rows' own lattice, and what that lattice lacks is lost.
"""

from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path

import numpy as np

from standbook.daq.arrays import Array, Ints
from standbook.daq.config.csv_mapping import CsvMapping
from standbook.daq.config.printed_counts import counted
from standbook.daq.errors import ConfigError, DataError
from standbook.daq.other_recorders.coarse_timestamps import NEAR_ENOUGH, spread
from standbook.daq.other_recorders.row_clock import RowClock, fit_row_clock
from standbook.daq.quantity import UNITS
from standbook.daq.recovery.device_clock import unwrap

UNEVEN = 0.05  # of an interval: scatter of the stamps below which they are taken as printed
FINEST_HZ = 2**62  # ticks in a second; sums of more overflow
MOST_STEPS = 2**60  # before a clock rolls over
FINER = 1000  # ticks of a fitted clock in one of the printed one


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class FileClock:
    """Time of each row."""

    ticks: Ints  # (N,) since the first row, nearly
    tick_hz: Fraction
    fitted: RowClock | None  # where stamps scatter about even rows

    @property
    def remark(self) -> str | None:
        """Say that the rows' clock was fitted, and what it found."""
        if self.fitted is None:
            return None
        return (
            f"row clock fitted: stamps scatter by {self.fitted.scatter:.2f} of an interval about even rows, "
            f"{int(self.fitted.lost.sum())} rows lost"
        )


def file_clock(printed: Array, line: Ints, mapping: CsvMapping, path: Path) -> FileClock:
    """Read the file's clock.

    Parameters
    ----------
    printed : (N,) array
        Its column, in the mapping's unit.
    line : (N,) array
        Line of the file that each row came from.

    Raises
    ------
    ConfigError
        The modulus is no whole number of the clock's steps, or the clock goes beyond it.
    DataError
        Time runs backwards, or never moves.
    """
    clock = counted(printed)
    ticks = clock.counts
    if mapping.clock_modulus is not None:
        modulus = round(mapping.clock_modulus / clock.resolution)
        if modulus > MOST_STEPS:
            raise ConfigError(
                f"{path}: clock_modulus {mapping.clock_modulus:g} is {modulus:.3g} steps of the clock, more than any "
                "clock counts; correct it in the mapping"
            )
        if abs(modulus * clock.resolution - mapping.clock_modulus) > 1e-12 * mapping.clock_modulus:
            raise ConfigError(
                f"{path}: clock_modulus {mapping.clock_modulus:g} is no multiple of the clock's step "
                f"{clock.resolution:g}"
            )
        beyond = np.flatnonzero((ticks < 0) | (ticks >= modulus))
        if beyond.size:
            raise ConfigError(
                f'{path} line {line[beyond[0]]}: "{mapping.clock}" reads '
                f"{printed[beyond[0]]:.12g} {mapping.clock_unit}, not from 0 to below "
                f"clock_modulus {mapping.clock_modulus:.12g}; correct it in the mapping"
            )
        ticks = unwrap(ticks, modulus)
    back = np.flatnonzero(np.diff(ticks) < 0)
    if back.size:
        row = int(back[0]) + 1
        before, after = (printed[k] for k in (row - 1, row))
        raise DataError(
            f'{path} line {line[row]}: time runs backwards: "{mapping.clock}" goes from {before:.12g} to '
            f"{after:.12g} {mapping.clock_unit}; if the clock rolled over, state clock_modulus in the mapping; if the "
            "logger started again, import each part as a file of its own"
        )
    if ticks[-1] == ticks[0]:
        raise DataError(f'{path}: the clock column "{mapping.clock}" never changes')
    unit = Fraction(UNITS["time"][mapping.clock_unit]).limit_denominator(10**9)
    rate = 1 / (unit * clock.step)
    if rate * FINER > FINEST_HZ:
        raise _too_fine(path, mapping.clock, rate)
    fitted = fit_row_clock(ticks - ticks[0], float(rate))
    if fitted is not None and fitted.tells and fitted.scatter > UNEVEN:
        return FileClock(ticks=np.rint(FINER * fitted.time).astype(np.int64), tick_hz=rate * FINER, fitted=fitted)
    rows = spread(ticks - ticks[0])
    if not rows.even and rows.step / rate > NEAR_ENOUGH:
        raise DataError(
            f'{path}: "{mapping.clock}" has the reading of the row before in {rows.shared} of {ticks.size} rows, and '
            f"unevenly: when rows came between two readings, {float(rows.step / rate):.3g} s apart, is not known; "
            "export the time with more digits"
        )
    if rate * rows.factor > FINEST_HZ:
        raise _too_fine(path, mapping.clock, rate)
    return FileClock(ticks=rows.ticks, tick_hz=rate * rows.factor, fitted=None)


def _too_fine(path: Path, clock: str, rate: Fraction) -> DataError:
    return DataError(f'{path}: "{clock}" is printed to {float(1 / rate):.0e} s, finer than any clock; round the column')
