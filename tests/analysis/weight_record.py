"""A load cell's reading of a simulated firing whose tanks ride on the cell, hang over it or stand beside it."""

import numpy as np

from standbook.analysis.signal.windows import Window

G = 9.80665
START, END = 0.0, 19.5
BEFORE, AFTER = Window(-2.3, -0.3), Window(21.0, 23.0)


def firing(sign, *, zero=12.0, noise=2.0, seed=3):
    """Thrust falling from 2600 to 1300 N while 17.2 kg leave in proportion; cell reading with its weight."""
    time = np.arange(-5.0, 26.0, 1e-3)
    burning = (time >= START) & (time <= END)
    thrust = np.where(burning, 2600.0 - 1300.0 * (time - START) / (END - START), 0.0)
    flow = np.where(burning, thrust + 260.0, 0.0)
    gone = 17.2 * np.cumsum(flow) / flow.sum()
    rng = np.random.default_rng(seed)
    reading = thrust + sign * G * (gone - 74.0) + zero + rng.normal(0.0, noise, time.size)
    return time, thrust, flow, gone, reading
