r"""Predict a pressure hold: the pressure that stays, and what a leak at the limit or a change of temperature would do.

SI, absolute pressures; times after the hold has settled. A gas that is tight follows its temperature alone; a leak at
the wanted limit lowers the pressure by :math:`\dot m t / m`, shares of an ideal gas, and 2 K of the room move it by
2 / T. The band holds both, and the planned pressure's own u. No gas law is fitted here.
"""

import numpy as np

from standbook.analysis.physics.fluids import density
from standbook.analysis.prediction.bands import scalar
from standbook.analysis.results.prediction import Band, Prediction, rounded
from standbook.daq.config import measurands
from standbook.daq.config.plan import Plan, Tank

GRID = 61
ROOM = 2.0  # K an hour that a room moves, as limits; judgement
HOUR = 3600.0
NORMAL = 1.959963984540054  # two-sided 95 %


def predict_hold(plan: Plan, *, samples: int, seed: int) -> Prediction:
    """Predict a hold; see `analysis.kinds.registry.predict`. Nothing is drawn: every effect is a closed form."""
    duration = max(plan.recording.planned_duration.value - plan.hold.settle.value, 1.0)
    time = np.linspace(0.0, duration, GRID)
    quantities, scalars = {}, {"hold time": scalar(np.array([duration]), np.array([duration, duration]), "s")}
    for tank in plan.tank:
        start = plan.start_pressure(tank)
        lost, warm = _lost(plan, tank, duration), _warm(plan, tank, duration)
        share = time / duration
        wide = NORMAL * start.u
        quantities[measurands.of_tank(measurands.TANK_PRESSURE, tank.name)] = Band(
            nominal=rounded(np.full(GRID, start.value)),
            low=rounded(start.value - wide - (lost + warm) * share),
            high=rounded(start.value + wide + warm * share),
            unit="Pa",
        )
        for name, value in (("lost by a leak at the limit", lost), ("moved by the room", warm)):
            one = np.array([value])
            scalars[f"pressure {name}/{tank.name}"] = scalar(one, np.array([value, value]), "Pa")
    return Prediction(
        number=plan.test.number,
        kind=plan.test.kind,
        article=plan.test.article,
        samples=samples,
        seed=seed,
        ambient_pressure=plan.site.ambient_pressure.value,
        time=rounded(time),
        quantities=quantities,
        scalars=scalars,
        contributions=(),
        main_number="hold time",
        class_margin=None,
        lift_off=None,
        findings=(),
    )


def _lost(plan: Plan, tank: Tank, duration: float) -> float:
    """Return by how much a leak at the limit lowers a tank's pressure. [Pa]."""
    pressure, kelvin = plan.start_pressure(tank).value, _kelvin(plan, tank)
    mass = tank.ullage_volume * density(tank.pressurant, pressure=pressure, temperature=kelvin)
    return min(plan.hold.wanted.value * duration / mass, 1.0) * pressure


def _warm(plan: Plan, tank: Tank, duration: float) -> float:
    """Return by how much the room's change of temperature may move a tank's pressure. [Pa]."""
    return plan.start_pressure(tank).value * ROOM * duration / HOUR / _kelvin(plan, tank)


def _kelvin(plan: Plan, tank: Tank) -> float:
    return (tank.gas_temperature or plan.site.ambient_temperature).value
