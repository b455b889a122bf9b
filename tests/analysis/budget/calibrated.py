"""A load cell calibrated at levels, its sensor bent by as much as asked, and the course of a firing on it."""

import numpy as np

from standbook.daq.config.calibration import Calibration, fit_polynomial

FULL = 3000.0  # N, highest level
BENDS = {
    "bow": lambda x: 4.0 * x * (1.0 - x),
    "S": lambda x: np.sin(2.0 * np.pi * x),
    "skew": lambda x: 6.75 * x * (1.0 - x) ** 2,
}


def signal_of(force, shape="bow", percent=0.0):
    """What a sensor of 2 mV/V at its highest level gives; it departs from the line by ``percent`` of the range."""
    x = np.asarray(force, dtype=np.float64) / FULL
    return 2.0 * (x + 0.01 * percent * BENDS[shape](x))


def calibrated(signal, force, degree=1):
    """Fit a calibration to points, as `standbook` would."""
    pivot = float(np.mean(signal))
    fit = fit_polynomial(signal, force, degree, pivot)
    return Calibration.model_validate(
        {
            "tag": "LC-1",
            "revision": "r01",
            "sensor": "load cell",
            "sensor_serial": "LC-0001",
            "date": "2031-01-01",
            "valid_until": "2032-01-01",
            "signal_unit": "mV/V",
            "reading_unit": "N",
            "lowest": 0.0,
            "highest": FULL,
            "pivot": pivot,
            "coefficients": fit.coefficients.tolist(),
            "covariance": fit.covariance.tolist(),
            "points": [(float(x), float(y), "up") for x, y in zip(signal, force, strict=True)],
        }
    )


def levels(runs=1, scatter=0.0, shape="bow", percent=0.0, random=None):
    """Six levels up and down, as often as asked: signal and force."""
    once = np.linspace(0.0, FULL, 6)
    force = np.tile(np.concatenate([once, once[::-1]]), runs)
    noise = random.normal(0.0, scatter * 2.0, force.size) if random is not None else 0.0
    return signal_of(force, shape, percent) + noise, force


def course():
    """A blowdown of 19.5 s from 2,591 to 1,297 N whose impulse is 34,528 N*s; exponential between: times, thrust."""
    time = np.linspace(0.0, 19.5, 2001)
    rate = 1.6817  # so that the impulse is right
    fall = (np.exp(-rate * time / 19.5) - np.exp(-rate)) / (1.0 - np.exp(-rate))
    return time, 1297.0 + (2591.0 - 1297.0) * fall
