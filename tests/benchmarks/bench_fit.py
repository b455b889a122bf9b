"""Time of one water flow's analysis: python tests/benchmarks/bench_fit.py

Target: joint fit of a 10 s record at 1 kHz in 0.1 s, six million samples in 1 s.
"""

import time

import numpy as np

from standbook.analysis.blowdown.direct_cda import direct_cda
from standbook.analysis.blowdown.exponent import exponent_from_pv
from standbook.analysis.blowdown.joint_fit import joint_fit
from standbook.analysis.blowdown.record import DischargeRecord, NoteUncertainties, SensorUncertainties
from standbook.analysis.physics.blowdown import Discharge, discharge_history

SENSOR = SensorUncertainties(gain_u=0.003, zero_u=7e3)
NOTES = NoteUncertainties(ullage_volume_u=5e-5, mass_u=0.03, density_u=0.3, ambient_u=50.0, clock_u=1e-5, end_u=0.005)


def record(rate: float, duration: float = 10.0) -> DischargeRecord:
    """Return a constant-exponent flow from 35 bar with 0.1 % of 50 bar of noise."""
    instants = np.arange(-2.0, duration, 1.0 / rate)
    truth = Discharge(
        start_pressure=35e5,
        ullage_volume=0.02,
        exponent=1.4,
        cda=1.4e-5,
        density=998.2,
        back_pressure=101325.0,
        end_volume=0.04,
        exponent_drift=-0.3,
    )
    clean = discharge_history(instants, truth)
    noisy = clean.pressure + 5e3 * np.random.default_rng(1).standard_normal(instants.size)
    mass = 998.2 * float(clean.volume[-1] - 0.02)
    return DischargeRecord(
        time=instants,
        pressure=noisy,
        back_pressure=101325.0,
        density=998.2,
        opening_time=0.0,
        end_time=float(instants[-1]),
        ullage_volume=0.02,
        expelled_mass=mass,
    )


def best(of: int, call: object, *arguments: object, **named: object) -> float:
    """Return the shortest of some runs. [s]."""
    times = []
    for _ in range(of):
        begin = time.perf_counter()
        call(*arguments, **named)  # type: ignore[operator]
        times.append(time.perf_counter() - begin)
    return min(times)


if __name__ == "__main__":
    for rate, times in ((1e3, 20), (6e5, 2)):
        flow = record(rate)
        for call in (direct_cda, exponent_from_pv, joint_fit):
            seconds = best(times, call, flow, sensor=SENSOR, notes=NOTES)
            print(f"{flow.time.size:>9} samples  {call.__name__:<18} {seconds * 1e3:8.1f} ms")
