"""The made-up firing with three tones in it: mains hum, the stand's mode, and chamber and feed that oscillate together.

A copy of the thrust is kept at 80 samples a second without a filter, as a second, slow converter would.
"""

import dataclasses
import math

import numpy as np

from standbook.analysis.dataset.dataset import RawStream
from standbook.analysis.simulation.draw import Draw, Errors
from standbook.analysis.simulation.instruments import sample
from standbook.analysis.simulation.stage import on_stand
from standbook.analysis.simulation.story import instrument
from standbook.daq.config.signal_conversion import Rails
from tests.rehearsed import dataset_of

CHUG_HZ, CHUG_FROM, CHUG_LAST = 83.0, 14.0, 0.08  # [Hz]; [s]; amplitude over mean chamber pressure at the end
SLOW_RATE = 80.0
HUM = 60.0  # times the made-up stand's usual hum: 0.6 % of a sensor's range


def with_chug(physics, *, frequency=CHUG_HZ, begin=CHUG_FROM, last=CHUG_LAST, in_feed=True):
    """Let the chamber oscillate, growing exponentially from ``begin``, and the manifolds with it."""
    time, mean = physics.time, physics.chamber_pressure
    end = physics.course.events["depletion/fuel"]
    growth = np.exp(np.clip((time - end) / ((end - begin) / math.log(40.0)), None, 0.0))
    swing = last * growth * ((time > begin) & (time < end + 0.05)) * np.sin(2 * np.pi * frequency * time)
    chamber = mean * (1.0 + swing)
    manifold = dict(physics.manifold_pressure)
    if in_feed:
        lag = mean * np.roll(swing, round(0.002 / (time[1] - time[0])))
        manifold = {name: pressure + 0.6 * lag for name, pressure in manifold.items()}
    engine = physics.world.engine
    slope = engine.throat_area * engine.thrust_coefficient
    return dataclasses.replace(
        physics, chamber_pressure=chamber, manifold_pressure=manifold, thrust=physics.thrust + slope * mean * swing
    )


def played(campaign, physics, *, seed=4, hum=HUM, slow=True, prediction=None, stand=None):
    """Return the data set of one firing with hum, and with the slow copy LC-1S where wanted."""
    stand = stand or campaign.stand
    errors = dataclasses.replace(Errors(), hum=hum)
    draw = Draw(seed, errors)
    placed = on_stand(physics, stand)
    campaign = dataclasses.replace(campaign, stand=stand)
    rehearsal = instrument(campaign, placed, draw)
    if not slow:
        return dataset_of(campaign, rehearsal, stand=stand, prediction=prediction)
    copy = stand.input_tagged("LC-1").model_copy(
        update={"tag": "LC-1S", "stream": "copy", "wire": "copy", "share": "spare"}
    )
    calibration = campaign.calibrations["LC-1"].model_copy(update={"tag": "LC-1S"})
    stand = stand.model_copy(update={"input": (*stand.input, copy)})
    calibrations = {**campaign.calibrations, "LC-1S": calibration}
    times = np.arange(physics.time[0], physics.time[-1], 1.0 / SLOW_RATE)
    read = sample(placed, stand, calibrations, draw, [copy], times, mains=60.0)
    extra = RawStream(times, {"LC-1S": read.counts[:, 0].astype("int64")}, {"LC-1S": Rails(-(2**23), 2**23 - 1)})
    known = dataclasses.replace(campaign, calibrations=calibrations)
    return dataset_of(known, rehearsal, stand=stand, prediction=prediction, extra={"cradle-a/copy": extra})
