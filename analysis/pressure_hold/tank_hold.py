"""Work the hold of one tank out: gas volume, thermometers, doubt, rate and verdict. SI, absolute pressures."""

import math
from collections.abc import Sequence

import numpy as np

from standbook.analysis.calibration.leak_rate import (
    SHADE,
    SUN,
    SUN_TWO_THERMOMETERS,
    Doubt,
    Hold,
    in_units_of_the_trade,
    judge_hold,
    leak_rate,
)
from standbook.analysis.channel_checks.channel_health import first_usable
from standbook.analysis.dataset.channel import Channel
from standbook.analysis.dataset.dataset import Dataset
from standbook.analysis.pressure_hold.held_stretch import held_stretch
from standbook.analysis.results.hold_results import HoldResult, HoldTerm
from standbook.analysis.results.quantities import Measured
from standbook.analysis.signal.windows import block_average
from standbook.daq.arrays import Array
from standbook.daq.config import measurands
from standbook.daq.config.plan import Tank
from standbook.daq.errors import DataError

DRIFT = 1e-5 / 60.0 / math.sqrt(3.0)  # of a transducer's span, a second, standard: 0.001 % a minute; judgement
ENDS = 10.0  # s of the mean pressures that are printed
ROWS = 4000  # means at most that a hold is taken to


def tank_hold(dataset: Dataset, tank: Tank) -> HoldResult:
    """Work one tank's hold out.

    Raises
    ------
    DataError
        No pressure sensor, nothing was held, too short a hold, or a gas whose density is not known.
    """
    channel = first_usable(dataset.measuring(measurands.TANK_PRESSURE, tank.name), -math.inf, math.inf)
    if channel is None:
        raise DataError(f"tank {tank.name}: no pressure sensor with a calibration was recorded")
    plan, (time, pressure) = dataset.plan.hold, channel.known()
    start, end = held_stretch(time, pressure, settle=plan.settle.value)
    at, mean = _means(time, pressure, start, end)
    thermometers = dataset.measuring(measurands.TEMPERATURE, tank.name)
    temperature = _temperature(thermometers, at, dataset)
    volume, volume_u = tank.ullage_volume, _volume_u(tank)
    hold = Hold(time=at, pressure=mean, temperature=temperature, gas=tank.pressurant, gas_volume=(volume, volume_u))
    found = leak_rate(hold, _doubt(channel, plan.sun, len(thermometers)))
    said = judge_hold(found, plan.wanted.value)
    known = math.isfinite(found.u)
    kelvin = float(np.mean(temperature))
    ambient = dataset.plan.site.ambient_pressure
    ends = [float(np.mean(pressure[(time >= a) & (time <= a + ENDS)])) for a in (start, end - ENDS)]
    return HoldResult(
        says=said.says,
        sentence=said.sentence,
        rate=Measured(found.rate, found.u, "kg/s") if known else None,
        detection_limit=found.detection_limit if known else None,
        wanted=plan.wanted.value,
        trade=in_units_of_the_trade(found.rate, tank.pressurant, temperature=kelvin) if known else "",
        could=said.could,
        budget=tuple(HoldTerm(source, u) for source, u in found.terms.items() if math.isfinite(u)),
        window=(start, end),
        settled=plan.settle.value,
        gas=tank.pressurant,
        gas_volume=Measured(volume, volume_u, "m3"),
        gas_mass=found.mass,
        start_pressure=Measured(ends[0], channel.reading_u(ends[0], ambient), "Pa"),
        end_pressure=Measured(ends[1], channel.reading_u(ends[1], ambient), "Pa"),
        thermometers=len(thermometers),
        sun=plan.sun,
    )


def _means(time: Array, value: Array, start: float, end: float) -> tuple[Array, Array]:
    """Return means of a dense record between two instants, at most ``ROWS``. Shapes (M,), (M,)."""
    block = (end - start) / min(ROWS, int(np.count_nonzero((time >= start) & (time <= end))))
    at, mean = block_average(time, value, start=start, end=end, block=block)
    good = np.isfinite(mean)
    return at[good], mean[good]


def _temperature(thermometers: Sequence[Channel], at: Array, dataset: Dataset) -> Array:
    """Return the mean of a tank's thermometers at instants, (N,), or that of the room, (1,). [K]."""
    read = [np.interp(at, *channel.known()) for channel in thermometers if np.isfinite(channel.reading).any()]
    if not read:
        return np.array([dataset.plan.site.ambient_temperature.value])
    return np.asarray(np.mean(read, axis=0))


def _doubt(channel: Channel, sun: str, thermometers: int) -> Doubt:
    c = channel.calibration
    gas_u = SHADE if sun == "shade" else SUN_TWO_THERMOMETERS if thermometers > 1 else SUN
    return Doubt(gas_u=gas_u, pressure_drift=DRIFT * (c.highest - c.lowest) * c.scale, pressure_step=channel.step)


def _volume_u(tank: Tank) -> float:
    load, density = tank.liquid_load, tank.liquid_density
    liquid = load.value / density.value
    return math.hypot(tank.internal_volume.u, liquid * math.hypot(load.relative_u, density.relative_u))
