"""What a cold flow's plan, notes and pressure sensor give to the search for its ends. SI, absolute pressures."""

import math

from standbook.analysis.blowdown.tank_record import pressurant_of
from standbook.analysis.cold_flow.tank_side import column_of
from standbook.analysis.dataset.dataset import Dataset
from standbook.analysis.flow_ends.flow_ends import TankRecord
from standbook.daq.arrays import Array
from standbook.daq.config.plan import Tank

DRY_WITHIN = 3.0  # standard uncertainties of what is left over
DRY_SHARE = 0.012  # of the load: so much more may stay in a dry tank than the plan says


def flow_record(dataset: Dataset, tank: Tank, time: Array, reading: Array, *, step: float) -> TankRecord:
    """Return one sensor's record of a cold flow.

    Parameters
    ----------
    time, reading : (N,) array
        Instants [s] and tank pressure, absolute [Pa], without samples that are not a number.
    step : float
        Of the sensor's converter. [Pa]
    """
    plan = dataset.plan
    head, _ = column_of(plan, tank)
    middle = 0.5 * (head.start_height + tank.outlet_below_floor.value)
    column = tank.liquid_density.value * head.gravity * middle
    return TankRecord(
        time=time,
        pressure=reading,
        drive=reading + (column - plan.back_pressure().value),
        step=step,
        density=tank.liquid_density.value,
        pressurant=pressurant_of(plan, tank),
    )


def gas_expected(dataset: Dataset, tank: Tank) -> bool | None:
    """Tell whether gas ends the flow: not where scales say that liquid was left, else as planned; ``None``: perhaps.

    What was weighed decides only whether gas is looked for, never when it came.
    """
    weighing, load, stays = dataset.weighings.get(tank.name), tank.liquid_load, tank.unusable_residual
    planned = dataset.plan.flow is not None and dataset.plan.flow.end == "run-out"
    left: tuple[float, float] | None = None
    if weighing is not None and weighing.residual is not None:
        left = weighing.residual.value, weighing.residual.u
    elif weighing is not None and weighing.caught is not None:
        left = load.value - weighing.caught.value, math.hypot(load.u, weighing.caught.u)
    if left is not None and left[0] - stays.value > DRY_WITHIN * math.hypot(left[1], stays.u) + DRY_SHARE * load.value:
        return False
    return True if planned else None
