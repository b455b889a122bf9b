"""Records whose truth is the fitted law itself, so that nothing else can hide an error: 10 L in 10 s from 35 bar."""

from dataclasses import replace

import numpy as np

from standbook.analysis.blowdown.record import DischargeRecord, NoteUncertainties, SensorUncertainties
from standbook.analysis.physics.blowdown import Discharge, discharge_history

AMBIENT = 101325.0
EXACT = SensorUncertainties()
NO_NOTES = NoteUncertainties()
MASS_ONLY = NoteUncertainties(mass_u=0.02)
CDA = 1.353e-5  # empties 10 L in about 10 s from 35 bar
TRUTH = Discharge(
    start_pressure=35e5,
    ullage_volume=0.020,
    exponent=1.48,
    cda=CDA,
    density=998.2,
    back_pressure=AMBIENT,
    end_volume=0.031,
    exponent_drift=-0.31,
)


def make(truth=TRUTH, *, rate=1000.0, duration=9.0, noise=0.0, seed=0, lead=2.5, stroke=0.0):
    time = np.arange(-lead, duration + 0.1, 1.0 / rate)
    truth = replace(truth, stroke=stroke)
    clean = discharge_history(np.minimum(time, duration), truth)
    end = discharge_history(np.array([duration]), truth)
    pressure = clean.pressure + noise * np.random.default_rng(seed).standard_normal(time.size)
    return DischargeRecord(
        time=time,
        pressure=pressure,
        back_pressure=truth.back_pressure,
        density=truth.density,
        opening_time=0.0,
        end_time=duration,
        ullage_volume=truth.ullage_volume,
        expelled_mass=truth.density * float(end.volume[0] - truth.ullage_volume),
        head=truth.head,
    )
