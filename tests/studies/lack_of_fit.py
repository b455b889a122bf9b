"""Is what a line misses its levels by in the budget? Bent load cells, calibrated as a crew would, on a blowdown.

Six levels up and down, one run or three; the truth is the bent sensor's own signal. Scatter and misfit of each
calibration are carried along the course; the interval is Student's. Run from the project's folder:

    python -m tests.studies.lack_of_fit --calibrations 2000
"""

import argparse
import math
from dataclasses import dataclass

import numpy as np

from standbook.analysis.budget.lack_of_fit import bend_of, misfit_of
from standbook.analysis.budget.terms import Term, impulse_result
from tests.analysis.budget.calibrated import calibrated, course, levels, signal_of

SCATTER = 2e-4  # of the range, standard deviation of one point
BENDS = (
    ("bow", 0.0),
    ("bow", 0.025),
    ("bow", 0.05),
    ("bow", 0.1),
    ("S", 0.05),
    ("S", 0.1),
    ("skew", 0.05),
    ("skew", 0.1),
)


@dataclass(frozen=True)
class Found:
    """One kind of bend."""

    covered: float  # share of the intervals that hold the true impulse
    bias: float  # mean error, percent
    u: float  # mean of the lack of fit, percent
    bent: float  # share that a parabola is asked for


def of_bend(shape, percent, runs, calibrations, seed=0):
    """Calibrate again and again, and carry each along the same course."""
    random = np.random.default_rng([seed, runs, round(1e4 * percent), ord(shape[0])])
    time, thrust = course()
    impulse = float(np.trapezoid(thrust, time))
    signal = signal_of(thrust, shape, percent)
    held, errors, missed, bent = [], [], [], []
    for _ in range(calibrations):
        c = calibrated(*levels(runs, SCATTER, shape, percent, random))
        rest = float(c.reading(np.zeros(1))[0])
        reading = c.reading(signal)
        error = float(np.trapezoid(reading - rest, time)) - impulse
        slope = float(np.trapezoid(signal, time))  # dI / d slope; the zero is taken off
        misfit = misfit_of(c)
        lack = float(np.trapezoid(misfit.at(reading) - misfit.at(np.array([rest]))[0], time))
        terms = [
            Term("calibration scatter", slope * math.sqrt(c.covariance[1][1]), c.degrees_of_freedom),
            Term("lack of fit", lack, misfit.dof),
        ]
        result = impulse_result(impulse + error, terms, lower_bound_only=False, unseen=0.0)
        held.append(abs(error) <= result.expanded)
        errors.append(error)
        missed.append(abs(lack))
        bent.append(bend_of(c).shown)
    share = 100.0 / impulse
    return Found(
        covered=float(np.mean(held)),
        bias=share * float(np.mean(errors)),
        u=share * float(np.mean(missed)),
        bent=float(np.mean(bent)),
    )


def main():
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--calibrations", type=int, default=2000, help="of each bend")
    parser.add_argument("--seed", type=int, default=0)
    asked = parser.parse_args()
    for shape, percent in BENDS:
        for runs in (1, 3):
            found = of_bend(shape, percent, runs, asked.calibrations, asked.seed)
            print(
                f"{shape:4s} {percent:5.3f} %  {runs} runs  covered {100.0 * found.covered:5.1f} %  bias "
                f"{found.bias:+.3f} %  u {found.u:.3f} %  F asks for a parabola {100.0 * found.bent:5.1f} %",
                flush=True,
            )


if __name__ == "__main__":
    main()
