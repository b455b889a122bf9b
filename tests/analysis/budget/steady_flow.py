"""One flow that never changes, so that what an error of a sensor does to its CdA is known by hand."""

import numpy as np

from standbook.analysis.blowdown.record import AveragedDischarge


def steady_flow(back_pressure):
    """A flow of 4 kg in 10 s at a steady 10 bar(a), against a back pressure [Pa]."""
    time = np.linspace(0.01, 9.99, 400)
    return AveragedDischarge(
        time=time,
        pressure=np.full(400, 10e5),
        back_pressure=np.full(400, back_pressure),
        count=np.full(400, 10.0),
        start_pressure=10e5,
        density=1000.0,
        opening_time=0.0,
        end_time=10.0,
        ullage_volume=1e-2,
        expelled_mass=4.0,
        head=None,
        removed=0,
    )
