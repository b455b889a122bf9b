"""A tank that stands, empties and stands again, as a sensor with noise and a converter records it."""

from dataclasses import replace

import numpy as np

from standbook.analysis.flow_ends.flow_ends import TankRecord
from standbook.analysis.record_faults.flow_trace import flow_trace

START, BACK, STEP = 30e5, 1e5, 200.0  # absolute [Pa]; of the converter [Pa]
GROWTH = 0.1  # of the ullage, a second at the first drive
RATE = 500.0  # Hz
ENDS = 6.0  # s; the valve opens at zero


def tank_record(*, flows=((0.0, ENDS, 1.0),), noise=600.0, seed=0, hold=5.0, after=6.0):
    """Return a record; ``flows`` are begin, end and area over that of the valve full open."""
    fine = np.arange(-hold, flows[-1][1] + after, 5e-3)
    area = np.zeros(fine.size)
    for begin, end, share in flows:
        area += share * np.clip((fine - begin) / 0.1 + 0.5, 0.0, 1.0) * np.clip((end - fine) / 0.1 + 0.5, 0.0, 1.0)
    volume, pressure = 1.0, np.full(fine.size, START)
    for k in range(1, fine.size):
        drive = max(pressure[k - 1] - BACK, 0.0) / (START - BACK)
        volume += GROWTH * area[k] * drive**0.5 * 5e-3
        pressure[k] = START * volume**-1.25
    time = np.arange(-hold, fine[-1], 1.0 / RATE)
    seen = np.interp(time, fine, pressure) + noise * np.random.default_rng(seed).standard_normal(time.size)
    return recorded(time, seen)


def recorded(time, pressure):
    """Return readings as the converter gives them."""
    rounded = STEP * np.rint(pressure / STEP)
    return TankRecord(time=time, pressure=rounded, drive=rounded - BACK, step=STEP)


def altered(record, change):
    """Return the record with its pressure changed: a function of time and pressure."""
    return recorded(record.time, change(record.time, record.pressure))


def without(record, start, end):
    """Return the record without the rows between two instants."""
    kept = (record.time < start) | (record.time >= end)
    return replace(record, time=record.time[kept], pressure=record.pressure[kept], drive=record.drive[kept])


def counts_of(record):
    """Return the converter's counts."""
    return np.rint(record.pressure / STEP).astype(np.int64)


def trace_of(record, *, end=ENDS, end_u=0.01):
    """Return the flow as the tests of a record see it, its end wherever it was found."""
    return flow_trace(record, opening=0.0, end=end, end_u=end_u, rest_from=float(record.time[0]))
