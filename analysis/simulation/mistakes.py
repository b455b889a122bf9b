"""Simulate mistakes at a stand, by the name of the cause: in the hardware, in the notes, in the calibrations.

A mistake splits a campaign in two: as it really is, which is played, and as it was written down, which is analysed.
SI. What happens to samples on their way (clipping, clocks, links) is in `daq.rehearsal.fault_catalogue`.
"""

import dataclasses
from collections.abc import Callable, Mapping
from dataclasses import dataclass

from standbook.analysis.simulation.draw import Draw
from standbook.daq.config.calibration import Calibration
from standbook.daq.config.campaign import Campaign
from standbook.daq.config.plan import Tank
from standbook.daq.quantity import Quantity

BOTTLE = 200.0e5  # Pa, a supply that leaks by
REGULATOR_AREA = 20.0e-6  # m², CdA of a regulator that stands open


@dataclass(frozen=True, slots=True)
class Mistaken:
    """One campaign with a mistake in it: as it really is, and as it was written down."""

    played: Campaign
    noted: Campaign
    draw: Draw
    caught_share: float = 1.0  # weighed over truly caught


def mistaken(
    campaign: Campaign, draw: Draw, cause: str, size: float, *, tank: str, tag: str, other: str = ""
) -> Mistaken:
    """Simulate one mistake at one tank, or with one of its sensors.

    Parameters
    ----------
    cause : str
        One of ``HARDWARE``, ``NOTES``, ``SENSOR``, ``"amount-note"`` or ``"cables-exchanged"``.
    size : float
        In the cause's unit: area [m²], share, temperature difference [K], stroke [s], share a second [1/s].
    other : str
        The second sensor, whose cable is exchanged with that of ``tag``.

    Raises
    ------
    KeyError
        The cause is not known.
    """
    if cause == "amount-note":
        return Mistaken(campaign, campaign, draw, 1.0 / (1.0 + size))
    if cause == "cables-exchanged":
        return Mistaken(_exchanged(campaign, tag, other), campaign, draw)
    if cause in HARDWARE:
        fixed = {f"{tank}.{key}": value for key, value in HARDWARE[cause](campaign, tank, size).items()}
        return Mistaken(campaign, campaign, dataclasses.replace(draw, fixed={**draw.fixed, **fixed}))
    if cause in NOTES:
        noted = campaign.plan.tank_named(tank)
        tanks = tuple(NOTES[cause](t, size) if t.name == noted.name else t for t in campaign.plan.tank)
        plan = campaign.plan.model_copy(update={"tank": tanks})
        return Mistaken(campaign, dataclasses.replace(campaign, plan=plan), draw)
    calibration = SENSOR[cause](campaign.calibrations[tag], size)
    calibrations = {**campaign.calibrations, tag: calibration}
    return Mistaken(campaign, dataclasses.replace(campaign, calibrations=calibrations), draw)


def _exchanged(campaign: Campaign, tag: str, other: str) -> Campaign:
    """Plug each of two sensors in where the stand file has the other; sensors and their signals stay as they are."""
    one, two = campaign.stand.input_tagged(tag), campaign.stand.input_tagged(other)
    places = {tag: two, other: one}
    inputs = tuple(
        item.model_copy(update={key: getattr(places[item.tag], key) for key in ("device", "stream", "wire")})
        if item.tag in places
        else item
        for item in campaign.stand.input
    )
    return dataclasses.replace(campaign, stand=campaign.stand.model_copy(update={"input": inputs}))


def _start_pressure(campaign: Campaign, tank: str) -> float:
    return campaign.plan.start_pressure(campaign.plan.tank_named(tank)).value


def _room(campaign: Campaign) -> float:
    return campaign.plan.site.ambient_temperature.value


def _moved(quantity: Quantity, value: float) -> Quantity:
    return dataclasses.replace(quantity, value=value)


def _volume_note(tank: Tank, size: float) -> Tank:
    """Note the volume so that the true ullage is ``1 + size`` times the noted one."""
    true = tank.ullage_volume
    noted = tank.internal_volume.value - true + true / (1.0 + size)
    return tank.model_copy(update={"internal_volume": _moved(tank.internal_volume, noted)})


def _load_note(tank: Tank, size: float) -> Tank:
    noted = tank.liquid_load.value / (1.0 + size)
    return tank.model_copy(update={"liquid_load": _moved(tank.liquid_load, noted)})


def _zero(calibration: Calibration, size: float) -> Calibration:
    first, *rest = calibration.coefficients
    offset = size * (calibration.highest - calibration.lowest)
    return calibration.model_copy(update={"coefficients": (first + offset, *rest)})


def _gain(calibration: Calibration, size: float) -> Calibration:
    changed = tuple(c * (1.0 + size) for c in calibration.coefficients)
    return calibration.model_copy(update={"coefficients": changed})


def _gauge(calibration: Calibration, _: float) -> Calibration:
    unit = calibration.reading_unit.replace("(g)", "(a)")
    return calibration.model_copy(update={"reading_unit": unit})


HARDWARE: Mapping[str, Callable[[Campaign, str, float], Mapping[str, float]]] = {
    "ullage-leak": lambda _, __, size: {"leak_area": size},
    "supply-leaks-in": lambda _, __, size: {"supply_area": size, "supply_pressure": BOTTLE},
    "supply-open": lambda campaign, tank, size: {
        "supply_area": size * REGULATOR_AREA,
        "supply_pressure": _start_pressure(campaign, tank),
    },
    "gas-not-settled": lambda campaign, _, size: {"gas_temperature": _room(campaign) + size},
    "cold-liquid": lambda campaign, _, size: {
        "liquid_temperature": _room(campaign) - size,
        "wall_temperature": _room(campaign) - 0.7 * size,
    },
    "gas-pulled-through": lambda campaign, tank, size: {
        "residual": size * campaign.plan.tank_named(tank).liquid_load.value
    },
    "valve-creeps": lambda _, __, size: {"valve_creep": size},
    "slow-valve": lambda _, __, size: {"valve_stroke": size},
    "area-changed": lambda campaign, tank, size: {"cda": (1.0 + size) * campaign.plan.tank_named(tank).feed_cda.value},
}
"""True values of a tank, by their names in `analysis.simulation.world`."""

NOTES: Mapping[str, Callable[[Tank, float], Tank]] = {"tank-volume": _volume_note, "load-note": _load_note}
SENSOR: Mapping[str, Callable[[Calibration, float], Calibration]] = {
    "sensor-zero": _zero,
    "sensor-gain": _gain,
    "gauge-as-absolute": _gauge,
}
